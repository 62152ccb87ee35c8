"""Integration error from the profile: exact families, coverage on other profiles, invariances, fall-backs."""

import math
import time

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from measurements.calc import Duct, Layout, Refused, Rule, Shape, make_layout
from measurements.calc.distributions import normal_cdf
from measurements.calc.integration import (
    FLOOR,
    FitReason,
    IntegrationSource,
    given_integration,
    integration_estimate,
    left_in_u,
)
from measurements.calc.layout import profile
from tests.calc.worlds import OVAL, RECTANGULAR, ROUND

LAYOUTS = [
    make_layout(ROUND, Rule.LOG_LINEAR, holes=2, points_per_hole=6),
    make_layout(ROUND, Rule.LOG_TCHEBYCHEFF, holes=2, points_per_hole=10),
    make_layout(ROUND, Rule.EQUAL_AREA, holes=3, points_per_hole=8),
    make_layout(RECTANGULAR, Rule.LOG_TCHEBYCHEFF, holes=5, points_per_hole=5),
    make_layout(RECTANGULAR, Rule.EQUAL_AREA, holes=4, points_per_hole=4),
    make_layout(OVAL, Rule.EQUAL_AREA, holes=5, points_per_hole=4),
]
layouts = st.sampled_from(LAYOUTS)


def _scaled(duct: Duct, x: float, y: float) -> tuple[float, float]:
    if duct.shape is Shape.ROUND:
        return 2.0 * x / duct.width, 2.0 * y / duct.width
    return 2.0 * x / duct.width - 1.0, 2.0 * y / duct.depth - 1.0


def _power(layout: Layout, n: float, lean: float = 0.0, size: float = 8.0) -> dict[tuple[int, int], float]:
    found = {}
    for p in layout.points:
        a, _ = _scaled(layout.duct, p.x, p.y)
        found[p.hole + 1, p.row] = size * profile(layout.duct, p.x, p.y, n) * (1.0 + lean * a)
    return found


def _monte_carlo_mean(duct: Duct, velocity: object, count: int = 60_000) -> float:
    """Mean over the section from points spread evenly at random: no part of the code under test."""
    draw = np.random.default_rng(8).uniform(0.0, 1.0, (count, 2))
    if duct.shape is Shape.ROUND:
        r, angle = 0.5 * duct.width * np.sqrt(draw[:, 0]), 2.0 * math.pi * draw[:, 1]
        places = zip(r * np.cos(angle), r * np.sin(angle), strict=True)
    else:
        places = zip(duct.width * draw[:, 0], duct.depth * draw[:, 1], strict=True)
    values = [velocity(float(x), float(y)) for x, y in places]  # type: ignore[operator]
    return math.fsum(values) / len(values)


@pytest.mark.parametrize("layout", LAYOUTS[:5], ids=lambda g: f"{g.rule.value}-{g.duct.shape.value}")
@pytest.mark.parametrize("n", [5.0, 7.0, 10.0])
def test_the_bias_on_a_power_law_is_the_exact_one(layout: Layout, n: float) -> None:
    """Closed forms of the mean: circle 2 n^2 / ((n + 1)(2 n + 1)), rectangle (n / (n + 1))^2."""
    circle, strip = 2.0 * n * n / ((n + 1.0) * (2.0 * n + 1.0)), n / (n + 1.0)
    exact = circle if layout.duct.shape is Shape.ROUND else strip * strip
    velocities = _power(layout, n)
    bias = math.fsum(velocities.values()) / len(velocities) / (8.0 * exact) - 1.0
    found = integration_estimate(layout, velocities)
    assert found.source is IntegrationSource.PROFILE
    assert abs(found.bias - bias) < 2.0 * found.u
    own = {f.family: f.bias for f in found.families}[f"power 1/{n:g}"]
    assert own == pytest.approx(bias, abs=2e-6)


def test_few_points_still_tell_a_logarithmic_profile() -> None:
    """Constant and both walls: what the smallest grid can carry lies on the fit, and its mean is exact."""
    layout = make_layout(RECTANGULAR, Rule.EQUAL_AREA, holes=3, points_per_hole=3)
    logs = {
        (p.hole + 1, p.row): 8.0 + sum(math.log(1.0 - abs(c)) for c in _scaled(RECTANGULAR, p.x, p.y))
        for p in layout.points
    }
    own = next(f for f in integration_estimate(layout, logs).families if f.family == "logarithmic")
    assert own.residual == pytest.approx(0.0, abs=1e-9)
    # The mean of ln over a line from wall to middle is -1.
    assert own.bias == pytest.approx(math.fsum(logs.values()) / len(logs) / 6.0 - 1.0, abs=1e-4)


def test_the_mean_of_a_flat_oval_is_that_of_its_parts() -> None:
    layout, n = LAYOUTS[5], 7.0
    ends = math.pi / 4.0 * OVAL.depth**2
    circle, strip = 2.0 * n * n / ((n + 1.0) * (2.0 * n + 1.0)), n / (n + 1.0)
    exact = (ends * circle + (OVAL.area - ends) * strip) / OVAL.area
    velocities = _power(layout, n, size=1.0)
    bias = math.fsum(velocities.values()) / len(velocities) / exact - 1.0
    found = integration_estimate(layout, velocities)
    assert {f.family: f.bias for f in found.families}["power 1/7"] == pytest.approx(bias, abs=2e-6)


def test_a_flat_oval_without_a_flat_part_has_the_mean_of_a_circle() -> None:
    n = 7.0
    layout = make_layout(Duct(Shape.FLAT_OVAL, 0.3, 0.3), Rule.EQUAL_AREA, holes=5, points_per_hole=4)
    velocities = _power(layout, n, size=1.0)
    circle = 2.0 * n * n / ((n + 1.0) * (2.0 * n + 1.0))
    bias = math.fsum(velocities.values()) / len(velocities) / circle - 1.0
    found = integration_estimate(layout, velocities)
    assert {f.family: f.bias for f in found.families}["power 1/7"] == pytest.approx(bias, abs=2e-6)


@pytest.mark.parametrize("layout", [LAYOUTS[0], LAYOUTS[3], LAYOUTS[4]], ids=["round", "5x5", "4x4"])
def test_estimates_cover_profiles_that_are_no_family(layout: Layout) -> None:
    """Leaning profiles with a bulge anywhere and 1 % noise: about 95 in 100 lie within 2 u."""
    draw = np.random.default_rng(3)
    inside = 0
    for _ in range(12):
        n, lean, px, py, high = (
            float(v) for v in draw.uniform((5, -0.4, -0.7, -0.7, -0.2), (10, 0.4, 0.7, 0.7, 0.3))
        )

        def velocity(x: float, y: float) -> float:
            a, b = _scaled(layout.duct, x, y)
            bump = 1.0 + high * math.exp(-((a - px) ** 2 + (b - py) ** 2) / 0.25)  # noqa: B023
            return profile(layout.duct, x, y, n) * (1.0 + lean * a) * bump  # noqa: B023

        true = _monte_carlo_mean(layout.duct, velocity, 8_000)
        noisy = {
            (p.hole + 1, p.row): velocity(p.x, p.y) * (1.0 + 0.01 * float(draw.normal()))
            for p in layout.points
        }
        found = integration_estimate(layout, noisy)
        mean = math.fsum(noisy.values()) / len(noisy)
        inside += abs(mean / true - 1.0 - found.bias) < 2.0 * math.hypot(found.u, 0.003)
    assert inside >= 10


@given(layouts, st.floats(1e-3, 1e3), st.floats(-0.4, 0.4))
def test_units_do_not_matter(layout: Layout, factor: float, lean: float) -> None:
    plain = _power(layout, 6.3, lean)
    scaled = {k: factor * v for k, v in plain.items()}
    one, other = integration_estimate(layout, plain), integration_estimate(layout, scaled)
    assert other.bias == pytest.approx(one.bias, abs=1e-11)
    assert other.u == pytest.approx(one.u, rel=1e-7)


@given(layouts, st.randoms(use_true_random=False))
def test_order_of_the_readings_does_not_matter(layout: Layout, random: object) -> None:
    plain = _power(layout, 6.3, 0.2)
    items = list(plain.items())
    random.shuffle(items)  # type: ignore[attr-defined]
    assert integration_estimate(layout, dict(items)) == integration_estimate(layout, plain)


@given(st.sampled_from([LAYOUTS[3], LAYOUTS[4], LAYOUTS[5]]), st.floats(-0.5, 0.5))
def test_a_mirrored_profile_has_the_same_error(layout: Layout, lean: float) -> None:
    one = integration_estimate(layout, _power(layout, 6.3, lean))
    other = integration_estimate(layout, _power(layout, 6.3, -lean))
    assert other.bias == pytest.approx(one.bias, abs=1e-10)
    assert other.u == pytest.approx(one.u, rel=1e-6)


@given(layouts, st.floats(0.1, 4.0))
def test_size_of_the_duct_does_not_matter(layout: Layout, factor: float) -> None:
    duct = layout.duct
    height = None if duct.height is None else factor * duct.height
    scaled = make_layout(
        Duct(duct.shape, factor * duct.width, height),
        layout.rule,
        holes=len(layout.holes),
        points_per_hole=layout.rows,
    )
    velocities = _power(layout, 6.3, 0.2)
    one, other = integration_estimate(layout, velocities), integration_estimate(scaled, velocities)
    assert other.bias == pytest.approx(one.bias, abs=1e-9)


def test_more_scatter_costs_more_and_known_fluctuation_is_taken_off() -> None:
    layout = LAYOUTS[3]
    noise = np.random.default_rng(5).normal(0.0, 1.0, len(layout.points))

    def noisy(size: float) -> dict[tuple[int, int], float]:
        plain = _power(layout, 7.0)
        return {k: v * (1.0 + size * float(e)) for (k, v), e in zip(plain.items(), noise, strict=True)}

    u = [integration_estimate(layout, noisy(s)).u for s in (0.0, 0.02, 0.05, 0.1)]
    assert u == sorted(u)
    assert u[-1] > 2.0 * u[1]
    known = integration_estimate(layout, noisy(0.05), fluctuation=0.05 * 7.0)
    assert known.u < 0.8 * u[2]
    assert known.residual == pytest.approx(integration_estimate(layout, noisy(0.05)).residual)


def test_a_poor_profile_costs_more_on_two_diameters_than_on_three() -> None:
    two, three = LAYOUTS[0], make_layout(ROUND, Rule.LOG_LINEAR, holes=3, points_per_hole=6)
    u = [integration_estimate(g, _power(g, 7.0, 0.45)).u for g in (two, three)]
    assert u[0] > 2.0 * u[1]
    calm = integration_estimate(two, _power(two, 7.0))
    assert calm.u < 0.5 * u[0]


def test_other_numbers_of_points_are_compared() -> None:
    found = integration_estimate(LAYOUTS[4], _power(LAYOUTS[4], 7.0))
    fewer, more = found.others
    assert (fewer.holes, fewer.points_per_hole) == (3, 3)
    assert (more.holes, more.points_per_hole) == (5, 5)
    assert fewer.bias > found.bias > more.bias > 0.0
    # on this profile the 5 x 5 of the same rule is known: trv-int-rect-ea5x5 in tests/standards
    assert {f.family: f.weight for f in found.families}["power 1/7"] > 0.2


def test_missing_points_are_accounted_for() -> None:
    layout = LAYOUTS[3]
    velocities = _power(layout, 7.0)
    for place in ((1, 1), (1, 2), (2, 1)):
        del velocities[place]
    found = integration_estimate(layout, velocities)
    assert found.covers_missing
    assert (found.missing, found.points) == (3, 22)
    mean = math.fsum(velocities.values()) / 22.0
    bias = mean / (8.0 * (7 / 8) ** 2) - 1.0
    assert bias > 0.005  # weak corner points are gone
    assert abs(found.bias - bias) < 2.0 * found.u


@pytest.mark.parametrize(
    ("change", "source", "reason"),
    [
        (lambda v: {**v, (1, 1): 0.0}, IntegrationSource.SAMPLE, FitReason.NOT_FORWARD),
        (lambda v: {**v, (1, 1): -2.0}, IntegrationSource.SAMPLE, FitReason.NOT_FORWARD),
        (lambda v: {k: -x for k, x in v.items()}, IntegrationSource.LAYOUT, FitReason.NOT_FORWARD),
        (lambda v: dict(list(v.items())[:5]), IntegrationSource.LAYOUT, FitReason.TOO_FEW_POINTS),
        (lambda v: dict(list(v.items())[:15]), IntegrationSource.LAYOUT, FitReason.MANY_MISSING),
        (lambda v: {(1, 1): 0.0}, IntegrationSource.LAYOUT, FitReason.NOT_FORWARD),
    ],
)
def test_without_a_usable_profile_it_says_so(change: object, source: str, reason: str) -> None:
    found = integration_estimate(LAYOUTS[3], change(_power(LAYOUTS[3], 7.0)))  # type: ignore[operator]
    assert (found.source, found.reason) == (source, reason)
    assert found.bias == 0.0
    assert found.u >= max(abs(LAYOUTS[3].integration_bias) / math.sqrt(3.0), FLOOR)
    assert found.u_uncorrected == found.u
    assert not found.families


def test_a_given_figure_has_the_same_form() -> None:
    found = given_integration(0.015, 25)
    assert (found.u_uncorrected, found.source, found.reason) == (
        0.015,
        IntegrationSource.PUBLISHED,
        FitReason.GIVEN,
    )
    with pytest.raises(Refused, match="integration"):
        given_integration(-0.01, 25)


@given(st.floats(-0.1, 0.1), st.floats(1e-4, 0.05))
def test_a_bias_left_in_is_covered(bias: float, s: float) -> None:
    """The interval of k = 2 about a figure that reads `bias` high holds the true value in 95.45 %."""
    u = math.hypot(s, left_in_u(bias, s))
    high = normal_cdf((2.0 * u - abs(bias)) / s)
    low = normal_cdf((-2.0 * u - abs(bias)) / s)
    assert high - low >= 0.9545 - 1e-6
    assert left_in_u(bias, s) >= 0.5 * abs(bias)
    assert left_in_u(bias, 0.0) == pytest.approx(0.5 * abs(bias))


def test_the_residuals_degrees_of_freedom_are_told() -> None:
    found = integration_estimate(LAYOUTS[3], _power(LAYOUTS[3], 7.0))
    assert 25 - 12 <= found.free <= 25 - 10  # ten terms, twelve with both walls' logarithms
    assert integration_estimate(LAYOUTS[3], {(1, 1): 5.0}).free == 0.0


def test_four_points_are_not_a_profile() -> None:
    layout = make_layout(RECTANGULAR, Rule.EQUAL_AREA, holes=2, points_per_hole=2)
    found = integration_estimate(layout, _power(layout, 7.0))
    assert found.reason is FitReason.TOO_FEW_POINTS
    assert found.u == pytest.approx(abs(layout.integration_bias) / math.sqrt(3.0))


@given(layouts, st.lists(st.floats(0.01, 40.0), min_size=40, max_size=40))
def test_any_forward_velocities_give_a_finite_estimate(layout: Layout, values: list[float]) -> None:
    places = [(p.hole + 1, p.row) for p in layout.points]
    found = integration_estimate(layout, dict(zip(places, values, strict=False)))
    assert math.isfinite(found.bias)
    assert math.isfinite(found.u)
    assert found.u >= FLOOR
    assert found.dof > 0.0
    assert math.fsum(f.weight for f in found.families) == pytest.approx(1.0 if found.families else 0.0)


@pytest.mark.parametrize(
    ("velocities", "fluctuation", "named"),
    [
        ({}, 0.0, "velocities"),
        ({(1, 1): math.nan}, 0.0, "velocities[(1, 1)]"),
        ({(9, 1): 5.0}, 0.0, "velocities"),
        ({(1, 1): 5.0}, -1.0, "fluctuation"),
    ],
)
def test_refusals(velocities: dict[tuple[int, int], float], fluctuation: float, named: str) -> None:
    with pytest.raises(Refused) as caught:
        integration_estimate(LAYOUTS[0], velocities, fluctuation=fluctuation)
    assert caught.value.input == named


def test_it_is_quick_once_the_layout_is_known() -> None:
    layout, velocities = LAYOUTS[3], _power(LAYOUTS[3], 7.0)
    integration_estimate(layout, velocities)
    start = time.perf_counter()
    for _ in range(20):
        integration_estimate(layout, velocities)
    assert (time.perf_counter() - start) / 20 < 0.02  # under 1 ms on an idle machine
