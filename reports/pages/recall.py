"""Recall cases: the list, and one with its finding, its sessions to decide on, and whom they touch."""

from collections.abc import Iterable
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils.safestring import SafeString
from django.utils.translation import gettext, gettext_noop, ngettext
from django.views.decorators.http import require_POST, require_safe

from jobs.access import Action, Actor, may
from jobs.errors import DomainError, Fault, Invalid, NotFound
from jobs.models import Measurand, Quantity
from jobs.pages.base import page, refuse, show
from jobs.pages.rows import quantity_words
from jobs.people import units_for
from jobs.queries import visible_certificates
from jobs.rows import NOTHING
from measurements import recall, words
from measurements.calc import JudgedPoint
from measurements.calc.units import difference_from_si, from_si
from measurements.models import (
    Method,
    RecallCase,
    RecallDecisionKind,
    RecallGround,
    RecallItem,
    Verdict,
)
from measurements.queries import given_up, recall_items, undecided_items, visible_recalls
from measurements.recall_decisions import decide
from reports import document as doc
from reports import recalled
from reports.pages.shown import picture
from reports.render import charts
from reports.render.figures import VERDICT_WORDS

LISTED, A_PAGE = 100, 50
MARKED, UNCHANGED, REST = "marked", "unchanged", "rest"
KINDS = {
    RecallDecisionKind.NO_EFFECT: gettext_noop(
        "Figure and verdict stand; the notice at the report's address ends"
    ),
    RecallDecisionKind.REMEASURE: gettext_noop("It stands in the worklist until a newer session replaces it"),
    RecallDecisionKind.REISSUE: gettext_noop("The report goes out again; its notice stays until it has"),
    RecallDecisionKind.CUSTOMER_TOLD: gettext_noop(
        "Nothing else is done. The notice ends where nothing changed"
    ),
}
WATER = (Method.VALVE_FLOW, Method.PUMP_TEST, Method.COIL_HEAT)


@require_safe
@page(Action.READ)
def case_list(request: HttpRequest, actor: Actor) -> HttpResponse:
    rows = list(visible_recalls(actor).order_by("-id")[:LISTED])
    manages = may(actor, Action.MANAGE_INSTRUMENTS)
    counted = visible_certificates(actor).filter(superseded_by=None) if manages else []
    certificates = sorted(counted, key=lambda one: (one.instrument.serial, one.calibrated_on), reverse=True)
    context = {
        "rows": [
            {"case": case, "quantity": quantity_words(case.quantity), **state_words(case)} for case in rows
        ],
        "certificates": certificates,
        "may_open": manages,
    }
    return show(request, "reports/recalls.html", context, nav="instruments")


def state_words(case: RecallCase) -> dict[str, str]:
    """How a case of `visible_recalls` stands, as a severity and in words."""
    if case.busy:  # type: ignore[attr-defined]
        return {"severity": "remark", "word": gettext("Being computed")}
    if left := case.undecided:  # type: ignore[attr-defined]
        return {"severity": "stop", "word": gettext("%(count)s to decide") % {"count": left}}
    return {"severity": "done", "word": gettext("Decided")}


@require_POST
@page(Action.MANAGE_INSTRUMENTS)
def withdraw(request: HttpRequest, actor: Actor) -> HttpResponse:
    try:
        cases = recall.withdraw(
            actor, _id(request.POST.get("certificate", "")), reason=request.POST.get("reason", "")
        )
    except DomainError as error:
        refuse(request, error)
        return redirect("recalls")
    messages.success(request, gettext("A recall is open; its sessions are being computed anew."))
    return redirect("recall", cases[0].id) if len(cases) == 1 else redirect("recalls")


def _id(text: str) -> UUID:
    try:
        return UUID(text)
    except ValueError:
        raise Invalid(gettext("Choose one of the list."), [Fault("/certificate", NOTHING)]) from None


@require_safe
@page(Action.READ)
def case_page(request: HttpRequest, actor: Actor, case_id: UUID) -> HttpResponse:
    case = _case(actor, case_id)
    units = units_for(actor)
    documents = recalled.touched_documents(case)
    notices = recalled.under_recall([one.issue.id for one in documents if one.issue])
    only = "undecided" if request.GET.get("only") == "undecided" else ""
    rows = recall_items(case)
    if only:
        rows = rows.filter(id__in=undecided_items(case).values("id"))
    shown = Paginator(rows, A_PAGE).get_page(request.GET.get("page"))
    points = recall.points_found(case)
    context = {
        "case": case,
        "quantity": quantity_words(case.quantity),
        **state_words(case),
        "finding": finding(case, points, units),
        "picture": _picture(case, points, units),
        "points": [_point(one, case.quantity, units) for one in points],
        "rows": [_row(item, units) for item in shown],
        "page": shown,
        "only": only,
        "unchanged": undecided_items(case).filter(verdict_changed=False, moved=False).count(),
        "waiting": recall.waiting(case),
        "failed": given_up(case),
        "documents": [_document(one, notices) for one in documents],
        "customers": recalled.customers_of(documents).items(),
        "kinds": [(kind.value, gettext(kind.label), gettext(text)) for kind, text in KINDS.items()],
        "may_decide": may(actor, Action.REVIEW),
        "bound": gettext("a third"),
    }
    return show(request, "reports/recall.html", context, nav="instruments")


def _case(actor: Actor, case_id: UUID) -> RecallCase:
    case = visible_recalls(actor).filter(id=case_id).first()
    if case is None:
        raise NotFound()
    return case


@require_POST
@page(Action.REVIEW)
def decide_page(request: HttpRequest, actor: Actor, case_id: UUID) -> HttpResponse:
    case, given = _case(actor, case_id), request.POST
    try:
        items = _chosen(case, given.get("scope", MARKED), given.getlist("item"))
        made = decide(actor, case_id, items, kind=given.get("decision", ""), reason=given.get("reason", ""))
        count = len(made)
        messages.success(
            request,
            ngettext("Decided on %(count)s session.", "Decided on %(count)s sessions.", count)
            % {"count": count},
        )
    except DomainError as error:
        refuse(request, error)
    only = "?only=undecided" if given.get("only") == "undecided" else ""
    return redirect(reverse("recall", args=[case_id]) + only)


def _chosen(case: RecallCase, scope: str, marked: Iterable[str]) -> list[UUID]:
    """What a decision is about: what was marked, or all that is undecided (and unchanged)."""
    if scope == MARKED:
        return [_item_id(one) for one in marked]
    rows = undecided_items(case)
    if scope == UNCHANGED:
        rows = rows.filter(verdict_changed=False, moved=False)
    elif scope != REST:
        raise Invalid(gettext("Say which sessions."), [Fault("/items", gettext("unknown choice"))])
    return list(rows.values_list("id", flat=True))


def _item_id(text: str) -> UUID:
    try:
        return UUID(text)
    except ValueError:
        raise Invalid(gettext("An id in the input leads to nothing."), [Fault("/items", NOTHING)]) from None


@require_POST
@page(Action.REVIEW)
def again(request: HttpRequest, actor: Actor, case_id: UUID) -> HttpResponse:
    try:
        recall.again(actor, case_id)
        messages.success(request, gettext("It is computed again."))
    except DomainError as error:
        refuse(request, error)
    return redirect("recall", case_id)


# Words and pictures


def finding(case: RecallCase, points: Iterable[JudgedPoint], units: str) -> str:
    """Why readings are in doubt, in a sentence or two."""
    if case.ground == RecallGround.WITHDRAWN:
        words_of = gettext("Certificate %(number)s was withdrawn: %(reason)s")
        return words_of % {"number": case.certificate.number, "reason": case.reason}
    outside = sorted((one for one in points if one.outside), key=lambda one: -one.excess)
    if not outside:
        words_of = gettext("Certificate %(number)s found it outside its tolerance.")
        return words_of % {"number": case.certificate.number}
    worst = outside[0]
    at = words.shown(worst.reference, case.quantity, units)
    by, limit = (_difference(v, case.quantity, units) for v in (abs(worst.error), worst.limit or 0.0))
    much = gettext("At %(at)s it showed %(by)s too much; the maker allows ±%(limit)s.")
    little = gettext("At %(at)s it showed %(by)s too little; the maker allows ±%(limit)s.")
    told = (much if worst.error > 0.0 else little) % {"at": at, "by": by, "limit": limit}
    if len(outside) == 1:
        return told
    many = gettext("%(count)s of %(all)s points lie outside.")
    return f"{told} {many % {'count': len(outside), 'all': len(list(points))}}"


def _difference(value: float, quantity: str, units: str) -> str:
    return words.shown(
        value, "temperature_difference" if quantity == Quantity.TEMPERATURE else quantity, units
    )


def _picture(case: RecallCase, points: tuple[JudgedPoint, ...], units: str) -> SafeString | None:
    if not points:
        return None
    kind, known = words.QUANTITIES[case.quantity]
    unit, shown = known[units]  # type: ignore[index]
    drawn = [
        charts.ErrorPoint(
            reference=from_si(one.reference, unit, kind),
            error=difference_from_si(one.error, unit, kind),
            expanded=difference_from_si(one.U, unit, kind),
            limit=None if one.limit is None else difference_from_si(one.limit, unit, kind),
            outside=one.outside,
        )
        for one in points
    ]
    return picture(charts.calibration_errors(drawn, shown, finding(case, points, units)))


def _point(one: JudgedPoint, quantity: str, units: str) -> dict[str, Any]:
    lies = gettext("outside") if one.outside else gettext("inside")
    word = gettext("no promise") if one.limit is None else lies
    return {
        "reference": words.shown(one.reference, quantity, units),
        "error": _difference(one.error, quantity, units),
        "expanded": _difference(one.U, quantity, units),
        "limit": _difference(one.limit, quantity, units) if one.limit is not None else "–",
        "word": gettext("%(where)s, by less than its U") % {"where": word} if one.only_by_u else word,
        "outside": one.outside,
    }


def _row(item: RecallItem, units: str) -> dict[str, Any]:
    """A session as it was reported and as it would be."""
    result, session = item.result, item.session
    decisions = list(item.decisions.all())
    return {
        "item": item,
        "session": session,
        "place": session.test_point.tag,
        "before": _side(item, result, units),
        "after": _side(item, item, units),
        "shift": _shift(item),
        "decision": decisions[0] if decisions else None,
        "earlier": len(decisions) - 1,
        "superseded": item.is_superseded,  # type: ignore[attr-defined]
    }


def _side(item: RecallItem, of: Any, units: str) -> dict[str, Any]:
    name, liquid = item.result.measurand, item.session.method in WATER
    if of.value is None or not name:
        return {"figure": gettext("no figure"), "word": _verdict(of), "verdict": "none"}
    figure = words.measurand_pair(of.value, of.value_expanded or 0.0, name, units, liquid=liquid)
    return {
        "figure": figure,
        "word": _verdict(of),
        "verdict": str(of.verdict).replace("_", "-") if of.verdict != Verdict.NOT_DECIDABLE else "none",
        "mark": picture(charts.verdict_mark(_line(item, of))),
        "what": Measurand(name).words,
        "refused": of.accepted is False and of.verdict in (Verdict.PASS, Verdict.CONDITIONAL_PASS),
    }


def _verdict(of: Any) -> str:
    return gettext(VERDICT_WORDS[doc.Verdict(of.verdict)])


def _line(item: RecallItem, of: Any) -> doc.Result:
    """What the mark of a verdict is drawn from: the figure against the limits as they were judged."""
    return doc.Result(
        value=of.value,
        expanded=of.value_expanded,
        low=item.result.limit_low,
        high=item.result.limit_high,
        verdict=doc.Verdict(of.verdict),
        accepted=of.accepted,
    )


def _shift(item: RecallItem) -> str:
    """By how much the value moved, in U."""
    if item.shift is None:
        return "–"
    return f"{item.shift:+.2f} U".replace("-", "−") if item.shift else "0"


def _document(one: recalled.TouchedDocument, notices: dict[UUID, recalled.Notice]) -> dict[str, Any]:
    notice = notices.get(one.issue.id) if one.issue else None
    return {"document": one, "count": len(one.sessions), "notice": notice}
