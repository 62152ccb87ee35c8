"""What changed on a job since its supervisor last said that they have seen it."""

from collections import Counter
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any
from uuid import UUID

from django.utils import timezone
from django.utils.translation import gettext, gettext_noop, ngettext_lazy

from jobs.access import Actor
from jobs.queries import visible
from measurements.models import AnswerKind
from reports.models import Look
from reports.reviewset import FlagState, ReviewSet

NEW, CHANGED, ANSWERED = gettext_noop("new"), gettext_noop("changed"), gettext_noop("answered")


@dataclass(frozen=True)
class Since:
    """What came since a look: marks by id of session or flag, and the counts behind the line on top."""

    at: datetime
    marks: dict[UUID, str] = field(default_factory=dict)
    sessions: int = 0
    computed: int = 0
    raised: int = 0
    settled: int = 0
    answers: tuple[tuple[str, int], ...] = ()

    @property
    def words(self) -> str:
        """E.g. "2 sessions came, 1 flag was raised, 1 answered by Kim Lee"; nothing when nothing changed."""
        parts = [
            _counted(self.sessions, SESSIONS),
            _counted(self.computed, COMPUTED),
            _counted(self.raised, RAISED),
            *(
                gettext("%(count)s answered by %(name)s") % {"count": n, "name": who}
                for who, n in self.answers
            ),
            _counted(self.settled, SETTLED),
        ]
        return ", ".join(part for part in parts if part)


SESSIONS = ngettext_lazy("%(count)s session came", "%(count)s sessions came", "count")
COMPUTED = ngettext_lazy(
    "%(count)s figure was computed anew", "%(count)s figures were computed anew", "count"
)
RAISED = ngettext_lazy("%(count)s flag was raised", "%(count)s flags were raised", "count")
SETTLED = ngettext_lazy("%(count)s is no longer so", "%(count)s are no longer so", "count")


def _counted(count: int, words: Any) -> str:
    """`words`: of ngettext_lazy, by `count`."""
    return str(words % {"count": count}) if count else ""


def last_look(actor: Actor, found: ReviewSet) -> Look | None:
    row: Look | None = (
        visible(Look.objects.all(), actor).filter(member=actor.member_id, job=found.job).first()
    )
    return row


def store(actor: Actor, found: ReviewSet) -> None:
    """Remembers the set as seen by the actor now."""
    Look.objects.update_or_create(
        member_id=actor.member_id,
        job=found.job,
        defaults={
            "seen_at": timezone.now(),
            "sessions": {
                str(m.session.id): m.result.content_digest if m.result else "" for m in found.measured
            },
            "flags": {
                str(s.flag.id): str(s.newest.id) if s.newest else ""
                for s in (*found.flags, *found.past_flags)
            },
        },
    )


def since(found: ReviewSet, look: Look) -> Since:
    """What is not as the look saw it. What its own member answered meanwhile is no news to them."""
    marks: dict[UUID, str] = {}
    came = [m.session.id for m in found.measured if str(m.session.id) not in look.sessions]
    anew = [
        m.session.id
        for m in found.measured
        if m.result
        and look.sessions.get(str(m.session.id), m.result.content_digest) != m.result.content_digest
    ]
    states = (*found.flags, *found.past_flags)
    raised = [s.flag.id for s in states if str(s.flag.id) not in look.flags and _asks(s)]
    answered = [s for s in states if _answered_since(s, look)]
    by = Counter(s.newest.member.name for s in answered if s.newest and s.newest.member)
    for ids, mark in ((came, NEW), (anew, CHANGED), (raised, NEW)):
        marks |= dict.fromkeys(ids, mark)
    marks |= {s.flag.id: ANSWERED for s in answered}
    settled = sum(1 for s in answered if s.newest and s.newest.member is None)
    return Since(look.seen_at, marks, len(came), len(anew), len(raised), settled, tuple(sorted(by.items())))


def _asks(state: FlagState) -> bool:
    return state.state != AnswerKind.CLEARED


def _answered_since(state: FlagState, look: Look) -> bool:
    newest, known = state.newest, str(state.flag.id) in look.flags
    if newest is None or newest.member_id == look.member_id:
        return False
    if newest.member_id is None and not known:
        return False
    return look.flags.get(str(state.flag.id), "") != str(newest.id)


def since_moment(found: ReviewSet, shown_at: str) -> str:
    """What came to the set after it was shown, in words. `shown_at`: ISO; anything else tells nothing."""
    try:
        moment = datetime.fromisoformat(shown_at)
    except ValueError:
        return ""
    if moment.tzinfo is None:
        return ""
    states = (*found.flags, *found.past_flags)
    answers = [a for s in states for a in s.answers if a.answered_at > moment]
    by = Counter(a.member.name for a in answers if a.member)
    came = [m for m in found.measured if m.session.received_at > moment]
    anew = [m for m in found.measured if m not in came and m.result and m.result.computed_at > moment]
    raised = sum(1 for s in states if s.flag.raised_at > moment and _asks(s))
    settled = sum(1 for a in answers if a.member is None)
    told = Since(moment, {}, len(came), len(anew), raised, settled, tuple(sorted(by.items()))).words
    return told or gettext("the job, its points, or the rules of the house are not as they were")
