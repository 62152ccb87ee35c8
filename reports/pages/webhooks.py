"""Webhooks of the company: addresses, how each does, its tries, and what an owner does about it."""

from collections.abc import Callable
from datetime import UTC, datetime, time
from typing import Any
from uuid import UUID

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.utils import timezone
from django.utils.translation import gettext, gettext_lazy
from django.views.decorators.http import require_http_methods, require_POST

from jobs import events, quotas
from jobs.access import Action, Actor
from jobs.errors import DomainError, NotFound
from jobs.pages import once
from jobs.pages.base import faults_on, page, refuse, show
from jobs.pages.forms import Form, Seen
from reports import sealed, webhooks
from reports.models import MessageState, OffReason, Webhook
from reports.outgoing.addresses import LONGEST
from reports.outgoing.kinds import VERBS
from reports.queries import visible_attempts, visible_webhooks

COOKIE = "new-webhook"
SHOWN = 50
get_or_post = require_http_methods(["GET", "HEAD", "POST"])


class WebhookForm(Form):
    """An address and what is sent there."""

    url = forms.CharField(
        label=gettext_lazy("Address"),
        max_length=LONGEST,
        help_text=gettext_lazy("https:// and a host that everybody can reach. Its path may be a secret."),
        widget=forms.TextInput(attrs={"inputmode": "url", "autocomplete": "off", "spellcheck": "false"}),
        error_messages={"required": gettext_lazy("Enter the address of the other system.")},
    )
    description = forms.CharField(
        label=gettext_lazy("What is it for"), required=False, max_length=200,
        help_text=gettext_lazy("Such as: portal of the building owner."),
    )  # fmt: skip
    verbs = forms.MultipleChoiceField(
        label=gettext_lazy("Kinds of event"),
        required=False,
        choices=[(verb, verb) for verb in VERBS],
        widget=forms.CheckboxSelectMultiple,
    )


class ChangeForm(WebhookForm, Seen):
    active = forms.BooleanField(
        label=gettext_lazy("Send events"),
        required=False,
        help_text=gettext_lazy("Switched on again, it goes on where it stopped."),
    )

    @classmethod
    def of(cls, row: Webhook) -> "ChangeForm":
        names = ("version", "url", "description", "verbs", "active")
        return cls(initial={name: getattr(row, name) for name in names})


class ReplayForm(Form):
    """From which event or day on."""

    after = forms.IntegerField(
        label=gettext_lazy("After event number"), required=False, min_value=0, max_value=10**18
    )
    since = forms.DateField(
        label=gettext_lazy("Or since the day (UTC)"), required=False,
        widget=forms.DateInput(attrs={"type": "date"}),
    )  # fmt: skip

    @property
    def moment(self) -> datetime | None:
        day = self.cleaned_data["since"]
        return datetime.combine(day, time(), UTC) if day else None


def _done(form: forms.Form, act: Callable[[], Any]) -> bool:
    if not form.is_valid():
        return False
    try:
        act()
    except DomainError as error:
        faults_on(form, error)
        return False
    return True


def _show(request: HttpRequest, template: str, form: forms.Form, context: dict[str, Any]) -> HttpResponse:
    whole = {"all_parts": True, "part": "webhooks", "form": form, "now": timezone.now(), **context}
    return show(request, template, whole, nav="company", status=422 if form.errors else 200)


@get_or_post
@page(Action.MANAGE_WEBHOOKS)
def webhook_list(request: HttpRequest, actor: Actor) -> HttpResponse:
    """The webhooks, and the form for a new one, whose secret is shown after the redirect and never again."""
    form = WebhookForm(request.POST or None)
    made: list[str] = []
    if request.method == "POST" and _done(
        form, lambda: made.append(webhooks.make(actor, **form.cleaned_data)[1])
    ):
        return _shown_once(made[0])
    context = {
        "webhooks": visible_webhooks(actor).order_by("id"),
        "shown": once.handed_over(request, COOKIE),
        "can_keep": sealed.can_seal(),
        "most": quotas.allowed(quotas.Kind.WEBHOOKS),
        "head": events.chain_head()[0],
    }
    response = _show(request, "reports/webhooks.html", form, context)
    once.forget(response, COOKIE, "company-webhooks")
    return response


def _shown_once(secret: str) -> HttpResponse:
    response: HttpResponse = redirect("company-webhooks")
    once.hand_over(response, COOKIE, secret, "company-webhooks")
    return response


@get_or_post
@page(Action.MANAGE_WEBHOOKS)
def webhook(request: HttpRequest, actor: Actor, webhook_id: UUID) -> HttpResponse:
    """How one does, its last tries, and the form to change it."""
    row = visible_webhooks(actor).filter(id=webhook_id).first()
    if row is None:
        raise NotFound
    form = ChangeForm(request.POST) if request.method == "POST" else ChangeForm.of(row)
    if request.method == "POST" and _done(form, lambda: _change(actor, row, form)):
        messages.success(request, gettext("The webhook is changed."))
        return redirect("company-webhook", webhook_id)
    waiting = row.messages.filter(state=MessageState.WAITING).count()
    context = {
        "row": row,
        "off_words": gettext(OffReason(row.off_reason).label) if row.off_reason else "",
        "waiting": waiting,
        "behind": max(events.chain_head()[0] - row.cursor, 0),
        "tries": visible_attempts(actor, row.id).order_by("-id")[:SHOWN],
        "replay": ReplayForm(),
        "overlap": webhooks.USUAL_OVERLAP_HOURS,
    }
    return _show(request, "reports/webhook.html", form, context)


def _change(actor: Actor, row: Webhook, form: forms.Form) -> None:
    values = dict(form.cleaned_data)
    webhooks.change(actor, row.id, values.pop("version"), values)


@require_POST
@page(Action.MANAGE_WEBHOOKS)
def sample(request: HttpRequest, actor: Actor, webhook_id: UUID) -> HttpResponse:
    try:
        webhooks.sample(actor, webhook_id)
        messages.success(request, gettext("The sample is on its way; reload to see what comes of it."))
    except NotFound:
        raise
    except DomainError as error:
        refuse(request, error)
    return redirect("company-webhook", webhook_id)


@require_POST
@page(Action.MANAGE_WEBHOOKS)
def replay(request: HttpRequest, actor: Actor, webhook_id: UUID) -> HttpResponse:
    form = ReplayForm(request.POST)
    if not form.is_valid():
        messages.error(request, gettext("Give the number of an event or a day, such as 2027-03-31."))
        return redirect("company-webhook", webhook_id)
    try:
        start = webhooks.replay(actor, webhook_id, after=form.cleaned_data["after"], since=form.moment)
        messages.success(request, gettext("Events after number %(n)d are sent again.") % {"n": start})
    except NotFound:
        raise
    except DomainError as error:
        refuse(request, error)
    return redirect("company-webhook", webhook_id)


@require_POST
@page(Action.MANAGE_WEBHOOKS)
def rotate(request: HttpRequest, actor: Actor, webhook_id: UUID) -> HttpResponse:
    return _shown_once(webhooks.rotate(actor, webhook_id)[1])


@require_POST
@page(Action.MANAGE_WEBHOOKS)
def remove(request: HttpRequest, actor: Actor, webhook_id: UUID) -> HttpResponse:
    webhooks.remove(actor, webhook_id)
    messages.success(request, gettext("The webhook is removed; nothing is sent there any more."))
    return redirect("company-webhooks")
