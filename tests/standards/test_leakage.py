"""Duct leakage against published values."""

import math

import pytest

from measurements.calc import Air, Estimate, resolve_air
from measurements.calc.distributions import t_quantile
from measurements.calc.leakage import LeakageTest, leakage_test
from measurements.calc.leakage_classes import (
    US_UNIT,
    LeakageScheme,
    allowed_leakage,
    fan_flow_with_allowances,
    fit_power_law,
    leakage_factor,
    leakage_number,
    leakage_share,
    plausible_exponent,
    reference_coefficient,
    scheme_coefficient,
)
from measurements.calc.places import Readings
from measurements.calc.rooms import air_change_rate, flow_per_area
from measurements.calc.units import from_si, to_si
from tests.calc.worlds import PERFECT
from tests.standards.records import Record, record

pytestmark = pytest.mark.standards
ROOM = Air(293.15, 101325.0, humidity=0.5)


@pytest.mark.parametrize("name", ["leak-en-a", "leak-en-b", "leak-en-d"])
def test_limits_of_the_european_classes(name: str) -> None:
    r = record(name)
    found = [allowed_leakage(LeakageScheme.EN, r.value("class"), p) for p in r.value("p")]
    r.check(f_max=[1000.0 * f for f in found])


@pytest.mark.parametrize("name", ["leak-cl-2", "leak-cl-3"])
def test_limits_of_the_us_classes(name: str) -> None:
    r = record(name)
    pressure = to_si(r.value("p"), "inH2O", "pressure")
    allowed = allowed_leakage(LeakageScheme.US, str(r.value("CL")), pressure)
    flow = allowed * to_si(r.value("area"), "ft2", "area")
    r.check(F=from_si(allowed, "cfm/100ft2", "flow_per_area"), Q_allow=from_si(flow, "cfm", "flow"))


def test_us_class_from_a_test() -> None:
    r = record("leak-cl-meas-1")
    pressure, area = to_si(r.value("p"), "inH2O", "pressure"), to_si(r.value("area"), "ft2", "area")
    found = leakage_test(
        LeakageTest(
            Readings((pressure,), PERFECT),
            Readings((to_si(r.value("Q"), "cfm", "flow"),), PERFECT),
            Estimate(area, 0.0),
            pressure,
            ROOM,
            LeakageScheme.US,
            str(r.value("CL_max")),
            reference_density=None,
        )
    )
    assert found.limits is not None
    assert found.limits[1] is not None
    number = leakage_number(found.results["leakage_factor"].value)
    r.check(**{"CL": number, "pass": found.main.value <= found.limits[1]})
    assert found.classes["leakage_class"] == "6"


def test_european_classes_in_us_numbers() -> None:
    r = record("leak-conv")
    numbers = {
        f"CL_{name}": leakage_number(scheme_coefficient(LeakageScheme.EN, name))
        for name in ("A", "B", "C", "D")
    }
    r.check(**numbers, CL1_in_SI=1e6 * US_UNIT)
    assert leakage_factor(allowed_leakage(LeakageScheme.US, "1", 250.0), 250.0) == pytest.approx(US_UNIT)


def _run(r: Record, target: float) -> LeakageTest:
    return LeakageTest(
        Readings(tuple(r.value("p")), PERFECT),
        Readings(tuple(0.001 * q for q in r.value("q")), PERFECT),
        Estimate(1.0, 0.0),
        target,
        ROOM,
        reference_density=None,
    )


def test_power_law_through_exact_data() -> None:
    r = record("leak-fit-exact")
    law = fit_power_law(r.value("p"), r.value("q"))
    r.check(C=law.coefficient, n=law.exponent, r2=law.r2)
    found = leakage_test(_run(r, 100.0)).results
    r.check(C=1000.0 * found["coefficient"].value, n=found["exponent"].value)


def test_power_law_with_its_confidence_limits() -> None:
    """The traced method gives the same standard uncertainties as the textbook's formulas; scipy judged."""
    r = record("leak-fit-1")
    target = r.value("P_eval")
    law = fit_power_law(r.value("p"), r.value("q"))
    r.check(
        C=law.coefficient,
        n=law.exponent,
        r2=law.r2,
        q_eval=law.at(target),
        q_eval_95=law.interval(target, 0.95),
    )
    r.check(C_95=law.interval(1.0, 0.95), se_n=law.line.u_slope, se_lnC=law.line.u_intercept)
    found = leakage_test(_run(r, target)).results
    n, C, flow = found["exponent"], found["coefficient"], found["flow"]
    t = t_quantile(0.975, 5.0)
    r.check(
        n=n.value,
        se_n=n.u,
        n_95=[n.value - t * n.u, n.value + t * n.u],
        C=1000.0 * C.value,
        se_lnC=C.u / C.value,
        q_eval=1000.0 * flow.value,
        q_eval_95=[1000.0 * flow.value * math.exp(s * t * flow.u / flow.value) for s in (-1.0, 1.0)],
    )
    assert flow.dof == pytest.approx(5.0)


def test_plausible_exponents() -> None:
    r = record("leak-nrange")
    r.check(plausible=[plausible_exponent(n) for n in r.value("n")])


def test_coefficient_at_reference_density() -> None:
    """And the method carries its figure over by the same rule, with its own density and exponent."""
    r = record("leak-dens")
    C = reference_coefficient(r.value("C_env"), r.value("n"), r.value("rho_e"), r.value("rho_0"))
    r.check(C_L=C)
    plain = _run(record("leak-fit-1"), 200.0)
    referred = LeakageTest(
        plain.duct_pressure, plain.leak_flow, plain.surface_area, 200.0, ROOM, reference_density=1.1
    )
    before, after = leakage_test(plain), leakage_test(referred)
    wanted = reference_coefficient(
        before.main.value, before.results["exponent"].value, resolve_air(ROOM).density, 1.1
    )
    assert after.main.value == pytest.approx(wanted)


def test_leakage_as_a_share_of_the_fan_s_flow() -> None:
    r = record("leak-pct")
    share = 100.0 * leakage_share(r.value("Q_leak"), r.value("Q_fan"))
    r.check(**{"pct": share, "pass": share <= r.value("limit")})


def test_fan_flow_with_safety_and_leakage() -> None:
    """The source calls 840 four percent of the calculated flow; it is four percent of the adjusted one."""
    r = record("leak-vamanual")
    adjusted, leak, fan = fan_flow_with_allowances(
        r.value("Q_calc"), r.value("safety") / 100.0, r.value("leakage") / 100.0
    )
    r.check(Q_adjusted=adjusted, leak=leak, Q_fan=fan)


def test_envelope_leakage_by_volume_and_by_area() -> None:
    r = record("leak-ach50")
    r.check(
        n50=air_change_rate(r.value("q50"), r.value("V")), qE50=flow_per_area(r.value("q50"), r.value("A_E"))
    )
