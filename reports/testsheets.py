"""Sheets of measurements that are no traverse: one shape for all, filled by the method's own table."""

from collections.abc import Iterator, Sequence
from typing import Any

from measurements.calc.units import units_of
from measurements.methods import GRID, METHODS, MethodKind, Place, Told
from measurements.models import Reading, Result
from reports import document as doc
from reports import flags, ledger, sheets
from reports.material import Material
from reports.reviewset import Measured


def sheet(one: Measured, material: Material, *, remark: str = "") -> doc.TestSheet:
    """Raises ValueError when the session has no figure."""
    session, result = one.session, one.result
    if result is None:
        raise ValueError("the session is not evaluated")
    kind, point = METHODS[session.method], session.test_point
    notes = "\n".join(part for part in (remark, session.note) if part)
    return doc.TestSheet(
        anchor=str(session.id),
        tag=point.tag,
        method=doc.Method(session.method),
        place=point.location,
        result=ledger.ledger(result, point),
        figures=figures(result),
        classes=classes(result),
        parts=parts(result),
        readings=tuple(readings(one, kind, material)),
        told=tuple(told(one, kind)),
        air=sheets.air_facts(session, result) if kind.air else (),
        budget=ledger.budget(result, point),
        combined=ledger.finite(ledger.output(result, point).get("u")),
        dominating=ledger.dominating(result, point),
        zero_checks=sheets.zero_checks(session, material),
        instruments=tuple(dict.fromkeys(i.serial for i in material.used(session).values())),
        measured_by=material.person(session.member, "technician", session.finished_at),
        started=material.local(session.started_at),
        ended=material.local(session.finished_at),
        flags=tuple(flags.of_session(one, material)),
        history=sheets.history(one, material),
        cautions=kind.cautions,
        remark=notes,
        calculation=ledger.calculation(result),
    )


def figures(result: Result) -> tuple[doc.Fact, ...]:
    """Everything that was found with its uncertainty, the measurand first."""
    results = ledger.detail(result).get("results") or {}
    order = sorted(results, key=lambda name: name != result.measurand)
    return tuple(fact for name in order if (fact := _fact(name, results[name])) is not None)


def _fact(name: str, found: dict[str, Any]) -> doc.Fact | None:
    value = ledger.finite(found.get("value"))
    if value is None:
        return None
    quantity = ledger.quantity_of(name, found.get("unit", ""))
    shift = ledger.KELVIN if quantity is doc.Quantity.TEMPERATURE else 0.0
    spread = ledger.finite(found.get("U"))
    return doc.Fact(name=found["name"], quantity=quantity, value=value - shift, expanded=spread, source="")


def classes(result: Result) -> tuple[doc.NamedText, ...]:
    """Coded words as people read them."""
    found = ledger.detail(result).get("classes") or {}
    return tuple(doc.NamedText(name=plain(name), text=_plain_word(word)) for name, word in found.items())


def plain(name: str) -> str:
    """A coded name in words."""
    words = name.replace("_", " ")
    return words[:1].upper() + words[1:]


def _plain_word(word: str) -> str:
    return str(word).replace("_", " ")


def parts(result: Result) -> doc.PartTable | None:
    """What was found part by part."""
    rows = ledger.detail(result).get("parts") or ()
    if not rows:
        return None
    columns = [(f["name"], ledger.quantity_of(f["name"], f["unit"])) for f in rows[0]["figures"]]
    return doc.PartTable(
        names=tuple(plain(name) for name, _ in columns),
        quantities=tuple(quantity for _, quantity in columns),
        labels=tuple(plain(row["label"]) for row in rows),
        cells=tuple(
            tuple(_cell(f, quantity) for f, (_, quantity) in zip(row["figures"], columns, strict=True))
            for row in rows
        ),
        words=tuple(_plain_word(row.get("word", "")) for row in rows)
        if any(row.get("word") for row in rows)
        else (),
    )


def _cell(figure: dict[str, Any], quantity: doc.Quantity) -> doc.Cell:
    value = ledger.finite(figure["value"])
    if value is not None and quantity is doc.Quantity.TEMPERATURE:
        value -= ledger.KELVIN
    return doc.Cell(value=value, expanded=ledger.finite(figure.get("U")))


def readings(one: Measured, kind: MethodKind, material: Material) -> Iterator[doc.PlaceReadings]:
    """Readings by place, in the table's order, as they were shown."""
    rows = material.readings.get(one.session.id, [])
    for place in kind.places:
        own = [row for row in rows if kind.place(row.place) is place]
        for unit in dict.fromkeys(row.unit for row in own):
            shown = [row for row in own if row.unit == unit]
            yield doc.PlaceReadings(
                place=place.words,
                unit=unit,
                entered=tuple(row.entered for row in shown),
                labels=tuple(label(row, place, shown) for row in shown),
                instrument=material.key(shown[0].instrument_id) if shown[0].instrument_id else "",
            )


def label(row: Reading, place: Place, among: Sequence[Reading]) -> str:
    """What tells a reading from its neighbours: run, line and point where they differ."""
    told = [name for name in ("run", "line", "point") if len({getattr(r, name) for r in among}) > 1]
    counted = "line" if place.line in ("", GRID) else place.line
    names = {"run": "run", "line": counted, "point": "point"}
    return ", ".join(f"{names[name]} {getattr(row, name)}" for name in told)


def told(one: Measured, kind: MethodKind) -> Iterator[doc.NamedText]:
    """What was told, as it was entered."""
    content = one.session.content.get("told") or {}
    for entry in kind.told:
        if entry.name in content:
            text = told_text(entry, content[entry.name])
            if text:
                yield doc.NamedText(name=entry.words, text=text)


def told_text(entry: Told, value: Any) -> str:
    if isinstance(value, list):
        return ", ".join(told_text(entry, one) or "not told" for one in value)
    if not isinstance(value, dict):
        return _plain_word(value) if value else ""
    spread = f" ± {value['expanded_uncertainty']}" if value.get("expanded_uncertainty") else ""
    return f"{value['value']}{spread} {symbol(entry, value['unit'])}".strip()


def symbol(entry: Told, unit: str) -> str:
    """The unit as the trade writes it."""
    if entry.kind is None or unit == "1":
        return ""
    for known in units_of(entry.kind):
        if unit in known.names:
            return known.names[1] if len(known.names) > 1 else known.names[0]
    return unit
