"""From stored inputs to figures and verdict. The same inputs give the same digits, years later too."""

from dataclasses import dataclass
from typing import Any, cast

from jobs.events import digest
from jobs.models import Measurand
from measurements import calc
from measurements.inputs import on_standard_basis
from measurements.methods import METHODS
from measurements.models import Outcome, Verdict


@dataclass(frozen=True)
class Computed:
    """Columns of a result, its detail as JSON, and what the method gave (None when refused)."""

    figures: dict[str, Any]
    detail: dict[str, Any]
    found: calc.MethodResult | None = None
    judged: calc.Conformity | None = None

    @property
    def digest(self) -> str:
        """SHA-256 over figures and detail."""
        return digest({"figures": self.figures, "detail": self.detail})


def compute(inputs: dict[str, Any]) -> Computed:
    """The figures of one session from its stored inputs. A refusal of the calculation is an outcome."""
    solved = _solve(inputs)
    if isinstance(solved, str):
        return refused(solved)
    given, found, judged = solved
    advice = calc.advise(METHODS[inputs["method"]].run, given, found)
    detail = {**_detail(found, judged), "advice": calc.to_plain(advice)}
    return Computed(_figures(found, judged, inputs["judgement"]), detail, found, judged)


def figures_of(inputs: dict[str, Any]) -> dict[str, Any]:
    """The columns of a result alone, without budget and advice: the same digits in half the time or less."""
    with calc.without_budgets():
        solved = _solve(inputs)
    if isinstance(solved, str):
        return refused(solved).figures
    _, found, judged = solved
    return _figures(found, judged, inputs["judgement"])


def _solve(inputs: dict[str, Any]) -> tuple[Any, calc.MethodResult, calc.Conformity | None] | str:
    """What was given, what the method found and its verdict; or why there is no figure."""
    if refusal := inputs.get("refusal"):
        return str(refusal)
    kind = METHODS[inputs["method"]]
    try:
        given = calc.from_plain(kind.inputs, inputs["calculation"])
        found = kind.run(given)
        return given, found, judge(found, inputs["judgement"])
    except calc.CalcError as error:
        return str(error)
    except (ArithmeticError, ValueError) as error:  # a value so far off that the arithmetic itself fails
        return f"the figures are beyond what can be computed ({type(error).__name__})"


def refused(reason: str) -> Computed:
    return Computed(
        {"outcome": Outcome.REFUSED.value, "refusal": reason, "verdict": Verdict.NOT_DECIDABLE.value}, {}
    )


def judge(found: calc.MethodResult, judgement: dict[str, Any]) -> calc.Conformity | None:
    """Like with like: a flow on the density basis that the design states. None without design and limits.

    Limits at the point win over its design with tolerances, and that over limits that the test itself brings.
    """
    compared, design = compared_figure(found, judgement), _design(found, judgement)
    limits = _limits(found, judgement, design)
    if limits is None:
        return None
    signed = found.measurand != FLOW
    shown = compared.value if signed else abs(compared.value)
    rule = calc.from_plain(calc.AcceptanceRule, judgement["rule"])
    if not found.verdict_allowed:
        return calc.not_decidable(shown, design=design, rule=rule)
    return calc.judge(compared, calc.Tolerance(*limits), design=design, rule=rule, signed=signed)


FLOW = Measurand.FLOW.value


def _design(found: calc.MethodResult, judgement: dict[str, Any]) -> float | None:
    """The design value of the measurand; None without one."""
    if found.measurand == FLOW:
        return judgement["design_flow"] or None
    return judgement["design_value"] if judgement["design_of"] == found.measurand else None


def _limits(
    found: calc.MethodResult, judgement: dict[str, Any], design: float | None
) -> tuple[float | None, float | None] | None:
    own = found.measurand != FLOW and judgement["design_of"] == found.measurand
    told = (judgement["limit_low"], judgement["limit_high"]) if own else (None, None)
    if told != (None, None):
        return told
    if not design:
        return found.limits if found.limits and found.limits != (None, None) else None
    below, above = judgement["tolerance_below"], judgement["tolerance_above"]
    size = abs(design)
    low = None if below is None else design - below * size
    high = None if above is None else design + above * size
    return (low, high) if (low, high) != (None, None) else None


def compared_figure(found: calc.MethodResult, judgement: dict[str, Any]) -> calc.Result:
    """The measurand's figure; a flow of air on the basis of its design."""
    if found.measurand == FLOW and on_standard_basis(judgement) and "standard_flow" in found.results:
        return found.standard_flow
    return found.main


def _figures(
    found: calc.MethodResult, judged: calc.Conformity | None, judgement: dict[str, Any]
) -> dict[str, Any]:
    compared, design = compared_figure(found, judgement), _design(found, judgement)
    low, high = _limits(found, judgement, design) or (None, None)
    decidable = judged is not None and judged.verdict is not calc.Verdict.NOT_DECIDABLE
    tolerated = design and judged
    return {
        "outcome": Outcome.COMPUTED.value,
        "refusal": "",
        "measurand": found.measurand,
        "value": compared.value,
        "value_expanded": compared.U,
        **_flow_figures(found),
        "coverage_factor": compared.k,
        "effective_dof": compared.dof if compared.dof != float("inf") else None,
        "design_flow": design if found.measurand == FLOW else None,
        "design_value": design,
        "limit_low": low,
        "limit_high": high,
        "share_of_design": judged.share if tolerated and judged else None,
        "share_expanded": compared.U / abs(design) if tolerated and design else None,
        "tolerance_below": judgement["tolerance_below"],
        "tolerance_above": judgement["tolerance_above"],
        "verdict": judged.verdict.value if judged else Verdict.NOT_DECIDABLE.value,
        "probability": judged.probability if judged and decidable else None,
        "accepted": judged.accepted if judged and decidable else None,
    }


def _flow_figures(found: calc.MethodResult) -> dict[str, Any]:
    """Columns of a flow; empty where the method has none."""
    flow, standard = found.results.get("flow"), found.results.get("standard_flow")
    density, velocity = found.results.get("density"), found.velocity
    return {
        "flow": flow.value if flow else None,
        "flow_u": flow.u if flow else None,
        "flow_expanded": flow.U if flow else None,
        "standard_flow": standard.value if standard else None,
        "standard_flow_expanded": standard.U if standard else None,
        "density": density.value if density else None,
        "mean_velocity": velocity.value if velocity else None,
    }


def _detail(found: calc.MethodResult, judged: calc.Conformity | None) -> dict[str, Any]:
    detail = cast(dict[str, Any], calc.to_plain(found))
    order = list(found.results)  # the most wanted first; JSON objects of the database keep no order
    return {**detail, "order": order, "conformity": calc.to_plain(judged)}
