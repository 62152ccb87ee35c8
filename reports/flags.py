"""Flags and their answers as the report prints them."""

from typing import Literal

from measurements.models import AnswerKind, FlagAnswer, Session, Severity
from reports import document as doc
from reports.material import Material
from reports.reviewset import FlagState, Measured

DECISIONS: dict[str, Literal["accepted", "remeasured", "corrected"]] = {
    AnswerKind.ACCEPT.value: "accepted",
    AnswerKind.REMEASURE.value: "remeasured",
    AnswerKind.CLEARED.value: "corrected",
}
SEVERITIES: dict[str, Literal["stop", "warning", "remark"]] = {
    Severity.STOP.value: "stop",
    Severity.WARNING.value: "warning",
    Severity.REMARK.value: "remark",
}
BY_RULES = doc.Person(name="the rules", role="checked again")


def flag(state: FlagState, material: Material, *, newer: Session | None = None, anchor: str = "") -> doc.Flag:
    """One flag. `newer` is the session that replaced the one it was raised on, if any."""
    found = state.flag
    return doc.Flag(
        rule=found.rule.replace("_", " "),
        severity=SEVERITIES[found.severity],
        seen=found.seen,
        expected=found.expected,
        advice=found.advice,
        where=_where(state),
        anchor=anchor,
        answer=_answer(_deciding(state, newer), material) or _replaced(newer, material),
    )


def _deciding(state: FlagState, newer: Session | None) -> FlagAnswer | None:
    """The answer that counts; that the rules cleared a replaced session's flag says less than why it was."""
    cleared = state.state == AnswerKind.CLEARED and newer is not None
    return None if cleared else state.newest


def _where(state: FlagState) -> str:
    found = state.flag
    if found.test_point is not None:
        return str(found.test_point.tag)
    return str(found.system.tag) if found.system is not None else ""


def _answer(answer: FlagAnswer | None, material: Material) -> doc.Answer | None:
    if answer is None:
        return None
    by = (
        material.person(answer.member, "supervisor", answer.answered_at)
        if answer.member
        else doc.Person(name=BY_RULES.name, role=BY_RULES.role, at=material.local(answer.answered_at))
    )
    return doc.Answer(decision=DECISIONS[answer.kind], reason=answer.reason, by=by)


def _replaced(newer: Session | None, material: Material) -> doc.Answer | None:
    """A flag that nobody answered, on a session that was measured again since."""
    if newer is None:
        return None
    by = material.person(newer.member, "technician", newer.finished_at)
    return doc.Answer(decision="remeasured", reason=newer.reason or "Measured again.", by=by)


def of_session(one: Measured, material: Material, anchor: str = "") -> tuple[doc.Flag, ...]:
    """Flags of a session that counts; `anchor` is its sheet's, if it has one."""
    return tuple(flag(state, material, anchor=anchor) for state in one.flags)


def past(material: Material, points: set[object]) -> tuple[doc.Flag, ...]:
    """Flags of sessions since replaced, and flags that are no longer so, at the points given."""
    newer: dict[object, Session] = {
        old.id: one.session for one in material.found.measured for old in one.replaced
    }
    return tuple(
        flag(state, material, newer=newer.get(state.flag.session_id))
        for state in material.found.past_flags
        if state.flag.test_point_id in points
    )


def accepted(one: Measured, material: Material) -> doc.Answer | None:
    """The answer that lets a deficient figure stand: the acceptance of a flag on its tolerance."""
    taken = [s for s in one.flags if s.state == AnswerKind.ACCEPT]
    taken.sort(key=lambda s: (("toler" not in s.flag.rule and "fail" not in s.flag.rule), s.rank))
    return _answer(taken[0].newest, material) if taken else None
