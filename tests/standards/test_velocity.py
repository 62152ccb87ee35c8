"""Velocity from pressure, areas and standard flow against published values."""

import math

import pytest

from measurements.calc import (
    Air,
    Code,
    Instrument,
    PitotTraverse,
    PointReading,
    air,
    pitot_traverse,
    resolve_air,
)
from measurements.calc.duct import Duct, Shape
from measurements.calc.models import pitot_model
from measurements.calc.uncertainty import Quantity, evaluate
from measurements.calc.units import INCH_OF_WATER, from_si, to_si
from tests.standards.records import record

pytestmark = pytest.mark.standards
POUND_FOOT = 0.45359237 / 0.3048**3
TRADE_INCH = 1096.7**2 * POUND_FOOT * 0.00508**2 / 2.0
"""Pa per inch of water that the trade's constant 1096.7 implies."""


@pytest.mark.parametrize("name", ["pit-si-1", "pit-si-3", "pit-si-5"])
def test_velocity_from_pressure(name: str) -> None:
    r = record(name)
    r.check(V=air.pitot_velocity(r.value("dp"), r.value("rho"), r.value("C")))


def _feet_per_minute(inches: float, pounds: float, pascal: float = TRADE_INCH) -> float:
    return from_si(air.pitot_velocity(inches * pascal, pounds * POUND_FOOT), "ft/min", "velocity")


@pytest.mark.parametrize("name", ["pit-4005-1", "pit-4005-3", "pit-4005-5", "pit-4005-6"])
def test_the_4005_rule_with_the_inch_that_it_implies(name: str) -> None:
    r = record(name)
    inch = 4005.0**2 * 0.075 * POUND_FOOT * 0.00508**2 / 2.0
    r.check(V=_feet_per_minute(r.value("vp"), 0.075, inch))


@pytest.mark.parametrize("name", ["pit-1096-2", "pit-1096-4"])
def test_the_1096_rule_with_the_inch_that_it_implies(name: str) -> None:
    r = record(name)
    r.check(V=_feet_per_minute(r.value("vp"), r.value("rho")))


def test_constants_under_each_inch_of_water() -> None:
    found = {
        "conventional_249.08891": _feet_per_minute(1.0, 1.0, INCH_OF_WATER),
        "39.2F_249.082": _feet_per_minute(1.0, 1.0, to_si(1.0, "inH2O_39F", "pressure")),
        "60F_248.84": _feet_per_minute(1.0, 1.0, to_si(1.0, "inH2O_60F", "pressure")),
        "68F_water": _feet_per_minute(1.0, 1.0, to_si(1.0, "inH2O_20C", "pressure")),
    }
    record("pit-1096-const").check(**found)
    exact = _feet_per_minute(1.0, 0.075, INCH_OF_WATER)
    record("pit-4005-const").check(
        **{"from_1096.7": _feet_per_minute(1.0, 0.075), "exact_conventional": exact}
    )


def test_the_same_reading_through_si() -> None:
    r = record("pit-si-ip-eq")
    pressure = to_si(r.value("vp"), "[in_i'H2O]", "pressure")
    velocity = air.pitot_velocity(pressure, to_si(r.value("rho"), "lb/ft3", "density"))
    r.check(dp=pressure, V=velocity, V_ip=from_si(velocity, "ft/min", "velocity"))


@pytest.mark.parametrize("name", ["pit-comp-1", "pit-comp-3"])
def test_compressibility(name: str) -> None:
    r = record(name)
    plain = air.pitot_velocity(r.value("dp"), r.value("rho"))
    factor = air.compressibility(r.value("dp"), r.value("p_static_abs"))
    r.check(V_incompressible=plain, V_isentropic=plain * factor, factor_exact=factor)
    assert 1.0 - factor == pytest.approx(r.value("dp") / (4 * 1.4 * r.value("p_static_abs")), rel=0.02)


@pytest.mark.parametrize("name", ["pit-bias-1", "pit-bias-2", "pit-bias-3"])
def test_root_of_the_mean_reads_high(name: str) -> None:
    r = record(name)
    state = Air(293.15, 101325.0, humidity=0.5)
    pascal = resolve_air(state).density / 2.0 * (4005.0 * 0.00508) ** 2
    readings = tuple(PointReading(1, i, v * pascal) for i, v in enumerate(r.value("vp"), 1))
    found = pitot_traverse(PitotTraverse(Duct(Shape.ROUND, 0.3), readings, Instrument(), state))
    remark = found.remark(Code.ROOT_OF_MEAN_BIAS)
    assert found.velocity is not None
    assert remark is not None
    velocity, bias = from_si(found.velocity.value, "ft/min", "velocity"), remark.numbers["bias"]
    r.check(V_correct=velocity, bias=bias, V_root_of_mean=velocity * (1.0 + bias))


@pytest.mark.parametrize("name", ["pit-relu-1", "pit-relu-3"])
def test_relative_uncertainty_of_velocity(name: str) -> None:
    r = record(name)
    found = evaluate(
        air.pitot_velocity,
        [
            Quantity("velocity_pressure", 100.0, 100.0 * r.value("u_dp_rel")),
            Quantity("air_density", 1.2, 1.2 * r.value("u_rho_rel")),
            Quantity("factor", 1.0, r.value("u_C_rel")),
        ],
    )
    r.check(u_V_rel=found.u / found.value)


def test_sensitivities_of_velocity() -> None:
    r = record("pit-sens")
    inputs = [Quantity("velocity_pressure", 100.0, 1.0), Quantity("air_density", 1.2, 0.01)]
    found = evaluate(air.pitot_velocity, [*inputs, Quantity("factor", 1.0)])
    r.check(dV_ddp=found.budget[0].sensitivity, dV_drho=found.budget[1].sensitivity)


def test_areas_and_flows() -> None:
    r = record("area-8in")
    area = Duct(Shape.ROUND, 8 * 0.0254).area
    flow = area * to_si(r.value("V"), "ft/min", "velocity")
    r.check(A=from_si(area, "ft2", "area"), Q=from_si(flow, "cfm", "flow"))
    r = record("area-rect-1")
    area = Duct(Shape.RECTANGULAR, 24 * 0.0254, 12 * 0.0254).area
    flow = area * to_si(r.value("V"), "ft/min", "velocity")
    r.check(A=from_si(area, "ft2", "area"), Q=from_si(flow, "cfm", "flow"), Q_si=flow)
    r = record("area-oval")
    r.check(A=from_si(Duct(Shape.FLAT_OVAL, 30 * 0.0254, 12 * 0.0254).area, "ft2", "area"))
    r = record("area-rnd-si")
    area = Duct(Shape.ROUND, r.value("D")).area
    flow = area * r.value("V")
    r.check(A=area, Q=flow, Q_ls=from_si(flow, "L/s", "flow"))


def test_metric_velocity_constant_of_us_epa_method_2() -> None:
    r = record("pit-epa-kp")
    millimetre, mercury = to_si(1.0, "mmH2O", "pressure"), to_si(1.0, "mmHg", "pressure")
    density = mercury * 0.001 / 8.314462618  # 1 g/mol at 1 K and 1 mmHg
    r.check(Kp=air.pitot_velocity(millimetre, density))


def test_flow_at_standard_density() -> None:
    r = record("pit-scfm-1")
    flow = to_si(r.value("Q_actual"), "cfm", "flow")
    density, standard = (to_si(r.value(n), "lb/ft3", "density") for n in ("rho", "rho_std"))
    standard_flow = air.to_standard_flow(flow, density, standard)
    pounds = from_si(flow * density, "lb/min", "mass_flow")
    r.check(Q_std=from_si(standard_flow, "cfm", "flow"), mass=pounds)


def test_velocity_shown_for_standard_density() -> None:
    r = record("pit-temp-corr")
    pressure = 0.5 * air.STANDARD_AIR_IP * to_si(r.value("V_indicated"), "ft/min", "velocity") ** 2
    true = air.pitot_velocity(pressure, to_si(r.value("rho"), "lb/ft3", "density"))
    r.check(V_true=from_si(true, "ft/min", "velocity"))


def test_the_traverse_model_is_the_same_formula() -> None:
    model = pitot_model(Shape.ROUND, air.cipm_density)
    found = model((100.0,), (1.0,), (), (), 0.98, 1.0, (0.3,), 293.15, 101325.0, 0.0, 0.5, 1.0, 1.2)
    density = air.density(293.15, 101325.0, 0.5)
    assert found.velocity == pytest.approx(air.pitot_velocity(100.0, density, 0.98), rel=1e-14)
    assert found.flow == pytest.approx(found.velocity * math.pi * 0.0225, rel=1e-14)
    assert found.standard_flow == pytest.approx(found.flow * density / 1.2, rel=1e-14)
