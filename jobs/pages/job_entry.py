"""Short forms for jobs: plan one on a site's systems, change it, cancel it."""

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods

from jobs import dispatch
from jobs.access import Action, Actor
from jobs.board import now_at, the_job
from jobs.bookings import spell_words
from jobs.errors import DomainError
from jobs.models import Company, Job, JobStatus, Site
from jobs.pages.base import faults_on, page, show
from jobs.pages.plan_forms import CancelForm, JobForm
from jobs.queries import visible_sites, visible_systems

get_or_post = require_http_methods(["GET", "HEAD", "POST"])


@get_or_post
@page(Action.PLAN)
def new_job(request: HttpRequest, actor: Actor) -> HttpResponse:
    """First the site, then the job: systems belong to a site."""
    site = _site(actor, request.GET.get("site", ""))
    if site is None:
        sites = visible_sites(actor).order_by("customer__name", "name", "id")
        return show(request, "jobs/plan/choose_site.html", {"sites": sites}, nav="jobs")
    today = now_at(Company.objects.get()).date()
    form = JobForm(request.POST) if request.method == "POST" else JobForm.empty(today)
    form.offer(visible_systems(actor).filter(site=site).order_by("tag"))
    made: list[Job] = []
    if request.method == "POST" and _done(form, lambda: made.append(_plan(actor, site, form))):
        messages.success(request, _("Job %(number)s is planned. Give it people next.") % vars(made[0]))
        return redirect(f"{reverse('plan-place')}?job={made[0].id}&by=people")
    return _form_page(request, form, {"site": site})


def _site(actor: Actor, text: str) -> Site | None:
    try:
        return visible_sites(actor).filter(id=UUID(text)).first()
    except ValueError:
        return None


def _plan(actor: Actor, site: Site, form: JobForm) -> Job:
    return dispatch.plan_job(actor, site_id=site.id, system_ids=form.system_ids(), **form.fields_of())


@get_or_post
@page(Action.PLAN)
def change_job(request: HttpRequest, actor: Actor, job_id: UUID) -> HttpResponse:
    job = the_job(actor, job_id)
    form = JobForm(request.POST) if request.method == "POST" else JobForm.of(job)
    form.offer(visible_systems(actor).filter(site=job.site_id).order_by("tag"))

    def act() -> None:
        seen = form.cleaned_data["version"] or 0
        dispatch.change_job(actor, job.id, seen=seen, changes=form.fields_of(), system_ids=form.system_ids())

    if request.method == "POST" and _done(form, act):
        messages.success(request, _("Job %(number)s is changed.") % {"number": job.number})
        return redirect("job-change", job.id)
    return _form_page(request, form, {"site": job.site, "job": job, "places": _places(job)})


def _places(job: Job) -> list[tuple[str, str, str, str]]:
    """Who and what is on the job: kind, id, name, days."""
    people = [("people", str(one.member_id), one.member.name, spell_words(one)) for one in job.people.all()]
    tools = [
        ("instruments", str(one.instrument_id), str(one.instrument), spell_words(one))
        for one in job.instruments.all()
    ]
    return people + tools


@get_or_post
@page(Action.PLAN)
def cancel_job(request: HttpRequest, actor: Actor, job_id: UUID) -> HttpResponse:
    job = the_job(actor, job_id)
    form = CancelForm(request.POST or None, initial={"version": job.version})

    def act() -> None:
        values = form.cleaned_data
        dispatch.cancel_job(actor, job.id, seen=values["version"], reason=values["reason"])

    if request.method == "POST" and _done(form, act):
        messages.success(
            request, _("Job %(number)s is cancelled; its people are free.") % {"number": job.number}
        )
        return redirect("job", job.id)
    context = {"form": form, "job": job, "open": job.status == JobStatus.OPEN}
    return show(request, "jobs/plan/cancel.html", context, nav="jobs", status=422 if form.errors else 200)


def _done(form: Any, act: Any) -> bool:
    """Acts when the form is good; what the action refuses is put at the fields and undone."""
    if not form.is_valid():
        return False
    try:
        with transaction.atomic():
            act()
    except DomainError as error:
        faults_on(form, error)
        return False
    return True


def _form_page(request: HttpRequest, form: JobForm, context: dict[str, Any]) -> HttpResponse:
    context = {"form": form, **context}
    return show(request, "jobs/plan/job_form.html", context, nav="jobs", status=422 if form.errors else 200)
