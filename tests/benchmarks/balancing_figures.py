"""Figures of balancing: the plan beside the proportional method and the plain order of the list.

Run: python -m tests.benchmarks.balancing_figures. Invented systems (tests/calc/duct_system and water_system)
with a solver of their own; "worst" is the largest true deviation of an outlet's share from the system's
share. A reading is one flow read at one outlet; a damper set by its display is one reading.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import numpy as np

from measurements.calc.network import Branch, Damper, Network, Outlet, Reading, Round
from measurements.calc.network_plan import make_plan
from tests.calc.balancing import ENOUGH, Course, by_plan, by_ratio, in_list_order
from tests.calc.duct_system import random_system
from tests.calc.water_system import random_water_system

SYSTEMS = 18
WAYS: tuple[tuple[str, Callable[[Any, int], Course], int], ...] = (
    ("plan", by_plan, 3),
    ("proportional", by_ratio, 3),
    ("list order", in_list_order, 4),
)


def figure(name: str, value: float, unit: str) -> None:
    print(f"figure: {name} = {value:.4g} {unit}", flush=True)


def compare(kind: str, make: Callable[[int], Any]) -> None:
    """Every way on the same systems."""
    for way, balance, most in WAYS:
        courses = [balance(make(seed), most) for seed in range(SYSTEMS)]
        worst = 100.0 * np.array([c.worst for c in courses])
        name = f"balancing {kind}, {way}"
        for number in range(most + 1):
            off = f"{name}: worst share off after round {number}"
            figure(f"{off}, median", float(np.median(worst[:, number])), "%")
            figure(f"{off}, largest", float(worst[:, number].max()), "%")
        needed = [min(c.rounds, most + 1) for c in courses]
        never = f"{most + 1} where not reached"
        figure(f"{name}: rounds to {100 * ENOUGH:g} %, mean ({never})", float(np.mean(needed)), "rounds")
        figure(f"{name}: reached in two rounds", 100.0 * float(np.mean([n <= 2 for n in needed])), "%")
        taken = [c.readings[min(n, most)] for c, n in zip(courses, needed, strict=True)]
        figure(f"{name}: readings taken until then, mean", float(np.mean(taken)), "readings")
        for number in range(min(2, len(courses[0].missed))):
            missed = 100.0 * float(np.mean([c.missed[number] for c in courses]))
            figure(f"{name}: predictions missed by more than U in round {number + 1}", missed, "%")


def large(outlets: int = 2000) -> None:
    """Time of a plan for a large tree."""
    rng = np.random.default_rng(1)
    branches = tuple(Branch(f"B{i}", damper=Damper.OPEN) for i in range(outlets // 10))
    parts = tuple(Outlet(f"O{i}", f"B{i // 10}", 0.1) for i in range(outlets))
    readings = Round(tuple(Reading(o.tag, float(0.1 * rng.uniform(0.7, 1.6)), 0.001) for o in parts))
    began = time.perf_counter()
    make_plan(Network(parts, branches), [readings])
    figure(f"balancing plan for {outlets} outlets", time.perf_counter() - began, "s")


if __name__ == "__main__":
    compare("air", random_system)
    compare("water", random_water_system)
    large()
