"""From a stored result to the ledger line of a report: figure, share, verdict, budget, words."""

import math
from collections.abc import Mapping
from typing import Any

from django.utils.translation import gettext, gettext_noop

from jobs.models import DensityBasis, Measurand, TestPoint
from measurements import calc
from measurements.models import Outcome, Result, Verdict
from reports import document as doc
from reports.quantities import of_input, quantity_of
from reports.render.figures import Figures

KELVIN = 273.15
SI = Figures(doc.UnitSystem.SI)
REASONS = {
    Verdict.PASS.value: gettext_noop("The whole interval lies inside the tolerance."),
    Verdict.CONDITIONAL_PASS.value: gettext_noop(
        "The value lies inside the tolerance, its interval reaches outside."
    ),
    Verdict.CONDITIONAL_FAIL.value: gettext_noop(
        "The value lies outside the tolerance, its interval reaches inside."
    ),
    Verdict.FAIL.value: gettext_noop("The whole interval lies outside the tolerance."),
}


VERDICTS = {
    Verdict.PASS.value: gettext_noop("pass"),
    Verdict.CONDITIONAL_PASS.value: gettext_noop("conditional pass"),
    Verdict.CONDITIONAL_FAIL.value: gettext_noop("conditional fail"),
    Verdict.FAIL.value: gettext_noop("fail"),
    Verdict.NOT_DECIDABLE.value: gettext_noop("not decidable"),
}


def finite(value: Any) -> float | None:
    """A stored number; None for what is empty or infinite (written as text)."""
    if value is None or isinstance(value, str):
        return None
    return float(value) if math.isfinite(value) else None


def basis_of(result: Result, point: TestPoint) -> str:
    """The density basis that the result was judged on; the point's own may have changed since."""
    judged = (result.inputs.get("judgement") or {}).get("design_basis", point.design_basis)
    return "standard" if judged == DensityBasis.STANDARD else "actual"


def ledger(result: Result, point: TestPoint) -> doc.Result:
    """The line of a computed result, on the density basis of its design. Raises ValueError when refused."""
    if result.outcome != Outcome.COMPUTED or result.value is None:
        raise ValueError(f"{point.tag}: no figure was computed")
    measurand = Measurand(result.measurand)
    limited = by_limits(result)
    standard = basis_of(result, point) == "standard" and result.standard_flow is not None
    return doc.Result(
        value=float(result.value),
        expanded=result.value_expanded,
        quantity=quantity_of(result, measurand, found(result, measurand).get("unit", "")),
        what=measurand.words,
        basis="standard" if standard else "actual",
        design=result.design_value,
        low=result.limit_low if limited else None,
        high=result.limit_high if limited else None,
        tolerance=None if limited else tolerance(result),
        share=result.share_of_design,
        share_expanded=result.share_expanded,
        verdict=doc.Verdict(result.verdict),
        accepted=result.accepted,
        probability=finite(result.probability),
        reason=reason(result),
        coverage=result.coverage_factor,
        dof=finite(result.effective_dof),
    )


def by_limits(result: Result) -> bool:
    """Whether limits in absolute figures decided, not a design with tolerance."""
    judged = result.inputs.get("judgement") or {}
    own = judged.get("design_of") == result.measurand
    given = own and (judged.get("limit_low") is not None or judged.get("limit_high") is not None)
    limits = result.limit_low is not None or result.limit_high is not None
    return limits and (given or not result.design_value)


def tolerance(result: Result) -> doc.Tolerance | None:
    """Limits as signed shares of design; None when the result had none."""
    if result.tolerance_below is None or result.tolerance_above is None:
        return None
    return doc.Tolerance(lower=-abs(result.tolerance_below), upper=abs(result.tolerance_above))


def reason(result: Result) -> str:
    if result.verdict in REASONS:
        return REASONS[result.verdict]
    if result.design_value is None and not by_limits(result):
        return gettext_noop("There is no design to compare with.")
    return gettext_noop("This method or these readings may not carry a verdict.")


def measured(found: Mapping[str, Any] | None) -> doc.Measured | None:
    """A propagated output with its expanded uncertainty."""
    if not found or finite(found.get("value")) is None:
        return None
    return doc.Measured(value=float(found["value"]), expanded=finite(found.get("U")))


def detail(result: Result) -> dict[str, Any]:
    """What the calculation gave."""
    return dict(result.detail or {})


def given(result: Result) -> dict[str, Any]:
    """What the calculation was given."""
    return dict(result.inputs.get("calculation") or {})


def output(result: Result, point: TestPoint) -> dict[str, Any]:
    """The measurand's propagated figure, a flow on the design's basis, with its budget."""
    standard = basis_of(result, point) == "standard" and result.standard_flow is not None
    name = "standard_flow" if standard and result.measurand == Measurand.FLOW else result.measurand
    return found(result, name)


def found(result: Result, name: str) -> dict[str, Any]:
    """One propagated figure by name, with its budget; empty when the method has none."""
    return dict((detail(result).get("results") or {}).get(name) or {})


def budget(result: Result, point: TestPoint) -> tuple[doc.BudgetRow, ...]:
    """Every effect that acts on the figure, largest first."""
    rows = [_budget_row(result, row) for row in output(result, point).get("budget", ())]
    return tuple(sorted((row for row in rows if row.contribution > 0.0), key=lambda r: (-r.share, r.source)))


def _budget_row(result: Result, row: Mapping[str, Any]) -> doc.BudgetRow:
    quantity = of_input(result, row)
    estimate = finite(row["value"])
    if estimate is not None and quantity is doc.Quantity.TEMPERATURE:
        estimate -= KELVIN
    return doc.BudgetRow(
        source=row["name"],
        quantity=quantity,
        estimate=estimate,
        standard=float(row["u"]),
        distribution=str(row["distribution"]),
        sensitivity=finite(row["sensitivity"]),
        contribution=abs(float(row["contribution"])),
        share=float(row["share"]),
        dof=finite(row["dof"]),
    )


def dominating(result: Result) -> str:
    """What matters most and what would help by how much, in one sentence."""
    advice = detail(result).get("advice") or {}
    if not advice.get("effect"):
        return ""
    part = f"{100 * advice['share']:.0f} %" if advice["share"] <= 1.0 else gettext("more than all")
    named = {"effect": advice["effect"], "part": part}
    best = advice["best"]
    if best is None:
        none = gettext(
            "%(effect)s gives %(part)s of the variance; no single change tried would lower U by much."
        )
        return none % named
    place = f" for {best['place']}" if best["change"] == "instrument" and best["place"] else best["place"]
    words = calc.ADVICE[calc.Change(best["change"])].format(place=place)
    told = gettext("%(effect)s gives %(part)s of the variance; %(change)s would lower U by %(gain)s %%.")
    return told % {**named, "change": words, "gain": f"{100 * best['gain']:.0f}"}


def figure_words(result: Result | None, figures: Figures = SI) -> str:
    """A figure in a few words, for history lines: '912 ± 38 L/s, pass'."""
    if result is None:
        return gettext("not evaluated")
    if result.value is None:
        told = gettext("no figure: %(refusal)s")
        return told % {"refusal": result.refusal} if result.refusal else gettext("no figure")
    quantity = quantity_of(result, result.measurand, found(result, result.measurand).get("unit", ""))
    text = figures.figure(quantity, doc.Measured(value=result.value, expanded=result.value_expanded))
    return f"{text}, {gettext(VERDICTS[result.verdict])}"


def calculation(result: Result) -> str:
    """Version of the calculation and the head of the digest of its inputs."""
    head = result.inputs_digest[:16]
    groups = " ".join(head[i : i + 4] for i in range(0, 16, 4))
    return f"calculation {result.calculation_version} · inputs {groups}"
