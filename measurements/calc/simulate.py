"""Monte Carlo propagation of distributions, as the cross-check of a first-order result.

Sources: JCGM 101:2008 6.4 (draws), 7.7 (shortest interval), 7.9 (adaptive number of trials), 8 (validation
of the first-order result).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from .distributions import COVERAGE, Distribution
from .errors import Refused
from .plan import Part, Sharing, make_plan
from .trace import Formula
from .uncertainty import Correlation, Effect, Problem, Result, Values, cholesky, problem

Array = npt.NDArray[np.float64]

BLOCK = 10_000
CHUNK = 5_000
MOST_TRIALS = 2_000_000


@dataclass(frozen=True, slots=True)
class Simulation:
    """Outcome of a simulation: mean, standard deviation, shortest interval at `coverage`.

    tolerance: numerical tolerance of u at the digits asked for. stable: mean, u and both ends are known to
    within it.
    """

    value: float
    u: float
    low: float
    high: float
    coverage: float
    trials: int
    tolerance: float
    stable: bool

    def confirms(self, result: Result) -> bool:
        """Whether a first-order result's interval agrees to the tolerance at both ends (JCGM 101 8.1)."""
        low, high = result.interval
        return abs(low - self.low) <= self.tolerance and abs(high - self.high) <= self.tolerance


def monte_carlo(
    function: Formula,
    values: Values,
    effects: Sequence[Effect],
    *,
    output: str | None = None,
    correlations: Sequence[Correlation] = (),
    coverage: float = COVERAGE,
    digits: int = 2,
    trials: int | None = None,
    seed: int = 1,
) -> Simulation:
    """Simulate a model; takes what `propagate` takes.

    trials: None for the adaptive procedure (blocks of 10000 until mean, u and both ends are stable to
    `digits` significant digits of u, at most 2 million). The same seed gives the same answer.
    Errors: Refused where draws have no value (a root of a negative), or correlated effects are not normal.
    """
    flat = problem(function, values, effects, output=output, correlations=correlations)
    draw = sampler(flat, function, output)
    generator = np.random.Generator(np.random.SFC64(seed))
    if trials is not None:
        return _summary([draw(generator, trials)], coverage, digits)
    blocks: list[Array] = []
    while True:
        blocks.append(draw(generator, BLOCK))
        done = _summary(blocks, coverage, digits) if len(blocks) > 1 else None
        if done is not None and (done.stable or done.trials >= MOST_TRIALS):
            return done


def sampler(
    flat: Problem, function: Formula, output: str | None
) -> Callable[[np.random.Generator, int], Array]:
    """A function that draws a number of values of the problem's output."""
    plan = make_plan(function, flat.plan.traced.sizes, output, flat.plan.parts, flat.plan.pairs, np)
    compute = plan.values
    rows = _rows(flat.plan.parts)
    mix = _mixing(flat)
    shift = _Shift(flat, rows)

    def draw(generator: np.random.Generator, trials: int) -> Array:
        out = np.empty(trials)
        drawn = np.empty((sum(map(len, rows)), min(CHUNK, trials)))
        with np.errstate(invalid="ignore", divide="ignore"):
            for first in range(0, trials, CHUNK):
                count = min(CHUNK, trials - first)
                _fill(generator, drawn, flat.effects, rows)
                if mix is not None:
                    drawn[mix[0]] = mix[1] @ drawn[mix[0]]
                out[first : first + count] = compute(shift.columns(drawn))[..., :count]
        if not np.isfinite(out).all():
            raise Refused("inputs", "some draws have no value: an uncertainty is too large for the model")
        return out

    return draw


def _rows(parts: Sequence[Part]) -> list[range]:
    """Rows of deviates that each effect draws: one when common, else one for each member."""
    rows, first = [], 0
    for part in parts:
        count = 1 if part.sharing is Sharing.COMMON else len(part.places)
        rows.append(range(first, first + count))
        first += count
    return rows


def _fill(
    generator: np.random.Generator, drawn: Array, effects: Sequence[Effect], rows: Sequence[range]
) -> None:
    """Standard deviates (mean 0, variance 1; t: its own spread) for every row."""
    generator.standard_normal(out=drawn)
    for effect, own in zip(effects, rows, strict=True):
        shape = (len(own), drawn.shape[1])
        if effect.distribution is Distribution.RECTANGULAR:
            drawn[own.start : own.stop] = generator.uniform(-math.sqrt(3.0), math.sqrt(3.0), shape)
        elif effect.distribution is Distribution.TRIANGULAR:
            drawn[own.start : own.stop] = (generator.random(shape) - generator.random(shape)) * math.sqrt(6.0)
        elif effect.distribution is Distribution.ARCSINE:
            drawn[own.start : own.stop] = math.sqrt(2.0) * np.sin(2.0 * math.pi * generator.random(shape))
        elif effect.distribution is Distribution.T and not math.isinf(effect.dof):
            drawn[own.start : own.stop] = generator.standard_t(effect.dof, shape)


class _Shift:
    """How rows of deviates move the inputs: worked out once, then applied to every chunk.

    scale, offset: of each row. A row that moves one input alone becomes that input's column in place.
    """

    def __init__(self, flat: Problem, rows: Sequence[range]) -> None:
        count = sum(map(len, rows))
        self.x: tuple[float, ...] = flat.x
        self.scale, self.offset = np.ones((count, 1)), np.zeros((count, 1))
        self.moves: list[tuple[int, int, float | None]] = []
        started: set[int] = set()
        place = 0
        for part, own in zip(flat.plan.parts, rows, strict=True):
            for member, i in enumerate(part.places):
                u, row = flat.u[place], own[0] if len(own) == 1 else own[member]
                place += 1
                if len(own) < len(part.places):
                    self.moves.append((i, row, u))
                    continue
                self.scale[row] = u
                if i not in started:
                    self.offset[row] = flat.x[i]
                    started.add(i)
                    self.moves.insert(0, (i, row, None))
                else:
                    self.moves.append((i, row, 1.0))

    def columns(self, drawn: Array) -> list[Any]:
        """Value of every scalar input for each trial; `drawn` is used up."""
        drawn *= self.scale
        drawn += self.offset
        columns: list[Any] = list(self.x)
        for i, row, u in self.moves:
            columns[i] = drawn[row] if u is None else columns[i] + u * drawn[row]
        return columns


def _mixing(flat: Problem) -> tuple[list[int], Array] | None:
    """Rows of correlated effects and the triangle that correlates them."""
    if not flat.plan.pairs:
        return None
    effects = sorted({i for pair in flat.plan.pairs for i in pair})
    for i in effects:
        if flat.effects[i].distribution is not Distribution.NORMAL:
            raise Refused(flat.effects[i].name, "correlated effects are simulated as normal only")
    r = {frozenset(pair): v for pair, v in zip(flat.plan.pairs, flat.r, strict=True)}
    matrix = [[1.0 if a == b else r.get(frozenset((a, b)), 0.0) for b in effects] for a in effects]
    rows = _rows(flat.plan.parts)
    return [rows[i].start for i in effects], np.array(cholesky(matrix))


def _summary(blocks: Sequence[Array], coverage: float, digits: int) -> Simulation:
    """Figures of all trials; stability from the spread of the blocks' own figures (JCGM 101 7.9.4)."""
    every = np.concatenate(blocks)
    mean, u = float(every.mean()), float(every.std(ddof=1))
    low, high = shortest_interval(every, coverage)
    tolerance = numerical_tolerance(u, digits)
    stable = False
    if len(blocks) > 1:
        figures = np.array([(b.mean(), b.std(ddof=1), *shortest_interval(b, coverage)) for b in blocks])
        spread = 2.0 * figures.std(axis=0, ddof=1) / math.sqrt(len(blocks))
        stable = bool((spread < tolerance).all())
    return Simulation(mean, u, low, high, coverage, len(every), tolerance, stable)


def numerical_tolerance(u: float, digits: int) -> float:
    """Half a unit of the last of `digits` significant digits of u (JCGM 101 7.9.2)."""
    if u <= 0.0:
        return 0.0
    return 0.5 * 10.0 ** (math.floor(math.log10(u)) - digits + 1)


def shortest_interval(values: Array, coverage: float) -> tuple[float, float]:
    """Shortest interval that holds the share `coverage` of the values (JCGM 101 7.7.4)."""
    ordered = np.sort(values)
    inside = min(int(coverage * len(ordered) + 0.5), len(ordered) - 1)
    widths = ordered[inside:] - ordered[: len(ordered) - inside]
    start = int(widths.argmin())
    return float(ordered[start]), float(ordered[start + inside])
