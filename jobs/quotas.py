"""What a company may use of the service. The operators set it; whoever is over it is told so in words.

`require_room(Kind.MEMBERS)` stands in the action that adds one. It locks the company's row, so that many at
once do not pass together. Other apps register what they store with `stores`.
"""

from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum

from django.db.models import Sum
from django.utils import timezone
from django.utils.translation import gettext, gettext_noop

from jobs.errors import OverQuota
from jobs.models import Allowance, CertificateFile, Company, Device, Invitation, Member, TestPoint


class Kind(Enum):
    """What is counted. The value is the name in `Allowance`."""

    STORED_BYTES = "stored_bytes"
    MEMBERS = "members"
    TABLETS = "tablets"
    WEBHOOKS = "webhooks"
    POINTS = "points"


USUAL: dict[Kind, int] = {
    Kind.STORED_BYTES: 200 * 1024**3,
    Kind.MEMBERS: 1000,
    Kind.TABLETS: 500,
    Kind.WEBHOOKS: 10,
    Kind.POINTS: 500_000,
}
WORDS: dict[Kind, str] = {
    Kind.STORED_BYTES: gettext_noop("bytes of photos and attached files"),
    Kind.MEMBERS: gettext_noop("people, with open invitations"),
    Kind.TABLETS: gettext_noop("tablets"),
    Kind.WEBHOOKS: gettext_noop("webhooks"),
    Kind.POINTS: gettext_noop("test points"),
}
_counts: dict[Kind, list[Callable[[], int]]] = {kind: [] for kind in Kind}


def stores(kind: Kind) -> Callable[[Callable[[], int]], Callable[[], int]]:
    """Registers what counts a company's own of a kind; several of one kind are added."""

    def register(count: Callable[[], int]) -> Callable[[], int]:
        _counts[kind].append(count)
        return count

    return register


@stores(Kind.MEMBERS)
def _members() -> int:
    still_open = Invitation.objects.filter(accepted_at=None, revoked_at=None, expires_at__gt=timezone.now())
    return Member.objects.filter(active=True).count() + still_open.count()


@stores(Kind.TABLETS)
def _tablets() -> int:
    return Device.objects.filter(revoked_at=None).count()


@stores(Kind.POINTS)
def _points() -> int:
    return TestPoint.objects.count()


@stores(Kind.STORED_BYTES)
def _attached() -> int:
    return int(CertificateFile.objects.aggregate(sum=Sum("size"))["sum"] or 0)


@dataclass(frozen=True)
class Use:
    """How much of a kind a company has, and may have."""

    kind: Kind
    used: int
    allowed: int


def allowed(kind: Kind) -> int:
    """How much of a kind the current company may have."""
    own = Allowance.objects.values_list(kind.value, flat=True).first()
    return USUAL[kind] if own is None else int(own)


def use() -> list[Use]:
    """Everything that is counted of the current company."""
    return [Use(kind, used(kind), allowed(kind)) for kind in Kind]


def used(kind: Kind) -> int:
    return sum(count() for count in _counts[kind])


def require_room(kind: Kind, more: int = 1) -> None:
    """Makes sure that `more` fit, in the caller's transaction. Raises OverQuota."""
    Company.objects.select_for_update(no_key=True).get()
    most, now = allowed(kind), used(kind)
    if now + more > most:
        words = gettext("The company may have %(most)d %(what)s and has %(now)d.")
        raise OverQuota(words % {"most": most, "what": gettext(WORDS[kind]), "now": now})
