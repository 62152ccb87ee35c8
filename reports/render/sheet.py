"""What a traverse sheet prints: texts and pictures for `traverse.html`."""

import math
from typing import Any

from reports.document import (
    BudgetRow,
    Fact,
    Flag,
    HistoryLine,
    Instrument,
    Measured,
    Method,
    Person,
    Quantity,
    Result,
    Run,
    Subject,
    TestSheet,
    TraverseSheet,
    Verdict,
    ZeroCheck,
)
from reports.render import charts
from reports.render.figures import NOTHING, PLUS_MINUS, UNIT_SPACE, Figures, aligned, moment, number, percent
from reports.render.figures import tolerance as tolerance_words
from reports.render.templating import picture
from reports.render.text import anchor

METHOD_WORDS = {
    Method.PITOT_TRAVERSE: "Pitot traverse",
    Method.SWEPT_TRAVERSE: "Swept traverse",
    Method.ANEMOMETER_TRAVERSE: "Anemometer traverse",
    Method.CENTRELINE_READING: "Centreline",
    Method.HOOD_READING: "Hood",
    Method.FACE_VELOCITY: "Face velocity",
    Method.FLOW_STATION: "Flow station",
    Method.STATIC_PROFILE: "Static pressure profile",
    Method.PRESSURE_CHECK: "Pressure check",
    Method.FAN_TEST: "Fan test",
    Method.MIXED_AIR: "Mixed air",
    Method.LEAKAGE_TEST: "Duct leakage",
    Method.ROOM_PRESSURE: "Room pressure",
    Method.HOOD_FACE: "Fume hood face",
    Method.SOUND_LEVEL: "Sound level",
    Method.VALVE_FLOW: "Balancing valve",
    Method.PUMP_TEST: "Pump test",
    Method.COIL_HEAT: "Coil heat",
}
_TONES = {
    Verdict.PASS: "pass",
    Verdict.CONDITIONAL_PASS: "pass",
    Verdict.CONDITIONAL_FAIL: "fail",
    Verdict.FAIL: "fail",
    Verdict.NOT_DECIDABLE: "open",
}
_DECISIONS = {
    "accepted": "Accepted.",
    "remeasured": "Measured again.",
    "corrected": "Corrected.",
    "deferred": "Deferred.",
}
_SEVERITIES = {"stop": "stops a report", "warning": "warning", "remark": "remark"}
_TALLEST = 26  # rows of a column: one that is taller than a page would be cut off
_NARROW_ROOM, _DIGIT = 159.0, 4.6  # points for the readings in a half-width grid; width of a digit
Values = dict[str, Any]


def tone(result: Result) -> str:
    """Style of a verdict word; the word itself says it too."""
    return _TONES[result.verdict]


def ledger_values(result: Result, figures: Figures) -> Values:
    """The ledger line in columns."""
    line = figures.ledger(result)
    expanded = f"{PLUS_MINUS} {line.expanded}" if line.expanded else ""
    return {
        "value": line.value,
        "expanded": expanded,
        "share": line.share or NOTHING,
        "word": line.verdict,
        "tone": tone(result),
        "mark": picture(charts.verdict_mark(result, figures.writer(result.quantity))),
        "design": line.design,
    }


def person_words(person: Person) -> str:
    """Role and time of a person."""
    return " · ".join(part for part in (person.role, moment(person.at) if person.at else "") if part)


def by_words(person: Person | None) -> str:
    """Name, role and time in one line."""
    return " · ".join(part for part in (person.name, person_words(person)) if part) if person else ""


def flag_values(flag: Flag, known: frozenset[str] = frozenset()) -> Values:
    """One flag and its answer, with a link if its sheet is among the known destinations."""
    link = anchor(flag.anchor)
    answer, remark = flag.answer, flag.severity == "remark"
    return {
        "rule": flag.rule[:1].upper() + flag.rule[1:],
        "severity": _SEVERITIES[flag.severity],
        "where": flag.where,
        "link": link if link in known else "",
        "seen": flag.seen,
        "expected": flag.expected,
        "advice": flag.advice,
        "decision": _DECISIONS[answer.decision] if answer else "" if remark else "Not answered.",
        "tone": "pass" if answer else "fail",
        "reason": answer.reason if answer else "",
        "by": by_words(answer.by) if answer else "",
    }


def history_values(line: HistoryLine) -> Values:
    """One correction: before and after, why and by whom."""
    change = " → ".join(part for part in (line.before, line.after) if part)
    why = " · ".join(part for part in (line.why, by_words(line.by)) if part)
    return {"what": line.what, "change": change, "why": why}


def traverse_values(
    sheet: TraverseSheet, figures: Figures, subject: Subject, register: dict[str, Instrument]
) -> Values:
    """All that `traverse.html` needs."""
    run = sheet.runs[0]
    grids = [_grid(sheet, r, figures) for r in sheet.runs]
    air, plane = _air(sheet, figures), _plane(sheet, figures, register)
    return {
        **_head(sheet, figures),
        **budget_values(sheet, figures),
        "anchor": anchor(sheet.anchor),
        "title": METHOD_WORDS[sheet.method],
        "tag": sheet.tag,
        "speed": figures.unit(Quantity.VELOCITY),
        "unit": figures.unit(Quantity.FLOW),
        "run_label": run.label,
        "section_svg": picture(charts.section_drawing(sheet, figures)),
        "map_svg": picture(charts.velocity_map(sheet, run, figures)),
        "profile_svg": picture(charts.profile(sheet, run, figures)),
        "first": grids[0],
        "narrow": grids[0]["narrow"],
        "second": grids[1] if len(grids) > 1 and grids[1]["narrow"] else None,
        "more": grids[2:] if grids[0]["narrow"] else grids[1:],
        "air": air,
        "plane": plane,
        "tall": max(len(air), len(plane)) > _TALLEST // 2,
        "runs": [_run(r, k, figures) for k, r in enumerate(sheet.runs)],
        "flags": [flag_values(f) for f in sheet.flags if f.answer or f.severity != "remark"],
        "history": [history_values(h) for h in sheet.history],
        "remark": sheet.remark,
        "measured": {"name": sheet.measured_by.name, "more": person_words(sheet.measured_by)},
        "approved": {"name": subject.approved.name, "more": person_words(subject.approved)},
        "calculation": sheet.calculation or NOTHING,
        "anchor_words": f"record {sheet.anchor}, in the attached snapshot",
    }


def _head(sheet: TraverseSheet, figures: Figures) -> Values:
    """The ledger line at the head of the sheet."""
    result, line = sheet.result, figures.ledger(sheet.result)
    other = []
    if result.basis == "actual" and sheet.standard is not None:
        other.append(f"{figures.figure(Quantity.FLOW, sheet.standard)} at standard air")
    if result.basis == "standard":
        other.append(f"{figures.figure(Quantity.FLOW, sheet.actual)} at actual density")
    if result.design is not None:
        other.append(f"design {figures.with_unit(Quantity.FLOW, result.design)}")
    limits = result.tolerance
    band = "Share of design"
    if limits is not None:
        band += f", tolerance {tolerance_words(limits.lower, limits.upper)}; dark zone passes"
    return {
        "sub": _sub(sheet, figures),
        "basis": "standard air" if result.basis == "standard" else "actual density",
        "line": line,
        "pm": f" {PLUS_MINUS} {line.expanded}{UNIT_SPACE}" if line.expanded else UNIT_SPACE,
        "other": " · ".join(other),
        "band": picture(charts.verdict_band(result)),
        "band_label": band,
        "tone": tone(result),
        "reason": result.reason,
    }


def _sub(sheet: TraverseSheet, figures: Figures) -> str:
    s, unit = sheet.section, figures.unit(Quantity.LENGTH)
    size = (
        figures.tape(s.width) if s.shape == "round" else f"{figures.tape(s.width)} × {figures.tape(s.height)}"
    )
    size = f"Ø {size}{UNIT_SPACE}{unit}" if s.shape == "round" else f"{size}{UNIT_SPACE}{unit}"
    ended = f" to {sheet.ended:%H:%M}" if sheet.ended else ""
    when = f"measured {moment(sheet.started)}{ended}"
    return " · ".join(part for part in (sheet.place, size, sheet.rule, when) if part)


SMALL_SHARE = 0.005


def budget_values(sheet: TraverseSheet | TestSheet, figures: Figures) -> Values:
    """Rows of the budget, largest first, and its last line."""
    result, quantity = sheet.result, spread_of(sheet.result.quantity)
    rows = sorted(sheet.budget, key=lambda r: -r.share)
    largest = max((r.share for r in rows), default=1.0) or 1.0
    small = [r for r in rows if abs(r.share) < SMALL_SHARE]
    small = small if len(small) > 2 else []
    dof = _dof(result.dof, "unlimited")
    coverage = f"; U with k = {number(result.coverage, 2)}, ν = {dof}" if result.coverage else ""
    expanded = figures.ledger(result).expanded
    return {
        "budget": [_budget_row(r, largest, quantity, figures) for r in rows if r not in small]
        + _small(small, quantity, figures),
        "combined_words": f"Combined standard uncertainty{coverage}",
        "combined": figures.significant(quantity, sheet.combined),
        "expanded_words": f"U = {expanded}{UNIT_SPACE}{figures.unit(quantity)}".rstrip() if expanded else "",
        "dominating": capital(sheet.dominating),
        "opposed": any(r.share < 0.0 for r in rows),
    }


def capital(text: str) -> str:
    """A text with its first letter large."""
    return text[:1].upper() + text[1:]


def spread_of(quantity: Quantity) -> Quantity:
    """The kind of an uncertainty of this quantity: a temperature's is a difference."""
    return Quantity.TEMPERATURE_DIFFERENCE if quantity is Quantity.TEMPERATURE else quantity


def _dof(dof: float | None, unlimited: str) -> str:
    if dof is None:
        return unlimited
    return number(dof, 0) if dof <= 1000 else "over 1000"


def _small(rows: list[BudgetRow], quantity: Quantity, figures: Figures) -> list[Values]:
    """One line for the inputs that hardly matter; each stands in the attached snapshot."""
    if not rows:
        return []
    together = math.sqrt(math.fsum(r.contribution**2 for r in rows))
    return [
        {
            "source": f"{len(rows)} others, each under 0.5 %",
            "estimate": NOTHING,
            "standard": NOTHING,
            "distribution": NOTHING,
            "dof": NOTHING,
            "contribution": figures.significant(quantity, together, 3),
            "share": percent(math.fsum(r.share for r in rows)),
            "width": "0.0",
        }
    ]


def estimate_words(row: BudgetRow, figures: Figures) -> str:
    """An input's value, with no more digits than its uncertainty allows."""
    unit = figures.units[row.quantity]
    spread = abs(row.standard * unit.factor)
    if row.estimate is None or not spread > 0.0:
        return figures.with_unit(row.quantity, row.estimate)
    places = 1 - math.floor(math.log10(spread))
    most = max(places, unit.decimals) if row.quantity in _FINE else unit.decimals
    text = number(figures.shown(row.quantity, row.estimate), max(min(places, most), -9))
    return f"{text}{UNIT_SPACE}{unit.symbol}" if unit.symbol else text


_FINE = (Quantity.FLOW, Quantity.LIQUID_FLOW)


def _budget_row(row: BudgetRow, largest: float, quantity: Quantity, figures: Figures) -> Values:
    spread = spread_of(row.quantity)
    unit = figures.unit(spread)
    standard = figures.significant(spread, row.standard, 2)
    return {
        "source": capital(row.source),
        "estimate": estimate_words(row, figures),
        "standard": f"{standard}{UNIT_SPACE}{unit}" if unit else standard,
        "distribution": row.distribution,
        "dof": _dof(row.dof, "∞"),
        "contribution": figures.significant(quantity, row.contribution, 3),
        "share": percent(row.share),
        "width": f"{max(row.share, 0.0) / largest * 20:.1f}",
    }


def _run(run: Run, index: int, figures: Figures) -> Values:
    ended = f" to {run.ended:%H:%M}" if run.ended else ""
    started = f"{run.started:%H:%M}" if run.started else NOTHING
    difference = NOTHING
    if index and run.difference is not None:
        sign = "+" if run.difference > 0 else ""
        difference = f"{sign}{percent(run.difference, 1)}"
    return {
        "label": run.label,
        "time": started + ended,
        "mean": figures.plain(Quantity.VELOCITY, run.mean),
        "flow": figures.plain(Quantity.FLOW, run.flow),
        "difference": difference,
    }


def _grid(sheet: TraverseSheet, run: Run, figures: Figures) -> Values:
    """The table of readings: sweeps by line, or points by depth and line."""
    if run.sweeps:
        return _sweep_grid(run, figures)
    pressure = all(r.pressure is not None for r in run.readings) and bool(run.readings)
    quantity = Quantity.PRESSURE if pressure else Quantity.VELOCITY
    what = "velocity pressure" if pressure else "velocity"
    values = {(r.line, r.index): r.pressure if pressure else r.velocity for r in run.readings}
    points = {p.index: p for p in reversed(sheet.points)}
    tape, lines = figures.unit(Quantity.LENGTH), [line.label for line in sheet.lines]
    rows = [
        [str(k), figures.tape(p.depth), figures.tape(p.mark)]
        + [figures.plain(quantity, values.get((line, k))) for line in lines]
        for k, p in sorted(points.items())
    ]
    count, widest = len(lines), max((len(cell) for row in rows for cell in row[3:]), default=1)
    narrow = count * (widest * _DIGIT + 4) <= _NARROW_ROOM and len(rows) <= _TALLEST
    edges = [8.0, 16.0, 16.0] if narrow else [5.0, 9.0, 9.0]
    rest = (100 - sum(edges)) / max(count, 1)
    return {
        "caption": f"Insertion depths and {what}, {figures.unit(quantity)}, {run.label}",
        "heads": ["Row", f"Depth, {tape}", f"Mark, {tape}", *lines],
        "widths": [f"{w:.2f}" for w in (*edges, *[rest] * count)],
        "rows": _columns_aligned(rows),
        "narrow": narrow,
    }


def _columns_aligned(rows: list[list[str]]) -> list[list[str]]:
    """Rows with the figures of every column but the first meeting at the decimal point."""
    if not rows:
        return rows
    columns = [list(column) for column in zip(*rows, strict=True)]
    return [list(row) for row in zip(columns[0], *(aligned(c) for c in columns[1:]), strict=True)]


def _sweep_grid(run: Run, figures: Figures) -> Values:
    speed = figures.unit(Quantity.VELOCITY)
    rows = [
        [s.line, number(s.duration, 1), str(s.samples), figures.plain(Quantity.VELOCITY, s.mean)]
        for s in run.sweeps
    ]
    return {
        "caption": f"Sweeps, {run.label}",
        "heads": ["Line", "Duration, s", "Samples", f"Mean, {speed}"],
        "widths": ["16", "28", "28", "28"],
        "rows": _columns_aligned(rows),
        "narrow": len(rows) <= _TALLEST,
    }


def fact_words(facts: tuple[Fact, ...], figures: Figures) -> list[tuple[str, str]]:
    """Named figures with their uncertainty and, where they were not measured, where they come from."""
    rows = []
    for fact in facts:
        source = f" ({fact.source})" if fact.source and fact.source != "measured" else ""
        text = str(figures.figure(fact.quantity, Measured(value=fact.value, expanded=fact.expanded)))
        rows.append((fact.name, text + source))
    return rows


def _air(sheet: TraverseSheet, figures: Figures) -> list[tuple[str, str]]:
    facts = fact_words(sheet.air, figures)
    model = f" ({sheet.density_model})" if sheet.density_model else ""
    facts.append((f"Density ρ{model}", str(figures.figure(Quantity.DENSITY, sheet.density))))
    facts.append(("Mean velocity", str(figures.figure(Quantity.VELOCITY, sheet.mean))))
    facts.append(("Flow at actual density", str(figures.figure(Quantity.FLOW, sheet.actual))))
    if sheet.standard is not None:
        facts.append(("Flow at standard air", str(figures.figure(Quantity.FLOW, sheet.standard))))
    return facts


def _plane(sheet: TraverseSheet, figures: Figures, register: dict[str, Instrument]) -> list[tuple[str, str]]:
    facts = []
    if sheet.section.area is not None:
        facts.append(("Area as found", str(figures.figure(Quantity.AREA, sheet.section.area))))
    for d in sheet.disturbances:
        wanted = f", wanted {number(d.wanted, 1)} D" if d.wanted is not None else ""
        length = f"{figures.tape(d.distance)}{UNIT_SPACE}{figures.unit(Quantity.LENGTH)}"
        facts.append(
            (f"Straight run {d.side}", f"{number(d.diameters, 1)} D ({length}) to the {d.what}{wanted}")
        )
    if sheet.distribution_share is not None:
        facts.append(("Pressures above a tenth of the largest", percent(sheet.distribution_share)))
    return facts + instrument_words(sheet, figures, register)


def instrument_words(
    sheet: TraverseSheet | TestSheet, figures: Figures, register: dict[str, Instrument]
) -> list[tuple[str, str]]:
    """Instruments of a sheet and their zero checks."""
    facts = []
    for key in sheet.instruments:
        known = register.get(key)
        facts.append(
            (known.kind if known else "Instrument", f"{key} · serial {known.serial}" if known else key)
        )
    return facts + [(f"Zero of {z.instrument}", _zero(z, figures)) for z in sheet.zero_checks]


def _zero(check: ZeroCheck, figures: Figures) -> str:
    before = figures.with_unit(check.quantity, check.before)
    return f"{before} before, {figures.with_unit(check.quantity, check.after)} after"
