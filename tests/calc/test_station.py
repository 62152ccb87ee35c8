"""Flow by fixed devices: factors, ISO 5167, liquids, refusals, and how the budget follows the formula."""

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from measurements.calc import Accuracy, Air, Code, Estimate, Instrument, MethodResult, Refused, resolve_air
from measurements.calc.devices import (
    SPANS,
    Device,
    check_geometry,
    check_reynolds,
    coefficient_U,
    device_flow,
    expansibility_U,
    permanent_loss,
    reynolds_limits,
)
from measurements.calc.places import Readings
from measurements.calc.plan import Sharing
from measurements.calc.simulate import monte_carlo
from measurements.calc.station import FlowStation, Lengths, flow_station
from measurements.calc.station_models import (
    FactorBasis,
    Fluid,
    factor_model,
    liquid_factor_model,
    primary_model,
)
from measurements.calc.uncertainty import Effect
from tests.calc.worlds import AIR, MANOMETER, PERFECT

READ = Readings((120.4, 121.0, 119.8, 120.6), MANOMETER, "dp-1", zero=0.0)


def ring(**changes: object) -> FlowStation:
    """A fan-inlet ring with its factor at 1.2 kg/m3."""
    plain = FlowStation(
        READ,
        factor=Estimate(0.085, 0.0017, 20.0),
        factor_basis=FactorBasis.AT_FACTOR_DENSITY,
        factor_density=1.2,
        pipe_diameter=0.5,
        air=AIR,
    )
    return replace(plain, **changes)  # type: ignore[arg-type]


def orifice(**changes: object) -> FlowStation:
    """An orifice plate with flange tappings in a 200 mm duct."""
    plain = FlowStation(
        READ,
        Device.ORIFICE_FLANGE,
        pipe_diameter=0.2032,
        throat_diameter=0.1016,
        lengths=Lengths.FULL,
        air=AIR,
    )
    return replace(plain, **changes)  # type: ignore[arg-type]


def water(**changes: object) -> FlowStation:
    """An orifice plate in a water pipe."""
    plain = FlowStation(
        Readings((17000.0,), Instrument(accuracy=Accuracy(of_reading=0.01)), zero=0.0),
        Device.ORIFICE_D_D2,
        Fluid.WATER,
        pipe_diameter=0.07366,
        throat_diameter=0.05,
        liquid_density=999.1,
        liquid_viscosity=0.0011,
        lengths=Lengths.FULL,
    )
    return replace(plain, **changes)  # type: ignore[arg-type]


def test_a_factor_by_hand_on_both_bases() -> None:
    density = resolve_air(AIR).density
    pressure = 120.0
    stated = flow_station(ring(pressure=Readings((pressure,), PERFECT)))
    assert stated.flow.value == pytest.approx(0.085 * math.sqrt(pressure * 1.2 / density))
    assert stated.standard_flow.value == pytest.approx(stated.flow.value * density / 1.204)
    assert stated.velocity is not None
    assert stated.velocity.value == pytest.approx(stated.flow.value / (math.pi / 4 * 0.25))
    assert stated.results["mass_flow"].value == pytest.approx(stated.flow.value * density)
    over = ring(
        pressure=Readings((pressure,), PERFECT),
        factor_basis=FactorBasis.OVER_DENSITY,
        factor=Estimate(0.085 * math.sqrt(1.2), 0.0017 * math.sqrt(1.2), 20.0),
        factor_density=None,
        pipe_diameter=None,
    )
    same = flow_station(over)
    assert same.flow.value == pytest.approx(stated.flow.value)
    assert same.flow.u == pytest.approx(stated.flow.u)
    assert same.velocity is None
    assert same.parts == ()


def test_a_factor_of_a_liquid() -> None:
    found = flow_station(
        FlowStation(
            Readings((4000.0,), PERFECT),
            fluid=Fluid.WATER,
            factor=Estimate(1e-4, 1e-6),
            factor_basis=FactorBasis.AT_FACTOR_DENSITY,
            factor_density=1000.0,
            liquid_density=970.0,
        )
    )
    assert found.flow.value == pytest.approx(1e-4 * math.sqrt(4000.0 * 1000.0 / 970.0))
    assert "standard_flow" not in found.results
    assert found.standard_density is None
    assert liquid_factor_model(FactorBasis.OVER_DENSITY)(4.0, 2.0, 1.0, 1.0, 1.0).flow == 4.0


@pytest.mark.parametrize("inputs", [ring(), orifice(), water()])
def test_budget_shares_add_to_one(inputs: FlowStation) -> None:
    for result in flow_station(inputs).results.values():
        assert math.fsum(row.share for row in result.budget) == pytest.approx(1.0, abs=1e-9)
        assert len({row.name for row in result.budget}) == len(result.budget)


def test_the_published_uncertainties_are_in_the_budget() -> None:
    found = flow_station(orifice())
    rows = {row.name: row for row in found.flow.budget}
    figures = {f.name: f for f in found.parts[0].figures}
    assert figures["beta"].value == pytest.approx(0.5)
    flow = found.flow.value
    assert rows["Discharge coefficient"].contribution == pytest.approx(0.0025 * flow, rel=0.01)
    state = resolve_air(AIR)
    ratio = rows["Pressure difference: resolution"].value / state.pressure
    assert rows["Expansibility"].u == pytest.approx(0.5 * 3.5 * ratio / 1.4 / 100.0, rel=1e-3)
    practical = 0.002 * 2.0 * 0.5**4 / (1.0 - 0.5**4) * flow
    assert practical < rows["Pipe diameter"].contribution < 1.4 * practical  # C follows beta as well
    assert rows["Throat diameter"].contribution == pytest.approx(0.00035 * 2 / (1 - 0.5**4) * flow, rel=0.05)
    reduced = flow_station(orifice(lengths=Lengths.REDUCED))
    doubled = {row.name: row for row in reduced.flow.budget}["Discharge coefficient"]
    assert doubled.contribution == pytest.approx(2.0 * rows["Discharge coefficient"].contribution)


def test_how_the_coefficient_follows_the_reynolds_number_is_in_the_sensitivities() -> None:
    """The traced slopes are those of the whole repeated substitution, found by differences."""

    def settled(pressure: float, throat: float) -> float:
        density, T = resolve_air(AIR).density, AIR.temperature
        mu = 1.458e-6 * T**1.5 / (T + 110.4)
        p1 = resolve_air(AIR).pressure
        return device_flow(Device.ORIFICE_CORNER, 0.06, throat, pressure, density, mu, upstream=p1).flow

    found = flow_station(
        orifice(
            device=Device.ORIFICE_CORNER,
            pipe_diameter=0.06,
            throat_diameter=0.042,
            pressure=Readings((120.0,), Instrument(accuracy=Accuracy(absolute=1.0))),
        )
    )
    assert found.flow.value == pytest.approx(settled(120.0, 0.042), rel=1e-9)
    slopes = {row.name: row.sensitivity for row in found.flow.budget}
    by_pressure = (settled(120.5, 0.042) - settled(119.5, 0.042)) / 1.0
    by_throat = (settled(120.0, 0.04201) - settled(120.0, 0.04199)) / 0.00002
    assert slopes["Pressure difference: instrument specification"] == pytest.approx(by_pressure, rel=1e-4)
    assert slopes["Throat diameter"] == pytest.approx(by_throat, rel=1e-4)
    frozen = 0.5 * found.flow.value / 120.0
    assert abs(by_pressure / frozen - 1.0) > 0.002


def test_first_order_agrees_with_monte_carlo() -> None:
    state = resolve_air(AIR)
    values = {
        "pressure": 120.0,
        "coefficient_factor": 1.0,
        "expansibility_factor": 1.0,
        "viscosity_factor": 1.0,
        "pipe_diameter": 0.2032,
        "throat_diameter": 0.1016,
        "coefficient_start": 0.609,
        "isentropic_exponent": 1.4,
        **state.values,
        "standard_density": 1.204,
    }
    effects = [
        Effect("Pressure", "pressure", 1.5, Sharing.COMMON),
        Effect("C", "coefficient_factor", 0.0025, Sharing.COMMON),
        Effect("Throat", "throat_diameter", 0.0002, Sharing.COMMON),
        Effect("Pipe", "pipe_diameter", 0.001, Sharing.COMMON),
        *state.effects,
    ]
    model = primary_model(Device.ORIFICE_FLANGE, False, state.model.function)
    drawn = monte_carlo(model, values, effects, output="flow", trials=60_000)
    found = flow_station(
        orifice(
            pressure=Readings((120.0,), Instrument(accuracy=Accuracy(absolute=1.5 * math.sqrt(3.0)))),
            throat_diameter_u=0.0002,
            pipe_diameter_u=0.001,
        )
    )
    assert found.flow.value == pytest.approx(drawn.value, rel=2e-4)
    assert found.flow.u == pytest.approx(drawn.u, rel=0.02)
    ring_model = factor_model(state.model.function, FactorBasis.OVER_DENSITY)
    plain = {"pressure": 120.0, "factor": 0.1, "factor_density": 1.0, "pipe_diameter": 1.0}
    given = {**plain, **state.values, "standard_density": 1.204}
    few = [Effect("Factor", "factor", 0.002, Sharing.COMMON), *state.effects]
    drawn = monte_carlo(ring_model, given, few, output="standard_flow", trials=60_000)
    exact = flow_station(
        ring(
            pressure=Readings((120.0,), PERFECT),
            factor=Estimate(0.1, 0.002),
            factor_basis=FactorBasis.OVER_DENSITY,
        )
    )
    assert exact.standard_flow.u == pytest.approx(drawn.u, rel=0.02)


@given(st.floats(20.0, 190.0), st.floats(1.01, 1.2))
def test_flow_rises_with_the_root_of_the_difference(pressure: float, step: float) -> None:
    low, high = (
        flow_station(ring(pressure=Readings((p,), PERFECT))).flow.value for p in (pressure, pressure * step)
    )
    assert high / low == pytest.approx(math.sqrt(step))


@given(st.permutations([118.0, 120.0, 121.5, 122.5]))
def test_the_order_of_repeats_does_not_matter(values: list[float]) -> None:
    found = flow_station(orifice(pressure=Readings(tuple(values), MANOMETER)))
    same = flow_station(orifice(pressure=Readings((118.0, 120.0, 121.5, 122.5), MANOMETER)))
    assert found.flow.value == pytest.approx(same.flow.value, rel=1e-12)
    assert found.flow.u == pytest.approx(same.flow.u, rel=1e-12)


@pytest.mark.parametrize(
    ("build", "changes", "named"),
    [
        (ring, {"pressure": Readings((-50.0,), PERFECT)}, "pressure"),
        (ring, {"pressure": Readings((), PERFECT)}, "pressure"),
        (ring, {"pressure": Readings((math.nan,), PERFECT)}, "pressure[0]"),
        (ring, {"factor": None}, "factor"),
        (ring, {"factor": Estimate(0.0, 0.1)}, "factor"),
        (ring, {"factor": Estimate(0.1, -0.1)}, "factor.u"),
        (ring, {"factor_density": None}, "factor_density"),
        (ring, {"pipe_diameter": 0.0}, "pipe_diameter"),
        (ring, {"air": None}, "air"),
        (ring, {"standard_density": 0.0}, "standard_density"),
        (ring, {"air": Air(-1.0, 1e5)}, "air.temperature"),
        (orifice, {"pipe_diameter": None}, "pipe_diameter"),
        (orifice, {"throat_diameter": None}, "throat_diameter"),
        (orifice, {"pipe_diameter": 1.2}, "pipe_diameter"),
        (orifice, {"throat_diameter": 0.19}, "throat_diameter"),
        (orifice, {"throat_diameter": math.inf}, "throat_diameter"),
        (orifice, {"pipe_diameter": 0.1, "throat_diameter": 0.011}, "throat_diameter"),
        (orifice, {"device": Device.VENTURI_MACHINED}, "pressure"),
        (orifice, {"isentropic_exponent": 1.0}, "isentropic_exponent"),
        (orifice, {"throat_diameter_u": -1.0}, "throat_diameter_u"),
        (orifice, {"pressure": Readings((40_000.0,), PERFECT)}, "pressure"),
        (water, {"liquid_density": None}, "liquid_density"),
        (water, {"liquid_viscosity": None}, "liquid_viscosity"),
        (water, {"liquid_viscosity": -1.0}, "liquid_viscosity"),
        (water, {"liquid_density_u": -0.1}, "liquid_density_u"),
        (water, {"pressure": Readings((300_000.0,), Instrument())}, "pressure"),
    ],
)
def test_refusals(build: object, changes: dict[str, object], named: str) -> None:
    with pytest.raises(Refused) as caught:
        flow_station(build(**changes))  # type: ignore[operator]
    assert caught.value.input == named


def _codes(result: MethodResult) -> set[Code]:
    return {r.code for r in result.remarks}


def test_remarks() -> None:
    assert _codes(flow_station(ring())) == set()
    assert _codes(flow_station(orifice())) == set()
    weak = flow_station(ring(pressure=Readings((0.5, 3.5), MANOMETER)))
    assert {Code.NEAR_RESOLUTION, Code.ZERO_NOT_CHECKED, Code.ROOT_OF_MEAN_BIAS} <= _codes(weak)
    unknown = flow_station(ring(factor=Estimate(0.1, 0.0)))
    assert unknown.remark(Code.FACTOR_WITHOUT_UNCERTAINTY) is not None
    for lengths, added in [(Lengths.UNKNOWN, 0.0), (Lengths.REDUCED, 0.005), (Lengths.SHORT, 0.0)]:
        found = flow_station(orifice(lengths=lengths))
        remark = found.remark(Code.DEVICE_LENGTHS)
        assert remark is not None
        assert remark.numbers["added_U"] == added
        assert found.verdict_allowed is (lengths is not Lengths.SHORT)
    assert Code.NO_CERTIFICATE in _codes(flow_station(water()))


def test_published_uncertainties_at_their_corners() -> None:
    """ISO 5167-2:2003 5.3.3.1 and parts 3 and 4, from memory."""
    corner = Device.ORIFICE_CORNER
    assert coefficient_U(corner, 0.1, 0.2, 1e5) == pytest.approx(0.006)
    assert coefficient_U(corner, 0.6, 0.2, 1e5) == pytest.approx(0.005)
    assert coefficient_U(corner, 0.75, 0.2, 1e5) == pytest.approx(0.0075025)
    assert coefficient_U(corner, 0.55, 0.2, 9e3) == pytest.approx(0.010)
    small = 0.005 + 0.009 * 0.25 * (2.8 - 0.06 / 0.0254)
    assert coefficient_U(corner, 0.5, 0.06, 1e5) == pytest.approx(small)
    assert coefficient_U(Device.NOZZLE_ISA_1932, 0.8, 0.2, 1e6) == pytest.approx(0.012)
    assert coefficient_U(Device.NOZZLE_ISA_1932, 0.5, 0.2, 1e6) == 0.008
    assert coefficient_U(Device.NOZZLE_LONG_RADIUS, 0.5, 0.2, 1e6) == 0.02
    assert coefficient_U(Device.VENTURI_NOZZLE, 0.5, 0.2, 1e6) == pytest.approx(0.0129375)
    assert coefficient_U(Device.VENTURI_WELDED, 0.5, 0.5, 1e6) == 0.015
    assert expansibility_U(Device.NOZZLE_ISA_1932, 0.5, 0.1, 1.4) == pytest.approx(0.002)
    assert expansibility_U(Device.VENTURI_AS_CAST, 0.5, 0.1, 1.4) == pytest.approx(0.00439063, rel=1e-5)
    with pytest.raises(Refused, match="no published uncertainty"):
        coefficient_U(Device.FACTOR, 0.5, 0.2, 1e5)


@pytest.mark.parametrize(
    ("device", "low", "high"),
    [
        (Device.ORIFICE_CORNER, 0.1, 0.75),
        (Device.ORIFICE_FLANGE, 0.1, 0.75),
        (Device.ORIFICE_D_D2, 0.1, 0.75),
        (Device.NOZZLE_ISA_1932, 0.3, 0.8),
        (Device.NOZZLE_LONG_RADIUS, 0.2, 0.8),
        (Device.VENTURI_NOZZLE, 0.316, 0.775),
        (Device.VENTURI_AS_CAST, 0.3, 0.75),
        (Device.VENTURI_MACHINED, 0.4, 0.75),
        (Device.VENTURI_WELDED, 0.4, 0.7),
    ],
)
def test_diameter_ratios_for_which_coefficients_are_published(
    device: Device, low: float, high: float
) -> None:
    """ISO 5167-2:2003 5.3.1, -3:2003 5.1.6, 5.2.6, 5.3.4, -4:2003 5.5 (from memory)."""
    for beta in (low, high):
        assert check_geometry(device, 0.25, beta * 0.25) == pytest.approx(beta)
    for beta in (0.99 * low, 1.01 * high):
        with pytest.raises(Refused) as caught:
            check_geometry(device, 0.25, beta * 0.25)
        assert caught.value.input == "throat_diameter"


def test_reynolds_limits_follow_the_geometry() -> None:
    assert reynolds_limits(Device.ORIFICE_FLANGE, 0.5, 0.2)[0] == pytest.approx(8500.0)
    assert reynolds_limits(Device.ORIFICE_CORNER, 0.5, 0.2)[0] == 5000.0
    assert reynolds_limits(Device.ORIFICE_D_D2, 0.7, 0.2)[0] == pytest.approx(7840.0)
    assert reynolds_limits(Device.NOZZLE_ISA_1932, 0.4, 0.2)[0] == 70_000.0
    assert reynolds_limits(Device.NOZZLE_ISA_1932, 0.5, 0.2)[0] == 20_000.0
    for device, span in SPANS.items():
        beta = math.fsum(span.beta) / 2.0
        low, _ = reynolds_limits(device, beta, span.pipe[0])
        check_reynolds(device, beta, span.pipe[0], low)
        with pytest.raises(Refused, match="Reynolds"):
            check_reynolds(device, beta, span.pipe[0], 0.99 * low)
    with pytest.raises(Refused, match="dimensions"):
        reynolds_limits(Device.FACTOR, 0.5, 0.2)


@given(st.floats(0.2, 0.75), st.floats(10.0, 5000.0))
def test_the_loss_is_part_of_the_difference_and_falls_as_the_throat_widens(b: float, dp: float) -> None:
    loss = permanent_loss(Device.ORIFICE_CORNER, dp, b, 0.6).value
    assert 0.0 < loss < dp
    assert permanent_loss(Device.ORIFICE_CORNER, dp, b + 0.02, 0.6).value < loss
    venturi = permanent_loss(Device.VENTURI_AS_CAST, dp, b, 0.984)
    assert venturi.value + math.sqrt(3.0) * venturi.u == pytest.approx(0.2 * dp)
    with pytest.raises(Refused):
        permanent_loss(Device.FACTOR, dp, b, 0.6)
    with pytest.raises(Refused):
        permanent_loss(Device.ORIFICE_CORNER, dp, 1.0, 0.6)


def test_plain_formula_refuses_what_cannot_be() -> None:
    with pytest.raises(Refused, match="smaller than the pipe"):
        device_flow(Device.ORIFICE_CORNER, 0.1, 0.1, 100.0, 1.2, 1.8e-5)
    with pytest.raises(Refused, match="absolute pressure"):
        device_flow(Device.ORIFICE_CORNER, 0.1, 0.05, 30_000.0, 1.2, 1.8e-5, upstream=101_325.0)
    with pytest.raises(Refused, match="no published coefficient"):
        device_flow(Device.FACTOR, 0.1, 0.05, 100.0, 1.2, 1.8e-5)
    with pytest.raises(Refused, match="is too small: coefficient and Reynolds number do not") as caught:
        device_flow(Device.ORIFICE_CORNER, 0.1, 0.05, 1e-6, 1.2, 1.8e-5)
    assert (caught.value.input, caught.value.value) == ("pressure", 1e-6)


@pytest.mark.parametrize("device", [one for one in Device if one is not Device.FACTOR])
def test_a_pressure_too_small_for_a_device_is_refused_and_any_larger_gives_a_flow(device: Device) -> None:
    def coefficient(pressure: float) -> float:
        try:
            return device_flow(device, 0.1, 0.05, pressure, 1.2, 1.8e-5).coefficient
        except Refused:
            return 0.0

    found = [coefficient(10.0**n) for n in range(-15, 5)]
    given = [one for one in found if one]
    assert found == [0.0] * (len(found) - len(given)) + given  # once large enough, always
    assert len(given) >= 4
    assert all(0.5 < one < 2.0 for one in given)
