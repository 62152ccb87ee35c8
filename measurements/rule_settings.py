"""What a company sets otherwise in the rules that raise flags: numbers within their range, severities."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext

from jobs import due, events
from jobs.access import Action, Actor, require
from jobs.errors import Conflict, Fault, Invalid, NotFound
from jobs.models import Company, UnitSystem
from jobs.queries import visible
from measurements.models import RuleSetting, Severity
from measurements.rule_parameters import BY_KEY, PARAMETERS, SEVERITY, Parameter, Settings, in_force
from measurements.rules import Rule, SystemRule, described
from measurements.words import shown

SHORTEST_WHY, LONGEST_WHY = 10, 2000


@dataclass(frozen=True)
class ParameterState:
    """A number of a rule as it stands, with the row that set it; None where the default holds."""

    parameter: Parameter
    value: float
    last: RuleSetting | None


@dataclass(frozen=True)
class RuleState:
    """A rule as the company has it."""

    rule: Rule | SystemRule
    severity: Severity
    last: RuleSetting | None
    parameters: tuple[ParameterState, ...] = ()

    @property
    def changed(self) -> bool:
        """Whether anything is not as usual."""
        other = any(one.value != one.parameter.default for one in self.parameters)
        return other or self.severity != self.rule.severity


def rule_states(actor: Actor) -> list[RuleState]:
    """Every rule, those that are not as usual first, then those with numbers. Two statements."""
    require(actor, Action.SET_RULES)
    settings, newest = in_force(), _newest(actor)
    found = [_state(one, settings, newest) for one in described()]
    return sorted(found, key=lambda one: (not one.changed, not one.parameters, one.rule.name))


def _newest(actor: Actor) -> dict[tuple[str, str], RuleSetting]:
    rows = visible(RuleSetting.objects.select_related("member"), actor)
    rows = rows.order_by("rule", "name", "-at", "-id").distinct("rule", "name")
    return {(row.rule, row.name): row for row in rows}


def _state(
    rule: Rule | SystemRule, settings: Settings, newest: dict[tuple[str, str], RuleSetting]
) -> RuleState:
    return RuleState(
        rule,
        settings.severity(rule.name, rule.severity),
        newest.get((rule.name, SEVERITY)),
        tuple(
            ParameterState(one, settings.value(one), newest.get(one.key))
            for one in PARAMETERS
            if one.rule == rule.name
        ),
    )


@transaction.atomic
def set_number(actor: Actor, rule: str, name: str, *, value: float | None, why: str) -> RuleSetting:
    """Sets a number of a rule, SI; None: back to the default.

    Evaluations that depend on it are due again in jobs that are not approved. Raises NotFound (no such
    number), Invalid (out of its range, no reason), Conflict (it is so already).
    """
    require(actor, Action.SET_RULES)
    if (rule, name) not in BY_KEY:
        raise NotFound(
            gettext("The rule %(rule)s has no number %(name)s.") % {"rule": f"{rule!r}", "name": f"{name!r}"}
        )
    one, text = BY_KEY[rule, name], _why(why)
    if value is not None and not _in_range(value, one):
        raise Invalid(gettext("The number is out of its range."), [Fault("/value", range_words(one))])
    wanted = one.default if value is None else value
    _lock()
    if in_force().value(one) == wanted:
        raise Conflict(gettext("It is so already."))
    return _store(actor, rule=rule, name=name, value=value, why=text)


def _in_range(value: float, one: Parameter) -> bool:
    slack = 1e-9  # of a limit that came from another unit
    return math.isfinite(value) and one.low * (1.0 - slack) <= value <= one.high * (1.0 + slack)


def range_words(one: Parameter, units: str = UnitSystem.SI) -> str:
    """The range of a number, e.g. "must be 0.01 to 0.2 (1 % to 20 %)"."""
    words = f"{shown(one.low, one.quantity, units)} to {shown(one.high, one.quantity, units)}"
    return f"must be {one.low:g} to {one.high:g}" + (f" ({words})" if one.quantity != "factor" else "")


@transaction.atomic
def set_severity(actor: Actor, rule: str, *, severity: Severity | None, why: str) -> RuleSetting:
    """Raises or lowers what a rule's flags ask for; None: back to the default.

    Raises NotFound, Invalid (a rule whose severity is fixed, no reason), Conflict (it is so already).
    """
    require(actor, Action.SET_RULES)
    found = next((one for one in described() if one.name == rule), None)
    if found is None:
        raise NotFound(gettext("There is no rule %(rule)s.") % {"rule": f"{rule!r}"})
    text = _why(why)
    if found.fixed:
        told = "is fixed: it is about the verdict, the evidence, or what cannot be"
        raise Invalid(
            gettext("The severity of %(rule)s cannot be set.") % {"rule": rule}, [Fault("/severity", told)]
        )
    _lock()
    if in_force().severity(rule, found.severity) == (severity or found.severity):
        raise Conflict(gettext("It is so already."))
    stored = "" if severity is None or severity == found.severity else severity.value
    return _store(actor, rule=rule, name=SEVERITY, severity=stored, why=text)


def _lock() -> None:
    """Two who set rules of a company at once take turns."""
    Company.objects.select_for_update(no_key=True).get()


def _why(why: str) -> str:
    text = why.strip()
    if not SHORTEST_WHY <= len(text) <= LONGEST_WHY:
        wanted = f"{SHORTEST_WHY} to {LONGEST_WHY} characters"
        raise Invalid(
            gettext("Give a reason of %(wanted)s.") % {"wanted": wanted},
            [Fault("/why", gettext("must have %(wanted)s") % {"wanted": wanted})],
        )
    return text


def _store(actor: Actor, **fields: Any) -> RuleSetting:
    row: RuleSetting = RuleSetting.objects.create(member_id=actor.member_id, at=timezone.now(), **fields)
    data = {"rule": row.rule, "name": row.name, "value": row.value, "severity": row.severity}
    digest = events.row_digest(row)
    events.record(actor, "rule.changed", "rule_setting", row.id, data=data, content_digest=digest)
    due.schedule("rules", row.id)
    return row


def history(actor: Actor) -> Iterator[RuleSetting]:
    """What was set, newest first."""
    require(actor, Action.SET_RULES)
    yield from visible(RuleSetting.objects.select_related("member"), actor).order_by("-at", "-id")[:100]
