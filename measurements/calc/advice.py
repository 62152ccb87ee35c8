"""What dominates an uncertainty, and what would help: found by running the method again with a change.

Every candidate change makes other inputs of the same method (a better instrument, more repeats, a finer
layout, a plane with its straight lengths, a barometer ...) and the method itself says what U that would give.
Readings stay as they are; where a change means more readings, they are made so that the scatter seen so far
is kept, and only its mean gets surer (JCGM 100:2008 4.2.3). How much better an instrument or a figure can be
had is common practice: three times. No change is promised where the method's model would not show it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass, replace
from decimal import Decimal
from enum import StrEnum
from typing import Any

from .air import pressure_at_altitude
from .conditions import Air
from .duct import Duct, Shape
from .errors import CalcError
from .instrument import Accuracy, Instrument
from .integration import left_in_u
from .layout import WANTED_DOWNSTREAM, WANTED_UPSTREAM, Layout, flattest_power, make_layout
from .method import Allowances, Estimate, MethodResult
from .pictures import usual_rule
from .places import Readings
from .positions import Rule
from .sweeps import Sweep
from .traverse import LEFT_IN, PointReading, point_plane, rule_placing

BETTER = 3.0
"""How many times better an instrument, a tape or a figure can be had (practice)."""
FOUND_FACTOR_U = 0.02
"""Relative standard uncertainty of a hood's factor found by a traverse of such an outlet (practice)."""
WORTH = 0.05
"""A change is advised when it takes off at least this share of U."""
PLACING = "Number and placing of"
"""How the effect of a layout begins in budgets."""


class Change(StrEnum):
    """What could be done differently."""

    INSTRUMENT = "instrument"
    REPEATS = "repeats"
    RUNS = "runs"
    POINTS = "points"
    MISSING = "missing"
    PLANE = "plane"
    BAROMETER = "barometer"
    HUMIDITY = "humidity"
    THERMOMETER = "thermometer"
    HOOD_FACTOR = "hood_factor"
    TAPE = "tape"
    PROBE = "probe"
    FIGURE = "figure"


WORDS: Mapping[Change, str] = {
    Change.INSTRUMENT: "an instrument three times better{place}",
    Change.REPEATS: "twice as many readings",
    Change.RUNS: "twice as many runs",
    Change.POINTS: "a layout of more points",
    Change.MISSING: "reading the places left out",
    Change.PLANE: "a plane with the straight lengths wanted",
    Change.BAROMETER: "reading a barometer",
    Change.HUMIDITY: "reading the humidity",
    Change.THERMOMETER: "a thermometer three times better",
    Change.HOOD_FACTOR: "the hood's factor found by a traverse",
    Change.TAPE: "measuring the dimensions three times better",
    Change.PROBE: "a probe with its own calibration",
    Change.FIGURE: "knowing the {place} three times better",
}


@dataclass(frozen=True, slots=True)
class Option:
    """One change and what it gives: U in the result's unit; gain: share of U that it takes off.

    place: which instrument or figure, in words ("" when there is only one).
    """

    change: Change
    place: str
    value: float
    U: float
    gain: float


@dataclass(frozen=True, slots=True)
class Advice:
    """What dominates the budget of a method's measurand, and the best change.

    effect, input, share: the budget's largest row ("" and 0 without one). best: the change with the smallest
    U, when it takes off at least `WORTH` of it. options: every change that lowers U at all, the best first.
    sentence: one English sentence. A share above 1: errors tied to this one cancel part of it.
    """

    effect: str
    input: str
    share: float
    U: float
    unit: str
    best: Option | None
    options: tuple[Option, ...]
    sentence: str


def advise(method: Callable[[Any], MethodResult], inputs: Any, found: MethodResult) -> Advice:
    """What dominates `found` (what `method` gave for `inputs`), and what would help most.

    inputs: any input dataclass of this package. Changes that the method refuses are left out.
    """
    main = found.main
    options = []
    for change, place, changed in candidates(inputs, found):
        try:
            other = method(changed).main
        except (ValueError, ArithmeticError):  # refusals are ValueErrors
            continue
        if math.isfinite(other.U) and other.U < main.U * (1.0 - 1e-9):
            options.append(Option(change, place, other.value, other.U, 1.0 - other.U / main.U))
    options.sort(key=lambda o: o.U)
    best = options[0] if options and options[0].gain >= WORTH else None
    top = max(main.budget, key=lambda row: row.share, default=None)
    effect, on, share = (top.name, top.input, top.share) if top and top.share > 0.0 else ("", "", 0.0)
    sentence = _sentence(effect, share, main.U, main.unit, best)
    return Advice(effect, on, share, main.U, main.unit, best, tuple(options), sentence)


def _sentence(effect: str, share: float, U: float, unit: str, best: Option | None) -> str:
    if not effect:
        return "No uncertainty is stated, so nothing can be advised."
    part = f"gives {100.0 * share:.0f} %" if share <= 1.0 else "gives more than all"
    seen = f"{effect[0].upper()}{effect[1:]} {part} of the variance"
    if best is None:
        return f"{seen}; no single change tried would lower U by {100.0 * WORTH:.0f} % or more."
    place = best.place
    if best.change is Change.INSTRUMENT and place:
        place = f" for {place}"
    words = WORDS[best.change].format(place=place)
    shown = "" if unit == "1" else f" {unit}"
    return f"{seen}; {words} would bring U from {_two_digits(U)} to {_two_digits(best.U)}{shown}."


def _two_digits(U: float) -> str:
    """Two significant digits without an exponent."""
    return f"{Decimal(f'{U:.1e}'):f}"


def candidates(inputs: Any, found: MethodResult) -> Iterator[tuple[Change, str, Any]]:
    """Changes that the fields of these inputs allow: what, where, and the changed inputs."""
    yield from _instruments(inputs)
    yield from _repeats(inputs)
    yield from _runs(inputs)
    yield from _points(inputs, found)
    yield from _missing(inputs)
    yield from _plane(inputs)
    yield from _air(inputs)
    yield from _figures(inputs)


# --- instruments


def better_instrument(instrument: Instrument) -> Instrument:
    """The same instrument with a third of every uncertainty and of the resolution; corrections stay."""
    drift = instrument.drift_of_reading, instrument.drift_absolute
    return replace(
        instrument,
        certificate=tuple(replace(p, U=p.U / BETTER) for p in instrument.certificate),
        accuracy=None if instrument.accuracy is None else _better_accuracy(instrument.accuracy),
        resolution=instrument.resolution / BETTER,
        drift_of_reading=None if drift[0] is None else drift[0] / BETTER,
        drift_absolute=None if drift[1] is None else drift[1] / BETTER,
    )


def _better_accuracy(accuracy: Accuracy) -> Accuracy:
    return replace(
        accuracy,
        of_reading=accuracy.of_reading / BETTER,
        of_span=accuracy.of_span / BETTER,
        absolute=accuracy.absolute / BETTER,
    )


def _instruments(inputs: Any) -> Iterator[tuple[Change, str, Any]]:
    """One candidate for each instrument; one at several places is changed at all of them."""
    places: dict[str, list[str]] = {}
    for path, by in _tools(inputs, ""):
        places.setdefault(by or path, []).append(_words(path))
    for key, names in places.items():
        place = "" if len(places) == 1 else _listed(names)
        yield Change.INSTRUMENT, place, _with_better(inputs, "", key)


def _tools(value: Any, path: str) -> Iterator[tuple[str, str]]:
    """Where instruments are: path and the identity of the instrument there."""
    if isinstance(value, Instrument):
        yield path, ""
    elif isinstance(value, Readings):
        yield path, value.by
    else:
        for name, part in _inside(value):
            yield from _tools(part, f"{path}.{name}" if path else name)


def _with_better(value: Any, path: str, key: str) -> Any:
    if isinstance(value, Instrument):
        return better_instrument(value) if key == path else value
    if isinstance(value, Readings):
        hit = key == (value.by or path)
        return replace(value, instrument=better_instrument(value.instrument)) if hit else value
    new = {n: _with_better(p, f"{path}.{n}" if path else n, key) for n, p in _inside(value)}
    return _rebuilt(value, new)


def _inside(value: Any) -> Iterator[tuple[str, Any]]:
    """Named parts that may hold instruments; numbers and texts hold none."""
    if is_dataclass(value):
        for f in fields(value):
            part = getattr(value, f.name)
            if is_dataclass(part) or isinstance(part, tuple):
                yield f.name, part
    elif isinstance(value, tuple) and value and is_dataclass(value[0]):
        yield from ((str(i + 1), part) for i, part in enumerate(value))


def _rebuilt(value: Any, new: dict[str, Any]) -> Any:
    if all(new[name] is part for name, part in _inside(value)):
        return value
    if isinstance(value, tuple):
        return tuple(new.values())
    return replace(value, **new)


def _words(path: str) -> str:
    last = [part for part in path.split(".") if part not in ("instrument", "by")]
    return " ".join(last).replace("_", " ")


def _listed(names: Sequence[str]) -> str:
    shown = [f"the {name}" for name in names if name]
    return shown[0] if len(shown) == 1 else f"{', '.join(shown[:-1])} and {shown[-1]}" if shown else ""


# --- more readings of what was read


def stretched(values: Sequence[float]) -> tuple[float, ...]:
    """Twice as many values with the same mean and the same standard deviation (n - 1)."""
    n = len(values)
    mean = math.fsum(values) / n
    scale = math.sqrt((2.0 * n - 1.0) / (2.0 * n - 2.0))
    once = [mean + scale * (v - mean) for v in values]
    return (*once, *once)


def _repeats(inputs: Any) -> Iterator[tuple[Change, str, Any]]:
    changed: dict[str, Any] = {}
    for f in fields(inputs):
        value = getattr(inputs, f.name)
        if isinstance(value, Readings):
            more = _more_readings(value)
            if more is not None:
                changed[f.name] = more
        elif f.name in ("flows", "readings") and _floats(value):
            changed[f.name] = stretched(value)
    if changed:
        yield Change.REPEATS, "", replace(inputs, **changed)


def _floats(value: Any) -> bool:
    return isinstance(value, tuple) and len(value) > 1 and all(isinstance(v, (int, float)) for v in value)


def _more_readings(readings: Readings) -> Readings | None:
    """Twice the readings at every spot; None where a spot was read only once."""
    spots: dict[tuple[int, ...], list[int]] = {}
    for i in range(len(readings.values)):
        spots.setdefault(readings.places[i][1:] if readings.places else (), []).append(i)
    if not spots or min(map(len, spots.values())) < 2 or readings.times:
        return None
    values = [0.0] * len(readings.values)
    for members in spots.values():
        for i, v in zip(members, stretched([readings.values[i] for i in members]), strict=False):
            values[i] = v
    last = max((run for run, *_ in readings.places), default=0)
    again = tuple((run + last, line, point) for run, line, point in readings.places)
    return replace(readings, values=(*values, *values), places=(*readings.places, *again))


def _runs(inputs: Any) -> Iterator[tuple[Change, str, Any]]:
    """Twice the runs of a traverse; where there is one only, what is allowed for it falls as 1 / root 2."""
    for name, again in (("readings", _point_runs), ("sweeps", _sweep_runs)):
        value = getattr(inputs, name, ())
        if not value or not hasattr(value[0], "run"):
            continue
        if len({v.run for v in value}) > 1:
            yield Change.RUNS, "", replace(inputs, **{name: again(value)})
        else:
            less = _less(inputs.allowances, "single_run", "single_sweep")
            yield Change.RUNS, "", replace(inputs, allowances=less)


def _less(allowances: Allowances, *names: str) -> Allowances:
    own = {f.name for f in fields(allowances)}
    return replace(allowances, **{n: getattr(allowances, n) / math.sqrt(2.0) for n in names if n in own})


def _point_runs(readings: Sequence[PointReading]) -> tuple[PointReading, ...]:
    new = _around([((r.hole, r.row), r.value) for r in readings])
    once = tuple(replace(r, value=v) for r, v in zip(readings, new, strict=True))
    last = max(r.run for r in readings)
    return (*once, *(replace(r, run=r.run + last) for r in once))


def _sweep_runs(sweeps: Sequence[Sweep]) -> tuple[Sweep, ...]:
    means = [math.fsum(s.samples) / len(s.samples) if s.samples else s.mean or 0.0 for s in sweeps]
    new = _around([((s.line,), m) for s, m in zip(sweeps, means, strict=True)])
    once = []
    for s, old, v in zip(sweeps, means, new, strict=True):
        ratio = v / old if old else 1.0
        mean = None if s.mean is None else s.mean * ratio
        once.append(replace(s, samples=tuple(x * ratio for x in s.samples), mean=mean))
    last = max(s.run for s in sweeps)
    return (*once, *(replace(s, run=s.run + last) for s in once))


def _around(values: Sequence[tuple[tuple[int, ...], float]]) -> list[float]:
    """Each value further from the mean of its spot, so that twice of them have the scatter of these."""
    spots: dict[tuple[int, ...], list[int]] = {}
    for i, (spot, _) in enumerate(values):
        spots.setdefault(spot, []).append(i)
    new = [v for _, v in values]
    for members in spots.values():
        if len(members) > 1:
            stretch = stretched([new[i] for i in members])
            for i, v in zip(members, stretch, strict=False):
                new[i] = v
    return new


# --- points and plane


def _points(inputs: Any, found: MethodResult) -> Iterator[tuple[Change, str, Any]]:
    """A finer layout: its rule's own error on wall laws, and what it misses of the structure seen so far.

    The budget's standard uncertainty of the points is split into the rule's own error and the rest; the rest
    falls with the root of the number of points. A bias that the house takes off goes with the layout: its
    figure is not in U, which is told as for the figure without that correction.
    """
    duct, allowances = getattr(inputs, "duct", None), getattr(inputs, "allowances", None)
    row = next((r for r in found.main.budget if r.name.startswith(PLACING)), None)
    if row is None or not isinstance(duct, Duct) or not isinstance(allowances, Allowances):
        return
    if allowances.integration is not None:
        return
    lines = getattr(inputs, "lines", None)
    if lines is not None:
        yield Change.POINTS, "", _more_lines(inputs, lines)
        return
    old = _layout(duct, inputs)
    new = _finer(duct, inputs, old)
    if new is None:
        return
    pressures = [p.velocity * abs(p.velocity) for p in found.points]  # in proportion to them
    plane = point_plane(duct, inputs.upstream, inputs.downstream, pressures)
    beside = plane.relative_u if allowances.plane is None else 0.0
    rule = rule_placing(new, flattest_power(plane))
    u = rule.u_beside(beside)
    if old is not None:
        own = rule_placing(old, flattest_power(plane)).u_beside(beside)
        u = math.sqrt(u**2 + max(row.u**2 - own**2, 0.0) * len(old.points) / len(new.points))
    if rule.told and not inputs.integration_corrected:
        rest = (found.main.u / found.main.value) ** 2 - sum(
            r.u**2 for r in found.main.budget if r is row or r.name == LEFT_IN
        )
        u = math.hypot(u, left_in_u(rule.bias, math.sqrt(max(rest, 0.0) + u**2)))
    yield Change.POINTS, "", replace(inputs, allowances=replace(allowances, integration=u))


def _layout(duct: Duct, inputs: Any) -> Layout | None:
    if not isinstance(getattr(inputs, "rule", None), Rule):
        return None
    return make_layout(duct, inputs.rule, holes=inputs.holes, points_per_hole=inputs.rows)


def _finer(duct: Duct, inputs: Any, old: Layout | None) -> Layout | None:
    """The same rule with two more points on a line, or another line; the usual layout where there is none."""
    if old is None:
        return make_layout(duct, usual_rule(duct.shape)) if hasattr(inputs, "rule") else None
    more = 0 if duct.shape is Shape.ROUND else 2
    for holes, rows in ((len(old.holes) + more, old.rows + 2), (len(old.holes) + 1, old.rows)):
        try:
            return make_layout(duct, old.rule, holes=holes, points_per_hole=rows)
        except CalcError:
            continue
    return None


def _more_lines(inputs: Any, lines: int) -> Any:
    """Two more lines, each swept as the nearest of the old ones was."""
    new = lines + 2
    nearest = {n: min(range(1, lines + 1), key=lambda m: abs((m - 0.5) / lines - (n - 0.5) / new))
               for n in range(1, new + 1)}  # fmt: skip
    sweeps = [replace(s, line=n) for n, old in nearest.items() for s in inputs.sweeps if s.line == old]
    return replace(inputs, lines=new, sweeps=tuple(sweeps))


def _missing(inputs: Any) -> Iterator[tuple[Change, str, Any]]:
    """The places of the layout that were not read, each with the mean of the others."""
    readings = getattr(inputs, "readings", ())
    if not readings or not isinstance(readings[0], PointReading) or not isinstance(inputs.rule, Rule):
        return
    layout = _layout(inputs.duct, inputs)
    read = {(r.hole, r.row) for r in readings}
    left = [(p.hole + 1, p.row) for p in layout.points if (p.hole + 1, p.row) not in read] if layout else []
    if not left:
        return
    first, runs = readings[0], sorted({r.run for r in readings})
    value = (math.fsum(math.sqrt(max(r.value, 0.0)) for r in readings) / len(readings)) ** 2
    added = [replace(first, hole=hole, row=row, run=run, value=value) for run in runs for hole, row in left]
    yield Change.MISSING, "", replace(inputs, readings=(*readings, *added))


def _plane(inputs: Any) -> Iterator[tuple[Change, str, Any]]:
    duct = getattr(inputs, "duct", None)
    if not isinstance(duct, Duct) or not hasattr(inputs, "upstream"):
        return
    size = duct.hydraulic_diameter
    before, after = WANTED_UPSTREAM * size, WANTED_DOWNSTREAM * size
    upstream = max(before, inputs.upstream or 0.0)
    downstream = max(after, inputs.downstream or 0.0)
    if (upstream, downstream) != (inputs.upstream, inputs.downstream):
        yield Change.PLANE, "", replace(inputs, upstream=upstream, downstream=downstream)


# --- the air, and figures that were told


def _air(inputs: Any) -> Iterator[tuple[Change, str, Any]]:
    air = getattr(inputs, "air", None)
    if not isinstance(air, Air):
        return
    if air.barometer is None and air.altitude is not None:
        read = replace(air, barometer=pressure_at_altitude(air.altitude))
        yield Change.BAROMETER, "", replace(inputs, air=read)
    if air.humidity is None:
        yield Change.HUMIDITY, "", replace(inputs, air=replace(air, humidity=0.5))
    if air.temperature_u > 0.0:
        better = replace(air, temperature_u=air.temperature_u / BETTER)
        yield Change.THERMOMETER, "", replace(inputs, air=better)


def _figures(inputs: Any) -> Iterator[tuple[Change, str, Any]]:
    allowances = getattr(inputs, "allowances", None)
    names = {f.name for f in fields(inputs)}
    if isinstance(allowances, Allowances):
        if "duct" in names:
            tape = replace(allowances, dimension=allowances.dimension / BETTER)
            yield Change.TAPE, "", replace(inputs, allowances=tape)
        if "factor" in names and "flows" in names and inputs.factor is None:
            factor = Estimate(1.0, min(FOUND_FACTOR_U, allowances.hood_factor))
            yield Change.HOOD_FACTOR, "", replace(inputs, factor=factor)
    for name in sorted(names - {"run_repeatability"}):
        value = getattr(inputs, name)
        if isinstance(value, Estimate) and value.u > 0.0:
            change = Change.PROBE if name == "probe" else Change.FIGURE
            better = replace(value, u=value.u / BETTER, dof=math.inf)
            yield change, "" if name == "probe" else _words(name), replace(inputs, **{name: better})
