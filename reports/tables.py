"""Outlets and screening readings in rows, deficiencies, counts, and the sum of outlets against the main."""

from collections import defaultdict
from collections.abc import Iterator
from typing import Any
from uuid import UUID

from jobs.models import PointKind, TestPoint
from measurements.calc.records import from_plain
from measurements.calc.system import balance
from measurements.calc.uncertainty import Result as Propagated
from measurements.models import Method, Result, Session, Verdict
from measurements.rules.systems import outlets_below
from reports import document as doc
from reports import flags, ledger, sheets
from reports.material import Material
from reports.models import Deferral, Season
from reports.reviewset import VERDICT_RANK, Measured, PointState, SystemState, is_computed

DEFICIENT = frozenset({Verdict.FAIL.value, Verdict.CONDITIONAL_FAIL.value})
COUNTED = {
    Verdict.PASS.value: "passed",
    Verdict.CONDITIONAL_PASS.value: "conditional_pass",
    Verdict.CONDITIONAL_FAIL.value: "conditional_fail",
    Verdict.FAIL.value: "failed",
    Verdict.NOT_DECIDABLE.value: "not_decidable",
}


def keys(one: Measured, material: Material) -> tuple[str, ...]:
    """Serial numbers of a session's instruments, each once."""
    return tuple(dict.fromkeys(found.serial for found in material.used(one.session).values()))


def outlet_row(state: PointState, material: Material) -> doc.OutletRow | None:
    """An outlet with its first and its standing figure; None without a computed one."""
    computed = [one for one in state.sessions if is_computed(one)]
    computed = [one for one in computed if one.result is not None and one.result.measurand == "flow"]
    if not computed or state.final is not computed[-1]:
        return None
    last, first = computed[-1], computed[0]
    return doc.OutletRow(
        tag=state.point.tag,
        place=state.point.location,
        kind=PointKind(state.point.kind).label.lower(),
        method=doc.Method(last.session.method),
        first=_figure(first.result, state) if first is not last else None,
        final=ledger.ledger(_result(last), state.point),
        instruments=keys(last, material),
        measured_by=last.session.member.name,
        at=material.local(last.session.started_at),
        damper=setting(last.session),
        anchor="" if has_row(last) else str(last.session.id),
    )


def setting(session: Session) -> str:
    """Where the damper or valve stood at this reading; '' when that was not told."""
    return str((session.content.get("adjustment") or {}).get("setting", ""))


def adjustments(system: SystemState, material: Material) -> Iterator[doc.Adjustment]:
    """Every point whose damper or valve was told, by its own readings or others', as it stands in the end."""
    every = [s for state in system.points for one in state.sessions for s in (*one.replaced, one.session)]
    every.sort(key=lambda session: (session.started_at, str(session.id)))
    told: dict[UUID, list[tuple[Session, dict[str, Any]]]] = defaultdict(list)
    for session in every:
        if own := session.content.get("adjustment"):
            told[session.test_point_id].append((session, own))
        for other in session.content.get("turned", ()):
            told[UUID(other["test_point"])].append((session, other))
    for state in system.points:
        rows = told.get(state.point.id)
        if not rows:
            continue
        (session, last), first = rows[-1], rows[0][1]
        done = [text for _, row in rows if (text := row.get("done", "").strip())]
        yield doc.Adjustment(
            tag=state.point.tag,
            before=first["setting"] if len(rows) > 1 else "",
            setting=last["setting"],
            marked=bool(last["marked"]),
            done="; ".join(dict.fromkeys(done)),
            by=material.person(session.member, "technician", session.finished_at),
        )


def _result(one: Measured) -> Result:
    if one.result is None:
        raise ValueError("the session is not evaluated")
    return one.result


def _figure(result: Result | None, state: PointState) -> doc.Measured | None:
    if result is None:
        return None
    line = ledger.ledger(result, state.point)
    return doc.Measured(value=line.value, expanded=line.expanded)


def centreline_row(one: Measured, state: PointState, material: Material) -> doc.CentrelineRow:
    """A screening reading at the axis of a duct."""
    result = _result(one)
    detail = ledger.detail(result)
    points = detail.get("points") or [{}]
    plane = one.session.content.get("plane") or {}
    area = ledger.finite(detail.get("area")) or sheets.duct_of(plane).area
    mean = result.mean_velocity or 0.0
    return doc.CentrelineRow(
        tag=state.point.tag,
        place=state.point.location,
        velocity=float(points[0].get("velocity") or mean / FACTOR),
        area=area,
        factor=FACTOR,
        result=ledger.ledger(result, state.point),
        instruments=keys(one, material),
        measured_by=one.session.member.name,
        at=material.local(one.session.started_at),
        anchor="",
    )


FACTOR = 0.9


def is_traverse(one: Measured) -> bool:
    return one.session.method in (
        Method.PITOT_TRAVERSE,
        Method.SWEPT_TRAVERSE,
        Method.ANEMOMETER_TRAVERSE,
    )


def has_row(one: Measured) -> bool:
    """Whether a row of a table holds all that is printed of it."""
    return one.session.method in (Method.HOOD_READING, Method.CENTRELINE_READING)


def is_test(one: Measured) -> bool:
    """Whether it gets a sheet that is none of a traverse."""
    return is_computed(one) and not is_traverse(one) and not has_row(one)


def counts(points: list[PointState]) -> doc.Counts:
    """Points by the verdict of the figure that stands."""
    found = dict.fromkeys(COUNTED.values(), 0)
    for state in points:
        for one in state.standing:
            if one.result is not None and _is_judged(one.result):
                found[COUNTED[one.result.verdict]] += 1
    return doc.Counts(**found)


def _is_judged(result: Result) -> bool:
    """Whether there was anything to hold the figure against; a flow always should have."""
    held = (result.design_value, result.limit_low, result.limit_high)
    return result.measurand in ("", "flow") or any(one is not None for one in held)


def deficiencies(systems: tuple[SystemState, ...], material: Material) -> tuple[doc.Deficiency, ...]:
    """Points that do not meet their design or have no figure; the worst first."""
    rows = [
        row for system in systems for state in system.points for row in _deficiency(system, state, material)
    ]
    return tuple(row for _, row in sorted(rows, key=lambda pair: pair[0]))


Ranked = tuple[tuple[int, float, str], doc.Deficiency]


def _weight(result: Result, off: float, tag: str) -> tuple[int, float, str]:
    """Failures by distance from design, then (after what has no figure) what carries no verdict."""
    if result.verdict == Verdict.NOT_DECIDABLE:
        return (3, -off, tag)
    return (0, VERDICT_RANK[result.verdict] - off, tag)


def _deficiency(system: SystemState, state: PointState, material: Material) -> Iterator[Ranked]:
    deferred = material.found.deferral(state)
    left = _deferred(deferred, material) if deferred else None
    if state.missing or (left and not state.sessions):
        what = doc.Deficiency(
            tag=state.point.tag,
            system=system.system.tag,
            place=state.point.location,
            what="Not measured.",
            status="deferred" if left else "open",
            answer=left,
            at=left.by.at if left else None,
        )
        yield (4 if left else 2, 0.0, state.point.tag), what
    for one in state.standing:
        yield from _deficient(one, system, state.point, left, material)


def _deferred(row: Deferral, material: Material) -> doc.Answer:
    """Why a point waits, as it is printed."""
    waits = [Season(row.season).label.lower()]
    waits += [f"by {row.due_on.isoformat()}"] if row.due_on else []
    by = material.person(row.member, "supervisor", row.at)
    return doc.Answer(decision="deferred", reason=f"For {', '.join(waits)}: {row.reason}", by=by)


def _deficient(
    one: Measured, system: SystemState, point: TestPoint, left: doc.Answer | None, material: Material
) -> Iterator[Ranked]:
    if one.result is None:  # not evaluated yet: an approval waits for it, an interim report says so
        return
    result, tag = one.result, point.tag
    answer = flags.accepted(one, material) or left
    at = material.local(one.session.started_at)
    anchor = str(one.session.id) if is_computed(one) and not has_row(one) else ""
    if not is_computed(one):
        what = f"No figure: {result.refusal}" if result.refusal else "No figure was computed."
        yield (
            (1, 0.0, tag),
            doc.Deficiency(
                tag=tag,
                system=system.system.tag,
                place=point.location,
                what=what,
                status=_status(answer),
                answer=answer,
                at=at,
            ),
        )
    elif result.verdict in DEFICIENT or result.accepted is False:
        line = ledger.ledger(result, one.session.test_point)
        off = abs((1.0 if line.share is None else line.share) - 1.0)
        yield (
            _weight(result, off, tag),
            doc.Deficiency(
                tag=tag,
                system=system.system.tag,
                place=point.location,
                at=at,
                what=_what(line),
                result=line,
                status=_status(answer),
                answer=answer,
                anchor=anchor,
            ),
        )


def _what(line: doc.Result) -> str:
    if line.share is None:
        return f"{line.what}: {line.reason[:1].lower()}{line.reason[1:]}"
    side = "below" if line.share < 1.0 else "above"
    if line.verdict is doc.Verdict.NOT_DECIDABLE:
        return f"{100 * line.share:.0f} % of design by a method that carries no verdict."
    off = abs(100 * (line.share - 1.0))
    return f"{100 * line.share:.0f} % of design, {off:.0f} % {side} it. {line.reason}"


def _status(answer: doc.Answer | None) -> str:
    return answer.decision if answer is not None else "open"


def sum_check(system: SystemState, below: UUID | None = None) -> doc.SumCheck | None:
    """The outlets below the first traverse plane that has all of them measured; None when there is none.

    `below`: the plane, where it is a certain one. Compared at standard density, so by mass, as the rule does.
    """
    points = [state.point for state in system.points]
    figures = {s.point.id: s for s in system.points if s.final is not None and is_computed(s.final)}
    for plane in points:
        outlets = outlets_below(plane, points)
        wanted = {plane.id, *(outlet.id for outlet in outlets)}
        asked = below is None or plane.id == below
        if asked and plane.kind == PointKind.PLANE and outlets and wanted <= figures.keys():
            return _compare(figures[plane.id], [figures[outlet.id] for outlet in outlets])
    return None


def _compare(main: PointState, outlets: list[PointState]) -> doc.SumCheck:
    hoods = {one.session.content["instruments"].get("hood") for s in outlets if (one := s.final)}
    found = balance(
        [_standard(state) for state in outlets], _standard(main), common=1.0 if len(hoods) == 1 else 0.0
    )
    words = "agrees with" if found.agrees else "does not agree with"
    return doc.SumCheck(
        traverse=main.point.tag,
        traverse_flow=doc.Measured(value=found.main, expanded=found.main_U),
        outlets=len(outlets),
        outlets_flow=doc.Measured(value=found.outlet_sum, expanded=found.outlet_U),
        difference=doc.Measured(value=found.difference, expanded=found.U),
        agrees=found.agrees,
        sentence=f"At standard density the sum of the outlets {words} the traverse within their combined "
        "uncertainty.",
    )


def _standard(state: PointState) -> Propagated:
    """The stored flow at standard density, as the comparison takes it."""
    if state.final is None:
        raise ValueError(f"{state.point.tag}: no figure")
    return from_plain(Propagated, ledger.detail(_result(state.final))["results"]["standard_flow"])
