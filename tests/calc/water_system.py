"""An invented water system with balancing valves: circuits on branch pipes off a direct-return riser, on a
pump's curve. Solver and readings as in duct_system, pipes by q**1.75, coils by q**1.9 and valves by a table
that the true valve follows within 0.4 %.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from measurements.calc.method import Estimate
from measurements.calc.network import Branch, Damper, Network, Outlet, Supply, SupplyKind
from measurements.calc.network_water import BalancingValve, setting_for
from tests.calc.duct_system import DuctSystem, random_system, turn_to

Array = npt.NDArray[np.float64]

SETTINGS = (0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0)
"""Turns of the hand wheel."""
OPENNESS = (0.025, 0.055, 0.105, 0.19, 0.33, 0.53, 0.76, 1.0)
"""Coefficient over that of the open valve, as balancing valves have it (invented)."""
TABLE = 0.004
"""Standard deviation of the true coefficients from the table's, as a fraction: valves that were tested."""
PIPES = 1.75
COILS = 1.9


class WaterSystem(DuctSystem):
    """damper: 1 / coefficient**2 of every valve. size: coefficient of each valve when open (table)."""

    size: dict[str, float]
    truth: dict[str, float]

    @property
    def declared(self) -> float:
        """The valves' own deviations from their table are in it."""
        return float(np.hypot(self.spread, TABLE))

    def valves(self) -> tuple[BalancingValve, ...]:
        """The valves as they stand now, by the table."""
        return tuple(self._valve(tag) for tag in [*self.outlets, *self.branches])

    def _valve(self, tag: str) -> BalancingValve:
        table = tuple(self.size[tag] * v for v in OPENNESS)
        now = self.damper[tag] ** -0.5 / self.truth[tag]
        plain = BalancingValve(tag, SETTINGS, table, SETTINGS[-1])
        setting = setting_for(plain, min(max(now, table[0]), table[-1]))
        assert setting is not None
        return BalancingValve(tag, SETTINGS, table, setting)

    def pressure(self) -> float:
        """Differential pressure at the start of the tree, Pa."""
        q = self.flows()
        p0, a, b = self.fan
        return float(p0 + a * q.sum() - b * q.sum() ** 2)

    def _misses(self, q: Array) -> tuple[Array, Array]:
        through = self.path.T @ q
        p0, a, b = self.fan
        lost, slope = self.k * through**PIPES, PIPES * self.k * through ** (PIPES - 1.0)
        for place, tag in enumerate(self.branches):
            segment = self.first_segment[place]
            lost[segment] += self.damper[tag] * through[segment] ** 2
            slope[segment] += 2.0 * self.damper[tag] * through[segment]
        valve = np.array([self.damper[tag] for tag in self.outlets])
        miss = p0 + a * q.sum() - b * q.sum() ** 2 - self.path @ lost
        miss -= self.terminal * q**COILS + valve * q**2
        jacobian = (self.path * slope) @ self.path.T
        jacobian += np.diag(COILS * self.terminal * q ** (COILS - 1.0) + 2.0 * valve * q)
        return miss, jacobian + 2.0 * b * q.sum() - a

    def _shown(self, tag: str, true: float) -> float:
        return true / self.truth[tag] * (1.0 + self.spread * self.rng.standard_normal())

    def read(self, tag: str) -> float:
        """Flow by the valve's drop and the table's coefficient; a branch's by its own valve."""
        self.readings += 1
        q = self.flows()
        if tag in self.number:
            return self._shown(tag, float(q[self.number[tag]]))
        return self._shown(tag, float((self.path.T @ q)[self.first_segment[self.branches.index(tag)]]))

    def set_outlet(self, tag: str, shown: float) -> None:
        """Turn a circuit's valve until drop and setting give the flow wanted, or it is at its end."""
        i = self.number[tag]
        self.readings += 1
        target = shown * self.truth[tag] / (1.0 + self.spread * self.rng.standard_normal())
        q = self.flows({i: target})
        self._put(tag, self.damper[tag] + self.left(q, i) / target**2)

    def set_branch(self, tag: str, at: str, shown: float) -> None:
        """Turn a branch's valve until the flow is shown there, or at a circuit below."""
        self.readings += 1
        target = shown * self.truth[at] / (1.0 + self.spread * self.rng.standard_normal())
        segment = self.first_segment[self.branches.index(tag)]
        circuit = self.number.get(at)

        def beyond(log: float) -> float:
            self.damper[tag] = math.exp(log)
            q = self.flows()
            return float((self.path.T @ q)[segment] if circuit is None else q[circuit]) / target - 1.0

        turn_to(beyond, math.log(self._least(tag)), math.log(self._most(tag)))

    def _least(self, tag: str) -> float:
        return float((self.size[tag] * self.truth[tag]) ** -2.0)

    def _most(self, tag: str) -> float:
        return float((OPENNESS[0] * self.size[tag] * self.truth[tag]) ** -2.0)

    def _put(self, tag: str, resistance: float) -> None:
        self.damper[tag] = float(np.clip(resistance, self._least(tag), self._most(tag)))
        self.flows()

    def network(self) -> Network:
        """What the planner is told: the pump's curve besides who hangs where."""
        whole = float(self.design.sum())
        p0, a, b = self.fan
        curve = tuple(
            (f * whole, p0 + a * f * whole - b * (f * whole) ** 2) for f in (0.0, 0.6, 1.0, 1.4, 1.8)
        )
        return Network(
            tuple(
                Outlet(t, b, float(d))
                for t, b, d in zip(self.outlets, self.branch_of, self.design, strict=True)
            ),
            tuple(Branch(tag, damper=Damper.OPEN, meter_u=0.007) for tag in self.branches),
            Supply(SupplyKind.CURVE, curve, Estimate(0.1, 0.05)),
        )


def random_water_system(seed: int) -> WaterSystem:
    """6 to 24 circuits of 0.1 to 0.3 L/s on 2 to 5 branch pipes, all valves open."""
    ducts = random_system(seed)
    rng = np.random.default_rng(seed + 20_000)
    design = ducts.design * 2.5e-3
    whole = float(design.sum())
    head = float(rng.uniform(70e3, 110e3))
    through = ducts.path.T @ design
    friction = np.array([rng.uniform(1.0e3, 3.0e3) for _ in through]) / through**PIPES
    terminal = np.array([rng.uniform(15e3, 35e3) for _ in design]) / design**COILS
    system = WaterSystem(
        ducts.outlets,
        ducts.branch_of,
        design,
        ducts.path,
        friction,
        ducts.upstream,
        ducts.takeoff,
        terminal,
        ducts.branches,
        ducts.first_segment,
        (head, 0.0, 0.25 * head / whole**2),
        np.random.default_rng(seed + 30_000),
        0.005,
        1e-9,
    )
    segments = dict(zip(ducts.branches, through[ducts.first_segment], strict=True))
    flows = {**dict(zip(ducts.outlets, design, strict=True)), **segments}
    system.size = {tag: float(flow / np.sqrt(3.0e3)) for tag, flow in flows.items()}
    system.truth = {tag: 1.0 + TABLE * float(rng.standard_normal()) for tag in flows}
    system.damper = {tag: system._least(tag) for tag in flows}
    return system
