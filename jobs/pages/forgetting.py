"""Forgetting a person, from their page."""

from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.utils.translation import gettext
from django.views.decorators.http import require_POST

from jobs import forgetting
from jobs.access import Action, Actor
from jobs.pages.base import page


@require_POST
@page(Action.MANAGE_PEOPLE)
def forget(request: HttpRequest, actor: Actor, member_id: UUID) -> HttpResponse:
    member = forgetting.forget(actor, member_id)
    messages.success(
        request, gettext("The person is forgotten and is called %(name)s now.") % {"name": member.name}
    )
    return redirect("company")
