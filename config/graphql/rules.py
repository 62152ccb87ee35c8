"""The rules that raise flags, and what the company set otherwise."""

from datetime import datetime
from typing import Any

import strawberry

from config.graphql.people import Member
from config.graphql.rows import Node, node, one, together, told
from jobs.access import Action, Actor, require
from jobs.http.graphql import actor_of
from jobs.queries import visible
from measurements import models as measurements
from measurements.rule_settings import rule_states


def _settings(actor: Actor) -> Any:
    return visible(measurements.RuleSetting.objects.all(), require(actor, Action.SET_RULES))


@node(
    measurements.RuleSetting,
    "A number of a rule, or its severity, as it was set. Null and empty: back to the default.",
    rows=_settings,
)
class RuleSetting(Node):
    rule: str
    name: str
    value: float | None
    severity: str
    member: Member | None = one("member")
    at: datetime
    why: str


@strawberry.type(description="A number that is the house's judgement, SI.")
class RuleParameter:
    name: str = told("parameter.name")
    words: str = told("parameter.words")
    quantity: str = told("parameter.quantity")
    value: float
    default: float = told("parameter.default")
    low: float = told("parameter.low")
    high: float = told("parameter.high")
    source: str = told("parameter.source")
    last: RuleSetting | None = strawberry.field(description="What set it; null: the default holds.")


@strawberry.type(description="A rule as the company has it.")
class Rule:
    name: str = told("rule.name")
    text: str = told("rule.text")
    source: str = told("rule.source")
    severity: str
    usual_severity: str = told("rule.severity")
    fixed: bool = told("rule.fixed", "Whether its severity cannot be set.")
    last: RuleSetting | None = strawberry.field(description="What set its severity.")
    parameters: list[RuleParameter]


def rules(info: strawberry.Info) -> list[Rule]:
    found: Any = rule_states(actor_of(info))
    settings = [row for state in found for row in (state.last, *(one.last for one in state.parameters))]
    together(row for row in settings if row is not None)
    return found  # type: ignore[no-any-return]
