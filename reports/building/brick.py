"""A site as a graph of Brick (brickschema.org, version 1.4), as Turtle or JSON-LD.

Test points are equipment or rooms, named by the URN of their id. A design is a Setpoint, a measured figure a
Sensor with `brick:lastKnownValue`: a sensor here is what was measured for the report (Brick: "the value of a
device or instrument designed to detect and measure a variable"), not a device of the building's automation.
Units are those of QUDT. What Brick has no word for is in `tab:`. Return and exhaust air flow from a point to
its parent, all else from the parent to the point. Syntax: W3C RDF 1.1 Turtle, W3C JSON-LD 1.1.
"""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC
from typing import Any
from uuid import UUID, uuid5

from jobs.models import Measurand, PointKind, SystemKind
from reports.building.load import Figure, Group, Model, Place

PREFIXES = {
    "brick": "https://brickschema.org/schema/Brick#",
    "rdf": "http://www.w3.org/1999/02/22-rdf-syntax-ns#",
    "rdfs": "http://www.w3.org/2000/01/rdf-schema#",
    "rec": "https://w3id.org/rec#",
    "qudt": "http://qudt.org/schema/qudt/",
    "unit": "http://qudt.org/vocab/unit/",
    "xsd": "http://www.w3.org/2001/XMLSchema#",
    "tab": "urn:flowledger:tab#",
}
KINDS: dict[str, str] = {
    PointKind.PLANE: "HVAC_Equipment",
    PointKind.OUTLET: "HVAC_Equipment",
    PointKind.FAN: "Fan",
    PointKind.COIL: "Coil",
    PointKind.PUMP: "Pump",
    PointKind.VALVE: "Valve",
    PointKind.ROOM: "Room",  # of RealEstateCore, to which Brick 1.4 leaves locations
    PointKind.UNIT: "AHU",
    PointKind.DUCT: "HVAC_Equipment",
    PointKind.FUME_HOOD: "Fume_Hood",
    PointKind.DEVICE: "HVAC_Equipment",
}
BY_SYSTEM: dict[tuple[str, str], str] = {
    (SystemKind.SUPPLY, PointKind.OUTLET): "Air_Diffuser",
    (SystemKind.SUPPLY, PointKind.FAN): "Supply_Fan",
    (SystemKind.RETURN, PointKind.FAN): "Return_Fan",
    (SystemKind.EXHAUST, PointKind.FAN): "Exhaust_Fan",
    (SystemKind.OUTDOOR, PointKind.FAN): "Outside_Fan",
    (SystemKind.WATER, PointKind.PUMP): "Water_Pump",
    (SystemKind.WATER, PointKind.VALVE): "Water_Valve",
}
AIR = {SystemKind.SUPPLY: "Supply_", SystemKind.EXHAUST: "Exhaust_", SystemKind.OUTDOOR: "Outside_"}
WHAT: dict[str, str] = {
    Measurand.PRESSURE: "Differential_Pressure_",
    Measurand.EXTERNAL_STATIC: "Static_Pressure_",
    Measurand.FAN_STATIC_PRESSURE: "Static_Pressure_",
}
"""Figures that Brick has a word for beside flows; the others are plain sensors and setpoints."""
UNITS = {
    "m³/s": "M3-PER-SEC",
    "Pa": "PA",
    "m/s": "M-PER-SEC",
    "m": "M",
    "W": "W",
    "m³/s/m²": "M-PER-SEC",
    "1": "UNITLESS",
}


@dataclass(frozen=True)
class Iri:
    """A node, by prefix and name, or by its whole URN."""

    name: str
    prefix: str = ""


@dataclass(frozen=True)
class Literal:
    text: str
    type: str = ""  # of xsd; empty: a plain text


Triple = tuple[Iri, Iri, Iri | Literal]
A = Iri("type", "rdf")


def brick(name: str) -> Iri:
    return Iri(name, "brick")


def urn(value: UUID) -> Iri:
    return Iri(f"urn:uuid:{value}")


def graph(model: Model) -> Iterator[Triple]:
    """Everything that is said of a site."""
    site = urn(model.site.id)
    yield site, A, Iri("Site", "rec")
    yield site, A, brick("Location")  # gives way to rec:Space, but hasLocation still asks for it
    yield site, Iri("label", "rdfs"), Literal(model.site.name)
    for unit in sorted(set(UNITS.values())):
        yield Iri(unit, "unit"), A, Iri("Unit", "qudt")
    for group in model.groups:
        yield from _group(site, group)


def _group(site: Iri, group: Group) -> Iterator[Triple]:
    system, water = urn(group.system.id), group.system.kind == SystemKind.WATER
    yield system, A, brick("Water_System" if water else "Ventilation_Air_System")
    yield system, Iri("label", "rdfs"), Literal(group.system.tag)
    if group.system.name:
        yield system, Iri("name", "tab"), Literal(group.system.name)
    yield system, Iri("systemKind", "tab"), Literal(group.system.kind)
    for place in group.places:
        yield from _place(site, system, group, place)


def _place(site: Iri, system: Iri, group: Group, place: Place) -> Iterator[Triple]:
    point, kind = place.point, group.system.kind
    this, room = urn(point.id), point.kind == PointKind.ROOM
    yield this, A, Iri(BY_SYSTEM.get((kind, point.kind), KINDS[point.kind]), "rec" if room else "brick")
    if room:
        yield this, A, brick("Location")
    yield this, Iri("label", "rdfs"), Literal(point.tag)
    yield this, Iri("pointKind", "tab"), Literal(point.kind)
    if point.location:
        yield this, Iri("location", "tab"), Literal(point.location)
    if room:
        yield this, Iri("isPartOf", "rec"), site
    else:
        yield this, brick("hasLocation"), site
        yield system, brick("hasPart"), this
    known = {one.point.id: one.point for one in group.places}
    if point.parent_id is not None and (parent := known.get(point.parent_id)) is not None:
        yield from _feeds(this, urn(parent.id), kind, room, parent.kind == PointKind.ROOM)
    for figure in (*place.design, *place.measured):
        yield from _figure(this, kind, point.id, figure)


def _feeds(this: Iri, parent: Iri, kind: str, room: bool, from_room: bool) -> Iterator[Triple]:
    """Only equipment feeds; air from a room is not told."""
    inwards = kind in (SystemKind.RETURN, SystemKind.EXHAUST)
    giver, taker = (this, parent) if inwards else (parent, this)
    if not (room if inwards else from_room):
        yield giver, brick("feeds"), taker


def _figure(this: Iri, kind: str, point_id: UUID, figure: Figure) -> Iterator[Triple]:
    measured = figure.at is not None
    name = f"{'measured' if measured else 'design'} {figure.measurand}"
    node, value = urn(uuid5(point_id, name)), urn(uuid5(point_id, f"{name} value"))
    yield this, brick("hasPoint"), node
    yield node, A, brick(_class(kind, figure))
    yield node, Iri("label", "rdfs"), Literal(name.replace("_", " "))
    yield node, Iri("measurand", "tab"), Literal(str(figure.measurand))
    unit = Iri(UNITS[figure.unit], "unit")
    yield node, brick("hasUnit"), unit
    if figure.standard:
        yield node, Iri("atStandardDensity", "tab"), Literal("true", "boolean")
    if not measured:
        yield node, Iri("designValue", "tab"), double(figure.value)
        return
    assert figure.at is not None
    yield node, brick("lastKnownValue"), value
    flow = figure.measurand == Measurand.FLOW
    yield value, A, Iri("VolumeFlowRateObservation" if flow else "DoubleValueObservation", "rec")
    yield value, Iri("sourcePoint", "rec"), node
    yield value, brick("value"), double(figure.value)
    yield value, Iri("value", "rec"), double(figure.value)
    yield value, brick("hasUnit"), unit
    stamp = figure.at.astimezone(UTC).isoformat(timespec="seconds")
    yield value, brick("timestamp"), Literal(stamp, "dateTime")
    if figure.expanded is not None:
        yield value, Iri("expandedUncertainty", "tab"), double(figure.expanded)
    if figure.revision is not None:
        yield value, Iri("approvedIn", "tab"), urn(figure.revision)
    if figure.report:
        yield value, Iri("report", "tab"), Literal(figure.report)


def _class(kind: str, figure: Figure) -> str:
    end = "Sensor" if figure.at else "Setpoint"
    if figure.measurand == Measurand.FLOW:
        start = "Water_" if kind == SystemKind.WATER else f"{AIR.get(SystemKind(kind), '')}Air_"
        return f"{start}Flow_{end}"
    return WHAT.get(figure.measurand, "") + end


def double(value: float) -> Literal:
    return Literal(repr(float(value)), "double")


def turtle(model: Model) -> str:
    """RDF 1.1 Turtle, a statement a line."""
    head = [f"@prefix {name}: <{address}> ." for name, address in PREFIXES.items()]
    return "\n".join([*head, "", *(f"{_t(s)} {_t(p)} {_t(o)} ." for s, p, o in graph(model)), ""])


def _t(term: Iri | Literal) -> str:
    if isinstance(term, Iri):
        return f"{term.prefix}:{term.name}" if term.prefix else f"<{term.name}>"
    text = json.dumps(term.text, ensure_ascii=False).replace("\x7f", "\\u007F")
    return f"{text}^^xsd:{term.type}" if term.type else text


def json_ld(model: Model) -> dict[str, Any]:
    """JSON-LD 1.1, a node an object."""
    nodes: dict[str, dict[str, Any]] = {}
    for subject, predicate, value in graph(model):
        node = nodes.setdefault(_j(subject), {"@id": _j(subject)})
        if predicate == A:
            node.setdefault("@type", []).append(_j(value))
            continue
        node.setdefault(_j(predicate), []).append(_j_value(value))
    return {"@context": PREFIXES, "@graph": list(nodes.values())}


def _j(term: Iri | Literal) -> str:
    assert isinstance(term, Iri)
    return f"{term.prefix}:{term.name}" if term.prefix else term.name


def _j_value(term: Iri | Literal) -> Any:
    if isinstance(term, Iri):
        return {"@id": _j(term)}
    return {"@value": term.text, "@type": f"xsd:{term.type}"} if term.type else {"@value": term.text}
