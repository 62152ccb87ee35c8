"""Corrections by certificate, and what an instrument's error does to readings."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from measurements.calc import Accuracy, CertificatePoint, Instrument, Refused, Sharing, correct
from measurements.calc.instrument import indicated_for
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
    ],
)
def test_what_cannot_be_is_refused(build: object, match: str) -> None:
    with pytest.raises(Refused, match=match):
        build()  # type: ignore[operator]


def test_range_is_watched() -> None:
    assert correct(MANOMETER, [-5.0, 20.0]).outside_range == (0,)
