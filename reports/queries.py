"""What a person may see of reviews and reports, and how it is fetched. Every door reads through here."""

from datetime import datetime
from uuid import UUID

from django.db.models import Count, Exists, F, Max, OuterRef, Q, QuerySet, Subquery

from jobs.access import Action, Actor, require
from jobs.models import Job, JobStatus
from jobs.queries import visible
from measurements.models import AnswerKind, Correction, Flag, FlagAnswer, Session, SessionVoid, Severity
from reports.models import Delivery, DocumentKind, Fetch, Issue, Revision, Webhook, WebhookAttempt


def visible_jobs(actor: Actor) -> QuerySet[Job]:
    """Jobs of the actor's company with site and customer."""
    return visible(Job.objects.select_related("site__customer"), actor)


def visible_sessions(actor: Actor) -> QuerySet[Session]:
    """Sessions with their job and site, and `newer`: the id of the session that replaced each, if any."""
    newer = Session.objects.filter(supersedes=OuterRef("id")).order_by("-received_at", "-id").values("id")
    rows = visible(Session.objects.select_related("job__site__customer", "device"), actor)
    return rows.annotate(newer=Subquery(newer[:1]))


def visible_flags(actor: Actor) -> QuerySet[Flag]:
    return visible(Flag.objects.select_related("job", "session", "test_point", "system"), actor)


def visible_revisions(actor: Actor) -> QuerySet[Revision]:
    """Revisions with who approved; the frozen bytes are left out until asked for."""
    rows = visible(Revision.objects.select_related("job", "approved_by", "supersedes"), actor)
    return rows.defer("snapshot", "readings_csv", "supersedes__snapshot", "supersedes__readings_csv")


def unissued_revisions(actor: Actor) -> QuerySet[Revision]:
    """Newest revisions of jobs that were not issued yet."""
    newer = Revision.objects.filter(supersedes=OuterRef("id"))
    issued = Issue.objects.filter(revision=OuterRef("id"))
    rows = visible_revisions(actor).select_related("job__site__customer", "approved_by")
    return rows.filter(~Exists(newer), ~Exists(issued), kind=DocumentKind.REPORT).order_by("approved_at")[
        :MOST_WAITING
    ]


def visible_issues(actor: Actor) -> QuerySet[Issue]:
    """Issued documents with revision, job and file; `newest` is the last revision issued of the same kind."""
    issued = Issue.objects.filter(
        revision__job=OuterRef("revision__job"), revision__kind=OuterRef("revision__kind")
    )
    newest = issued.order_by("-revision__revision").values("revision__revision")[:1]
    rows = visible(Issue.objects.all(), actor).select_related(
        "revision__job__site__customer", "revision__approved_by", "issued_by"
    )
    rows = rows.defer("revision__snapshot", "revision__readings_csv")
    return rows.prefetch_related("files").annotate(newest=Subquery(newest))


def visible_deliveries(actor: Actor) -> QuerySet[Delivery]:
    """Links sent, each with how often it was used and when last."""
    rows = visible(Delivery.objects.select_related("issue", "sent_by"), actor)
    return rows.annotate(times=Count("fetches"), last=Max("fetches__at"))


def visible_fetches(actor: Actor) -> QuerySet[Fetch]:
    """Who fetched a report's file."""
    return visible(Fetch.objects.select_related("delivery", "member", "token"), actor)


def visible_webhooks(actor: Actor) -> QuerySet[Webhook]:
    """Webhooks that were not removed, for those who manage them."""
    rows = Webhook.objects.filter(removed_at=None).select_related("created_by")
    return rows.filter(company_id=require(actor, Action.MANAGE_WEBHOOKS).company_id)


def visible_attempts(actor: Actor, webhook_id: UUID) -> QuerySet[WebhookAttempt]:
    """Tries to deliver to one webhook, with message and event."""
    rows = WebhookAttempt.objects.filter(webhook=webhook_id, webhook__removed_at=None)
    rows = rows.select_related("message__event")
    return rows.filter(company_id=require(actor, Action.MANAGE_WEBHOOKS).company_id)


def newest_answer_kind() -> Subquery:
    answers = FlagAnswer.objects.filter(flag=OuterRef("pk")).order_by("-answered_at", "-id")
    return Subquery(answers.values("kind")[:1])


def current_flags() -> QuerySet[Flag]:
    """Flags of sessions that count, and of no session, each with the kind of its newest answer."""
    replaced = Exists(Session.objects.filter(supersedes=OuterRef("session")))
    void = Exists(SessionVoid.objects.filter(session=OuterRef("session")))
    rows = Flag.objects.annotate(newest_kind=newest_answer_kind(), replaced=replaced | void)
    return rows.filter(Q(session=None) | Q(replaced=False))


def open_flag_counts(jobs: QuerySet[Job]) -> dict[UUID, tuple[int, int]]:
    """By job: open flags that must be answered (or were sent back), and open warnings. One statement."""
    unanswered = Q(newest_kind=None)
    sent_back = Q(newest_kind=AnswerKind.REMEASURE)
    rows = current_flags().filter(job__in=jobs.values("id")).filter(unanswered | sent_back)
    counted = rows.values("job").annotate(
        stops=Count("id", filter=Q(severity=Severity.STOP) | sent_back),
        warnings=Count("id", filter=Q(severity=Severity.WARNING) & unanswered),
    )
    return {row["job"]: (row["stops"], row["warnings"]) for row in counted if row["stops"] + row["warnings"]}


def sessions_after_approval(jobs: QuerySet[Job]) -> dict[UUID, int]:
    """By approved or issued job: sessions received, corrected or made void after its newest revision.

    One statement.
    """
    approved = Revision.objects.filter(job=OuterRef("job"), kind=DocumentKind.REPORT)
    approved = approved.order_by("-revision").values("approved_at")[:1]
    rows = Session.objects.filter(job__in=jobs.filter(status__in=CLOSED).values("id"))
    rows = rows.annotate(approved_at=Subquery(approved))
    corrected = Correction.objects.filter(session=OuterRef("id"), at__gt=OuterRef("approved_at"))
    void = SessionVoid.objects.filter(session=OuterRef("id"), at__gt=OuterRef("approved_at"))
    later = rows.filter(Q(received_at__gt=F("approved_at")) | Exists(corrected) | Exists(void))
    return {row["job"]: row["number"] for row in later.values("job").annotate(number=Count("id"))}


def last_received(jobs: QuerySet[Job]) -> dict[UUID, datetime]:
    """By job: when its newest session arrived."""
    rows = Session.objects.filter(job__in=jobs.values("id")).values("job")
    return {row["job"]: row["last"] for row in rows.annotate(last=Max("received_at"))}


MOST_WAITING = 100
CLOSED = (JobStatus.APPROVED, JobStatus.ISSUED)
