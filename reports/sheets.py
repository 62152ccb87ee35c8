"""A traverse sheet from one session: layout, runs, air, budget, zero checks, history."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any, Literal

from django.utils.translation import gettext, gettext_noop

from measurements.calc.duct import Duct
from measurements.calc.duct import Shape as DuctShape
from measurements.calc.layout import WANTED_DOWNSTREAM, WANTED_UPSTREAM, Layout, make_layout
from measurements.calc.positions import Rule, side_fractions
from measurements.models import Correction, Method, Result, Session
from reports import document as doc
from reports import flags, ledger
from reports.material import Material
from reports.render.figures import Figures
from reports.reviewset import Left, Measured
from reports.runs import Found, letters, runs_of

SHAPES = {"round": DuctShape.ROUND, "rectangular": DuctShape.RECTANGULAR, "oval": DuctShape.FLAT_OVAL}
RULES = {
    "log_tchebycheff": gettext_noop("log-Tchebycheff"),
    "log_linear": gettext_noop("log-linear"),
    "equal_area": gettext_noop("equal areas"),
}
FACTS = (
    ("air_temperature", gettext_noop("Air temperature"), doc.Quantity.TEMPERATURE, "temperature_u"),
    ("relative_humidity", gettext_noop("Relative humidity"), doc.Quantity.HUMIDITY, "humidity_u"),
    ("barometric_pressure", gettext_noop("Barometer"), doc.Quantity.ABSOLUTE_PRESSURE, "barometer_u"),
    (
        "duct_static_pressure",
        gettext_noop("Static pressure in the duct"),
        doc.Quantity.PRESSURE,
        "static_pressure_u",
    ),
)


def sheet(one: Measured, material: Material, *, remark: str = "") -> doc.TraverseSheet:
    """The sheet of a computed traverse. Raises ValueError when there is no figure."""
    session, result = one.session, one.result
    if result is None:
        raise ValueError("the session is not evaluated")
    line = ledger.ledger(result, session.test_point)
    plane = session.content.get("plane") or {}
    duct = duct_of(plane)
    pitot = session.method == Method.PITOT_TRAVERSE
    found = Found(one, session, result, plane, duct, layout_of(plane, duct) if pitot else None, material)
    lines, points = _lines(found), _points(found)
    runs = runs_of(found)
    velocities = [p["velocity"] for p in ledger.detail(result).get("points", ())]
    return doc.TraverseSheet(
        anchor=str(session.id),
        tag=session.test_point.tag,
        method=doc.Method(session.method),
        place=session.test_point.location,
        rule=_rule_words(found),
        section=_section(found),
        lines=lines,
        points=points,
        disturbances=_disturbances(found),
        runs=runs,
        mean=ledger.measured(ledger.found(result, "velocity"))
        or doc.Measured(value=result.mean_velocity or 0.0),
        highest=max(velocities, default=0.0),
        lowest=min(velocities, default=0.0),
        distribution_share=_distribution(found),
        actual=doc.Measured(value=result.flow or 0.0, expanded=result.flow_expanded),
        standard=_standard(result),
        result=line,
        air=air_facts(session, result),
        density=ledger.measured(ledger.found(result, "density")) or doc.Measured(value=result.density or 0.0),
        density_model=str(ledger.detail(result).get("density_model", "")),
        budget=ledger.budget(result, session.test_point),
        combined=ledger.finite(ledger.output(result, session.test_point).get("u")),
        dominating=ledger.dominating(result),
        zero_checks=zero_checks(session, material),
        instruments=tuple(dict.fromkeys(i.serial for i in material.used(session).values())),
        measured_by=material.person(session.member, "technician", session.finished_at),
        started=material.local(session.started_at),
        ended=material.local(session.finished_at),
        flags=flags.of_session(one, material, anchor=str(session.id)),
        history=history(one, material),
        remark="\n".join(part for part in (remark, session.note) if part),
        calculation=ledger.calculation(result),
    )


def size(plane: Mapping[str, Any], name: str) -> float | None:
    """A dimension of the plane as found, m."""
    entry = plane.get(name)
    return float(entry["si"]) if isinstance(entry, Mapping) and entry.get("si") is not None else None


def duct_of(plane: Mapping[str, Any]) -> Duct:
    """The duct as found. Raises calc's Refused for dimensions that are none."""
    shape = SHAPES[plane["shape"]]
    wall, lining = size(plane, "wall") or 0.0, size(plane, "lining") or 0.0
    if shape is DuctShape.ROUND:
        return Duct(shape, size(plane, "diameter") or 0.0, None, wall, lining)
    return Duct(shape, size(plane, "width") or 0.0, size(plane, "height"), wall, lining)


def layout_of(plane: Mapping[str, Any], duct: Duct) -> Layout | None:
    """The layout the points follow; None when none was stated."""
    if not plane.get("rule") or not plane.get("points"):
        return None
    return make_layout(
        duct, Rule(plane["rule"]), holes=plane.get("lines"), points_per_hole=plane.get("points")
    )


def _section(found: Found) -> doc.Section:
    duct, result = found.duct, found.result
    area = ledger.finite(ledger.detail(result).get("area")) or duct.area
    return doc.Section(
        shape=duct.shape.value,
        width=duct.width,
        height=duct.depth,
        wall=duct.wall + duct.lining,
        area=doc.Measured(value=area),
    )


def _count(found: Found) -> int:
    """Lines of the plane: as planned, or as many as were measured."""
    measured = [row.line for row in found.readings]
    measured += [row.line for row in found.material.sweeps.get(found.session.id, [])]
    return max([int(found.plane.get("lines") or 0), *measured, 1])


def _lines(found: Found) -> tuple[doc.Line, ...]:
    """Measuring lines; those of no stated place are drawn evenly spread."""
    if found.layout is not None:
        holes, is_round = found.layout.holes, found.duct.shape is DuctShape.ROUND
        return tuple(
            doc.Line(label=h.label, angle=h.angle) if is_round else doc.Line(label=h.label, offset=h.position)
            for h in holes
        )
    count = _count(found)
    if found.duct.shape is DuctShape.ROUND:
        return tuple(doc.Line(label=letters(n + 1), angle=180.0 * n / count) for n in range(count))
    places = _fractions(found, count)
    return tuple(doc.Line(label=letters(n + 1), offset=f * found.duct.width) for n, f in enumerate(places))


def _fractions(found: Found, count: int) -> Sequence[float]:
    if found.plane.get("rule"):
        return side_fractions(Rule(found.plane["rule"]), count)
    return [(n + 0.5) / count for n in range(count)]


def _points(found: Found) -> tuple[doc.Point, ...]:
    if found.layout is None:
        return ()
    holes, points = found.layout.holes, found.layout.points
    return tuple(
        doc.Point(line=holes[p.hole].label, index=p.row, depth=p.depth, mark=p.mark, weight=1.0 / len(points))
        for p in points
    )


def _rule_words(found: Found) -> str:
    rule, lines, points = (found.plane.get(name) for name in ("rule", "lines", "points"))
    name = RULES.get(str(rule), "")
    if found.session.method == Method.SWEPT_TRAVERSE:
        return f"{_count(found)} lines" + (f", {name}" if name else "")
    if not name:
        return "points of no stated layout; drawn evenly spread"
    if found.layout is not None:
        lines, points = len(found.layout.holes), found.layout.rows
    return f"{name}, {lines} × {points} points" if lines and points else name


def _disturbances(found: Found) -> tuple[doc.Disturbance, ...]:
    rows: tuple[tuple[Literal["before", "after"], str, float], ...] = (
        ("before", "upstream", WANTED_UPSTREAM),
        ("after", "downstream", WANTED_DOWNSTREAM),
    )
    return tuple(
        doc.Disturbance(
            side=side,
            what=found.plane.get(f"{name}_disturbance") or "disturbance",
            distance=distance,
            diameters=distance / found.duct.hydraulic_diameter,
            wanted=wanted,
        )
        for side, name, wanted in rows
        if (distance := size(found.plane, name)) is not None
    )


def _distribution(found: Found) -> float | None:
    """Share of the velocity pressures above a tenth of the largest (AMCA 203, ASHRAE 111)."""
    if found.session.method != Method.PITOT_TRAVERSE:
        return None
    values = [float(p["value"]) for p in ledger.detail(found.result).get("points", ())]
    largest = max(values, default=0.0)
    return sum(v > largest / 10 for v in values) / len(values) if largest > 0 else None


def _standard(result: Result) -> doc.Measured | None:
    if result.standard_flow is None:
        return None
    return doc.Measured(value=result.standard_flow, expanded=result.standard_flow_expanded)


def air_facts(session: Session, result: Result) -> tuple[doc.Fact, ...]:
    """The state of the air as entered, with U = 2 u as the calculation took it."""
    conditions = session.content.get("conditions") or {}
    inputs = ledger.given(result).get("air") or {}
    facts = []
    for name, words, quantity, u in FACTS:
        entry = conditions.get(name)
        if not entry:
            continue
        value = float(entry["si"]) - (ledger.KELVIN if quantity is doc.Quantity.TEMPERATURE else 0.0)
        spread = ledger.finite(inputs.get(u))
        facts.append(
            doc.Fact(
                name=words,
                quantity=quantity,
                value=value,
                expanded=2.0 * spread if spread else None,
                source="measured",
            )
        )
    return (*facts, *_assumed(result, conditions))


def fact_rows(session: Session) -> list[tuple[str, str, str]]:
    """The state of the air as entered: name, figure, unit."""
    conditions = session.content.get("conditions") or {}
    return [
        (words, str(entry["value"]), str(entry["unit"]))
        for name, words, _, _ in FACTS
        if (entry := conditions.get(name))
    ]


def _assumed(result: Result, conditions: Mapping[str, Any]) -> list[doc.Fact]:
    """What was not measured and where it was taken from."""
    facts = []
    for remark in ledger.detail(result).get("remarks", ()):
        numbers = remark.get("numbers", {})
        if remark["code"] == "pressure_from_altitude" and "barometric_pressure" not in conditions:
            facts.append(
                doc.Fact(
                    name="Barometer",
                    quantity=doc.Quantity.ABSOLUTE_PRESSURE,
                    value=float(numbers["pressure"]),
                    expanded=2.0 * float(numbers["u"]),
                    source="from the site's elevation",
                )
            )
        if remark["code"] == "humidity_assumed":
            facts.append(
                doc.Fact(
                    name="Relative humidity",
                    quantity=doc.Quantity.HUMIDITY,
                    value=float(numbers["humidity"]),
                    source="assumed",
                )
            )
    return facts


def moment_of(value: Any) -> datetime:
    """A time stored with a session's content: microseconds since 1970, or ISO text."""
    if isinstance(value, (int, float)):
        return datetime.fromtimestamp(value / 1e6, UTC)
    return datetime.fromisoformat(str(value))


def zero_checks(session: Session, material: Material) -> tuple[doc.ZeroCheck, ...]:
    """First and last zero of each instrument."""
    shown: dict[str, list[tuple[datetime, float]]] = defaultdict(list)
    for check in session.content.get("zero_checks") or ():
        shown[check["instrument"]].append((moment_of(check["at"]), float(check["si"])))
    return tuple(
        doc.ZeroCheck(
            instrument=material.key(instrument),
            quantity=doc.Quantity.PRESSURE,
            before=min(values)[1],
            after=max(values)[1] if len(values) > 1 else None,
        )
        for instrument, values in shown.items()
    )


def history(one: Measured, material: Material) -> tuple[doc.HistoryLine, ...]:
    """Sessions that this one replaced, newest first, each with its figure and the reason; void ones too."""
    return tuple(line for line, _ in steps(one, material))


def steps(
    one: Measured, material: Material, figures: Figures = ledger.SI
) -> list[tuple[doc.HistoryLine, Session]]:
    """The lines of the history, each with the session that it tells of."""
    lines, newer, after = [], one.session, one.result
    for old in one.replaced:
        before = material.old_results.get(old.id)
        lines.append((_replaced(old, newer, before, after, material, figures), old))
        lines += [(line, old) for line in void_lines(old, before, material, figures)]
        newer, after = old, before
    return lines


def _replaced(
    old: Session,
    newer: Session,
    before: Result | None,
    after: Result | None,
    material: Material,
    figures: Figures,
) -> doc.HistoryLine:
    """A measurement that replaced another, or what a correction changed, with both figures."""
    correction = material.found.corrections.get(newer.id)
    when = material.local(old.started_at)
    if correction is None:
        what = gettext("Session of %(when)s replaced; it is kept") % {"when": f"{when:%Y-%m-%d %H:%M}"}
        by = material.person(newer.member, "technician", newer.finished_at)
    else:
        told = gettext("Corrected, readings as they were shown: %(changes)s")
        what = told % {"changes": corrected_words(correction)}
        by = material.person(correction.member, "supervisor", correction.at)
    return doc.HistoryLine(
        what=what,
        before=ledger.figure_words(before, figures),
        after=ledger.figure_words(after, figures),
        why=newer.reason,
        by=by,
    )


def corrected_words(correction: Correction) -> str:
    """What a correction changed, in one line."""
    return "; ".join(f"{one['what']} {one['before']} → {one['after']}" for one in correction.summary)


def void_lines(
    session: Session, result: Result | None, material: Material, figures: Figures = ledger.SI
) -> tuple[doc.HistoryLine, ...]:
    """The notes that made a session void, oldest first."""
    when = material.local(session.started_at)
    return tuple(
        doc.HistoryLine(
            what=gettext("Session of %(when)s is void; it is kept") % {"when": f"{when:%Y-%m-%d %H:%M}"},
            before=ledger.figure_words(result, figures),
            after=gettext("counts no more"),
            why=note.reason,
            by=material.person(note.member, "supervisor", note.at),
        )
        for note in material.found.voids.get(session.id, ())
    )


def moved_line(left: Left, material: Material) -> doc.HistoryLine:
    """A session that a correction moved to another test point, for the point that it was moved from."""
    if left.moved is None:
        raise ValueError("the session was not moved")
    when, made = material.local(left.session.started_at), left.moved
    return doc.HistoryLine(
        what=f"Session of {when:%Y-%m-%d %H:%M} was entered here by mistake; {corrected_words(made)}",
        before=ledger.figure_words(left.result),
        after="does not count here",
        why=made.session.reason,
        by=material.person(made.member, "supervisor", made.at),
    )
