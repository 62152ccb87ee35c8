"""A branch tree: its checks, its shares, its state by hand and by another solver, what rounds show of it."""

import math
import time
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import fsolve  # type: ignore[import-untyped]

from measurements.calc.errors import Refused
from measurements.calc.method import Code, Estimate
from measurements.calc.network import (
    Branch,
    Damper,
    Network,
    Outlet,
    Reading,
    Round,
    Supply,
    SupplyKind,
    lay_out,
)
from measurements.calc.network_aims import aims
from measurements.calc.network_model import Identified, identify
from measurements.calc.network_plan import make_plan
from measurements.calc.network_ratio import ratio_order
from measurements.calc.network_shares import Shares, Standing, shares
from measurements.calc.network_state import State
from measurements.calc.plan import Sharing
from measurements.calc.trace import Formula
from measurements.calc.uncertainty import Effect, propagate

SURE = Estimate(2.0, 0.0)


def tree(**changes: Any) -> Network:
    """Two branches of three and two outlets, one more on the trunk; a branch in a branch."""
    plain = Network(
        (
            Outlet("a1", "A", 0.10),
            Outlet("a2", "A", 0.10),
            Outlet("a3", "A", 0.05),
            Outlet("b1", "B", 0.08),
            Outlet("c1", "C", 0.06),
            Outlet("c2", "C", 0.06),
            Outlet("t1", "", 0.12),
        ),
        (Branch("A", damper=Damper.OPEN), Branch("B", damper=Damper.OPEN), Branch("C", "B", Damper.OPEN)),
        exponent=SURE,
    )
    return replace(plain, **changes)


FLOWS = {"a1": 0.13, "a2": 0.09, "a3": 0.06, "b1": 0.10, "c1": 0.05, "c2": 0.07, "t1": 0.15}


def survey(flows: dict[str, float] | None = None, u: float = 0.01, **changes: Any) -> Round:
    """One round with a relative standard uncertainty."""
    values = {**FLOWS, **(flows or {})}
    return Round(tuple(Reading(t, q, u * abs(q)) for t, q in values.items()), **changes)


def found(network: Network, *rounds: Round, draws: int = 50, seed: int = 1) -> Identified:
    return identify(network, rounds, draws, np.random.default_rng(seed))


# ---- the tree -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "named", "why"),
    [
        ({"outlets": ()}, "outlets", "at least one"),
        ({"outlets": (Outlet("x", "Q", 0.1),)}, "outlets[x].parent", "not a branch"),
        ({"outlets": (Outlet("x", "A", 0.1), Outlet("y", "x", 0.1))}, "outlets[y].parent", "not a branch"),
        ({"outlets": (Outlet("x", "A", 0.1), Outlet("x", "A", 0.1))}, "outlets[x]", "tag"),
        ({"outlets": (Outlet("", "A", 0.1),)}, "outlets[]", "tag"),
        ({"outlets": (Outlet("x", "A", -0.1),)}, "outlets[x].design", "negative"),
        ({"outlets": (Outlet("x", "A", math.nan),)}, "outlets[x].design", "finite"),
        ({"outlets": (Outlet("x", "A", 0.0),)}, "outlets", "above zero"),
        (
            {"branches": (Branch("A", "D"), Branch("B"), Branch("C"), Branch("D", "A"))},
            "outlets[a1].parent",
            "loop",
        ),
        (
            {"branches": (Branch("A"), Branch("B"), Branch("C"), Branch("D", "D"))},
            "branches[D].parent",
            "loop",
        ),
        (
            {"branches": (Branch("A", loss=Estimate(1.0, 0.1)), Branch("B"), Branch("C"))},
            "branches[A].loss",
            "below 1",
        ),
        (
            {"branches": (Branch("A", meter_u=-1.0), Branch("B"), Branch("C"))},
            "branches[A].meter_u",
            "negative",
        ),
        ({"exponent": Estimate(3.0, 0.1)}, "exponent", "2.5"),
        ({"exponent": Estimate(2.0, -0.1)}, "exponent.u", "negative"),
        ({"supply": Supply(trunk=Estimate(math.inf, 0.0))}, "supply.trunk", "finite"),
    ],
)
def test_a_tree_that_cannot_be_is_refused_by_name(changes: dict[str, Any], named: str, why: str) -> None:
    with pytest.raises(Refused, match=why) as caught:
        lay_out(tree(**changes))
    assert caught.value.input == named


def test_only_the_trunk_has_no_damper_of_its_own() -> None:
    outlets = tuple(replace(o, damper=Damper.SET) for o in tree().outlets)
    laid = lay_out(tree(outlets=outlets))
    dampers = [laid.damper(node) for node in range(laid.first + len(outlets))]
    assert dampers == [Damper.NONE, *[Damper.OPEN] * 3, *[Damper.SET] * 7]


@pytest.mark.parametrize(
    ("bad", "named", "why"),
    [
        (Round(()), "round.readings[a1]", "missing"),
        (survey(adjusted=("zz",)), "round.adjusted", "no part"),
        (survey(adjusted=("",)), "round.adjusted", "no part"),
        (survey(correlation=1.1), "round.correlation", "0 to 1"),
        (survey(speed=0.0), "round.speed", "above zero"),
        (survey({"a1": math.nan}), "round.readings[a1]", "finite"),
        (survey(u=-0.1), "round.readings[a1].u", "negative"),
        (survey({"zz": 0.1}), "round.readings[zz]", "no outlet"),
        (survey({"A": 0.1}), "round.readings[A]", "no outlet"),
        (Round((*survey().readings, Reading("a1", 0.1, 0.0))), "round.readings[a1]", "twice"),
        (survey(dict.fromkeys(FLOWS, 0.0)), "round.readings", "no flow"),
    ],
)
def test_a_round_that_cannot_be_is_refused_by_name(bad: Round, named: str, why: str) -> None:
    with pytest.raises(Refused, match=why) as caught:
        shares(tree(), bad)
    assert caught.value.input == named


# ---- shares ---------------------------------------------------------------------------------------------


def test_shares_by_hand() -> None:
    seen = shares(tree(), survey())
    rows = {o.tag: o for o in seen.outlets}
    assert seen.total.value == pytest.approx(0.65 / 0.57)
    a1 = rows["a1"]
    assert a1.share is not None
    assert a1.share.value == pytest.approx(1.3)
    assert a1.share.u == pytest.approx(0.013)
    assert a1.relative is not None
    assert a1.relative.value == pytest.approx(1.3 / (0.65 / 0.57))
    # u of the ratio of one reading to the sum that contains it, independent errors of 1 %.
    others = math.sqrt(sum(q * q for t, q in FLOWS.items() if t != "a1"))
    by_hand = a1.relative.value * 0.01 * math.hypot(1.0 - 0.13 / 0.65, others / 0.65)
    assert a1.relative.u == pytest.approx(by_hand)
    assert {b.tag: b.reference for b in seen.branches} == {"": "c1", "A": "a2", "B": "c1", "C": "c1"}
    assert {o.tag for o in seen.outlets if o.reference} == {"a2", "c1"}
    assert {b.tag: round(b.flow, 9) for b in seen.branches} == {"": 0.65, "A": 0.28, "B": 0.22, "C": 0.12}


def test_what_the_instrument_does_alike_leaves_relative_shares_alone() -> None:
    alone, alike = shares(tree(), survey()), shares(tree(), survey(correlation=1.0))
    assert all(o.relative is not None and o.relative.u < 1e-12 for o in alike.outlets)
    assert alike.total.u > alone.total.u
    assert alike.total.u == pytest.approx(0.01 * alike.total.value)


def test_relative_shares_as_the_package_propagates_them() -> None:
    def relative(flows: list[float]) -> Any:
        return flows[0] / 0.10 / (sum(flows[1:], flows[0]) / 0.57)

    q = tuple(FLOWS.values())
    formula: Formula = relative
    whole = propagate(
        formula,
        {"flows": q},
        [Effect("reading", "flows", tuple(0.01 * v for v in q), Sharing.INDEPENDENT)],
        name="relative",
        unit="1",
    )
    row = shares(tree(), survey()).outlets[0]
    assert row.relative is not None
    assert row.relative.value == pytest.approx(whole.value)
    assert row.relative.u == pytest.approx(whole.u)


def test_outlets_without_flow_reversed_or_not_wanted_have_their_word() -> None:
    outlets = (*tree().outlets, Outlet("t2", "", 0.0))
    seen = shares(tree(outlets=outlets), survey({"a1": 0.0, "b1": -0.02, "t2": 0.01}))
    words = {o.tag: o.standing for o in seen.outlets}
    assert (words["a1"], words["b1"], words["t2"]) == (
        Standing.NO_FLOW,
        Standing.REVERSED,
        Standing.NO_DESIGN,
    )
    codes = {(r.code, r.points) for r in seen.remarks}
    assert {
        (Code.OUTLET_NO_FLOW, ("a1",)),
        (Code.OUTLET_REVERSED, ("b1",)),
        (Code.OUTLET_NO_DESIGN, ("t2",)),
    } <= codes
    assert seen.outlets[-1].share is None


def test_a_low_reference_and_one_that_is_not_open_are_remarked() -> None:
    outlets = tuple(replace(o, damper=Damper.SET) if o.tag == "a2" else o for o in tree().outlets)
    seen = shares(tree(outlets=outlets), survey({"a2": 0.03}))
    assert [r.points for r in seen.remarks if r.code is Code.REFERENCE_NOT_OPEN] == [("a2",)]
    low = next(r for r in seen.remarks if r.code is Code.REFERENCE_LOW)
    assert low.points == ("a2",)
    assert low.numbers["share"] == pytest.approx(0.3)
    assert low.numbers["branch_share"] == pytest.approx(0.22 / 0.25)


@given(st.floats(0.01, 100.0), st.permutations(range(7)))
@settings(max_examples=25, deadline=None)
def test_shares_keep_with_units_and_order(scale: float, order: list[int]) -> None:
    plain = shares(tree(), survey())
    outlets = tuple(replace(o, design=o.design * scale) for o in (tree().outlets[i] for i in order))
    other = shares(tree(outlets=outlets), survey({t: q * scale for t, q in FLOWS.items()}))
    assert by_tag(other) == pytest.approx(by_tag(plain))
    assert other.total.value == pytest.approx(plain.total.value)
    assert [b.reference for b in other.branches] == [b.reference for b in plain.branches]


def by_tag(seen: Shares) -> dict[str, float]:
    return {o.tag: o.relative.value for o in seen.outlets if o.relative}


# ---- the proportional method ----------------------------------------------------------------------------


def test_the_proportional_method_goes_in_adjacent_pairs_from_the_lowest() -> None:
    steps = ratio_order(tree(), survey())
    assert [(s.tag, s.read_at, s.against) for s in steps] == [
        ("c2", "c2", "c1"),
        # The branch C counts in B with its reference c1, which is the lowest there.
        ("b1", "b1", "c1"),
        ("a3", "a3", "a2"),
        ("a1", "a1", "a3"),
        # On the trunk: B by c1, A by a2, then the outlet of its own.
        ("A", "a2", "c1"),
        ("t1", "t1", "a2"),
    ]


def test_a_branch_without_a_damper_counts_with_the_one_above() -> None:
    branches = (Branch("A"), Branch("B"), Branch("C", "B"))
    steps = ratio_order(tree(branches=branches), survey())
    assert [s.tag for s in steps] == ["a2", "c2", "a3", "b1", "t1", "a1"]
    assert steps[0].against == "c1"
    fixed = tuple(replace(o, damper=Damper.NONE) for o in tree().outlets)
    assert ratio_order(tree(branches=branches, outlets=fixed), survey()) == ()


def test_a_branch_without_flow_is_set_against_nothing() -> None:
    steps = ratio_order(tree(), survey({"b1": 0.09, "c1": 0.0, "c2": -0.01}))
    assert [(s.tag, s.read_at, s.against) for s in steps] == [
        ("a3", "a3", "a2"),
        ("a1", "a1", "a3"),
        # B counts by b1, the only one that flows.
        ("B", "b1", "a2"),
        ("t1", "t1", "b1"),
    ]


# ---- the state ------------------------------------------------------------------------------------------


def test_identified_flows_are_the_readings() -> None:
    one = found(tree(supply=Supply(SupplyKind.UNKNOWN)), survey())
    assert one.state.flows()[:, 0] == pytest.approx(list(FLOWS.values()))
    node = one.tree.index["B"]
    assert one.state.flow(node)[0] == pytest.approx(0.22)


def test_the_closed_form_agrees_with_an_equation_solver() -> None:
    """Mass and pressure balance of every junction by scipy, exponent 1.9, after a damper is turned."""
    network = tree(supply=Supply(SupplyKind.UNKNOWN), exponent=Estimate(1.9, 0.0))
    one = found(network, survey())
    state, nodes = one.state, one.tree
    turned = nodes.index["c2"]
    state.turned(turned, turned, 0.5 * state.g[turned], keep=True)
    g, r, first = state.g[:, 0], state.r[:, 0], nodes.first

    def balance(p: np.ndarray[Any, Any]) -> list[float]:
        through = [0.0] * first
        for outlet in range(first, len(nodes.parent)):
            through[nodes.parent[outlet]] += g[outlet] * p[nodes.parent[outlet]] ** (1.0 / 1.9)
        for b in reversed(nodes.order[1:]):
            through[nodes.parent[b]] += through[b]
        return [(p[nodes.parent[b]] if b else 1.0) - p[b] - r[b] * through[b] ** 1.9 for b in range(first)]

    p = fsolve(balance, np.full(first, 0.4), xtol=1e-12)
    expected = [g[o] * p[nodes.parent[o]] ** (1.0 / 1.9) for o in range(first, len(nodes.parent))]
    assert state.flows()[:, 0] == pytest.approx(expected, rel=1e-9)


def test_turned_tells_what_keeping_would_give() -> None:
    one = found(tree(supply=Supply(SupplyKind.UNKNOWN)), survey())
    state, index = one.state, one.tree.index
    for node, setting in (("B", 3.0 * state.r[index["B"]]), ("a1", 0.6 * state.g[index["a1"]])):
        told = {at: state.turned(index[node], index[at], setting) for at in ("a2", "c1", "t1", "B")}
        state.turned(index[node], index[node], setting, keep=True)
        fresh = State(one.tree, state.n, state.g.copy(), state.r.copy(), state.inside)
        fresh.close()
        for at, flow in told.items():
            assert flow == pytest.approx(fresh.flow(index[at]), rel=1e-12)


# ---- aims -----------------------------------------------------------------------------------------------


def aimed(network: Network, *rounds: Round) -> tuple[Identified, np.ndarray[Any, Any]]:
    """Flows over design with every damper at its aim, each column a possible truth."""
    one = found(network, *rounds)
    wanted = aims(one.state, one.g_open, one.r_open)
    state = State(one.tree, one.state.n, wanted.g.copy(), wanted.r.copy(), one.state.inside)
    state.close()
    design = np.array([[o.design] for o in network.outlets])
    assert np.all(wanted.g[one.tree.first :, 0] <= one.g_open[one.tree.first :, 0] * (1.0 + 1e-9))
    assert np.all(wanted.r[:, 0] >= one.r_open[:, 0] * (1.0 - 1e-9))
    with np.errstate(divide="ignore", invalid="ignore"):
        return one, state.flows() / design


@pytest.mark.parametrize(
    "dampers", [(Damper.OPEN,) * 3, (Damper.NONE,) * 3, (Damper.OPEN, Damper.NONE, Damper.SET)]
)
@pytest.mark.parametrize("kind", [SupplyKind.CONSTANT_PRESSURE, SupplyKind.UNKNOWN])
def test_at_their_aims_all_outlets_have_one_share(dampers: tuple[Damper, ...], kind: SupplyKind) -> None:
    branches = tuple(replace(b, damper=d) for b, d in zip(tree().branches, dampers, strict=True))
    _, share = aimed(tree(branches=branches, supply=Supply(kind)), survey())
    assert share[:, 0] == pytest.approx(np.full(7, share[0, 0]), rel=1e-9)
    # So it is in every possible truth, but where another part than the reference would have to open.
    equal = np.ptp(share, axis=0) < 1e-9
    assert equal.mean() > 0.9
    # The lowest of all was c1 at 0.83; it is left open, and closing the others lifts it.
    assert 0.05 / 0.06 < share[4, 0] < 0.65 / 0.57


def test_an_outlet_without_damper_stays_above_and_the_others_are_equal() -> None:
    outlets = tuple(replace(o, damper=Damper.NONE) if o.tag in ("a1", "b1") else o for o in tree().outlets)
    branches = (Branch("A"), Branch("B"), Branch("C", "B", Damper.OPEN))
    _, share = aimed(tree(outlets=outlets, branches=branches), survey())
    free = [1, 2, 4, 5, 6]
    assert share[free, 0] == pytest.approx(np.full(5, share[4, 0]), rel=1e-8)
    assert share[free] / share[4] == pytest.approx(np.ones_like(share[free]), rel=1e-5)
    assert share[0, 0] > 1.2 * share[4, 0]
    plan = make_plan(tree(outlets=outlets, branches=branches), [survey()])
    assert {r.points for r in plan.remarks if r.code is Code.CANNOT_THROTTLE} == {("a1",), ("b1",)}
    assert plan.step("a1") is None
    # Nobody else can be throttled: the lowest, open already, stays behind.
    fixed = tuple(replace(o, damper=Damper.NONE) if o.tag != "c1" else o for o in tree().outlets)
    alone = make_plan(tree(outlets=fixed, branches=(Branch("A"), Branch("B"), Branch("C", "B"))), [survey()])
    assert alone.steps == ()
    assert "c1" in {r.points[0] for r in alone.remarks if r.code is Code.CANNOT_REACH}


# ---- what one round and more rounds show ----------------------------------------------------------------


def test_draws_agree_with_the_package_s_first_order_propagation() -> None:
    """The reading to set at the higher of two outlets of one branch: Monte Carlo against the traced model."""
    network = Network(
        (Outlet("x", "A", 0.1), Outlet("y", "A", 0.1)),
        (Branch("A", loss=Estimate(0.3, 0.02)),),
        exponent=Estimate(2.0, 0.01),
    )
    flows = (0.12, 0.09)
    readings = Round(tuple(Reading(t, q, 0.005 * q) for t, q in zip("xy", flows, strict=True)))
    one = found(network, readings, draws=10_000)
    wanted = aims(one.state, one.g_open, one.r_open)
    node = one.tree.index["x"]
    target = one.state.turned(node, node, wanted.g[node])

    def reading(q: list[float], loss: float, n: float) -> Any:
        inside = 1.0 - loss
        g = q[1] / inside ** (1.0 / n)
        r = loss / (q[0] + q[1]) ** n
        whole = (r + (2.0 * g) ** (-n)) ** (-1.0 / n)
        return whole / 2.0

    formula: Formula = reading
    first = propagate(
        formula,
        {"q": flows, "loss": 0.3, "n": 2.0},
        [
            Effect("reading", "q", tuple(0.005 * q for q in flows), Sharing.INDEPENDENT),
            Effect("loss", "loss", 0.02, Sharing.COMMON),
            Effect("exponent", "n", 0.01, Sharing.COMMON),
        ],
        name="target",
        unit="m3/s",
    )
    assert target[0] == pytest.approx(first.value, rel=1e-12)
    assert target[1:].std() == pytest.approx(first.u, rel=0.04)
    assert sum(row.share for row in first.budget) == pytest.approx(1.0, abs=1e-9)


TRUE = tree(branches=tuple(replace(b, loss=Estimate(0.3, 0.0)) for b in tree().branches))


def true_rounds(loss: float, trunk: float, n: float = 2.0, close: float = 0.5) -> tuple[Network, list[Round]]:
    """Rounds of a tree that is as the model says, with outlets a1, b1 and c2 closed between."""
    truth = tree(
        branches=tuple(replace(b, loss=Estimate(loss, 0.0)) for b in tree().branches),
        supply=Supply(trunk=Estimate(trunk, 0.0)),
        exponent=Estimate(n, 0.0),
    )
    one = found(truth, survey())
    turned = ("a1", "b1", "c2")
    for tag in turned:
        node = one.tree.index[tag]
        one.state.turned(node, node, close * one.state.g[node], keep=True)
    later = dict(zip(FLOWS, one.state.flows()[:, 0].tolist(), strict=True))
    return tree(supply=Supply(trunk=Estimate(0.2, 0.15))), [
        survey(u=0.002),
        survey(later, u=0.002, adjusted=turned),
    ]


@pytest.mark.parametrize(("loss", "trunk"), [(0.5, 0.35), (0.15, 0.1), (0.3, 0.2)])
def test_responses_between_rounds_refit_the_losses(loss: float, trunk: float) -> None:
    network, rounds = true_rounds(loss, trunk)
    before, after = found(network, rounds[0], draws=2000), found(network, *rounds, draws=2000)
    for old, new, true in zip(before.losses, after.losses, (trunk, loss, loss, loss), strict=True):
        assert new.assumed == old.assumed
        assert new.share.u < old.share.u
        assert abs(new.share.value - true) <= abs(old.share.value - true) + 0.01
        assert abs(new.share.value - true) < 2.0 * new.share.u
    assert after.losses[0].share.u < 0.6 * before.losses[0].share.u


def test_a_second_round_without_change_shows_nothing_new() -> None:
    one = found(tree(), survey(), draws=2000)
    two = found(tree(), survey(), survey(), draws=2000)
    for old, new in zip(one.losses[1:], two.losses[1:], strict=True):
        assert new.share.value == pytest.approx(old.share.value, abs=0.02)
        assert new.share.u == pytest.approx(old.share.u, rel=0.15)


def test_a_changed_speed_is_no_response_of_the_network() -> None:
    faster = survey({t: 1.2 * q for t, q in FLOWS.items()}, speed=1.2)
    plain, one = found(tree(), survey(), survey()), found(tree(), survey(), faster)
    for a, b in zip(plain.losses, one.losses, strict=True):
        assert b.share.value == pytest.approx(a.share.value, rel=1e-9)
    assert one.state.flows()[:, 0] == pytest.approx([1.2 * q for q in FLOWS.values()])
    curve = tuple((q, 400.0 - 300.0 * q * q) for q in (0.0, 0.3, 0.6, 0.7))
    on_curve = found(tree(supply=Supply(SupplyKind.CURVE, curve)), survey(), faster)
    assert on_curve.losses[0].assumed.value == pytest.approx(300.0 * 0.65**2 / 400.0)


def test_what_was_opened_beyond_how_it_was_found_counts_as_open() -> None:
    """A partly closed reference outlet, opened and read again, lets the others be closed less."""
    one = found(TRUE, survey())
    node = one.tree.index["c1"]
    one.state.turned(node, node, 1.3 * one.state.g[node], keep=True)
    later = dict(zip(FLOWS, one.state.flows()[:, 0].tolist(), strict=True))
    two = found(TRUE, survey(), survey(later, adjusted=("c1",)))
    assert two.g_open[node, 0] == pytest.approx(1.3 * found(TRUE, survey()).g_open[node, 0], rel=1e-6)
    before, after = (
        make_plan(TRUE, rounds).level.value
        for rounds in ([survey()], [survey(), survey(later, adjusted=("c1",))])
    )
    assert after > before


@pytest.mark.parametrize(
    ("branch", "dead"),
    [
        ("A", {}),
        ("A", {"a3": 0.0}),  # tells nothing
        ("B", {}),  # by the outlets of the branch C in it as well
        ("B", {"b1": 0.0}),  # by those alone
    ],
)
def test_a_branch_damper_s_turn_is_recovered_from_its_untouched_outlets(
    branch: str, dead: dict[str, float]
) -> None:
    truth = tree(branches=tuple(replace(b, loss=Estimate(0.3, 0.0)) for b in tree().branches))
    first = survey(dead)
    one = found(truth, first)
    node = one.tree.index[branch]
    one.state.turned(node, node, 4.0 * one.state.r[node], keep=True)
    later = dict(zip(FLOWS, one.state.flows()[:, 0].tolist(), strict=True))
    two = found(truth, first, survey(later, adjusted=(branch,)))
    assert two.state.r[node, 0] == pytest.approx(one.state.r[node, 0], rel=1e-6)
    assert two.r_open[node, 0] == pytest.approx(0.25 * one.state.r[node, 0], rel=1e-6)
    assert two.state.flows()[:, 0] == pytest.approx(list(later.values()))


# ---- supply ---------------------------------------------------------------------------------------------


def test_a_fan_on_its_curve_is_one_more_resistance() -> None:
    """p = p0 - b Q^2 is exactly a constant pressure behind b: its share at the flow is b Q^2 / p0."""
    curve = tuple((q, 400.0 - 300.0 * q * q) for q in (0.0, 0.3, 0.6, 0.9))
    one = found(tree(supply=Supply(SupplyKind.CURVE, curve)), survey())
    assert one.losses[0].share.value == pytest.approx(300.0 * 0.65**2 / 400.0)
    with_trunk = found(tree(supply=Supply(SupplyKind.CURVE, curve, Estimate(0.1, 0.0))), survey())
    pressure = 400.0 - 300.0 * 0.65**2
    assert with_trunk.losses[0].share.value == pytest.approx((300.0 * 0.65**2 + 0.1 * pressure) / 400.0)
    # A trunk that is known takes its part of the rest, and of what is not known of the curve.
    assert with_trunk.losses[0].assumed.u == pytest.approx(0.9 * one.losses[0].assumed.u)


@pytest.mark.parametrize(
    ("curve", "why"),
    [
        (((0.0, 400.0), (1.0, 300.0)), "three points"),
        (((0.0, 400.0), (0.3, 390.0), (0.5, 300.0)), "does not reach"),
        (((0.0, 400.0), (0.9, 390.0), (0.5, 300.0)), "rising flows"),
        (((0.0, 400.0), (0.5, -1.0), (0.9, 300.0)), "above zero"),
        (((0.0, 200.0), (0.6, 300.0), (0.9, 320.0)), "unstable"),
    ],
)
def test_curves_that_do_not_serve_are_refused(curve: tuple[tuple[float, float], ...], why: str) -> None:
    with pytest.raises(Refused, match=why) as caught:
        found(tree(supply=Supply(SupplyKind.CURVE, curve)), survey())
    assert caught.value.input.startswith("supply.curve")


def test_two_thousand_outlets_take_a_second_or_two() -> None:
    rng = np.random.default_rng(4)
    branches = tuple(Branch(f"B{i}", damper=Damper.OPEN) for i in range(200))
    outlets = tuple(Outlet(f"O{i}", f"B{i // 10}", 0.1) for i in range(2000))
    flows = Round(tuple(Reading(o.tag, float(0.1 * rng.uniform(0.7, 1.6)), 0.001) for o in outlets))
    began = time.process_time()
    plan = make_plan(Network(outlets, branches), [flows])
    assert time.process_time() - began < 4.0
    assert len(plan.steps) > 1500
    assert [p.relative.value for p in plan.predicted if p.relative] == pytest.approx([1.0] * 2000, abs=0.02)


def test_a_long_chain_of_branches_is_no_trouble() -> None:
    """Outlets one after the other along one duct, as segments without dampers."""
    branches = tuple(
        Branch(f"B{i}", f"B{i - 1}" if i else "", loss=Estimate(0.002, 0.001)) for i in range(120)
    )
    outlets = tuple(Outlet(f"O{i}", f"B{i}", 0.1) for i in range(120))
    flows = Round(tuple(Reading(o.tag, 0.12 - 0.0001 * i, 0.001) for i, o in enumerate(outlets)))
    plan = make_plan(Network(outlets, branches), [flows])
    assert [p.relative.value for p in plan.predicted if p.relative] == pytest.approx([1.0] * 120, abs=0.03)
