"""Many sessions of one model at once: first-order propagation over columns of arrays.

The compiled code of one session runs on blocks of sessions that fit the processor's cache. Shapes: N
sessions; an input with m members is an array (m, N), a scalar input a float or an array (N,).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from .distributions import COVERAGE, coverage_factor
from .errors import ModelError, Refused
from .plan import Part, Plan, Sharing, make_plan
from .trace import Formula, trace
from .uncertainty import Correlation, pair_up

Array = npt.NDArray[np.float64]
BLOCK = 2048


@dataclass(frozen=True, slots=True)
class BatchEffect:
    """One cause of uncertainty in every session: see `uncertainty.Effect`.

    u: float; for a scalar input also (N,); for one of m members also (m, 1) or (m, N). dof: of all sessions.
    """

    name: str
    on: str
    u: float | Array
    sharing: Sharing = Sharing.INDEPENDENT
    dof: float = math.inf


@dataclass(frozen=True, slots=True)
class BatchResult:
    """Arrays (N,) of values, standard uncertainties and degrees of freedom; shares (effects, N)."""

    value: Array
    u: Array
    dof: Array
    shares: Array

    def expanded(self, coverage: float = COVERAGE) -> Array:
        """Expanded uncertainty of every session."""
        whole = np.where(np.isfinite(self.dof), np.floor(np.maximum(self.dof, 1.0) + 1e-9), np.inf)
        known, place = np.unique(whole, return_inverse=True)
        factors = np.array([coverage_factor(float(v), coverage) for v in known])
        return np.asarray(factors[place] * self.u, dtype=np.float64)


def propagate_batch(
    function: Formula,
    values: Mapping[str, float | Array],
    effects: Sequence[BatchEffect],
    *,
    output: str | None = None,
    correlations: Sequence[Correlation] = (),
    block: int = BLOCK,
) -> BatchResult:
    """First-order propagation of N sessions.

    Shares are of the variance; with correlations they leave the covariances out.
    Errors: ModelError (shapes, names), Refused (a session whose value is not finite).
    """
    pairs, r = pair_up([e.name for e in effects], correlations)
    sizes = tuple((n, len(v)) for n, v in values.items() if not isinstance(v, float) and np.ndim(v) == 2)
    plan = _plan(function, values, sizes, effects, output, pairs)
    x = _rows(values, plan)
    u = _uncertainties(effects, plan.parts)
    count = _count(x)
    w = [1.0 / e.dof for e in effects]
    answer = BatchResult(np.empty(count), np.empty(count), np.empty(count), np.empty((len(effects), count)))
    with np.errstate(invalid="ignore", divide="ignore"):
        for first in range(0, count, block):
            part = slice(first, min(first + block, count))
            _solve_block(plan, [_cut(v, part) for v in x], [_cut(v, part) for v in u], (w, r), answer, part)
    if not np.isfinite(answer.value).all():
        bad = int(np.argmin(np.isfinite(answer.value)))
        raise Refused(f"session[{bad}]", "has no value: check its inputs")
    return answer


def _plan(
    function: Formula,
    values: Mapping[str, float | Array],
    sizes: tuple[tuple[str, int], ...],
    effects: Sequence[BatchEffect],
    output: str | None,
    pairs: tuple[tuple[int, int], ...],
) -> Plan:
    places = trace(function, sizes).inputs
    if set(values) != set(places):
        raise ModelError("values", f"must name exactly {', '.join(places)}", sorted(values))
    for e in effects:
        if e.on not in places:
            raise ModelError(e.name, "acts on an input that the model does not have", e.on)
    parts = tuple(Part(places[e.on], e.sharing, not math.isinf(e.dof)) for e in effects)
    return make_plan(function, sizes, output, parts, pairs, np)


def _rows(values: Mapping[str, float | Array], plan: Plan) -> list[Any]:
    rows: list[Any] = []
    for name in plan.traced.inputs:
        value = values[name]
        rows += list(value) if np.ndim(value) == 2 else [value]  # type: ignore[arg-type]
    return rows


def _uncertainties(effects: Sequence[BatchEffect], parts: Sequence[Part]) -> list[Any]:
    rows: list[Any] = []
    for effect, part in zip(effects, parts, strict=True):
        members = len(part.places)
        u: Any = effect.u
        if np.ndim(u) < 2:
            rows += [u] * members
        elif len(u) == members:
            rows += [row if len(row) > 1 else float(row[0]) for row in u]
        else:
            raise ModelError(effect.name, f"needs {members} rows of uncertainties", np.shape(u))
    return rows


def _count(x: Sequence[Any]) -> int:
    lengths = {len(v) for v in x if np.ndim(v) == 1}
    if len(lengths) != 1:
        raise ModelError("values", "need arrays of one length, the number of sessions", sorted(lengths))
    return int(lengths.pop())


def _cut(value: Any, part: slice) -> Any:
    return value[part] if np.ndim(value) else value


def _solve_block(
    plan: Plan, x: list[Any], u: list[Any], weights: Any, answer: BatchResult, part: slice
) -> None:
    value, _, contributions, variance, satterthwaite = plan.run(x, u, *weights)
    answer.value[part] = value
    answer.u[part] = np.sqrt(variance)
    answer.dof[part] = np.where(np.asarray(satterthwaite) > 0.0, variance * variance / satterthwaite, np.inf)
    shares = answer.shares[:, part]
    for row, (contribution, structure) in enumerate(zip(contributions, plan.parts, strict=True)):
        signed = structure.sharing is Sharing.COMMON or len(structure.places) == 1
        shares[row] = contribution * contribution if signed else contribution
    shares /= variance
