"""Three ways to balance the invented systems, each as a technician would do it, round by round."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt

from measurements.calc.network import Network, Round
from measurements.calc.network_plan import Plan, compare, make_plan
from measurements.calc.network_ratio import ratio_order
from measurements.calc.network_steps import Settings, live_target

ENOUGH = 0.03
"""Every outlet's share within 3 % of the system's share."""


class System(Protocol):
    """What an invented system of air or water must offer."""

    outlets: list[str]
    design: npt.NDArray[np.float64]
    readings: int

    def read(self, tag: str) -> float: ...
    def survey(self, adjusted: tuple[str, ...] = ()) -> Round: ...
    def set_outlet(self, tag: str, shown: float) -> None: ...
    def set_branch(self, tag: str, at: str, shown: float) -> None: ...
    def unequal(self) -> npt.NDArray[np.float64]: ...
    def network(self) -> Network: ...


@dataclass
class Course:
    """How a system went: the worst true deviation at the start and after each round, readings taken.

    missed: for each planned round, the part of the outlets whose prediction and reading disagree.
    """

    worst: list[float]
    readings: list[int]
    missed: list[float]
    plans: list[Plan]

    @property
    def rounds(self) -> int:
        """Rounds until every outlet was near enough (99: never)."""
        return next((n for n, worst in enumerate(self.worst) if worst <= ENOUGH), 99)


def by_plan(system: System, rounds: int, settings: Settings | None = None) -> Course:
    """The plan, with the reading before turning used."""
    network, surveys = system.network(), [system.survey()]
    course = _started(system)
    for _ in range(rounds):
        plan = make_plan(network, surveys, settings)
        for step in plan.steps:
            before = system.read(step.read_at)
            _turn(system, step.tag, step.read_at, live_target(step, before))
            if step.witness:
                target = live_target(step, before, system.read(step.witness.tag))
                _turn(system, step.tag, step.read_at, target)
        surveys.append(system.survey(tuple(s.tag for s in plan.steps)))
        found = compare(network, plan, surveys[-1])
        course.missed.append(sum(o.normalised > 1.0 for o in found.outlets) / len(found.outlets))
        course.plans.append(plan)
        _note(system, course)
    return course


def by_ratio(system: System, rounds: int) -> Course:
    """The proportional method, both outlets of a pair read at the moment."""
    network, survey = system.network(), system.survey()
    design = dict(zip(system.outlets, system.design.tolist(), strict=True))
    course = _started(system)
    for _ in range(rounds):
        for step in ratio_order(network, survey):
            # Closing one raises the other: read and turn twice, as one does with two instruments.
            # Both are watched all the while, which counts as one reading of each.
            for _ in range(2):
                share = system.read(step.against) / design[step.against]
                _turn(system, step.tag, step.read_at, share * design[step.read_at])
            system.readings -= 2
        survey = system.survey()
        _note(system, course)
    return course


def in_list_order(system: System, rounds: int) -> Course:
    """No method: every outlet in the list's order to its design, once a round."""
    course = _started(system)
    for _ in range(rounds):
        for tag, design in zip(system.outlets, system.design.tolist(), strict=True):
            system.set_outlet(tag, design)
        system.survey()
        _note(system, course)
    return course


def _turn(system: System, tag: str, at: str, shown: float) -> None:
    if tag in system.outlets:
        system.set_outlet(tag, shown)
    else:
        system.set_branch(tag, at, shown)


def _started(system: System) -> Course:
    return Course([float(np.abs(system.unequal()).max())], [system.readings], [], [])


def _note(system: System, course: Course) -> None:
    course.worst.append(float(np.abs(system.unequal()).max()))
    course.readings.append(system.readings)
