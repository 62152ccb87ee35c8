"""Sound: levels and their sums, background, NC ratings by hand, budgets, which band governs."""

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from measurements.calc.errors import Refused
from measurements.calc.instrument import Accuracy, CertificatePoint, Instrument
from measurements.calc.method import Code
from measurements.calc.places import Readings
from measurements.calc.plan import Sharing
from measurements.calc.records import from_plain, to_plain
from measurements.calc.simulate import monte_carlo
from measurements.calc.sound import (
    SoundLevel,
    SoundLimits,
    Source,
    a_weighted_model,
    sound_level,
    source_model,
)
from measurements.calc.sound_curves import (
    A_WEIGHTS,
    CURVE_BANDS,
    CURVES,
    a_weighted,
    a_weighting,
    add_levels,
    background_correction,
    curve_level,
    mean_level,
    nc_rating,
    segment,
    without_background,
)
from measurements.calc.uncertainty import Effect

METER = Instrument(
    certificate=(CertificatePoint(20.0, 20.0, 0.4), CertificatePoint(120.0, 120.0, 0.4)),
    resolution=0.1,
    drift_absolute=0.3,
    low=15.0,
    high=130.0,
)
NC35 = dict(zip(CURVE_BANDS, CURVES[35], strict=True))


def read(*values: float, instrument: Instrument = METER, by: str = "meter") -> Readings:
    return Readings(values, instrument, by)


def room(levels: dict[str, float] | None = None, **changes: object) -> SoundLevel:
    """Twice the same levels in every band (no scatter); by default a room of about NC 34."""
    usual = {"63": 58.0, "125": 50.0, "250": 44.0, "500": 38.0, "1000": 33.0, "2000": 28.0, "4000": 24.0}
    spectrum = {**usual, "8000": 20.0} if levels is None else levels
    bands = {f"band_{n}": read(v, v) for n, v in spectrum.items()}
    return replace(SoundLevel(), **{**bands, **changes})  # type: ignore[arg-type]


def test_rating_by_hand() -> None:
    result = sound_level(room())
    assert result.measurand == "nc_rating"
    assert result.main.value == pytest.approx(30.0 + 5.0 * (44.0 - 41.0) / 4.0)
    assert result.classes == {"governing_band": "250", "nc_curve": "35", "bound": "none"}
    rows = {row.name: row.contribution for row in result.main.budget}
    assert rows["250 Hz: calibration certificate"] == pytest.approx(0.2 * 1.25)
    assert rows["250 Hz: drift since calibration"] == pytest.approx(0.3 / math.sqrt(3.0) * 1.25)
    assert math.sqrt(sum(c * c for c in rows.values())) == pytest.approx(result.main.u)
    assert sum(row.share for row in result.main.budget) == pytest.approx(1.0, abs=1e-9)
    assert sum(row.share for row in result.results["a_weighted"].budget) == pytest.approx(1.0, abs=1e-9)
    assert [p.label for p in result.parts] == list(CURVE_BANDS)
    governing = next(p for p in result.parts if p.word == "governs")
    assert governing.label == "250"
    figures = {f.name: f.value for f in governing.figures}
    assert figures["curve"] == pytest.approx(figures["level"]) == 44.0
    for part in result.parts:
        figures = {f.name: f.value for f in part.figures}
        assert figures["level"] <= figures["curve"] + 1e-9


@pytest.mark.parametrize("number", CURVES)
def test_a_curve_rates_as_itself_in_every_band(number: int) -> None:
    assert nc_rating(CURVES[number])[0] == pytest.approx(float(number))
    for place, band in enumerate(CURVE_BANDS):
        assert curve_level(float(number), band) == CURVES[number][place]
        quiet = [v - 30.0 for v in CURVES[number]]
        quiet[place] = CURVES[number][place]
        rating, governing = nc_rating(quiet)
        assert rating == pytest.approx(float(number))
        assert governing == band or number == 15


@given(st.floats(15.0, 65.0), st.sampled_from(CURVE_BANDS))
def test_levels_and_ratings_undo_each_other(rating: float, band: str) -> None:
    levels = [0.0] * 8
    levels[CURVE_BANDS.index(band)] = curve_level(rating, band)
    assert nc_rating(levels)[0] == pytest.approx(rating)


@given(st.lists(st.floats(15.0, 85.0), min_size=8, max_size=8), st.integers(0, 7), st.floats(0.0, 10.0))
def test_louder_never_rates_lower(levels: list[float], place: int, more: float) -> None:
    louder = [v + more if i == place else v for i, v in enumerate(levels)]
    assert nc_rating(louder)[0] >= nc_rating(levels)[0]


@given(st.lists(st.floats(0.0, 100.0), min_size=1, max_size=8))
def test_sums_of_levels(levels: list[float]) -> None:
    total = add_levels(levels)
    assert total == pytest.approx(10.0 * math.log10(sum(10.0 ** (v / 10.0) for v in levels)), abs=1e-9)
    assert total == pytest.approx(add_levels(levels[::-1]), abs=1e-9)
    assert max(levels) - 1e-9 <= total <= max(levels) + 10.0 * math.log10(len(levels)) + 1e-9
    assert min(levels) - 1e-9 <= mean_level(levels) <= max(levels) + 1e-9
    assert add_levels([v + 7.0 for v in levels]) == pytest.approx(total + 7.0, abs=1e-9)


@given(st.floats(20.0, 90.0), st.floats(0.5, 40.0))
def test_background_taken_off_and_put_back(level: float, above: float) -> None:
    alone = without_background(level, level - above)
    assert add_levels([alone, level - above]) == pytest.approx(level, abs=1e-9)
    assert alone == pytest.approx(level + background_correction(above), abs=1e-9)


def test_tabulated_weights_are_those_of_the_definition() -> None:
    for place, (name, weight) in enumerate(A_WEIGHTS.items()):
        exact = 1000.0 * 10.0 ** (0.3 * (place - 6))
        assert weight == pytest.approx(a_weighting(exact), abs=0.06), name


def test_a_weighted_level_of_a_room() -> None:
    levels = {"31_5": 70.0, **NC35}
    result = sound_level(room(levels))
    expected = 10.0 * math.log10(sum(10.0 ** ((v + A_WEIGHTS[n]) / 10.0) for n, v in levels.items()))
    found = result.results["a_weighted"]
    assert found.value == pytest.approx(expected)
    assert result.results["level_31_5"].value == pytest.approx(70.0)
    assert [p.label for p in result.parts] == list(CURVE_BANDS)
    one = result.results["level_31_5"].u
    assert one / math.sqrt(8.0) < found.u < one


def test_one_meter_errs_alike_in_all_bands() -> None:
    one = sound_level(room(NC35)).results["a_weighted"]
    several = {f"band_{n}": read(v, v, by=n) for n, v in NC35.items()}
    apart = sound_level(replace(SoundLevel(), **several)).results["a_weighted"]  # type: ignore[arg-type]
    assert one.value == apart.value
    assert one.u > 1.3 * apart.u


def test_background_is_subtracted_as_energy() -> None:
    result = sound_level(room(background_250=read(38.0, 38.0)))
    alone = 10.0 * math.log10(10.0**4.4 - 10.0**3.8)
    figures = {f.name: f.value for f in result.parts[2].figures}
    assert figures["level"] == pytest.approx(44.0)
    assert figures["source_level"] == pytest.approx(alone)
    assert result.classes["governing_band"] == "500"
    assert figures["rating"] == pytest.approx(30.0 + 1.25 * (alone - 41.0))
    assert result.results["a_weighted"].value < sound_level(room()).results["a_weighted"].value


def test_one_meter_for_both_is_surer_than_two() -> None:
    spectrum = {**NC35, "250": 48.0}
    same = sound_level(room(spectrum, background_250=read(36.0, 36.0)))
    other = sound_level(room(spectrum, background_250=read(36.0, 36.0, by="another")))
    assert same.main.value == other.main.value
    assert same.main.u < other.main.u


def test_too_near_to_the_background_only_a_bound_is_known() -> None:
    result = sound_level(room(background_250=read(42.5, 42.5), background_63=read(57.0, 57.0)))
    remark = result.remark(Code.BACKGROUND_TOO_HIGH)
    assert remark is not None
    assert remark.points == ("63", "250")
    assert remark.numbers["difference"] == pytest.approx(1.0)
    part = result.parts[2]
    assert part.word == "upper_bound"
    assert {f.name: f.value for f in part.figures}["source_level"] == pytest.approx(44.0 - 3.0206, abs=1e-4)
    assert result.classes["bound"] == "none"
    assert result.verdict_allowed
    governing = sound_level(room({**NC35, "250": 60.0}, background_250=read(59.0, 59.0)))
    assert governing.classes["bound"] == "upper"
    assert not governing.verdict_allowed
    above = sound_level(room(background_250=read(47.0, 47.0)))
    assert above.remark(Code.BACKGROUND_TOO_HIGH) is not None


def test_outside_the_curves_the_rating_is_held() -> None:
    quiet = sound_level(room({n: v - 25.0 for n, v in NC35.items()}))
    assert quiet.main.value == 15.0
    assert quiet.classes["bound"] == "upper"
    assert quiet.remark(Code.OUTSIDE_NOISE_CURVES) is not None
    assert quiet.verdict_allowed
    assert quiet.main.u > 0.0
    loud = sound_level(room({n: v + 40.0 for n, v in NC35.items()}))
    assert loud.main.value == 65.0
    assert loud.classes["bound"] == "lower"
    assert not loud.verdict_allowed
    assert sound_level(room()).remark(Code.OUTSIDE_NOISE_CURVES) is None


def test_missing_bands_carry_no_verdict() -> None:
    result = sound_level(room(band_8000=None, band_4000=None))
    remark = result.remark(Code.BANDS_MISSING)
    assert remark is not None
    assert remark.points == ("4000", "8000")
    assert not result.verdict_allowed
    assert sound_level(room()).verdict_allowed


def test_readings_are_averaged_by_power() -> None:
    result = sound_level(room(band_250=read(40.0, 50.0)))
    figures = {f.name: f.value for f in result.parts[2].figures}
    assert figures["level"] == pytest.approx(10.0 * math.log10(0.5 * (10.0**4 + 10.0**5)))
    assert "250 Hz: repeated readings" in {row.name for row in result.main.budget}
    single = sound_level(room(band_250=read(44.0)))
    remark = single.remark(Code.SINGLE_RUN)
    assert remark is not None
    assert remark.points == ("250",)
    rows = {row.name: row.contribution for row in single.main.budget}
    assert rows["250 Hz: one reading only"] == pytest.approx(1.25)


def test_another_band_within_the_uncertainty_is_named() -> None:
    near = sound_level(room({**NC35, "500": 40.1}))
    remark = near.remark(Code.OTHER_BAND_MAY_GOVERN)
    assert remark is not None
    assert near.classes["governing_band"] == "500"
    assert set(remark.points) == set(CURVE_BANDS) - {"500"}
    assert 0.0 < remark.numbers["difference"] <= remark.numbers["U"]
    alone = sound_level(room({**NC35, "500": 48.0}))
    assert alone.remark(Code.OTHER_BAND_MAY_GOVERN) is None


def _simulated(levels: dict[str, float], u: float) -> tuple[float, float]:
    """Mean and standard deviation of the rating when every band errs on its own."""
    generator = np.random.default_rng(5)
    drawn = np.array(list(levels.values())) + generator.normal(0.0, u, (4_000, 8))
    ratings = np.array([nc_rating([float(v) for v in row])[0] for row in drawn])
    return float(ratings.mean()), float(ratings.std(ddof=1))


def test_first_order_agrees_with_simulation_where_one_band_governs() -> None:
    u = math.sqrt(0.2**2 + 0.3**2 / 3.0 + 0.1**2 / 24.0)
    spectrum = {**NC35, "500": 48.0}
    result = sound_level(room(spectrum))
    mean, spread = _simulated(spectrum, u)
    assert result.main.u == pytest.approx(spread, rel=0.05)
    assert result.main.value == pytest.approx(mean, abs=0.02)


def test_first_order_reads_low_where_many_bands_compete() -> None:
    """All bands at one rating: the highest of eight lies above each; the remark says that it may."""
    result = sound_level(room(NC35))
    mean, _ = _simulated(NC35, result.main.u / 1.2)
    assert mean > result.main.value + 0.5 * result.main.u
    assert result.remark(Code.OTHER_BAND_MAY_GOVERN) is not None


def test_models_agree_with_simulation() -> None:
    effects = [Effect("a", "level", 0.4, Sharing.COMMON), Effect("b", "background", 0.5, Sharing.COMMON)]
    values = {"level": 50.0, "background": 44.0, "start": 48.0, "rating": 35.0, "slope": 1.25}
    drawn = monte_carlo(source_model(Source.CORRECTED), values, effects, trials=50_000)
    gain = 1.0 / (1.0 - 10.0**-0.6)
    expected = 1.25 * math.hypot(0.4 * gain, 0.5 * (gain - 1.0))
    assert drawn.u == pytest.approx(expected, rel=0.03)
    levels = (60.0, 55.0, 50.0)
    weights = (-16.1, -3.2, 0.0)
    model = a_weighted_model((Source.PLAIN,) * 3, weights, 3.0)
    several = {"level": levels, "background": levels}
    each = [Effect("own", "level", (0.5, 0.5, 0.5), Sharing.INDEPENDENT)]
    weighted = monte_carlo(model, several, each, trials=50_000)
    powers = [10.0 ** ((v + w) / 10.0) for v, w in zip(levels, weights, strict=True)]
    assert weighted.value == pytest.approx(a_weighted(levels, weights), abs=0.03)
    assert weighted.u == pytest.approx(0.5 * math.hypot(*powers) / sum(powers), rel=0.03)


@given(st.floats(0.5, 12.0))
def test_all_bands_louder_by_a_curve_step_of_their_own(shift: float) -> None:
    """The A-weighted level moves by exactly what every band moves by; its uncertainty stays."""
    first, second = (sound_level(room({n: v + s for n, v in NC35.items()})) for s in (0.0, shift))
    a, b = first.results["a_weighted"], second.results["a_weighted"]
    assert b.value - a.value == pytest.approx(shift, abs=1e-9)
    assert b.u == pytest.approx(a.u, rel=1e-9)


@pytest.mark.parametrize(
    ("changes", "named"),
    [
        ({"band_500": read()}, "band_500"),
        ({"band_500": read(math.nan)}, "band_500[0]"),
        ({"band_500": read(44.0, 170.0, instrument=Instrument())}, "band_500[1]"),
        ({"band_500": read(-30.0, instrument=Instrument())}, "band_500[0]"),
        ({"band_500": None, "background_500": read(20.0)}, "background_500"),
        ({"background_500": read(math.inf)}, "background_500[0]"),
        ({"limits": SoundLimits(background=-1.0)}, "limits.background"),
        ({"limits": SoundLimits(single_reading_u=math.nan)}, "limits.single_reading_u"),
    ],
)
def test_refusals(changes: dict[str, Any], named: str) -> None:
    with pytest.raises(Refused) as caught:
        sound_level(room(**changes))
    assert caught.value.input == named


def test_low_bands_alone_have_no_rating() -> None:
    with pytest.raises(Refused) as caught:
        sound_level(room({"31_5": 60.0}))
    assert caught.value.input == "band_500"
    for call in (
        lambda: add_levels([]),
        lambda: background_correction(0.0),
        lambda: a_weighting(0.0),
        lambda: curve_level(70.0, "63"),
        lambda: nc_rating([math.nan] * 8),
    ):
        with pytest.raises(Refused):
            call()  # type: ignore[no-untyped-call]
    with pytest.raises(Refused, match="has no NC curve") as caught:
        segment("31_5", 60.0)
    assert (caught.value.input, caught.value.value) == ("band", "31_5")


def test_a_meter_without_certificate_counts_by_its_specification() -> None:
    plain = Instrument(accuracy=Accuracy(absolute=1.4), resolution=0.1)
    result = sound_level(room(band_250=read(44.0, 44.0, instrument=plain)))
    assert result.remark(Code.NO_CERTIFICATE) is not None
    assert result.main.u == pytest.approx(1.25 * 1.4 / math.sqrt(3.0), rel=0.01)


def test_stored_and_read_back_it_is_the_same() -> None:
    inputs = room(background_250=read(30.0))
    again = from_plain(SoundLevel, to_plain(inputs))
    assert again == inputs
    assert sound_level(again).digest == sound_level(inputs).digest


def test_a_single_band_weighs_as_its_tabulated_weight() -> None:
    """IEC 61672-1: 0 dB at 1 kHz, 1.2 dB at 2 kHz, -3.2 dB at 500 Hz."""
    for band, weight in (("1000", 0.0), ("2000", 1.2), ("500", -3.2)):
        found = sound_level(room({band: 40.0}))
        assert found.results["a_weighted"].value == pytest.approx(40.0 + weight)
