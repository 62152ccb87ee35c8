"""Batches as a tablet would post them. Every function takes what differs by keyword."""

import json
import math
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID

from jobs.access import Actor, actor_for_token
from jobs.tenancy.context import company
from jobs.tenancy.ids import uuid7
from measurements.intake import Outcome, post_batch
from tests.factories import World

LINES, POINTS = 5, 5
DENSITY = 1.19


def now() -> datetime:
    return datetime.now(UTC).replace(microsecond=0)


def amount(value: Any, unit: str) -> dict[str, Any]:
    return {"value": value, "unit": unit}


def conditions(**changes: Any) -> dict[str, Any]:
    usual = {
        "air_temperature": amount("21.4", "Cel"),
        "relative_humidity": amount("43", "%"),
        "barometric_pressure": amount("1002.5", "hPa"),
        "duct_static_pressure": amount("125", "Pa"),
    }
    return usual | changes


def rectangular_plane(**changes: Any) -> dict[str, Any]:
    usual = {
        "shape": "rectangular",
        "width": amount("500", "mm"),
        "height": amount("400", "mm"),
        "wall": amount("1", "mm"),
        "rule": "log_tchebycheff",
        "lines": LINES,
        "points": POINTS,
        "upstream": amount("4.5", "m"),
        "downstream": amount("1.8", "m"),
        "upstream_disturbance": "elbow",
    }
    return usual | changes


def round_plane(**changes: Any) -> dict[str, Any]:
    usual = {
        "shape": "round",
        "diameter": amount("250", "mm"),
        "rule": "log_linear",
        "lines": 2,
        "points": 10,
        "upstream": amount("2.5", "m"),
        "downstream": amount("1", "m"),
    }
    return usual | changes


def pressures(flow: float = 0.9, area: float = 0.2, count: int = LINES * POINTS) -> list[float]:
    """Velocity pressures in Pa of a fairly even stream of this flow (m³/s), with a slight profile."""
    shape = [1.0 + 0.06 * math.cos(2.1 * n) for n in range(count)]
    mean = sum(shape) / count
    return [0.5 * DENSITY * (flow / area * s / mean) ** 2 for s in shape]


def readings(
    values: Iterable[float], *, points: int = POINTS, run: int = 1, start: datetime | None = None
) -> list[dict[str, Any]]:
    first = start or now() - timedelta(minutes=8)
    return [
        {
            "run": run,
            "line": n // points + 1,
            "point": n % points + 1,
            "quantity": "pressure",
            "value": f"{value:.1f}",
            "unit": "Pa",
            "taken_at": (first + timedelta(seconds=6 * n)).isoformat(),
        }
        for n, value in enumerate(values)
    ]


def session(world: World, tag: str, method: str, **changes: Any) -> dict[str, Any]:
    start = now() - timedelta(minutes=10)
    usual = {
        "id": str(uuid7()),
        "job": str(world.job.id),
        "test_point": str(world.points[tag].id),
        "method": method,
        "started_at": start.isoformat(),
        "finished_at": (start + timedelta(minutes=9)).isoformat(),
        "conditions": conditions(),
    }
    return usual | changes


def tools(world: World, *uses: str) -> dict[str, str]:
    return {use: str(world.instruments[use].id) for use in uses}


def zero_checks(world: World, before: str = "0.1", after: str = "0.1") -> list[dict[str, Any]]:
    tool, start = str(world.instruments["pressure"].id), now() - timedelta(minutes=10)
    return [
        {"at": start.isoformat(), "value": before, "unit": "Pa", "instrument": tool},
        {"at": (start + timedelta(minutes=9)).isoformat(), "value": after, "unit": "Pa", "instrument": tool},
    ]


def traverse(world: World, tag: str = "MD-1", flow: float = 0.9, **changes: Any) -> dict[str, Any]:
    """A pitot traverse of the rectangular main in two runs that agree."""
    values = pressures(flow)
    usual = {
        "plane": rectangular_plane(),
        "zero_checks": zero_checks(world),
        "instruments": tools(world, "pressure", "probe", "temperature", "humidity", "barometer"),
        "readings": readings(values) + readings([v * 1.004 for v in values], run=2),
    }
    return session(world, tag, "pitot_traverse", **(usual | changes))


def hood(
    world: World, tag: str = "S-1", flow: str = "89.0", unit: str = "L/s", **changes: Any
) -> dict[str, Any]:
    """A flow hood reading at an outlet, twice."""
    usual = {
        "instruments": tools(world, "hood", "temperature"),
        "readings": [
            {
                "run": run, "line": 1, "point": 1, "quantity": "flow", "value": flow, "unit": unit,
                "taken_at": (now() - timedelta(minutes=3)).isoformat(),
            }
            for run in (1, 2)
        ],
    }  # fmt: skip
    return session(world, tag, "hood_reading", **(usual | changes))


def sweep(world: World, tag: str = "MD-1", **changes: Any) -> dict[str, Any]:
    """A swept traverse: one sweep a line, ten samples each."""
    start = now() - timedelta(minutes=8)
    values = pressures(0.9, count=LINES * 10)
    sweeps = [
        {
            "run": 1,
            "line": line + 1,
            "quantity": "pressure",
            "started_at": (start + timedelta(seconds=60 * line)).isoformat(),
            "duration": amount("30", "s"),
            "samples": [f"{v:.1f}" for v in values[line * 10 : line * 10 + 10]],
            "unit": "Pa",
        }
        for line in range(LINES)
    ]
    usual = {
        "plane": rectangular_plane(points=1),
        "zero_checks": zero_checks(world),
        "instruments": tools(world, "pressure", "probe"),
        "sweeps": sweeps,
    }
    return session(world, tag, "swept_traverse", **(usual | changes))


def centreline(world: World, tag: str = "BD-1", value: str = "22.0", **changes: Any) -> dict[str, Any]:
    usual = {
        "plane": round_plane(),
        "zero_checks": zero_checks(world),
        "instruments": tools(world, "pressure", "probe"),
        "readings": readings([float(value)]),
    }
    return session(world, tag, "centreline_reading", **(usual | changes))


def body(*sessions: Any, **changes: Any) -> bytes:
    return json.dumps({"sent_at": now().isoformat(), "sessions": list(sessions)} | changes).encode()


def technician(world: World) -> Actor:
    """The technician signed in on the tablet."""
    with company(world.id):
        actor = actor_for_token(world.technician_token)
    assert actor is not None
    return actor


def post(world: World, *sessions: Any, actor: Actor | None = None) -> list[Outcome]:
    with company(world.id):
        return post_batch(actor or technician(world), body(*sessions))


def ids(sessions: Iterable[dict[str, Any]]) -> list[UUID]:
    return [UUID(one["id"]) for one in sessions]
