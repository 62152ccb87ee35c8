"""Corrections by certificate, and what an instrument's error does to readings."""

import math
from dataclasses import replace

import GTC  # type: ignore[import-untyped]
import pytest
from hypothesis import given
from hypothesis import strategies as st

from measurements.calc import (
    Accuracy,
    CertificatePoint,
    Instrument,
    Refused,
    Sharing,
    correct,
    pitot_traverse,
)
from measurements.calc.instrument import indicated_for
from measurements.calc.places import Readings, same_instrument, take_mean
from tests.calc import worlds
from tests.calc.worlds import MANOMETER


def test_correction_and_its_uncertainty_are_interpolated() -> None:
    found = correct(MANOMETER, [0.1, 25.25, 50.4, 201.0])
    assert found.corrections == pytest.approx((-0.1, -0.25, -0.4, -1.0))
    assert found.effects[0].name == "Calibration certificate"
    assert found.effects[0].u == pytest.approx((0.15, 0.2, 0.25, 0.6))
    assert found.effects[0].sharing is Sharing.COMMON
    assert found.outside_certificate == ()


def test_outside_the_points_the_doubt_grows_then_it_is_refused() -> None:
    near, far = correct(MANOMETER, [210.0]), correct(MANOMETER, [260.0])
    assert near.corrections == far.corrections == (-1.0,)
    assert near.outside_certificate == (0,)
    extra = [e.u[0] for c in (near, far) for e in c.effects if e.name == "Outside the calibrated points"]
    assert 0.0 < extra[0] < extra[1]
    with pytest.raises(Refused, match=r"readings\[1\].*too far outside.*0.1 to 201"):
        correct(MANOMETER, [10.0, 400.0])


def test_specification_counts_without_certificate_or_known_drift() -> None:
    spec = Accuracy(of_reading=0.01, of_span=0.002, absolute=0.05, span=1000.0)
    point = CertificatePoint(100.0, 100.0, 1.0)

    def names(instrument: Instrument) -> list[str]:
        return [e.name for e in correct(instrument, [100.0]).effects]

    assert names(Instrument(accuracy=spec)) == ["Instrument specification"]
    assert names(Instrument((point,), spec)) == ["Calibration certificate", "Instrument specification"]
    assert names(Instrument((point,), spec, drift_absolute=0.1)) == [
        "Calibration certificate",
        "Drift since calibration",
    ]
    u = correct(Instrument(accuracy=spec), [100.0]).effects[0].u[0]
    assert u == pytest.approx((1.0 + 2.0 + 0.05) / math.sqrt(3.0))


def test_resolution_is_each_reading_s_own() -> None:
    effect = correct(Instrument(resolution=0.1), [5.0, 6.0]).effects[0]
    assert effect.sharing is Sharing.INDEPENDENT
    assert effect.u == pytest.approx((0.1 / math.sqrt(12.0),) * 2)


@given(st.floats(0.0, 200.0))
def test_correction_undoes_the_error(true: float) -> None:
    shown = indicated_for(MANOMETER, true)
    assert correct(MANOMETER, [shown]).values[0] == pytest.approx(true, abs=1e-9)


@given(st.lists(st.floats(0.1, 200.0), min_size=1, max_size=10))
def test_readings_do_not_touch_each_other(readings: list[float]) -> None:
    together = correct(MANOMETER, readings)
    alone = [correct(MANOMETER, [r]).values[0] for r in readings]
    assert list(together.values) == alone


@pytest.mark.parametrize(
    ("build", "match"),
    [
        (lambda: Instrument((CertificatePoint(1, 1, -0.1),)), r"certificate\[0\].U"),
        (lambda: Instrument((CertificatePoint(1, 1, 0.1, 0.0),)), r"certificate\[0\].k"),
        (lambda: Instrument((CertificatePoint(1, 1, 0.1), CertificatePoint(2, 1, 0.1))), "same indication"),
        (lambda: Accuracy(of_span=0.01), "span"),
        (lambda: Instrument(resolution=-1.0), "resolution"),
        (lambda: Instrument((CertificatePoint(math.nan, 1, 0.1),)), "finite"),
        (lambda: Accuracy(of_span=0.01, span=0.0), r"accuracy\.span"),
        (lambda: Accuracy(of_span=0.01, span=math.nan), r"accuracy\.span"),
        (lambda: Accuracy(of_reading=-0.01), r"accuracy\.of_reading"),
        (lambda: Instrument(low=math.nan), r"instrument\.low"),
        (lambda: Instrument(high=math.inf), r"instrument\.high"),
        (lambda: Instrument(low=2.0, high=1.0), "above the range"),
        (lambda: Instrument(drift_of_reading=-0.1), "drift_of_reading"),
        (lambda: Instrument(drift_absolute=math.nan), "drift_absolute"),
        (lambda: Instrument(calibration_dof=0.0), "calibration_dof"),
        (lambda: Instrument(calibration_dof=math.nan), "calibration_dof"),
        (lambda: correct(MANOMETER, [1.0, math.nan]), r"readings\[1\]"),
        (lambda: correct(Instrument((CertificatePoint(0.0, 0.0, 0.1),)), [5.0], name="speed"), r"speed\[0\]"),
    ],
)
def test_what_cannot_be_is_refused(build: object, match: str) -> None:
    with pytest.raises(Refused, match=match):
        build()  # type: ignore[operator]


def test_range_is_watched() -> None:
    assert correct(MANOMETER, [-5.0, 20.0]).outside_range == (0,)
    assert correct(MANOMETER, [0.0, 201.0]).outside_range == ()
    assert correct(replace(MANOMETER, high=150.0), [150.0, 150.1]).outside_range == (1,)
    assert correct(replace(MANOMETER, low=None, high=None), [-5.0, 201.0]).outside_range == ()


def _gtc_between(r: float, part: float) -> tuple[float, float]:
    """Value and uncertainty of the line between two correlated corrections, by an independent library."""
    a, b = GTC.ureal(-0.4, 0.25, independent=False), GTC.ureal(-1.0, 0.6, independent=False)
    GTC.set_correlation(r, a, b)
    found = (1.0 - part) * a + part * b
    return found.x, found.u


@pytest.mark.parametrize("part", [0.0, 0.1, 0.5, 0.9, 1.0])
def test_uncertainty_between_points_is_that_of_fully_correlated_ones(part: float) -> None:
    """The interpolated u is exact for r = 1 and an upper bound for every other correlation of the points."""
    found = correct(MANOMETER, [50.4 + part * (201.0 - 50.4)])
    value, most = _gtc_between(1.0, part)
    assert found.corrections[0] == pytest.approx(value, rel=1e-12)
    assert found.effects[0].u[0] == pytest.approx(most, rel=1e-9)
    for r in (0.9, 0.5, 0.0, -0.5):
        assert _gtc_between(r, part)[1] <= most + 1e-12
    if part == 0.5:
        assert _gtc_between(0.0, part)[1] == pytest.approx(0.5 * math.hypot(0.25, 0.6))


def test_what_is_common_stays_common_and_resolution_averages_down() -> None:
    """JCGM 100 F.2.4: a calibrated instrument's error is one for all its readings; the display's is not."""
    one, many = (take_mean(Readings((50.4,) * n, MANOMETER), "p", "p") for n in (1, 100))
    u = {
        t: {e.name: e.u if isinstance(e.u, float) else math.nan for e in taken.effects}
        for t, taken in (("one", one), ("many", many))
    }
    for cause in ("p: calibration certificate", "p: drift since calibration"):
        assert u["many"][cause] == pytest.approx(u["one"][cause])
    assert u["many"]["p: resolution"] == pytest.approx(u["one"]["p: resolution"] / 10.0)
    assert u["one"]["p: calibration certificate"] == 0.25
    assert u["one"]["p: drift since calibration"] == pytest.approx((0.005 * 50.4 + 0.2) / math.sqrt(3.0))
    assert u["one"]["p: resolution"] == pytest.approx(0.1 / math.sqrt(12.0))


def test_readings_of_one_instrument_are_tied_and_others_are_not() -> None:
    a = take_mean(Readings((60.0,), MANOMETER, "m1"), "a", "a")
    b = take_mean(Readings((60.0,), MANOMETER, "m1"), "b", "b")
    far = take_mean(Readings((110.0,), MANOMETER, "m1"), "c", "c")
    other = take_mean(Readings((60.0,), MANOMETER, "m2"), "d", "d")
    tied = {(c.first, c.second): c.r for c in same_instrument(a, b)}
    assert tied == {
        ("a: calibration certificate", "b: calibration certificate"): 1.0,
        ("a: drift since calibration", "b: drift since calibration"): 1.0,
    }
    wanted = 1.0 - (far.value - a.value) / 500.0
    assert [c.r for c in same_instrument(a, far)] == pytest.approx([wanted, wanted])
    assert same_instrument(a, other) == []


def test_a_common_error_moves_a_whole_traverse_and_more_points_do_not_help() -> None:
    def rows(holes: int) -> dict[str, float]:
        even = tuple(replace(r, value=60.0) for r in worlds.readings(holes, holes))
        found = pitot_traverse(worlds.pitot(readings=even, holes=holes, rows=holes))
        return {row.name: row.contribution for row in found.flow.budget}

    few, many = rows(5), rows(7)
    assert many["Calibration certificate"] == pytest.approx(few["Calibration certificate"])
    assert many["Drift since calibration"] == pytest.approx(few["Drift since calibration"])
    assert many["Resolution"] == pytest.approx(few["Resolution"] * 5.0 / 7.0)


def test_zero_shift_is_taken_off_and_common() -> None:
    """Mean of the two checks off every reading; their difference as full width of a rectangle."""
    plain = pitot_traverse(worlds.pitot(zero_before=0.0, zero_after=0.0))
    shifted = pitot_traverse(worlds.pitot(zero_before=0.4, zero_after=1.0))
    row = next(r for r in shifted.flow.budget if r.name == "Zero shift")
    assert row.u == pytest.approx(0.6 / math.sqrt(12.0))
    assert row.members == 25
    assert shifted.flow.value < plain.flow.value
    assert not [r for r in plain.flow.budget if r.name == "Zero shift"]
    taken = take_mean(Readings((60.5, 60.7), MANOMETER, zero=0.2), "p", "p")
    assert taken.value == pytest.approx(take_mean(Readings((60.3, 60.5), MANOMETER), "p", "p").value)


@given(st.floats(0.2, 200.0), st.floats(1e-3, 1e3))
def test_another_unit_changes_nothing(reading: float, scale: float) -> None:
    other = replace(
        MANOMETER,
        certificate=tuple(
            CertificatePoint(p.reference * scale, p.indicated * scale, p.U * scale, p.k)
            for p in MANOMETER.certificate
        ),
        resolution=MANOMETER.resolution * scale,
        drift_absolute=0.2 * scale,
        low=None,
        high=None,
    )
    a, b = correct(MANOMETER, [reading]), correct(other, [reading * scale])
    assert b.values[0] == pytest.approx(a.values[0] * scale, rel=1e-9)
    assert b.u[0] == pytest.approx(a.u[0] * scale, rel=1e-9)


@given(st.permutations(MANOMETER.certificate), st.floats(0.0, 201.0))
def test_order_of_the_points_does_not_matter(points: list[CertificatePoint], reading: float) -> None:
    assert correct(replace(MANOMETER, certificate=tuple(points)), [reading]) == correct(MANOMETER, [reading])


def test_the_coverage_factor_of_the_certificate_is_used() -> None:
    wide = Instrument((CertificatePoint(10.0, 10.0, 0.3, 3.0), CertificatePoint(20.0, 20.0, 0.2)))
    assert correct(wide, [10.0, 15.0, 20.0]).effects[0].u == pytest.approx((0.1, 0.1, 0.1))


def test_how_far_outside_the_points() -> None:
    """Half of the span is the last that is corrected; a thousandth still counts as inside."""
    two = Instrument((CertificatePoint(0.0, 0.0, 0.2), CertificatePoint(10.0, 11.0, 0.4)))
    assert correct(two, [11.0 * 1.001]).outside_certificate == ()
    just = correct(two, [11.0 * 1.0011])
    assert just.outside_certificate == (0,)
    assert just.corrections == (-1.0,)
    half = correct(two, [16.5])
    extra = next(e for e in half.effects if e.name == "Outside the calibrated points")
    assert extra.u[0] == pytest.approx(0.5 * (1.0 + 1.0 + 0.4) / math.sqrt(3.0))
    assert extra.sharing is Sharing.COMMON
    below = correct(two, [-5.5])
    assert below.corrections == (0.0,)
    assert below.effects[1].u[0] == pytest.approx(0.5 * (1.0 + 1.0 + 0.2) / math.sqrt(3.0))
    for far in (16.51, -5.51):
        with pytest.raises(Refused, match="too far outside"):
            correct(two, [far])


def test_one_point_certificate_reaches_half_its_value() -> None:
    one = Instrument((CertificatePoint(98.0, 100.0, 1.0),))
    assert correct(one, [100.0]).outside_certificate == ()
    assert correct(one, [150.0]).values == (148.0,)
    with pytest.raises(Refused, match="too far outside"):
        correct(one, [151.0])


def test_specification_at_negative_readings_is_of_the_magnitude() -> None:
    spec = Accuracy(of_reading=0.01, of_span=0.001, span=-100.0)
    assert spec.limit(-50.0) == pytest.approx(0.6)
    drifting = replace(MANOMETER, certificate=MANOMETER.certificate[:1], drift_of_reading=0.01)
    found = correct(drifting, [0.1])
    assert [e.name for e in found.effects][1] == "Drift since calibration"


def test_u_of_one_reading_is_all_its_causes_together() -> None:
    found = correct(MANOMETER, [50.4])
    drift = (0.005 * 50.4 + 0.2) / math.sqrt(3.0)
    assert found.u == pytest.approx((math.sqrt(0.25**2 + drift**2 + 0.1**2 / 12.0),))
    assert sum(e.u[0] ** 2 for e in found.effects) == pytest.approx(found.u[0] ** 2)


def test_without_a_certificate_nothing_is_outside_it() -> None:
    bare = correct(Instrument(resolution=0.1), [-5.0, 1e6])
    assert bare.corrections == (0.0, 0.0)
    assert bare.outside_certificate == ()
    assert [e.name for e in bare.effects] == ["Resolution"]
    assert Accuracy(of_reading=0.01, absolute=0.5).limit(10.0) == pytest.approx(0.6)
