"""What people set for themselves: the units on their screen."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.utils.translation import gettext
from django.views.decorators.http import require_http_methods

from jobs import people
from jobs.access import Action, Actor
from jobs.errors import DomainError, Forbidden
from jobs.models import Company, Member, UnitSystem
from jobs.pages.base import faults_on, page, show
from jobs.pages.forms import OwnSettings


@require_http_methods(["GET", "HEAD", "POST"])
@page(Action.READ)
def me(request: HttpRequest, actor: Actor) -> HttpResponse:
    """A person's own settings; nobody else can change them here."""
    member: Member | None = Member.objects.filter(id=actor.member_id).first()
    if member is None:
        raise Forbidden(gettext("These are a person's own settings: sign in first."))
    form = OwnSettings(request.POST) if request.method == "POST" else OwnSettings.of(member)
    if request.method == "POST" and form.is_valid():
        try:
            people.change_own(
                actor, form.cleaned_data["version"], unit_system=form.cleaned_data["unit_system"]
            )
        except DomainError as error:
            faults_on(form, error)
        else:
            messages.success(request, gettext("Your settings are changed."))
            return redirect("me")
    usual = UnitSystem(Company.objects.values_list("unit_system", flat=True).get())
    context = {"member": member, "form": form, "usual": usual.label}
    status = 422 if form.is_bound and form.errors else 200
    return show(request, "jobs/me.html", context, nav="me", status=status)
