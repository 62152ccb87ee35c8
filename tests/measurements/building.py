"""A building that behaves as one, behind a company's test points: read and adjusted as a technician would.

The physics is that of tests/calc/duct_system.py, which shares nothing with the calculation.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from jobs.models import PointKind, TestPoint
from jobs.tenancy.context import company
from jobs.tenancy.ids import uuid7
from measurements.balance import Balance, balance
from tests import factories
from tests.calc.duct_system import DuctSystem
from tests.factories import World
from tests.measurements import batches
from tests.reports import scene

STEP = timedelta(seconds=20)


@dataclass
class Building:
    """A company's system with its true air. `last`: id of the newest session of each tag."""

    world: World
    air: DuctSystem
    clock: datetime
    last: dict[str, str] = field(default_factory=dict)
    waiting: list[dict[str, Any]] = field(default_factory=list)

    def read(self, tag: str, shown: float | None = None, **changes: Any) -> None:
        """A hood reading at an outlet, to be posted."""
        self.clock += STEP
        start = self.clock
        value = self.air.read(tag) if shown is None else shown
        reading = {
            "run": 1, "line": 1, "point": 1, "quantity": "flow",
            "value": f"{1000 * value:.1f}", "unit": "L/s",
            "taken_at": (start + timedelta(seconds=5)).isoformat(),
        }  # fmt: skip
        earlier = self.last.get(tag)
        supersedes = {"session": earlier, "reason": "Round after adjustment"} if earlier else None
        made = batches.hood(
            self.world, tag, readings=[reading], id=str(uuid7()), started_at=start.isoformat(),
            finished_at=(start + timedelta(seconds=10)).isoformat(), supersedes=supersedes, **changes,
        )  # fmt: skip
        self.last[tag] = made["id"]
        self.waiting.append(made)

    def survey(self, tags: Iterable[str] = ()) -> None:
        for tag in tags or self.air.outlets:
            self.read(tag)

    def set(self, tag: str, shown: float, setting: str = "3 of 8", **changes: Any) -> None:
        """Turns an outlet's damper until the hood shows a flow (m³/s), and reads it."""
        self.air.set_outlet(tag, shown)
        self.read(tag, adjustment={"setting": setting, "marked": False, "done": "Closed"} | changes)

    def set_branch(self, tag: str, at: str, shown: float, setting: str = "4 of 8") -> None:
        """Turns a branch's damper until the hood shows a flow at an outlet below it (m³/s); reads that."""
        self.air.set_branch(tag, at, shown)
        turned = {
            "test_point": str(self.world.points[tag].id),
            "setting": setting,
            "marked": True,
            "done": "",
        }
        self.read(at, turned=[turned])

    def post(self) -> None:
        """Posts all readings and has them evaluated."""
        if self.waiting:
            scene.post(self.world, *self.waiting)
        self.waiting.clear()
        scene.evaluated(self.world)

    def balance(self, role: str = "technician") -> Balance:
        with company(self.world.id):
            return balance(self.world.actor(role), self.world.job.id, self.world.system.id)


def build(world: World, air: DuctSystem) -> Building:
    """Test points for this air in a system of the world's job, and instruments fine enough for it."""
    with company(world.id):
        scene.fine_tools(world)
        TestPoint.objects.filter(system=world.system, kind=PointKind.OUTLET).delete()
        TestPoint.objects.filter(system=world.system).exclude(parent=None).delete()
        TestPoint.objects.filter(system=world.system).delete()
        world.points.clear()
        for place, tag in enumerate(air.branches):
            world.points[tag] = factories.round_plane(world.system, tag, position=place, design_flow=None)
        for place, tag in enumerate(air.outlets):
            flow = float(air.design[place])
            world.points[tag] = factories.outlet(
                world.system, tag, parent=world.points[air.branch_of[place]], position=100 + place,
                design_flow=flow, design_entered=f"{1000 * flow:.0f} L/s",
            )  # fmt: skip
    return Building(world, air, batches.now() - timedelta(hours=3))
