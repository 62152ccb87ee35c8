"""The rules that raise flags, as the company has them: what each looks for, its numbers, its severity."""

import math
from decimal import Decimal, InvalidOperation
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.utils.translation import gettext
from django.views.decorators.http import require_http_methods, require_safe

from jobs.access import Action, Actor, may
from jobs.errors import DomainError, Fault, Invalid, NotFound
from jobs.models import UnitSystem
from jobs.pages.base import page, show
from jobs.pages.forms import in_words
from jobs.people import units_for
from measurements import rule_settings
from measurements.calc.units import from_si, to_si
from measurements.models import Severity
from measurements.rule_parameters import SEVERITY, Parameter
from measurements.rule_settings import ParameterState, RuleState
from measurements.words import QUANTITIES, shown

LONGEST = 40


@require_safe
@page(Action.SET_RULES)
def rule_list(request: HttpRequest, actor: Actor) -> HttpResponse:
    """Every rule; those that are not as usual first."""
    units = _units(actor)
    states = rule_settings.rule_states(actor)
    rows = [_row(state, units) for state in states]
    history = [_told(row, units) for row in rule_settings.history(actor)]
    return _page(request, actor, "reports/rules.html", {"rows": rows, "history": history})


@require_http_methods(["GET", "HEAD", "POST"])
@page(Action.SET_RULES)
def rule_page(request: HttpRequest, actor: Actor, rule: str) -> HttpResponse:
    """One rule with a form for each of its numbers and one for its severity."""
    state = _state(actor, rule)
    error: DomainError | None = None
    if request.method == "POST":
        try:
            _set(request, actor, state)
        except NotFound:
            raise
        except DomainError as refused:
            error = refused
        else:
            messages.success(
                request, gettext("The rule is changed. What is not approved is looked at again with it.")
            )
            return redirect("company-flag-rules")
    context = {
        "row": _row(state, _units(actor)),
        "severities": in_words(Severity.choices),
        "error": error,
        "faults": [fault.detail for fault in error.faults] if error else [],
        "posted": request.POST if error else {},
    }
    return _page(request, actor, "reports/rule.html", context, error.status if error else 200)


def _page(
    request: HttpRequest, actor: Actor, template: str, context: dict[str, Any], status: int = 200
) -> HttpResponse:
    whole = {"part": "flags", "all_parts": may(actor, Action.MANAGE_COMPANY), **context}
    return show(request, template, whole, nav="company", status=status)


def _units(actor: Actor) -> UnitSystem:
    return UnitSystem(units_for(actor))


def _state(actor: Actor, rule: str) -> RuleState:
    found = next((one for one in rule_settings.rule_states(actor) if one.rule.name == rule), None)
    if found is None:
        raise NotFound(gettext("There is no such rule."))
    return found


def _set(request: HttpRequest, actor: Actor, state: RuleState) -> None:
    name, why = request.POST.get("name", ""), request.POST.get("why", "")
    usual = "usual" in request.POST
    if name == SEVERITY:
        text = request.POST.get("severity", "")
        if not usual and text not in Severity.values:
            raise Invalid(
                gettext("Choose a severity."), [Fault("/severity", gettext("is not one of the list"))]
            )
        severity = None if usual else Severity(text)
        rule_settings.set_severity(actor, state.rule.name, severity=severity, why=why)
        return
    one = next((p.parameter for p in state.parameters if p.parameter.name == name), None)
    if one is None:
        raise NotFound(gettext("The rule has no such number."))
    value = None if usual else _number(request.POST.get("value", ""), one, _units(actor))
    rule_settings.set_number(actor, one.rule, one.name, value=value, why=why)


def _number(text: str, one: Parameter, units: UnitSystem) -> float:
    """A number in the person's unit as SI. Raises Invalid."""
    kind, by_system = QUANTITIES[one.quantity]
    try:
        value = float(Decimal(text.strip().replace(",", ".")[:LONGEST]))
    except (InvalidOperation, ValueError, OverflowError):
        value = math.nan
    if not math.isfinite(value):
        raise Invalid(gettext("Give a number."), [Fault("/value", gettext("must be a number"))])
    return float(to_si(value, by_system[units][0], kind))


def _row(state: RuleState, units: UnitSystem) -> dict[str, Any]:
    return {
        "rule": state.rule,
        "name": state.rule.name.replace("_", " ").capitalize(),
        "severity": state.severity,
        "word": gettext(state.severity.label),
        "usual": gettext(state.rule.severity.label),
        "changed": state.changed,
        "last": state.last,
        "numbers": [_shown(one, units) for one in state.parameters],
    }


def _shown(state: ParameterState, units: UnitSystem) -> dict[str, Any]:
    one = state.parameter
    kind, by_system = QUANTITIES[one.quantity]
    code, unit = by_system[units]
    return {
        "parameter": one,
        "value": f"{from_si(state.value, code, kind):.4g}",
        "unit": unit,
        "words": shown(state.value, one.quantity, units),
        "default": shown(one.default, one.quantity, units),
        "low": shown(one.low, one.quantity, units),
        "high": shown(one.high, one.quantity, units),
        "changed": state.value != one.default,
        "last": state.last,
    }


def _told(row: Any, units: UnitSystem) -> dict[str, Any]:
    """A row of the history in words."""
    one = rule_settings.BY_KEY.get((row.rule, row.name))
    if row.name == SEVERITY:
        what = gettext(Severity(row.severity).label).lower() if row.severity else gettext("as usual")
    elif row.value is None or one is None:
        what = gettext("as usual")
    else:
        what = shown(row.value, one.quantity, units)
    name = gettext("severity") if row.name == SEVERITY else (gettext(one.words) if one else row.name)
    return {"row": row, "rule": row.rule.replace("_", " "), "name": name, "what": what}
