"""The supervisor's queue, a job's review, a session with its pictures, and reports. Thin doors."""

from dataclasses import dataclass
from typing import cast
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.utils import timezone
from django.utils.translation import gettext
from django.views.decorators.http import require_GET, require_POST

from jobs.access import Action, Actor, may
from jobs.errors import DomainError, Fault, Invalid, NotFound, PreconditionFailed
from jobs.models import JobStatus
from jobs.pages.base import page, refuse, show
from measurements.models import AnswerKind
from reports import deliver, looks, material, queries, recalled, review, reviewset
from reports import issue as issuing
from reports.models import DocumentKind, Issue, Revision
from reports.pages import session as session_page
from reports.pages import shown
from reports.rest.views import file_response

LISTED = 100
LONGEST_SEARCH = 200


@require_GET
@page(Action.REVIEW)
def queue(request: HttpRequest, actor: Actor) -> HttpResponse:
    """Worst first; `q` keeps the jobs whose line has all of its words."""
    wanted = request.GET.get("q", "")[:LONGEST_SEARCH]
    entries = review.queue(actor)
    words = wanted.casefold().split()
    kept = [one for one in entries if all(word in _line_of(one) for word in words)]
    context = {"queue": kept, "wanted": wanted, "waiting": len(entries)}
    return show(request, "reports/queue.html", context, nav="review")


def _line_of(entry: review.QueueEntry) -> str:
    """What a job of the queue is found by."""
    job = entry.job
    parts = (job.number, job.title, job.site.name, job.site.customer.name, job.get_status_display())
    return " ".join(map(str, parts)).casefold()


@require_GET
@page(Action.REVIEW)
def job(request: HttpRequest, actor: Actor, job_id: UUID) -> HttpResponse:
    return _review(request, actor, job_id)


@dataclass(frozen=True)
class Refused:
    """What was typed into a form that was refused, and why. `flag`: whose form; None: that of many."""

    error: DomainError
    reason: str = ""
    flag: UUID | None = None
    chosen: frozenset[UUID] = frozenset()
    changed: str = ""


def _review(request: HttpRequest, actor: Actor, job_id: UUID, refused: Refused | None = None) -> HttpResponse:
    """The page as it stands now; after a refusal with what had been typed, so that nothing is lost."""
    found = review.review_set(actor, job_id)
    rows = queries.visible_revisions(actor).filter(job=job_id, kind=DocumentKind.REPORT)
    revisions = list(rows.order_by("-revision"))
    look = looks.last_look(actor, found)
    since = looks.since(found, look) if look else None
    context = {
        "found": found,
        "job": found.job,
        "page": shown.review_page(
            found, material.collect(found), shown.figures_for(actor), since.marks if since else None
        ),
        "since": since,
        "shown_at": timezone.now().isoformat(),
        "refused": refused,
        "revisions": revisions,
        "next_revision": revisions[0].revision + 1 if revisions else 1,
        "may_be_approved": not (found.blocking or found.pending) and _awaits(found, revisions),
        "submitted": found.job.status == JobStatus.SUBMITTED,
        "acts": shown.acts(),
    }
    status = refused.error.status if refused else 200
    return show(request, "reports/review.html", context, nav="review", status=status)


def _awaits(found: reviewset.ReviewSet, revisions: list[Revision]) -> bool:
    """Whether there is something to approve: it was handed over, or changed since it was approved."""
    if found.job.status == JobStatus.SUBMITTED:
        return True
    changed = bool(revisions) and revisions[0].set_digest != found.digest
    return found.job.status in queries.CLOSED and changed


@require_POST
@page(Action.REVIEW)
def answer(request: HttpRequest, actor: Actor, flag_id: UUID) -> HttpResponse:
    flag = queries.visible_flags(actor).filter(id=flag_id).first()
    if flag is None:
        raise NotFound()
    kind, reason = _kind(request), request.POST.get("reason", "")
    try:
        review.answer_flag(actor, flag_id, kind=kind, reason=reason, seen=request.POST.get("seen") or None)
    except DomainError as error:
        return _review(request, actor, flag.job_id, Refused(error, reason, flag_id))
    name = flag.rule.replace("_", " ").capitalize()
    messages.success(request, gettext("%(rule)s: %(done)s.") % {"rule": name, "done": _done(kind)})
    response: HttpResponse = redirect("review-job", flag.job_id)
    following = request.POST.get("next", "")
    response["Location"] += f"#flag-{following}" if _is_id(following) else "#main"
    return response


def _kind(request: HttpRequest) -> AnswerKind:
    kind = request.POST.get("answer", "")
    if kind not in (AnswerKind.ACCEPT, AnswerKind.REMEASURE):
        kind = AnswerKind.CLEARED.value  # no answer of a person: the action refuses it in its own words
    return AnswerKind(kind)


def _done(kind: AnswerKind) -> str:
    return gettext("accepted") if kind == AnswerKind.ACCEPT else gettext("sent back for re-measurement")


def _is_id(text: str) -> bool:
    try:
        UUID(text)
    except ValueError:
        return False
    return True


@require_POST
@page(Action.REVIEW)
def answer_many(request: HttpRequest, actor: Actor, job_id: UUID) -> HttpResponse:
    """Answers the chosen flags of a rule with one reason. Each is posted as its id and state: "id:state"."""
    wanted = [_seen_flag(text) for text in request.POST.getlist("flag")[: review.MOST_AT_ONCE + 1]]
    kind, reason = _kind(request), request.POST.get("reason", "")
    try:
        if not wanted:
            raise Invalid(gettext("Choose at least one flag."), [Fault("/flags", gettext("none chosen"))])
        if queries.visible_flags(actor).filter(id=wanted[0].flag_id, job=job_id).first() is None:
            raise NotFound()
        made = review.answer_flags(actor, wanted, kind=kind, reason=reason)
    except NotFound:
        raise
    except DomainError as error:
        chosen = frozenset(one.flag_id for one in wanted)
        return _review(request, actor, job_id, Refused(error, reason, None, chosen))
    messages.success(
        request, gettext("%(count)s flags: %(done)s.") % {"count": len(made), "done": _done(kind)}
    )
    return redirect("review-job", job_id)


def _seen_flag(text: str) -> review.SeenFlag:
    flag_id, _, seen = text.partition(":")
    if not _is_id(flag_id):
        raise NotFound()
    return review.SeenFlag(UUID(flag_id), seen or None)


@require_POST
@page(Action.REVIEW)
def saw(request: HttpRequest, actor: Actor, job_id: UUID) -> HttpResponse:
    try:
        review.saw(actor, job_id, seen_digest=request.POST.get("seen") or None)
        messages.success(request, gettext("Remembered: what comes from now on is marked as new."))
    except DomainError as error:
        refuse(request, error)
    return redirect("review-job", job_id)


@require_POST
@page(Action.APPROVE)
def approve(request: HttpRequest, actor: Actor, job_id: UUID) -> HttpResponse:
    try:
        made = review.approve(actor, job_id, seen_digest=request.POST.get("seen") or None)
    except PreconditionFailed as error:
        found = review.review_set(actor, job_id)
        changed = looks.since_moment(found, request.POST.get("shown_at", ""))
        return _review(request, actor, job_id, Refused(error, changed=changed))
    except NotFound:
        raise
    except DomainError as error:
        return _review(request, actor, job_id, Refused(error))
    messages.success(
        request,
        gettext("Approved as revision %(revision)s. Issue it to give it its number.")
        % {"revision": made.revision},
    )
    return redirect("review-job", job_id)


@require_POST
@page(Action.ISSUE)
def issue(request: HttpRequest, actor: Actor, revision_id: UUID) -> HttpResponse:
    try:
        made = issuing.issue(actor, revision_id)
    except DomainError as error:
        refuse(request, error)
        return redirect("reports")
    messages.success(
        request, gettext("%(number)s is issued; its file is being made.") % {"number": made.number}
    )
    return redirect("report", made.id)


@require_GET
@page(Action.READ)
def session(request: HttpRequest, actor: Actor, session_id: UUID) -> HttpResponse:
    found = queries.visible_sessions(actor).filter(id=session_id).first()
    if found is None:
        raise NotFound()
    context = session_page.context(found, shown.figures_for(actor)) | {
        "may_review": may(actor, Action.REVIEW)
    }
    with timezone.override(found.job.site.time_zone):  # the template shows moments in the site's zone
        return show(request, "reports/session.html", context, nav="jobs")


@require_GET
@page(Action.READ)
def reports(request: HttpRequest, actor: Actor) -> HttpResponse:
    rows = list(queries.visible_issues(actor).order_by("-id")[:LISTED])
    states = issuing.states_of(rows)
    waiting = queries.unissued_revisions(actor) if may(actor, Action.ISSUE) else []
    notices = recalled.under_recall([made.id for made in rows])
    listed = [{"made": made, "state": states[made.id][0], "recall": made.id in notices} for made in rows]
    return show(request, "reports/reports.html", {"rows": listed, "waiting": waiting}, nav="reports")


@require_GET
@page(Action.READ)
def report(request: HttpRequest, actor: Actor, report_id: UUID) -> HttpResponse:
    made = _report(actor, report_id)
    state, reason = issuing.state_of(made)
    context = {
        "made": made,
        "file": next(iter(made.files.all()), None),
        "state": state,
        "reason": reason,
        "recall": recalled.under_recall([made.id]).get(made.id),
        "address": issuing.check_address(made),
        "path": issuing.check_path(made),
        "may_issue": may(actor, Action.ISSUE),
        "changes": issuing.changes_of(made),
        "sent": [
            (row, deliver.state_of(row)) for row in queries.visible_deliveries(actor).filter(issue=made)
        ],
        "fetches": [
            (row, deliver.fetched_by(row))
            for row in queries.visible_fetches(actor).filter(issue=made).order_by("-at")[:LISTED]
        ],
        "usual_days": deliver.USUAL_DAYS,
        "contact": made.revision.job.site.customer.contact_email,
    }
    return show(request, "reports/report.html", context, nav="reports")


@require_POST
@page(Action.ISSUE)
def render_again(request: HttpRequest, actor: Actor, report_id: UUID) -> HttpResponse:
    try:
        issuing.render_again(actor, report_id)
        messages.success(request, gettext("Its file is being made again."))
    except DomainError as error:
        refuse(request, error)
    return redirect("report", report_id)


@require_GET
@page(Action.READ)
def report_file(request: HttpRequest, actor: Actor, report_id: UUID) -> HttpResponse:
    made = _report(actor, report_id)
    file = next(iter(made.files.all()), None)
    if file is None:
        raise NotFound(gettext("The file is not there yet."))
    deliver.fetched(actor, made)
    return cast(HttpResponse, file_response(made, file))


def _report(actor: Actor, report_id: UUID) -> Issue:
    made = queries.visible_issues(actor).filter(id=report_id).first()
    if made is None:
        raise NotFound()
    return made
