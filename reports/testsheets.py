"""Sheets of measurements that are no traverse: one shape for all, filled by the method's own table."""

from collections.abc import Callable, Iterator, Sequence
from math import exp, log
from typing import Any

from measurements.calc.fan_curve import curve_piece
from measurements.calc.leakage_classes import (
    EN_COEFFICIENTS,
    EXPONENT,
    US_CLASSES,
    LeakageScheme,
    scheme_coefficient,
)
from measurements.calc.pump_curve import pump_curve
from measurements.calc.sound_curves import CURVE_BANDS, CURVES, STEP
from measurements.calc.units import units_of
from measurements.methods import GRID, METHODS, MethodKind, Place, Told
from measurements.models import Reading, Result, Session
from reports import document as doc
from reports import flags, ledger, sheets
from reports.material import Material
from reports.quantities import quantity_of
from reports.reviewset import Measured


def sheet(one: Measured, material: Material, *, remark: str = "") -> doc.TestSheet:
    """Raises ValueError when the session has no figure."""
    session, result = one.session, one.result
    if result is None:
        raise ValueError("the session is not evaluated")
    kind, point = METHODS[session.method], session.test_point
    line, budget = ledger.ledger(result, point), ledger.budget(result, point)
    notes = "\n".join(part for part in (remark, session.note) if part)
    return doc.TestSheet(
        anchor=str(session.id),
        tag=point.tag,
        method=doc.Method(session.method),
        place=point.location,
        result=line,
        figures=figures(result),
        classes=classes(result),
        parts=parts(result),
        plotted=tuple(plotted(result)),
        readings=tuple(readings(one, kind, material)),
        told=(*told(one, kind), *adjusted(session)),
        air=sheets.air_facts(session, result) if kind.air else (),
        budget=budget,
        combined=ledger.finite(ledger.output(result, point).get("u")),
        dominating=ledger.dominating(result),
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
    named = ledger.detail(result).get("order") or sorted(results)  # the database sorts keys by its own rule
    order = sorted(named, key=lambda name: name != result.measurand)
    found = [(results[name]["name"], name, results[name]) for name in order]
    found += [(plain(label), figure["name"], figure) for label, figure in _uneven(result)]
    return tuple(
        fact for words, name, figure in found if (fact := _fact(result, words, name, figure)) is not None
    )


def _fact(result: Result, words: str, name: str, found: dict[str, Any]) -> doc.Fact | None:
    quantity = quantity_of(result, name, found.get("unit", ""))
    cell = _cell(found, quantity)
    if cell.value is None:
        return None
    return doc.Fact(name=words, quantity=quantity, value=cell.value, expanded=cell.expanded)


def classes(result: Result) -> tuple[doc.NamedText, ...]:
    """Coded words as people read them."""
    found = ledger.detail(result).get("classes") or {}
    return tuple(doc.NamedText(name=plain(name), text=_plain_word(word)) for name, word in found.items())


def plain(name: str) -> str:
    """A coded name in words."""
    words = name.replace("_", " ")
    return "NC" + words[2:] if words.startswith("nc ") else words[:1].upper() + words[1:]


def _plain_word(word: str) -> str:
    return str(word).replace("_", " ")


def parts(result: Result) -> doc.PartTable | None:
    """What was found part by part; None where nothing was, or where every part has a unit of its own."""
    rows = ledger.detail(result).get("parts") or ()
    if not rows or _uneven(result):
        return None
    columns = [(f["name"], quantity_of(result, f["name"], f["unit"])) for f in rows[0]["figures"]]
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


def _uneven(result: Result) -> list[tuple[str, dict[str, Any]]]:
    """Parts of one figure each in units of their own: they make no table and stand among the figures."""
    rows = ledger.detail(result).get("parts") or ()
    units = {tuple(f["unit"] for f in row["figures"]) for row in rows}
    return [(row["label"], f) for row in rows for f in row["figures"]] if len(units) > 1 else []


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


def adjusted(session: Session) -> Iterator[doc.NamedText]:
    """Where the damper or valve stood, in a line."""
    told = session.content.get("adjustment")
    if told:
        marked = ", marked" if told["marked"] else ""
        done = f". {told['done']}" if told["done"] else ""
        yield doc.NamedText(name="Damper or valve", text=f"{told['setting']}{marked}{done}")


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


Rows = Sequence[tuple[str, Sequence[Any]]]


def plotted(result: Result) -> Iterator[doc.Plotted]:
    """Tables that the pictures of a sheet are drawn from; none where no picture helps."""
    build = PLOTTED.get(result.inputs.get("method", ""))
    if build is not None and ledger.detail(result).get("results"):
        yield from (table for table in build(result) if table.labels)


def _table(kind: str, columns: dict[str, doc.Quantity], rows: Rows, words: Sequence[str] = ()) -> doc.Plotted:
    """Cells from plain numbers, (value, U) pairs or None; temperatures to degrees Celsius."""
    quantities = tuple(columns.values())
    return doc.Plotted(
        kind=kind,
        names=tuple(columns),
        quantities=quantities,
        labels=tuple(label for label, _ in rows),
        cells=tuple(
            tuple(_drawn(v, quantity) for v, quantity in zip(values, quantities, strict=True))
            for _, values in rows
        ),
        words=tuple(words),
    )


def _drawn(value: Any, quantity: doc.Quantity) -> doc.Cell:
    value, spread = value if isinstance(value, tuple) else (value, None)
    return _cell({"value": value, "U": spread}, quantity)


def _found(result: Result, name: str) -> tuple[Any, Any] | None:
    """Value and U of a propagated figure; None when the method did not find it."""
    figure = ledger.found(result, name)
    return (figure["value"], figure["U"]) if figure else None


def _figures(row: dict[str, Any]) -> dict[str, tuple[Any, Any]]:
    """Figures of a part by name."""
    return {figure["name"]: (figure["value"], figure["U"]) for figure in row["figures"]}


def _air_path(result: Result) -> Iterator[doc.Plotted]:
    """Static pressure along the air: every component between its stations, with its clean drop."""
    given, rows = ledger.given(result), []
    clean = given["clean_drops"] or [None] * len(given["components"])
    for part in ledger.detail(result)["parts"]:
        first, last = (int(n) for n in part["label"].partition(" ")[0].split("-"))
        figures = _figures(part)
        values = (first, last, figures["before"], figures["after"], figures["drop"], clean[first - 1])
        rows.append((_plain_word(given["components"][first - 1]), values))
    number, pressure = doc.Quantity.NUMBER, doc.Quantity.PRESSURE
    columns = {"from": number, "to": number, "before": pressure, "after": pressure}
    yield _table("air_path", {**columns, "drop": pressure, "clean": pressure}, rows)
    ends = (given["unit_from"] or 1, given["unit_to"] or len(given["components"]) + 1)
    external = (*ends, _found(result, "external_static"), given["external_limit"])
    columns = {"from": number, "to": number, "external": pressure, "limit": pressure}
    yield _table("external_static", columns, [("External static", external)])


def _leak_lines(result: Result) -> Iterator[doc.Plotted]:
    """Steps of a leakage test, the line through them, and the classes' limits as flows of the section."""
    given, pairs = ledger.given(result), {"pressure": doc.Quantity.PRESSURE, "flow": doc.Quantity.FLOW}
    steps = [
        (part["label"], (f["pressure"], f["flow"]))
        for part in ledger.detail(result)["parts"]
        for f in (_figures(part),)
    ]
    at, flow, leakage = given["test_pressure"], _found(result, "flow"), _found(result, "leakage")
    law = _found(result, "exponent")
    if flow is None or leakage is None or not leakage[0]:
        return
    yield _table("leak_steps", pairs, steps)
    yield _table("leak_at", pairs, [("test pressure", (at, flow))])
    pressures = [at, *(values[0][0] for _, values in steps)]
    ends, area = (0.8 * min(pressures), 1.25 * max(pressures)), given["surface_area"]["value"]
    exponent = law[0] if law else EXPONENT
    line = [("", (p, flow[0] * (p / at) ** exponent)) for p in ends]
    yield _table("leak_line", pairs, line)
    carried = (
        flow[0] / area / leakage[0]
    )  # as found over as stated: the limits are drawn for the air as found
    asked, lines, words = given["required_class"] or "", [], []
    for name in _classes_drawn(given["scheme"], asked):
        factor = scheme_coefficient(LeakageScheme(given["scheme"]), name)
        for p in ends:
            lines.append((name, (p, factor * p**EXPONENT * area * carried)))
            words.append("asked for" if name == asked else "")
    yield _table("leak_classes", pairs, lines, words)


def _classes_drawn(scheme: str, asked: str) -> list[str]:
    names = list(EN_COEFFICIENTS) if scheme == LeakageScheme.EN else [f"{n:g}" for n in US_CLASSES]
    return names if not asked or asked in names else [*names, asked]


def _bands(result: Result) -> Iterator[doc.Plotted]:
    """Octave bands of the source, the curve that it touches, and the usual curves round it."""
    rows = ledger.detail(result)["parts"]
    found = [(row["label"], (f["source_level"], f["curve"])) for row in rows for f in (_figures(row),)]
    level = doc.Quantity.SOUND_LEVEL
    words = [_plain_word(row["word"]) for row in rows]
    yield _table("bands", {"level": level, "curve": level}, found, words)
    shown = [values[0][0] for _, values in found]
    curves = [
        (f"NC {number}", values)
        for number, values in CURVES.items()
        if max(values) >= min(shown, default=0.0) - STEP and min(values) <= max(shown, default=0.0) + STEP
    ]
    yield _table("nc_curves", dict.fromkeys(CURVE_BANDS, level), curves)


def _fan_curve(result: Result) -> Iterator[doc.Plotted]:
    """The maker's curve by the fan laws at the speed and density found, and where the fan was found."""
    given, speed, density = ledger.given(result), _found(result, "speed"), _found(result, "density")
    name = "fan_total_pressure" if given["curve_shows"] == "total" else "fan_static_pressure"
    pressure, flow = _found(result, name), _estimate(given["flow"])
    points = sorted(zip(given["curve_flow"], given["curve_pressure"], strict=True))
    if not points or pressure is None or flow is None or speed is None or density is None:
        return
    ratio = speed[0] / given["curve_speed"]
    rise = ratio**2 * density[0] / given["curve_density"]
    columns = {"flow": doc.Quantity.FLOW, "pressure": doc.Quantity.PRESSURE}
    scaled = [("", (q * ratio, p * rise)) for q, p in points]
    line = [("", (q * ratio, p * rise)) for q, p in _through(points)]
    yield _table("curve_points", columns, scaled)
    yield _table("curve_line", columns, line)
    word = "total pressure" if given["curve_shows"] == "total" else "static pressure"
    yield _table("operation", columns, [("as found", (flow, pressure))], [word])


def _through(points: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """A fan's curve between the maker's points: straight up to its peak, then as it is calculated."""
    flows, pressures = [q for q, _ in points], [p for _, p in points]
    top, least = max(pressures), min(pressures[pressures.index(max(pressures)) :])
    rising = points[: len(points) - pressures[::-1].index(top)]
    steps = [top - (top - least) * k / LINE_STEPS for k in range(1, LINE_STEPS + 1)]
    falling = [(piece.flow(p), p) for p in steps if (piece := curve_piece(flows, pressures, p)) is not None]
    return [*rising, *falling]


def _pump_curve(result: Result) -> Iterator[doc.Plotted]:
    """The maker's curve at the speed found, where the pump was found, and its shut-off head."""
    given, head = ledger.given(result), _found(result, "head")
    flow = _estimate(given["flow"]) or _found(result, "flow_on_curve")
    if not given["curve_flow"] or head is None or flow is None:
        return
    read = (given["speed"] or {}).get("values")
    ratio = sum(read) / len(read) / given["curve_speed"] if read and given["curve_speed"] else 1.0
    columns = {"flow": doc.Quantity.LIQUID_FLOW, "head": doc.Quantity.HEAD}
    curve = pump_curve(given["curve_flow"], given["curve_head"])
    first, last = curve.flows[0], curve.flows[-1]
    steps = [first + (last - first) * k / LINE_STEPS for k in range(LINE_STEPS)] + [last]
    points = zip(curve.flows, curve.heads, strict=True)
    yield _table("curve_points", columns, [("", (q * ratio, h * ratio**2)) for q, h in points])
    yield _table("curve_line", columns, [("", (q * ratio, curve.head(q) * ratio**2)) for q in steps])
    found: list[tuple[str, tuple[Any, Any]]] = [
        ("as found" if given["flow"] else "by its head", (flow, head))
    ]
    if (shut := _found(result, "shut_off_head")) is not None:
        found.append(("shut off", (0.0, shut)))
    yield _table("operation", columns, found, ["head"] * len(found))


def _estimate(given: dict[str, Any] | None) -> tuple[float, float] | None:
    """A told figure with its U."""
    return None if given is None else (given["value"], 2.0 * given["u"])


def _face(result: Result) -> Iterator[doc.Plotted]:
    """Velocities over an opening by column and row, and the size of the opening where it was told."""
    points, given = ledger.detail(result)["points"], ledger.given(result)
    if len(points) < 2:
        return
    words = {row["label"]: _plain_word(row["word"]) for row in ledger.detail(result)["parts"]}
    number = doc.Quantity.NUMBER
    yield _table(
        "face",
        {"column": number, "row": number, "velocity": doc.Quantity.VELOCITY},
        [(p["label"], (p["hole"], p["row"], p["velocity"])) for p in points],
        [words.get(p["label"], "") for p in points],
    )
    if given.get("width") and given.get("height"):
        length = doc.Quantity.LENGTH
        size = [("opening", (given["width"], given["height"]))]
        yield _table("opening", {"width": length, "height": length}, size)


def _scale(quantity: doc.Quantity, rows: Rows, words: Sequence[str] = ()) -> doc.Plotted:
    return _table("scale", {"value": quantity, "low": quantity, "high": quantity}, rows, words)


def _mixture(result: Result) -> Iterator[doc.Plotted]:
    """Return, mixed and outdoor air on one scale."""
    kelvin = ledger.given(result)["signal"] == "temperature"
    quantity = doc.Quantity.TEMPERATURE if kelvin else doc.Quantity.CARBON_DIOXIDE
    names = (("return_air", "Return air"), ("mixed_air", "Mixed air"), ("outdoor_air", "Outdoor air"))
    rows = [
        (label, (value, None, None)) for name, label in names if (value := _found(result, name)) is not None
    ]
    yield _scale(quantity, rows)


def _limits_held(result: Result) -> Iterator[doc.Plotted]:
    """Where a switch makes and breaks, each with its limits; one pressure alone has its band at the head."""
    given, release = ledger.given(result), _found(result, "release")
    if release is None:
        return
    held = (result.limit_low, result.limit_high)
    makes = ("Makes", (_found(result, "pressure"), *held))
    breaks = ("Breaks", (release, given["release_low"], given["release_high"]))
    yield _scale(doc.Quantity.PRESSURE, [makes, breaks])


def _room_held(result: Result) -> Iterator[doc.Plotted]:
    """The room's pressure against nought and its limit, and how particles faded."""
    held, given = (result.limit_low, result.limit_high), ledger.given(result)
    direction = (ledger.detail(result).get("classes") or {}).get("direction", "")
    yield _scale(
        doc.Quantity.PRESSURE, [("Room", (_found(result, "pressure"), *held))], [FLOWS.get(direction, "")]
    )
    rate, counts = _found(result, "recovery_rate"), given["concentration"]
    if rate is None or not counts or min(counts["values"]) <= 0.0:
        return
    columns = {"time": doc.Quantity.TIME, "count": doc.Quantity.CONCENTRATION}
    read = sorted(zip(counts["times"], counts["values"], strict=True))
    yield _table("decay", columns, [("", pair) for pair in read])
    logs = [log(count) + rate[0] * time for time, count in read]
    start = exp(sum(logs) / len(logs))
    line = [("", (t, start * exp(-rate[0] * t))) for t in (read[0][0], read[-1][0])]
    yield _table("decay_line", columns, line)
    yield _table("recovery", {"time": doc.Quantity.TIME}, [("100:1", (_found(result, "recovery_time"),))])


def _heats(result: Result) -> Iterator[doc.Plotted]:
    """Heat of the air in its two parts, and of the water."""
    names = (
        ("air_sensible", "Air, sensible"),
        ("air_latent", "Air, latent"),
        ("air_total", "Air, total"),
        ("water_heat", "Water"),
    )
    rows = [(label, (value,)) for name, label in names if (value := _found(result, name)) is not None]
    yield _table("heats", {"heat": doc.Quantity.HEAT}, rows)


FLOWS = {"positive": "air flows out of the room", "negative": "air flows into the room"}
LINE_STEPS = 24
PLOTTED: dict[str, Callable[[Result], Iterator[doc.Plotted]]] = {
    "static_profile": _air_path,
    "leakage_test": _leak_lines,
    "sound_level": _bands,
    "fan_test": _fan_curve,
    "pump_test": _pump_curve,
    "hood_face": _face,
    "face_velocity": _face,
    "mixed_air": _mixture,
    "pressure_check": _limits_held,
    "room_pressure": _room_held,
    "coil_heat": _heats,
}
"""What is drawn of each way of measuring."""
