"""Leakage tests: fit and assumed exponent, densities, classes, remarks, refusals, budgets."""

import math
from collections.abc import Sequence
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from measurements.calc import (
    Accuracy,
    Air,
    CertificatePoint,
    Code,
    Estimate,
    Instrument,
    MethodResult,
    Refused,
    resolve_air,
)
from measurements.calc.grouped import take_signed, turned
from measurements.calc.leakage import EXPONENT_U, LeakageTest, distinct_pressures, leakage_test
from measurements.calc.leakage_classes import (
    EN_COEFFICIENTS,
    US_CLASSES,
    US_UNIT,
    LeakageScheme,
    allowed_leakage,
    fit_power_law,
    leakage_class,
    scheme_coefficient,
)
from measurements.calc.leakage_models import fitted_model
from measurements.calc.places import Readings
from measurements.calc.plan import Sharing
from measurements.calc.simulate import monte_carlo
from measurements.calc.uncertainty import Effect
from tests.calc.worlds import MANOMETER, PERFECT

ROOM = Air(293.15, 101_000.0, humidity=0.5)
PRESSURES = (100.0, 150.0, 200.0, 250.0, 300.0)
FLOWS = (0.00402, 0.00519, 0.00628, 0.00720, 0.00815)
METER = Instrument(accuracy=Accuracy(of_reading=0.025), resolution=1e-5)
STEPS = tuple((1, n, 1) for n in range(1, 6))


def run(**changes: object) -> LeakageTest:
    """Five steps on 40 m2 of duct."""
    plain = LeakageTest(
        Readings(PRESSURES, MANOMETER, "dp-1", STEPS, zero=0.0),
        Readings(FLOWS, METER, "flow-1", STEPS),
        Estimate(40.0, 0.4),
        250.0,
        ROOM,
        required_class="B",
    )
    return replace(plain, **changes)  # type: ignore[arg-type]


def exact(pressures: tuple[float, ...], flows: tuple[float, ...], **changes: object) -> LeakageTest:
    """A test by perfect instruments."""
    return run(duct_pressure=Readings(pressures, PERFECT), leak_flow=Readings(flows, PERFECT), **changes)


def codes(result: MethodResult) -> set[Code]:
    return {r.code for r in result.remarks}


def test_leakage_by_hand() -> None:
    found = leakage_test(exact(PRESSURES, FLOWS))
    law = fit_power_law(PRESSURES, FLOWS)
    flow = law.at(250.0)
    density = resolve_air(ROOM).density
    n = found.results["exponent"].value
    assert n == pytest.approx(law.exponent)
    assert found.flow.value == pytest.approx(flow)
    assert found.main.value == pytest.approx(flow / 40.0 * (density / 1.2) ** (1.0 - n))
    assert found.standard_flow.value == pytest.approx(flow * density / 1.204)
    assert found.results["leakage_factor"].value == pytest.approx(found.main.value / 250.0**0.65)
    assert found.limits is not None
    assert found.limits[1] == pytest.approx(9e-6 * 250.0**0.65)
    assert found.classes == {"leakage_class": "B", "duct_pressure": "over", "exponent": "fitted"}
    figures = {f.name: f.value for f in found.parts[1].figures}
    assert found.parts[1].label == "step 2"
    assert figures["fitted_flow"] == pytest.approx(law.at(150.0))
    assert figures["deviation"] == pytest.approx(FLOWS[1] / law.at(150.0) - 1.0)
    assert figures["leakage"] == pytest.approx(FLOWS[1] / 40.0)


def test_a_common_error_of_the_meter_moves_the_leakage_but_not_the_exponent() -> None:
    scaled = Instrument(accuracy=Accuracy(of_reading=0.03))
    found = leakage_test(run(leak_flow=Readings(FLOWS, scaled, places=STEPS)))
    rows = {r.name: r.contribution for r in found.flow.budget}
    specification = "Leak flow: instrument specification"
    assert rows[specification] == pytest.approx(found.flow.value * 0.03 / math.sqrt(3.0))
    exponent = {r.name: r.contribution for r in found.results["exponent"].budget}
    assert exponent.get(specification, 0.0) == pytest.approx(0.0, abs=1e-12)


def test_the_meter_s_density() -> None:
    found, plain = leakage_test(run(meter_density=1.2)), leakage_test(run())
    ratio = math.sqrt(1.2 / plain.density.value)
    assert found.flow.value == pytest.approx(plain.flow.value * ratio)
    shown = {f.name: f.value for f in found.parts[0].figures}
    assert shown["flow"] == pytest.approx(ratio * FLOWS[0])
    assert shown["deviation"] == pytest.approx({f.name: f.value for f in plain.parts[0].figures}["deviation"])


def test_one_step_takes_the_exponent_as_known() -> None:
    here = leakage_test(exact((250.0,), (0.0072,)))
    assert here.flow.value == pytest.approx(0.0072)
    assert here.results["exponent"].u == pytest.approx(EXPONENT_U)
    remark = here.remark(Code.EXPONENT_ASSUMED)
    assert remark is not None
    assert remark.numbers == {"exponent": 0.65, "u": EXPONENT_U, "pressures": 1}
    assert here.classes["exponent"] == "assumed"
    far = leakage_test(exact((250.0,), (0.0072,), test_pressure=400.0))
    assert far.flow.value == pytest.approx(0.0072 * 1.6**0.65)
    assert far.flow.u / far.flow.value == pytest.approx(EXPONENT_U * math.log(1.6))
    outside = far.remark(Code.TEST_PRESSURE_OUTSIDE)
    assert outside is not None
    assert outside.numbers == {"pressure": 400.0, "low": 250.0, "high": 250.0}


def test_repeats_of_one_step_and_steps_at_one_pressure_count() -> None:
    repeated = run(
        duct_pressure=Readings((250.0, 250.0), PERFECT, places=((1, 1, 1), (2, 1, 1))),
        leak_flow=Readings((0.0070, 0.0074), PERFECT, places=((1, 1, 1), (2, 1, 1))),
    )
    rows = {r.name: r for r in leakage_test(repeated).flow.budget}
    scatter = rows["Leak flow: repeated readings"]
    assert scatter.contribution == pytest.approx(0.0004 / math.sqrt(2.0) / math.sqrt(2.0))
    assert scatter.dof == 1.0
    alike = leakage_test(exact((250.0, 250.0, 250.0), (0.0070, 0.0072, 0.0074)))
    rows = {r.name: r for r in alike.flow.budget}
    assert rows["Scatter about the line"].dof == 2.0
    assert rows["Scatter about the line"].contribution == pytest.approx(0.0002 / math.sqrt(3.0), rel=0.01)


def test_repeats_that_cancel_have_no_scatter_in_proportion() -> None:
    places = ((1, 1, 1), (2, 1, 1), (1, 2, 1), (2, 2, 1))
    off = run(
        duct_pressure=Readings((200.0, 200.0, 250.0, 250.0), PERFECT, places=places),
        leak_flow=Readings((0.006, 0.006, 0.001, -0.001), PERFECT, places=places),
    )
    with pytest.raises(Refused, match="has a line whose mean is zero") as caught:
        leakage_test(off)
    assert caught.value.input == "leak_flow"


def test_repeats_of_steps_are_averaged() -> None:
    places = tuple((run, line, 1) for run in (1, 2) for line in range(1, 6))
    twice = run(
        duct_pressure=Readings(PRESSURES * 2, PERFECT, places=places),
        leak_flow=Readings(
            tuple(q * 1.001 for q in FLOWS) + tuple(q * 0.999 for q in FLOWS), PERFECT, "", places
        ),
    )
    assert leakage_test(twice).flow.value == pytest.approx(leakage_test(exact(PRESSURES, FLOWS)).flow.value)


def test_a_duct_under_suction() -> None:
    """The manometer's certificate has no point below zero: it serves suction as well, and that is said."""
    found = leakage_test(run(duct_pressure=Readings(tuple(-p for p in PRESSURES), MANOMETER, zero=0.0)))
    assert found.classes["duct_pressure"] == "under"
    remark = found.remark(Code.CERTIFICATE_MIRRORED)
    assert remark is not None
    assert remark.numbers == {"count": 5}
    over = leakage_test(run())
    assert found.main.value == pytest.approx(over.main.value)
    assert found.main.u == pytest.approx(over.main.u)
    assert over.remark(Code.CERTIFICATE_MIRRORED) is None


def test_turning_only_where_needed() -> None:
    mixed, sign, remarks = turned(Readings((-10.0, 20.0), MANOMETER))
    assert {p.indicated for p in mixed.instrument.certificate} == {-201.0, -50.4, -0.1, 0.1, 50.4, 201.0}
    assert (sign, len(remarks), mixed.instrument.low) == (1.0, 1, -500.0)
    plain = Readings((10.0, 20.0), MANOMETER)
    assert turned(plain) == (plain, 1.0, [])
    bare = Readings((-10.0,), Instrument())
    assert turned(bare) == (bare, 1.0, [])
    ranged = turned(Readings((-10.0,), Instrument(low=0.0, high=100.0), zero=0.5))
    assert (ranged[0].values, ranged[0].zero, ranged[1]) == ((10.0,), -0.5, -1.0)
    both = Readings(
        (-10.0,), Instrument(certificate=(CertificatePoint(-50.0, -50.0, 0.1), *MANOMETER.certificate))
    )
    assert turned(both) == (both, 1.0, [])


@given(st.floats(1.0, 290.0))
def test_a_pressure_and_its_opposite_are_alike(pressure: float) -> None:
    """MANOMETER has its certificate's points from 0 to 201 Pa."""
    above, _ = take_signed(Readings((pressure,), MANOMETER), "p", "P")
    below, _ = take_signed(Readings((-pressure,), MANOMETER), "p", "P")
    assert below.value == -above.value
    assert below.u == above.u
    with pytest.raises(Refused, match="too far outside"):
        take_signed(Readings((-320.0,), MANOMETER), "p", "P")


@given(st.floats(0.3, 3.0), st.floats(0.5, 2.0))
def test_units_of_flow_and_area_scale_through(q: float, a: float) -> None:
    plain = leakage_test(exact(PRESSURES, FLOWS))
    scaled = leakage_test(
        exact(PRESSURES, tuple(q * f for f in FLOWS), surface_area=Estimate(40.0 * a, 0.4 * a))
    )
    assert scaled.main.value == pytest.approx(plain.main.value * q / a)
    assert scaled.main.u == pytest.approx(plain.main.u * q / a)
    assert scaled.results["exponent"].value == pytest.approx(plain.results["exponent"].value)


@given(st.permutations(range(5)))
def test_the_order_of_steps_does_not_matter(order: list[int]) -> None:
    found = leakage_test(exact(tuple(PRESSURES[i] for i in order), tuple(FLOWS[i] for i in order)))
    plain = leakage_test(exact(PRESSURES, FLOWS))
    assert found.main.value == pytest.approx(plain.main.value, rel=1e-12)
    assert found.main.u == pytest.approx(plain.main.u, rel=1e-9)


@pytest.mark.parametrize(
    "inputs", [run(), run(meter_density=1.2), exact((250.0,), (0.0072,), test_pressure=200.0)]
)
def test_budget_shares_add_to_one(inputs: LeakageTest) -> None:
    for result in leakage_test(inputs).results.values():
        shares = math.fsum(row.share for row in result.budget)
        assert shares == pytest.approx(1.0 if result.u else 0.0, abs=1e-9)


def test_first_order_agrees_with_monte_carlo() -> None:
    state = resolve_air(ROOM)
    values: dict[str, float | Sequence[float]] = {
        "pressure": PRESSURES,
        "flow": FLOWS,
        "scatter": (1.0,) * 5,
        "surface_area": 40.0,
        "test_pressure": 250.0,
        "meter_density": 1.0,
        "reference_density": 1.2,
        **state.values,
        "standard_density": 1.204,
    }
    law = fit_power_law(PRESSURES, FLOWS)
    effects = [
        Effect("p", "pressure", tuple(0.004 * p for p in PRESSURES), Sharing.COMMON),
        Effect("q", "flow", tuple(0.01 * q for q in FLOWS), Sharing.INDEPENDENT),
        Effect("s", "scatter", (law.line.s,) * 5, Sharing.POOLED),
        Effect("A", "surface_area", 0.4, Sharing.COMMON),
        *state.effects,
    ]
    drawn = monte_carlo(
        fitted_model(state.model.function, False, True), values, effects, output="leakage", trials=60_000
    )
    found = leakage_test(
        run(
            duct_pressure=Readings(
                PRESSURES, Instrument(accuracy=Accuracy(of_reading=0.004 * math.sqrt(3.0)))
            ),
            leak_flow=Readings(FLOWS, PERFECT),
        )
    )
    without = [e for e in effects if e.name != "q"]
    alone = monte_carlo(
        fitted_model(state.model.function, False, True), values, without, output="leakage", trials=60_000
    )
    assert found.main.u == pytest.approx(alone.u, rel=0.02)
    assert drawn.u > alone.u
    assert found.main.value == pytest.approx(drawn.value, rel=1e-3)


def test_remarks() -> None:
    assert codes(leakage_test(run())) == {Code.NO_CERTIFICATE, Code.OUTSIDE_CERTIFICATE}
    steep = leakage_test(exact((100.0, 200.0, 300.0), (0.001, 0.0025, 0.0045)))
    remark = steep.remark(Code.EXPONENT_IMPLAUSIBLE)
    assert remark is not None
    assert remark.numbers["exponent"] > 1.0
    assert (remark.numbers["low"], remark.numbers["high"]) == (0.5, 1.0)
    assert Code.ZERO_NOT_CHECKED in codes(steep)
    scattered = leakage_test(exact((100.0, 200.0, 300.0), (0.004, 0.0075, 0.0070)))
    poor = scattered.remark(Code.POOR_FIT)
    assert poor is not None
    assert poor.numbers["r2"] < poor.numbers["limit"] == 0.98


def test_classes() -> None:
    for name, K in EN_COEFFICIENTS.items():
        assert leakage_class(LeakageScheme.EN, K) == name
        assert scheme_coefficient(LeakageScheme.EN, name) == K
    assert leakage_class(LeakageScheme.EN, 2.1e-6) == "C"
    assert leakage_class(LeakageScheme.EN, 28e-6) == "none"
    for number in US_CLASSES:
        assert leakage_class(LeakageScheme.US, number * US_UNIT) == f"{number:g}"
    assert leakage_class(LeakageScheme.US, 3.1 * US_UNIT) == "6"
    assert leakage_class(LeakageScheme.US, 49.0 * US_UNIT) == "none"
    assert leakage_test(run()).verdict_allowed
    us = leakage_test(run(scheme=LeakageScheme.US, required_class="6"))
    assert us.limits is not None
    assert us.limits[1] == pytest.approx(allowed_leakage(LeakageScheme.US, "6", 250.0))
    assert leakage_test(run(required_class=None)).limits is None  # no class asked for


def test_distinct_pressures() -> None:
    assert distinct_pressures((100.0, 101.0, 102.0, 103.0)) == 1
    assert distinct_pressures((300.0, 100.0, 200.0)) == 3


@pytest.mark.parametrize(
    ("changes", "named"),
    [
        ({"duct_pressure": Readings((100.0, -100.0), PERFECT)}, "leak_flow"),
        ({"duct_pressure": Readings((100.0, 200.0, 300.0, 400.0, -100.0), PERFECT)}, "duct_pressure"),
        ({"duct_pressure": Readings((100.0, 200.0, 300.0, 400.0, 0.0), PERFECT)}, "duct_pressure"),
        ({"duct_pressure": Readings((), PERFECT)}, "duct_pressure"),
        ({"duct_pressure": Readings((math.nan, *PRESSURES[1:]), PERFECT)}, "duct_pressure[0]"),
        ({"duct_pressure": Readings(PRESSURES, PERFECT, places=((1, 1, 1),) * 5)}, "duct_pressure.places"),
        ({"leak_flow": Readings((*FLOWS[:4], 0.0), PERFECT)}, "leak_flow[4]"),
        ({"leak_flow": Readings((*FLOWS[:4], -0.1), PERFECT)}, "leak_flow[4]"),
        ({"surface_area": Estimate(0.0, 0.1)}, "surface_area"),
        ({"surface_area": Estimate(40.0, -0.1)}, "surface_area.u"),
        ({"test_pressure": 0.0}, "test_pressure"),
        ({"test_pressure": math.inf}, "test_pressure"),
        ({"test_pressure": 901.0}, "test_pressure"),
        ({"test_pressure": 33.0}, "test_pressure"),
        ({"required_class": "E"}, "required_class"),
        ({"required_class": "B", "scheme": LeakageScheme.US}, "required_class"),
        ({"required_class": "-3", "scheme": LeakageScheme.US}, "required_class"),
        ({"required_class": "nan", "scheme": LeakageScheme.US}, "required_class"),
        ({"meter_density": 0.0}, "meter_density"),
        ({"reference_density": -1.0}, "reference_density"),
        ({"standard_density": 0.0}, "standard_density"),
        ({"air": Air(293.15)}, "air.barometer"),
    ],
)
def test_refusals(changes: dict[str, object], named: str) -> None:
    with pytest.raises(Refused) as caught:
        leakage_test(run(**changes))
    assert caught.value.input == named


def test_flows_that_do_not_change_lie_on_their_line() -> None:
    level = fit_power_law((100.0, 200.0, 300.0), (1.0, 1.0, 1.0))
    assert (level.r2, level.exponent) == (1.0, 0.0)


def test_a_fit_needs_three_steps_above_zero() -> None:
    with pytest.raises(Refused, match="three"):
        fit_power_law((100.0, 200.0), (1.0, 2.0))
    with pytest.raises(Refused) as caught:
        fit_power_law((100.0, 200.0, 300.0), (1.0, -2.0, 3.0))
    assert caught.value.input == "leak_flow[1]"


def test_one_step_s_coefficient_goes_through_the_step() -> None:
    """Q = C p^n holds for what was read."""
    found = leakage_test(exact((250.0,), (0.0072,)))
    assert found.results["coefficient"].value == pytest.approx(0.0072 / 250.0**0.65)


def test_three_steps_at_two_pressures_tell_no_exponent() -> None:
    found = leakage_test(exact((250.0, 251.0, 400.0), (0.0072, 0.0072, 0.0100)))
    assert found.classes["exponent"] == "assumed"


@pytest.mark.parametrize(("target", "outside"), [(97.0, True), (99.0, False), (305.0, False), (307.0, True)])
def test_a_test_pressure_off_the_steps_is_remarked_on_both_sides(target: float, outside: bool) -> None:
    """Two per cent beyond the steps, 100 to 300 Pa, are not worth a word."""
    found = leakage_test(exact(PRESSURES, FLOWS, test_pressure=target))
    assert (found.remark(Code.TEST_PRESSURE_OUTSIDE) is not None) == outside
