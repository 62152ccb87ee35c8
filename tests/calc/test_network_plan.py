"""Plans of adjustment: exact where the tree is as the model says, honest where it is not."""

import json
import math
from dataclasses import replace
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from measurements.calc.errors import Refused
from measurements.calc.fan import FanLimits, SpeedRefused, required_speed
from measurements.calc.method import Code, Estimate
from measurements.calc.motor import BeltDrive
from measurements.calc.network import Branch, Damper, Network, Outlet, Reading, Round, Supply
from measurements.calc.network_aims import aims
from measurements.calc.network_fan import bring_to_design
from measurements.calc.network_model import TRUST, _mean, _Seen, identify
from measurements.calc.network_plan import Plan, compare, make_plan
from measurements.calc.network_shares import shares
from measurements.calc.network_state import Array, State
from measurements.calc.network_steps import Action, Settings, Step, Witness, live_target
from measurements.calc.network_walk import Walk, deepest
from measurements.calc.records import from_plain, to_plain
from tests.calc.test_network import FLOWS, SURE, survey, tree

TRUTH = tree(
    branches=tuple(
        replace(b, loss=Estimate(loss, 0.0)) for b, loss in zip(tree().branches, (0.3, 0.2, 0.4), strict=True)
    ),
    supply=Supply(trunk=Estimate(0.15, 0.0)),
)


def carried_out(network: Network, plan: Plan, start: Round) -> tuple[list[float], State]:
    """The plan done to the letter on a tree that is as the model says: the readings before each turning
    (asserted to be as planned), and the flows at the end.
    """
    one = identify(network, [start], 50, np.random.default_rng(1))
    state, index = one.state, one.tree.index
    for step in plan.steps:
        node, at = index[step.tag], index[step.read_at]
        assert state.flow(at)[0] == pytest.approx(step.before.value, rel=1e-9)
        if step.action is Action.SHUT:
            state.turned(node, node, np.zeros_like(state.n), keep=True)
            continue
        setting = _found(state, node, at, step.target.value, node < one.tree.first)
        state.turned(node, node, setting, keep=True)
    return state.flows()[:, 0].tolist(), state


def _found(state: State, node: int, at: int, flow: float, branch: bool) -> Array:
    """The setting that gives a flow, by halving."""
    low, high = (0.0, 1e6) if branch else (1e-6, 10.0)
    middle = low
    for _ in range(200):
        middle = 0.5 * (low + high)
        more = state.turned(node, at, np.full_like(state.n, middle))[0] > flow
        low, high = (middle, high) if more == branch else (low, middle)
    return np.full_like(state.n, middle)


@pytest.mark.parametrize("meter", [None, 0.01])
def test_to_the_letter_on_a_true_model_every_share_is_equal(meter: float | None) -> None:
    branches = tuple(replace(b, meter_u=meter) for b in TRUTH.branches)
    network = replace(TRUTH, branches=branches)
    plan = make_plan(network, [survey()], Settings(leave=0.0))
    flows, _ = carried_out(network, plan, survey())
    share = [q / o.design for q, o in zip(flows, network.outlets, strict=True)]
    assert share == pytest.approx([plan.level.value] * 7, rel=1e-6)
    assert flows == pytest.approx([p.flow.value for p in plan.predicted], rel=1e-6)
    assert [s.number for s in plan.steps] == list(range(1, len(plan.steps) + 1))
    read_at = {s.tag: s.read_at for s in plan.steps}
    assert read_at["A"] == ("A" if meter else "a2")


def test_order_of_the_steps_and_who_stays_open() -> None:
    plan = make_plan(TRUTH, [survey()])
    assert dict(plan.references) == {"": "c1", "A": "a2", "B": "c1", "C": "c1"}
    turned = [s.tag for s in plan.steps]
    assert "c1" not in turned
    assert "a2" not in turned
    # Outlets before their branch's damper, branches before the branch above them.
    assert turned.index("a1") < turned.index("A")
    assert turned.index("c2") < turned.index("b1")
    assert all(s.action is Action.CLOSE for s in plan.steps)
    small = make_plan(TRUTH, [survey()], Settings(leave=0.15))
    assert len(small.steps) < len(plan.steps)


def test_the_same_figures_and_seed_give_the_same_plan() -> None:
    one, two = make_plan(TRUTH, [survey()]), make_plan(TRUTH, [survey()])
    assert one == two
    other = make_plan(TRUTH, [survey()], Settings(seed=2))
    assert other.digest != one.digest
    assert [s.target.value for s in other.steps] == pytest.approx([s.target.value for s in one.steps])


def test_network_rounds_and_plan_can_be_stored_and_read_back() -> None:
    plan = make_plan(TRUTH, [survey()])
    for value in (TRUTH, survey(), plan):
        stored = json.loads(json.dumps(to_plain(value)))
        assert from_plain(type(value), stored) == value


def test_a_plan_keeps_with_units_of_flow() -> None:
    scaled = replace(TRUTH, outlets=tuple(replace(o, design=1e3 * o.design) for o in TRUTH.outlets))
    flows = {t: 1e3 * q for t, q in FLOWS.items()}
    one, two = make_plan(TRUTH, [survey()]), make_plan(scaled, [survey(flows)])
    assert [s.tag for s in two.steps] == [s.tag for s in one.steps]
    for a, b in zip(one.steps, two.steps, strict=True):
        assert b.target.value == pytest.approx(1e3 * a.target.value)
        assert b.target.u == pytest.approx(1e3 * a.target.u, rel=1e-6)
        assert b.gain == pytest.approx(a.gain, abs=1e-6)


def test_less_sure_readings_and_losses_make_less_sure_plans() -> None:
    sure = make_plan(TRUTH, [survey(u=0.002)])
    rough = make_plan(TRUTH, [survey(u=0.02)])
    for a, b in zip(sure.predicted, rough.predicted, strict=True):
        assert a.relative is not None
        assert b.relative is not None
        assert a.relative.u < b.relative.u
    assert sure.chance >= rough.chance
    guessed = make_plan(replace(TRUTH, branches=tree().branches), [survey(u=0.002)])
    assert guessed.level.u > sure.level.u
    assert [r.points for r in guessed.remarks if r.code is Code.LOSS_ASSUMED] == [("A", "B", "C")]
    assert not any(r.code is Code.LOSS_ASSUMED for r in sure.remarks)


def test_what_all_readings_share_stays_in_the_share_of_design_only() -> None:
    alone, alike = make_plan(TRUTH, [survey(u=0.01)]), make_plan(TRUTH, [survey(u=0.05, correlation=0.96)])
    for a, b in zip(alone.predicted, alike.predicted, strict=True):
        assert a.relative is not None
        assert b.relative is not None
        assert b.relative.u == pytest.approx(a.relative.u, rel=0.1)
        assert a.u_share is not None
        assert b.u_share is not None
        assert b.share is not None
        common = math.sqrt(0.96) * 0.05 * b.share.value
        assert b.u_share == pytest.approx(math.hypot(a.u_share, common), rel=1e-6)


def test_live_target_by_hand() -> None:
    step = Step(
        1, "x", Action.CLOSE, "x", Estimate(0.1, 0.002), Estimate(0.08, 0.001), 0.8, Estimate(0.08, 0.001),
        Estimate(0.1, 0.01), 0.5, Witness("y", Estimate(0.05, 0.001), 0.25, 1.0),
    )  # fmt: skip
    assert live_target(step, 0.1) == pytest.approx(0.08)
    assert live_target(step, 0.11) == pytest.approx(0.08 * math.sqrt(1.1))
    assert live_target(step, 0.11, 0.055) == pytest.approx(0.08 * 1.1**1.25)
    shut = replace(step, action=Action.SHUT, target=Estimate(0.0, 0.0))
    assert live_target(shut, 0.0) == 0.0
    for expected in (0.0, -0.01):  # nothing to be surprised against
        assert live_target(replace(step, before=Estimate(expected, 0.0)), 0.1) == 0.08
    for before, witness in ((0.0, None), (math.nan, None), (0.1, -0.1)):
        with pytest.raises(Refused):
            live_target(step, before, witness)


def test_a_surprise_before_turning_passes_on_where_the_pressure_may_have_changed() -> None:
    plan = make_plan(tree(supply=Supply(trunk=Estimate(0.3, 0.2))), [survey(u=0.003)])
    first, last = plan.steps[0], plan.steps[-1]
    # At first nothing has changed: what is read anew is the reading's own error.
    assert first.gain < 0.3
    assert max(s.gain for s in plan.steps) > 0.7
    assert last.witness is not None
    assert last.witness.gain > 0.5


def test_where_everything_is_known_no_reading_is_a_surprise() -> None:
    """Before the first turning nothing can differ from what is expected."""
    first = make_plan(TRUTH, [survey(u=0.0)]).steps[0]
    assert (first.gain, first.before.u) == (0.0, 0.0)
    assert live_target(first, 1.1 * first.before.value) == pytest.approx(first.target.value)


# ---- edges ----------------------------------------------------------------------------------------------


def test_dead_and_reversed_outlets_are_left_out_and_named() -> None:
    plan = make_plan(TRUTH, [survey({"a3": 0.0, "t1": -0.01})])
    assert {r.code: r.points for r in plan.shares.remarks} == {
        Code.OUTLET_NO_FLOW: ("a3",),
        Code.OUTLET_REVERSED: ("t1",),
    }
    assert plan.step("a3") is None
    assert plan.step("t1") is None
    after = {p.tag: p for p in plan.predicted}
    assert after["a3"].share is None
    assert after["a3"].flow.value == 0.0
    # The share of the tree counts the flow that they lack; the others are equal among each other.
    assert after["a1"].relative is not None
    assert after["c1"].relative is not None
    assert after["a1"].relative.value == pytest.approx(after["c1"].relative.value, rel=0.01)


def test_an_outlet_meant_to_be_shut_is_shut_first() -> None:
    network = replace(TRUTH, outlets=(*TRUTH.outlets, Outlet("t2", "", 0.0)))
    start = survey({"t2": 0.05})
    plan = make_plan(network, [start], Settings(leave=0.0))
    assert plan.steps[0].tag == "t2"
    assert plan.steps[0].action is Action.SHUT
    flows, _ = carried_out(network, plan, start)
    share = [q / o.design for q, o in zip(flows[:-1], network.outlets[:-1], strict=True)]
    assert share == pytest.approx([plan.level.value] * 7, rel=1e-6)
    assert flows[-1] == 0.0
    stuck = replace(network, outlets=(*TRUTH.outlets, Outlet("t2", "", 0.0, Damper.NONE)))
    left = make_plan(stuck, [start], Settings(leave=0.0))
    assert left.step("t2") is None
    flows, _ = carried_out(stuck, left, start)
    share = [q / o.design for q, o in zip(flows[:-1], network.outlets[:-1], strict=True)]
    assert share == pytest.approx([share[0]] * 7, rel=1e-5)
    assert flows[-1] > 0.05


def test_a_branch_of_one_outlet_is_set_by_its_branch_damper_alone() -> None:
    network = Network(
        (Outlet("x", "A", 0.1), Outlet("y", "B", 0.1)),
        (Branch("A", damper=Damper.OPEN), Branch("B", damper=Damper.OPEN)),
    )
    readings = Round((Reading("x", 0.12, 0.001), Reading("y", 0.09, 0.001)))
    plan = make_plan(network, [readings])
    assert [(s.tag, s.read_at) for s in plan.steps] == [("A", "x")]
    alone = Network((Outlet("x", "", 0.1),))
    assert make_plan(alone, [Round((Reading("x", 0.12, 0.001),))]).steps == ()


def test_a_branch_without_any_flow_is_named() -> None:
    plan = make_plan(TRUTH, [survey({"c1": 0.0, "c2": 0.0})])
    assert [r.points for r in plan.remarks if r.code is Code.BRANCH_DEAD] == [("C",)]
    assert plan.step("C") is None


def test_an_outlet_that_was_closed_too_far_is_opened_again() -> None:
    one = identify(TRUTH, [survey()], 50, np.random.default_rng(1))
    node = one.tree.index["a1"]
    one.state.turned(node, node, 0.3 * one.state.g[node], keep=True)
    later = dict(zip(FLOWS, one.state.flows()[:, 0].tolist(), strict=True))
    plan = make_plan(TRUTH, [survey(), survey(later, adjusted=("a1",))])
    step = plan.step("a1")
    assert step is not None
    assert step.action is Action.OPEN
    # But never past what it was when found.
    wide = survey({t: 2.0 * q if t == "a1" else q for t, q in FLOWS.items()})
    assert make_plan(TRUTH, [wide]).step("a1") is not None


@pytest.mark.parametrize(
    ("bad", "named"),
    [
        (Settings(leave=0.3), "settings.leave"),
        (Settings(leave=math.nan), "settings.leave"),
        (Settings(tolerance=0.0), "settings.tolerance"),
        (Settings(witness=-1.0), "settings.witness"),
        (Settings(draws=10), "settings.draws"),
    ],
)
def test_settings_that_make_no_plan_are_refused(bad: Settings, named: str) -> None:
    with pytest.raises(Refused) as caught:
        make_plan(TRUTH, [survey()], bad)
    assert caught.value.input == named


def test_no_round_no_plan() -> None:
    with pytest.raises(Refused, match="as found"):
        make_plan(TRUTH, [])


# ---- predicted against measured -------------------------------------------------------------------------


def test_a_round_as_predicted_agrees_and_a_slipped_damper_is_named() -> None:
    plan = make_plan(TRUTH, [survey(u=0.005)])
    as_said = Round(tuple(Reading(p.tag, p.flow.value, 0.005 * p.flow.value) for p in plan.predicted))
    found = compare(TRUTH, plan, as_said)
    assert all(row.normalised < 1e-9 for row in found.outlets)
    assert found.remarks == ()
    row = found.outlets[1]
    assert pytest.approx(2.0 * math.hypot(row.predicted.u, 0.005 * row.predicted.value), rel=1e-3) == row.U
    slipped = tuple(replace(r, flow=0.6 * r.flow) if r.tag == "b1" else r for r in as_said.readings)
    remark = compare(TRUTH, plan, Round(slipped)).remarks[0]
    assert remark.code is Code.MODEL_MISSES
    assert remark.points == ("b1",)
    assert remark.numbers["count"] == 1.0
    assert remark.numbers["worst"] > 1.0


# ---- the fan --------------------------------------------------------------------------------------------


def test_the_fan_brings_the_total_to_design() -> None:
    seen = shares(tree(), survey({t: 0.8 * q for t, q in FLOWS.items()}))
    drive = BeltDrive(0.12, 0.24)
    change = bring_to_design(seen, 15.0, shaft_power=2000.0, current=5.0, pressure=300.0, drive=drive)
    ratio = 0.57 / (0.8 * 0.65)
    assert change.allowed
    assert change.change.speed.value == pytest.approx(15.0 * ratio)
    assert change.change.shaft_power is not None
    assert change.change.shaft_power.value == pytest.approx(2000.0 * ratio**3)
    assert change.change.sheaves is not None
    assert change.change.sheaves.motor_sheave == pytest.approx(0.12 * ratio)
    assert change.set_point == pytest.approx(ratio**2)
    assert dict(change.outlets)["a1"].value == pytest.approx(0.8 * 1.3 * ratio)
    same = required_speed(Estimate(0.52, seen.total.u * 0.57), 0.57, 15.0)
    assert change.change.speed.u == pytest.approx(same.speed.u)


def design(tag: str) -> float:
    return next(o.design for o in tree().outlets if o.tag == tag)


def test_a_limit_is_told_and_how_far_one_gets() -> None:
    seen = shares(tree(), survey({t: 0.5 * q for t, q in FLOWS.items()}))
    limits = FanLimits(maximum_speed=20.0, nameplate_power=3000.0)
    change = bring_to_design(seen, 15.0, shaft_power=2000.0, limits=limits)
    assert not change.allowed
    assert {r.input for r in change.change.refused} == {"maximum_speed", "nameplate_power"}
    # The power allows the least: its cube root.
    by_power = 1.5 ** (1.0 / 3.0) * (0.325 / 0.57)
    assert change.reachable == pytest.approx(by_power, rel=1e-6)
    assert {r.points[0] for r in change.remarks} == {"a2", "a3", "b1", "c1", "c2", "t1", "a1"} - {
        tag for tag, share in change.outlets if share.value >= 0.9
    }
    # All flows follow the speed that the power allows.
    faster = 1.5 ** (1.0 / 3.0)
    reached = {t: 0.5 * q * faster / design(t) for t, q in FLOWS.items()}
    assert {t: s.value for t, s in change.outlets} == pytest.approx(reached, rel=1e-6)
    assert change.set_point == pytest.approx(faster**2, rel=1e-6)
    with pytest.raises(SpeedRefused):
        required_speed(0.325, 0.57, 15.0, shaft_power=2000.0, limits=limits)


@pytest.mark.parametrize(("tolerance", "short"), [(0.5, []), (0.4, ["a"]), (0.6, [])])
def test_outlets_below_their_tolerance_are_named(tolerance: float, short: list[str]) -> None:
    """One at exactly what is allowed is within, and one with too much is not short of anything."""
    network = Network((Outlet("a", "", 0.25), Outlet("b", "", 0.5), Outlet("c", "", 0.25)), exponent=SURE)
    seen = shares(
        network, Round((Reading("a", 0.125, 0.0), Reading("b", 0.5, 0.0), Reading("c", 0.375, 0.0)))
    )
    change = bring_to_design(seen, 15.0, tolerance=tolerance)
    assert [s.value for _, s in change.outlets] == [0.5, 1.0, 1.5]
    assert [r.points[0] for r in change.remarks] == short


def test_a_figure_without_uncertainty_agrees_only_if_it_is_the_same() -> None:
    plan = make_plan(TRUTH, [survey(u=0.005)])
    sure = replace(
        plan, predicted=tuple(replace(p, flow=Estimate(p.flow.value, 0.0)) for p in plan.predicted)
    )
    same = Round(tuple(Reading(p.tag, p.flow.value, 0.0) for p in sure.predicted))
    found = compare(TRUTH, sure, same)
    assert [row.normalised for row in found.outlets] == [0.0] * len(found.outlets)
    assert found.remarks == ()
    off = replace(
        same, readings=(replace(same.readings[0], flow=1.01 * same.readings[0].flow), *same.readings[1:])
    )
    wrong = compare(TRUTH, sure, off)
    assert wrong.outlets[0].normalised == math.inf
    assert wrong.remarks[0].points == (same.readings[0].tag,)


def test_what_was_assumed_of_the_losses_is_told_as_it_was() -> None:
    """The mean of what stands for each part, its uncertainty as well."""
    plan = make_plan(tree(), [survey()])
    (remark,) = [r for r in plan.remarks if r.code is Code.LOSS_ASSUMED]
    losses = [loss.assumed for loss in identify(tree(), [survey()], 50, np.random.default_rng(1)).losses]
    assert remark.numbers["share"] == pytest.approx(sum(a.value for a in losses if a.u) / len(remark.points))
    assert remark.numbers["u"] == pytest.approx(sum(a.u for a in losses) / len(remark.points))
    assert 0.0 < remark.numbers["u"] < 1.0


def test_earlier_rounds_count_the_less_the_more_the_flow_has_changed_since_up_or_down() -> None:
    """Weights by hand: 1 / (u^2 + (TRUST ln(flow / last))^2), of logarithms."""
    for factor in (0.5, 2.0):
        seen = _Seen(
            (np.array([[factor]]), np.array([[1.0]])),
            (np.array([0.02]), np.array([0.02])),
            (frozenset(),) * 2,
        )
        found = float(_mean(seen, [np.array([[math.e]]), np.array([[1.0]])], 0, range(2))[0])
        before = 1.0 / (0.02**2 + (TRUST * math.log(factor)) ** 2)
        assert math.log(found) == pytest.approx(before / (before + 1.0 / 0.02**2), rel=1e-6)


def test_a_round_in_which_an_outlet_had_no_flow_tells_nothing_of_it() -> None:
    seen = _Seen(
        (np.array([[1.0]]), np.array([[0.0]]), np.array([[1.0]])), (np.array([0.02]),) * 3, (frozenset(),) * 3
    )
    conductances = [np.array([[math.exp(2.0)]]), np.array([[0.0]]), np.array([[1.0]])]
    assert float(_mean(seen, conductances, 0, range(3))[0]) == pytest.approx(math.e)


def test_a_branch_whose_reference_is_dead_has_no_outlet_to_go_by() -> None:
    two = cast(Any, SimpleNamespace(first=2))
    assert deepest(two, cast(Any, SimpleNamespace(reference=(1, 3))), 0) == 3
    assert deepest(two, cast(Any, SimpleNamespace(reference=(1, 0))), 0) == 0


def test_the_level_of_a_branch_is_what_drives_each_of_its_outlets() -> None:
    """Flow over conductance is the same for all outlets of one branch, and falls with what is upstream."""
    plain = tree()
    found = identify(plain, [survey()], 50, np.random.default_rng(1))
    wanted = aims(found.state, found.g_open, found.r_open)
    walk = Walk(found, wanted, Settings(), np.random.default_rng(1))
    for node in range(found.tree.first, len(found.tree.parent)):
        drive = found.state.flow(node)[0] / found.state.g[node][0]
        assert math.exp(walk.pinned[found.tree.parent[node]]) == pytest.approx(drive, rel=1e-9)
    assert walk.pinned[found.tree.index["B"]] > walk.pinned[found.tree.index["C"]]
