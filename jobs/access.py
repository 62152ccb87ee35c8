"""Who acts, and what each role or key may do. The only place that says so."""

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import Enum
from typing import TYPE_CHECKING
from uuid import UUID

from django.db.models import Exists, OuterRef, QuerySet, Subquery
from django.utils import timezone
from django.utils.translation import gettext

from jobs import bulk
from jobs.errors import Forbidden, NotSignedIn, SecondFactorNeeded, SignInAgain
from jobs.models import (
    Allowance,
    Company,
    Member,
    Role,
    SecondFactor,
    SignIn,
    SupportGrant,
    TokenKind,
    User,
)
from jobs.tenancy.context import current_company
from jobs.tenancy.ids import parse_id, short_id

if TYPE_CHECKING:
    from django.http import HttpRequest


class Action(Enum):
    """What can be done. Doors never name roles, they name actions."""

    READ = "read"
    MANAGE_COMPANY = "manage_company"
    MANAGE_PEOPLE = "manage_people"
    MANAGE_KEYS = "manage_keys"
    ENROL_DEVICE = "enrol_device"
    PLAN = "plan"
    MANAGE_INSTRUMENTS = "manage_instruments"
    MEASURE = "measure"
    SUBMIT = "submit"
    SET_RULES = "set_rules"
    REVIEW = "review"
    APPROVE = "approve"
    ISSUE = "issue"
    MANAGE_WEBHOOKS = "manage_webhooks"


MAY: dict[Action, frozenset[Role]] = {
    Action.READ: frozenset(Role),
    Action.MANAGE_COMPANY: frozenset({Role.OWNER}),
    Action.MANAGE_PEOPLE: frozenset({Role.OWNER}),
    Action.MANAGE_KEYS: frozenset({Role.OWNER}),
    Action.ENROL_DEVICE: frozenset({Role.OWNER, Role.DISPATCHER}),
    Action.PLAN: frozenset({Role.OWNER, Role.DISPATCHER}),
    Action.MANAGE_INSTRUMENTS: frozenset({Role.OWNER, Role.DISPATCHER, Role.SUPERVISOR}),
    Action.MEASURE: frozenset({Role.TECHNICIAN, Role.SUPERVISOR}),
    Action.SUBMIT: frozenset({Role.TECHNICIAN, Role.SUPERVISOR}),
    Action.SET_RULES: frozenset({Role.OWNER, Role.SUPERVISOR}),
    Action.REVIEW: frozenset({Role.SUPERVISOR}),
    Action.APPROVE: frozenset({Role.SUPERVISOR}),
    Action.ISSUE: frozenset({Role.SUPERVISOR}),
    Action.MANAGE_WEBHOOKS: frozenset({Role.OWNER}),
}

# An integration key names no person, so it never measures, reviews, approves or manages people and keys.
SCOPES: dict[str, Action] = {
    "read": Action.READ,
    "plan": Action.PLAN,
    "instruments": Action.MANAGE_INSTRUMENTS,
    "webhooks": Action.MANAGE_WEBHOOKS,
}

# Who approves, or decides who may come in, can be asked by the company for a second factor.
IN_NEED_OF_FACTOR = frozenset({Role.OWNER, Role.SUPERVISOR})

PROVEN_FOR = timedelta(minutes=10)

# A person signed in on a shared tablet does what is done in the field there, and reads.
ON_TABLET = frozenset({Action.READ, Action.MEASURE, Action.SUBMIT})


@dataclass(frozen=True)
class Actor:
    """Who acts. `member_id` is None for integration keys and for a tablet with nobody signed in."""

    company_id: UUID
    member_id: UUID | None = None
    name: str = ""
    roles: frozenset[Role] = frozenset()
    device_id: UUID | None = None
    token_id: UUID | None = None
    scopes: frozenset[str] = frozenset()
    kind: TokenKind | None = None
    units: str = ""  # the system on their own screen; empty: the company's
    factor_by: datetime | None = None  # until when they must have set up a second factor; None: no need
    grant_id: UUID | None = None  # an operator who reads by leave of an owner
    sign_in_id: UUID | None = None  # of who came with a browser's session
    proven_at: datetime | None = None  # when password and code were last asked for, of who came so
    a_minute: int | None = None  # requests of the company, where the operators set it
    used_at: datetime | None = None  # when the key was last seen, within the hour
    stored_only: bool = False  # a key that asks stored queries of GraphQL and nothing else

    @property
    def owes_factor(self) -> bool:
        """Whether they come no further before they have set up a second factor."""
        return self.factor_by is not None and self.factor_by <= timezone.now()

    @property
    def is_proven(self) -> bool:
        """Whether it was proved in the last minutes who this is."""
        return self.proven_at is not None and timezone.now() - self.proven_at <= PROVEN_FOR

    @property
    def principal(self) -> str:
        """Names whose requests these are, for idempotency keys and limits: the person, else the key."""
        if self.grant_id:
            return f"support:{self.grant_id}"
        return f"member:{self.member_id}" if self.member_id else f"token:{self.token_id}"


def may(actor: Actor, action: Action) -> bool:
    """Whether the actor may do it anywhere in the company; a job's own rules come on top."""
    if actor.stored_only:
        return False  # the GraphQL door lifts this for a stored query
    if actor.kind is TokenKind.INTEGRATION:  # who may plan must see what there is to plan
        granted = {SCOPES[scope] for scope in actor.scopes if scope in SCOPES}
        return action in granted | ({Action.READ} if granted else set())
    if actor.grant_id:
        return action is Action.READ
    if actor.kind is TokenKind.TABLET or (actor.kind is TokenKind.PERSON and action not in ON_TABLET):
        return False
    return bool(actor.roles & MAY[action])


def require(actor: Actor | None, action: Action) -> Actor:
    """Returns the actor when they may do it. Raises NotSignedIn or Forbidden."""
    if actor is None:
        raise NotSignedIn(gettext("Sign in, or send a valid token as 'Authorization: Bearer …'."))
    if actor.owes_factor:
        raise SecondFactorNeeded(
            gettext("Your company asks you for a second factor. Set it up on your page.")
        )
    if not may(actor, action):
        words = gettext("%(who)s may not do this (%(action)s). %(remedy)s")
        raise Forbidden(words % {"who": _who(actor), "action": action.value, "remedy": _remedy(action)})
    return actor


def require_proven(actor: Actor | None, action: Action) -> Actor:
    """As `require`, of a person who signed in within the last ten minutes. Raises SignInAgain as well.

    For what takes a whole company away: a browser that was left open, or whose session was stolen, must not
    be enough.
    """
    actor = require(actor, action)
    if not actor.is_proven:
        raise SignInAgain(gettext("Sign in again first: this is asked of who signed in minutes ago only."))
    return actor


def _who(actor: Actor) -> str:
    if actor.stored_only:
        return gettext("This integration key, which asks stored queries of GraphQL only,")
    if actor.kind is TokenKind.INTEGRATION:
        return gettext("This integration key")
    if actor.kind is TokenKind.TABLET:
        return gettext("A tablet with nobody signed in")
    return gettext("Your role here")


def _remedy(action: Action) -> str:
    roles = sorted(gettext(role.label) for role in MAY[action])
    return gettext("It is for: %(roles)s.") % {"roles": ", ".join(roles).lower()}


def join_token(company_id: UUID, secret: str) -> str:
    """A bearer credential carries its company, so that it can be looked up under row security."""
    return f"{short_id(company_id)}.{secret}"


def split_token(text: str) -> tuple[UUID, str] | None:
    """Company and secret of a bearer credential; None when it is not one."""
    company, _, secret = text.partition(".")
    try:
        return (parse_id(company), secret) if secret else None
    except ValueError:
        return None


def hash_secret(secret: str) -> bytes:
    """SHA-256 of a random secret of 128 bits or more; a slow hash would add nothing."""
    return hashlib.sha256(secret.encode()).digest()


def roles_of(values: Iterable[str]) -> frozenset[Role]:
    return frozenset(Role(value) for value in values)


def actor_for(request: "HttpRequest") -> Actor | None:
    """The actor of a request whose company is set: by bearer token, else by the signed-in session."""
    header = request.headers.get("Authorization", "")
    if header:
        scheme, _, text = header.partition(" ")
        return actor_for_token(text.strip()) if scheme.lower() == "bearer" else None
    user = getattr(request, "user", None)
    return actor_for_user(user.pk) if user is not None and user.is_authenticated else None


def actor_for_token(text: str) -> Actor | None:
    """Looks the token up under row security; a revoked, expired or orphaned one is nobody.

    So is one in the name of somebody whom the operators shut out of the service.
    """
    parts = split_token(text)
    if parts is None:
        return None
    return _actor_of(_WHO_BY_SECRET, hash_secret(parts[1]))


# Nearly every request of a program or tablet begins with this, so it is one prepared statement, past the ORM.
_WHO = """\
SELECT t.id, t.kind, t.name, t.scopes, t.device_id, t.used_at, t.stored_only, t.member_id, m.name, m.roles,
       m.unit_system,
       (SELECT a.requests_a_minute FROM jobs_allowance a WHERE a.company_id = t.company_id LIMIT 1)
FROM jobs_accesstoken t
LEFT JOIN jobs_member m ON m.company_id = t.company_id AND m.id = t.member_id
LEFT JOIN jobs_device d ON d.company_id = t.company_id AND d.id = t.device_id
WHERE t.company_id = %b AND t.revoked_at IS NULL AND (t.expires_at IS NULL OR t.expires_at > %b)
  AND (t.device_id IS NULL OR (d.id IS NOT NULL AND d.revoked_at IS NULL))
  AND (t.member_id IS NULL OR (m.active AND NOT EXISTS (
        SELECT FROM jobs_user u WHERE u.id = m.user_ref AND NOT u.is_active)))
"""
_WHO_BY_SECRET, _WHO_BY_ID = f"{_WHO} AND t.secret_hash = %b", f"{_WHO} AND t.id = %b"


def _actor_of(query: str, value: bytes | UUID) -> Actor | None:
    """Whom a token stands for; None for one that ended, and for one in the name of somebody shut out."""
    company_id = current_company()
    rows = bulk.fetch(query, [company_id, timezone.now(), value])
    if len(rows) != 1:
        return None
    token, kind, name, scopes, device, used_at, stored_only, member, *about = rows[0]
    member_name, roles, units, a_minute = about
    return Actor(
        company_id=company_id,
        member_id=member,
        name=member_name if member else name,
        roles=roles_of(roles or ()),
        device_id=device,
        token_id=token,
        scopes=frozenset(scopes),
        kind=TokenKind(kind),
        units=units or "",
        a_minute=a_minute,
        used_at=used_at,
        stored_only=stored_only,
    )


def still_there(actor: Actor) -> Actor | None:
    """The actor as they stand now, for what goes on for long.

    None once their token or sign-in ended, the leave of an operator did, or they left.
    """
    if actor.token_id is not None:
        return _actor_of(_WHO_BY_ID, actor.token_id)
    if actor.sign_in_id and not SignIn.objects.filter(id=actor.sign_in_id, ended_at=None).exists():
        return None
    if actor.grant_id:
        return _supporter(SupportGrant.objects.filter(id=actor.grant_id))
    member = Member.objects.filter(id=actor.member_id, active=True).first()
    shut_out = member and User.objects.filter(id=member.user_ref, is_active=False).exists()
    return actor_for_member(member) if member and not shut_out else None


def actor_for_user(user_id: UUID) -> Actor | None:
    """A person signed in with a browser: a member, or an operator whom an owner let in to help."""
    member = members_with_needs().filter(user_ref=user_id, active=True).first()
    if member:
        return actor_for_member(member)
    return _supporter(SupportGrant.objects.filter(operator_ref=user_id))


def members_with_needs() -> QuerySet[Member]:
    """Members with what decides whether they need a second factor, and the company's limit, in one read."""
    confirmed = SecondFactor.objects.filter(user_id=OuterRef("user_ref"), confirmed_at__isnull=False)
    rows: QuerySet[Member] = Member.objects.annotate(
        factor_by=Subquery(Company.objects.filter(second_factor=True).values("second_factor_by")[:1]),
        has_factor=Exists(confirmed),
        a_minute=_a_minute(),
    )
    return rows


def _a_minute() -> Subquery:
    return Subquery(Allowance.objects.values("requests_a_minute")[:1])


def factor_needed_by(member: Member) -> datetime | None:
    """Until when a member of `members_with_needs` must have a second factor; None: has one, or needs none."""
    needs = bool(roles_of(member.roles) & IN_NEED_OF_FACTOR)
    found: datetime | None = getattr(member, "factor_by", None)
    return found if needs and not getattr(member, "has_factor", False) else None


def _supporter(leaves: QuerySet[SupportGrant]) -> Actor | None:
    """An operator with one of these leaves of an owner, if it has not ended."""
    leave = leaves.filter(revoked_at=None, ends_at__gt=timezone.now()).first()
    operators = User.objects.filter(is_active=True, is_operator=True)
    if leave is None or not operators.filter(id=leave.operator_ref).exists():
        return None
    return Actor(company_id=current_company(), name=leave.operator, grant_id=leave.id, roles=frozenset(Role))


def actor_for_member(member: Member) -> Actor:
    return Actor(
        company_id=current_company(),
        member_id=member.id,
        name=member.name,
        roles=roles_of(member.roles),
        units=member.unit_system,
        factor_by=factor_needed_by(member),
        a_minute=getattr(member, "a_minute", None),
    )
