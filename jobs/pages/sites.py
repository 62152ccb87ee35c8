"""Customers and their sites: the list, short forms, and a site with its systems and test points."""

from collections.abc import Mapping
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.db.models import Count, Prefetch, Q, QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_safe

from jobs import register
from jobs.access import Action, Actor, may
from jobs.errors import DomainError, Fault, NotFound
from jobs.models import Company, Customer, Site, System, TestPoint, UnitSystem
from jobs.pages.base import faults_on, page, show
from jobs.pages.forms import Form
from jobs.pages.site_forms import ELEVATION_UNITS, CustomerForm, SiteForm
from jobs.people import units_for
from jobs.queries import visible_customers, visible_points, visible_sites, visible_systems

ON_A_PAGE = 50
POINTS_AT_ONCE = 300
"""With more points than this a site shows one system at a time."""
get_or_post = require_http_methods(["GET", "HEAD", "POST"])


def the_customer(actor: Actor, customer_id: UUID) -> Customer:
    found: Customer | None = visible_customers(actor).filter(id=customer_id).first()
    if found is None:
        raise NotFound(_("There is no such customer here."))
    return found


def the_site(actor: Actor, site_id: UUID) -> Site:
    found: Site | None = visible_sites(actor).filter(id=site_id).first()
    if found is None:
        raise NotFound(_("There is no such site here."))
    return found


# Customers


@require_safe
@page(Action.READ)
def customer_list(request: HttpRequest, actor: Actor) -> HttpResponse:
    """Customers by name, each with its sites."""
    words = typed_words(request, "q")
    after = typed_words(request, "after")
    rows = _with_sites(_fitting(visible_customers(actor), words), actor)
    if after:
        rows = rows.filter(name__gt=after)
    found = list(rows.order_by("name")[: ON_A_PAGE + 1])
    context = {
        "customers": found[:ON_A_PAGE],
        "more": found[ON_A_PAGE - 1].name if len(found) > ON_A_PAGE else "",
        "q": words,
        "may_plan": may(actor, Action.PLAN),
    }
    return show(request, "jobs/sites/customers.html", context, nav="customers")


def typed_words(request: HttpRequest, name: str) -> str:
    """A text of the address, without what no text in the database can hold."""
    return request.GET.get(name, "").replace("\0", "").strip()[:160]


def _fitting(rows: QuerySet[Customer], words: str) -> QuerySet[Customer]:
    """Customers in whose name, or in a name of whose sites, every word occurs."""
    for word in words.split()[:8]:
        with_site = Site.objects.filter(Q(name__icontains=word) | Q(address__icontains=word))
        rows = rows.filter(Q(name__icontains=word) | Q(id__in=with_site.values("customer_id")))
    return rows


def _with_sites(rows: QuerySet[Customer], actor: Actor) -> QuerySet[Customer]:
    sites = visible_sites(actor).select_related(None).annotate(count=Count("systems")).order_by("name")
    return rows.prefetch_related(Prefetch("sites", sites))


@require_safe
@page(Action.READ)
def customer(request: HttpRequest, actor: Actor, customer_id: UUID) -> HttpResponse:
    found = _with_sites(visible_customers(actor).filter(id=customer_id), actor).first()
    if found is None:
        raise NotFound(_("There is no such customer here."))
    context = {"customer": found, "may_plan": may(actor, Action.PLAN)}
    return show(request, "jobs/sites/customer.html", context, nav="customers")


@get_or_post
@page(Action.PLAN)
def new_customer(request: HttpRequest, actor: Actor) -> HttpResponse:
    form = CustomerForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            made = register.add_customer(actor, **form.fields_of())
        except DomainError as error:
            faults_on(form, error)
        else:
            messages.success(request, _("%(name)s is added. Enter its site next.") % {"name": made.name})
            return redirect("site-new", made.id)
    return _form_page(request, form, {})


@get_or_post
@page(Action.PLAN)
def change_customer(request: HttpRequest, actor: Actor, customer_id: UUID) -> HttpResponse:
    row = the_customer(actor, customer_id)
    form = CustomerForm(request.POST) if request.method == "POST" else CustomerForm.of(row)
    if request.method == "POST" and form.is_valid():
        seen = form.cleaned_data["version"] or 0
        try:
            register.change_customer(actor, row.id, seen=seen, changes=form.fields_of())
        except DomainError as error:
            faults_on(form, error)
        else:
            messages.success(request, _("%(name)s is changed.") % {"name": form.cleaned_data["name"]})
            return redirect("customer", row.id)
    return _form_page(request, form, {"customer": row})


# Sites


@get_or_post
@page(Action.PLAN)
def new_site(request: HttpRequest, actor: Actor, customer_id: UUID) -> HttpResponse:
    owner = the_customer(actor, customer_id)
    if request.method != "POST":
        zone = Company.objects.values_list("time_zone", flat=True).get()
        unit = ELEVATION_UNITS[UnitSystem(units_for(actor))]
        return _form_page(
            request, SiteForm(initial={"time_zone": zone, "elevation_unit": unit}), {"customer": owner}
        )
    form = SiteForm(request.POST)
    if form.is_valid():
        try:
            made = register.add_site(actor, customer_id=owner.id, **form.fields_of())
        except DomainError as error:
            faults_on(form, _at_fields(error))
        else:
            messages.success(
                request, _("%(name)s is added. Import its design schedule next.") % {"name": made.name}
            )
            return redirect("site", made.id)
    return _form_page(request, form, {"customer": owner})


@get_or_post
@page(Action.PLAN)
def change_site(request: HttpRequest, actor: Actor, site_id: UUID) -> HttpResponse:
    row = the_site(actor, site_id)
    form = SiteForm(request.POST) if request.method == "POST" else SiteForm.of(row, units_for(actor))
    if request.method == "POST" and form.is_valid():
        seen = form.cleaned_data["version"] or 0
        try:
            register.change_site(actor, row.id, seen=seen, changes=form.fields_of(row))
        except DomainError as error:
            faults_on(form, _at_fields(error))
        else:
            messages.success(request, _("%(name)s is changed.") % {"name": form.cleaned_data["name"]})
            return redirect("site", row.id)
    return _form_page(request, form, {"customer": row.customer, "site": row})


def _at_fields(error: DomainError) -> DomainError:
    """What the action names in SI, at the field that was typed."""
    faults = [
        Fault(SiteForm.PLACES.get(fault.pointer.strip("/"), fault.pointer), fault.detail)
        for fault in error.faults
    ]
    return type(error)(error.detail, faults)


def _form_page(request: HttpRequest, form: Form, context: Mapping[str, Any]) -> HttpResponse:
    kind = "site" if isinstance(form, SiteForm) else "customer"
    status = 422 if form.is_bound and form.errors else 200
    return show(
        request,
        f"jobs/sites/{kind}_form.html",
        {"form": form, **context},
        nav="customers",
        status=status,
    )


@require_safe
@page(Action.READ)
def site(request: HttpRequest, actor: Actor, site_id: UUID) -> HttpResponse:
    """A site's facts, its systems and, of all or of a chosen one, the points."""
    found = the_site(actor, site_id)
    systems: list[Any] = list(
        visible_systems(actor)
        .select_related(None)
        .filter(site=found)
        .annotate(count=Count("points"))
        .order_by("tag")
    )
    total = sum(one.count for one in systems)
    asked = typed_words(request, "system")
    chosen = (
        [one for one in systems if one.tag == asked] or systems[:1] if total > POINTS_AT_ONCE else systems
    )
    context = {
        "site": found,
        "systems": systems,
        "total": total,
        "one_of_many": total > POINTS_AT_ONCE,
        "shown": _with_points(actor, chosen),
        "may_plan": may(actor, Action.PLAN),
    }
    return show(request, "jobs/sites/site.html", context, nav="customers")


def _with_points(actor: Actor, systems: list[System]) -> list[tuple[System, list[TestPoint]]]:
    """The points of these systems in the schedule's order, by one statement."""
    points: dict[UUID, list[TestPoint]] = {one.id: [] for one in systems}
    rows = visible_points(actor).select_related(None).select_related("parent")
    for point in rows.filter(system__in=systems).order_by("position", "tag"):
        points[point.system_id].append(point)
    return [(one, points[one.id]) for one in systems]
