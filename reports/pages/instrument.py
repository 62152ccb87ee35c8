"""One instrument: what it is, what its certificates say over the years, checks in the house, its use."""

from collections.abc import Sequence
from datetime import UTC, date, datetime
from typing import Any
from uuid import UUID

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils import timezone
from django.utils.safestring import SafeString
from django.utils.translation import gettext, gettext_lazy, gettext_noop, ngettext
from django.views.decorators.http import require_POST, require_safe

from jobs.access import Action, Actor, may
from jobs.errors import DomainError, NotFound
from jobs.instruments import (
    WITHOUT_CERTIFICATE,
    CertificateState,
    InForce,
    Use,
    certificates_in_force,
)
from jobs.models import Certificate, Instrument, InstrumentRange, Quantity
from jobs.pages.base import faults_on, page, show
from jobs.pages.forms import Form, in_words
from jobs.pages.rows import FigureField, MeasureField, quantity_words
from jobs.people import units_for
from jobs.queries import visible_certificates, visible_instruments
from jobs.units import Unit
from measurements import words
from measurements.calc.calibration import SLACK
from measurements.calc.interval import Found, Reason
from measurements.calc.units import difference_from_si, from_si
from measurements.interval_checks import Shown, record_check, visible_checks
from measurements.intervals import LEAST_FOR_CHART, Advised, advised, sessions_with
from measurements.models import CheckKind, CheckOutcome, IntervalCheck
from measurements.queries import visible_recalls
from reports.pages.recall import state_words
from reports.pages.shown import picture
from reports.render import charts

STATES = {
    CertificateState.IN_FORCE: ("done", gettext_noop("In force")),
    CertificateState.OVERDUE: ("stop", gettext_noop("Overdue")),
    CertificateState.NOT_YET: ("stop", gettext_noop("Not yet calibrated")),
    CertificateState.NONE: ("stop", gettext_noop("No certificate")),
}
REASONS = {
    Reason.LONGER: gettext_noop(
        "every error as found lay well within what the maker allows, so the interval may grow"
    ),
    Reason.SAME: gettext_noop(
        "an error as found lay within what the maker allows, but near it, so the interval stays"
    ),
    Reason.SHORTER: gettext_noop(
        "an error as found lay outside what the maker allows, so the interval shrinks"
    ),
    Reason.DRIFT: gettext_noop(
        "by its drift, error and uncertainty together reach what the maker allows then"
    ),
    Reason.NO_DRIFT: gettext_noop("no drift leads to what the maker allows within the longest interval"),
    Reason.REACHED: gettext_noop("error and uncertainty together reach what the maker allows already"),
}
OF_READING, OF_SPAN = gettext_noop("%(share)s %% of reading"), gettext_noop("%(share)s %% of span")
MOST_CHECKS = 100


class CheckForm(Form):
    """A check as it was read."""

    kind = forms.ChoiceField(
        label=gettext_lazy("Kind"), choices=in_words(CheckKind.choices), widget=forms.RadioSelect
    )
    measure = MeasureField()
    at = forms.DateTimeField(
        label=gettext_lazy("Read at (UTC)"),
        input_formats=["%Y-%m-%dT%H:%M", "%Y-%m-%d %H:%M"],
        widget=forms.DateTimeInput(attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M"),
        error_messages={
            "invalid": gettext_lazy("Enter a day and a time."),
            "required": gettext_lazy("Enter when it was read."),
        },
    )
    readings = forms.CharField(
        label=gettext_lazy("Readings of this instrument"),
        max_length=2000,
        widget=forms.Textarea(attrs={"rows": 3, "inputmode": "decimal"}),
        help_text=gettext_lazy("As shown, one a line or with blanks between."),
        error_messages={"required": gettext_lazy("Enter at least one reading.")},
    )
    other = forms.ChoiceField(label=gettext_lazy("Other instrument, in a comparison"), required=False)
    other_readings = forms.CharField(
        label=gettext_lazy("Its readings"),
        required=False,
        max_length=2000,
        widget=forms.Textarea(attrs={"rows": 3, "inputmode": "decimal"}),
    )
    common = FigureField(
        gettext_lazy("Common part of both uncertainties"),
        help_text=gettext_lazy(
            "Expanded (k = 2); what both have from one cause, such as one standard. Left out of En."
        ),
    )
    note = forms.CharField(
        label=gettext_lazy("Note"), required=False, max_length=2000, widget=forms.Textarea(attrs={"rows": 2})
    )

    def __init__(self, *args: Any, tool: Instrument, others: Sequence[Instrument], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        shown = list(dict.fromkeys(Quantity(one.quantity) for one in tool.ranges.all())) or list(Quantity)
        measure: Any = self.fields["measure"]
        measure.offer(shown)
        measure.choices = [("", gettext("choose one")), *measure.choices[1:]]
        self.fields["other"].choices = [("", gettext("none")), *((str(one.id), str(one)) for one in others)]  # type: ignore[attr-defined]

    def clean_measure(self) -> tuple[Quantity, Unit]:
        found: tuple[Quantity, Unit] | None = self.cleaned_data["measure"]
        if found is None:
            raise forms.ValidationError(gettext("Choose the quantity and its unit."))
        return found

    def clean_at(self) -> datetime:
        found: datetime = self.cleaned_data["at"]
        return found.replace(tzinfo=UTC) if found.tzinfo is None else found

    def fields_of(self) -> dict[str, Any]:
        """The action's words for what was typed."""
        quantity, unit = self.cleaned_data["measure"]
        common, other = self.cleaned_data["common"], self.cleaned_data["other"]
        return {
            "kind": self.cleaned_data["kind"],
            "quantity": quantity,
            "at": self.cleaned_data["at"],
            "readings": _typed(self.cleaned_data["readings"], unit),
            "other_id": UUID(other) if other else None,
            "other_readings": _typed(self.cleaned_data["other_readings"], unit),
            "common": Shown(common.text, unit.name) if common else None,
            "note": self.cleaned_data["note"],
        }


def _typed(text: str, unit: Unit) -> list[Shown]:
    return [Shown(one.replace("−", "-"), unit.name) for one in text.replace(";", " ").split()]


@require_safe
@page(Action.READ)
def instrument(request: HttpRequest, actor: Actor, instrument_id: UUID) -> HttpResponse:
    tool = _tool(actor, instrument_id)
    return _shown(request, actor, tool, _form(actor, tool))


@require_POST
@page(Action.MEASURE)
def check(request: HttpRequest, actor: Actor, instrument_id: UUID) -> HttpResponse:
    tool = _tool(actor, instrument_id)
    form = _form(actor, tool, request)
    if form.is_valid():
        try:
            made = record_check(actor, instrument_id=tool.id, **form.fields_of())
        except DomainError as error:
            faults_on(form, error)
        else:
            messages.success(
                request,
                gettext("The check is entered: %(value)s.") % {"value": _outcome(made)["word"].lower()},
            )
            return redirect(reverse("instrument", args=[tool.id]) + "#checks")
    return _shown(request, actor, tool, form, status=422)


def _tool(actor: Actor, instrument_id: UUID) -> Instrument:
    found: Instrument | None = visible_instruments(actor).filter(id=instrument_id).first()
    if found is None:
        raise NotFound(gettext("There is no such instrument here."))
    return found


def _form(actor: Actor, tool: Instrument, request: HttpRequest | None = None) -> CheckForm:
    others = list(
        visible_instruments(actor).filter(in_service=True).exclude(id=tool.id).order_by("name", "serial")
    )
    initial = {"kind": CheckKind.ZERO, "at": timezone.now().strftime("%Y-%m-%dT%H:%M")}
    return CheckForm(request.POST if request else None, tool=tool, others=others, initial=initial)


def _shown(
    request: HttpRequest, actor: Actor, tool: Instrument, form: CheckForm, status: int = 200
) -> HttpResponse:
    units = units_for(actor)
    today = timezone.localdate()
    rows = visible_certificates(actor).filter(instrument=tool)
    certificates = list(rows.order_by("-calibrated_on", "-id"))
    counted = [one for one in certificates if not one.superseded_by.all()]
    held = _held(tool, today)
    checks = list(visible_checks(actor).filter(instrument=tool)[:MOST_CHECKS])
    context = {
        "tool": tool,
        "ranges": [_range(one, units) for one in sorted(tool.ranges.all(), key=_by_quantity)],
        "held": [_state(quantity, found, today) for quantity, found in held.items()],
        "findings": [_finding(one, units) for one in advised(tool, counted)],
        "certificates": [_certificate(one, held) for one in certificates],
        "checks": [_check(one, units) for one in checks],
        "used": sessions_with(tool.id),
        "recalls": [
            {"case": case, **state_words(case)}
            for case in visible_recalls(actor).filter(instrument=tool).order_by("-id")
        ],
        "form": form,
        "least": LEAST_FOR_CHART,
        "may_manage": may(actor, Action.MANAGE_INSTRUMENTS),
        "may_check": may(actor, Action.MEASURE) and actor.member_id is not None,
    }
    return show(request, "reports/instrument.html", context, nav="instruments", status=status)


def _by_quantity(one: InstrumentRange) -> tuple[str, float]:
    return one.quantity, one.minimum


# What the maker promises, and what counts today


def _range(one: InstrumentRange, units: str) -> dict[str, Any]:
    quantity = one.quantity
    parts = [_difference(one.accuracy_absolute, quantity, units)] if one.accuracy_absolute else []
    for share, of in ((one.accuracy_of_reading, OF_READING), (one.accuracy_of_span, OF_SPAN)):
        parts += [gettext(of) % {"share": words.three_digits(100 * share)}] if share else []
    return {
        "quantity": quantity_words(quantity),
        "low": words.shown(one.minimum, quantity, units),
        "high": words.shown(one.maximum, quantity, units),
        "resolution": _difference(one.resolution, quantity, units),
        "accuracy": " + ".join(parts),
    }


def _held(tool: Instrument, today: date) -> dict[Quantity, InForce]:
    wanted = sorted({Quantity(one.quantity) for one in tool.ranges.all()} - WITHOUT_CERTIFICATE)
    uses = [Use(tool.id, today, quantity) for quantity in wanted]
    found = certificates_in_force(uses)
    return {use.quantity: found[use] for use in uses}


def _state(quantity: Quantity, found: InForce, today: date) -> dict[str, Any]:
    severity, word = STATES[found.state]
    row = found.certificate
    days = (row.due_on - today).days if row else None
    return {
        "quantity": quantity_words(quantity),
        "severity": severity,
        "word": gettext(word),
        "certificate": row,
        "days": days,
        "span": _span(days),
    }


def _span(days: int | None) -> str:
    if days is None:
        return ""
    if not days:
        return gettext("today")
    past = ngettext("%(days)s day ago", "%(days)s days ago", abs(days))
    ahead = ngettext("in %(days)s day", "in %(days)s days", abs(days))
    return (past if days < 0 else ahead) % {"days": abs(days)}


def _certificate(one: Certificate, held: dict[Quantity, InForce]) -> dict[str, Any]:
    later = next(iter(one.superseded_by.all()), None)
    counting = [q for q, found in held.items() if found.certificate and found.certificate.id == one.id]
    return {
        "row": one,
        "later": later,
        "counts": ", ".join(quantity_words(q).lower() for q in counting),
        "quantities": ", ".join(sorted({quantity_words(p.quantity).lower() for p in one.points.all()})),
    }


# What the certificates tell


def _finding(one: Advised, units: str) -> dict[str, Any]:
    """A quantity with its pictures, the advice in words and the tables behind them."""
    last = one.calibrations[-1]
    quantity = one.quantity
    return {
        "quantity": quantity_words(quantity),
        "slug": quantity.value,
        "title": _error_title(last, quantity, units),
        "errors": _error_picture(last, quantity, units),
        "points": [_point(point, quantity, units) for point in last],
        "drift": _drift_picture(one, units),
        "drift_rows": _drift_rows(one, units),
        "drift_title": _drift_title(one, units),
        "suggested": one.suggested,
        "late": one.suggested is not None and one.suggested.due_on <= timezone.localdate(),
        "advice": [
            {"way": way, "advice": advice, "reason": gettext(REASONS[advice.reason])}
            for way, advice in (
                (gettext("Staircase"), one.staircase),
                (gettext("Control chart of drift"), one.chart),
            )
            if advice is not None
        ],
        "refusals": one.refusals,
        "calibrated_on": last[0].on,
        "count": len(one.calibrations),
    }


def _error_title(points: Sequence[Found], quantity: Quantity, units: str) -> str:
    """The finding: the largest error as a share of what is allowed."""
    judged = [one for one in points if one.limit]
    if not judged:
        worst = max(points, key=lambda one: abs(one.as_left))
        told = gettext(
            "%(quantity)s: largest error %(error)s at %(at)s; the maker promises nothing to hold it against"
        )
        return told % _error_words(worst, quantity, units)
    worst = max(judged, key=lambda one: abs(one.as_left) / (one.limit or 1.0))
    share = abs(worst.as_left) / (worst.limit or 1.0)
    percent = f"{words.three_digits(100 * share)} %"
    inside = gettext(
        "%(quantity)s: the largest error is %(percent)s of what the maker allows, %(error)s at %(at)s"
    )
    outside = gettext(
        "%(quantity)s: the largest error is outside, at %(percent)s of what the maker allows,"
        " %(error)s at %(at)s"
    )
    told = outside if share > 1.0 + SLACK else inside
    return told % {**_error_words(worst, quantity, units), "percent": percent}


def _error_words(worst: Found, quantity: Quantity, units: str) -> dict[str, str]:
    return {
        "quantity": quantity_words(quantity),
        "error": _signed(worst.as_left, quantity, units),
        "at": words.shown(worst.reference, quantity, units),
    }


def _error_picture(points: Sequence[Found], quantity: Quantity, units: str) -> SafeString:
    kind, unit, shown = _unit(quantity, units)
    drawn = [
        charts.ErrorPoint(
            reference=from_si(one.reference, unit, kind),
            error=difference_from_si(one.as_left, unit, kind),
            expanded=difference_from_si(one.U, unit, kind),
            limit=None if one.limit is None else difference_from_si(one.limit, unit, kind),
            outside=one.limit is not None and abs(one.as_left) > one.limit * (1.0 + SLACK),
        )
        for one in points
    ]
    return picture(charts.calibration_errors(drawn, shown, _error_title(points, quantity, units)))


def _point(one: Found, quantity: Quantity, units: str) -> dict[str, str]:
    return {
        "reference": words.shown(one.reference, quantity, units),
        "found": _signed(one.as_found, quantity, units) if one.as_found is not None else "–",
        "left": _signed(one.as_left, quantity, units),
        "expanded": _difference(one.U, quantity, units),
        "limit": _difference(one.limit, quantity, units) if one.limit is not None else "–",
    }


def _series(one: Advised) -> list[Found]:
    """The point that leads the advice, in every calibration that has it."""
    trend = one.leading
    wanted = trend.reference if trend else max(p.reference for p in one.calibrations[-1])
    near = [min(points, key=lambda p: abs(p.reference - wanted)) for points in one.calibrations]
    scale = abs(wanted) or 1.0
    return [point for point in near if abs(point.reference - wanted) <= 0.02 * scale]


def _drift_title(one: Advised, units: str) -> str:
    trend, advice = one.leading, one.suggested
    if trend is None:
        reason = one.refusals[0] if one.refusals else gettext("one calibration shows none")
        told = gettext("%(quantity)s: no drift is told yet; %(reason)s")
        return told % {"quantity": quantity_words(one.quantity), "reason": reason}
    yearly = _signed(365.25 * trend.slope, one.quantity, units)
    at = words.shown(trend.reference, one.quantity, units)
    plain = gettext("%(quantity)s: it drifts by %(yearly)s a year at %(at)s")
    advised_by = gettext(
        "%(quantity)s: it drifts by %(yearly)s a year at %(at)s; the next calibration is advised by %(due)s"
    )
    named = {"quantity": quantity_words(one.quantity), "yearly": yearly, "at": at}
    return advised_by % {**named, "due": advice.due_on} if advice else plain % named


def _drift_picture(one: Advised, units: str) -> SafeString | None:
    series, trend, advice = _series(one), one.leading, one.suggested
    if len(series) < 2 or trend is None:
        return None
    kind, unit, _ = _unit(one.quantity, units)

    def spread(value: float) -> float:
        return difference_from_si(value, unit, kind)

    due = advice.due_on if advice else None
    last = max([series[-1].on, *([due] if due else [])])
    line = [
        charts.DriftLine(
            day,
            spread(trend.error((day - trend.last).days)),
            spread(2.0 * trend.u((day - trend.last).days)),
        )
        for day in charts.days_between(series[-1].on, last)
    ]
    points = [charts.DriftPoint(p.on, spread(p.found), spread(p.as_left), spread(p.U)) for p in series]
    limit, unit_words = spread(trend.limit), _spread(one.quantity, units)
    return picture(charts.drift_chart(points, line, limit, due, unit_words, _drift_title(one, units)))


def _drift_rows(one: Advised, units: str) -> list[dict[str, Any]]:
    return [{"on": point.on, **_point(point, one.quantity, units)} for point in reversed(_series(one))]


# Checks


def _check(one: IntervalCheck, units: str) -> dict[str, Any]:
    quantity = one.quantity
    own = [f"{row['entered']} {row['unit']}" for row in one.readings["own"]]
    other = [f"{row['entered']} {row['unit']}" for row in one.readings["other"]]
    return {
        "row": one,
        **_outcome(one),
        "quantity": quantity_words(quantity),
        "value": _pair(one.value, one.value_expanded, quantity, units),
        "other_value": _pair(one.other_value, one.other_expanded, quantity, units),
        "against": _against(one, units),
        "en": "–" if one.en is None else f"{one.en:+.2f}".replace("-", "−"),
        "own": ", ".join(own),
        "others": ", ".join(other),
        "later": next(iter(one.superseded_by.all()), None),
    }


def _outcome(one: IntervalCheck) -> dict[str, str]:
    if one.outcome == CheckOutcome.NOT_JUDGED:
        return {"severity": "remark", "word": gettext("Not judged")}
    good = one.outcome == CheckOutcome.WITHIN
    zero, two = (gettext("Zero within"), gettext("Zero off")), (gettext("Agree"), gettext("Disagree"))
    fine, bad = zero if one.kind == CheckKind.ZERO else two
    return {"severity": "done", "word": fine} if good else {"severity": "stop", "word": bad}


def _against(one: IntervalCheck, units: str) -> str:
    if one.kind == CheckKind.ZERO:
        return f"±{_difference(one.limit, one.quantity, units)}" if one.limit is not None else "–"
    return str(one.other)


def _pair(value: float | None, spread: float | None, quantity: str, units: str) -> str:
    if value is None:
        return "–"
    return words.pair(value, spread or 0.0, quantity, units)


# Units


def _unit(quantity: Quantity, units: str) -> tuple[str, str, str]:
    """Kind, unit and symbol that people read a quantity in."""
    kind, known = words.QUANTITIES[quantity]
    unit, shown = known[units]  # type: ignore[index]
    return kind, unit, shown


def _spread(quantity: Quantity, units: str) -> str:
    """The symbol that differences of a quantity are read in."""
    name = "temperature_difference" if quantity == Quantity.TEMPERATURE else quantity
    return words.QUANTITIES[name][1][units][1]  # type: ignore[index]


def _difference(value: float, quantity: str, units: str) -> str:
    name = "temperature_difference" if quantity == Quantity.TEMPERATURE else quantity
    return words.shown(value, name, units)


def _signed(value: float, quantity: str, units: str) -> str:
    text = _difference(value, quantity, units)
    return f"+{text}" if value > 0.0 else text
