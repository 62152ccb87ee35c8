"""Propagation of uncertainty against the GUM's own examples, its supplements and worked courses."""

import math
from typing import NamedTuple

import pytest

from measurements.calc.distributions import (
    Distribution,
    coverage_factor,
    from_limits,
    from_resolution,
    t_quantile,
)
from measurements.calc.line import fit_line
from measurements.calc.method import Estimate
from measurements.calc.outlet import hood_factor
from measurements.calc.plan import Sharing
from measurements.calc.simulate import monte_carlo
from measurements.calc.trace import cos, log, sin, sqrt
from measurements.calc.uncertainty import Correlation, Effect, Quantity, Result, evaluate, propagate
from measurements.calc.variance import type_a
from tests.standards.records import record

pytestmark = pytest.mark.standards
LENGTH, ALPHA = 50_000_623.0, 11.5e-6


def end_gauge(
    ls: float,
    d0: float,
    d1: float,
    d2: float,
    alpha: float,
    d_alpha: float,
    theta: float,
    swing: float,
    d_theta: float,
) -> float:
    """GUM H.1 in nm: theta is the mean deviation of the bed, swing its cyclic variation."""
    return ls + d0 + d1 + d2 - ls * (d_alpha * (theta + swing) + alpha * d_theta)


def _gauge_inputs() -> list[Quantity]:
    flat = Distribution.RECTANGULAR
    return [
        Quantity("ls", LENGTH, 25.0, 18.0),
        Quantity("d0", 215.0, 5.8, 24.0),
        Quantity("d1", 0.0, 3.9, 5.0),
        Quantity("d2", 0.0, 6.7, 8.0),
        Quantity("alpha", ALPHA, from_limits(2e-6), distribution=flat),
        Quantity("d_alpha", 0.0, from_limits(1e-6), 50.0, flat),
        Quantity("theta", -0.1, 0.2),
        Quantity("swing", 0.0, from_limits(0.5, Distribution.ARCSINE), distribution=Distribution.ARCSINE),
        Quantity("d_theta", 0.0, from_limits(0.05), 2.0, flat),
    ]


def test_gum_h1_end_gauge() -> None:
    r = record("unc-h1")
    found = evaluate(end_gauge, _gauge_inputs(), coverage=0.99)
    r.check(l=found.value, u=found.u, u_unrounded=found.u, dof=found.dof, k99=found.k, U99=found.U)


def test_gum_h1_budget() -> None:
    r = record("unc-h1-budget")
    found = evaluate(end_gauge, _gauge_inputs())
    rows = {row.name: row for row in found.budget}
    comparator = [rows[n] for n in ("d0", "d1", "d2")]
    d = math.sqrt(sum(row.contribution**2 for row in comparator))
    dof = d**4 / sum(row.contribution**4 / row.dof for row in comparator)
    names = ("ls", "d_alpha", "d_theta", "alpha", "theta")
    as_printed = {("alpha_s" if n == "alpha" else n): rows[n].contribution for n in names}
    r.check(d=d, d_dof=dof, **as_printed)
    assert sum(row.share for row in found.budget) == pytest.approx(1.0)


def test_gum_h1_second_order_terms_appear_in_monte_carlo() -> None:
    r = record("unc-h1-2nd")
    q = _gauge_inputs()
    effects = [Effect(i.name, i.name, i.u, Sharing.COMMON, distribution=i.distribution) for i in q]
    found = monte_carlo(end_gauge, {i.name: i.value for i in q}, effects, trials=400_000)
    r.check(u=found.u)
    r.near("u_unrounded", found.u, within=0.15)


class Impedance(NamedTuple):
    """Outputs of GUM H.2 and their pairwise sums (to tell correlations of results)."""

    R: float
    X: float
    Z: float
    RX: float
    RZ: float
    XZ: float


def impedance(V: float, I: float, phi: float) -> Impedance:  # noqa: E741 - as in the GUM
    """Resistance, reactance and impedance from voltage, current and phase."""
    R, X, Z = V * cos(phi) / I, V * sin(phi) / I, V / I
    return Impedance(R, X, Z, R + X, R + Z, X + Z)


def test_gum_h2_correlated_inputs() -> None:
    r = record("unc-h2")
    series = {"V": r.value("V"), "I": [0.001 * i for i in r.value("I")], "phi": r.value("phi")}
    means = {n: type_a(v) for n, v in series.items()}
    inputs = [Quantity(n, m.mean, m.u, m.dof) for n, m in means.items()]
    pairs = [Correlation(a, b, _r(series[a], series[b])) for a, b in (("V", "I"), ("V", "phi"), ("I", "phi"))]
    found = {n: evaluate(impedance, inputs, output=n, correlations=pairs) for n in Impedance._fields}
    r.check(R=found["R"].value, X=found["X"].value, Z=found["Z"].value)
    r.check(u_R=found["R"].u, u_X=found["X"].u, u_Z=found["Z"].u)
    r.check(r_RX=_together(found, "R", "X"), r_RZ=_together(found, "R", "Z"), r_XZ=_together(found, "X", "Z"))
    assert found["R"].dof == pytest.approx(4.0)


def _r(a: list[float], b: list[float]) -> float:
    """Correlation of two series."""
    ma, mb = sum(a) / len(a), sum(b) / len(b)
    top = sum((x - ma) * (y - mb) for x, y in zip(a, b, strict=True))
    return top / math.sqrt(sum((x - ma) ** 2 for x in a) * sum((y - mb) ** 2 for y in b))


def _together(found: dict[str, Result], a: str, b: str) -> float:
    """Correlation of two results from the uncertainty of their sum."""
    ua, ub, both = found[a].u, found[b].u, found[a + b].u
    return (both**2 - ua**2 - ub**2) / (2.0 * ua * ub)


def test_gum_h3_calibration_line() -> None:
    r = record("unc-h3")
    line = fit_line(r.value("t"), r.value("b"), r.value("t0"))
    at = line.at(r.value("t_use"))
    r.check(intercept=line.intercept, u_intercept=line.u_intercept, slope=line.slope, u_slope=line.u_slope)
    r.check(r=line.r, s=line.s, b30=at.value, u_b30=at.u, dof=at.dof)


def correction(a: float, b: float, d: float) -> float:
    """A line's correction at a distance d from its origin."""
    return a + b * d


def test_gum_h3_by_propagation_with_correlated_parameters() -> None:
    r = record("unc-h3")
    line = fit_line(r.value("t"), r.value("b"), 20.0)
    inputs = [
        Quantity("a", line.intercept, line.u_intercept, line.dof),
        Quantity("b", line.slope, line.u_slope, line.dof),
        Quantity("d", 10.0),
    ]
    found = evaluate(correction, inputs, correlations=[Correlation("a", "b", line.r)])
    assert found.u == pytest.approx(line.at(30.0).u, rel=1e-12)
    r.check(b30=found.value, u_b30=found.u, dof=found.dof)


def test_coverage_factors() -> None:
    r = record("unc-t-95")
    r.check(k=[coverage_factor(n, 0.95) for n in r.value("dof")])
    table = record("unc-t-g2")
    pairs = zip(table.value("p"), table.value("dof"), strict=True)
    table.check(t=[t_quantile(0.5 + 0.5 * p, float(n)) for p, n in pairs])
    assert coverage_factor(math.inf) == pytest.approx(2.0, abs=1e-4)
    assert coverage_factor(16.7, 0.99) == coverage_factor(16.0, 0.99)


def total(a: float, b: float) -> float:
    """Sum of two."""
    return a + b


def test_effective_degrees_of_freedom() -> None:
    r = record("unc-ws-2")
    found = evaluate(total, [Quantity("a", 0.0, r.value("u")[0], 9.0), Quantity("b", 0.0, r.value("u")[1])])
    r.check(u_c=found.u, dof=found.dof)


def ratio(x1: float, x2: float, yu: float) -> float:
    """Comparison with a known sample."""
    return x1 / x2 * yu


def test_ratio_with_degrees_of_freedom() -> None:
    r = record("unc-ratio")
    found = evaluate(ratio, [Quantity(n, *r.value(n)) for n in ("x1", "x2", "yu")], coverage=0.95)
    r.check(y=found.value, u=found.u, dof=found.dof, U95=found.U)


def four(a: float, b: float, c: float, d: float) -> float:
    """Sum of four."""
    return a + b + c + d


@pytest.mark.parametrize(
    ("name", "distribution"),
    [("unc-s1-922", Distribution.NORMAL), ("unc-s1-923", Distribution.RECTANGULAR)],
)
def test_jcgm_101_additive_model(name: str, distribution: Distribution) -> None:
    r = record(name)
    effects = [Effect(n, n, 1.0, Sharing.COMMON, distribution=distribution) for n in "abcd"]
    found = monte_carlo(four, dict.fromkeys("abcd", 0.0), effects, coverage=0.95, trials=1_000_000)
    r.check(u=found.u)
    key = "high95" if "high95" in r.expected else "high95_mc"
    r.near(key, found.high, within=0.04)
    assert found.low == pytest.approx(-r.expected[key][0], abs=0.04)
    first_order = evaluate(four, [Quantity(n, 0.0, 1.0) for n in "abcd"], coverage=0.95)
    if "high95_gum" in r.expected:
        r.check(high95_gum=first_order.U)
    else:
        r.check(y=first_order.value, high95=first_order.U, low95=-first_order.U)


def losses(x1: float, x2: float) -> float:
    """JCGM 101 9.4: comparison loss of a power meter."""
    return x1 * x1 + x2 * x2


@pytest.mark.parametrize("name", ["unc-s1-94-1", "unc-s1-94-3"])
def test_jcgm_101_comparison_loss(name: str) -> None:
    r = record(name)
    values = {n: float(r.value(n)) for n in ("x1", "x2")}
    effects = [Effect(n, n, r.value("u"), Sharing.COMMON) for n in values]
    exact = monte_carlo(losses, values, effects, trials=2_000_000)
    r.near("mean", exact.value, within=2e-3 * r.expected["mean"][0])
    r.near("u", exact.u, within=3e-3 * r.expected["u"][0])
    first = propagate(losses, values, effects, name="loss", unit="1")
    r.check(first_order_mean=first.value, first_order_u=first.u)


def buoyancy(mrc: float, dmrc: float, air: float, weight: float, reference: float) -> float:
    """JCGM 101 9.3: mass calibration, deviation from 100 g in mg."""
    return (mrc + dmrc) * (1.0 + (air - 1.2) * (1.0 / weight - 1.0 / reference)) - 100_000.0


def test_jcgm_101_mass_calibration() -> None:
    r = record("unc-s1-93")
    flat = Distribution.RECTANGULAR
    values = {"mrc": 100_000.0, "dmrc": 1.234, "air": 1.2, "weight": 8000.0, "reference": 8000.0}
    effects = [
        Effect("mrc", "mrc", 0.05, Sharing.COMMON),
        Effect("dmrc", "dmrc", 0.02, Sharing.COMMON),
        Effect("air", "air", from_limits(0.1), Sharing.COMMON, distribution=flat),
        Effect("weight", "weight", from_limits(1000.0), Sharing.COMMON, distribution=flat),
        Effect("reference", "reference", from_limits(50.0), Sharing.COMMON, distribution=flat),
    ]
    found = monte_carlo(buoyancy, values, effects, coverage=0.95, trials=1_000_000)
    r.check(mean_mc=found.value, u_mc=found.u, low95_shortest=found.low, high95_shortest=found.high)
    first = propagate(buoyancy, values, effects, name="deviation", unit="mg")
    r.check(u_first_order=first.u)
    assert not found.confirms(first)


def logarithm(x: float) -> float:
    """ln x."""
    return log(x)


def test_where_first_order_fails() -> None:
    r = record("unc-log")
    low, high = r.value("x")
    u = from_limits(0.5 * (high - low))
    effect = Effect("x", "x", u, Sharing.COMMON, distribution=Distribution.RECTANGULAR)
    values = {"x": 0.5 * (low + high)}
    first = propagate(logarithm, values, [effect], name="y", unit="1")
    r.check(gum_mean=first.value, gum_u=first.u)
    found = monte_carlo(logarithm, values, [effect], coverage=0.95, trials=2_000_000)
    r.check(mc_mean=found.value, mc_u=found.u, shortest95=(found.low, found.high))


def root(dp: float) -> float:
    """Velocity at 1.2 kg/m3."""
    return sqrt(2.0 * dp / 1.2)


def test_root_of_a_weak_pressure() -> None:
    r = record("unc-sqrt-2")
    effect = Effect("dp", "dp", from_limits(1.0), Sharing.COMMON, distribution=Distribution.RECTANGULAR)
    first = propagate(root, {"dp": 5.0}, [effect], name="v", unit="m/s")
    r.check(first_order_V=first.value, first_order_u=first.u)
    found = monte_carlo(root, {"dp": 5.0}, [effect], trials=1_000_000)
    assert found.value == pytest.approx(r.expected["exact_mean"][0], rel=3e-3)
    assert found.u == pytest.approx(r.expected["exact_u"][0], rel=3e-3)


def test_standard_uncertainty_from_limits() -> None:
    r = record("unc-typeb")
    r.check(
        rectangular=from_limits(1.0),
        triangular=from_limits(1.0, Distribution.TRIANGULAR),
        u_shaped=from_limits(1.0, Distribution.ARCSINE),
        resolution_step=from_resolution(0.1),
    )


def mean(x: tuple[float, ...]) -> float:
    """Arithmetic mean."""
    return sum(x) / len(x)


def test_common_errors_do_not_average_down() -> None:
    r = record("unc-mean-n")
    found = []
    for n in r.value("N"):
        own = Effect("own", "x", r.value("u_independent"))
        common = Effect("common", "x", r.value("u_common"), Sharing.COMMON)
        found.append(propagate(mean, {"x": (0.0,) * n}, [own, common], name="mean", unit="%").u)
    r.check(u_mean=found)


def test_repeated_readings() -> None:
    r = record("unc-typea")
    found = type_a(r.value("v"))
    r.check(mean=found.mean, s=found.s, u=found.u, dof=found.dof, U9545=coverage_factor(found.dof) * found.u)


def traverse(vp: tuple[float, ...], gain: float, D: float, rho: float, C: float) -> float:
    """Mean velocity by a traverse with a common gain error."""
    del D
    return C * sum([sqrt(2.0 * gain * p / rho) for p in vp]) / len(vp)


def traverse_flow(vp: tuple[float, ...], gain: float, D: float, rho: float, C: float) -> float:
    """Flow of a round duct."""
    return traverse(vp, gain, D, rho, C) * math.pi / 4.0 * D * D


def test_twelve_point_traverse() -> None:
    r = record("unc-trav-1")
    values = {"vp": tuple(map(float, r.value("vp"))), "gain": 1.0, "D": 0.4, "rho": 1.19, "C": 1.0}
    effects = [
        Effect("vp", "vp", r.value("u_vp_each")),
        Effect("gain", "gain", r.value("gain_u")),
        Effect("D", "D", r.value("D")[1]),
        Effect("rho", "rho", r.value("rho")[1]),
        Effect("C", "C", r.value("C")[1]),
    ]
    v = propagate(traverse, values, effects, name="V", unit="m/s")
    q = propagate(traverse_flow, values, effects, name="Q", unit="m3/s")
    r.check(V=v.value, Q=q.value, u_V=v.u, u_Q=q.u, u_Q_rel=q.u / q.value)


def test_en_16211_combination() -> None:
    r = record("unc-en16211")
    parts = [r.value(n) for n in ("u_instrument", "u_method", "u_reading")]
    effects = [Effect(str(i), "x", u, Sharing.COMMON) for i, u in enumerate(parts)]
    found = propagate(mean, {"x": (100.0,)}, effects, name="flow", unit="%")
    r.check(U=2.0 * found.u)


def test_hood_factor_from_a_paired_traverse() -> None:
    r = record("unc-kfactor")
    found = hood_factor(Estimate(*r.value("Q_traverse")), Estimate(*r.value("Q_hoods")))
    r.check(k=found.value, u_k=found.u)
