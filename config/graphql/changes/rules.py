"""What a company sets of the rules."""

import strawberry

from config.graphql.changes.base import Asked, Outcome, Repeats, change
from config.graphql.rules import RuleSetting
from jobs.access import Action
from measurements.rest.rules import SettingIn, set_rule


@strawberry.type
class RuleSettingOutcome(Outcome):
    setting: RuleSetting | None = None


@change(Action.SET_RULES, takes=SettingIn, repeats=Repeats.ANSWERED, rule=str)
def rule_set(asked: Asked) -> RuleSettingOutcome:
    """Sets a number of a rule or its severity from now on; what depends on it is evaluated again."""
    return RuleSettingOutcome.of(setting=set_rule(asked.actor, asked.args["rule"], asked.given))
