"""The tracer: the same digits as the plain formula, exact derivatives, no branching."""

import math
import re
from typing import NamedTuple

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from measurements.calc.errors import ModelError
from measurements.calc.plan import Part, Sharing, make_plan
from measurements.calc.trace import cos, exp, forward, log, needed, reverse, sin, sqrt, trace

numbers = st.floats(0.3, 3.0)


def everything(a: float, b: float, c: tuple[float, ...]) -> float:
    """Every operation at least once, in both orders."""
    s = sum([x * x for x in c])
    first = (a + 2.0) * (3.0 - b) / (a - 5.0) + 1.0 / b + (-a) + (+b + 0)
    second = exp(-a * 0.3) + log(b + s) + sqrt(a * b) + sin(a) * cos(b)
    return first * second + a**2.5 + 2.0**b + a**b + s / (a + b) - 7.0


PARTS = tuple(Part((i,), Sharing.COMMON, False) for i in range(5))
PLAN = make_plan(everything, (("c", 3),), None, PARTS)


@given(numbers, numbers, st.tuples(numbers, numbers, numbers))
def test_traced_value_has_the_digits_of_the_formula(
    a: float, b: float, c: tuple[float, float, float]
) -> None:
    assert PLAN.values((a, b, *c)) == everything(a, b, c)


@given(numbers, numbers, st.tuples(numbers, numbers, numbers))
def test_slopes_agree_with_differences(a: float, b: float, c: tuple[float, float, float]) -> None:
    x = (a, b, *c)
    slopes = PLAN.evaluate(x, (1.0,) * 5, (0.0,) * 5).sensitivities
    for i, slope in enumerate(slopes):
        h = 1e-5
        up, down = list(x), list(x)
        up[i] += h
        down[i] -= h
        numeric = (
            everything(up[0], up[1], tuple(up[2:])) - everything(down[0], down[1], tuple(down[2:]))
        ) / (2 * h)
        assert slope == pytest.approx(numeric, rel=1e-5, abs=1e-6)


def test_arrays_give_what_floats_give() -> None:
    generator = np.random.default_rng(3)
    x = generator.uniform(0.3, 3.0, (5, 40))
    kept = x.copy()
    over = make_plan(everything, (("c", 3),), None, PARTS, (), np).run(list(x), [1.0] * 5, [0.0] * 5, ())
    assert (x == kept).all()
    for j in range(40):
        one = PLAN.evaluate(tuple(x[:, j]), (1.0,) * 5, (0.0,) * 5)
        assert over[0][j] == pytest.approx(one.value, rel=1e-13)
        assert [s[j] for s in over[1]] == pytest.approx(list(one.sensitivities), rel=1e-12, abs=1e-12)


def test_equal_subexpressions_are_computed_once() -> None:
    def twice(a: float, b: float) -> float:
        return sqrt(a / b) + sqrt(a / b) * 2.0

    found = trace(twice)
    lines = forward(needed(found.graph, [found.output(None)]))
    assert sum("sqrt" in line for line in lines) == 1


def test_no_step_of_the_backward_sweep_is_idle_or_done_twice() -> None:
    def roots(a: float, b: float, c: float) -> float:
        root = sqrt(a * b)
        return root * c + log(a) / root + sqrt(a + b) * sqrt(a + c)

    found = trace(roots)
    steps = needed(found.graph, [found.output(None)])
    lines, slopes = reverse(steps, found.output(None), found.graph.inputs)
    made = dict(line.split(" = ") for line in lines)
    assert len(set(made.values())) == len(lines)
    for name, how in made.items():
        assert not how.isidentifier(), f"{name} is another name for {how}"
        assert name in slopes.values() or any(re.search(rf"\b{name}\b", other) for other in made.values())


class Pair(NamedTuple):
    """Two outputs."""

    first: float
    second: float


def two(a: float, b: float) -> Pair:
    """Outputs that need different inputs."""
    return Pair(a * 2.0, exp(b))


def test_an_output_computes_only_what_it_needs() -> None:
    plan = make_plan(two, (), "first", (Part((0,), Sharing.COMMON, False),))
    assert plan.values((1.0, 1e9)) == 2.0  # exp(1e9) would overflow
    with pytest.raises(ModelError, match="choose one of first, second"):
        make_plan(two, (), None, ())


def test_a_formula_must_not_branch_on_a_value() -> None:
    def branching(a: float) -> float:
        return a if a > 1.0 else 2.0 * a

    with pytest.raises(ModelError, match="branches"):
        trace(branching)


def test_a_size_must_name_an_input() -> None:
    with pytest.raises(ModelError, match="is not an input"):
        trace(two, (("c", 3),))


@settings(max_examples=30)
@given(st.integers(1, 60))
def test_long_sums_have_slope_one(n: int) -> None:
    def total(x: tuple[float, ...]) -> float:
        return sum(x)

    plan = make_plan(total, (("x", n),), None, (Part(tuple(range(n)), Sharing.INDEPENDENT, False),))
    found = plan.evaluate((1.0,) * n, (2.0,) * n, (0.0,))
    assert found.sensitivities == (1.0,) * n
    assert found.u == pytest.approx(2.0 * math.sqrt(n))
