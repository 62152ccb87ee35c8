"""Recalls of instruments and what is decided on their sessions."""

import strawberry

from config.graphql.changes.base import Asked, Outcome, Repeats, change
from config.graphql.recalls import Recall
from jobs.access import Action
from measurements import recall
from measurements.queries import undecided_items, visible_recalls
from measurements.recall_decisions import decide
from reports.rest.recall import DecideInput, WithdrawInput, existing_case

ANSWERED = Repeats.ANSWERED


@strawberry.type
class RecallsOutcome(Outcome):
    recalls: list[Recall] | None = None


@strawberry.type
class RecallDecisionOutcome(Outcome):
    decided: int | None = strawberry.field(
        default=None, description="Without those that you had decided just so."
    )
    undecided: int | None = strawberry.field(
        default=None, description="What is left; nought: the recall is closed."
    )


@change(Action.MANAGE_INSTRUMENTS, takes=WithdrawInput, repeats=ANSWERED)
def recall_withdraw(asked: Asked) -> RecallsOutcome:
    """Withdraws a certificate: opens a recall for each of its quantities, or gives those there are."""
    given = asked.given
    made = recall.withdraw(asked.actor, given["certificate"], reason=given["reason"])
    rows = visible_recalls(asked.actor).filter(id__in=[case.id for case in made]).order_by("id")
    return RecallsOutcome.of(recalls=list(rows))


@change(Action.REVIEW, "recall", takes=DecideInput, repeats=ANSWERED)
def recall_decide(asked: Asked) -> RecallDecisionOutcome:
    """Decides on one or many at once. The newest decision on a session counts; all are kept."""
    case = existing_case(asked.actor, asked.at("recall"))
    given = asked.given
    made = decide(asked.actor, case.id, given["items"], kind=given["decision"], reason=given["reason"])
    return RecallDecisionOutcome(decided=len(made), undecided=undecided_items(case).count())
