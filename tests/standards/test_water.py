"""Liquids, balancing valves and pumps against published values."""

import math

import pytest

from measurements.calc.pump_model import (
    PumpPoint,
    at_speed,
    pipe_velocity,
    pump_efficiency,
    total_head,
    water_power,
)
from measurements.calc.units import GRAVITY, from_si, to_si
from measurements.calc.valve import flow_from_drop, liquid_flow
from measurements.calc.water import Fluid, FluidKind, density, specific_heat, viscosity
from tests.standards.records import record

pytestmark = pytest.mark.standards
PSI, FT, GPM = (to_si(1.0, u, k) for u, k in (("psi", "pressure"), ("ft", "length"), ("gpm", "flow")))


def test_kv_and_cv() -> None:
    """The published 0.865 and 1.156 are rounded; the units table has the exact algebra."""
    r = record("wat-kv-cv")
    one = to_si(r.value("Cv"), "Cv", "flow_coefficient")
    kv = from_si(one, "Kv", "flow_coefficient")
    back = from_si(to_si(1.0, "Kv", "flow_coefficient"), "Cv", "flow_coefficient")
    r.check(Kv=kv, Cv_per_Kv=back, rounded=back)


@pytest.mark.parametrize("name", ["wat-cv-1", "wat-cv-3"])
def test_valve_flow_in_gallons(name: str) -> None:
    r = record(name)
    flow = liquid_flow(
        to_si(r.value("Cv"), "Cv", "flow_coefficient"), r.value("dp") * PSI, 1000.0 * r.value("SG")
    )
    r.check(Q=from_si(flow, "gpm", "flow"))


def test_valve_flow_from_kv() -> None:
    r = record("wat-kv-2")
    flow = liquid_flow(
        to_si(r.value("Kv"), "Kv", "flow_coefficient"),
        to_si(r.value("dp"), "kPa", "pressure"),
        1000.0 * r.value("SG"),
    )
    r.check(Q=from_si(flow, "m3/h", "flow"), q=from_si(flow, "L/s", "flow"))


def test_valve_flow_of_a_glycol_mixture() -> None:
    r = record("wat-kv-gly")
    kv, drop = to_si(r.value("Kv"), "Kv", "flow_coefficient"), to_si(r.value("dp"), "kPa", "pressure")
    flow = liquid_flow(kv, drop, r.value("rho"), r.value("rho_ref"))
    r.check(Q=from_si(flow, "m3/h", "flow"))


def test_specific_heat_of_water() -> None:
    r = record("wat-prop-cp")
    r.check(cp=[specific_heat(Fluid(), 273.15 + t) / 1000.0 for t in r.value("t")])


def test_viscosity_of_water() -> None:
    r = record("wat-prop-mu")
    r.check(mu=[1000.0 * viscosity(Fluid(), 273.15 + t) for t in r.value("t")])


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("wat-gly-meg20", FluidKind.ETHYLENE_GLYCOL),
        ("wat-gly-meg40", FluidKind.ETHYLENE_GLYCOL),
        ("wat-gly-mpg20", FluidKind.PROPYLENE_GLYCOL),
        ("wat-gly-mpg40", FluidKind.PROPYLENE_GLYCOL),
    ],
)
def test_glycol_mixtures(name: str, kind: FluidKind) -> None:
    """Other tables differ by about 0.5 % in density, 1 to 2 % in specific heat and 5 % in viscosity."""
    r = record(name)
    fluid = Fluid(kind, r.value("mass_fraction"))
    kelvin = [273.15 + t for t in r.value("t")]
    r.check(
        rho=[density(fluid, t) for t in kelvin],
        cp=[specific_heat(fluid, t) / 1000.0 for t in kelvin],
        mu=[1000.0 * viscosity(fluid, t) for t in kelvin],
    )


def test_feet_of_water_in_a_psi() -> None:
    """The rule of 2.31 ft is right near 60 degF; water of 180 degF stands 3 % higher."""
    r = record("wat-head-231")
    pressure = r.value("dp") * PSI
    warm = [density(Fluid(), to_si(t, "degF", "temperature")) for t in r.value("t")]
    heads = [total_head(pressure, d, 0.0, 0.0, 0.0) / FT for d in warm]
    r.check(head=heads)
    r.near("rule", heads[1], within=0.02)
    assert heads[2] / r.expected["rule"][0] - 1.0 == pytest.approx(0.029, abs=1e-3)


def test_total_head_of_a_pump() -> None:
    """The record's 2.31 ft/psi stands for a density, which is used here."""
    r = record("wat-pump-ip")
    implied = PSI / (r.value("ft_per_psi") * FT * GRAVITY)
    there, here = (
        pipe_velocity(r.value("Q") * GPM, to_si(r.value(d), "in", "length")) for d in ("D_d", "D_s")
    )
    rise = (r.value("p_d") - r.value("p_s")) * PSI
    head = total_head(rise, implied, r.value("z_d_minus_z_s") * FT, there, here)
    r.check(H=head / FT, V_d=there / FT, V_s=here / FT)


def test_powers_of_a_pump() -> None:
    """3960 stands for water of about 998.6 kg/m3; 1000 kg/m3 gives 3954. Some texts print 3956."""
    r = record("wat-pump-pwr")
    horse = to_si(1.0, "hp", "power")
    exact = horse / water_power(GPM, FT, 1000.0)
    implied = 1000.0 * exact / 3960.0
    power = water_power(r.value("Q") * GPM, r.value("H") * FT, implied * r.value("SG"))
    r.check(whp=power / horse, bhp=power / r.value("eff") / horse, constant_exact_1000kgm3=exact)
    assert pump_efficiency(power, r.expected["bhp"][0] * horse) == pytest.approx(r.value("eff"), rel=1e-5)
    assert implied == pytest.approx(998.6, abs=0.1)


def test_powers_of_a_pump_in_si() -> None:
    r = record("wat-pump-pwr-si")
    power = water_power(r.value("Q"), r.value("H"), r.value("rho"))
    r.check(P_hyd=power / 1000.0, eff=pump_efficiency(power, 1000.0 * r.value("P_shaft")))


def test_affinity_laws() -> None:
    r = record("wat-aff-2")
    horse = to_si(1.0, "hp", "power")
    point = PumpPoint(r.value("Q1") * GPM, r.value("H1") * FT, r.value("P1") * horse)
    found = at_speed(point, r.value("speed_ratio"))
    assert found.power is not None
    r.check(Q2=found.flow / GPM, H2=found.head / FT, P2=found.power / horse)


def test_flow_from_the_drop_of_a_coil() -> None:
    r = record("wat-dp-flow")
    design, drop = r.value("Q_design") * GPM, r.value("dp_design")
    r.check(Q=[flow_from_drop(design, drop, d) / GPM for d in r.value("dp")])
    assert math.isclose(flow_from_drop(design, drop, drop), design)
