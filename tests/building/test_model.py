"""A site as Project Haystack 4 and Brick 1.4, judged by Brick's ontology and by the rules of the encoding."""

import json
import warnings
from collections.abc import Iterator
from datetime import datetime
from importlib.resources import files as package_files
from typing import Any
from uuid import UUID

import pyshacl
import pytest
import rdflib
from django.db import connection
from django.test.utils import CaptureQueriesContext

from jobs.errors import Forbidden, NotFound
from jobs.models import Measurand, PointKind, SystemKind, TestPoint
from jobs.tenancy.context import company
from measurements.models import Result
from reports.building import brick, haystack, load
from reports.models import Revision
from tests import factories
from tests.doors.client import assert_problem, signed_in, with_key
from tests.factories import World
from tests.reports import scene

BRICK = rdflib.Namespace("https://brickschema.org/schema/Brick#")
HOSTILE = 'Tag "q" \\ \n\t<b> \u202e {% x %} ^^xsd:double .'


@pytest.fixture(scope="module")
def ontology() -> rdflib.Graph:
    """Brick 1.4 as the package brickschema carries it."""
    found = rdflib.Graph()
    found.parse(str(package_files("brickschema") / "ontologies" / "1.4" / "Brick.ttl"))
    return found


def approved(world: World) -> load.Model:
    """Measured and approved, with every kind of point and of figure at the site."""
    scene.measured(world)
    scene.approved(world)
    with company(world.id):
        every_kind(world)
        return load.load(world.actor("dispatcher"), world.site.id)


def every_kind(world: World) -> None:
    """A system of each kind with a point of each kind; designs of each measurand; a hostile tag."""
    for kind in SystemKind:
        system = factories.system(world.site, f"SYS-{kind.value}", kind=kind)
        parent = None
        for n, point in enumerate(PointKind):
            measurand = list(Measurand)[n % len(Measurand)]
            flow = {"design_flow": 0.1} if measurand == Measurand.FLOW else {}
            parent = TestPoint.objects.create(
                system=system, tag=f"{point.value}-1", kind=point, parent=parent, design_of=measurand,
                design_value=None if flow else 12.5, **flow,
            )  # fmt: skip
        TestPoint.objects.create(system=system, tag=HOSTILE[:40], kind=PointKind.OUTLET, location=HOSTILE)


def parsed(model: load.Model) -> rdflib.Graph:
    return rdflib.Graph().parse(data=brick.turtle(model), format="turtle")


@pytest.mark.standards
def test_brick_conforms_to_the_shapes_of_its_ontology(company_a: World, ontology: rdflib.Graph) -> None:
    """Judged by pySHACL against Brick 1.4.4 (brickschema.org), with its rules of inference; offline.

    One node is wrong on purpose: the judge must find that, and nothing else of ours.
    """
    graph = parsed(approved(company_a))
    wrong, value = (rdflib.URIRef(f"urn:uuid:{UUID(int=n)}") for n in (1, 2))
    graph.add((wrong, rdflib.RDF.type, BRICK.Supply_Air_Flow_Sensor))
    graph.add((wrong, BRICK.lastKnownValue, value))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        _, found, words = pyshacl.validate(
            graph, shacl_graph=ontology, ont_graph=ontology, advanced=True, allow_warnings=True
        )
    violations = set(found.subjects(rdflib.SH.resultSeverity, rdflib.SH.Violation))
    about = {node for one in violations for node in found.objects(one, rdflib.SH.focusNode)}
    ours = {node for node in about if str(node).startswith("urn:uuid:")}
    assert {wrong} <= ours <= {wrong, value}, words


def test_every_class_and_relation_is_one_of_brick_and_none_is_deprecated(
    company_a: World, ontology: rdflib.Graph
) -> None:
    graph, owl = parsed(approved(company_a)), rdflib.OWL
    used = {o for o in graph.objects(None, rdflib.RDF.type) if str(o).startswith(str(BRICK))}
    assert {BRICK.AHU, BRICK.Supply_Fan, BRICK.Air_Diffuser, BRICK.Coil, BRICK.Water_Pump} <= used
    for one in used - {BRICK.Location}:  # its shapes ask for that one, though it gives way to rec:Space
        assert (one, rdflib.RDF.type, owl.Class) in ontology, one
        assert (one, owl.deprecated, rdflib.Literal(True)) not in ontology, one
    for one in {p for p in graph.predicates() if str(p).startswith(str(BRICK))}:
        assert (one, None, None) in ontology, one


def test_turtle_and_json_ld_say_the_same(company_a: World) -> None:
    model = approved(company_a)
    other = rdflib.Graph().parse(data=json.dumps(brick.json_ld(model)), format="json-ld")
    assert set(parsed(model)) == set(other)
    assert len(other) > 500


def test_texts_come_through_as_they_are(company_a: World) -> None:
    graph = parsed(approved(company_a))
    labels = {str(one) for one in graph.objects(None, rdflib.RDFS.label)}
    assert HOSTILE[:40] in labels
    assert HOSTILE in {str(one) for one in graph.objects(None, rdflib.URIRef("urn:flowledger:tab#location"))}


def test_measured_figures_are_those_of_the_approved_report(company_a: World) -> None:
    model = approved(company_a)
    with company(company_a.id):
        results = {row.session.test_point_id: row for row in Result.objects.select_related("session")}
        revision = Revision.objects.get()
    graph, seen = parsed(model), 0
    for group in model.groups:
        for place in group.places:
            for figure in place.measured:
                result = results[place.point.id]
                assert (figure.value, figure.expanded) == (result.flow, result.flow_expanded)
                assert figure.revision == revision.id
                node = rdflib.URIRef(f"urn:uuid:{brick.uuid5(place.point.id, 'measured flow value')}")
                (value,) = graph.objects(node, BRICK.value)
                assert float(value) == result.flow
                (stamp,) = graph.objects(node, BRICK.timestamp)
                assert abs((stamp.toPython() - result.session.started_at).total_seconds()) < 1
                seen += 1
    assert seen == 5


def test_what_was_measured_and_not_approved_is_not_told(company_a: World) -> None:
    scene.measured(company_a)
    with company(company_a.id):
        model = load.load(company_a.actor("dispatcher"), company_a.site.id)
    assert not [f for group in model.groups for place in group.places for f in place.measured]


def test_air_of_an_exhaust_flows_to_the_fan_and_of_a_supply_from_it(company_a: World) -> None:
    model, pairs = approved(company_a), {}
    graph = parsed(model)
    for group in model.groups:
        tags = {place.point.tag: rdflib.URIRef(f"urn:uuid:{place.point.id}") for place in group.places}
        if "fan-1" in tags:
            pairs[group.system.kind] = (tags["outlet-1"], BRICK.feeds, tags["fan-1"]) in graph
    assert pairs == {"supply": True, "return": False, "exhaust": False, "outdoor": True, "water": True}


# Haystack: the rules of docHaystack/Json, version 4

HAYSTACK_KINDS = {"grid", "marker", "ref", "number", "dateTime"}


def hayson(value: Any) -> Iterator[dict[str, Any]]:
    """Every typed object of a value; plain JSON stands for Str, Bool, Number, List and Dict."""
    if isinstance(value, list):
        for one in value:
            yield from hayson(one)
    elif isinstance(value, dict):
        if "_kind" in value:
            yield value
        for one in value.values():
            yield from hayson(one)


def test_haystack_is_proper_json_of_version_4(company_a: World) -> None:
    """Source: project-haystack.org/doc/docHaystack/Json, "JSON Version 4"."""
    grid = json.loads(json.dumps(haystack.grid(approved(company_a)), allow_nan=False))
    assert grid["_kind"] == "grid"
    assert grid["meta"]["ver"] == "3.0"
    names = [column["name"] for column in grid["cols"]]
    assert len(names) == len(set(names))
    for name in names:
        assert name[0].islower()
        assert name.isalnum()
    for row in grid["rows"]:
        assert set(row) <= set(names)
    for one in hayson(grid):
        assert one["_kind"] in HAYSTACK_KINDS
        if one["_kind"] == "marker":
            assert one == {"_kind": "marker"}
        if one["_kind"] == "number":
            assert isinstance(one["val"], float)
            assert one["unit"]
        if one["_kind"] == "ref":
            assert all(sign.isalnum() or sign in "-:.~_" for sign in one["val"])
        if one["_kind"] == "dateTime":
            assert datetime.fromisoformat(one["val"]).tzinfo is not None
            assert one["tz"]


def test_haystack_refers_only_to_what_is_there(company_a: World) -> None:
    rows = haystack.grid(approved(company_a))["rows"]
    ids = [row["id"]["val"] for row in rows]
    assert len(ids) == len(set(ids))
    for row in rows:
        told = {name: one["val"] for name, one in row.items() if isinstance(one, dict) and "Ref" in name}
        told.pop("tabRevisionRef", None)
        assert set(told.values()) <= set(ids)
        assert sum(one in row for one in ("site", "equip", "space", "point")) == 1
        if "point" in row:
            assert ("sp" in row) != ("sensor" in row)
            assert ("equipRef" in row) != ("spaceRef" in row)
            assert row["kind"] == "Number"
            assert "curVal" in row


def test_haystack_tells_design_and_measured_with_its_uncertainty(company_a: World) -> None:
    rows = haystack.grid(approved(company_a))["rows"]
    point = company_a.points["S-1"]
    about = [row for row in rows if row.get("equipRef", {}).get("val") == str(point.id)]
    (design,) = [row for row in about if "tabDesign" in row]
    (measured,) = [row for row in about if "tabMeasured" in row]
    assert design["curVal"] == {"_kind": "number", "val": point.design_flow, "unit": "m³/s"}
    with company(company_a.id):
        result = Result.objects.get(session__test_point=point)
    assert measured["curVal"]["val"] == result.flow
    assert measured["tabExpandedUncertainty"]["val"] == result.flow_expanded
    assert {"discharge", "air", "flow", "sensor"} - set(measured) <= {"discharge"}


# Doors


@pytest.mark.parametrize(
    ("query", "accept", "media"),
    [
        ("", "*/*", "application/vnd.haystack+json"),
        ("", "text/turtle", "text/turtle"),
        ("", "text/html, application/ld+json;q=0.9", "application/ld+json"),
        ("?format=brick", "application/json", "text/turtle"),
        ("?format=haystack", "text/turtle", "application/vnd.haystack+json"),
        ("?format=brick-json", "", "application/ld+json"),
    ],
)
def test_the_door_gives_what_is_asked_for(company_a: World, query: str, accept: str, media: str) -> None:
    caller = with_key(company_a)
    answer = caller.get(f"/sites/{company_a.site.id}/model{query}", Accept=accept)
    assert (answer.status_code, answer["Content-Type"]) == (200, f"{media}; charset=utf-8")
    assert "Accept" in answer["Vary"]
    assert_problem(caller.get(f"/sites/{company_a.site.id}/model?format=xml"), 422)


def test_B1_another_companys_site_is_not_found(company_a: World, company_b: World) -> None:
    one, other = (
        with_key(company_a).get(f"/sites/{site}/model") for site in (company_b.site.id, UUID(int=7))
    )
    assert_problem(one, 404)
    assert one.json()["detail"] == other.json()["detail"]
    with company(company_a.id), pytest.raises(NotFound):
        load.load(company_a.actor("owner"), company_b.site.id)
    with company(company_a.id), pytest.raises(Forbidden):
        load.load(factories_nobody(company_a), company_a.site.id)


def factories_nobody(world: World) -> Any:
    from jobs.access import Actor

    return Actor(company_id=world.id)


def test_it_takes_a_constant_number_of_statements(company_a: World) -> None:
    def count() -> int:
        with company(company_a.id), CaptureQueriesContext(connection) as taken:
            load.load(company_a.actor("owner"), company_a.site.id)
        return len(taken)

    scene.measured(company_a)
    scene.approved(company_a)
    before = count()
    with company(company_a.id):
        every_kind(company_a)
    assert count() == before


def test_the_site_page_leads_to_it(company_a: World) -> None:
    client = signed_in(company_a, "technician").client
    page = client.get(f"/sites/{company_a.site.id}").content.decode()
    for name in ("haystack", "brick", "brick-json"):
        address = f"/sites/{company_a.site.id}/model?format={name}"
        assert address in page
        assert client.get(address).status_code == 200
