"""Water and glycol mixtures: against an independent library, validity, slopes, effects."""

import math

import pytest
from CoolProp.CoolProp import PropsSI
from hypothesis import given
from hypothesis import strategies as st

from measurements.calc.errors import Refused
from measurements.calc.method import Code
from measurements.calc.places import Readings
from measurements.calc.plan import Part, Sharing, make_plan
from measurements.calc.water import (
    Fluid,
    FluidKind,
    check_temperature,
    density,
    flow_error_if_taken_as_water,
    freezing_point,
    heat_error_if_taken_as_water,
    kinematic_viscosity,
    liquid,
    mass_share,
    resolve_liquid,
    specific_heat,
    viscosity,
)
from tests.calc.worlds import PERFECT

WATER = Fluid()
GLYCOLS = {FluidKind.ETHYLENE_GLYCOL: "MEG", FluidKind.PROPYLENE_GLYCOL: "MPG"}


@pytest.mark.parametrize("celsius", [0.0, 4.0, 20.0, 45.0, 82.0, 99.0, 120.0, 150.0])
def test_water_against_the_reference_equation_of_state(celsius: float) -> None:
    """IAPWS-95 and IAPWS R12-08 as CoolProp has them; above 100 degC just above the boiling pressure."""
    t = max(celsius, 0.01) + 273.15
    pressure = max(101325.0, 1.001 * PropsSI("P", "T", t, "Q", 0, "Water"))
    near = 5e-5 if celsius < 100.0 else 2.5e-4  # the formula holds at 1 atm, the boiling pressure is more
    assert density(WATER, t) == pytest.approx(PropsSI("D", "T", t, "P", pressure, "Water"), rel=near)
    assert specific_heat(WATER, t) == pytest.approx(PropsSI("C", "T", t, "P", pressure, "Water"), rel=5e-5)
    assert viscosity(WATER, t) == pytest.approx(PropsSI("V", "T", t, "P", pressure, "Water"), rel=0.002)


def test_the_stated_uncertainty_of_water_holds_what_system_pressure_changes() -> None:
    found = liquid(WATER)
    for celsius in range(0, 151, 10):
        t = max(celsius, 0.01) + 273.15
        boiling = PropsSI("P", "T", t, "Q", 0, "Water")
        for pressure in (101325.0, 3e5, 11e5):
            if pressure > boiling:
                there = PropsSI("D", "T", t, "P", pressure, "Water")
                assert abs(density(WATER, t) / there - 1.0) < math.sqrt(3.0) * found.density_u
                heat = PropsSI("C", "T", t, "P", pressure, "Water")
                assert abs(specific_heat(WATER, t) / heat - 1.0) < math.sqrt(3.0) * found.specific_heat_u
                thick = PropsSI("V", "T", t, "P", pressure, "Water")
                assert abs(viscosity(WATER, t) / thick - 1.0) < found.viscosity_u


@pytest.mark.parametrize("kind", GLYCOLS)
@pytest.mark.parametrize("share", [0.02, 0.15, 0.3, 0.45, 0.6])
def test_mixtures_against_the_incompressible_fluids_of_coolprop(kind: FluidKind, share: float) -> None:
    name = f"INCOMP::{GLYCOLS[kind]}[{share}]"
    fluid = Fluid(kind, share)
    assert freezing_point(fluid) == pytest.approx(PropsSI("T_freeze", "P", 1e6, "Q", 0, name), abs=1e-6)
    for part in (0.01, 0.3, 0.7, 1.0):
        t = freezing_point(fluid) + part * (373.15 - freezing_point(fluid))
        assert density(fluid, t) == pytest.approx(PropsSI("D", "T", t, "P", 1e6, name), rel=1e-8)
        assert specific_heat(fluid, t) == pytest.approx(PropsSI("C", "T", t, "P", 1e6, name), rel=1e-8)
        assert viscosity(fluid, t) == pytest.approx(PropsSI("V", "T", t, "P", 1e6, name), rel=1e-8)


@pytest.mark.parametrize(("kind", "name"), [("ethylene_glycol", "AEG"), ("propylene_glycol", "APG")])
@pytest.mark.parametrize("volume", [0.2, 0.4, 0.6])
def test_a_share_by_volume_has_the_density_of_volume_tables(kind: str, name: str, volume: float) -> None:
    """Handbook tables by volume, as CoolProp has them; tables scatter by about 0.5 %."""
    share = mass_share(FluidKind(kind), volume)
    if share <= 0.6:
        wanted = PropsSI("D", "T", 303.15, "P", 1e6, f"INCOMP::{name}[{volume}]")
        assert density(Fluid(FluidKind(kind), share), 303.15) == pytest.approx(wanted, rel=0.005)
    assert share > volume


@pytest.mark.parametrize("kind", GLYCOLS)
def test_a_trace_of_glycol_is_nearly_water(kind: FluidKind) -> None:
    thin = Fluid(kind, 1e-6)
    assert density(thin, 313.15) == pytest.approx(density(WATER, 313.15), rel=0.002)
    assert specific_heat(thin, 313.15) == pytest.approx(specific_heat(WATER, 313.15), rel=0.01)
    assert viscosity(thin, 313.15) == pytest.approx(viscosity(WATER, 313.15), rel=0.03)


@given(st.sampled_from(list(GLYCOLS)), st.floats(0.12, 0.55), st.floats(0.001, 1.0))
def test_warmer_is_thinner_and_lighter_and_more_glycol_thicker(
    kind: FluidKind, share: float, part: float
) -> None:
    fluid, more = Fluid(kind, share), Fluid(kind, share + 0.05)
    t = freezing_point(fluid) + part * (370.0 - freezing_point(fluid))
    assert viscosity(fluid, t + 1.0) < viscosity(fluid, t)
    assert density(fluid, t + 1.0) < density(fluid, t)
    assert viscosity(more, t) > viscosity(fluid, t)
    assert specific_heat(more, t) < specific_heat(fluid, t)
    assert freezing_point(more) < freezing_point(fluid)


@given(st.floats(274.0, 372.0), st.floats(0.05, 0.55))
def test_slopes_by_temperature_and_share(t: float, share: float) -> None:
    parts = (Part((0,), Sharing.COMMON, False), Part((1,), Sharing.COMMON, False))
    for fluid in (WATER, Fluid(FluidKind.PROPYLENE_GLYCOL, 0.3)):
        found = liquid(fluid)
        for function in (found.density, found.specific_heat, found.viscosity):
            slopes = make_plan(function, (), None, parts).evaluate((t, share), (1.0, 1.0), (0.0, 0.0))
            by_t = (function(t + 1e-3, share) - function(t - 1e-3, share)) / 2e-3
            by_share = (function(t, share + 1e-5) - function(t, share - 1e-5)) / 2e-5
            assert slopes.sensitivities[0] == pytest.approx(by_t, rel=1e-4, abs=1e-5 * function(t, share))
            assert slopes.sensitivities[1] == pytest.approx(by_share, rel=1e-4, abs=1e-5 * function(t, share))


def test_stated_scatter_of_glycol_tables() -> None:
    """Half a percent, two and five percent as limits of a rectangular distribution."""
    found = liquid(Fluid(FluidKind.ETHYLENE_GLYCOL, 0.3))
    stated = (found.density_u, found.specific_heat_u, found.viscosity_u)
    assert stated == pytest.approx([v / math.sqrt(3.0) for v in (0.005, 0.02, 0.05)])


@pytest.mark.parametrize(
    ("fluid", "temperature", "named"),
    [
        (WATER, 273.0, "temperature"),
        (WATER, 424.0, "temperature"),
        (WATER, math.nan, "temperature"),
        (Fluid(share=0.1), 300.0, "fluid.share"),
        (Fluid(FluidKind.ETHYLENE_GLYCOL), 300.0, "fluid.share"),
        (Fluid(FluidKind.ETHYLENE_GLYCOL, 0.61), 300.0, "fluid.share"),
        (Fluid(FluidKind.ETHYLENE_GLYCOL, math.nan), 300.0, "fluid.share"),
        (Fluid(FluidKind.PROPYLENE_GLYCOL, 0.3, -0.1), 300.0, "fluid.share_u"),
        (Fluid(FluidKind.PROPYLENE_GLYCOL, 0.3), 259.0, "temperature"),
        (Fluid(FluidKind.PROPYLENE_GLYCOL, 0.3), 374.0, "temperature"),
    ],
)
def test_refusals(fluid: Fluid, temperature: float, named: str) -> None:
    for function in (density, specific_heat, viscosity, kinematic_viscosity, check_temperature):
        with pytest.raises(Refused) as caught:
            function(fluid, temperature)
        assert caught.value.input == named


def test_water_holds_no_glycol_and_shares_lie_between_nothing_and_all() -> None:
    for kind, share in ((FluidKind.WATER, 0.2), (FluidKind.ETHYLENE_GLYCOL, 1.01)):
        with pytest.raises(Refused):
            mass_share(kind, share)
    assert mass_share(FluidKind.ETHYLENE_GLYCOL, 1.0) == 1.0
    assert mass_share(FluidKind.ETHYLENE_GLYCOL, 0.0) == 0.0


def test_water_freezes_at_nought() -> None:
    assert freezing_point(WATER) == 273.15
    with pytest.raises(Refused) as caught:
        freezing_point(Fluid(FluidKind.WATER, 0.1))
    assert caught.value.input == "fluid.share"


def test_a_mixture_taken_as_water() -> None:
    fluid = Fluid(FluidKind.ETHYLENE_GLYCOL, 0.4)
    ratio = density(fluid, 283.15) / density(WATER, 283.15)
    assert flow_error_if_taken_as_water(fluid, 283.15) == pytest.approx(math.sqrt(ratio) - 1.0)
    assert 0.02 < flow_error_if_taken_as_water(fluid, 283.15) < 0.03
    heats = specific_heat(WATER, 283.15) / specific_heat(fluid, 283.15)
    assert heat_error_if_taken_as_water(fluid, 283.15) == pytest.approx(heats / ratio - 1.0)
    assert flow_error_if_taken_as_water(WATER, 300.0) == 0.0
    cold = flow_error_if_taken_as_water(fluid, 255.0)
    assert cold == pytest.approx(math.sqrt(density(fluid, 255.0) / density(WATER, 273.15)) - 1.0)


def test_a_temperature_that_nobody_took_is_assumed_and_said() -> None:
    state = resolve_liquid(WATER, None)
    assert state.remarks[0].code is Code.FLUID_TEMPERATURE_ASSUMED
    assert state.temperature - 35.0 >= liquid(WATER).low
    strong = resolve_liquid(Fluid(FluidKind.PROPYLENE_GLYCOL, 0.5), None)
    assert {e.on for e in strong.effects} == {"temperature", "share", "density_factor"}
    assert strong.temperature == 313.15
    scatter = {e.on: e.u for e in strong.effects}
    assert scatter["temperature"] == pytest.approx(35.0 / math.sqrt(3.0))
    assert scatter["share"] == 0.01
    assert scatter["density_factor"] == pytest.approx(0.005 / math.sqrt(3.0))
    known = resolve_liquid(Fluid(FluidKind.PROPYLENE_GLYCOL, 0.5, 0.002), None)
    assert {e.on: e.u for e in known.effects}["share"] == 0.002
    read = resolve_liquid(WATER, Readings((300.0, 301.0), PERFECT))
    assert read.temperature == 300.5
    assert read.remarks == ()
    with pytest.raises(Refused) as caught:
        resolve_liquid(WATER, Readings((20.0,), PERFECT))
    assert caught.value.input == "temperature"
