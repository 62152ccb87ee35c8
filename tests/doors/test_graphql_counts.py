"""Every root field of GraphQL with all that can be nested in it: as many statements for 3 rows as for 30.

The queries are written from the schema, so a new type or relation is asked for by itself.
"""

import json
import uuid
from collections.abc import Iterator
from typing import Any

from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone
from graphql import GraphQLField, GraphQLObjectType, get_named_type

from config.graphql import schema
from jobs.models import InstrumentKind, Job, Quantity, Role, TestPoint
from jobs.tenancy.context import company
from measurements import correct
from measurements.corrected import UnitChange
from measurements.models import AnswerKind, Flag, Session, SessionVoid
from reports import review
from tests import factories
from tests.doors import walk
from tests.factories import World
from tests.measurements import batches
from tests.reports import scene

SMALL, LARGE = 3, 20
PRESSURE = (Quantity.PRESSURE, -100.0, 100.0, 0.1)
QUERY: GraphQLObjectType = schema._schema.query_type
ROOTS = sorted(set(QUERY.fields) - {"node", "measuringMethods"})
"""Connections; the other two hold no rows of a list."""
DEEP = 5  # connections inside each other
SELDOM = ("/corrections", "/voids")
"""Rows that one session never has both of."""


def is_connection(field: GraphQLField) -> bool:
    return str(get_named_type(field.type)).endswith("Connection")


def node_of(field: GraphQLField) -> GraphQLObjectType:
    """The type of a connection's nodes, or of a plain relation."""
    kind: Any = get_named_type(field.type)
    if not is_connection(field):
        return kind
    edge: Any = get_named_type(kind.fields["edges"].type)
    node: Any = get_named_type(edge.fields["node"].type)
    return node


def selection(kind: GraphQLObjectType, above: tuple[str, ...] = (), *, skip: str = "") -> str:
    """All fields of a type; relations are followed until a type comes again or they nest too deep."""
    parts = []
    for name, field in kind.fields.items():
        inner = get_named_type(field.type)
        if not isinstance(inner, GraphQLObjectType):
            parts.append(name)
            continue
        target = node_of(field)
        if target.name in above or target is kind or name == skip or len(above) >= DEEP:
            continue
        body = selection(target, (*above, kind.name))
        parts.append(
            f"{name}(first: 2) {{ edges {{ node {{ {body} }} }} }}"
            if is_connection(field)
            else f"{name} {{ {body} }}"
        )
    return " ".join(parts)


def full_query(root: str) -> str:
    body = selection(node_of(QUERY.fields[root]))
    return f"{{ {root}(first: {LARGE + 10}) {{ edges {{ node {{ {body} }} }} }} }}"


def branch(world: World, name: str) -> tuple[Job, list[TestPoint]]:
    """A customer with a site, a system of two points, a job, an issued report, an instrument and a person."""
    site = factories.site(factories.customer(name), name)
    system = factories.system(site)
    duct = factories.outlet(system, "S-1")
    points = [duct, factories.outlet(system, "S-2", parent=duct)]
    job = factories.job(site, system, title=name)
    walk.report(world, job)
    tool = factories.instrument(InstrumentKind.MANOMETER, PRESSURE, serial=name)
    factories.certificate(tool)
    factories.make_member(world.id, Role.TECHNICIAN)
    return job, points


def grow(world: World, count: int) -> None:
    """So many customers more, each with two points measured, evaluated and flagged, every flag answered."""
    with company(world.id):
        made = [branch(world, f"N-{uuid.uuid4().hex[:12]}") for _ in range(count)]
    for n in range(2):
        places = [{"job": str(job.id), "test_point": str(points[n].id)} for job, points in made]
        scene.post(world, *[batches.hood(world, "S-1", "49.0", **place) for place in places])
    scene.evaluated(world)
    with company(world.id):
        for job, points in made:
            mistaken(world, Session.objects.get(job=job, test_point=points[0]))
    scene.evaluated(world)
    with company(world.id):
        for flag in Flag.objects.filter(answers__isnull=True, job__in=[job.id for job, _ in made]):
            review.answer_flag(
                world.actor("supervisor"), flag.id, kind=AnswerKind.ACCEPT, reason=scene.REASON
            )


def mistaken(world: World, session: Session) -> None:
    """Corrects the unit of a session; the original gets a void note as well."""
    by, now = world.actor("supervisor"), timezone.now()
    units = [UnitChange("flow", "m3/h")]
    correct.correct(by, session.id, seen_digest=session.content_digest, reason=scene.REASON, units=units)
    SessionVoid.objects.create(session=session, member=world.supervisor, at=now, reason=scene.REASON)


def ask(world: World, query: str) -> tuple[list[Any], int]:
    """The nodes of the root, and in how many statements."""
    body = json.dumps({"query": query})
    with CaptureQueriesContext(connection) as caught:
        answer = Client().post("/graphql", body, content_type="application/json", headers=world.bearer).json()
    assert "errors" not in answer, answer["errors"]
    (found,) = answer["data"].values()
    return [edge["node"] for edge in found["edges"]], len(caught)


def empty_lists(node: Any, path: str = "") -> Iterator[str]:
    """Where a connection has no row, so that nothing was nested there."""
    if isinstance(node, dict):
        if node.get("edges") == [] and not path.endswith(SELDOM):
            yield path
        for name, inner in node.items():
            yield from empty_lists(inner, path if name in ("edges", "node") else f"{path}/{name}")
    if isinstance(node, list):
        for inner in node:
            yield from empty_lists(inner, path)


def test_all_root_fields_are_lists_or_the_node() -> None:
    assert {"customers", "sites", "jobs", "instruments", "members", "revisions"} <= set(ROOTS)
    assert all(is_connection(QUERY.fields[root]) for root in ROOTS)


def test_each_root_with_all_that_nests_takes_the_same_statements_at_both_sizes(company_a: World) -> None:
    queries = {root: full_query(root) for root in ROOTS}
    grow(company_a, SMALL)
    small = {root: ask(company_a, query) for root, query in queries.items()}
    grow(company_a, LARGE - SMALL)
    for root, query in queries.items():
        (rows, many), (fewer_rows, few) = ask(company_a, query), small[root]
        assert len(rows) == len(fewer_rows) + LARGE - SMALL, root
        assert many == few, root
        assert not list(empty_lists(rows[-1])), f"the rows made here do not reach all that {root} nests"
