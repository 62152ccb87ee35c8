"""Balancing valves: the flow by hand, its budget, signs, weak drops, thick fluids, tables."""

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from measurements.calc.errors import Refused
from measurements.calc.instrument import Accuracy, CertificatePoint, Instrument
from measurements.calc.method import Code, Estimate
from measurements.calc.places import Readings, take_mean
from measurements.calc.records import from_plain, to_plain
from measurements.calc.simulate import monte_carlo
from measurements.calc.units import to_si
from measurements.calc.valve import (
    ValveFlow,
    coefficient_at,
    flow_from_drop,
    liquid_flow,
    valve_flow,
    valve_model,
)
from measurements.calc.water import Fluid, FluidKind, density, resolve_liquid

GAUGE = Instrument(
    certificate=(
        CertificatePoint(0.0, 0.0, 40.0),
        CertificatePoint(20_000.0, 20_050.0, 80.0),
        CertificatePoint(100_000.0, 100_200.0, 300.0),
    ),
    resolution=10.0,
    drift_of_reading=0.005,
    low=0.0,
    high=120_000.0,
)
THERMOMETER = Instrument(accuracy=Accuracy(absolute=0.5), resolution=0.1)
EXACT = Instrument(certificate=(CertificatePoint(0.0, 0.0, 0.0), CertificatePoint(1e6, 1e6, 0.0)))
KV = to_si(4.0, "Kv", "flow_coefficient")


def pressure(*values: float, instrument: Instrument = GAUGE, zero: float | None = None) -> Readings:
    return Readings(values, instrument, "gauge", zero=zero)


def valve(**changes: object) -> ValveFlow:
    plain = ValveFlow(
        pressure(8_400.0, 8_500.0, 8_450.0),
        Estimate(KV, 0.02 * KV),
        Readings((318.15,), THERMOMETER, "thermometer"),
        setting=3.2,
    )
    return replace(plain, **changes)  # type: ignore[arg-type]


def test_valve_by_hand() -> None:
    result = valve_flow(valve())
    drop = take_mean(pressure(8_400.0, 8_500.0, 8_450.0), "pressure", "x")
    thick = density(Fluid(), 318.15)
    flow = KV * math.sqrt(drop.value * 1000.0 / thick)
    assert result.measurand == "flow"
    assert result.main.value == pytest.approx(flow, rel=1e-12)
    assert result.results["mass_flow"].value == pytest.approx(flow * thick, rel=1e-12)
    assert result.density.value == pytest.approx(thick, rel=1e-12)
    rows = {row.name: row.contribution for row in result.main.budget}
    assert rows["Flow coefficient"] == pytest.approx(0.02 * flow)
    assert rows["pressure drop: repeated readings"] == pytest.approx(
        0.5 * flow / drop.value * (drop.values[2] - drop.values[0]) / math.sqrt(3.0)
    )
    assert rows["Density formula"] == pytest.approx(0.5 * flow * 0.0004)
    assert sum(row.share for row in result.main.budget) == pytest.approx(1.0, abs=1e-9)
    assert math.sqrt(sum(c * c for c in rows.values())) == pytest.approx(result.main.u)
    assert result.verdict_allowed
    assert {r.code for r in result.remarks} == {Code.NO_CERTIFICATE}
    assert [p.label for p in result.parts] == ["1", "2", "3"]
    assert result.parts[0].figures[1].value < result.parts[1].figures[1].value


def test_mass_flow_depends_on_density_by_its_root_only() -> None:
    result = valve_flow(valve())
    for name in ("flow", "mass_flow"):
        row = next(r for r in result.results[name].budget if r.name == "Density formula")
        assert row.contribution == pytest.approx(0.5 * 0.0004 * result.results[name].value)


def test_first_order_agrees_with_simulation() -> None:
    taken = take_mean(pressure(8_400.0, 8_450.0), "pressure", "drop")
    state = resolve_liquid(Fluid(FluidKind.ETHYLENE_GLYCOL, 0.3), Readings((300.0,), THERMOMETER))
    values = {
        "pressure": taken.value,
        "coefficient": KV,
        "viscosity_factor": 1.0,
        "flow_factor": 1.0,
        **state.values,
    }
    effects = [e for e in (*taken.effects, *state.effects) if math.isinf(e.dof)]
    model = valve_model(state.liquid.density, False)
    found = monte_carlo(model, values, effects, output="flow", trials=100_000)
    result = valve_flow(
        valve(
            fluid=Fluid(FluidKind.ETHYLENE_GLYCOL, 0.3),
            temperature=Readings((300.0,), THERMOMETER),
            pressure=pressure(8_425.0, 8_425.0),
            coefficient=Estimate(KV, 0.0),
        )
    )
    assert found.value == pytest.approx(result.main.value, rel=2e-4)
    assert found.u == pytest.approx(result.main.u, rel=0.02)


@given(st.floats(100.0, 90_000.0), st.floats(1.5, 9.0))
def test_flow_goes_with_the_root_of_the_drop_and_with_the_coefficient(drop: float, times: float) -> None:
    once = valve_flow(valve(pressure=pressure(drop, instrument=EXACT)))
    root = valve_flow(valve(pressure=pressure(drop * times, instrument=EXACT)))
    wider = valve_flow(
        valve(pressure=pressure(drop, instrument=EXACT), coefficient=Estimate(times * KV, 0.0))
    )
    assert root.main.value == pytest.approx(once.main.value * math.sqrt(times))
    assert wider.main.value == pytest.approx(once.main.value * times)


@given(st.permutations([8_100.0, 8_300.0, 8_700.0, 8_950.0]))
def test_the_order_of_readings_does_not_matter(values: list[float]) -> None:
    found = valve_flow(valve(pressure=pressure(*values)))
    first = valve_flow(valve(pressure=pressure(*sorted(values))))
    assert found.main.value == pytest.approx(first.main.value, rel=1e-13)
    assert found.main.u == pytest.approx(first.main.u, rel=1e-12)


def test_swapped_ports_give_the_same_flow_and_a_remark() -> None:
    right = valve_flow(valve(pressure=pressure(8_400.0, 8_600.0, zero=20.0)))
    wrong = valve_flow(valve(pressure=pressure(-8_400.0, -8_600.0, zero=-20.0)))
    assert wrong.main.value == right.main.value
    assert right.remark(Code.SWAPPED_HOSES) is None
    remark = wrong.remark(Code.SWAPPED_HOSES)
    assert remark is not None
    assert remark.numbers == {"count": 2, "mean": -8_480.0}


def test_readings_about_zero_have_a_finite_uncertainty() -> None:
    noise = valve_flow(valve(pressure=pressure(-15.0, 20.0, 5.0)))
    assert noise.remark(Code.NEGATIVE_READINGS) is not None
    assert noise.remark(Code.NEAR_RESOLUTION) is not None
    assert noise.main.value >= 0.0
    assert noise.main.u > 0.0
    assert noise.remark(Code.SIGNAL_FLUCTUATES) is not None
    # nothing fluctuates in proportion to a mean of nothing or less
    for readings in (pressure(-20.0, 10.0, -5.0), pressure(-10.0, 10.0, instrument=EXACT)):
        below = valve_flow(valve(pressure=readings))
        assert below.main.value == 0.0
        assert below.remark(Code.NEGATIVE_READINGS) is not None
        assert below.remark(Code.SIGNAL_FLUCTUATES) is None
        assert below.remark(Code.SINGLE_RUN) is None
    nothing = valve_flow(valve(pressure=pressure(0.0)))
    assert nothing.main.value == 0.0
    assert math.isfinite(nothing.main.U)
    assert nothing.main.U > 0.0


def test_weak_and_strong_meet() -> None:
    """Where the drop is just clear of its uncertainty both ways state nearly the same doubt."""
    gauge = Instrument(certificate=(CertificatePoint(0.0, 0.0, 200.0), CertificatePoint(1e5, 1e5, 200.0)))
    weak = valve_flow(valve(pressure=pressure(299.0, instrument=gauge), coefficient=Estimate(KV, 0.0)))
    strong = valve_flow(valve(pressure=pressure(301.0, instrument=gauge), coefficient=Estimate(KV, 0.0)))
    assert {r.input for r in weak.main.budget} >= {"root"}
    assert {r.input for r in strong.main.budget} >= {"pressure"}
    assert weak.main.u == pytest.approx(strong.main.u, rel=0.1)


def test_remarks_of_the_signal() -> None:
    low = valve_flow(valve(pressure=pressure(900.0, 920.0)))
    remark = low.remark(Code.LOW_DROP)
    assert remark is not None
    assert remark.numbers["drop"] == pytest.approx(910.0, abs=5.0)
    assert remark.numbers["least"] == 1000.0
    assert valve_flow(valve(pressure=pressure(3_500.0))).remark(Code.LOW_DROP) is None
    rough = valve_flow(valve(pressure=pressure(7_500.0, 9_500.0)))
    assert rough.remark(Code.SIGNAL_FLUCTUATES) is not None
    assert valve_flow(valve()).remark(Code.SIGNAL_FLUCTUATES) is None
    single = valve_flow(valve(pressure=pressure(8_450.0)))
    assert single.remark(Code.SINGLE_RUN) is not None
    rows = {row.name: row.contribution for row in single.main.budget}
    assert rows["Fluctuation not seen"] == pytest.approx(0.02 * single.main.value)
    assert valve_flow(valve(setting=None)).remark(Code.SETTING_NOT_RECORDED) is not None
    assert valve_flow(valve(temperature=None)).remark(Code.FLUID_TEMPERATURE_ASSUMED) is not None


def test_a_thick_fluid_has_no_verdict_unless_the_maker_s_correction_is_given() -> None:
    cold = valve(
        fluid=Fluid(FluidKind.PROPYLENE_GLYCOL, 0.5), temperature=Readings((268.15,), THERMOMETER, "t")
    )
    result = valve_flow(cold)
    remark = result.remark(Code.VISCOUS_FLUID)
    assert remark is not None
    assert remark.numbers["kinematic_viscosity"] > remark.numbers["limit"]
    assert not result.verdict_allowed
    corrected = valve_flow(replace(cold, viscosity_factor=Estimate(0.9, 0.02)))
    assert corrected.verdict_allowed
    assert corrected.main.value == pytest.approx(0.9 * result.main.value)
    assert corrected.main.u > 0.9 * result.main.u
    warm = valve_flow(replace(cold, temperature=Readings((323.15,), THERMOMETER, "t")))
    assert warm.verdict_allowed
    assert "Glycol share" in {row.name for row in warm.main.budget}


@pytest.mark.parametrize(
    ("changes", "named"),
    [
        ({"coefficient": Estimate(0.0, 0.0)}, "coefficient"),
        ({"coefficient": Estimate(KV, -1.0)}, "coefficient.u"),
        ({"coefficient": Estimate(math.nan, 0.0)}, "coefficient"),
        ({"pressure": pressure()}, "pressure"),
        ({"pressure": pressure(8_000.0, math.inf)}, "pressure[1]"),
        ({"pressure": pressure(500_000.0)}, "pressure[0]"),
        ({"temperature": Readings((45.0,), THERMOMETER)}, "temperature"),
        ({"setting": -1.0}, "setting"),
        ({"viscosity_factor": Estimate(0.0, 0.1)}, "viscosity_factor"),
        ({"single_reading_u": -0.1}, "single_reading_u"),
        ({"fluid": Fluid(FluidKind.WATER, 0.3)}, "fluid.share"),
    ],
)
def test_refusals(changes: dict[str, object], named: str) -> None:
    with pytest.raises(Refused) as caught:
        valve_flow(valve(**changes))
    assert caught.value.input == named


def test_a_maker_s_table() -> None:
    found = coefficient_at((1.0, 2.0, 3.0), (1e-6, 3e-6, 4e-6), 1.5, setting_u=0.1, relative_u=0.03)
    assert found.value == pytest.approx(2e-6)
    assert found.u == pytest.approx(math.hypot(0.06e-6, 0.2e-6))
    assert coefficient_at((1.0, 2.0, 3.0), (1e-6, 3e-6, 4e-6), 3.0).value == 4e-6
    for settings, coefficients, setting, named in (
        ((1.0, 2.0), (1e-6, 2e-6), 2.1, "setting"),
        ((1.0, 1.0), (1e-6, 2e-6), 1.0, "settings"),
        ((1.0,), (1e-6,), 1.0, "settings"),
        ((1.0, 2.0), (0.0, 2e-6), 1.0, "coefficients[0]"),
    ):
        with pytest.raises(Refused) as caught:
            coefficient_at(settings, coefficients, setting)
        assert caught.value.input == named


def test_a_coil_s_drop() -> None:
    assert flow_from_drop(1.0, 4.0, 9.0) == pytest.approx(1.5)
    assert flow_from_drop(1.0, 4.0, 0.0) == 0.0
    assert flow_from_drop(1.0, 4.0, 9.0, 0.57) > 1.5
    for arguments in ((0.0, 4.0, 9.0), (1.0, 0.0, 9.0), (1.0, 4.0, -9.0), (1.0, 4.0, 9.0, 0.4)):
        with pytest.raises(Refused):
            flow_from_drop(*arguments)


def test_glycol_flows_less_for_the_same_drop() -> None:
    assert liquid_flow(KV, 25_000.0, 1038.0) < liquid_flow(KV, 25_000.0, 998.0)


def test_stored_and_read_back_it_is_the_same() -> None:
    inputs = valve(viscosity_factor=Estimate(0.9, 0.02), fluid=Fluid(FluidKind.PROPYLENE_GLYCOL, 0.3))
    again = from_plain(ValveFlow, to_plain(inputs))
    assert again == inputs
    assert valve_flow(again).digest == valve_flow(inputs).digest
