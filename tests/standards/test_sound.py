"""NC curves and ratings, A-weighting, sums of levels against published values."""

import pytest

from measurements.calc.instrument import CertificatePoint, Instrument
from measurements.calc.places import Readings
from measurements.calc.sound import SoundLevel, sound_level
from measurements.calc.sound_curves import (
    A_WEIGHTS,
    CURVE_BANDS,
    a_weighted,
    a_weighting,
    add_levels,
    background_correction,
    curve_level,
    nc_rating,
)
from tests.standards.records import record

pytestmark = pytest.mark.standards
EXACT = Instrument(certificate=(CertificatePoint(-20.0, -20.0, 0.0), CertificatePoint(140.0, 140.0, 0.0)))


@pytest.mark.parametrize("name", ["nc-15", "nc-30", "nc-35", "nc-50", "nc-60"])
def test_curves(name: str) -> None:
    r = record(name)
    assert [int(b) for b in CURVE_BANDS] == r.value("bands")
    r.check(levels=[curve_level(float(r.value("nc")), band) for band in CURVE_BANDS])


def test_the_curves_between() -> None:
    r = record("nc-table")
    r.check(**{n: [curve_level(float(n[3:]), b) for b in CURVE_BANDS] for n in r.expected})


@pytest.mark.parametrize("name", ["nc-rate-1", "nc-rate-2"])
def test_ratings_of_spectra(name: str) -> None:
    """Interpolated between the curves; some practice rounds up to the next curve of 5 (the class says it)."""
    r = record(name)
    rating, band = nc_rating([float(v) for v in r.value("levels")])
    r.check(nc=rating, band=int(band))
    bands = {
        f"band_{b}": Readings((float(v),) * 2, EXACT)
        for b, v in zip(CURVE_BANDS, r.value("levels"), strict=True)
    }
    found = sound_level(SoundLevel(**bands))  # type: ignore[arg-type]
    r.check(nc=found.main.value, band=int(found.classes["governing_band"]))
    assert float(found.classes["nc_curve"]) - 5.0 < found.main.value <= float(found.classes["nc_curve"])


def test_a_weighting() -> None:
    """The definition at exact base-ten frequencies; the table used for bands is the standard's, rounded."""
    r = record("snd-awt")
    exact = [1000.0 * 10.0 ** (0.3 * n) for n in range(-4, 4)]
    r.check(A=[a_weighting(f) for f in exact])
    r.check(A=[A_WEIGHTS[str(b)] for b in r.value("bands")])


def test_a_weighted_level_of_a_curve() -> None:
    r = record("snd-dba-nc35")
    r.check(LA=a_weighted([float(v) for v in r.value("levels")], r.value("A")))
    bands = {
        f"band_{b}": Readings((float(v),) * 2, EXACT)
        for b, v in zip(CURVE_BANDS, r.value("levels"), strict=True)
    }
    r.check(LA=sound_level(SoundLevel(**bands)).results["a_weighted"].value)  # type: ignore[arg-type]


def test_sums_and_background() -> None:
    r = record("snd-add")
    correction = [background_correction(float(d)) for d in r.value("delta")]
    r.check(sum=add_levels([float(v) for v in r.value("L")]), correction=correction)
