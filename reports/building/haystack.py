"""A site as a grid of Project Haystack 4, in its JSON encoding.

Source of the encoding: project-haystack.org/doc/docHaystack/Json, "JSON Version 4". The markers site, equip,
ahu, fan, coil, pump, valve, duct, space, room, point, sensor, sp, air, water and flow are Haystack's, from
memory; what it has no word for are tags of our own that begin with `tab`. A sensor here is a figure that was
measured for the report, not a device of the building's automation, and so it is marked `tabMeasured`.
"""

from collections.abc import Iterator
from typing import Any

from jobs.models import Measurand, PointKind, SystemKind, TestPoint
from reports.building.load import Figure, Group, Model, Place

MEDIA = "application/vnd.haystack+json"
MARKER = {"_kind": "marker"}
KINDS: dict[str, tuple[str, ...]] = {
    PointKind.PLANE: ("equip", "duct", "tabPlane"),
    PointKind.OUTLET: ("equip", "duct", "tabOutlet"),
    PointKind.FAN: ("equip", "fan", "motor"),
    PointKind.COIL: ("equip", "coil"),
    PointKind.PUMP: ("equip", "pump", "motor"),
    PointKind.VALVE: ("equip", "valve"),
    PointKind.ROOM: ("space", "room"),
    PointKind.UNIT: ("equip", "ahu"),
    PointKind.DUCT: ("equip", "duct"),
    PointKind.FUME_HOOD: ("equip", "tabFumeHood"),
    PointKind.DEVICE: ("equip", "tabPressureDevice"),
}
AIR = {SystemKind.SUPPLY: "discharge", SystemKind.RETURN: "return", SystemKind.EXHAUST: "exhaust",
       SystemKind.OUTDOOR: "outside"}  # fmt: skip
WHAT: dict[str, tuple[str, ...]] = {
    Measurand.FLOW: ("flow",),
    Measurand.PRESSURE: ("pressure",),
    Measurand.EXTERNAL_STATIC: ("static", "pressure", "tabExternal"),
    Measurand.FAN_STATIC_PRESSURE: ("static", "pressure", "tabFanStatic"),
    Measurand.VELOCITY: ("velocity",),
    Measurand.OUTDOOR_SHARE: ("tabOutdoorShare",),
    Measurand.LEAKAGE: ("tabLeakage",),
    Measurand.HEAD: ("tabHead",),
    Measurand.HEAT: ("power", "tabHeat"),
    Measurand.NC_RATING: ("tabNoiseRating",),
}
NO_UNIT = {"1"}


def grid(model: Model) -> dict[str, Any]:
    """The whole site as one grid: a row each for site, systems, equipment or rooms, and points."""
    rows = [_site(model), *(row for group in model.groups for row in _group(model, group))]
    columns = dict.fromkeys(name for row in rows for name in row)
    return {
        "_kind": "grid",
        "meta": {"ver": "3.0"},
        "cols": [{"name": name} for name in columns],
        "rows": rows,
    }


def _site(model: Model) -> dict[str, Any]:
    site = model.site
    return {
        "id": ref(site.id, site.name),
        "dis": site.name,
        "site": MARKER,
        "geoAddr": site.address,
        "geoElevation": number(site.elevation_m, "m"),
        "tz": site.time_zone.rpartition("/")[2],
    }


def _group(model: Model, group: Group) -> Iterator[dict[str, Any]]:
    system = group.system
    yield {
        "id": ref(system.id, system.tag),
        "dis": system.tag,
        "equip": MARKER,
        "tabSystem": system.kind,
        "tabName": system.name,
        "siteRef": ref(model.site.id, model.site.name),
    }
    for place in group.places:
        yield _place(model, group, place)
        for figure in place.design:
            yield {**_figure(model, group, place, figure), "sp": MARKER, "tabDesign": MARKER}
        for figure in place.measured:
            yield {**_figure(model, group, place, figure), "sensor": MARKER, "tabMeasured": MARKER,
                   **_measured(figure)}  # fmt: skip


def _place(model: Model, group: Group, place: Place) -> dict[str, Any]:
    point = place.point
    row = {
        "id": ref(point.id, point.tag),
        "dis": point.tag,
        **dict.fromkeys(KINDS[point.kind], MARKER),
        "siteRef": ref(model.site.id, model.site.name),
        "tabLocation": point.location,
    }
    if "equip" in row:
        row["equipRef"] = ref(group.system.id, group.system.tag)
        if point.kind in (PointKind.FAN, PointKind.PLANE, PointKind.OUTLET) and group.system.kind in AIR:
            row[AIR[SystemKind(group.system.kind)]] = MARKER
    if (parent := _parent(group, point)) is not None:
        row["airRef" if group.system.kind != SystemKind.WATER else "waterRef"] = ref(parent.id, parent.tag)
    return row


def _parent(group: Group, point: TestPoint) -> TestPoint | None:
    return next((one.point for one in group.places if one.point.id == point.parent_id), None)


def _figure(model: Model, group: Group, place: Place, figure: Figure) -> dict[str, Any]:
    point, water = place.point, group.system.kind == SystemKind.WATER
    kind = "measured" if figure.at else "design"
    row = {
        "id": ref(f"{point.id}-{kind}-{figure.measurand}", ""),
        "dis": f"{point.tag} {kind} {figure.measurand.words.lower()}",
        "point": MARKER,
        **dict.fromkeys(WHAT[figure.measurand], MARKER),
        "water" if water else "air": MARKER,
        "kind": "Number",
        "siteRef": ref(model.site.id, model.site.name),
        "curVal": number(figure.value, figure.unit),
    }
    if figure.unit not in NO_UNIT:
        row["unit"] = figure.unit
    if figure.standard:
        row["tabStandardDensity"] = MARKER
    row["spaceRef" if point.kind == PointKind.ROOM else "equipRef"] = ref(point.id, point.tag)
    return row


def _measured(figure: Figure) -> dict[str, Any]:
    """What a measured figure is told beside its value."""
    assert figure.at is not None
    found: dict[str, Any] = {
        "tabMeasuredAt": {"_kind": "dateTime", "val": figure.at.isoformat(), "tz": "UTC"},
        "tabRevisionRef": ref(figure.revision, figure.report),
    }
    if figure.expanded is not None:
        found["tabExpandedUncertainty"] = number(figure.expanded, figure.unit)
    if figure.report:
        found["tabReport"] = figure.report
    return found


def ref(name: object, dis: str) -> dict[str, Any]:
    """A reference; ids of Haystack take letters, digits, '-', ':', '.', '~' and '_'."""
    return {"_kind": "ref", "val": str(name), **({"dis": dis} if dis else {})}


def number(value: float, unit: str) -> Any:
    return float(value) if unit in NO_UNIT else {"_kind": "number", "val": float(value), "unit": unit}
