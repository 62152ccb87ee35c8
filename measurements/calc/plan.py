"""From a formula and the structure of its uncertainties to one function that does all the sums.

A plan is made once per formula, sizes and structure and kept. Its `run` takes flat numbers and returns
the value, every sensitivity, the contribution of every effect, the variance and the
Welch-Satterthwaite sum. It runs on floats (one session) and on arrays (many sessions at once).

Sources: JCGM 100:2008 5.1 and 5.2 (first order, correlated inputs), G.4 (effective degrees of freedom).
Correlated effects with finite degrees of freedom are treated as one ensemble with the smallest of
their degrees of freedom (after Willink, Metrologia 44 (2007) 340, which asks for equal ones).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache, reduce
from typing import Any, NamedTuple

from . import trace as tracing
from .errors import ModelError
from .trace import Formula, Traced


class Sharing(StrEnum):
    """How one effect acts on the members of the input that it is attached to."""

    COMMON = "common"
    """One error shared by all members (calibration, zero): contributions add before squaring."""
    INDEPENDENT = "independent"
    """Each member has its own error and its own degrees of freedom."""
    POOLED = "pooled"
    """Each member has its own error; its size was estimated once for all of them."""


class Part(NamedTuple):
    """Structure of one effect: flat places of the members, sharing, whether its dof is finite."""

    places: tuple[int, ...]
    sharing: Sharing
    finite_dof: bool


class Propagation(NamedTuple):
    """What `run` returns: floats, or arrays with one entry per session."""

    value: Any
    sensitivities: tuple[Any, ...]
    contributions: tuple[Any, ...]
    variance: Any
    satterthwaite: Any

    @property
    def u(self) -> float:
        """Standard uncertainty (one session)."""
        return math.sqrt(self.variance) if self.variance > 0.0 else 0.0

    @property
    def dof(self) -> float:
        """Effective degrees of freedom (one session); infinite when no part has finite ones."""
        return self.variance * self.variance / self.satterthwaite if self.satterthwaite > 0.0 else math.inf


@dataclass(frozen=True, slots=True)
class Plan:
    """Compiled propagation: call `run(x, u, w, r)`.

    x: value of every scalar input, in the order of the formula's parameters.
    u: standard uncertainty of every member of every effect, in order.
    w: 1/dof of every effect (0 when infinite). r: correlation of every pair.
    """

    traced: Traced
    output: str
    parts: tuple[Part, ...]
    pairs: tuple[tuple[int, int], ...]
    run: Callable[[Sequence[Any], Sequence[Any], Sequence[Any], Sequence[Any]], tuple[Any, ...]]
    values: Callable[[Sequence[Any]], Any]

    def evaluate(
        self, x: Sequence[float], u: Sequence[float], w: Sequence[float], r: Sequence[float] = ()
    ) -> Propagation:
        """Propagate one session. Sensitivities are in the order of the uncertain inputs' places."""
        return Propagation(*self.run(x, u, w, r))

    @property
    def uncertain(self) -> tuple[int, ...]:
        """Flat places of the inputs that some effect acts on, in order."""
        return _uncertain(self.parts)


@lru_cache(maxsize=256)
def make_plan(
    function: Formula,
    sizes: tuple[tuple[str, int], ...],
    output: str | None,
    parts: tuple[Part, ...],
    pairs: tuple[tuple[int, int], ...] = (),
    library: Any = math,
) -> Plan:
    """Trace `function` (see `trace.trace`) and compile its propagation for the library given."""
    traced = tracing.trace(function, sizes)
    target = traced.output(output)
    steps = tracing.needed(traced.graph, [target])
    lines, slopes = tracing.reverse(steps, target, [f"x{i}" for i in _uncertain(parts)])
    unpack = [_unpack(traced.graph.inputs, "x")]
    value_lines = [*unpack, *tracing.forward(steps), f"return {target}"]
    sums, answer = _contributions(parts, pairs, slopes)
    answer = f"return {target}, {_tuple(slopes.values())}, {answer}"
    run_lines = [*unpack, *tracing.forward(steps), *lines, *sums, answer]
    return Plan(
        traced,
        target,
        parts,
        pairs,
        tracing.assemble("run", "x, u, w, r", run_lines, library),
        tracing.assemble("values", "x", value_lines, library),
    )


def _uncertain(parts: Iterable[Part]) -> tuple[int, ...]:
    return tuple(sorted({place for part in parts for place in part.places}))


def _tuple(names: Iterable[str]) -> str:
    return f"({''.join(f'{name}, ' for name in names)})"


def _unpack(names: Sequence[str], source: str) -> str:
    return f"{', '.join(names)}, = {source}" if names else "pass"


def _contributions(
    parts: Sequence[Part], pairs: Sequence[tuple[int, int]], slopes: dict[str, str]
) -> tuple[list[str], str]:
    """Lines for every effect's contribution, and the text of (contributions), variance, W-S sum."""
    lines, place = [], 0
    count = sum(len(p.places) for p in parts)
    lines.append(_unpack([f"u{i}" for i in range(count)], "u"))
    for j, part in enumerate(parts):
        terms = [f"{slopes[f'x{i}']} * u{place + n}" for n, i in enumerate(part.places)]
        place += len(terms)
        lines += _one_effect(j, part, terms)
    for i, (a, b) in enumerate(pairs):
        if not (_signed(parts[a]) and _signed(parts[b])):
            raise ModelError("correlations", "join only effects that are single or common")
        lines.append(f"c{i} = 2.0 * r[{i}] * e{a} * e{b}")
    variance = [f"q{j}" for j in range(len(parts))] + [f"c{i}" for i in range(len(pairs))]
    satterthwaite = _satterthwaite(parts, pairs)
    contributions = _tuple(f"e{j}" if _signed(p) else f"q{j}" for j, p in enumerate(parts))
    return lines, f"{contributions}, {' + '.join(variance) or '0.0'}, {' + '.join(satterthwaite) or '0.0'}"


def _signed(part: Part) -> bool:
    """Whether the effect has one signed contribution (otherwise only its square is known)."""
    return part.sharing is Sharing.COMMON or len(part.places) == 1


def _one_effect(j: int, part: Part, terms: list[str]) -> list[str]:
    if _signed(part):
        return [f"e{j} = {' + '.join(terms)}", f"q{j} = e{j} * e{j}"]
    own_dof = part.finite_dof and part.sharing is Sharing.INDEPENDENT
    lines = []
    for n, term in enumerate(terms):
        lines += [f"m{n} = {term}", f"m{n} = m{n} * m{n}"]
    members = [f"m{n}" for n in range(len(terms))]
    lines.append(f"q{j} = {' + '.join(members)}")
    if own_dof:
        lines.append(f"t{j} = ({' + '.join(f'{m} * {m}' for m in members)}) * w[{j}]")
    return lines


def _satterthwaite(parts: Sequence[Part], pairs: Sequence[tuple[int, int]]) -> list[str]:
    """Terms of the sum of u_i^4 / dof_i; correlated effects count as one ensemble."""
    terms = []
    for group in _ensembles(len(parts), pairs):
        finite = [j for j in group if parts[j].finite_dof]
        if not finite:
            continue
        if len(group) > 1:
            joined = [f"q{j}" for j in group] + [f"c{i}" for i, (a, _) in enumerate(pairs) if a in group]
            weight = reduce(lambda a, b: f"larger({a}, {b})", [f"w[{j}]" for j in finite])
            terms.append(f"({' + '.join(joined)}) ** 2 * {weight}")
        elif _signed(parts[group[0]]) or parts[group[0]].sharing is Sharing.POOLED:
            terms.append(f"q{group[0]} * q{group[0]} * w[{group[0]}]")
        else:
            terms.append(f"t{group[0]}")
    return terms


def _ensembles(count: int, pairs: Iterable[tuple[int, int]]) -> list[list[int]]:
    """Indices 0..count-1 grouped into those joined by correlation."""
    owner = list(range(count))
    for a, b in pairs:
        old, new = owner[b], owner[a]
        owner = [new if o == old else o for o in owner]
    return [[i for i in range(count) if owner[i] == o] for o in dict.fromkeys(owner)]
