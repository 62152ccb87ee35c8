"""Where every damper of an identified tree must stand so that all outlets have the same share of design."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .network import Damper, Tree
from .network_state import Array, State

_PASSES = 60
_SETTLED = 1e-10


@dataclass(frozen=True, slots=True)
class Aims:
    """g: conductance wanted of every outlet. r: resistance wanted of every branch.

    reference: the child of trunk and of each branch that needs the most pressure for its share (0: none);
    it is left as open as it can be. level: (pressure / share**n) inside trunk and branches.
    """

    g: Array
    r: Array
    reference: tuple[int, ...]
    level: Array


def aims(state: State, g_open: Array, r_open: Array) -> Aims:
    """The dampers' aims, for every possible truth (column); the references are those of the first column.

    An outlet in line with its branch needs the pressure R D**n for a share of one (its level): a branch
    needs the highest level of what hangs on it, and its own loss on top. Where a damper can make up the
    difference it does; where not, the part stays as it is, with more than its share.
    """
    tree, n = state.tree, state.n
    wanted = np.array([o.design for o in tree.network.outlets])
    free = [_adjustable(tree, node, g_open[node]) for node in range(tree.first, tree.first + len(wanted))]
    design = np.zeros((tree.first + len(wanted), 1))
    design[tree.first :, 0] = wanted
    need = np.full_like(g_open, -np.inf)
    live = (design[:, 0] > 0.0) & (g_open[:, 0] > 0.0)
    need[live] = (design[live] / g_open[live]) ** n
    found = _Search(state, g_open, r_open, need, design, {tree.first + i for i, ok in enumerate(free) if ok})
    reference = found.rise(None)
    stuck = any(not ok and g_open[tree.first + i][0] > 0.0 for i, ok in enumerate(free))
    for _ in range(_PASSES if stuck else 1):
        found.fall(reference)
        before = found.carried.copy()
        found.rise(reference)
        if not stuck or np.allclose(before, found.carried, rtol=_SETTLED, atol=0.0):
            break
    found.fall(reference)
    return Aims(found.g, found.r, reference, found.level)


def _adjustable(tree: Tree, node: int, g: Array) -> bool:
    outlet = tree.network.outlets[node - tree.first]
    return tree.damper(node) is not Damper.NONE and outlet.design > 0.0 and bool(g[0] > 0.0)


class _Search:
    """Levels up the tree, then settings down it. carried: design flow of every node, or for a part that
    stays as it is the flow it takes when the others are at a share of one.
    """

    def __init__(
        self, state: State, g_open: Array, r_open: Array, need: Array, design: Array, free: set[int]
    ) -> None:
        self.tree, self.n, self.free = state.tree, state.n, free
        self.r_open, self.need = r_open, need
        self.g = np.where(_shut(state.tree), 0.0, g_open)
        self.r = r_open.copy()
        self.level = np.ones_like(r_open)
        self.carried = np.broadcast_to(design, g_open.shape).copy()

    def rise(self, reference: tuple[int, ...] | None) -> tuple[int, ...]:
        """Work out need and carried of every branch; pick the references unless given."""
        chosen = [0] * self.tree.first
        for b in reversed(self.tree.order):
            children = self.tree.children[b]
            if reference is None:
                pick = max(children, key=lambda c: self.need[c][0], default=0)
                chosen[b] = pick if pick and np.isfinite(self.need[pick][0]) else 0
            else:
                chosen[b] = reference[b]
            inside = self.need[chosen[b]] if chosen[b] else np.full_like(self.n, -np.inf)
            if reference is None:
                self.level[b] = np.where(np.isfinite(inside), inside, 1.0)
            for c in children:
                if c >= self.tree.first and c not in self.free:
                    self.carried[c] = self.g[c] * self.level[b] ** (1.0 / self.n)
            self.carried[b] = sum((self.carried[c] for c in children), np.zeros_like(self.n))
            self.need[b] = inside + self.r_open[b] * self.carried[b] ** self.n
        return tuple(chosen)

    def fall(self, reference: tuple[int, ...]) -> None:
        """Set levels and dampers from the trunk down."""
        for b in self.tree.order:
            inside = self.need[reference[b]] if reference[b] else self.level[b]
            if b == 0:
                self.level[b] = inside
            elif reference[b] and self.tree.damper(b) is not Damper.NONE:
                above = self.level[self.tree.parent[b]]
                self.level[b] = inside
                self.r[b] = np.maximum((above - inside) / self.carried[b] ** self.n, 0.0)
            elif reference[b]:
                above = self.level[self.tree.parent[b]]
                lost = self.r_open[b] * self.carried[b] ** self.n
                self.level[b] = np.maximum(above - lost, 0.01 * above)
            for c in self.tree.children[b]:
                if c in self.free:
                    self.g[c] = self.carried[c] / self.level[b] ** (1.0 / self.n)


def _shut(tree: Tree) -> Array:
    """A column that is 1 for outlets meant to be shut that have a damper for it."""
    shut = [o.design == 0.0 and o.damper is not Damper.NONE for o in tree.network.outlets]
    return np.array([[0.0]] * tree.first + [[float(s)] for s in shut])
