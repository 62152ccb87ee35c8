"""Propagation: independent libraries as judges, correlation, degrees of freedom, rounding."""

import math
import sys

import GTC
import numpy as np
import pytest
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st
from uncertainties import correlated_values, ufloat, umath

from measurements.calc import (
    Correlation,
    Effect,
    ModelError,
    Quantity,
    Refused,
    Sharing,
    coverage_factor,
    evaluate,
    propagate,
    rounded,
)
from measurements.calc.batch import BatchEffect, propagate_batch
from measurements.calc.distributions import Distribution, from_limits, normal_cdf, t_cdf, t_quantile
from measurements.calc.plan import Propagation
from measurements.calc.simulate import _summary, monte_carlo, numerical_tolerance
from measurements.calc.trace import exp, sqrt
from measurements.calc.uncertainty import cholesky, pair_up

values = st.floats(0.5, 2.0)
spreads = st.floats(1e-3, 0.2)
dofs = st.one_of(st.just(math.inf), st.floats(2.0, 60.0))


def model(a: float, b: float, c: float) -> float:
    """A little of everything."""
    return a * sqrt(b) / (c + exp(-a * c)) + a * b


@given(st.tuples(values, values, values), st.tuples(spreads, spreads, spreads), st.tuples(dofs, dofs, dofs))
def test_agrees_with_gtc(x: tuple[float, ...], u: tuple[float, ...], dof: tuple[float, ...]) -> None:
    ours = evaluate(model, [Quantity(n, *v) for n, *v in zip("abc", x, u, dof, strict=True)])
    a, b, c = (GTC.ureal(*v) for v in zip(x, u, dof, strict=True))
    theirs = a * GTC.sqrt(b) / (c + GTC.exp(-a * c)) + a * b
    assert ours.value == pytest.approx(theirs.x, rel=1e-12)
    assert ours.u == pytest.approx(theirs.u, rel=1e-10)
    assert ours.dof == pytest.approx(theirs.df, rel=1e-8) or (math.isinf(ours.dof) and theirs.df > 1e6)
    for row, given_input in zip(ours.budget, (a, b, c), strict=True):
        assert row.contribution == pytest.approx(abs(GTC.component(theirs, given_input)), rel=1e-9, abs=1e-15)


@given(st.tuples(values, values, values), st.tuples(spreads, spreads, spreads), st.floats(-0.95, 0.95))
def test_agrees_with_uncertainties_when_correlated(
    x: tuple[float, ...], u: tuple[float, ...], r: float
) -> None:
    ours = evaluate(
        model,
        [Quantity(n, *v) for n, *v in zip("abc", x, u, strict=True)],
        correlations=[Correlation("a", "c", r)],
    )
    covariance = np.diag(np.square(u))
    covariance[0, 2] = covariance[2, 0] = r * u[0] * u[2]
    a, b, c = correlated_values(x, covariance)
    theirs = a * umath.sqrt(b) / (c + umath.exp(-a * c)) + a * b
    assert ours.u == pytest.approx(theirs.std_dev, rel=1e-6, abs=1e-9)
    assert sum(row.share for row in ours.budget) == pytest.approx(1.0)


@given(st.lists(values, min_size=2, max_size=6), spreads)
def test_a_group_is_one_common_error(x: list[float], u: float) -> None:
    names = [f"q{i}" for i in range(len(x))]
    space: dict[str, object] = {}
    exec(f"def total({', '.join(names)}): return {' + '.join(names)}", space)
    grouped = evaluate(
        space["total"], [Quantity(n, v, u, group="tape") for n, v in zip(names, x, strict=True)]
    )  # type: ignore[arg-type]
    assert grouped.u == pytest.approx(len(x) * u)


def summed(x: tuple[float, ...], y: float) -> float:
    """Weighted sum."""
    return sum([v * (i + 1.0) for i, v in enumerate(x)]) + y


@given(st.lists(spreads, min_size=3, max_size=8), spreads)
def test_sharing_of_one_effect_over_members(u: list[float], other: float) -> None:
    x = tuple(1.0 for _ in u)
    alone = Effect("other", "y", other)
    weights = [i + 1.0 for i in range(len(u))]

    def with_sharing(sharing: Sharing, dof: float = math.inf) -> float:
        effect = Effect("x", "x", tuple(u), sharing, dof)
        return propagate(summed, {"x": x, "y": 0.0}, [effect, alone], name="s", unit="1").u

    common = sum(w * v for w, v in zip(weights, u, strict=True))
    own = math.sqrt(sum((w * v) ** 2 for w, v in zip(weights, u, strict=True)))
    assert with_sharing(Sharing.COMMON) == pytest.approx(math.hypot(common, other))
    assert with_sharing(Sharing.INDEPENDENT) == pytest.approx(math.hypot(own, other))
    assert with_sharing(Sharing.POOLED) == pytest.approx(math.hypot(own, other))


def test_degrees_of_freedom_by_sharing() -> None:
    def dof(sharing: Sharing) -> float:
        effect = Effect("x", "x", 0.1, sharing, 4.0)
        return propagate(summed, {"x": (1.0, 1.0), "y": 0.0}, [effect], name="s", unit="1").dof

    assert dof(Sharing.COMMON) == pytest.approx(4.0)
    assert dof(Sharing.POOLED) == pytest.approx(4.0)
    assert dof(Sharing.INDEPENDENT) == pytest.approx(4.0 * (1 + 4) ** 2 / (1 + 16))


def test_correlated_effects_are_one_ensemble_of_the_fewest_degrees() -> None:
    inputs = [Quantity("a", 1.0, 0.1, 5.0), Quantity("b", 1.0, 0.1, 9.0), Quantity("c", 1.0, 0.0)]
    found = evaluate(model, inputs, correlations=[Correlation("a", "b", 0.5)])
    assert found.dof == pytest.approx(5.0)


def test_C6_impossible_correlations_are_refused() -> None:
    inputs = [Quantity(n, 1.0, 0.1) for n in "abc"]
    wrong = [Correlation("a", "b", 0.9), Correlation("b", "c", 0.9), Correlation("a", "c", -0.9)]
    with pytest.raises(Refused, match="contradict"):
        evaluate(model, inputs, correlations=wrong)
    with pytest.raises(Refused, match="-1 <= r <= 1"):
        evaluate(model, inputs, correlations=[Correlation("a", "b", 1.1)])
    with pytest.raises(ModelError, match="unknown effect"):
        evaluate(model, inputs, correlations=[Correlation("a", "z", 0.1)])


def test_wrong_inputs_are_named() -> None:
    with pytest.raises(Refused, match=r"^b: must be a finite number"):
        evaluate(model, [Quantity("a", 1.0), Quantity("b", math.nan), Quantity("c", 1.0)])
    with pytest.raises(Refused, match="must not be negative"):
        evaluate(model, [Quantity("a", 1.0, -0.1), Quantity("b", 1.0), Quantity("c", 1.0)])
    with pytest.raises(ModelError, match="does not have"):
        evaluate(model, [Quantity("a", 1.0), Quantity("z", 1.0), Quantity("c", 1.0)])
    with pytest.raises(ModelError, match="must name exactly"):
        evaluate(model, [Quantity("a", 1.0), Quantity("b", 1.0)])
    with pytest.raises(Refused, match="no value or slope"):
        evaluate(model, [Quantity("a", 1.0), Quantity("b", -1.0), Quantity("c", 1.0)])
    with pytest.raises(Refused, match="dof"):
        evaluate(model, [Quantity("a", 1.0, 0.1, 0.0), Quantity("b", 1.0), Quantity("c", 1.0)])


def test_digest_tells_inputs_apart() -> None:
    inputs = [Quantity(n, 1.0, 0.1) for n in "abc"]
    other = [Quantity(n, 1.0 + 1e-15, 0.1) for n in "abc"]
    assert evaluate(model, inputs).digest == evaluate(model, inputs).digest
    assert evaluate(model, inputs).digest != evaluate(model, other).digest
    assert len(evaluate(model, inputs).digest) == 64


@settings(deadline=None)
@given(st.floats(1e-9, 1 - 1e-9), st.floats(1.0, 1e6))
def test_student_t_against_scipy(p: float, dof: float) -> None:
    t = float(scipy.stats.t.ppf(p, dof))
    assert t_cdf(t, dof) == pytest.approx(float(scipy.stats.t.cdf(t, dof)), rel=1e-9, abs=1e-13)
    assert t_quantile(p, dof) == pytest.approx(t, rel=1e-7, abs=1e-9)


def test_coverage_factor_falls_with_degrees_of_freedom() -> None:
    factors = [coverage_factor(float(n)) for n in range(1, 200)]
    assert factors == sorted(factors, reverse=True)
    assert coverage_factor(0.3) == factors[0]
    assert normal_cdf(coverage_factor(math.inf)) == pytest.approx(0.97725)


@settings(deadline=None, max_examples=8)
@given(st.tuples(values, values, values), st.floats(1e-3, 0.02), st.floats(-0.9, 0.9))
def test_monte_carlo_agrees_with_first_order_where_it_should(
    x: tuple[float, ...], u: float, r: float
) -> None:
    point = dict(zip("abc", x, strict=True))
    effects = [Effect(n, n, u, Sharing.COMMON) for n in "abc"]
    pair = [Correlation("a", "b", r)]
    first = propagate(model, point, effects, name="y", unit="1", correlations=pair)
    drawn = monte_carlo(model, point, effects, correlations=pair, trials=100_000)
    assert drawn.u == pytest.approx(first.u, rel=0.02)
    assert drawn.value == pytest.approx(first.value, abs=0.1 * first.u)
    assert drawn.high - drawn.low == pytest.approx(2.0 * first.U, rel=0.03)


def test_adaptive_monte_carlo_stops_when_stable_and_repeats_itself() -> None:
    effects = [Effect(n, n, 0.1, Sharing.COMMON, distribution=Distribution.TRIANGULAR) for n in "abc"]
    point = dict.fromkeys("abc", 1.0)
    one, again = (monte_carlo(model, point, effects, digits=1) for _ in range(2))
    assert one == again
    assert one.stable
    assert one.tolerance == numerical_tolerance(one.u, 1)
    assert 20_000 <= one.trials < 200_000


@pytest.mark.parametrize("distribution", list(Distribution))
def test_draws_have_mean_and_spread(distribution: Distribution) -> None:
    effect = Effect("y", "y", 2.0, Sharing.COMMON, 50.0, distribution)
    drawn = monte_carlo(summed, {"x": (0.0,), "y": 10.0}, [effect], trials=200_000)
    expected = 2.0 * math.sqrt(50.0 / 48.0) if distribution is Distribution.T else 2.0
    assert drawn.value == pytest.approx(10.0, abs=0.03)
    assert drawn.u == pytest.approx(expected, rel=0.01)


def test_monte_carlo_refuses_draws_without_a_value() -> None:
    effects = [Effect("b", "b", 1.0, Sharing.COMMON)]
    with pytest.raises(Refused, match="draws have no value"):
        monte_carlo(model, dict.fromkeys("abc", 1.0), effects, trials=1000)
    flat = [Effect(n, n, 0.1, Sharing.COMMON, distribution=Distribution.RECTANGULAR) for n in "abc"]
    with pytest.raises(Refused, match="normal only"):
        monte_carlo(model, dict.fromkeys("abc", 1.0), flat, correlations=[Correlation("a", "b", 0.5)])


def test_batch_gives_what_one_by_one_gives() -> None:
    generator = np.random.default_rng(5)
    x = generator.uniform(0.5, 2.0, (4, 3000))
    y = generator.uniform(0.5, 2.0, 3000)
    u = generator.uniform(0.01, 0.1, (4, 3000))
    effects = [
        BatchEffect("own", "x", u, Sharing.INDEPENDENT, 6.0),
        BatchEffect("common", "x", 0.02, Sharing.COMMON),
        BatchEffect("y", "y", 0.05, Sharing.COMMON, 3.0),
    ]
    many = propagate_batch(summed, {"x": x, "y": y}, effects)
    expanded = many.expanded()
    for j in (0, 17, 2047, 2048, 2999):
        one = propagate(
            summed,
            {"x": tuple(map(float, x[:, j])), "y": float(y[j])},
            [
                Effect("own", "x", tuple(map(float, u[:, j])), Sharing.INDEPENDENT, 6.0),
                Effect("common", "x", 0.02, Sharing.COMMON),
                Effect("y", "y", 0.05, Sharing.COMMON, 3.0),
            ],
            name="s",
            unit="1",
        )
        assert many.value[j] == pytest.approx(one.value, rel=1e-13)
        assert many.u[j] == pytest.approx(one.u, rel=1e-12)
        assert many.dof[j] == pytest.approx(one.dof, rel=1e-11)
        assert expanded[j] == pytest.approx(one.U, rel=1e-12)
        assert list(many.shares[:, j]) == pytest.approx([row.share for row in one.budget], rel=1e-10)


def test_batch_names_the_session_without_a_value() -> None:
    b = np.ones(5)
    b[3] = -1.0
    with pytest.raises(Refused, match=r"session\[3\]"):
        propagate_batch(model, {"a": np.ones(5), "b": b, "c": 1.0}, [BatchEffect("a", "a", 0.1)])
    with pytest.raises(ModelError, match="one length"):
        propagate_batch(model, {"a": np.ones(5), "b": np.ones(4), "c": 1.0}, [BatchEffect("a", "a", 0.1)])


def test_a_batch_that_does_not_fit_its_model_is_refused_by_name() -> None:
    x, y = np.ones((3, 5)), np.ones(5)
    for values in ({"x": x}, {"x": x, "y": y, "z": y}):
        with pytest.raises(ModelError, match="must name exactly x, y") as caught:
            propagate_batch(summed, values, [])
        assert (caught.value.input, caught.value.value) == ("values", sorted(values))
    with pytest.raises(ModelError, match="does not have") as caught:
        propagate_batch(summed, {"x": x, "y": y}, [BatchEffect("tape", "z", 0.1)])
    assert (caught.value.input, caught.value.value) == ("tape", "z")
    with pytest.raises(ModelError, match="needs 3 rows of uncertainties") as caught:
        propagate_batch(summed, {"x": x, "y": y}, [BatchEffect("own", "x", np.full((2, 5), 0.1))])
    assert (caught.value.input, caught.value.value) == ("own", (2, 5))


@pytest.mark.parametrize(
    ("value", "U", "shown"),
    [
        (2.44196, 0.10403, ("2.44", "0.10")),
        (1.23456, 0.0234, ("1.235", "0.023")),
        (999.96, 0.0996, ("999.96", "0.10")),
        (12345.0, 234.0, ("12340", "230")),
        (-0.0004, 0.13, ("0.00", "0.13")),
        (10.0, 1.04, ("10.0", "1.0")),
        (10.0, 0.1009, ("10.00", "0.10")),
        (5.0, 0.0, ("5.0", "0")),
    ],
)
def test_rounding_for_display(value: float, U: float, shown: tuple[str, str]) -> None:
    assert rounded(value, U) == shown


@given(st.floats(-1e6, 1e6), st.floats(1e-6, 1e5))
def test_rounding_never_takes_away_much(value: float, U: float) -> None:
    number, spread = rounded(value, U)
    assert float(spread) >= 0.95 * U
    assert abs(float(number) - value) <= 0.051 * float(spread) * 1.1


def test_independent_library_agrees_on_a_whole_budget() -> None:
    found = evaluate(model, [Quantity("a", 1.1, 0.05), Quantity("b", 1.7, 0.02), Quantity("c", 0.8, 0.01)])
    a, b, c = ufloat(1.1, 0.05), ufloat(1.7, 0.02), ufloat(0.8, 0.01)
    theirs = a * umath.sqrt(b) / (c + umath.exp(-a * c)) + a * b
    for row, q in zip(found.budget, (a, b, c), strict=True):
        assert row.sensitivity == pytest.approx(theirs.derivatives[q], rel=1e-12)


@pytest.mark.parametrize("sharing", list(Sharing))
def test_monte_carlo_of_several_effects_on_shared_members(sharing: Sharing) -> None:
    effects = [
        Effect("first", "x", (0.1, 0.0, 0.3), sharing),
        Effect("second", "x", 0.2, Sharing.COMMON),
        Effect("third", "x", 0.15, Sharing.INDEPENDENT),
        Effect("y", "y", 0.2),
        Effect("y again", "y", 0.3, Sharing.COMMON),
    ]
    point = {"x": (1.0, 2.0, 3.0), "y": 4.0}
    first = propagate(summed, point, effects, name="s", unit="1")
    drawn = monte_carlo(summed, point, effects, trials=200_000)
    assert drawn.value == pytest.approx(first.value, abs=0.02)
    assert drawn.u == pytest.approx(first.u, rel=0.01)


def test_rows_of_an_input_with_members() -> None:
    """What a row says of a common, an own and a pooled effect, worked out by hand: f = sum x (1 + y)."""
    effects = [
        Effect("common", "x", (0.1, 0.2, 0.2), Sharing.COMMON, 7.0),
        Effect("own", "x", (0.3, 0.4, 0.0), Sharing.INDEPENDENT),
        Effect("pooled", "x", 0.5, Sharing.POOLED, 4.0),
        Effect("y", "y", 0.25),
    ]

    def grown(x: tuple[float, ...], y: float) -> float:
        return (x[0] + x[1] + 2.0 * x[2]) * (1.0 + y)

    found = propagate(
        grown,
        {"x": (1.0, 2.0, 3.0), "y": 1.0},
        effects,
        name="f",
        unit="m",
        units={"x": "Pa"},
        coverage=0.95,
    )
    common, own, pooled, y = found.budget
    assert (found.value, found.name, found.unit, found.coverage) == (18.0, "f", "m", 0.95)
    assert [row.members for row in found.budget] == [3, 3, 3, 1]
    assert [row.value for row in found.budget] == [2.0, 2.0, 2.0, 1.0]
    assert [row.unit for row in found.budget] == ["Pa", "Pa", "Pa", "1"]
    assert [row.dof for row in found.budget] == [7.0, math.inf, 4.0, math.inf]
    assert common.sensitivity == pytest.approx(2.0 + 2.0 + 4.0)
    assert common.contribution == pytest.approx(2.0 * 0.1 + 2.0 * 0.2 + 4.0 * 0.2)
    assert common.u == pytest.approx(math.sqrt((0.01 + 0.04 + 0.04) / 3.0))
    assert own.sensitivity == pytest.approx(math.sqrt(4.0 + 4.0 + 16.0))
    assert own.contribution == pytest.approx(math.hypot(0.6, 0.8))
    assert own.u == pytest.approx(math.sqrt(0.25 / 3.0))
    assert pooled.contribution == pytest.approx(0.5 * math.sqrt(24.0))
    assert y.contribution == pytest.approx(9.0 * 0.25)
    squares = [row.contribution**2 for row in found.budget]
    assert found.u == pytest.approx(math.sqrt(sum(squares)))
    assert [row.share for row in found.budget] == pytest.approx([s / sum(squares) for s in squares])
    satterthwaite = squares[0] ** 2 / 7.0 + squares[2] ** 2 / 4.0
    assert found.dof == pytest.approx(sum(squares) ** 2 / satterthwaite)
    assert found.interval == (found.value - found.U, found.value + found.U)
    assert found.relative_U == pytest.approx(found.U / 18.0)


def test_shares_with_a_correlation_of_several_kinds() -> None:
    """Half of each covariance goes to each side; a negative one may make a share negative."""
    found = evaluate(
        lambda a, b, c: a - b + c,
        [Quantity("a", 1.0, 0.3), Quantity("b", 1.0, 0.2), Quantity("c", 1.0, 0.1)],
        correlations=[Correlation("a", "b", 0.9)],
    )
    covariance = 0.9 * 0.3 * 0.2
    variance = 0.09 + 0.04 + 0.01 - 2.0 * covariance
    assert found.u == pytest.approx(math.sqrt(variance))
    assert [row.share for row in found.budget] == pytest.approx(
        [(0.09 - covariance) / variance, (0.04 - covariance) / variance, 0.01 / variance]
    )
    assert found.budget[1].share < 0.0


def test_correlated_effects_with_few_degrees_of_freedom_count_as_one() -> None:
    found = evaluate(
        lambda a, b, c: a + b + c,
        [Quantity("a", 0.0, 1.0, 8.0), Quantity("b", 0.0, 1.0, 5.0), Quantity("c", 0.0, 1.0, 10.0)],
        correlations=[Correlation("a", "b", 1.0)],
    )
    assert found.u == pytest.approx(math.sqrt(5.0))
    assert found.dof == pytest.approx(25.0 / (16.0 / 5.0 + 1.0 / 10.0))


def test_result_without_uncertainty() -> None:
    found = evaluate(lambda a: 2.0 * a, [Quantity("a", 0.0)])
    assert (found.u, found.U, found.dof, found.budget[0].share) == (0.0, 0.0, math.inf, 0.0)
    assert math.isinf(found.relative_U)
    assert Propagation(1.0, (), (), 4.0, 0.0).dof == math.inf
    assert Propagation(1.0, (), (), 4.0, 2.0).dof == 8.0
    assert Propagation(1.0, (), (), -1e-20, 0.0).u == 0.0


def test_cholesky_multiplies_back() -> None:
    matrix = [[4.0, 2.0, 0.4], [2.0, 3.0, 0.5], [0.4, 0.5, 2.0]]
    low = np.array(cholesky(matrix))
    assert low == pytest.approx(np.linalg.cholesky(np.array(matrix)), rel=1e-12)
    singular = [[4.0, 2.0, 4.0], [2.0, 1.0, 2.0], [4.0, 2.0, 5.0]]
    low = np.array(cholesky(singular))
    assert low @ low.T == pytest.approx(np.array(singular), abs=1e-9)
    for wrong in ([[1.0, 2.0], [2.0, 1.0]], [[0.0, 0.5], [0.5, 1.0]], [[-1.0]]):
        with pytest.raises(Refused, match="not positive"):
            cholesky(wrong)


def test_correlations_that_contradict_each_other() -> None:
    three = [Correlation("a", "b", 0.9), Correlation("b", "c", 0.9), Correlation("a", "c", -0.9)]
    with pytest.raises(Refused, match="contradict"):
        pair_up("abc", three)
    assert pair_up("abc", [*three[:2], Correlation("a", "c", 0.7)])[1] == (0.9, 0.9, 0.7)
    assert pair_up("abc", [Correlation("c", "a", 0.7)]) == (((0, 2),), (0.7,))
    assert pair_up("abc", []) == ((), ())
    for r in (1.0001, -1.0001, math.nan):
        with pytest.raises(Refused, match="two different effects, once, and -1 <= r <= 1"):
            pair_up("ab", [Correlation("a", "b", r)])
    for r in (1.0, -1.0):
        assert pair_up("ab", [Correlation("a", "b", r)])[1] == (r,)
    with pytest.raises(Refused, match="two different"):
        pair_up("ab", [Correlation("a", "a", 0.5)])
    with pytest.raises(Refused, match="once"):
        pair_up("ab", [Correlation("a", "b", 0.5), Correlation("b", "a", 0.5)])
    with pytest.raises(ModelError, match="unknown"):
        pair_up("ab", [Correlation("a", "c", 0.5)])


@pytest.mark.parametrize(
    ("value", "U", "digits", "shown"),
    [
        (1.23456, 0.0234, 1, ("1.23", "0.03")),
        (1.23456, 0.0304, 1, ("1.23", "0.03")),
        (1.23456, 0.0234, 3, ("1.2346", "0.0234")),
        (1234.56, 0.96, 1, ("1235", "1")),
        (1234.56, 99.6, 2, ("1230", "100")),
        (-1.2355, 0.0251, 2, ("-1.236", "0.025")),
        (0.5, 9.5, 1, ("0", "10")),
        (0.0, 0.21, 2, ("0.00", "0.21")),
    ],
)
def test_rounding_to_other_digits(value: float, U: float, digits: int, shown: tuple[str, str]) -> None:
    assert rounded(value, U, digits) == shown


def test_rounding_refuses_what_is_no_number() -> None:
    for value, U in ((math.nan, 1.0), (1.0, math.inf), (1.0, -0.1)):
        with pytest.raises(Refused):
            rounded(value, U)


def test_distributions_against_scipy() -> None:
    for dof in (1.0, 1.5, 2.0, 3.7, 10.0, 99.0, 1234.5, 2e6, math.inf):
        law = scipy.stats.t(dof) if math.isfinite(dof) else scipy.stats.norm()
        for t in (-40.0, -3.2, -1.0, -1e-6, 0.0, 0.3, 2.0, 7.5, 300.0):
            assert t_cdf(t, dof) == pytest.approx(law.cdf(t), rel=1e-9, abs=1e-15)
        for p in (0.001, 0.2, 0.5, 0.5000001, 0.84, 0.97725, 0.99999):
            assert t_quantile(p, dof) == pytest.approx(law.ppf(p), rel=1e-8, abs=1e-9)
    assert t_cdf(-3.2, 5e7) == pytest.approx(scipy.stats.t(5e7).cdf(-3.2), rel=1e-6)
    for dof in (999.0, 1001.0, 1500.0, 4e4):
        assert t_cdf(-3.2, dof) == pytest.approx(scipy.stats.t(dof).cdf(-3.2), rel=3e-13)
    assert (t_cdf(math.inf, 3.0), t_cdf(-math.inf, 3.0)) == (1.0, 0.0)
    assert math.isnan(t_cdf(math.nan, 3.0))
    for p, dof in ((0.0, 3.0), (1.0, 3.0), (0.5, 0.0), (0.5, math.nan)):
        with pytest.raises(Refused, match="p, dof"):
            t_quantile(p, dof)


@pytest.mark.parametrize(("p", "dof"), [(0.99, 0.01), (0.9, 0.001)])
def test_a_quantile_whose_square_is_no_float_is_cut_there(p: float, dof: float) -> None:
    assert t_quantile(p, dof) == pytest.approx(math.sqrt(sys.float_info.max))


@pytest.mark.parametrize("endless", [Distribution.NORMAL, Distribution.T])
def test_an_error_without_limits_has_no_standard_uncertainty_from_them(endless: Distribution) -> None:
    with pytest.raises(Refused, match="has no limits; give a standard uncertainty") as caught:
        from_limits(1.0, endless)
    assert (caught.value.input, caught.value.value) == ("distribution", endless)


def test_degrees_of_freedom_are_cut_to_whole_ones() -> None:
    """GUM G.4.1; a value a rounding below a whole number counts as that number; never below one."""
    assert coverage_factor(4.999) == coverage_factor(4.0)
    assert coverage_factor(5.0 - 1e-12) == coverage_factor(5.0)
    assert coverage_factor(0.3) == coverage_factor(1.0) == pytest.approx(13.97, abs=0.01)
    assert coverage_factor(math.nan) == coverage_factor(1.0)
    assert coverage_factor(math.inf) == pytest.approx(2.0, abs=3e-5)
    assert coverage_factor(10.0, 0.95) == pytest.approx(2.228, abs=5e-4)


def test_only_single_or_common_effects_can_be_correlated() -> None:
    own = Effect("own", "x", 0.1, Sharing.INDEPENDENT)
    common, y = Effect("common", "x", 0.1, Sharing.COMMON), Effect("y", "y", 0.1)
    point = {"x": (1.0, 2.0), "y": 1.0}
    for effects in ((own, y), (y, own)):
        pair = [Correlation(effects[0].name, effects[1].name, 0.5)]
        with pytest.raises(ModelError, match="single or common"):
            propagate(summed, point, effects, name="s", unit="1", correlations=pair)
    found = propagate(
        summed, point, (common, y), name="s", unit="1", correlations=[Correlation("common", "y", 0.5)]
    )
    assert found.u > 0.0


def test_standard_uncertainties_that_cannot_be() -> None:
    point = {"x": (1.0, 2.0), "y": 1.0}
    for u in ((0.1, -1e-9), (0.1, math.nan), -1e-9, math.inf):
        with pytest.raises(Refused, match=r"e\.u"):
            propagate(summed, point, [Effect("e", "x", u)], name="s", unit="1")
    for dof in (0.0, -1.0, math.nan):
        with pytest.raises(Refused, match=r"e\.dof"):
            propagate(summed, point, [Effect("e", "x", 0.1, dof=dof)], name="s", unit="1")
    with pytest.raises(ModelError, match="needs 2 standard uncertainties"):
        propagate(summed, point, [Effect("e", "x", (0.1,))], name="s", unit="1")
    with pytest.raises(ModelError, match="does not have"):
        propagate(summed, point, [Effect("e", "z", 0.1)], name="s", unit="1")
    with pytest.raises(ModelError, match="must name exactly x, y"):
        propagate(summed, {"x": (1.0, 2.0)}, [Effect("e", "x", 0.1)], name="s", unit="1")


@pytest.mark.parametrize(("u", "digits", "tolerance"), [(0.00035, 2, 5e-6), (2.0, 1, 0.5), (0.0, 2, 0.0)])
def test_the_numerical_tolerance_of_a_simulation(u: float, digits: int, tolerance: float) -> None:
    """The examples of JCGM 101 7.9.2 (from memory): 0.000 35 g to two digits, 2 K to one."""
    assert numerical_tolerance(u, digits) == pytest.approx(tolerance)


def test_the_u_of_few_trials_is_their_standard_deviation() -> None:
    """Divided by one less than their number, as that of any sample."""
    found = _summary([np.array([1.0, 2.0]), np.array([4.0, 5.0])], 0.5, 2)
    assert found.value == pytest.approx(3.0)
    assert found.u == pytest.approx(math.sqrt(10.0 / 3.0))
