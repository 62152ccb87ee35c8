"""The balance of a system: rounds and surveys, the plan from the calculation, the fan's limits, who may look.

The course of a whole system is followed on a building with its own physics (tests/measurements/building.py).
"""

import json
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID

import numpy as np
import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from jobs.errors import NotFound
from jobs.models import InstrumentKind, PointKind, Quantity, Shape, SystemKind, TestPoint
from jobs.tenancy.context import company
from jobs.tenancy.ids import uuid7
from measurements import balance as actions
from measurements.balance import Balance, balance
from measurements.balancing.content import content
from measurements.balancing.remarks import BY_CODE
from measurements.balancing.rounds import Figure, Move, stands, surveys
from measurements.balancing.tree import grow
from measurements.calc.network import Damper
from measurements.calc.network_steps import Action, live_target
from measurements.correct import void
from measurements.intake import UNKNOWN
from measurements.models import Session
from measurements.rules.noticed import NO_FLAG, fields_of
from tests import factories
from tests.calc.duct_system import DuctSystem, random_system
from tests.factories import World, bearer
from tests.measurements import batches
from tests.measurements.building import build
from tests.reports import scene

START = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
A, B, C, FAN = (uuid7() for _ in range(4))


# ---- pure parts ------------------------------------------------------------------------------------------


def figure(point: UUID, minute: int, value: float | None = 0.1, **changes: Any) -> Figure:
    outcome = "waiting" if value is None else "computed"
    at = START + timedelta(minutes=minute)
    return Figure(uuid7(), point, at, "hood_reading", outcome, value, **changes)


def test_a_survey_is_every_outlet_once_with_nothing_turned_meanwhile() -> None:
    first = [figure(A, 0), figure(B, 1), figure(C, 2)]
    found = surveys([A, B, C], first)
    assert [set(one.readings) for one in found.complete] == [{A, B, C}]
    turned = figure(B, 5, moved=True)
    found = surveys([A, B, C], [*first, turned])
    assert len(found.complete) == 1
    assert found.turned == {B}
    assert set(found.since) == {B}
    # A was read before C was turned: its reading does not belong to the readings after that.
    mixed = [*first, turned, figure(A, 6), figure(C, 7, moved=True), figure(B, 8)]
    found = surveys([A, B, C], mixed)
    assert len(found.complete) == 1
    assert found.turned == {B, C}
    found = surveys([A, B, C], [*mixed, figure(A, 9)])
    assert len(found.complete) == 2
    assert found.complete[1].adjusted == {B, C}
    assert found.complete[1].readings[A].at == START + timedelta(minutes=9)
    assert found.turned == set()


def test_a_branch_damper_or_the_fan_ends_a_survey_too() -> None:
    figures = [figure(A, 0), figure(B, 2)]
    fan = Move(FAN, START + timedelta(minutes=1))
    assert surveys([A, B], figures).complete
    assert not surveys([A, B], figures, [fan]).complete
    damper = Move(C, START + timedelta(minutes=3))
    assert surveys([A, B], figures, [damper], [C]).turned == {C}
    assert surveys([A, B], figures, [damper]).turned == set()


def test_what_is_not_evaluated_yet_is_no_reading_of_a_survey() -> None:
    assert not surveys([A, B], [figure(A, 0), figure(B, 1, None)]).complete
    assert not surveys([], []).complete


@pytest.mark.parametrize(
    ("told", "is_"),
    [
        ("", Damper.OPEN),
        ("open", Damper.OPEN),
        ("Fully open", Damper.OPEN),
        ("100 %", Damper.OPEN),
        ("8 of 8", Damper.OPEN),
        ("8/8", Damper.OPEN),
        ("half open", Damper.SET),
        ("not open", Damper.SET),
        ("3 of 8", Damper.SET),
        ("0 of 0", Damper.SET),
        ("2.5 turns", Damper.SET),
        ("no damper", Damper.NONE),
        ("None", Damper.NONE),
    ],
)
def test_how_a_damper_stands_by_the_technicians_words(told: str, is_: Damper) -> None:
    assert stands(told) is is_


def point(tag: str, kind: str = PointKind.OUTLET, parent: TestPoint | None = None) -> TestPoint:
    above = parent.id if parent else None
    return TestPoint(id=uuid7(), company_id=A, tag=tag, kind=kind, parent_id=above)


def test_the_tree_hangs_on_the_only_duct_without_one_above() -> None:
    fan = point("F", PointKind.FAN)
    main = point("M", PointKind.PLANE, fan)
    branch = point("B", PointKind.PLANE, main)
    deep = point("D", PointKind.DUCT, branch)
    outlets = [point("1", parent=branch), point("2", parent=deep), point("3"), point("4", parent=main)]
    idle = point("I", PointKind.PLANE, main)
    tree = grow([deep, fan, main, branch, *outlets, idle], SystemKind.SUPPLY)
    assert tree.trunk is main
    assert [one.tag for one in tree.branches] == ["B", "D"]
    assert [tree.above[one.id] for one in outlets] == [branch.id, deep.id, None, None]
    assert list(tree.up(outlets[1].id)) == [deep.id, branch.id, None]
    two = [point("X", PointKind.PLANE), point("Y", PointKind.PLANE)]
    ends = [point("1", parent=two[0]), point("2", parent=two[1])]
    tree = grow([*two, *ends], SystemKind.SUPPLY)
    assert tree.trunk is None
    assert len(tree.branches) == 2


def test_parents_in_a_loop_end_somewhere() -> None:
    one, two = point("1", PointKind.PLANE), point("2", PointKind.PLANE)
    one.parent_id, two.parent_id = two.id, one.id
    tree = grow([one, two, point("S", parent=one)], SystemKind.SUPPLY)
    assert [end.tag for end in tree.ends] == ["S"]


def test_with_water_valves_are_the_ends_and_those_that_carry_others_are_branches() -> None:
    riser = point("R", PointKind.VALVE)
    ends = [point("V1", PointKind.VALVE, riser), point("V2", PointKind.VALVE, riser)]
    tree = grow([riser, *ends, point("S-1")], SystemKind.WATER)
    assert tree.trunk is riser
    assert [end.tag for end in tree.ends] == ["V1", "V2"]


def test_every_remark_of_a_plan_has_words() -> None:
    proposed = {code for code, why in NO_FLAG.items() if "proposal of balancing" in why}
    assert proposed - {"valve_outside_table"} == set(BY_CODE)
    for row in BY_CODE.values():
        assert all(name in {"points", "flow", "share", "branch_share", "relative", "tolerance", "count"}
                   for text in row.templates for name in fields_of(text))  # fmt: skip


# ---- a whole system --------------------------------------------------------------------------------------


def done(found: Balance) -> dict[str, str]:
    return {branch.tag: branch.do for branch in found.branches}


@pytest.mark.django_db
def test_branches_of_a_building_become_equal_by_the_plan(company_a: World) -> None:
    """Two rounds on a building of five branches: every true share within 5 % of its branch's."""
    building = build(company_a, random_system(3))
    air = building.air
    empty = building.balance()
    assert (empty.phase, set(done(empty).values())) == ("outlets", {"read"})
    assert {len(branch.missing) for branch in empty.branches} >= {2, 6}
    building.survey()
    building.post()
    found = building.balance()
    assert done(found)["B5"] == "adjust"
    worst = within(air, found)
    assert worst > 0.1
    for branch in found.branches:
        reference = found.tag(branch.found.reference) if branch.found.reference else ""
        assert branch.found.shares is not None
        shares = {one.tag: one.share.value for one in branch.found.shares.outlets if one.share}
        assert reference == min(shares, key=lambda tag: shares[tag])
        assert reference not in {one.step.tag for one in branch.found.steps}
        if branch.do != "adjust":
            continue
        for step in branch.found.steps:
            assert step.step.action is Action.CLOSE
            assert step.factor == pytest.approx(1.0, abs=0.01)
            read = air.read(step.step.read_at) / (step.factor or 1.0)
            building.set(step.step.tag, live_target(step.step, read) * (step.factor or 1.0))
    building.post()
    found = building.balance()
    assert set(done(found).values()) == {"equal", "again"}
    again = next(branch for branch in found.branches if branch.do == "again")
    assert {found.tag(one) for one in again.missing} < {found.tag(one) for one in again.found.points}
    assert all(one.found.open_steps == [] for one in found.branches if one.do == "again")
    stale = [one for one in found.ends if one.stale]
    assert stale
    building.survey()
    building.post()
    found = building.balance()
    assert set(done(found).values()) == {"equal"}
    assert found.phase == "branches"
    assert within(air, found) < 0.05
    assert found.whole is not None
    assert len(found.whole.surveys.complete) == 2
    assert any(step.step.tag.startswith("B") for step in found.whole.open_steps)
    for step in found.whole.open_steps:
        target = live_target(step.step, air.read(step.step.read_at) / (step.factor or 1.0))
        building.set_branch(step.step.tag, step.step.read_at, target * (step.factor or 1.0))
    building.post()
    found = building.balance()
    duct = next(one for one in found.points if one.point.tag == "B2")
    assert (duct.setting, duct.marked) == ("4 of 8", True)
    assert found.phase == "survey"
    building.survey()
    building.post()
    found = building.balance()
    assert not any(one.stale for one in found.ends)
    assert float(np.abs(air.unequal()).max()) < 0.08  # 0.09 when branches are set by their lowest outlet
    rounds = next(one for one in found.ends if one.point.tag == "O5-3").rounds
    assert [one.moved for one in rounds][:3] == [False, True, False]
    assert rounds[2].setting == "3 of 8"


def within(air: DuctSystem, found: Balance) -> float:
    """Largest true deviation of a share from its branch's."""
    flows, worst = air.flows(), 0.0
    shares = flows / air.design
    for branch in set(air.branch_of):
        rows = [n for n, of in enumerate(air.branch_of) if of == branch]
        whole = flows[rows].sum() / air.design[rows].sum()
        worst = max(worst, float(np.abs(shares[rows] / whole - 1.0).max()))
    return worst


def small(world: World, flows: dict[str, str], **changes: Any) -> None:
    """Readings at the three outlets of the world, in L/s, evaluated."""
    scene.post(world, *(batches.hood(world, tag, flow, **changes) for tag, flow in flows.items()))
    scene.evaluated(world)


def state(world: World, role: str = "technician") -> Balance:
    with company(world.id):
        return balance(world.actor(role), world.job.id, world.system.id)


def later(minutes: float = 0.0, **adjustment: Any) -> dict[str, Any]:
    """Times of a session after those of `batches.hood`, and what was done before it."""
    start = batches.now() - timedelta(minutes=2) + timedelta(minutes=minutes)
    made: dict[str, Any] = {"started_at": start.isoformat(), "finished_at": batches.now().isoformat()}
    return made | ({"adjustment": adjustment} if adjustment else {})


@pytest.mark.django_db
def test_a_system_within_tolerance_lacks_its_marks_then_is_balanced(fine: World) -> None:
    small(fine, {"S-1": "90.2", "S-2": "89.9", "S-3": "90.4"})
    found = state(fine)
    assert (found.phase, found.balanced) == ("marks", True)
    assert all(one.settled and not one.marked for one in found.ends)
    small(
        fine,
        {"S-1": "90.2", "S-2": "89.9", "S-3": "90.4"},
        **later(setting="4 of 8", marked=True),
    )
    found = state(fine)
    assert (found.phase, found.balanced) == ("balanced", True)
    assert {one.setting for one in found.ends} == {"4 of 8"}


@pytest.mark.django_db
def test_an_outlet_turned_makes_the_others_stale(fine: World) -> None:
    small(fine, {"S-1": "90.2", "S-2": "89.9", "S-3": "90.4"})
    small(fine, {"S-2": "90.0"}, **later(setting="4 of 8", done="Closed a little"))
    found = state(fine)
    assert not found.balanced
    assert {one.point.tag: one.stale for one in found.ends} == {"S-1": "S-2", "S-2": "", "S-3": "S-2"}
    assert done(found) == {"BD-1": "again"}
    assert {found.tag(one) for one in found.branches[0].missing} == {"S-1", "S-3"}


@pytest.mark.django_db
def test_the_same_setting_told_again_is_no_change_and_another_one_is(fine: World) -> None:
    told: dict[str, Any] = {"setting": "4 of 8", "marked": False, "done": ""}
    small(fine, {"S-1": "90.2", "S-2": "89.9", "S-3": "90.4"}, adjustment=told)
    small(fine, {"S-2": "90.0"}, **later(**told))
    assert state(fine).balanced
    small(fine, {"S-2": "90.0"}, **later(0.5, setting="5 of 8"))
    assert not state(fine).balanced


@pytest.mark.django_db
def test_a_fail_is_not_balanced_and_the_fan_is_next(fine: World) -> None:
    small(fine, {"S-1": "70.0", "S-2": "70.2", "S-3": "69.9"})
    found = state(fine)
    assert (found.phase, found.balanced) == ("fan", False)
    assert done(found) == {"BD-1": "equal"}
    assert all(one.now is not None and one.now.accepted is False for one in found.ends)


@pytest.mark.django_db
def test_a_void_reading_does_not_count_and_a_waiting_one_is_named(fine: World) -> None:
    small(fine, {"S-1": "90.2", "S-2": "89.9"})
    scene.post(fine, batches.hood(fine, "S-3", "90.0"))
    found = state(fine)
    assert actions.waiting(found) == ["S-3"]
    assert done(found) == {"BD-1": "read"}
    assert [found.tag(one) for one in found.branches[0].missing] == ["S-3"]
    scene.evaluated(fine)
    assert state(fine).balanced
    session = next(one for one in state(fine).ends if one.point.tag == "S-3").rounds[0].session
    with company(fine.id):
        seen = Session.objects.get(id=session).content_digest
        void(fine.actor("supervisor"), session, reason="Read at another outlet.", seen_digest=seen)
    found = state(fine)
    assert done(found) == {"BD-1": "read"}
    assert next(one for one in found.ends if one.point.tag == "S-3").rounds == ()


@pytest.mark.django_db
def test_an_outlet_without_a_design_is_read_but_never_planned(fine: World) -> None:
    with company(fine.id):
        factories.outlet(fine.system, "S-9", parent=fine.points["BD-1"], design_flow=None)
        factories.outlet(fine.system, "S-0", parent=fine.points["BD-1"], design_flow=0.0)
        fine.points["S-0"] = TestPoint.objects.get(tag="S-0")
    small(fine, {"S-1": "70.0", "S-2": "89.9", "S-3": "90.4", "S-0": "20.0"})
    found = state(fine)
    (branch,) = found.branches
    steps = {one.step.tag: one.step.action for one in branch.found.steps}
    assert steps["S-0"] is Action.SHUT
    assert "S-9" not in steps
    said = [one["seen"] for one in content(found)["branches"][0]["remarks"]]
    assert any("S-0 carries 20" in one and "design flow is zero" in one for one in said)


@pytest.mark.django_db
@pytest.mark.parametrize("whose", ["nobody", "another company", "another job"])
def test_a_damper_turned_at_a_point_that_is_not_there_is_refused(
    fine: World, company_b: World, whose: str
) -> None:
    with company(fine.id):
        other = factories.outlet(factories.system(fine.site, "AHU-7"), "X-1")
    point = {"nobody": uuid7(), "another company": company_b.points["BD-1"].id, "another job": other.id}[
        whose
    ]
    turned = [{"test_point": str(point), "setting": "4 of 8"}]
    (outcome,) = batches.post(fine, batches.hood(fine, turned=turned))
    assert outcome.outcome == "refused"
    assert outcome.errors[0].pointer == "/sessions/0/turned/0/test_point"
    told = "This test point is not in a system of the job." if whose == "another job" else UNKNOWN
    assert outcome.errors[0].detail == told


# ---- the fan ---------------------------------------------------------------------------------------------


def fan_test(world: World, **told: dict[str, str]) -> dict[str, Any]:
    """A fan test with speed, pressures and three phases; plate and limits as told."""
    start = batches.now() - timedelta(minutes=4)

    def row(place: str, quantity: str, value: str, unit: str, line: int = 1) -> dict[str, Any]:
        return {
            "run": 1, "line": line, "point": 1, "quantity": quantity, "value": value, "unit": unit,
            "place": place, "taken_at": start.isoformat(),
        }  # fmt: skip

    return batches.session(
        world,
        "F-1",
        "fan_test",
        instruments=batches.tools(world, "pressure", "speed", "current", "temperature"),
        told={
            "flow": {"value": "210", "unit": "L/s"},
            "inlet_area": {"value": "0.09", "unit": "m2"},
            "nameplate_power": {"value": "1.5", "unit": "kW"},
            "nameplate_current": {"value": "3.2", "unit": "A"},
            "maximum_speed": {"value": "1500", "unit": "/min"},
            "motor_sheave": {"value": "100", "unit": "mm"},
            "fan_sheave": {"value": "140", "unit": "mm"},
            **told,
        },
        readings=[
            row("inlet_pressure", "pressure", "-80.0", "Pa"),
            row("outlet_pressure", "pressure", "120.0", "Pa"),
            row("speed", "speed", "1000", "/min"),
            *(row("current", "current", amps, "A", n) for n, amps in enumerate(("1.20", "1.25", "1.22"), 1)),
        ],
    )


def with_fan(world: World) -> World:
    with company(world.id):
        world.points["F-1"] = TestPoint.objects.create(
            system=world.system, tag="F-1", kind=PointKind.FAN, shape=Shape.NONE, position=0
        )
        for use, kind, quantity, top in (
            ("speed", InstrumentKind.TACHOMETER, Quantity.SPEED, 100.0),
            ("current", InstrumentKind.ELECTRICAL, Quantity.CURRENT, 20.0),
        ):
            tool = factories.instrument(kind, (quantity, 0.0, top, 0.01))
            factories.certificate(tool)
            factories.assign(world.job, None, tool)
            world.instruments[use] = tool
    return world


@pytest.mark.django_db
def test_the_fan_is_told_its_new_speed_by_the_fan_laws(fine: World) -> None:
    world = with_fan(fine)
    small(world, {"S-1": "75.0", "S-2": "75.0", "S-3": "75.0"})
    scene.post(world, fan_test(world))
    scene.evaluated(world)
    (fan,) = state(world).fans
    assert fan.change is not None
    assert fan.change.allowed
    change = fan.change.change
    assert change.ratio.value == pytest.approx(90.0 / 75.0, rel=0.01)
    assert change.speed.value * 60.0 == pytest.approx(1000.0 * change.ratio.value, rel=0.005)
    assert change.sheaves is not None
    assert change.sheaves.motor_sheave == pytest.approx(0.1 * change.ratio.value)
    told = content(state(world))["fans"][0]
    assert told["plate"]["nameplate_current"] == 3.2
    assert told["plate"]["maximum_speed"] == pytest.approx(25.0)
    assert told["change"]["passed"] == []


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("told", "limit"),
    [
        ({"maximum_speed": {"value": "1100", "unit": "/min"}}, "maximum_speed"),
        ({"nameplate_current": {"value": "1.5", "unit": "A"}}, "nameplate_current"),
    ],
)
def test_a_change_that_passes_a_limit_is_refused_and_says_how_far_one_gets(
    fine: World, told: dict[str, Any], limit: str
) -> None:
    world = with_fan(fine)
    small(world, {"S-1": "75.0", "S-2": "75.0", "S-3": "75.0"})
    scene.post(world, fan_test(world, **told))
    scene.evaluated(world)
    change = content(state(world))["fans"][0]["change"]
    assert change["allowed"] is False
    assert [one["limit"] for one in change["passed"]] == [limit]
    assert 0.8 < change["reachable"] < 1.0
    assert set(change["short_of_design"]) <= {"S-1", "S-2", "S-3"}


@pytest.mark.django_db
def test_without_all_outlets_read_or_with_a_damper_turned_since_no_speed_is_told(fine: World) -> None:
    world = with_fan(fine)
    scene.post(world, fan_test(world))
    small(world, {"S-1": "75.0", "S-2": "75.0"})
    assert state(world).fans[0].change is None
    small(world, {"S-3": "75.0"})
    assert state(world).fans[0].change is not None
    small(world, {"S-3": "75.0"}, **later(setting="2 of 8", done="Closed"))
    assert state(world).fans[0].change is None


# ---- the door --------------------------------------------------------------------------------------------


def address(world: World) -> str:
    return f"/api/v1/field/jobs/{world.job.id}/systems/{world.system.id}/balance"


@pytest.mark.django_db
def test_the_door_answers_304_until_something_changes(client: Client, fine: World) -> None:
    small(fine, {"S-1": "80.0", "S-2": "89.9", "S-3": "90.4"})
    headers = bearer(fine.technician_token)
    first = client.get(address(fine), headers=headers)
    assert first.status_code == 200
    body = first.json()
    assert body["branches"][0]["do"] == "adjust"
    step = body["branches"][0]["steps"][0]
    assert step["action"] == "close"
    assert 0.0 < step["shown_target_m3_s"] < step["shown_before_m3_s"]
    assert any("nameplate" in one for one in body["cautions"])
    assert any("combustion" in one for one in body["cautions"])
    again = client.get(address(fine), headers=headers | {"If-None-Match": first.headers["ETag"]})
    assert (again.status_code, again.content) == (304, b"")
    small(fine, {"S-1": "81.0"}, **later())
    changed = client.get(address(fine), headers=headers | {"If-None-Match": first.headers["ETag"]})
    assert changed.status_code == 200
    with company(fine.id):
        TestPoint.objects.filter(tag="S-1").update(design_flow=0.08, version=2)
    other = client.get(address(fine), headers=headers | {"If-None-Match": changed.headers["ETag"]})
    assert other.status_code == 200


@pytest.mark.django_db
def test_its_statements_do_not_grow_with_outlets_or_rounds(client: Client, fine: World) -> None:
    counted = []
    for count in (3, 12):
        with company(fine.id):
            for n in range(len(fine.points) - 1, count + 1):
                tag = f"S-{n + 10}"
                fine.points[tag] = factories.outlet(fine.system, tag, parent=fine.points["BD-1"])
        tags = [tag for tag in fine.points if tag.startswith("S-")]
        small(fine, dict.fromkeys(tags, "90.0"))
        client.get(address(fine), headers=bearer(fine.technician_token))
        with CaptureQueriesContext(
            connection,
        ) as seen:
            assert client.get(address(fine), headers=bearer(fine.technician_token)).status_code == 200
        counted.append(len(seen))
    assert counted[0] == counted[1]


@pytest.mark.django_db
@pytest.mark.parametrize("role", ["owner", "dispatcher", "technician", "supervisor"])
def test_everyone_of_the_company_may_look_and_sees_the_same(fine: World, role: str) -> None:
    small(fine, {"S-1": "80.0", "S-2": "89.9", "S-3": "90.4"})
    assert json.dumps(content(state(fine, role))) == json.dumps(content(state(fine)))


@pytest.mark.django_db
def test_another_company_finds_nothing(client: Client, fine: World, company_b: World) -> None:
    headers = bearer(company_b.technician_token)
    assert client.get(address(fine), headers=headers).status_code == 404
    mixed = f"/api/v1/field/jobs/{company_b.job.id}/systems/{fine.system.id}/balance"
    assert client.get(mixed, headers=headers).status_code == 404
    with company(company_b.id), pytest.raises(NotFound):
        balance(company_b.actor("owner"), fine.job.id, fine.system.id)


@pytest.mark.django_db
def test_a_system_that_is_not_on_the_job_is_not_found(fine: World) -> None:
    with company(fine.id), pytest.raises(NotFound):
        other = factories.system(fine.site, "AHU-7")
        balance(fine.actor("owner"), fine.job.id, other.id)
