"""What gets flagged. Each rule is a small function in a module here; this raises and clears its flags."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any
from uuid import UUID

from django.db.models import Q
from django.utils import timezone
from django.utils.translation import gettext_noop as _

from jobs import events
from jobs.access import Actor
from jobs.events import digest
from jobs.models import Job, System
from jobs.tenancy.context import current_company
from jobs.tenancy.ids import uuid7
from measurements.compute import Computed
from measurements.loading import Loaded
from measurements.models import AnswerKind, Flag, FlagAnswer, Session, Severity
from measurements.rules import circumstances, instruments, noticed, readings, systems, verdicts
from measurements.rules.base import RECALL_RULE, RULES, Finding, Rule, Seen

__all__ = [
    "CHANGE_RULE",
    "RECALL_RULE",
    "RULES",
    "SYSTEM_RULE",
    "Finding",
    "Rule",
    "Seen",
    "apply_rules",
    "findings_of",
    "service_actor",
]


@dataclass(frozen=True)
class SystemRule:
    """A rule on a whole system of a job."""

    name: str
    severity: Severity
    source: str
    text: str
    fixed: bool = False


MODULES = (verdicts, instruments, readings, circumstances, noticed)
SUPERSEDED = "Superseded by a later measurement."
VOID = "The session is void."
RENEWED = "No longer so as it was; the rule has seen it anew."
SYSTEM_RULE = systems.OUTLETS_AGAINST_TRAVERSE
CHANGE_RULE = systems.CHANGED_SINCE_EARLIER
OF_SYSTEMS = {
    SYSTEM_RULE: SystemRule(
        SYSTEM_RULE, Severity.STOP, systems.SOURCE, _("Outlets do not add up to the traverse above them.")
    ),
    CHANGE_RULE: SystemRule(
        CHANGE_RULE, Severity.WARNING, systems.SOURCE, _("A figure is another than in an earlier job.")
    ),
}


def described() -> list[Rule | SystemRule]:
    """Every rule whose flags a company may set, in the order of name."""
    return sorted([*RULES.values(), *OF_SYSTEMS.values()], key=lambda one: one.name)


@dataclass(frozen=True)
class Found:
    """A finding of a rule, with the place it belongs to."""

    rule: str
    severity: Severity
    source: str
    finding: Finding
    system: UUID
    session: UUID | None
    test_point: UUID | None
    settings: Mapping[str, Any] = field(default_factory=dict)
    """What the company set otherwise in this rule."""

    @property
    def basis(self) -> str:
        """What the finding rests on: the same again is the same flag; under another setting it is another."""
        where = str(self.session or self.system)
        content = [self.rule, where, self.finding.key, self.finding.seen, self.finding.data]
        return digest([*content, dict(self.settings)] if self.settings else content)


def findings_of(seen: Seen) -> list[tuple[Rule, Finding]]:
    """What all rules see in one session."""
    return [(rule, finding) for rule in RULES.values() for finding in rule.check(seen)]


def apply_rules(loaded: Loaded, computed: Computed) -> None:
    """Raises what the rules see and clears what is no longer so, for the session and for its system.

    The system's row is locked, so that two workers with sessions of one system see each other's figures.
    """
    job, point = loaded.job, loaded.point
    system = System.objects.select_for_update(no_key=True).get(id=point.system_id)
    superseded = loaded.superseded or Session.objects.filter(supersedes=loaded.session.id).exists()
    over = superseded or loaded.void
    seen = [] if over else findings_of(Seen(loaded, computed))
    found = [_of_session(loaded, *one) for one in seen]
    found += _of_system(loaded, job, system)
    own = Q(session=loaded.session.id) | Q(job=job.id, system=system.id, session=None)
    flags = list(Flag.objects.filter(own).prefetch_related("answers"))
    wanted = dict(_basis(one, flags) for one in found)
    seen_here = (flag for flag in flags if over or flag.rule != RECALL_RULE)
    gone = [flag for flag in seen_here if _may_end(flag, over) and flag.basis_digest not in wanted]
    again = {(one.rule, one.session) for one in wanted.values()} if not over else set()
    renewed = [flag for flag in gone if (flag.rule, flag.session_id) in again]
    _clear(renewed, RENEWED)
    ended = [flag for flag in gone if flag not in renewed]
    _clear([flag for flag in ended if over and flag.session_id], SUPERSEDED if superseded else VOID)
    _clear([flag for flag in ended if not (over and flag.session_id)], "No longer so.")
    if loaded.session.supersedes_id:
        older = Flag.objects.filter(session=loaded.session.supersedes_id).prefetch_related("answers")
        _clear([flag for flag in older if _is_open(flag)], SUPERSEDED)
    standing = {flag.basis_digest for flag in flags}
    _raise(job, {basis: one for basis, one in wanted.items() if basis not in standing})


def _basis(one: Found, flags: Iterable[Flag]) -> tuple[str, Found]:
    """The finding's basis. What was cleared and came back is a new flag: the basis counts such rounds."""
    cleared = {flag.basis_digest for flag in flags if _is_cleared(flag)}
    turn = 0
    while (basis := digest([one.basis, turn])) in cleared:
        turn += 1
    return basis, one


def _is_open(flag: Flag) -> bool:
    """Unanswered, or sent back for a re-measurement that has not settled it yet."""
    answers = sorted(flag.answers.all(), key=lambda answer: (answer.answered_at, answer.id))
    return not answers or answers[-1].kind == AnswerKind.REMEASURE


def _may_end(flag: Flag, over: bool) -> bool:
    """What was accepted of a session that counts no more (`over`) stays as it was answered."""
    return _is_open(flag) if over and flag.session_id else _is_standing(flag)


def _is_standing(flag: Flag) -> bool:
    """Open or accepted: what was accepted is printed, so it too ends when it is no longer so."""
    return not _is_cleared(flag)


def _is_cleared(flag: Flag) -> bool:
    return any(answer.kind == AnswerKind.CLEARED for answer in flag.answers.all())


def _of_session(loaded: Loaded, rule: Rule, finding: Finding) -> Found:
    place = (loaded.point.system_id, loaded.session.id, loaded.point.id)
    severity = loaded.settings.severity(rule.name, rule.severity)
    own = loaded.settings.of_rule(rule.name)
    return Found(rule.name, severity, rule.source, finding, *place, own)


def _of_system(loaded: Loaded, job: Job, system: System) -> list[Found]:
    points, figures = systems.figures_of(job, system)
    earlier, units = systems.earlier_of(job, system, figures), loaded.company.unit_system
    sums = systems.outlets_against_traverse(points, figures, units)
    least = loaded.settings.value(systems.LEAST_CHANGE)
    changes = systems.changed_since_earlier(figures, earlier, units, loaded.site.time_zone, least)
    found = [(SYSTEM_RULE, finding) for finding in sums] + [(CHANGE_RULE, finding) for finding in changes]
    return [
        Found(
            name,
            loaded.settings.severity(name, OF_SYSTEMS[name].severity),
            systems.SOURCE,
            finding,
            system.id,
            None,
            UUID(finding.key),
            loaded.settings.of_rule(name),
        )
        for name, finding in found
    ]


def _clear(flags: Iterable[Flag], reason: str) -> None:
    now = timezone.now()
    rows = [
        FlagAnswer(flag=flag, kind=AnswerKind.CLEARED, reason=reason, member=None, answered_at=now)
        for flag in flags
    ]
    FlagAnswer.objects.bulk_create(rows)
    happenings = [
        events.Happening(
            row.flag_id,
            {"answer": row.kind, "answer_id": str(row.id), "reason": reason, "rule": row.flag.rule},
            events.row_digest(row),
        )
        for row in rows
    ]
    events.record_many(service_actor(), "flag.answered", "flag", happenings)


def _raise(job: Job, wanted: dict[str, Found]) -> None:
    """Writes flags that are not there yet, each with its event."""
    now = timezone.now()
    rows = [_row(job, one, basis, now) for basis, one in wanted.items()]
    Flag.objects.bulk_create(rows)
    happenings = [
        events.Happening(
            row.id,
            {"rule": row.rule, "severity": row.severity, "job": str(job.id)},
            events.row_digest(row),
        )
        for row in rows
    ]
    events.record_many(service_actor(), "flag.raised", "flag", happenings)


def _row(job: Job, one: Found, basis: str, now: datetime) -> Flag:
    return Flag(
        id=uuid7(),
        job=job,
        system_id=one.system,
        test_point_id=one.test_point,
        session_id=one.session,
        rule=one.rule,
        severity=one.severity,
        seen=one.finding.seen,
        expected=one.finding.expected,
        advice=one.finding.advice,
        source=one.source,
        data=one.finding.data,
        basis_digest=basis,
        raised_at=now,
    )


def service_actor() -> Actor:
    """The service itself: no person, in the current company."""
    return Actor(company_id=current_company())
