"""Pages of certificates: enter one by hand, from its digital form or many from a table, read one, and take
its files."""

from collections.abc import Sequence
from datetime import date
from decimal import Decimal, InvalidOperation
from typing import Any, cast
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import NoReverseMatch, reverse
from django.utils.translation import gettext, gettext_noop, ngettext
from django.views.decorators.http import require_http_methods, require_safe

from jobs import certificate_table, instruments
from jobs.access import Action, Actor, may
from jobs.attachments import file_response, plain_name, read_attachment, sniff
from jobs.certificate_table import Column
from jobs.dcc.document import Digital, read_digital
from jobs.dcc.lines import Entry, entry_for, is_of, serials_of
from jobs.errors import DomainError, Fault, Invalid, NotFound
from jobs.models import Certificate, FileKind, Instrument, Quantity
from jobs.pages.base import faults_on, page, show
from jobs.pages.instrument_forms import (
    BLANK_LINES,
    LINE_NAMES,
    MOST_LINES,
    CertificateForm,
    DigitalForm,
    Lines,
    TableForm,
    lines_of,
    packed,
    quantities_of,
)
from jobs.pages.rows import code, quantity_words, shown_unit, typed_rows
from jobs.people import units_for
from jobs.queries import visible_certificate_files, visible_certificates, visible_instruments
from jobs.units import find_unit

get_or_post = require_http_methods(["GET", "HEAD", "POST"])
MOST_CARRIED = 6 * 1024 * 1024  # of a packed digital certificate; a form's fields together have a limit


def _instrument(actor: Actor, instrument_id: UUID) -> Instrument:
    found: Instrument | None = visible_instruments(actor).filter(id=instrument_id).first()
    if found is None:
        raise NotFound(gettext("There is no such instrument here."))
    return found


def _certificate(actor: Actor, certificate_id: UUID) -> Certificate:
    found: Certificate | None = visible_certificates(actor).filter(id=certificate_id).first()
    if found is None:
        raise NotFound(gettext("There is no such certificate here."))
    return found


# One by hand


@get_or_post
@page(Action.MANAGE_INSTRUMENTS)
def new_certificate(request: HttpRequest, actor: Actor, instrument_id: UUID) -> HttpResponse:
    tool = _instrument(actor, instrument_id)
    if request.method != "POST":
        return _show_form(request, tool, CertificateForm(), _lines(tool, _first_line(tool, actor)))
    return _entered(request, actor, tool, None)


@get_or_post
@page(Action.MANAGE_INSTRUMENTS)
def put_right(request: HttpRequest, actor: Actor, certificate_id: UUID) -> HttpResponse:
    """The same form, filled in with a wrong entry, which the new one supersedes."""
    wrong = _certificate(actor, certificate_id)
    tool = _instrument(actor, wrong.instrument_id)
    if request.method != "POST":
        rows = lines_of(list(wrong.points.all()), units_for(actor))
        return _show_form(request, tool, CertificateForm.of(wrong), _lines(tool, rows), wrong=wrong)
    return _entered(request, actor, tool, wrong)


def _entered(request: HttpRequest, actor: Actor, tool: Instrument, wrong: Certificate | None) -> HttpResponse:
    """What was sent: entered, or shown again with more lines, with those of a table, or with its faults."""
    if "more" in request.POST or "read" in request.POST:
        return _shown_again(request, tool, wrong)
    form = CertificateForm(request.POST, request.FILES)
    lines = Lines(request.POST, prefix="points", form_kwargs={"quantities": quantities_of(tool)})
    if form.is_valid() & lines.is_valid():
        try:
            made = _enter(actor, tool, form, lines, wrong)
        except DomainError as error:
            rest = lines.place(error, "points")
            if rest or not error.faults:
                faults_on(form, type(error)(error.detail, [_at_field(fault) for fault in rest]))
        else:
            messages.success(
                request,
                gettext("Certificate %(number)s of %(tool)s is entered.")
                % {"number": made.number, "tool": tool},
            )
            return redirect("certificate", made.id)
    return _show_form(request, tool, form, lines, wrong=wrong)


def _at_field(fault: Fault) -> Fault:
    return Fault("/scans", fault.detail) if fault.pointer == "/file" else fault


def _enter(
    actor: Actor, tool: Instrument, form: CertificateForm, lines: Any, wrong: Certificate | None
) -> Certificate:
    return instruments.enter_certificate(
        actor,
        instrument_id=tool.id,
        **{name: form.cleaned_data[name] for name in CertificateForm.HEAD},
        points=lines.points(),
        supersedes_id=wrong.id if wrong else None,
        files=form.attachments(),
    )


def _shown_again(request: HttpRequest, tool: Instrument, wrong: Certificate | None) -> HttpResponse:
    typed = typed_rows(request.POST, "points", LINE_NAMES, MOST_LINES)
    names = (*CertificateForm.HEAD, "carried", "carried_name")
    form = CertificateForm(initial={name: request.POST.get(name, "") for name in names})
    faults: Sequence[Fault] = ()
    if "read" in request.POST:
        try:
            typed = _table_rows(request)
        except DomainError as error:
            faults = error.faults or [Fault("file", error.detail)]
    extra = BLANK_LINES if "more" in request.POST else 0
    return _show_form(request, tool, form, _lines(tool, typed, extra), wrong=wrong, table_faults=faults)


def _table_rows(request: HttpRequest) -> list[dict[str, str]]:
    """The lines of the table that was chosen, as rows of the form. Raises TooLarge or Invalid."""
    chosen = request.FILES.get("table")
    if chosen is None:
        raise Invalid(
            gettext("No table was chosen."), [Fault("file", gettext("choose a CSV or XLSX file first"))]
        )
    found = certificate_table.read_lines(chosen.read())
    if len(found) > MOST_LINES:
        detail = gettext("has %(count)s lines; this form takes %(most)s: use 'Certificates from a table'")
        detail %= {"count": len(found), "most": MOST_LINES}
        raise Invalid(gettext("The table is too long for the form."), [Fault("file", detail)])
    names = {
        "reference": Column.REFERENCE, "as_found": Column.FOUND, "as_left": Column.LEFT,
        "expanded_uncertainty": Column.U, "coverage_factor": Column.K,
    }  # fmt: skip
    return [
        {
            "measure": code(line.point.quantity, line.unit),
            **{name: line.texts.get(column, "") for name, column in names.items()},
        }
        for line in found
    ]


def _first_line(tool: Instrument, actor: Actor) -> list[dict[str, str]]:
    """An empty line with the unit that is most likely."""
    quantities = quantities_of(tool)
    if not quantities:
        return []
    return [{"measure": code(quantities[0], shown_unit(quantities[0], units_for(actor)))}]


def _lines(tool: Instrument, rows: list[dict[str, str]], extra: int | None = None) -> Any:
    made = Lines(prefix="points", initial=rows, form_kwargs={"quantities": quantities_of(tool)})
    if extra is not None:
        made.extra = extra
    elif len(rows) > 1:
        made.extra = 2
    return made


def _show_form(
    request: HttpRequest,
    tool: Instrument,
    form: CertificateForm,
    lines: Any,
    *,
    wrong: Certificate | None = None,
    table_faults: Sequence[Fault] = (),
    notes: Sequence[str] = (),
) -> HttpResponse:
    refused = form.is_bound and (bool(form.errors) or not lines.is_valid())
    context = {
        "form": form,
        "rows": lines,
        "instrument": tool,
        "wrong": wrong,
        "table_faults": table_faults,
        "notes": notes,
        "carried": form["carried_name"].value(),
        "quantities": quantities_of(tool),
    }
    status = 422 if refused or table_faults else 200
    return show(request, "jobs/instruments/certificate_form.html", context, nav="instruments", status=status)


# From the digital form


@get_or_post
@page(Action.MANAGE_INSTRUMENTS)
def digital(request: HttpRequest, actor: Actor) -> HttpResponse:
    """Reads a digital certificate and shows what would be entered; stores nothing."""
    form = DigitalForm(request.POST or None, request.FILES or None)
    faults: Sequence[Fault] = ()
    if request.method == "POST" and form.is_valid():
        chosen = form.cleaned_data["file"]
        try:
            return _read_digital(
                request, actor, chosen.name, chosen.read(), unadjusted=form.cleaned_data["unadjusted"]
            )
        except DomainError as error:
            form.add_error("file", error.detail)
            faults = error.faults
    context = {"form": form, "faults": faults}
    status = 422 if form.errors else 200
    return show(request, "jobs/instruments/digital.html", context, nav="instruments", status=status)


def _read_digital(
    request: HttpRequest, actor: Actor, name: str, data: bytes, *, unadjusted: bool
) -> HttpResponse:
    """The form of a certificate, filled in. Raises Invalid."""
    if sniff(data) is not FileKind.XML:
        raise Invalid(
            gettext("This is no XML file. A scan is attached where its certificate is entered by hand.")
        )
    read_attachment(name, data)
    read = read_digital(data)
    tool = _match(actor, read)
    entry = entry_for(read, tool, by_person=True)
    entry = entry.unadjusted() if unadjusted else entry
    carried = packed(data)
    if len(carried) > MOST_CARRIED:
        raise Invalid(gettext("The file is too large to be shown before it is entered; send it by the API."))
    form = CertificateForm(
        initial={
            **{name: getattr(entry, name) for name in ("number", "laboratory", "accreditation")},
            "calibrated_on": entry.calibrated_on,
            "due_on": _likely_due(tool, entry.calibrated_on),
            "carried": carried,
            "carried_name": plain_name(name, FileKind.XML),
        }
    )
    notes = entry.notes or (gettext(READ_IN_FULL),)
    return _show_form(request, tool, form, _lines(tool, _entry_rows(entry)), notes=notes)


READ_IN_FULL = gettext_noop("The digital certificate was read in full.")


def _match(actor: Actor, read: Digital) -> Instrument:
    """The one instrument that bears the serial number of an item. Raises Invalid."""
    marks = serials_of(read)
    found = [
        tool for tool in visible_instruments(actor) if any(is_of(item, tool.serial) for item in read.items)
    ]
    if len(found) != 1:
        known = ", ".join(marks)[:200] or gettext("none")
        none = gettext("no instrument here has a serial number of these: %(known)s. Add the instrument first")
        several = gettext("several instruments fit: %(found)s. Enter it by hand")
        detail = several % {"found": ", ".join(map(str, found))[:200]} if found else none % {"known": known}
        raise Invalid(gettext("Which instrument it is of is not clear."), [Fault("items", detail)])
    return found[0]


def _entry_rows(entry: Entry) -> list[dict[str, str]]:
    names = ("reference", "as_found", "as_left", "expanded_uncertainty", "coverage_factor")
    return [
        {"measure": code(line.quantity, line.unit), **{name: getattr(line, name) for name in names}}
        for line in entry.lines
    ]


def _likely_due(tool: Instrument, calibrated_on: date) -> date | str:
    """The interval of its last certificate, counted on; for a person to look at. A digital one has none."""
    last = tool.certificates.filter(superseded_by=None).order_by("-calibrated_on").first()
    if last is None or last.calibrated_on >= calibrated_on:
        return ""
    day: date = calibrated_on + (last.due_on - last.calibrated_on)
    return day


# From a table


@get_or_post
@page(Action.MANAGE_INSTRUMENTS)
def table(request: HttpRequest, actor: Actor) -> HttpResponse:
    """Reads a table of certificates: says what it would enter, or enters it."""
    form = TableForm(request.POST or None, request.FILES or None)
    faults: Sequence[Fault] = ()
    found: certificate_table.Imported | None = None
    if request.method == "POST" and form.is_valid():
        data = form.cleaned_data["file"].read()
        try:
            if "preview" in request.POST:
                found = certificate_table.preview(actor, data)
            else:
                made = certificate_table.enter_certificates(actor, data)
                count = len(made.certificates)
                messages.success(
                    request,
                    ngettext("%(count)s certificate entered.", "%(count)s certificates entered.", count)
                    % {"count": count},
                )
                return redirect("instruments")
        except DomainError as error:
            form.add_error("file", error.detail)
            faults = error.faults
    context = {"form": form, "faults": faults, "found": found}
    status = 422 if form.errors else 200
    return show(request, "jobs/instruments/table.html", context, nav="instruments", status=status)


@require_safe
@page(Action.READ)
def template(request: HttpRequest, actor: Actor) -> HttpResponse:
    """The heads of a table to fill in, with an example."""
    lines_only = request.GET.get("lines") == "1"
    name = "certificate-lines.csv" if lines_only else "certificates.csv"
    response = HttpResponse(certificate_table.template(lines_only=lines_only), content_type="text/csv")
    response["Content-Disposition"] = f'attachment; filename="{name}"'
    return response


# Reading one


@require_safe
@page(Action.READ)
def certificate(request: HttpRequest, actor: Actor, certificate_id: UUID) -> HttpResponse:
    found = _certificate(actor, certificate_id)
    context = {
        "certificate": found,
        "instrument": found.instrument,
        "instrument_url": _instrument_url(found.instrument_id),
        "points": _shown_lines(found, units_for(actor)),
        "superseded_by": next(iter(found.superseded_by.all()), None),
        "may_manage": may(actor, Action.MANAGE_INSTRUMENTS),
    }
    return show(request, "jobs/instruments/certificate.html", context, nav="instruments")


def _shown_lines(found: Certificate, system: str) -> list[dict[str, str]]:
    """Its points in the units of the certificate, with the error as left."""
    rows = []
    for row in lines_of(list(found.points.all()), system):
        quantity, _, name = row["measure"].partition("|")
        unit = find_unit(name, Quantity(quantity))
        told = {"quantity": quantity_words(quantity), "unit": unit.symbol, "error": _error(row)}
        rows.append({**row, **told})
    return rows


def _error(row: dict[str, str]) -> str:
    """As left less reference, with the digits of both; empty where they were typed in another manner."""
    try:
        error = Decimal(row["as_left"]) - Decimal(row["reference"])
    except InvalidOperation:
        return ""
    return f"{error:+f}".replace("-", "−")


def _instrument_url(instrument_id: UUID) -> str:
    """The page of one instrument; empty without the app that serves it."""
    try:
        return reverse("instrument", args=[instrument_id])
    except NoReverseMatch:
        return ""


@require_safe
@page(Action.READ)
def certificate_file(request: HttpRequest, actor: Actor, certificate_id: UUID, file_id: UUID) -> HttpResponse:
    row = visible_certificate_files(actor).filter(certificate_id=certificate_id, id=file_id).first()
    if row is None:
        raise NotFound(gettext("There is no such file here."))
    return cast(HttpResponse, file_response(row))
