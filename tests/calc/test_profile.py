"""Static pressures along the air path: drops, external static pressure, correlations, remarks, refusals."""

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from measurements.calc import Accuracy, CertificatePoint, Code, Instrument, MethodResult, Refused
from measurements.calc.places import Readings
from measurements.calc.plan import Sharing
from measurements.calc.profile import Component, StaticProfile, difference_model, static_profile
from measurements.calc.simulate import monte_carlo
from measurements.calc.uncertainty import Correlation, Effect

STATIONS = (-55.0, -140.0, -230.0, 165.0, 120.0)
COMPONENTS = (Component.FILTER, Component.COOLING_COIL, Component.FAN, Component.SILENCER)
METER = Instrument(
    certificate=(CertificatePoint(-500.0, -500.0, 2.0), CertificatePoint(500.0, 500.0, 2.0)),
    resolution=0.1,
    drift_absolute=0.0,
)
LINES = tuple((1, n, 1) for n in range(1, 6))


def profile(values: tuple[float, ...] = STATIONS, **changes: object) -> StaticProfile:
    """A small air handler: filter, coil, fan, silencer."""
    plain = StaticProfile(
        Readings(values, METER, "dp-1", zero=0.0),
        COMPONENTS,
        (60.0, 70.0, None, 40.0),
        external_limit=250.0,
        unit_from=1,
        unit_to=4,
        station_u=0.0,
    )
    return replace(plain, **changes)  # type: ignore[arg-type]


def codes(result: MethodResult) -> set[Code]:
    return {r.code for r in result.remarks}


def test_differences_by_hand() -> None:
    found = static_profile(profile())
    assert found.main.value == pytest.approx(165.0 + 55.0)
    assert found.results["fan_rise"].value == pytest.approx(165.0 + 230.0)
    assert found.limits == (None, 250.0)
    drops = {p.label: {f.name: f.value for f in p.figures} for p in found.parts}
    assert {label: f["drop"] for label, f in drops.items()} == pytest.approx(
        {"1-2 filter": 85.0, "2-3 cooling_coil": 90.0, "3-4 fan": -395.0, "4-5 silencer": 45.0}
    )
    assert drops["2-3 cooling_coil"] == {"before": -140.0, "after": -230.0, "drop": 90.0}
    assert [p.word for p in found.parts] == ["near_clean", "near_clean", "fan", "near_clean"]
    assert codes(found) == set()
    unlimited = static_profile(profile(external_limit=None))
    assert (unlimited.limits, unlimited.main.value) == (None, found.main.value)
    whole = static_profile(profile(unit_from=None, unit_to=None))
    assert whole.main.value == pytest.approx(120.0 + 55.0)


def test_a_common_error_cancels_by_how_near_the_readings_are() -> None:
    """u of each station is 1 Pa; r falls by the distance over the certificate's 1000 Pa, 0 across zero."""
    plain = replace(METER, resolution=0.0)
    found = static_profile(profile(pressure=Readings(STATIONS, plain, "dp-1", zero=0.0)))
    for part, r in zip(found.parts, (0.915, 0.91, 0.0, 0.955), strict=True):
        expanded = next(f.U for f in part.figures if f.name == "drop")
        assert expanded == pytest.approx(2.0 * math.sqrt(2.0 * (1.0 - r)), rel=1e-3)
    assert found.main.u == pytest.approx(math.sqrt(2.0))
    unnamed = static_profile(profile(pressure=Readings(STATIONS, plain, zero=0.0)))
    assert unnamed.main.u == pytest.approx(found.main.u)


def _external_u(meter: Instrument) -> float:
    return static_profile(profile(pressure=Readings(STATIONS, meter, "dp-1", zero=0.0))).main.u


def test_errors_on_both_sides_of_zero() -> None:
    """A meter 2 % out is 2 % out in the whole of 220 Pa; one that is off by 2 Pa throughout is not at all;
    with the hoses turned for suction both add, and less so the further apart the readings are.
    """
    root = math.sqrt(3.0)
    assert _external_u(Instrument(accuracy=Accuracy(of_reading=0.02))) == pytest.approx(0.02 * 220.0 / root)
    assert _external_u(Instrument(accuracy=Accuracy(absolute=2.0))) == pytest.approx(0.0, abs=1e-9)
    drifting = replace(METER, resolution=0.0, drift_of_reading=0.02, drift_absolute=0.0)
    assert _external_u(drifting) == pytest.approx(math.hypot(math.sqrt(2.0), 0.02 * 220.0 / root))
    turned = Instrument(accuracy=Accuracy(absolute=2.0), low=0.0, high=500.0)
    r = -(1.0 - 110.0 / 500.0)
    assert _external_u(turned) == pytest.approx(2.0 / root * math.sqrt(2.0 - 2.0 * r))
    mixed = Instrument(accuracy=Accuracy(of_reading=0.01, absolute=1.0))
    limits = (0.01 * 55.0 + 1.0, 0.01 * 165.0 + 1.0)
    r = (1.0 - 1e-4 * 55.0 * 165.0) / (limits[0] * limits[1])
    wanted = math.sqrt(limits[0] ** 2 + limits[1] ** 2 - 2.0 * r * limits[0] * limits[1]) / root
    assert _external_u(mixed) == pytest.approx(wanted)


def test_tip_and_place_of_each_station_is_its_own() -> None:
    plain = replace(
        METER, certificate=(CertificatePoint(-500.0, -500.0, 0.0), CertificatePoint(500, 500, 0.0))
    )
    quiet = profile(pressure=Readings(STATIONS, replace(plain, resolution=0.0), zero=0.0), station_u=3.0)
    found = static_profile(quiet)
    assert found.main.u == pytest.approx(3.0 * math.sqrt(2.0))
    assert {row.name for row in found.main.budget if row.contribution} == {
        "Station 1: tip and place",
        "Station 4: tip and place",
    }


def test_first_order_agrees_with_monte_carlo() -> None:
    effects = [
        Effect("a", "first", 1.0, Sharing.COMMON),
        Effect("b", "second", 1.0, Sharing.COMMON),
        Effect("ra", "first", 3.0, Sharing.COMMON),
        Effect("rb", "second", 3.0, Sharing.COMMON),
    ]
    pair = [Correlation("a", "b", 1.0 - 90.0 / 1000.0)]
    drawn = monte_carlo(
        difference_model,
        {"first": -140.0, "second": -230.0},
        effects,
        output="difference",
        correlations=pair,
        trials=60_000,
    )
    plain = replace(METER, resolution=0.0)
    found = static_profile(profile(pressure=Readings(STATIONS, plain, "dp-1", zero=0.0), station_u=3.0))
    drop = next(f for f in found.parts[1].figures if f.name == "drop")
    expanded = drop.U
    assert expanded == pytest.approx(2.0 * drawn.u, rel=0.02)
    assert drop.value == pytest.approx(drawn.value, abs=0.1)


@given(st.lists(st.floats(-300.0, 300.0), min_size=5, max_size=5), st.floats(-100.0, 100.0))
def test_an_offset_of_the_instrument_changes_no_difference(values: list[float], offset: float) -> None:
    plain = static_profile(profile(tuple(values)))
    moved = static_profile(profile(tuple(v + offset for v in values)))
    assert moved.main.value == pytest.approx(plain.main.value, abs=1e-9)
    drops = [f.value for p in plain.parts for f in p.figures if f.name == "drop"]
    assert math.fsum(drops) == pytest.approx(values[0] - values[-1], abs=1e-9)


@given(st.permutations(range(5)))
def test_the_order_of_readings_does_not_matter(order: list[int]) -> None:
    readings = Readings(
        tuple(STATIONS[i] for i in order), METER, "dp-1", tuple(LINES[i] for i in order), zero=0.0
    )
    found, plain = static_profile(profile(pressure=readings)), static_profile(profile())
    assert found.parts == plain.parts
    assert found.main.u == plain.main.u


def test_budget_shares_add_to_one() -> None:
    places = tuple((run, n, 1) for run in (1, 2) for n in range(1, 6))
    twice = profile(
        pressure=Readings(STATIONS + tuple(v + 1.0 for v in STATIONS), METER, "", places, zero=0.0)
    )
    found = static_profile(replace(twice, station_u=2.0))
    for result in found.results.values():
        assert math.fsum(row.share for row in result.budget) == pytest.approx(1.0, abs=1e-9)
    assert found.main.value == pytest.approx(220.0)
    assert any("repeated readings" in row.name for row in found.main.budget)


def test_a_drop_far_above_clean() -> None:
    dirty = static_profile(profile((-55.0, -180.0, -270.0, 165.0, 120.0)))
    remark = dirty.remark(Code.DROP_ABOVE_CLEAN)
    assert remark is not None
    assert remark.points == ("1-2 filter",)
    assert remark.numbers == pytest.approx(
        {"drop": 125.0, "clean": 60.0, "ratio": 125.0 / 60.0, "limit": 2.0}
    )
    assert dirty.parts[0].word == "above_clean"
    unknown = static_profile(profile((-55.0, -180.0, -270.0, 165.0, 120.0), clean_drops=()))
    assert unknown.remark(Code.DROP_ABOVE_CLEAN) is None
    assert unknown.parts[0].word == "no_clean_figure"


def test_signs() -> None:
    wrong = static_profile(profile((55.0, -140.0, -100.0, -165.0, 120.0)))
    signs = [r for r in wrong.remarks if r.code is Code.SIGN_UNEXPECTED]
    assert [r.points for r in signs] == [("Station 1",), ("Station 4",)]
    assert signs[0].numbers["pressure"] == 55.0
    negative = [r.points for r in wrong.remarks if r.code is Code.DROP_NEGATIVE]
    assert negative == [("2-3 cooling_coil",), ("3-4 fan",), ("4-5 silencer",)]
    assert [p.word for p in wrong.parts] == ["above_clean", "negative", "no_rise", "negative"]
    no_fan = static_profile(
        profile((55.0, 40.0), components=(Component.DUCT,), clean_drops=(), unit_from=1, unit_to=2)
    )
    assert codes(no_fan) == set()


def test_stations_missing() -> None:
    readings = Readings(STATIONS[:1] + STATIONS[2:], METER, "dp-1", LINES[:1] + LINES[2:])
    found = static_profile(profile(pressure=readings))
    remark = found.remark(Code.STATIONS_MISSING)
    assert remark is not None
    assert (remark.numbers, remark.points) == ({"missing": 1, "expected": 5}, ("Station 2",))
    assert [p.label for p in found.parts] == ["3-4 fan", "4-5 silencer"]
    assert Code.ZERO_NOT_CHECKED in codes(found)
    no_rise = Readings(STATIONS[:2] + STATIONS[3:], METER, "dp-1", LINES[:2] + LINES[3:])
    assert "fan_rise" not in static_profile(profile(pressure=no_rise)).results


def test_the_instrument_s_remarks_are_made_once() -> None:
    bare = Instrument(accuracy=Accuracy(of_reading=0.02), resolution=6.0, low=0.0, high=500.0)
    found = static_profile(profile(pressure=Readings(STATIONS, bare, "dp-1")))
    names = [r.code for r in found.remarks]
    assert names.count(Code.NO_CERTIFICATE) == 1
    mirrored = found.remark(Code.CERTIFICATE_MIRRORED)
    assert mirrored is not None
    assert mirrored.numbers == {"count": 3}
    assert mirrored.points == ("Station 1", "Station 2", "Station 3")
    near = found.remark(Code.NEAR_RESOLUTION)
    assert near is not None
    assert near.points == ("Station 1",)


@pytest.mark.parametrize(
    ("changes", "named"),
    [
        ({"components": ()}, "components"),
        ({"components": COMPONENTS[:2], "clean_drops": ()}, "pressure.places"),
        ({"clean_drops": (1.0,)}, "clean_drops"),
        ({"clean_drops": (0.0, None, None, None)}, "clean_drops[0]"),
        ({"unit_from": 7}, "unit_from"),
        ({"unit_to": 0}, "unit_to"),
        ({"unit_from": 4, "unit_to": 2}, "unit_to"),
        ({"external_limit": math.nan}, "external_limit"),
        ({"station_u": -1.0}, "station_u"),
        ({"pressure": Readings((), METER)}, "pressure"),
        ({"pressure": Readings((math.inf, *STATIONS[1:]), METER)}, "pressure[0]"),
        ({"pressure": Readings(STATIONS, METER, places=((1, 1, 1),) * 5)}, "pressure.places"),
        ({"pressure": Readings(STATIONS, METER, places=((1, 1, 1),))}, "pressure.places"),
        ({"pressure": Readings(STATIONS[:4], METER), "unit_to": None}, "unit_to"),
    ],
)
def test_refusals(changes: dict[str, object], named: str) -> None:
    with pytest.raises(Refused) as caught:
        static_profile(profile(**changes))  # type: ignore[arg-type]
    assert caught.value.input == named
