"""The network model behind a plan: identified from the readings, refitted after every round.

Every part follows dp = R q**n with one exponent n, so a tree reduces exactly, without iteration: parts side
by side add their conductances g = R**(-1/n), parts in line add their R. A fan that falls along its curve is
a constant pressure behind one more resistance.

What one round shows: with the pressures at the branchings given, every outlet's conductance is its flow over
pressure**(1/n). Flows alone show the pressures only up to how much each branch's own duct takes; that share
(`loss`) is assumed at first, with its uncertainty. What a second round adds: an outlet whose damper nobody
touched kept its conductance, so the change of its flow shows the change of its branch's pressure, and from
it the loss. The fit weighs both (least squares with the assumptions as prior knowledge, Gauss-Newton;
GUM-like in that every figure keeps its uncertainty). Absolute pressures are not needed and not found: they
are in units of the supply's pressure (fan on a curve: its shut-off pressure).

All arrays have a column for each possible truth, the first being the best estimate: the others draw the
readings' errors and what the assumptions may be wrong by (Monte Carlo, JCGM 101, with a stated seed).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .errors import Refused, finite
from .method import Estimate
from .network import USUAL_LOSS, Network, Round, SupplyKind, Tree, check_round, lay_out
from .network_state import Array, State

UNKNOWN_SUPPLY = Estimate(0.3, 0.2)
CURVE_SLOPE = 0.2
"""Relative uncertainty of a curve's slope as read from a maker's sheet (common practice, no source)."""
MODEL = 0.015
"""Relative standard uncertainty by which a real outlet's conductance strays from the model between two
rounds (tees, profiles; this project's own)."""
TRUST = 0.3
"""Relative standard uncertainty of a change of flow that the model predicts, besides what is drawn: ducts
between the outlets of a branch, tees (this project's own)."""
_FLOOR = 0.01


@dataclass(frozen=True, slots=True)
class Loss:
    """Share of the pressure at its start that a branch's duct takes as found ("" : supply and trunk).

    share: now believed. assumed: before any response was seen.
    """

    tag: str
    share: Estimate
    assumed: Estimate


@dataclass(frozen=True, slots=True)
class Identified:
    """A network identified from its rounds. state: as it stands now. g_open, r_open: as first found.

    start: pressure at the start of the tree in the first round, over the supply's. u: relative standard
    uncertainty of one reading of each outlet, common part left out. common: relative, of that part.
    losses, exponent: what was assumed and what the rounds made of it.
    """

    tree: Tree
    state: State
    g_open: Array
    r_open: Array
    start: Array
    u: Array
    common: float
    losses: tuple[Loss, ...]
    exponent: Estimate


@dataclass(frozen=True, slots=True)
class _Seen:
    """Rounds as arrays: flows and relative u of each (live outlets by number), what was adjusted."""

    flows: tuple[Array, ...]
    u: tuple[Array, ...]
    adjusted: tuple[frozenset[int], ...]


def identify(network: Network, rounds: Sequence[Round], draws: int, rng: np.random.Generator) -> Identified:
    """Identify a network from its rounds. Errors: Refused as `lay_out` and `check_round`, for a supply
    curve that does not hold the total flow, and where no round is given.
    """
    tree = lay_out(network)
    if not rounds:
        raise Refused("rounds", "need at least the readings as found")
    seen, common = _see(tree, rounds)
    present = rounds[-1].speed / rounds[0].speed
    assumed = _assumed(tree, float(seen.flows[0].sum()) / present)
    prior, spread = _flat(assumed, network.exponent)
    noisy = [_drawn(f, u, draws, rng) for f, u in zip(seen.flows, seen.u, strict=True)]
    x, gain = _fit(tree, seen, prior, spread)
    columns = np.repeat(x[:, None], draws + 1, axis=1)
    shift = rng.standard_normal((len(x), draws + 1))
    shift[:, 0] = 0.0
    missed = _misses(tree, seen, columns, noisy) - _misses(tree, seen, x[:, None], seen.flows)
    columns -= gain @ np.vstack([missed * _weights(tree, seen), -shift])
    loss, n = _unpack(columns)
    g, r = _through(tree, seen, loss, n, noisy)
    now, first = _averaged(tree, seen, g)
    # What was opened beyond how it was found is as open as is known.
    first = np.where(now[:, :1] > first[:, :1], now, first)
    r_open = np.where(r[-1][:, :1] < r[0][:, :1], r[-1], r[0])
    state = State(tree, n, now, r[-1].copy(), r[-1])
    state.close()
    losses = tuple(
        Loss(tree.tag(b), Estimate(float(row[0]), float(row[1:].std())), assumed[b])
        for b, row in enumerate(loss)
    )
    exponent = Estimate(float(n[0]), float(n[1:].std()))
    return Identified(tree, state, first, r_open, 1.0 - loss[0], seen.u[-1], common, losses, exponent)


def _drawn(flow: Array, u: Array, draws: int, rng: np.random.Generator) -> Array:
    """Readings that might as well have been seen; the first column is what was seen."""
    errors = u[:, None] * rng.standard_normal((len(u), draws + 1))
    errors[:, 0] = 0.0
    found: Array = flow * np.exp(errors)
    return found


def _see(tree: Tree, rounds: Sequence[Round]) -> tuple[_Seen, float]:
    flows, spreads, adjusted, common = [], [], [], 0.0
    for number, survey in enumerate(rounds):
        readings = check_round(tree, survey, f"rounds[{number}]")
        # All rounds as they would have been at the present speed.
        scale = rounds[-1].speed / survey.speed
        flow = scale * np.array([[max(r.flow, 0.0) for r in readings]]).T
        relative = np.array([r.u / r.flow if r.flow > 0.0 else 0.0 for r in readings])
        common = math.sqrt(survey.correlation) * float(relative.mean())
        flows.append(flow)
        spreads.append(math.sqrt(1.0 - survey.correlation) * relative)
        adjusted.append(frozenset(tree.index[tag] for tag in survey.adjusted) if number else frozenset())
    return _Seen(tuple(flows), tuple(spreads), tuple(adjusted)), common


def _assumed(tree: Tree, total: float) -> list[Estimate]:
    """Losses of supply and trunk, then of every branch, before any response is seen."""
    given = [USUAL_LOSS if b.loss is None else b.loss for b in tree.network.branches]
    return [_supply_loss(tree.network, total), *given]


def _supply_loss(network: Network, total: float) -> Estimate:
    """Share of the supply's shut-off pressure that is lost before the first branching."""
    supply, trunk = network.supply, network.supply.trunk
    if supply.kind is SupplyKind.CONSTANT_PRESSURE:
        return trunk
    if supply.kind is SupplyKind.UNKNOWN:
        left = 1.0 - UNKNOWN_SUPPLY.value
        return Estimate(
            UNKNOWN_SUPPLY.value + left * trunk.value,
            math.hypot((1.0 - trunk.value) * UNKNOWN_SUPPLY.u, left * trunk.u),
        )
    fall = _fall(supply.curve, total) / network.exponent.value
    whole = (fall + trunk.value) / (1.0 + fall)
    by_fall = (1.0 - trunk.value) / (1.0 + fall) ** 2
    return Estimate(whole, math.hypot(by_fall * CURVE_SLOPE * fall, trunk.u / (1.0 + fall)))


def _fall(curve: Sequence[tuple[float, float]], flow: float) -> float:
    """-dln(pressure)/dln(flow) at a flow, by the parabola through the three nearest points of the curve."""
    if len(curve) < 3:
        raise Refused("supply.curve", "needs at least three points", len(curve))
    for number, (q, p) in enumerate(curve):
        finite(f"supply.curve[{number}]", q)
        if finite(f"supply.curve[{number}]", p) <= 0.0 or (number and q <= curve[number - 1][0]):
            raise Refused(f"supply.curve[{number}]", "needs pressures above zero and rising flows", (q, p))
    if not curve[0][0] <= flow <= curve[-1][0]:
        raise Refused("supply.curve", "does not reach the total flow that was measured", flow)
    near = sorted(sorted(curve, key=lambda point: abs(point[0] - flow))[:3])
    (q0, p0), (q1, p1), (q2, p2) = near
    first = (p1 - p0) / (q1 - q0)
    second = ((p2 - p1) / (q2 - q1) - first) / (q2 - q0)
    pressure = p0 + first * (flow - q0) + second * (flow - q0) * (flow - q1)
    slope = first + second * (2.0 * flow - q0 - q1)
    if slope > 0.0 or pressure <= 0.0:
        raise Refused("supply.curve", "rises with the flow here: the fan's unstable part has no plan", flow)
    return -slope * flow / pressure


def _flat(losses: Sequence[Estimate], exponent: Estimate) -> tuple[Array, Array]:
    """Unknowns of the fit and their prior spread: logits of the losses, so that none leaves 0 to 1; n."""
    x, spread = [], []
    for loss in losses:
        value = max(loss.value, _FLOOR if loss.u else 0.0)
        x.append(math.log(value / (1.0 - value)) if value else -math.inf)
        spread.append(loss.u / (value * (1.0 - value)) if loss.u else 0.0)
    return np.array([*x, exponent.value]), np.array([*spread, exponent.u])


def _unpack(columns: Array) -> tuple[Array, Array]:
    """Losses and exponent from the unknowns."""
    with np.errstate(over="ignore"):
        return 1.0 / (1.0 + np.exp(-columns[:-1])), columns[-1]


def _fit(tree: Tree, seen: _Seen, prior: Array, spread: Array) -> tuple[Array, Array]:
    """Best unknowns, and how they follow the misses (weighted) and shifts of the prior (in spreads).

    What the responses do not show stays at its prior.
    """
    x = prior.copy()
    free = np.flatnonzero(spread)
    weights = _weights(tree, seen)
    gain = np.zeros((len(x), len(weights) + len(x)))
    for _ in range(6 if len(weights) else 1):
        step = 1e-4 * spread[free]
        columns = np.repeat(x[:, None], len(free) + 1, axis=1)
        columns[free, np.arange(1, len(free) + 1)] += step
        missed = _misses(tree, seen, columns, seen.flows) * weights
        slope = (missed[:, 1:] - missed[:, :1]) / step if len(free) else missed[:, 1:]
        # The prior's rows are put in the unit of its own spread.
        stacked = np.vstack([slope * spread[free], np.eye(len(free))])
        inverse = np.linalg.solve(stacked.T @ stacked, stacked.T) * spread[free][:, None]
        gain[np.ix_(free, np.concatenate([np.arange(len(weights)), len(weights) + free]))] = inverse
        away = (x[free] - prior[free]) / spread[free]
        move = inverse @ np.concatenate([missed[:, 0], away])
        x[free] -= np.clip(move, -spread[free], spread[free])
    return x, gain


def _sums(tree: Tree, flows: Array) -> Array:
    """Flow of trunk and branches from their outlets'."""
    found = np.zeros((tree.first, flows.shape[1]))
    np.add.at(found, list(tree.parent[tree.first :]), flows)
    for branch in reversed(tree.order[1:]):
        found[tree.parent[branch]] += found[branch]
    return found


def _through(
    tree: Tree, seen: _Seen, loss: Array, n: Array, flows: Sequence[Array]
) -> tuple[list[Array], list[Array]]:
    """Conductances of the outlets and resistances of the branches at every round, for given losses."""
    gs: list[Array] = []
    rs: list[Array] = []
    parents = list(tree.parent[tree.first :])
    before = np.zeros_like(loss)
    for number, flow in enumerate(flows):
        through = _sums(tree, flow)
        p, r = np.zeros_like(loss), np.zeros_like(loss)
        for b in tree.order:
            above = p[tree.parent[b]] if b else np.ones_like(n)
            if not number:
                p[b] = above * (1.0 - loss[b])
            elif b in seen.adjusted[number]:
                found = _recovered(tree, seen, number, b, before, rs[-1], flows, through, n)
                p[b] = above * (1.0 - loss[b]) if found is None else found
            else:
                p[b] = above - rs[-1][b] * through[b] ** n
            p[b] = np.clip(p[b], _FLOOR * above, above)
            with np.errstate(divide="ignore", invalid="ignore"):
                r[b] = np.where(through[b] > 0.0, (above - p[b]) / through[b] ** n, 0.0)
        gs.append(flow / p[parents] ** (1.0 / n))
        rs.append(r)
        before = p
    return gs, rs


def _recovered(
    tree: Tree,
    seen: _Seen,
    number: int,
    branch: int,
    before: Array,
    r: Array,
    flows: Sequence[Array],
    through: Array,
    n: Array,
) -> Array | None:
    """Pressure in a branch whose own damper was moved, from the outlets in it that nobody touched."""
    found = []
    stack = [(branch, np.zeros_like(n))]
    while stack:
        node, lost = stack.pop()
        for child in tree.children[node]:
            if child in seen.adjusted[number]:
                continue
            if child < tree.first:
                stack.append((child, lost + r[child] * through[child] ** n))
                continue
            now, then = flows[number][child - tree.first], flows[number - 1][child - tree.first]
            if now[0] > 0.0 and then[0] > 0.0:
                found.append(before[node] * (now / then) ** n + lost)
    return np.mean(found, axis=0) if found else None


def _untouched(tree: Tree, seen: _Seen, number: int) -> npt.NDArray[np.intp]:
    """Outlets with flow in this round and the one before, not adjusted between."""
    alive = (seen.flows[number][:, 0] > 0.0) & (seen.flows[number - 1][:, 0] > 0.0)
    touched = [node - tree.first for node in seen.adjusted[number] if node >= tree.first]
    alive[touched] = False
    return np.flatnonzero(alive)


def _misses(tree: Tree, seen: _Seen, columns: Array, flows: Sequence[Array]) -> Array:
    """Changes of ln g where nothing was touched: zero, were the unknowns right and the readings free of
    errors. One column for each column of unknowns.
    """
    loss, n = _unpack(columns)
    if len(flows) == 1:
        return np.zeros((0, columns.shape[1]))
    gs, _ = _through(tree, seen, loss, n, flows)
    rows = []
    for number in range(1, len(flows)):
        same = _untouched(tree, seen, number)
        rows.append(np.log(gs[number][same] / gs[number - 1][same]))
    return np.vstack(rows)


def _weights(tree: Tree, seen: _Seen) -> Array:
    """One over the standard uncertainty of each miss, as a column."""
    found = [np.zeros(0)]
    for number in range(1, len(seen.flows)):
        same = _untouched(tree, seen, number)
        found.append(1.0 / np.sqrt(seen.u[number][same] ** 2 + seen.u[number - 1][same] ** 2 + MODEL**2))
    return np.concatenate(found)[:, None]


def _averaged(tree: Tree, seen: _Seen, gs: Sequence[Array]) -> tuple[Array, Array]:
    """Conductances now (mean over the rounds since each outlet was last touched) and as first found."""
    now, first = (np.zeros((tree.first + len(gs[0]), gs[0].shape[1])) for _ in range(2))
    for outlet in range(len(gs[0])):
        node = tree.first + outlet
        touched = [t for t in range(len(gs)) if node in seen.adjusted[t]]
        now[node] = _mean(seen, gs, outlet, range(touched[-1] if touched else 0, len(gs)))
        first[node] = _mean(seen, gs, outlet, range(touched[0] if touched else len(gs)))
    return now, first


def _mean(seen: _Seen, gs: Sequence[Array], outlet: int, rounds: range) -> Array:
    """Mean (of logarithms) of one outlet's conductance over rounds; nothing where the last shows no flow.

    A round counts the less the more the flow has changed from then to the last: the model may be wrong
    by a part of that.
    """
    last = float(seen.flows[rounds[-1]][outlet, 0])
    if last <= 0.0:
        return np.zeros_like(gs[-1][outlet])
    total, weight = np.zeros_like(gs[-1][outlet]), 0.0
    for t in rounds:
        flow = float(seen.flows[t][outlet, 0])
        if flow > 0.0:
            w = 1.0 / (seen.u[t][outlet] ** 2 + (TRUST * math.log(flow / last)) ** 2 + 1e-12)
            total, weight = total + w * np.log(gs[t][outlet]), weight + w
    mean: Array = np.exp(total / weight)
    return mean
