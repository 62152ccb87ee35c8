"""Rules on the figure and its verdict."""

from collections.abc import Iterator

from django.utils.translation import gettext_noop as _

from jobs.models import Measurand
from measurements import calc
from measurements.models import Severity
from measurements.rule_parameters import parameter
from measurements.rules.base import PRACTICE, Finding, Seen, rule
from measurements.words import limits, measurand, measurand_pair, pair, percent, velocity

CONFORMITY = "JCGM 106, ILAC-G8"
TIMES = parameter("implausible_value", "times")
SLIP_WIDTH = parameter("unit_mistake", "width")
SLIPS = {
    3.6: "m³/h taken for L/s",
    1 / 3.6: "L/s taken for m³/h",
    2.119: "cfm taken for L/s",
    1 / 2.119: "L/s taken for cfm",
}


def _figure(seen: Seen) -> str:
    """What was found, against the design where there is one: the start of a sentence."""
    figures, name = seen.computed.figures, str(seen.computed.figures["measurand"])
    words = Measurand(name).words
    words = words if words[1].isupper() else f"{words[0].lower()}{words[1:]}"
    if not _by_limits(seen):
        design = measurand(figures["design_value"], name, seen.units, liquid=_liquid(seen))
        share = pair(figures["share_of_design"], figures["share_expanded"], "share", seen.units)
        return f"The {words} is {share} of the design {design}"
    value, spread = figures["value"], figures["value_expanded"]
    return f"The {words} is {measurand_pair(value, spread, name, seen.units, liquid=_liquid(seen))}"


def _liquid(seen: Seen) -> bool:
    """Whether the flow is that of a liquid: flows of air are stated at standard density too."""
    found = seen.computed.found
    return found is not None and "standard_flow" not in found.results


def _by_limits(seen: Seen) -> bool:
    """Whether limits decided, not a design with its tolerance."""
    point, figures = seen.loaded.point, seen.computed.figures
    given = point.limit_low is not None or point.limit_high is not None
    return not figures["design_value"] or (given and point.design_of == figures["measurand"])


def _tolerance(seen: Seen) -> str:
    figures = seen.computed.figures
    below, above = figures["tolerance_below"], figures["tolerance_above"]
    if not _by_limits(seen) and below is not None and above is not None:
        return f"{percent(1.0 - below)} to {percent(1.0 + above)} of design"
    text = limits(
        figures["limit_low"], figures["limit_high"], figures["measurand"], seen.units, liquid=_liquid(seen)
    )
    return text[0].upper() + text[1:]


def _data(seen: Seen) -> dict[str, float]:
    names = ("share_of_design", "share_expanded", "tolerance_below", "tolerance_above")
    if _by_limits(seen):
        names = ("value", "value_expanded", "limit_low", "limit_high")
    return {name: seen.computed.figures[name] for name in names}


def _verdict(seen: Seen) -> str:
    return str(seen.computed.figures["verdict"])


@rule(
    "out_of_tolerance",
    Severity.STOP,
    _("The whole interval of the figure lies outside tolerance."),
    f"{CONFORMITY}; tolerance of the contract",
    fixed=True,
)
def out_of_tolerance(seen: Seen) -> Iterator[Finding]:
    if _verdict(seen) == "fail":
        advice = "Rebalance and measure again, or accept the deficiency with a reason."
        yield Finding(f"{_figure(seen)}.", f"{_tolerance(seen)}.", advice, _data(seen))


@rule(
    "conditional_fail",
    Severity.STOP,
    _("The figure lies outside tolerance, but by less than its uncertainty."),
    CONFORMITY,
    fixed=True,
)
def conditional_fail(seen: Seen) -> Iterator[Finding]:
    if _verdict(seen) == "conditional_fail":
        advice = "Measure again with a smaller uncertainty, rebalance, or accept with a reason."
        text = f"{_figure(seen)}: outside tolerance by less than its uncertainty."
        yield Finding(text, f"{_tolerance(seen)}.", advice, _data(seen))


@rule(
    "conditional_pass",
    Severity.REMARK,
    _("The figure lies inside tolerance, but by less than its uncertainty."),
    CONFORMITY,
)
def conditional_pass(seen: Seen) -> Iterator[Finding]:
    if _verdict(seen) == "conditional_pass" and seen.computed.figures["accepted"]:
        text = f"{_figure(seen)}: inside tolerance by less than its uncertainty."
        yield Finding(text, f"{_tolerance(seen)}.", "Nothing must be done; the report says so.", _data(seen))


@rule(
    "refused_by_decision_rule",
    Severity.STOP,
    _("The figure lies inside tolerance, but not surely enough for the decision rule."),
    CONFORMITY,
    fixed=True,
)
def refused_by_decision_rule(seen: Seen) -> Iterator[Finding]:
    inside = _verdict(seen) in ("pass", "conditional_pass")
    if inside and seen.computed.figures["accepted"] is False:
        kind = seen.loaded.company.get_decision_rule_display().partition(":")[0].lower()
        text = f"{_figure(seen)}; the decision rule does not accept it."
        advice = "Measure again with a smaller uncertainty, rebalance, or accept with a reason."
        yield Finding(text, f"{_tolerance(seen)}, judged by {kind}.", advice, _data(seen))


@rule(
    "implausible_value",
    Severity.STOP,
    _("The flow is ten times the design or more, or the velocity is none that ducts have."),
    PRACTICE,
)
def implausible_value(seen: Seen) -> Iterator[Finding]:
    share = seen.computed.figures.get("share_of_design") or _share_shown(seen)
    advice = "Look for a mistaken unit or decimal point and measure again."
    times = seen.setting(TIMES)
    if share is not None and share >= times and _is_flow(seen):
        expected = f"Less than {times:.3g} times the design."
        yield Finding(
            f"The flow is {share:.1f} times the design.", expected, advice, {"share": share}, "share"
        )
    if remark := seen.remark(calc.Code.IMPLAUSIBLE_VELOCITY):
        speed, most = remark.numbers["velocity"], remark.numbers["limit"]
        text = f"The mean velocity is {velocity(speed, seen.units)}."
        expected = f"Less than {velocity(most, seen.units)} in a duct."
        yield Finding(text, expected, advice, {"velocity": speed}, "velocity")


def _is_flow(seen: Seen) -> bool:
    return seen.computed.figures.get("measurand") in (None, "flow")


def _share_shown(seen: Seen) -> float | None:
    """A hood's readings against the design, when the calculation gave no figure for them."""
    flows = [row.value for row in seen.loaded.readings if row.quantity == "flow"]
    design = seen.loaded.point.design_flow
    return sum(flows) / len(flows) / design if flows and design else None


@rule(
    "unit_mistake",
    Severity.WARNING,
    _("The share of design is close to the factor between two units of flow."),
    PRACTICE,
)
def unit_mistake(seen: Seen) -> Iterator[Finding]:
    share = seen.computed.figures.get("share_of_design")
    width = seen.setting(SLIP_WIDTH)
    for factor, words in SLIPS.items():
        near = share is not None and _is_flow(seen) and abs(share / factor - 1.0) <= width
        if near and share is not None and _verdict(seen) == "fail":
            text = f"The flow is {share:.2f} times the design, close to {factor:.2f}: {words}?"
            advice = "Check the unit on the instrument and in the design schedule."
            yield Finding(text, "A share of design near 1.", advice, {"share": share, "factor": factor})


@rule(
    "computation_refused",
    Severity.STOP,
    _("The calculation gives no figure for these readings."),
    "validity of the calculation",
    fixed=True,
)
def computation_refused(seen: Seen) -> Iterator[Finding]:
    if reason := seen.computed.figures.get("refusal"):
        expected = "Readings and data within the validity of the method."
        advice = "Correct what is named and measure again; the readings stay as evidence."
        yield Finding(f"No figure: {reason}.", expected, advice, {"reason": reason})
