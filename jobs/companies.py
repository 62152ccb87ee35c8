"""A company and the rules of its house."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import time, timedelta
from typing import Any
from zoneinfo import available_timezones

from django.db import transaction
from django.utils import timezone

from jobs import events, mail
from jobs.access import Action, Actor, require
from jobs.errors import Fault, Invalid, PreconditionFailed
from jobs.models import Affiliation, Company, DecisionRule, FanStatic, Lapse, Member, Role, UnitSystem, User
from jobs.people import email_faults, name_faults, tidy_email
from jobs.tenancy.context import company
from jobs.tenancy.ids import uuid7


@dataclass(frozen=True)
class NewCompany:
    """A company just made. `link` leads the owner to choose a password; None when they have one already."""

    company: Company
    owner: Member
    link: str | None


@transaction.atomic
def create_company(
    *, name: str, owner_email: str, owner_name: str, time_zone: str = "UTC", password: str | None = None
) -> NewCompany:
    """Makes a company and its first owner. For operators and by command only; no door leads here.

    With `password` (demonstrations, tests) a new owner can sign in at once. Raises Invalid.
    """
    faults = settings_faults({"name": name, "time_zone": time_zone})
    faults += email_faults(tidy_email(owner_email), "/owner_email")
    faults += name_faults(owner_name.strip(), "/owner_name")
    if faults:
        raise Invalid("The company cannot be made like this.", faults)
    user = _owner(tidy_email(owner_email), password)
    company_id = uuid7()
    with company(company_id):
        made = Company.objects.create(id=company_id, name=name.strip(), time_zone=time_zone)
        Affiliation.objects.create(user=user, company_ref=company_id)
        owner = Member.objects.create(
            user_ref=user.id, name=owner_name.strip(), email=user.email, roles=[Role.OWNER]
        )
        events.record(Actor(company_id), "company.created", "company", company_id)
    return NewCompany(made, owner, None if user.has_usable_password() else mail.password_link(user))


def _owner(email: str, password: str | None) -> User:
    return User.objects.filter(email=email).first() or User.objects.create_user(email, password)


Check = Callable[[Any], str | None]


def _between(low: float, high: float, words: str) -> Check:
    return lambda value: None if isinstance(value, int | float) and low <= value <= high else words


def _one_of(values: list[str]) -> Check:
    return lambda value: None if value in values else f"Choose one of {', '.join(values)}."


def _yes_or_no(value: Any) -> str | None:
    return None if isinstance(value, bool) else "Say yes or no."


def _name(value: Any) -> str | None:
    return None if 1 <= len(str(value).strip()) <= 120 else "The company's name has 1 to 120 characters."


def _letterhead(value: Any) -> str | None:
    lines = str(value).splitlines()
    good = len(str(value)) <= 600 and len(lines) <= 8
    return None if good else "The letterhead has at most 8 lines and 600 characters."


def _time_zone(value: Any) -> str | None:
    known = value in available_timezones()
    return None if known else "Name a zone of the IANA list, such as Europe/London."


def _reminder_days(value: Any) -> str | None:
    days = value if isinstance(value, list) else [None]
    good = all(isinstance(day, int) and not isinstance(day, bool) and 1 <= day <= 365 for day in days)
    good = good and len(days) <= 5 and len(set(days)) == len(days)
    return None if good else "Up to 5 different whole numbers of days, 1 to 365; none for no reminders."


def _clock(value: Any) -> str | None:
    return None if isinstance(value, time) and value.tzinfo is None else "Write a time of day, such as 07:00."


TOLERANCE = "A tolerance lies between 1 % and 50 % of design (as a share: 0.01 to 0.5)."
CHECKS: dict[str, Check] = {
    "name": _name,
    "letterhead": _letterhead,
    "time_zone": _time_zone,
    "unit_system": _one_of(UnitSystem.values),
    "paper": _one_of(["A4", "Letter"]),
    "standard_density": _between(1.0, 1.4, "Standard air lies between 1.0 and 1.4 kg/m³; 1.204 is usual."),
    "tolerance_below": _between(0.01, 0.5, TOLERANCE),
    "tolerance_above": _between(0.01, 0.5, TOLERANCE),
    "decision_rule": _one_of(DecisionRule.values),
    "decision_parameter": _between(0.0, 10.0, "The parameter of the decision rule is a number from 0."),
    "self_approval": _yes_or_no,
    "rule_bias_corrected": _yes_or_no,
    "fan_static": _one_of(FanStatic.values),
    "calibration_lapse": _one_of(Lapse.values),
    "reminder_days": _reminder_days,
    "day_starts": _clock,
    "day_ends": _clock,
    "travel_minutes": _between(0, 720, "Minutes between two sites: a whole number from 0 to 720."),
    "plan_mails": _yes_or_no,
    "second_factor": _yes_or_no,
}
FACTOR_GRACE = timedelta(days=7)


def settings_faults(values: Mapping[str, Any]) -> list[Fault]:
    """What is wrong with settings, each by itself."""
    found = [(name, CHECKS[name](value)) for name, value in values.items()]
    return [Fault(f"/{name}", words) for name, words in found if words]


def _rule_faults(made: Company) -> list[Fault]:
    """Whether rule and parameter fit: a guard band of 0 to 2 U, a probability from one half (ILAC-G8)."""
    value = made.decision_parameter
    if made.decision_rule == DecisionRule.GUARDED and not 0.0 <= value <= 2.0:
        return [Fault("/decision_parameter", "A guard band is 0 to 2 times the expanded uncertainty.")]
    if made.decision_rule == DecisionRule.PROBABILITY and not 0.5 <= value < 1.0:
        return [Fault("/decision_parameter", "The least probability is 0.5 or more and less than 1.")]
    return []


@transaction.atomic
def change_company(actor: Actor, seen: int, changes: Mapping[str, Any]) -> Company:
    """Changes settings of the house by name (see CHECKS); what was approved before keeps its own.

    Raises PreconditionFailed when `seen` is not the version now, and Invalid.
    """
    require(actor, Action.MANAGE_COMPANY)
    made: Company = Company.objects.select_for_update().get()
    if made.version != seen:
        raise PreconditionFailed("The settings changed since you looked; look again and repeat your change.")
    if faults := settings_faults(changes):
        raise Invalid("Some settings are not valid.", faults)
    before = {name: getattr(made, name) for name in changes}
    for name, value in changes.items():
        setattr(made, name, value.strip() if isinstance(value, str) else value)
    if made.day_ends <= made.day_starts:
        raise Invalid("The day ends before it begins.", [Fault("/day_ends", "must be later than the begin")])
    if faults := _rule_faults(made):
        raise Invalid("The decision rule and its parameter do not fit.", faults)
    changed = {
        name: [_plain(old), _plain(getattr(made, name))]
        for name, old in before.items()
        if old != getattr(made, name)
    }
    if changed:
        made.version += 1
        if "second_factor" in changed:
            made.second_factor_by = timezone.now() + FACTOR_GRACE if made.second_factor else None
        made.save(update_fields=[*changed, "second_factor_by", "version"])
        events.record(actor, "company.changed", "company", made.id, data={"changed": changed})
    return made


def _plain(value: Any) -> Any:
    return f"{value:%H:%M}" if isinstance(value, time) else value
