"""Customers, sites, systems, points: checks, versions, events, companies apart."""

from typing import Any

import pytest

from jobs import register
from jobs.errors import Conflict, Forbidden, Invalid, NotFound, PreconditionFailed
from jobs.models import Event, TestPoint
from jobs.tenancy.context import company
from tests import factories
from tests.factories import World

pytestmark = pytest.mark.django_db


def pointers(error: Any) -> set[str]:
    return {fault.pointer for fault in error.value.faults}


def test_each_is_added_with_an_event_and_named_once(company_a: World, company_b: World) -> None:
    for world in (company_a, company_b):  # the same names fit into each company
        with company(world.id):
            actor = world.actor("dispatcher")
            customer = register.add_customer(actor, name="County hospital", contact_email="a@example.org")
            site = register.add_site(actor, customer_id=customer.id, name="Ward 3", time_zone="Europe/Paris")
            system = register.add_system(actor, site_id=site.id, tag="EF-1", kind="exhaust")
            point = register.add_point(actor, system_id=system.id, tag="E-1", kind="outlet", design_flow=0.1)
            verbs = list(Event.objects.order_by("id").values_list("verb", "subject_id"))
            assert verbs == [
                ("customer.added", customer.id), ("site.added", site.id),
                ("system.added", system.id), ("point.added", point.id),
            ]  # fmt: skip
            with pytest.raises(Conflict, match="already a"):
                register.add_customer(actor, name="County hospital")
            with pytest.raises(Conflict, match="already a"):
                register.add_site(actor, customer_id=customer.id, name="Ward 3")
            with pytest.raises(Conflict, match="already a"):
                register.add_system(actor, site_id=site.id, tag="EF-1")
            with pytest.raises(Conflict, match="already a"):
                register.add_point(actor, system_id=system.id, tag="E-1", kind="fan")


@pytest.mark.parametrize("zone", ["Mars/Olympus", "", "../etc/passwd", "utc+1"])
def test_time_zones_are_those_of_the_list(company_a: World, zone: str) -> None:
    with company(company_a.id), pytest.raises(Invalid) as caught:
        register.change_site(company_a.actor("owner"), company_a.site.id, seen=1, changes={"time_zone": zone})
    assert "/time_zone" in pointers(caught)


@pytest.mark.parametrize(
    ("fields", "pointer"),
    [
        ({"kind": "plane"}, "/shape"),
        ({"kind": "plane", "shape": "round"}, "/diameter"),
        ({"kind": "plane", "shape": "round", "diameter_m": 0.2, "width_m": 0.2}, "/width"),
        ({"kind": "plane", "shape": "round", "diameter_m": 200.0}, "/diameter"),
        ({"kind": "outlet", "width_m": 0.2}, "/width"),
        ({"kind": "outlet", "design_flow": 0.0}, "/design_flow"),
        ({"kind": "outlet", "design_flow": float("nan")}, "/design_flow"),
        ({"kind": "outlet", "tolerance_below": 10.0}, "/tolerance_below"),
        ({"kind": "outlet", "tolerance_below": 0.0, "tolerance_above": 0.0}, "/tolerance_above"),
        ({"kind": "chimney"}, "/kind"),
        ({"kind": "outlet", "shape": "star"}, "/shape"),
        ({"kind": "outlet", "tag": ""}, "/tag"),
        ({"kind": "outlet", "tag": "x" * 41}, "/tag"),
    ],
)
def test_points_that_make_no_sense_are_refused(company_a: World, fields: Any, pointer: str) -> None:
    with company(company_a.id):
        before = TestPoint.objects.count()
        with pytest.raises(Invalid) as caught:
            register.add_point(
                company_a.actor("owner"), system_id=company_a.system.id, **({"tag": "X-1"} | fields)
            )
        assert pointer in pointers(caught)
        assert TestPoint.objects.count() == before


def test_a_parent_is_of_the_same_system_and_makes_no_ring(company_a: World, company_b: World) -> None:
    with company(company_a.id):
        actor, main = company_a.actor("owner"), company_a.points["MD-1"]
        elsewhere = factories.plane(factories.system(company_a.site, "AHU-2"), "M")
        for parent in (main.id, company_a.points["S-1"].id, elsewhere.id, company_b.points["MD-1"].id):
            with pytest.raises(Invalid) as caught:
                register.change_point(actor, main.id, seen=1, changes={"parent_id": parent})
            assert pointers(caught) == {"/parent"}
        loose = register.change_point(
            actor, company_a.points["S-1"].id, seen=1, changes={"parent_id": main.id}
        )
        assert loose.parent_id == main.id


def test_a_change_counts_up_once_and_is_told(company_a: World) -> None:
    with company(company_a.id):
        actor, point = company_a.actor("dispatcher"), company_a.points["S-1"]
        changes = {"design_flow": 0.1, "design_entered": "100 L/s"}
        assert register.change_point(actor, point.id, seen=1, changes=changes).version == 2
        assert register.change_point(actor, point.id, seen=2, changes=changes).version == 2
        event = Event.objects.get(verb="point.changed")
        assert event.data["changes"]["design_flow"] == [0.09, 0.1]
        with pytest.raises(PreconditionFailed):
            register.change_point(actor, point.id, seen=1, changes=changes)


def test_contact_data_stays_out_of_the_log(company_a: World) -> None:
    with company(company_a.id):
        register.change_customer(
            company_a.actor("owner"),
            company_a.customer.id,
            seen=1,
            changes={"contact_email": "a@example.org"},
        )
        assert Event.objects.get(verb="customer.changed").data == {"fields": ["contact_email"]}


def test_roles_and_companies(company_a: World, company_b: World) -> None:
    with company(company_a.id):
        for role in ("technician", "supervisor"):
            with pytest.raises(Forbidden):
                register.add_customer(company_a.actor(role), name="x")
            with pytest.raises(Forbidden):
                register.change_point(company_a.actor(role), company_a.points["S-1"].id, seen=1, changes={})
        actor = company_a.actor("owner")
        with pytest.raises(NotFound):
            register.change_site(actor, company_b.site.id, seen=1, changes={"name": "mine"})
        with pytest.raises(Invalid):
            register.add_site(actor, customer_id=company_b.customer.id, name="mine")
        with pytest.raises(Invalid):
            register.add_system(actor, site_id=company_b.site.id, tag="mine")
        with pytest.raises(Invalid):
            register.add_point(actor, system_id=company_b.system.id, tag="mine", kind="fan")
