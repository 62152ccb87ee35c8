"""The steps of a plan, walked through in every possible truth, and the reading to set at each."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from .method import Estimate
from .network import Damper, Tree
from .network_aims import Aims
from .network_model import TRUST, Identified
from .network_state import Array
from .network_steps import Action, Settings, Step, Witness

WITHIN = 0.5
"""Part of TRUST that outlets of one branch stray from each other (this project's own)."""
ALIKE = 0.75
"""Part of the variance of the branches' levels that is the whole tree's (this project's own)."""
_NUDGE = 0.02
_MOST_GAIN = 1.2


def deepest(tree: Tree, wanted: Aims, branch: int) -> int:
    """Reference outlet of a branch: the reference of its reference, down to an outlet (0: none)."""
    node = branch
    while node < tree.first:
        node = wanted.reference[node]
        if not node:
            return 0
    return node


@dataclass(frozen=True, slots=True)
class _Sight:
    """Surprises (logarithms) that the readings around an adjustment may show. stray: of the flow itself.

    right: of what is right to set. tag: of the witness (0: none), expected: its reading.
    """

    before: Array
    stray: Array
    right: Array
    tag: int
    witness: Array
    expected: float


class Walk:
    """Walks through the adjustments, in the best estimate and in every possible truth at once."""

    def __init__(self, found: Identified, wanted: Aims, settings: Settings, rng: np.random.Generator) -> None:
        self.found, self.wanted, self.settings, self.rng = found, wanted, settings, rng
        self.tree, self.state = found.tree, found.state
        self.taken = 0
        first = self.tree.first
        with np.errstate(divide="ignore"):
            branches = [np.log(self.state.flow(b)[0]) if b else 0.0 for b in range(first)]
            self.known = np.concatenate([branches, np.log(self.state.flows()[:, 0])])
            self.pinned = {b: self._level(b) for b in self.tree.order}
        self.done = dict(self.pinned)
        self.own = {node: self.pinned[self.tree.parent[node]] for node in range(first, len(self.tree.parent))}
        self.design = _designs(self.tree)

    def steps(self) -> Iterator[Step]:
        """The adjustments; the state is moved along."""
        yield from filter(None, map(self._shut, range(self.tree.first, len(self.tree.parent))))
        for b in reversed(self.tree.order):
            yield from filter(None, map(self._outlet, self._outlets(b)))
            self.done[b] = self._level(b)
            branches = [c for c in self.tree.children[b] if c < self.tree.first]
            yield from filter(None, map(self._branch, branches))

    def _outlets(self, branch: int) -> list[int]:
        """A branch's outlets with a damper, the largest adjustment first: the smaller ones see its effect."""
        g, aim = self.state.g, self.wanted.g
        nodes = [
            c
            for c in self.tree.children[branch]
            if c >= self.tree.first and aim[c][0] > 0.0 and self.tree.damper(c) is not Damper.NONE
        ]
        return sorted(nodes, key=lambda c: -abs(math.log(aim[c][0] / g[c][0])))

    def _shut(self, node: int) -> Step | None:
        now = self.state.g[node]
        if self.wanted.g[node][0] > 0.0 or now[0] <= 0.0:
            return None
        before = self.state.flow(node)
        self.state.turned(node, node, np.zeros_like(now), keep=True)
        self.taken += 1
        expected = estimate(before, float(self.found.u[node - self.tree.first]))
        tag, nothing = self.tree.tag(node), Estimate(0.0, 0.0)
        return Step(self.taken, tag, Action.SHUT, tag, expected, nothing, None, nothing, nothing, 0.0)

    def _outlet(self, node: int) -> Step | None:
        return self._turn(node, node, self.wanted.g[node])

    def _branch(self, node: int) -> Step | None:
        at = deepest(self.tree, self.wanted, node)
        if at and self.tree.network.branches[node - 1].meter_u is not None:
            at = node
        if not at or self.tree.damper(node) is Damper.NONE:
            return None
        return self._turn(node, at, self.wanted.r[node])

    def _turn(self, node: int, at: int, aim: Array) -> Step | None:
        """One adjustment: node's damper to its aim, read at an outlet."""
        before, target = self.state.flow(at), self.state.turned(node, at, aim)
        if abs(math.log(target[0] / before[0])) < self.settings.leave:
            return None
        sight = self._look(node, at, aim, before)
        right = np.log(target) + sight.right
        gain = _gains(right, sight.before)
        left = right - gain[0] * sight.before
        witness = None
        surprise = gain[0] * sight.before
        if sight.tag and spread(left) > self.settings.witness:
            both = _gains(right, sight.before, sight.witness)
            surprise = both[0] * sight.before + both[1] * sight.witness
            left = right - surprise
            expected = _about(sight.expected, sight.witness)
            witness = Witness(self.tree.tag(sight.tag), expected, both[0], both[1])
        through, takes = self._takes(node, aim)
        goal = np.log(target[0]) + surprise - self._errors(self._u(at)) - sight.stray
        self.state.turned(node, at, self._reached(node, at, aim, np.log(target), goal), keep=True)
        self.taken += 1
        self.known[at] = math.log(target[0])
        self._pin(node)
        return Step(
            self.taken,
            self.tree.tag(node),
            Action.CLOSE if target[0] < before[0] else Action.OPEN,
            self.tree.tag(at),
            _about(float(before[0]), sight.before),
            _about(float(target[0]), left),
            float(target[0]) / self.design[at],
            through,
            takes,
            gain[0],
            witness,
        )

    def _look(self, node: int, at: int, aim: Array, before: Array) -> _Sight:
        """What readings before turning and at a witness would show in every possible truth.

        The model may be wrong by a part of every change of pressure it predicts: that moves the reading
        before, the witness and what is right to set; together within one branch.
        """
        one = self._errors(1.0)
        stray = TRUST * (math.log(before[0]) - self.known[at]) * one
        seen = np.log(before / before[0]) + stray + self._errors(self._u(at))
        above = self.tree.parent[node]
        tag = deepest(self.tree, self.wanted, above)
        if not tag or node in (tag, *self.tree.up(tag)):
            return _Sight(seen, stray, stray, 0, seen, 0.0)
        then, now = self.state.flow(tag), self.state.turned(node, tag, aim)
        other = one if self.tree.parent[tag] == self.tree.parent[at] else self._errors(1.0)
        moved = TRUST * (math.log(then[0]) - self.known[tag]) * other
        moved = moved + TRUST * math.log(now[0] / then[0]) * self._errors(1.0)
        shown = np.log(now / now[0]) + moved + self._errors(self._u(tag))
        return _Sight(seen, stray, moved, tag, shown, float(now[0]))

    def _u(self, node: int) -> float:
        if node < self.tree.first:
            return self.tree.network.branches[node - 1].meter_u or 0.0
        return float(self.found.u[node - self.tree.first])

    def _takes(self, node: int, aim: Array) -> tuple[Estimate, Estimate]:
        """Flow through a damper at its aim, and the pressure it takes there besides what it takes now."""
        state = self.state
        flow = state.turned(node, node, aim)
        if node < self.tree.first:
            more = aim - state.r[node]
        else:
            more = aim**-state.n - state.g[node] ** -state.n
        return estimate(flow), estimate(more * flow**state.n / self.found.start)

    def flows(self) -> Array:
        """Flows after the steps, with how far what follows an adjustment may go another way.

        The level of a whole branch may, since it was last set at one of its outlets or at its damper. An
        outlet may within its branch by a part of that (`WITHIN`), from its own setting until the branch's
        outlets are done: after that all of them go up and down together.
        """
        flows, first = self.state.flows(), self.tree.first
        tree = self._errors(math.sqrt(ALIKE))
        row = {}
        for b in self.tree.order:
            far = self._level(b) - self.pinned[b]
            row[b] = (far if math.isfinite(far) else 0.0) * (tree + self._errors(math.sqrt(1.0 - ALIKE)))
        strayed = []
        for node in range(first, len(self.tree.parent)):
            b = self.tree.parent[node]
            far = self.done[b] - self.own[node]
            strayed.append(row[b] + WITHIN * (far if math.isfinite(far) else 0.0) * self._errors(1.0))
        found: Array = flows * np.exp(TRUST * np.array(strayed))
        return found

    def _level(self, branch: int) -> float:
        """Logarithm of the pressure inside a branch, as it acts on flows (not finite without flow)."""
        with np.errstate(divide="ignore", invalid="ignore"):
            return float(np.log(self.state.flow(branch)[0] / self.state.inside[branch][0]))

    def _pin(self, node: int) -> None:
        """Remember the levels of what was set: an outlet's branch, or a branch and all below it."""
        stack = [node] if node < self.tree.first else []
        if not stack:
            level = self._level(self.tree.parent[node])
            self.pinned[self.tree.parent[node]] = self.own[node] = level
        while stack:
            branch = stack.pop()
            self.pinned[branch] = self._level(branch)
            stack += [c for c in self.tree.children[branch] if c < self.tree.first]

    def _errors(self, u: float) -> Array:
        found: Array = u * self.rng.standard_normal(len(self.state.n))
        found[0] = 0.0
        return found

    def _reached(self, node: int, at: int, aim: Array, got: Array, goal: Array) -> Array:
        """The setting at which the flow is `goal` (its logarithm), from the aim by the slope there."""
        base = self.state.inside[node] ** -self.state.n if node < self.tree.first else 0.0
        nudged = (aim + base) * (1.0 + _NUDGE)
        slope = (np.log(self.state.turned(node, at, nudged - base)) - got) / math.log1p(_NUDGE)
        setting: Array = (aim + base) * np.exp(np.clip((goal - got) / slope, -0.5, 0.5)) - base
        return np.maximum(setting, 0.0)


def _gains(right: Array, *seen: Array) -> list[float]:
    """Regression of what is right to set on one or two readings, over the possible truths."""
    y = _away(right)
    rows = [_away(row) for row in seen]
    squares = [float(row @ row) for row in rows]
    along = [float(row @ y) for row in rows]
    if not all(square > 0.0 for square in squares):
        return [0.0] * len(seen)
    if len(rows) == 1:
        slopes = [along[0] / squares[0]]
    else:
        across = float(rows[0] @ rows[1])
        rest = squares[0] * squares[1] * (1.0 + 1e-9) - across * across
        slopes = [
            (along[0] * squares[1] - along[1] * across) / rest,
            (along[1] * squares[0] - along[0] * across) / rest,
        ]
    return [min(max(slope, 0.0), _MOST_GAIN) for slope in slopes]


def _away(row: Array) -> Array:
    """The possible truths' distances from their mean."""
    draws = row[1:]
    found: Array = draws - draws.sum() / len(draws)
    return found


def spread(row: Array) -> float:
    """Standard deviation of the possible truths."""
    away = _away(row)
    return math.sqrt(float(away @ away) / len(away))


def _about(value: float, surprise: Array) -> Estimate:
    """A reading and the spread of its logarithm."""
    return Estimate(value, value * spread(surprise))


def _designs(tree: Tree) -> list[float]:
    """Design flow of every node."""
    found = [0.0] * tree.first + [o.design for o in tree.network.outlets]
    for node in [*range(tree.first, len(found)), *reversed(tree.order[1:])]:
        found[tree.parent[node]] += found[node]
    return found


def estimate(values: Array, u: float = 0.0) -> Estimate:
    """First column with the spread of the others; u: relative, of something more, in quadrature."""
    return Estimate(float(values[0]), math.hypot(spread(values), u * float(values[0])))
