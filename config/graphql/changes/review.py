"""Review and what leaves the house: flags, corrections, voids, approval, documents, deliveries, recalls."""

import strawberry

from config.graphql.changes.base import Asked, Outcome, Repeats, change
from config.graphql.measurements import FlagAnswer
from config.graphql.reports import Deferral, Delivery, Issue, Revision
from jobs.access import Action
from measurements.models import AnswerKind
from reports import before, deliver, review
from reports import issue as issuing
from reports.queries import visible_deliveries, visible_issues
from reports.rest import before as shapes
from reports.rest.serializers import AnswerInput

ANSWERED = Repeats.ANSWERED


@strawberry.type
class FlagAnswerOutcome(Outcome):
    answer: FlagAnswer | None = None
    seen: str | None = strawberry.field(default=None, description="Names the flag's state as it is now.")


@strawberry.type
class RevisionOutcome(Outcome):
    revision: Revision | None = None


@strawberry.type
class ReportOutcome(Outcome):
    report: Issue | None = None


@strawberry.type
class DeferralOutcome(Outcome):
    deferral: Deferral | None = None


@strawberry.type
class DeliveriesOutcome(Outcome):
    deliveries: list[Delivery] | None = None


@strawberry.type
class DeliveryOutcome(Outcome):
    delivery: Delivery | None = None


@change(Action.REVIEW, "flag", takes=AnswerInput, seen=str, repeats=ANSWERED)
def flag_answer(asked: Asked) -> FlagAnswerOutcome:
    """Accepts a flag with a reason, or sends its point back for re-measurement.

    `seen` names the flag's state as it was seen; without it the flag counts as seen unanswered. The same
    answer once more is answered with the first.
    """
    given = asked.given
    seen = review.NO_ANSWER if asked.args.get("seen") is None else asked.seen
    made = review.answer_flag(
        asked.actor, asked.at("flag"), kind=AnswerKind(given["answer"]), reason=given["reason"], seen=seen
    )
    return FlagAnswerOutcome.of(answer=made, seen=review.state_tag(made))


@change(Action.SUBMIT, "job", takes=shapes.DeferralInput, repeats=ANSWERED)
def job_defer(asked: Asked) -> DeferralOutcome:
    """Leaves a point for later, or takes that back; each is a row of its own and the newest counts.

    Who measures may, also on a tablet, until the job is handed over; then its supervisor.
    """
    return DeferralOutcome.of(deferral=shapes.defer_or_take_back(asked.actor, asked.at("job"), asked.given))


@change(Action.APPROVE, "job", seen=str, repeats=ANSWERED)
def job_approve(asked: Asked) -> RevisionOutcome:
    """Freezes exactly what `seen` names (the digest of the review) as a revision."""
    return RevisionOutcome.of(revision=review.approve(asked.actor, asked.at("job"), seen_digest=asked.seen))


@change(Action.ISSUE, "revision", repeats=ANSWERED)
def revision_issue(asked: Asked) -> ReportOutcome:
    """Gives the report its number; its file is made by a worker."""
    made = issuing.issue(asked.actor, asked.at("revision"))
    return ReportOutcome.of(report=visible_issues(asked.actor).get(id=made.id))


@change(Action.ISSUE, "job", takes=shapes.DocumentInput, repeats=ANSWERED)
def job_document_send(asked: Asked) -> ReportOutcome:
    """Freezes how the job stands and sends it out under its number; a worker makes the file."""
    given = asked.given
    made = before.send_before(asked.actor, asked.at("job"), kind=given["kind"], addressee=given["addressee"])
    return ReportOutcome.of(report=visible_issues(asked.actor).get(id=made.id))


@change(Action.ISSUE, "report", repeats=ANSWERED)
def report_render(asked: Asked) -> ReportOutcome:
    """A fresh start for a report whose rendering was given up. Only for one that failed."""
    issuing.render_again(asked.actor, asked.at("report"))
    return ReportOutcome.of(report=visible_issues(asked.actor).get(id=asked.at("report")))


@change(Action.ISSUE, "report", takes=shapes.DeliveryInput, repeats=ANSWERED)
def report_deliver(asked: Asked) -> DeliveriesOutcome:
    """Mails a link to each address; it ends after `days`."""
    made = deliver.deliver(asked.actor, asked.at("report"), **asked.given)
    return DeliveriesOutcome.of(deliveries=made)


@change(Action.ISSUE, "delivery", repeats=ANSWERED)
def delivery_end(asked: Asked) -> DeliveryOutcome:
    """The link leads nowhere from now on. Ending it twice does no harm."""
    deliver.revoke(asked.actor, asked.at("delivery"))
    return DeliveryOutcome.of(delivery=visible_deliveries(asked.actor).get(id=asked.at("delivery")))
