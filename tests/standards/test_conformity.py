"""Conformity and tolerances against JCGM 106, ILAC-G8 and usual specifications."""

import pytest

from measurements.calc.conformity import (
    DecisionRule,
    Rule,
    Tolerance,
    Verdict,
    conformance_probability,
    judge_value,
    tolerance_of,
)
from measurements.calc.distributions import normal_quantile
from measurements.calc.risk import global_risk
from tests.standards.records import record

pytestmark = pytest.mark.standards


def test_probability_of_one_sided_conformity() -> None:
    r = record("conf-106-zener")
    p = conformance_probability(r.value("y"), r.value("u"), Tolerance(None, r.value("TU")))
    r.check(pc=p, published=p)


def test_normal_quantiles() -> None:
    r = record("conf-106-tab1")
    z = [normal_quantile(p) for p in r.value("pc")]
    r.check(z=z, z_exact=z)


def test_false_acceptance_at_the_limit_of_each_guard_band() -> None:
    r = record("conf-ilac-pfa")
    found = []
    for w in r.value("w_over_U"):
        at_limit = 100.0 - w * 2.0  # u = 1, U = 2, limit 100
        judged = judge_value(at_limit, 1.0, Tolerance(None, 100.0), k=2.0, rule=Rule(DecisionRule.GUARDED, w))
        assert judged.accepted
        found.append(1.0 - judged.probability)
    r.check(pfa_at_limit=found)
    assert all(f <= s for f, s in zip(found, r.expected["stated_bound"][0], strict=True))


def test_global_risks_of_simple_acceptance() -> None:
    r = record("conf-global")
    found = global_risk(0.0, r.value("process_sd"), r.value("um"), Tolerance(*r.value("tolerance")))
    r.check(Rc=found.consumer, Rp=found.producer, prior_conforming=found.conforming)


@pytest.mark.parametrize("name", ["conf-tab-a", "conf-tab-c", "conf-tab-e", "conf-tab-g", "conf-tab-h"])
def test_air_terminals(name: str) -> None:
    r = record(name)
    low, high = (v / 100.0 for v in r.value("tol"))
    tolerance = tolerance_of(r.value("design"), low, high)
    judged = judge_value(
        r.value("y"), r.value("u"), tolerance, k=float(r.value("k")), design=r.value("design")
    )
    r.check(
        pc=judged.probability,
        simple="pass" if judged.accepted else "fail",
        guarded_nonbinary=judged.verdict.value.replace("_", " "),
        TUR=(tolerance.high - tolerance.low) / (4.0 * r.value("u")),  # type: ignore[operator]
    )
    assert judged.share == pytest.approx(r.value("y") / r.value("design"))


def test_an_asymmetric_tolerance_too_narrow_for_any_guard() -> None:
    r = record("conf-asym")
    low, high = (v / 100.0 for v in r.value("tol"))
    judged = judge_value(r.value("y"), r.value("u"), tolerance_of(r.value("design"), low, high), k=2.0)
    r.check(
        pc=judged.probability,
        simple="pass" if judged.accepted else "fail",
        guarded_nonbinary=judged.verdict.value.replace("_", " "),
        guarded_interval_empty=judged.guard_impossible,
    )


@pytest.mark.parametrize(
    "name",
    ["tol-term-10", "tol-fan-10", "tol-exh", "tol-room", "tol-hw", "tol-hyd-10", "tol-total-5"],
)
def test_limits_are_inclusive(name: str) -> None:
    r = record(name)
    low, high = (v / 100.0 for v in r.value("tolerance_percent"))
    tolerance = tolerance_of(r.value("design"), low, high)
    r.check(
        limits=(tolerance.low, tolerance.high),
        within=[judge_value(m, 0.0, tolerance).accepted for m in r.value("measured")],
    )
    at_limit = judge_value(tolerance.high or 0.0, 0.0, tolerance)
    assert at_limit.verdict is Verdict.PASS


def test_deviation_is_of_magnitudes() -> None:
    r = record("tol-press")
    judged = judge_value(
        abs(r.value("measured")), 0.0, tolerance_of(r.value("design"), -0.1, 0.1), design=-250.0
    )
    assert judged.share is not None
    r.check(deviation=100.0 * (judged.share - 1.0), within=judged.accepted)


def test_decided_before_rounding() -> None:
    r = record("tol-round")
    design = r.value("design")
    judged = judge_value(r.value("measured"), 0.0, tolerance_of(design, -0.1, 0.1), design=design)
    assert judged.share is not None
    deviation = 100.0 * (judged.share - 1.0)
    r.check(deviation=deviation, within_unrounded=judged.accepted, displayed_deviation=round(deviation, 1))
