"""Rules on what the calculation noticed: each remark of `noticed_rows` as a flag, in the company's units.

Every code has one home: a row there, a rule of another module (BY_OTHERS), or a reason why it is no flag
(NO_FLAG).
"""

import math
import re
import string
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from measurements import calc
from measurements.calc import Code
from measurements.rules.base import Finding, Seen, rule
from measurements.rules.noticed_rows import ROWS, Row
from measurements.words import counted, listed, pair, shown

BY_OTHERS: Mapping[Code, str] = {
    Code.NEGATIVE_READINGS: "negative_readings",
    Code.SWAPPED_HOSES: "swapped_hoses",
    Code.BAD_DISTRIBUTION: "bad_distribution",
    Code.POINTS_MISSING: "points_missing",
    Code.POINTS_DOUBLED: "points_doubled",
    Code.TOO_FEW_POINTS: "too_few_points",
    Code.NEAR_RESOLUTION: "near_resolution",
    Code.RUNS_DISAGREE: "runs_disagree",
    Code.SINGLE_RUN: "single_run",
    Code.ZERO_SHIFT: "zero_shift",
    Code.ZERO_NOT_CHECKED: "zero_not_checked",
    Code.IMPLAUSIBLE_VELOCITY: "implausible_value",
    Code.POOR_PLANE: "poor_plane",
    Code.PLANE_NOT_MEASURED: "poor_plane",
    Code.NO_CERTIFICATE: "without_certificate",
    Code.OUTSIDE_RANGE: "outside_range",
    Code.SWEEPS_UNLIKE: "sweeps_unlike",
    Code.LINES_MISSING: "lines_missing",
    Code.SCREENING_ONLY: "screening_only",
}
"""Codes that a rule of another module is about, by its name."""

_PROPOSED = "noticed in a proposal of balancing, which no session makes; it is shown with the proposal"
_CAUTION = "a caution of the method, printed on each of its sheets"
NO_FLAG: Mapping[Code, str] = {
    Code.PRESSURE_FROM_ALTITUDE: "the sheet prints the barometer as taken from the site's elevation",
    Code.DENSITY_OUTSIDE_CIPM: "the sheet names the density's formula, and the budget holds its uncertainty",
    Code.CONTAINMENT_NOT_TESTED: _CAUTION,
    Code.GAS_LICENSED: _CAUTION,
    Code.OUTLET_NO_FLOW: _PROPOSED,
    Code.OUTLET_REVERSED: _PROPOSED,
    Code.OUTLET_NO_DESIGN: _PROPOSED,
    Code.REFERENCE_NOT_OPEN: _PROPOSED,
    Code.REFERENCE_LOW: _PROPOSED,
    Code.CANNOT_THROTTLE: _PROPOSED,
    Code.CANNOT_REACH: _PROPOSED,
    Code.BRANCH_DEAD: _PROPOSED,
    Code.LOSS_ASSUMED: _PROPOSED,
    Code.VALVE_OUTSIDE_TABLE: _PROPOSED,
    Code.MODEL_MISSES: _PROPOSED,
}
"""Codes that are no flag, and why."""


def told(row: Row, remark: calc.Remark, units: str) -> Finding:
    """The row's sentences with the remark's numbers. `units`: the company's unit system."""
    points = tuple(point.replace("_", " ") for point in remark.points)
    known: dict[str, Any] = {
        name: _Figure(value, units, points[:1]) for name, value in remark.numbers.items()
    }
    if points:
        known["points"] = listed(points)
    if "points" in remark.numbers:
        known["points"] = _Figure(remark.numbers["points"], units, ())
    data = {name: value for name, value in remark.numbers.items() if math.isfinite(value)}
    return Finding(
        _filled(row.seen, known),
        _filled(row.expected, known),
        _filled(row.advice, known),
        data | ({"points": list(remark.points)} if remark.points else {}),
        ",".join(remark.points),
    )


@dataclass(frozen=True)
class _Figure:
    """A number of a remark, which a template formats by the name of its quantity."""

    value: float
    units: str
    points: tuple[str, ...]

    def __format__(self, wanted: str) -> str:
        kind, _, noun = wanted.partition(" ")
        if kind == "count":
            return counted(self.value, noun)
        if wanted == "as point":
            return shown(self.value, self.points[0], self.units)
        return shown(self.value, wanted, self.units) if wanted else str(round(self.value))


class _Unknown:
    """What stands for a figure that the remark does not have: a finding is raised all the same."""

    def __format__(self, wanted: str) -> str:
        return "(not stated)"


class _Known(dict[str, Any]):
    def __missing__(self, name: str) -> Any:
        return _Unknown()


def fields_of(template: str) -> set[str]:
    """Names of a template's figures."""
    return {name for _, name, _, _ in string.Formatter().parse(template) if name}


def _filled(template: str | tuple[str, ...], known: Mapping[str, Any]) -> str:
    """The first template whose figures are all known, else the last."""
    choices = (template,) if isinstance(template, str) else template
    fitting = (one for one in choices if fields_of(one) <= known.keys())
    chosen = next(fitting, choices[-1])
    return PAIR.sub(lambda found: _paired(found, known), chosen).format_map(_Known(known))


PAIR = re.compile(r"\{(\w+):(\w+)\} ± \{(\w+):(\w+)\}")
"""A figure and its uncertainty in a template; they are rounded together."""


def _paired(found: re.Match[str], known: Mapping[str, Any]) -> str:
    value, quantity, spread, _ = found.groups()
    pairs = (known.get(value), known.get(spread))
    if not all(isinstance(one, _Figure) for one in pairs):
        return found.group()
    return pair(pairs[0].value, pairs[1].value, quantity, pairs[0].units)  # type: ignore[union-attr]


def _check_of(row: Row) -> Callable[[Seen], Iterator[Finding]]:
    def check(seen: Seen) -> Iterator[Finding]:
        if row.only and seen.loaded.session.method not in row.only:
            return
        for remark in seen.remarks(row.code):
            yield told(row, remark, seen.units)

    check.__name__ = row.name
    return check


for _row in ROWS:
    rule(_row.name, _row.severity, _row.text, _row.source, fixed=_row.fixed)(_check_of(_row))
