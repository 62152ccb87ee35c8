"""The company's own signing certificate: what is in force, entering another, taking it back."""

from django import forms
from django.conf import settings
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.utils import timezone
from django.utils.translation import gettext, gettext_lazy
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods, require_POST

from jobs.access import Action, Actor
from jobs.errors import DomainError
from jobs.pages.base import faults_on, page, show
from jobs.pages.forms import Form
from reports import signers
from reports.sign import MOST_PKCS12


class CertificateForm(Form):
    """A PKCS#12 file and what opens it."""

    file = forms.FileField(label=gettext_lazy("Certificate with its key (.p12 or .pfx)"))
    password = forms.CharField(
        label=gettext_lazy("Its password"), required=False, strip=False, max_length=200,
        widget=forms.PasswordInput(attrs={"autocomplete": "off"}),
    )  # fmt: skip


@sensitive_post_parameters("password")
@require_http_methods(["GET", "HEAD", "POST"])
@page(Action.MANAGE_COMPANY)
def signing(request: HttpRequest, actor: Actor) -> HttpResponse:
    form = CertificateForm(request.POST or None, request.FILES or None)
    if request.method == "POST" and form.is_valid():
        try:
            file = form.cleaned_data["file"].read(MOST_PKCS12 + 1)
            made = signers.enter(actor, file=file, password=form.cleaned_data["password"])
            messages.success(
                request, gettext("From now on reports are signed by %(subject)s.") % {"subject": made.subject}
            )
            return redirect("company-signing")
        except DomainError as error:
            faults_on(form, error)
    row = signers.newest()
    left = signers.days_left(row, timezone.now()) if row else 0
    context = {
        "all_parts": True,
        "part": "signing",
        "form": form,
        "row": row,
        "left": left,
        "soon": left <= max(signers.WARN_DAYS),
        "history": signers.history(actor),
        "can_keep": bool(settings.SIGNING_KEYS),
        "installed": bool(settings.SIGNING_CERTIFICATE),
        "stamped": bool(settings.TSA_URL),
    }
    status = 422 if form.is_bound and form.errors else 200
    return show(request, "reports/signing.html", context, nav="company", status=status)


@require_POST
@page(Action.MANAGE_COMPANY)
def withdraw(request: HttpRequest, actor: Actor) -> HttpResponse:
    signers.withdraw(actor)
    messages.success(request, gettext("The certificate is withdrawn; nothing is signed with it any more."))
    return redirect("company-signing")
