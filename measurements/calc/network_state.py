"""The hydraulic state of a branch tree, and how the flows follow one damper.

Every part follows dp = R q**n with one exponent n, so a tree reduces exactly, without iteration: parts side
by side add their conductances g = R**(-1/n), parts in line add their R. The supply's pressure is 1.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .network import Tree

Array = npt.NDArray[np.float64]


@dataclass(slots=True)
class State:
    """A tree with its conductances. Rows: nodes; columns: possible truths.

    n: exponent. g: conductance of every node as its parent sees it. r: resistance of trunk and branches.
    inside: sum of the conductances below the trunk and every branch.
    """

    tree: Tree
    n: Array
    g: Array
    r: Array
    inside: Array

    def close(self) -> None:
        """Work out `inside` and the branches' g from the outlets' g and r."""
        self.inside = np.zeros_like(self.r)
        np.add.at(self.inside, list(self.tree.parent[self.tree.first :]), self.g[self.tree.first :])
        for branch in reversed(self.tree.order):
            self.g[branch] = self.series(self.r[branch], self.inside[branch])
            if branch:
                self.inside[self.tree.parent[branch]] += self.g[branch]

    def series(self, r: Array, inside: Array) -> Array:
        """Conductance of a duct in line with what hangs on it; nothing when nothing flows."""
        with np.errstate(divide="ignore"):
            found: Array = (r + inside**-self.n) ** (-1.0 / self.n)
        return found

    def flow(self, node: int) -> Array:
        """Flow through a node."""
        found: Array = self.g[0]
        while node:
            above = self.tree.parent[node]
            found = found * (self.g[node] / self.inside[above])
            node = above
        return found

    def flows(self) -> Array:
        """Flow of every outlet."""
        through = np.zeros_like(self.r)
        through[0] = self.g[0]
        for branch in self.tree.order[1:]:
            through[branch] = self._part(branch, through)
        parents = list(self.tree.parent[self.tree.first :])
        with np.errstate(invalid="ignore", divide="ignore"):
            found = through[parents] * (self.g[self.tree.first :] / self.inside[parents])
        return np.nan_to_num(found, nan=0.0)

    def _part(self, node: int, through: Array) -> Array:
        above = self.tree.parent[node]
        with np.errstate(invalid="ignore", divide="ignore"):
            found: Array = np.nan_to_num(through[above] * (self.g[node] / self.inside[above]), nan=0.0)
        return found

    def turned(self, node: int, at: int, setting: Array, *, keep: bool = False) -> Array:
        """Flow through any node `at` with another node's damper turned.

        setting: conductance of an outlet, resistance of a branch with its damper. keep: leave it so.
        """
        own = node < self.tree.first
        g = {node: self.series(setting, self.inside[node]) if own else setting}
        inside: dict[int, Array] = {}
        changed = node
        for above in self.tree.up(node):
            inside[above] = self.inside[above] + (g[changed] - self.g[changed])
            g[above] = self.series(self.r[above], inside[above])
            changed = above
        flow: Array = g[0]
        while at:
            above = self.tree.parent[at]
            flow = flow * (g.get(at, self.g[at]) / inside.get(above, self.inside[above]))
            at = above
        if keep:
            if own:
                self.r[node] = setting
            for place, value in g.items():
                self.g[place] = value
            for place, value in inside.items():
                self.inside[place] = value
        return flow
