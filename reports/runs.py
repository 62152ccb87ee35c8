"""A computed session ready to be drawn, and its runs: readings and sweeps as velocities."""

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from measurements.calc.duct import Duct
from measurements.calc.layout import Layout
from measurements.models import Reading, Result, Session
from reports import document as doc
from reports import ledger
from reports.material import Material
from reports.reviewset import Measured

SERIES = 60


@dataclass(frozen=True)
class Found:
    """A computed session with its plane, ready to be drawn."""

    one: Measured
    session: Session
    result: Result
    plane: Mapping[str, Any]
    duct: Duct
    layout: Layout | None
    material: Material

    @property
    def readings(self) -> list[Reading]:
        return self.material.readings.get(self.session.id, [])

    @property
    def speed(self) -> float:
        """v / sqrt(2 p): probe factor over the root of the density."""
        probe = ledger.given(self.result).get("probe") or {}
        factor = ledger.finite(probe.get("value")) or 1.0
        return factor / math.sqrt(self.result.density or 1.2)

    @property
    def shows_pressure(self) -> bool:
        rows = self.readings or self.material.sweeps.get(self.session.id, [])
        return not rows or rows[0].quantity == "pressure"


def letters(index: int) -> str:
    """Name of a line by its number from 1: A, B, ... Z, AA."""
    text = ""
    while index:
        index, rest = divmod(index - 1, 26)
        text = chr(65 + rest) + text
    return text


def runs_of(found: Found) -> tuple[doc.Run, ...]:
    """Runs in order, with the flow of each against the first."""
    made: list[doc.Run] = []
    for figure in sorted(ledger.detail(found.result).get("runs", ()), key=lambda r: r["run"]):
        readings, sweeps, moments = _run_rows(found, figure["run"])
        first = made[0].flow if made else figure["flow"]
        made.append(
            doc.Run(
                label=f"run {figure['run']}",
                mean=figure["velocity"],
                flow=figure["flow"],
                readings=readings,
                sweeps=sweeps,
                started=min(moments, default=None),
                ended=max(moments, default=None),
                difference=figure["flow"] / first - 1.0 if first else None,
            )
        )
    return tuple(made)


def _run_rows(
    found: Found, run: int
) -> tuple[tuple[doc.Reading, ...], tuple[doc.Sweep, ...], list[datetime]]:
    readings = [row for row in found.readings if row.run == run]
    sweeps = [row for row in found.material.sweeps.get(found.session.id, []) if row.run == run]
    moments = [row.taken_at for row in readings] + [row.started_at for row in sweeps]
    return (
        _readings(found, readings),
        tuple(_sweep(found, row) for row in sweeps),
        [found.material.local(moment) for moment in moments],
    )


def _readings(found: Found, rows: list[Reading]) -> tuple[doc.Reading, ...]:
    """Pressures as read, velocities after the correction that the point's mean got."""
    corrections = _corrections(found)
    kept: dict[tuple[int, int], doc.Reading] = {}
    for row in rows:
        corrected = row.value + corrections.get((row.line, row.point), 0.0)
        velocity = found.speed * math.sqrt(2.0 * abs(corrected)) if found.shows_pressure else corrected
        kept[row.line, row.point] = doc.Reading(
            line=letters(row.line),
            index=row.point,
            velocity=velocity,
            pressure=row.value if found.shows_pressure else None,
        )
    return tuple(kept.values())


def _corrections(found: Found) -> dict[tuple[int, int], float]:
    """By line and point: corrected mean over runs less the mean as read."""
    shown: dict[tuple[int, int], list[float]] = defaultdict(list)
    for row in found.readings:
        shown[row.line, row.point].append(row.value)
    corrected = {
        (p["hole"], p["row"]): float(p["value"]) for p in ledger.detail(found.result).get("points", ())
    }
    return {
        place: corrected[place] - math.fsum(values) / len(values)
        for place, values in shown.items()
        if place in corrected
    }


def _sweep(found: Found, row: Any) -> doc.Sweep:
    def velocity(shown: float) -> float:
        return found.speed * math.sqrt(2.0 * max(shown, 0.0)) if found.shows_pressure else shown

    series = [velocity(sample) for sample in row.samples]
    mean = math.fsum(series) / len(series) if series else velocity(row.mean or 0.0)
    pressure = row.mean if row.mean is not None else _mean(row.samples)
    return doc.Sweep(
        line=letters(row.line),
        duration=row.duration_s,
        samples=len(series),
        mean=mean,
        pressure=pressure if found.shows_pressure else None,
        series=tuple(thinned(series)),
    )


def _mean(values: Sequence[float]) -> float | None:
    return math.fsum(values) / len(values) if values else None


def thinned(values: Sequence[float], most: int = SERIES) -> list[float]:
    """At most so many values, evenly picked, first and last kept."""
    if len(values) <= most:
        return list(values)
    step = (len(values) - 1) / (most - 1)
    return [values[round(n * step)] for n in range(most)]
