"""Static pressures along the air path: drop of each component, rise of the fan, external static pressure.

One port at each station, the other open to the room. Every difference is that of two readings of one
instrument: what it did to both is correlated (`difference_correlations`), so errors cancel between neighbours
and may add between the suction and the discharge side. A difference of static
pressures is a loss only where the velocity is the same at both stations; elsewhere the change of velocity
pressure is in it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import NamedTuple

from .errors import Refused, finite, not_negative, positive
from .grouped import difference_correlations, line_numbers, one_line, take_signed
from .method import Code, Limits, MethodResult, Part, PartFigure, Remark, solve
from .places import Readings, Taken
from .plan import Sharing
from .records import digest
from .uncertainty import Effect, Result
from .version import CALCULATION_VERSION

ABOVE_CLEAN = 2.0
"""A drop above this many times the clean figure is remarked (common practice, no source)."""
ONE_INSTRUMENT = "the instrument"
PLACE = "tip and place"


class Component(StrEnum):
    """What lies between two stations."""

    FILTER = "filter"
    COOLING_COIL = "cooling_coil"
    HEATING_COIL = "heating_coil"
    HUMIDIFIER = "humidifier"
    FAN = "fan"
    DAMPER = "damper"
    SILENCER = "silencer"
    GRILLE = "grille"
    DUCT = "duct"
    OTHER = "other"


@dataclass(frozen=True, slots=True)
class StaticProfile:
    """Input of `static_profile`.

    pressure: static pressure against the room, Pa, signed, line = station 1 to n along the air path, run.
    components: what lies between station i and i + 1, one fewer than the stations. clean_drops: Pa of each
    when clean (its maker's, at this flow), None where not known; empty: none known. unit_from, unit_to:
    stations directly before and after the unit, whose difference is the external static pressure (None: the
    first and the last). external_limit: Pa, the maker's. station_u: Pa, standard uncertainty of each
    station for tip, swirl and place (practice).
    """

    pressure: Readings
    components: tuple[Component, ...]
    clean_drops: tuple[float | None, ...] = ()
    external_limit: float | None = None
    unit_from: int | None = None
    unit_to: int | None = None
    station_u: float = 2.0
    limits: Limits = field(default_factory=Limits)


class Difference(NamedTuple):
    """Pa."""

    difference: float


def difference_model(first: float, second: float) -> Difference:
    """The first pressure less the second."""
    return Difference(first - second)


def static_profile(inputs: StaticProfile) -> MethodResult:
    """External static pressure of a unit, Pa, the fan's static rise, and the drop of each component.

    external_static: discharge side (unit_to) less suction side (unit_from). fan_rise: after less before the
    fan, where both stations were read. Errors: Refused for stations beyond the components, a station needed
    for the external static pressure that was not read, a clean drop not above zero.
    """
    stations = _stations(inputs)
    start, end = _ends(inputs, stations)
    identity = digest("static_profile", inputs, CALCULATION_VERSION)
    external = _subtract(stations[end][0], stations[start][0], identity, "External static pressure")
    results = {"external_static": external}
    parts, remarks = [], []
    for i, component in enumerate(inputs.components, 1):
        if i in stations and i + 1 in stations:
            drop = _subtract(stations[i][0], stations[i + 1][0], identity, f"Drop {i}-{i + 1}")
            parts.append(_part(i, component, drop, stations, _clean(inputs, i)))
            remarks += _drop_remarks(parts[-1], component, drop, _clean(inputs, i))
            if component is Component.FAN and "fan_rise" not in results:
                results["fan_rise"] = _subtract(
                    stations[i + 1][0], stations[i][0], identity, "Fan static pressure rise"
                )
    return MethodResult(
        method="static_profile",
        measurand="external_static",
        results=results,
        digest=identity,
        remarks=(*_merged(stations), *_profile_remarks(inputs, stations), *remarks),
        limits=None if inputs.external_limit is None else (None, inputs.external_limit),
        parts=tuple(parts),
    )


Stations = Mapping[int, tuple[Taken, list[Remark]]]


def _stations(inputs: StaticProfile) -> dict[int, tuple[Taken, list[Remark]]]:
    count = len(inputs.components) + 1
    if count < 2:
        raise Refused("components", "need at least one")
    if inputs.clean_drops and len(inputs.clean_drops) != len(inputs.components):
        raise Refused("clean_drops", "must be as many as the components", len(inputs.clean_drops))
    for i, clean in enumerate(inputs.clean_drops):
        if clean is not None:
            positive(f"clean_drops[{i}]", clean)
    if inputs.external_limit is not None:
        finite("external_limit", inputs.external_limit)
    u = not_negative("station_u", inputs.station_u)
    readings = replace(inputs.pressure, by=inputs.pressure.by or ONE_INSTRUMENT)
    numbers = line_numbers(readings, "pressure")
    if not numbers:
        raise Refused("pressure", "needs at least one reading")
    found = {}
    for n in sorted(set(numbers)):
        if not 1 <= n <= count:
            raise Refused("pressure.places", f"has a station outside 1 to {count}", n)
        label = f"Station {n}"
        taken, remarks = take_signed(one_line(readings, n, "pressure"), "pressure", label)
        own = Effect(f"{label}: {PLACE}", "pressure", u, Sharing.COMMON)
        found[n] = (replace(taken, effects=(*taken.effects, own)), remarks)
    return found


def _ends(inputs: StaticProfile, stations: Stations) -> tuple[int, int]:
    start = 1 if inputs.unit_from is None else inputs.unit_from
    end = len(inputs.components) + 1 if inputs.unit_to is None else inputs.unit_to
    for name, n in (("unit_from", start), ("unit_to", end)):
        if n not in stations:
            raise Refused(name, "is a station that was not read", n)
    if start >= end:
        raise Refused("unit_to", "must come after unit_from", end)
    return start, end


def moved(taken: Taken, name: str) -> Taken:
    """The same with its effects on another input of the model."""
    return replace(taken, on=name, effects=tuple(replace(e, on=name) for e in taken.effects))


def _subtract(first: Taken, second: Taken, identity: str, name: str) -> Result:
    a, b = moved(first, "first"), moved(second, "second")
    return solve(
        difference_model,
        {"first": a.value, "second": b.value},
        [*a.effects, *b.effects],
        identity,
        {"difference": (name, "Pa")},
        correlations=[c for c in difference_correlations(a, b) if not c.first.endswith(PLACE)],
        units={"first": "Pa", "second": "Pa"},
    )["difference"]


def _clean(inputs: StaticProfile, i: int) -> float | None:
    return inputs.clean_drops[i - 1] if inputs.clean_drops else None


def _part(i: int, component: Component, drop: Result, stations: Stations, clean: float | None) -> Part:
    before, after = stations[i][0], stations[i + 1][0]
    figures = (
        PartFigure("before", before.value, 2.0 * before.u, "Pa"),
        PartFigure("after", after.value, 2.0 * after.u, "Pa"),
        PartFigure("drop", drop.value, drop.U, "Pa"),
    )
    return Part(f"{i}-{i + 1} {component.value}", figures, _word(component, drop, clean))


def _word(component: Component, drop: Result, clean: float | None) -> str:
    if component is Component.FAN:
        return "fan" if drop.value < 0.0 else "no_rise"
    if drop.value < -drop.U:
        return "negative"
    if clean is None:
        return "no_clean_figure"
    return "above_clean" if drop.value > ABOVE_CLEAN * clean else "near_clean"


def _drop_remarks(part: Part, component: Component, drop: Result, clean: float | None) -> list[Remark]:
    """A fan that does not raise the pressure counts as a drop with the wrong sign as well."""
    sign = -1.0 if component is Component.FAN else 1.0
    if sign * drop.value < -drop.U:
        return [Remark(Code.DROP_NEGATIVE, {"drop": drop.value, "U": drop.U}, (part.label,))]
    if part.word != "above_clean" or clean is None:
        return []
    numbers = {"drop": drop.value, "clean": clean, "ratio": drop.value / clean, "limit": ABOVE_CLEAN}
    return [Remark(Code.DROP_ABOVE_CLEAN, numbers, (part.label,))]


def _profile_remarks(inputs: StaticProfile, stations: Stations) -> list[Remark]:
    remarks = []
    expected = len(inputs.components) + 1
    missing = [n for n in range(1, expected + 1) if n not in stations]
    if missing:
        numbers = {"missing": len(missing), "expected": expected}
        remarks.append(Remark(Code.STATIONS_MISSING, numbers, tuple(f"Station {n}" for n in missing)))
    if inputs.pressure.zero is None:
        remarks.append(Remark(Code.ZERO_NOT_CHECKED))
    return [*remarks, *_near_resolution(inputs, stations), *_signs(inputs, stations)]


def _near_resolution(inputs: StaticProfile, stations: Stations) -> list[Remark]:
    step = inputs.pressure.instrument.resolution
    near = [t for t, _ in stations.values() if abs(t.value) < inputs.limits.resolutions * step]
    if not near:
        return []
    numbers = {"count": len(near), "resolution": step, "lowest": min(abs(t.value) for t in near)}
    return [Remark(Code.NEAR_RESOLUTION, numbers, tuple(t.label for t in near))]


def _signs(inputs: StaticProfile, stations: Stations) -> list[Remark]:
    """Before the first fan suction is expected, after the last one pressure; between two fans either."""
    fans = [i for i, c in enumerate(inputs.components, 1) if c is Component.FAN]
    if not fans:
        return []
    remarks = []
    for n, (taken, _) in stations.items():
        U = 2.0 * taken.u
        wrong = (n <= fans[0] and taken.value > U) or (n > fans[-1] and taken.value < -U)
        if wrong:
            remarks.append(Remark(Code.SIGN_UNEXPECTED, {"pressure": taken.value, "U": U}, (taken.label,)))
    return remarks


def _merged(stations: Stations) -> list[Remark]:
    """What the instrument's remarks say of all stations, once for each code."""
    by_code: dict[Code, list[Remark]] = {}
    for _, remarks in stations.values():
        for r in remarks:
            by_code.setdefault(r.code, []).append(r)
    return [_one(found) for found in by_code.values()]


def _one(found: Sequence[Remark]) -> Remark:
    numbers = dict(found[0].numbers)
    if "count" in numbers:
        numbers["count"] = sum(r.numbers["count"] for r in found)
    return Remark(found[0].code, numbers, tuple(p for r in found for p in r.points))
