"""Other points in a certificate's place: the inputs of a session as if an instrument had shown otherwise.

Only what the instrument gave is changed in a result's stored inputs; with the points that were used before,
nothing is. How far the runs of other planes repeat, and what an earlier test of the same fan found, stay as
they were: both enter as shares of a figure, which an instrument's error hardly moves.
"""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any
from uuid import UUID

from jobs.events import digest
from jobs.models import CertificatePoint, Company, Quantity
from jobs.tenancy.context import current_company
from measurements import calc
from measurements.inputs import air_of, barometer_of
from measurements.loading import QUANTITY_OF_USE, Loaded, load_tools, local_day
from measurements.models import Method, Result, Session

AIR = frozenset({"temperature", "humidity", "barometer"})
FACTORS = frozenset({"probe", "hood"})
"""Uses whose factor the register holds; a certificate of the factor speaks of it."""
MAIN_USE = {
    Method.PITOT_TRAVERSE.value: "pressure",
    Method.CENTRELINE_READING.value: "pressure",
    Method.HOOD_READING.value: "hood",
}
"""The use of the one instrument that a method's input names; a swept traverse tells by its signal."""

Points = tuple[calc.CertificatePoint, ...]


def uses_of(quantity: str) -> tuple[str, ...]:
    """Uses in which an instrument shows a quantity, or holds it as its factor."""
    found = [use for use, shown in QUANTITY_OF_USE.items() if shown == quantity]
    return tuple(found + (["hood"] if quantity == Quantity.FACTOR else []))


@dataclass(frozen=True)
class StandIn:
    """Points that stand in for those of any certificate under which an instrument was read; by indication."""

    instrument_id: UUID
    quantity: str
    points: Points

    @cached_property
    def plain(self) -> list[Any]:
        return [calc.to_plain(point) for point in self.points]

    @cached_property
    def digest(self) -> str:
        """SHA-256 of the points."""
        return digest([str(self.instrument_id), self.quantity, self.plain])

    @cached_property
    def uses(self) -> tuple[str, ...]:
        return uses_of(self.quantity)

    def uses_in(self, inputs: Mapping[str, Any]) -> dict[str, str | None]:
        """In which uses the instrument stands in stored inputs, with the certificate of each."""
        return {
            row["use"]: row["certificate"]
            for row in inputs.get("certificates", ())
            if row["instrument"] == str(self.instrument_id) and row["use"] in self.uses
        }


def stand_ins(results: Collection[Result], stand_in: StandIn) -> dict[UUID, dict[str, Any]]:
    """By result, its inputs with the other points; statements do not grow with the number of results."""
    used = {row.id: stand_in.uses_in(row.inputs) for row in results}
    before = points_of({c for uses in used.values() for c in uses.values() if c}, stand_in.quantity)
    lit = _light([row.session_id for row in results if AIR & used[row.id].keys()])
    return {row.id: _inputs(row, used[row.id], before, stand_in, lit.get(row.session_id)) for row in results}


def points_of(certificates: Iterable[str], quantity: str) -> dict[str, Points]:
    """As-left points of certificates for a quantity, by indication."""
    rows = CertificatePoint.objects.filter(certificate__in=list(certificates), quantity=quantity)
    found: dict[str, list[calc.CertificatePoint]] = {}
    for row in rows:
        found.setdefault(str(row.certificate_id), []).append(
            calc.CertificatePoint(row.reference, row.as_left, row.expanded_uncertainty, row.coverage_factor)
        )
    return {key: by_indication(points) for key, points in found.items()}


def by_indication(points: Iterable[calc.CertificatePoint]) -> Points:
    return tuple(sorted(points, key=lambda point: point.indicated))


def _light(sessions: Collection[UUID]) -> dict[UUID, Loaded]:
    """Sessions with their instruments and place, without readings: enough for the state of the air."""
    if not sessions:
        return {}
    rows = list(Session.objects.select_related("job__site").filter(id__in=sessions))
    days = {row.id: local_day(row.started_at, row.job.site.time_zone) for row in rows}
    named = {row.id: {use: UUID(one) for use, one in row.content["instruments"].items()} for row in rows}
    tools, company = load_tools(named, days), Company.objects.get(id=current_company())
    return {
        row.id: Loaded(
            session=row,
            readings=[],
            sweeps=[],
            tools=tools[row.id],
            company=company,
            superseded=False,
            assigned=[],
        )
        for row in rows
    }


def _inputs(
    result: Result,
    used: Mapping[str, str | None],
    before: Mapping[str, Points],
    stand_in: StandIn,
    light: Loaded | None,
) -> dict[str, Any]:
    inputs = dict(result.inputs)
    if "calculation" not in inputs:
        return inputs
    for use, certificate in used.items():
        old = before.get(certificate or "", ())
        if old == stand_in.points:
            continue
        try:
            inputs["calculation"] = _calculation(inputs, use, old, stand_in, light)
        except calc.CalcError as error:
            return {**{k: v for k, v in inputs.items() if k != "calculation"}, "refusal": str(error)}
    return inputs


def _calculation(
    inputs: dict[str, Any], use: str, old: Points, stand_in: StandIn, light: Loaded | None
) -> dict[str, Any]:
    """The calculation's input with the instrument in one use as it was found to show."""
    found = dict(inputs["calculation"])
    if stand_in.quantity == Quantity.FACTOR and use in FACTORS:
        name = "factor" if use == "hood" else "probe"
        return {**found, name: _factor(found[name], old, stand_in.points)} if found.get(name) else found
    if use == _main_use(inputs):
        return {**found, "instrument": {**found["instrument"], "certificate": stand_in.plain}}
    plain = [calc.to_plain(point) for point in old]
    found = _by(found, str(stand_in.instrument_id), plain, stand_in.plain)
    return found if light is None or use not in AIR else _air(found, use, light, old, stand_in.points)


def _main_use(inputs: dict[str, Any]) -> str | None:
    if inputs["method"] == Method.SWEPT_TRAVERSE:
        pressure = inputs["calculation"]["signal"] == calc.Signal.PRESSURE.value
        return "pressure" if pressure else "velocity"
    return MAIN_USE.get(inputs["method"])


def _by(part: Any, instrument: str, old: list[Any], new: list[Any]) -> Any:
    """Readings by an instrument that held these points, now with others."""
    if isinstance(part, dict):
        if part.get("by") == instrument and part["instrument"]["certificate"] == old:
            return {**part, "instrument": {**part["instrument"], "certificate": new}}
        return {name: _by(one, instrument, old, new) for name, one in part.items()}
    if isinstance(part, list) and part and isinstance(part[0], dict):
        return [_by(one, instrument, old, new) for one in part]
    return part


def _factor(factor: dict[str, Any], old: Points, new: Points) -> dict[str, Any]:
    """The register's factor, moved by what the certificates differ in there."""
    value, u = factor["value"], factor["u"]
    then, now = (calc.correct(calc.Instrument(points), [value], name="factor") for points in (old, new))
    moved = now.corrections[0] - then.corrections[0]
    return {**factor, "value": value + moved, "u": max(u, now.u[0] if new else 0.0)}


def _air(found: dict[str, Any], use: str, light: Loaded, old: Points, new: Points) -> dict[str, Any]:
    """The state of the air, changed where the two certificates give another."""
    then, now = _with_points(light, use, old), _with_points(light, use, new)
    if isinstance(found.get("air"), dict):
        a, b = calc.to_plain(air_of(then)), calc.to_plain(air_of(now))
        changed = {name: value for name, value in b.items() if value != a[name]}
        found = {**found, "air": {**found["air"], **changed}}
    elif use == "barometer" and isinstance(found.get("barometer"), dict):
        found = {**found, "barometer": calc.to_plain(barometer_of(now))}
    return found


def _with_points(light: Loaded, use: str, points: Points) -> Loaded:
    tool = light.tools[use]
    rows = tuple(
        CertificatePoint(
            quantity=tool.quantity,
            reference=point.reference,
            as_left=point.indicated,
            expanded_uncertainty=point.U,
            coverage_factor=point.k,
        )
        for point in points
    )
    return replace(light, tools={**light.tools, use: replace(tool, points=rows)})
