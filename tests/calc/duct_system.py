"""An invented duct system that behaves as a real one, to be balanced by the tests: its own solver.

Nothing here is shared with the planner's model. The fan follows a parabola. Ducts lose k q**1.85, segment by
segment along trunk and branches, so that outlets of one branch do not share one pressure. Take-offs lose by
the ratio of the flows (more when little is taken from a full duct), straight passages a part of the speed
change. Terminals follow q**2, dampers close from open with ln(zeta) linear in the angle. Readings have the
instrument's common error, a spread of their own and the display's resolution.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq  # type: ignore[import-untyped]

from measurements.calc.method import Estimate
from measurements.calc.network import Branch, Damper, Network, Outlet, Reading, Round, Supply, SupplyKind

Array = npt.NDArray[np.float64]

EXPONENT = 1.85
CLOSED = 300.0
"""Zeta of a damper as far as it closes, over the terminal's."""


@dataclass
class DuctSystem:
    """Flows m3/s, pressures Pa. Segments are numbered; `path` says which of them feed each outlet.

    outlet_zeta: terminal, Pa/(m3/s)**2. damper: extra zeta of every outlet and branch by tag.
    takeoff: segments that leave another one at a side. fan: p0, a of p0 + a Q - b Q**2 (p0, a, b).
    """

    outlets: list[str]
    branch_of: list[str]
    design: Array
    path: Array
    k: Array
    upstream: list[int]
    takeoff: Array
    terminal: Array
    branches: list[str]
    first_segment: list[int]
    fan: tuple[float, float, float]
    rng: np.random.Generator
    spread: float = 0.005
    resolution: float = 1e-4
    damper: dict[str, float] = field(default_factory=dict)
    readings: int = 0
    start: Array | None = None

    def __post_init__(self) -> None:
        self.gain = 1.0 + 0.03 * float(self.rng.standard_normal())
        self.number = {tag: i for i, tag in enumerate(self.outlets)}

    def flows(self, held: dict[int, float] | None = None) -> Array:
        """Flow of every outlet; `held`: outlets kept at a flow whatever that takes (a damper being set)."""
        fixed = held or {}
        q = self.design.copy() if self.start is None else self.start.copy()
        for i, flow in fixed.items():
            q[i] = flow
        free = np.array([i for i in range(len(q)) if i not in fixed])
        for _ in range(200):
            miss, slope = self._misses(q)
            step = np.linalg.solve(slope[np.ix_(free, free)], miss[free])
            new = q[free] + step
            q[free] = np.where(new > 0.2 * q[free], new, 0.2 * q[free])
            if np.max(np.abs(step) / self.design[free]) < 1e-9:
                self.start = q.copy()
                return q
        raise RuntimeError("the flows do not settle")

    def left(self, q: Array, i: int) -> float:
        """Pressure left over at an outlet, Pa: what its damper must take besides what it takes."""
        return float(self._misses(q)[0][i])

    def _misses(self, q: Array) -> tuple[Array, Array]:
        """Pressure left over at every outlet, and how much it falls with every flow (positive)."""
        through = self.path.T @ q
        p0, a, b = self.fan
        total = float(q.sum())
        lost = self.k * through**EXPONENT
        slope = EXPONENT * self.k * through ** (EXPONENT - 1.0)
        # The duct a segment leaves from; straight ones lose a little of the velocity pressure they give up.
        above = np.array([through[u] if u >= 0 else through[j] for j, u in enumerate(self.upstream)])
        ratio = through / above
        side = self.takeoff * (0.6 + 0.5 * (1.0 - ratio) ** 2)
        straight = np.where(self.takeoff > 0.0, 0.0, 0.25 * self.tee * (1.0 - ratio) ** 2)
        lost += side * through**2 + straight * above**2
        slope += 2.0 * side * through
        for place, tag in enumerate(self.branches):
            zeta = self.damper.get(tag, 0.0)
            segment = self.first_segment[place]
            lost[segment] += zeta * through[segment] ** 2
            slope[segment] += 2.0 * zeta * through[segment]
        extra = np.array([self.damper.get(tag, 0.0) for tag in self.outlets])
        miss = p0 + a * total - b * total**2 - self.path @ lost - (self.terminal + extra) * q**2
        jacobian = (self.path * slope) @ self.path.T + np.diag(2.0 * (self.terminal + extra) * q)
        jacobian += 2.0 * b * total - a
        return miss, jacobian

    @property
    def declared(self) -> float:
        """Relative standard uncertainty that the technician states of a reading, the common part left out."""
        return self.spread

    @property
    def tee(self) -> Array:
        """Scale of straight passages, of the order of the take-offs' zeta."""
        return np.full(len(self.k), float(self.takeoff.max()) * 0.1)

    def read(self, tag: str) -> float:
        """One reading (mean of repeats) at an outlet, as shown."""
        self.readings += 1
        true = self.flows()[self.number[tag]]
        shown = true * self.gain * (1.0 + self.spread * self.rng.standard_normal())
        return float(round(shown / self.resolution) * self.resolution)

    def survey(self, adjusted: tuple[str, ...] = ()) -> Round:
        """Read every outlet."""
        rows = []
        for tag in self.outlets:
            flow = self.read(tag)
            own = np.hypot(self.declared * flow, self.resolution / np.sqrt(12.0))
            whole = float(np.hypot(own, 0.03 * flow))
            rows.append(Reading(tag, flow, whole))
        alike = 0.03**2 / (0.03**2 + self.declared**2)
        return Round(tuple(rows), adjusted, alike)

    def set_outlet(self, tag: str, shown: float) -> None:
        """Turn an outlet's damper until the display shows the flow wanted, or the damper is at its end."""
        i = self.number[tag]
        self.readings += 1
        target = shown / (self.gain * (1.0 + self.spread * self.rng.standard_normal()))
        q = self.flows({i: target})
        zeta = self.damper.get(tag, 0.0) + self.left(q, i) / target**2
        self.damper[tag] = float(np.clip(zeta, 0.0, CLOSED * self.terminal[i]))
        self.flows()

    def set_branch(self, tag: str, at: str, shown: float) -> None:
        """Turn a branch damper until the display at an outlet below shows the flow wanted."""
        i = self.number[at]
        self.readings += 1
        target = shown / (self.gain * (1.0 + self.spread * self.rng.standard_normal()))

        def beyond(log: float) -> float:
            self.damper[tag] = math.exp(log) - 1.0
            return float(self.flows()[i]) / target - 1.0

        turn_to(beyond, 0.0, math.log(2000.0 * float(self.terminal.min())))

    def unequal(self) -> Array:
        """True share of every outlet over the whole system's share, minus 1."""
        q = self.flows()
        return q / self.design / (q.sum() / self.design.sum()) - 1.0

    def network(self) -> Network:
        """What the planner is told: who hangs where, the designs, which dampers there are."""
        return Network(
            tuple(
                Outlet(t, b, float(d))
                for t, b, d in zip(self.outlets, self.branch_of, self.design, strict=True)
            ),
            tuple(Branch(tag, damper=Damper.OPEN) for tag in self.branches),
            Supply(SupplyKind.UNKNOWN, trunk=Estimate(0.1, 0.05)),
        )


def turn_to(beyond: Callable[[float], float], low: float, high: float) -> None:
    """Turn a damper (from open to closed, logarithms) until nothing is beyond the wanted, or to its end."""
    if beyond(low) <= 0.0 or beyond(high) >= 0.0:
        beyond(low if beyond(low) <= 0.0 else high)
        return
    beyond(float(brentq(beyond, low, high, xtol=1e-5)))


def random_system(seed: int, spread: float = 0.005) -> DuctSystem:
    """A tree of 6 to 24 outlets on 2 to 5 branches, as a mechanical contractor leaves it: nothing set."""
    rng = np.random.default_rng(seed)
    branches = int(rng.integers(2, 6))
    sizes = _sizes(rng, branches)
    outlets, branch_of, design, terminal = [], [], [], []
    k: list[float] = []
    upstream: list[int] = []
    side: list[float] = []
    rows: list[list[int]] = []
    first = []
    trunk: list[int] = []
    downstream = sum(sizes)
    for b, size in enumerate(sizes):
        trunk.append(len(k))
        k.append(float(rng.uniform(6.0, 25.0)) / (0.09 * downstream) ** EXPONENT)
        upstream.append(trunk[-2] if b else -1)
        side.append(0.0)
        downstream -= size
        chain: list[int] = []
        for o in range(size):
            here = 0.09 * (size - o)
            chain.append(len(k))
            k.append(float(rng.uniform(6.0, 22.0) if o == 0 else rng.uniform(1.0, 6.0)) / here**EXPONENT)
            upstream.append(trunk[-1] if o == 0 else chain[-2])
            side.append(float(rng.uniform(3.0, 10.0)) / here**2 if o == 0 else 0.0)
            outlets.append(f"O{b + 1}-{o + 1}")
            branch_of.append(f"B{b + 1}")
            design.append(float(rng.choice([0.06, 0.08, 0.1, 0.12])))
            # Sized for their design at some pressure, with the scatter of runouts and of catalogue sizes.
            terminal.append(float(rng.uniform(35.0, 90.0)) / design[-1] ** 2)
            rows.append([*trunk, *chain])
        first.append(chain[0])
    path = np.zeros((len(outlets), len(k)))
    for i, row in enumerate(rows):
        path[i, row] = 1.0
    whole = sum(design)
    shut_off = float(rng.uniform(260.0, 420.0))
    fan = (shut_off, 0.15 * shut_off / whole, 0.45 * shut_off / whole**2)
    return DuctSystem(
        outlets,
        branch_of,
        np.array(design),
        path,
        np.array(k),
        upstream,
        np.array(side),
        np.array(terminal),
        [f"B{b + 1}" for b in range(branches)],
        first,
        fan,
        np.random.default_rng(seed + 10_000),
        spread,
    )


def _sizes(rng: np.random.Generator, branches: int) -> list[int]:
    """Outlets of each branch: 6 to 24 in all, 2 to 7 a branch."""
    while True:
        sizes = [int(v) for v in rng.integers(2, 8, branches)]
        if 6 <= sum(sizes) <= 24:
            return sizes
