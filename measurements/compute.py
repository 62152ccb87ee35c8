"""From stored inputs to figures and verdict. The same inputs give the same digits, years later too."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, cast

from jobs.events import digest
from measurements import calc
from measurements.inputs import on_standard_basis
from measurements.models import Method, Outcome, Verdict

METHODS: dict[str, tuple[type, Callable[[Any], calc.MethodResult]]] = {
    Method.PITOT_TRAVERSE.value: (calc.PitotTraverse, calc.pitot_traverse),
    Method.SWEPT_TRAVERSE.value: (calc.SweptTraverse, calc.swept_traverse),
    Method.CENTRELINE_READING.value: (calc.CentrelineReading, calc.centreline_reading),
    Method.HOOD_READING.value: (calc.HoodReading, calc.hood_reading),
}


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
    if refusal := inputs.get("refusal"):
        return refused(refusal)
    kind, run = METHODS[inputs["method"]]
    try:
        found = run(calc.from_plain(kind, inputs["calculation"]))
        judged = judge(found, inputs["judgement"])
    except calc.CalcError as error:
        return refused(str(error))
    except (ArithmeticError, ValueError) as error:  # a value so far off that the arithmetic itself fails
        return refused(f"the figures are beyond what can be computed ({type(error).__name__})")
    return Computed(_figures(found, judged, inputs["judgement"]), _detail(found, judged), found, judged)


def refused(reason: str) -> Computed:
    return Computed(
        {"outcome": Outcome.REFUSED.value, "refusal": reason, "verdict": Verdict.NOT_DECIDABLE.value}, {}
    )


def judge(found: calc.MethodResult, judgement: dict[str, Any]) -> calc.Conformity | None:
    """Like with like: the flow on the density basis that the design states. None without a design."""
    design = judgement["design_flow"]
    if not design:
        return None
    compared = compared_flow(found, judgement)
    rule = calc.from_plain(calc.AcceptanceRule, judgement["rule"])
    if not found.verdict_allowed:
        return calc.not_decidable(abs(compared.value), design=design, rule=rule)
    below, above = judgement["tolerance_below"], judgement["tolerance_above"]
    tolerance = calc.tolerance_of(design, None if below is None else -below, above)
    return calc.judge(compared, tolerance, design=design, rule=rule)


def compared_flow(found: calc.MethodResult, judgement: dict[str, Any]) -> calc.Result:
    return found.standard_flow if on_standard_basis(judgement) else found.flow


def _figures(
    found: calc.MethodResult, judged: calc.Conformity | None, judgement: dict[str, Any]
) -> dict[str, Any]:
    flow, standard, compared = found.flow, found.standard_flow, compared_flow(found, judgement)
    decidable = judged is not None and judged.verdict is not calc.Verdict.NOT_DECIDABLE
    design = judgement["design_flow"] or None
    return {
        "outcome": Outcome.COMPUTED.value,
        "refusal": "",
        "flow": flow.value,
        "flow_u": flow.u,
        "flow_expanded": flow.U,
        "coverage_factor": flow.k,
        "effective_dof": flow.dof if flow.dof != float("inf") else None,
        "standard_flow": standard.value,
        "standard_flow_expanded": standard.U,
        "density": found.density.value,
        "mean_velocity": found.velocity.value if found.velocity else None,
        "design_flow": design,
        "share_of_design": abs(compared.value) / design if design else None,
        "share_expanded": compared.U / design if design else None,
        "tolerance_below": judgement["tolerance_below"],
        "tolerance_above": judgement["tolerance_above"],
        "verdict": judged.verdict.value if judged else Verdict.NOT_DECIDABLE.value,
        "probability": judged.probability if judged and decidable else None,
        "accepted": judged.accepted if judged and decidable else None,
    }


def _detail(found: calc.MethodResult, judged: calc.Conformity | None) -> dict[str, Any]:
    detail = cast(dict[str, Any], calc.to_plain(found))
    return {**detail, "conformity": calc.to_plain(judged)}
