"""Face velocities: effective area, sampling of an uneven face, runs, screening, refusals."""

import math
from collections.abc import Sequence
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from uncertainties import ufloat, wrap  # type: ignore[import-untyped]

from measurements.calc import (
    Code,
    Distribution,
    Effect,
    Estimate,
    MethodResult,
    Refused,
    Sharing,
    Signal,
    from_plain,
    hood_factor,
    to_plain,
)
from measurements.calc.conditions import resolve_air
from measurements.calc.face import AreaSource, FaceVelocity, effective_area_of, face_model, face_velocity
from measurements.calc.places import Readings
from measurements.calc.simulate import monte_carlo
from tests.calc.test_anemometer import BARE, VANE
from tests.calc.worlds import AIR

SPEEDS = (2.1, 2.4, 2.2, 1.9, 2.3, 2.1)
PLACES = tuple((1, line, point) for line in (1, 2, 3) for point in (1, 2))


def face(**changes: object) -> FaceVelocity:
    """Six places of a grille, its effective area from the maker."""
    plain = FaceVelocity(
        Readings(SPEEDS, VANE, "vane 7", PLACES),
        Estimate(0.072, 0.0022),
        AreaSource.MAKER,
        Signal.VELOCITY,
        AIR,
    )
    return replace(plain, **changes)  # type: ignore[arg-type]


def shown(*speeds: float, runs: int = 1) -> dict[str, object]:
    """The same places in every run."""
    places = tuple((run, 1, point) for run in range(1, runs + 1) for point in range(1, len(speeds) + 1))
    return {"velocity": Readings(speeds * runs, BARE, "", places)}


def rows(result: MethodResult, name: str = "flow") -> dict[str, float]:
    return {row.name: row.contribution for row in result.results[name].budget}


def test_flow_is_mean_velocity_times_effective_area() -> None:
    result = face_velocity(face(**shown(2.0, 3.0, 2.5, 2.5)))
    assert result.flow.value == pytest.approx(2.5 * 0.072)
    assert result.standard_flow.value == pytest.approx(2.5 * 0.072 * result.density.value / 1.204)
    assert result.area == 0.072
    assert result.verdict_allowed
    assert [p.share for p in result.points] == pytest.approx([0.8, 1.2, 1.0, 1.0])
    assert result.runs[0].flow == pytest.approx(result.flow.value)


def test_the_budget_by_hand() -> None:
    result = face_velocity(face(**shown(2.0, 3.0, 2.5, 2.5)))
    found = rows(result)
    s = math.sqrt((0.25 + 0.25) / 3.0)
    assert found["Sampling of the face"] == pytest.approx(0.072 * s / 2.0)
    assert found["Effective area"] == pytest.approx(2.5 * 0.0022)
    assert found["Placing of the probe"] == pytest.approx(2.5 * 0.072 * 0.02)
    assert found["Probe factor"] == pytest.approx(2.5 * 0.072 * 0.01)
    specification = 0.072 * (0.03 * 2.5 + 0.05) / math.sqrt(3.0)
    assert found["Velocity: instrument specification"] == pytest.approx(specification)
    assert found["Single run (allowance)"] == pytest.approx(2.5 * 0.072 * face().allowances.single_run)
    assert math.sqrt(sum(c * c for c in found.values())) == pytest.approx(result.flow.u)
    sampling = next(r for r in result.flow.budget if r.name == "Sampling of the face")
    assert sampling.dof == 3.0


def test_scatter_over_the_face_is_sampled_not_repeated() -> None:
    """Readings repeated in more runs make the runs surer, not the places more."""
    once = face_velocity(face(**shown(2.0, 3.0, 2.5, 2.5)))
    thrice = face_velocity(face(**shown(2.0, 3.0, 2.5, 2.5, runs=3)))
    assert rows(thrice)["Sampling of the face"] == pytest.approx(rows(once)["Sampling of the face"])
    assert "Fluctuation between runs" not in rows(thrice)
    assert thrice.remark(Code.SINGLE_RUN) is None
    denser = face_velocity(face(**shown(*((2.0, 3.0, 2.5, 2.5) * 4))))
    assert rows(denser)["Sampling of the face"] < 0.5 * rows(once)["Sampling of the face"]


def test_what_whole_runs_differ_by_is_added() -> None:
    places = tuple((run, 1, point) for run in (1, 2) for point in (1, 2, 3, 4))
    readings = Readings((2.0, 3.0, 2.5, 2.5, 2.2, 3.2, 2.7, 2.7), BARE, "", places)
    result = face_velocity(face(velocity=readings))
    assert rows(result)["Repeatability of runs"] == pytest.approx(0.072 * 0.1)
    assert [r.velocity for r in result.runs] == pytest.approx([2.5, 2.7])
    assert result.remark(Code.RUNS_DISAGREE) is not None


def test_an_allowance_given_stands_in_place_of_the_scatter() -> None:
    inputs = face(**shown(2.0, 3.0, 2.5, 2.5))
    given_ = face_velocity(replace(inputs, allowances=replace(inputs.allowances, integration=0.04)))
    assert rows(given_)["Sampling of the face"] == pytest.approx(2.5 * 0.072 * 0.04)
    places = tuple((run, 1, point) for run in (1, 2) for point in (1, 2))
    readings = Readings((2.0, 3.0, 2.1, 2.9), BARE, "", places)
    twice = replace(inputs, velocity=readings, allowances=replace(inputs.allowances, integration=0.04))
    # residuals of the two-way table are +-0.05, one degree of freedom, over four readings
    assert rows(face_velocity(twice))["Fluctuation between runs"] == pytest.approx(0.072 * 0.1 / 2.0)


def test_a_thermal_instrument_is_converted() -> None:
    result = face_velocity(face(**shown(2.0, 3.0), signal=Signal.STANDARD_VELOCITY, reference_density=1.1984))
    assert result.standard_flow.value == pytest.approx(2.5 * 0.072 * 1.1984 / 1.204)
    assert result.flow.value == pytest.approx(2.5 * 0.072 * 1.1984 / result.density.value)
    assert result.points[0].velocity == pytest.approx(2.0 * 1.1984 / result.density.value)
    assert result.points[0].value == 2.0


def test_the_gross_area_only_screens() -> None:
    maker = face_velocity(face())
    gross = face_velocity(face(area_source=AreaSource.GROSS))
    assert not gross.verdict_allowed
    screening = gross.remark(Code.SCREENING_ONLY)
    assert screening is not None
    assert screening.numbers == {"factor": 1.0}
    assert gross.flow.value == maker.flow.value
    assert rows(gross)["Gross area taken as effective"] == pytest.approx(
        gross.flow.value * 0.3 / math.sqrt(3.0)
    )
    assert gross.flow.relative_U > 0.3
    assert face_velocity(face(area_source=AreaSource.TRAVERSE)).verdict_allowed
    assert maker.remark(Code.SCREENING_ONLY) is None


def test_remarks_of_a_face() -> None:
    few = face_velocity(face(**shown(2.0, 2.1, 2.2))).remark(Code.TOO_FEW_POINTS)
    assert few is not None
    assert few.numbers == {"points": 3, "advised": 4}
    assert face_velocity(face()).remark(Code.TOO_FEW_POINTS) is None
    uneven = face_velocity(face(**shown(1.0, 2.0, 3.0, 2.0))).remark(Code.FACE_UNEVEN)
    assert uneven is not None
    assert uneven.numbers["spread"] == pytest.approx(math.sqrt(2.0 / 3.0) / 2.0)
    assert face_velocity(face()).remark(Code.FACE_UNEVEN) is None
    back = face_velocity(face(**shown(-0.4, 2.0, 3.0, 2.0))).remark(Code.REVERSED_FLOW)
    assert back is not None
    assert back.points == ("1.1",)
    alone = face_velocity(face(**shown(2.0)))
    assert rows(alone)["Sampling of the face"] == pytest.approx(2.0 * 0.072 * 0.25)
    assert alone.remark(Code.TOO_FEW_POINTS) is not None


def test_effective_area_from_a_traverse_gives_the_traverse_back() -> None:
    by_face = face_velocity(face())
    assert by_face.velocity is not None
    mean = Estimate(by_face.velocity.value, by_face.velocity.u, by_face.velocity.dof)
    area = effective_area_of(Estimate(0.151, 0.004, 8.0), mean)
    again = face_velocity(face(effective_area=area, area_source=AreaSource.TRAVERSE))
    assert again.flow.value == pytest.approx(0.151)
    assert again.flow.u > 0.004
    assert area.dof == min(8.0, mean.dof)
    factor = hood_factor(Estimate(0.151, 0.004, 8.0), mean)
    assert (area.value, area.u) == pytest.approx((factor.value, factor.u))


@pytest.mark.parametrize(
    ("traverse", "mean", "named"),
    [
        (Estimate(0.0, 0.1), Estimate(2.0, 0.1), "traverse"),
        (Estimate(0.1, 0.1), Estimate(-2.0, 0.1), "face"),
        (Estimate(0.1, -0.1), Estimate(2.0, 0.1), "traverse.u"),
        (Estimate(0.1, 0.1), Estimate(2.0, math.nan), "face.u"),
    ],
)
def test_effective_area_refusals(traverse: Estimate, mean: Estimate, named: str) -> None:
    with pytest.raises(Refused) as caught:
        effective_area_of(traverse, mean)
    assert caught.value.input == named


@pytest.mark.parametrize(
    ("changes", "named"),
    [
        ({"signal": Signal.PRESSURE}, "signal"),
        (shown(), "velocity"),
        (shown(2.0, math.nan), "velocity[1]"),
        (shown(-2.0, 1.0), "velocity"),
        ({"velocity": Readings((2.0, 2.1), BARE)}, "velocity.places"),
        ({"effective_area": Estimate(0.0, 0.001)}, "effective_area"),
        ({"effective_area": Estimate(math.inf, 0.001)}, "effective_area"),
        ({"effective_area": Estimate(0.07, -0.001)}, "effective_area.u"),
        ({"probe": Estimate(-1.0, 0.01)}, "probe"),
        ({"placing": -0.02}, "placing"),
        ({"standard_density": math.nan}, "standard_density"),
        ({"reference_density": 0.0}, "reference_density"),
        ({"air": replace(AIR, temperature=0.0)}, "air.temperature"),
    ],
)
def test_refusals(changes: dict[str, object], named: str) -> None:
    with pytest.raises(Refused) as caught:
        face_velocity(face(**changes))
    assert caught.value.input == named


speeds = st.lists(st.floats(0.3, 10.0), min_size=1, max_size=10)


@settings(deadline=None, max_examples=25)
@given(speeds, st.floats(0.1, 10.0), st.floats(0.01, 4.0))
def test_flow_scales_with_velocity_and_with_area(values: list[float], factor: float, area: float) -> None:
    one = face_velocity(face(**shown(*values)))
    other = face_velocity(
        face(**shown(*[factor * v for v in values]), effective_area=Estimate(area * 0.072, 0.001))
    )
    assert other.flow.value == pytest.approx(factor * area * one.flow.value, rel=1e-12)


@settings(deadline=None, max_examples=20)
@given(st.permutations(range(6)))
def test_the_order_of_reading_changes_nothing(order: list[int]) -> None:
    mixed = Readings(tuple(SPEEDS[i] for i in order), VANE, "vane 7", tuple(PLACES[i] for i in order))
    one, other = face_velocity(face()), face_velocity(face(velocity=mixed))
    assert other.flow.value == pytest.approx(one.flow.value, rel=1e-13)
    assert other.flow.u == pytest.approx(one.flow.u, rel=1e-12)
    assert [p.label for p in other.points] == [p.label for p in one.points]


@settings(deadline=None, max_examples=25)
@given(speeds, st.sampled_from(list(AreaSource)), st.integers(1, 3))
def test_shares_of_a_budget_add_to_one(values: list[float], source: AreaSource, runs: int) -> None:
    result = face_velocity(face(**shown(*values, runs=runs), area_source=source))
    for figure in result.results.values():
        assert math.fsum(row.share for row in figure.budget) == pytest.approx(1.0, abs=1e-9)


@settings(deadline=None, max_examples=20)
@given(st.lists(st.floats(1.0, 4.0), min_size=3, max_size=8), st.floats(1.5, 4.0))
def test_a_more_uneven_face_is_less_sure(values: list[float], stretch: float) -> None:
    mean = sum(values) / len(values)
    if max(values) - min(values) < 0.05 or mean + stretch * (min(values) - mean) < 0.1:
        return
    wider = [mean + stretch * (v - mean) for v in values]
    one, other = face_velocity(face(**shown(*values))), face_velocity(face(**shown(*wider)))
    assert rows(other)["Sampling of the face"] == pytest.approx(stretch * rows(one)["Sampling of the face"])


def test_first_order_agrees_with_monte_carlo_on_the_whole_model() -> None:
    inputs = face(signal=Signal.STANDARD_VELOCITY)
    result = face_velocity(inputs)
    air = resolve_air(AIR)
    values: dict[str, float | Sequence[float]] = {
        "velocity": tuple(p.value for p in result.points),
        "velocity_weight": (1 / 6,) * 6,
        "sampling": 0.0,
        "probe_factor": 1.0,
        "velocity_factor": 1.0,
        "effective_area": 0.072,
        "area_factor": 1.0,
        "reference_density": 1.204,
        "standard_density": 1.204,
        **air.values,
    }
    effects = []
    for row in result.flow.budget:
        own = row.name == "Velocity: resolution"
        sharing = Sharing.INDEPENDENT if own else Sharing.COMMON
        normal = row.distribution is Distribution.T  # its spread is compared, not its tails
        shape = Distribution.NORMAL if normal else row.distribution
        effects.append(Effect(row.name, row.input, row.u, sharing, row.dof, shape))
    drawn = monte_carlo(
        face_model(air.model.function, inputs.signal), values, effects, output="flow", trials=60_000
    )
    assert drawn.value == pytest.approx(result.flow.value, rel=1e-3)
    assert drawn.u == pytest.approx(result.flow.u, rel=0.02)


def test_the_same_budget_by_an_independent_library() -> None:
    """Each cause as an independent number in `uncertainties`, propagated by its own derivatives."""
    result = face_velocity(face(**shown(2.0, 3.0, 2.5, 2.5), signal=Signal.STANDARD_VELOCITY))
    air = resolve_air(AIR)
    causes = {effect.on: ufloat(air.values[effect.on], effect.u) for effect in air.effects}
    density = causes["density_factor"] * wrap(air.model.function)(
        causes["temperature"], causes["barometer"] + causes["static_pressure"], causes["humidity"]
    )
    specification, own = ufloat(0.0, 1.0), [ufloat(0.0, 0.01 / math.sqrt(12.0)) for _ in range(4)]
    speeds_ = [
        v + (0.03 * v + 0.05) / math.sqrt(3.0) * specification + o
        for v, o in zip((2.0, 3.0, 2.5, 2.5), own, strict=True)
    ]
    sampled = ufloat(0.0, math.sqrt(0.5 / 3.0) / 2.0)
    held = ufloat(1.0, 0.01) * ufloat(1.0, 0.02) * ufloat(1.0, face().allowances.single_run)
    mean = (sum(speeds_) / 4.0 + sampled) * held * 1.204 / density
    flow = mean * ufloat(0.072, 0.0022)
    assert result.flow.value == pytest.approx(flow.n, rel=1e-12)
    assert result.flow.u == pytest.approx(flow.s, rel=1e-6)
    assert result.results["velocity"].u == pytest.approx(mean.s, rel=1e-6)
    assert result.standard_flow.u == pytest.approx((flow * density / 1.204).s, rel=1e-6)


def test_evenly_spread_places_do_no_worse_than_their_scatter_over_the_root_of_n() -> None:
    """Faces that lean, bulge, dip or have a jet: mean over the face by integration, and by 3 x 3 places."""
    faces = [
        lambda x, y: 2.0 + 0.8 * x - 0.5 * y,
        lambda x, y: 3.0 * math.sin(math.pi * x) * math.sin(math.pi * y) + 0.5,
        lambda x, y: 2.5 - 1.5 * math.exp(-8.0 * ((x - 0.4) ** 2 + (y - 0.6) ** 2)),
        lambda x, y: 1.0 + 2.0 * math.exp(-6.0 * ((x - 0.2) ** 2 + (y - 0.1) ** 2)),
        lambda x, y: 2.0 + 0.6 * math.cos(2.0 * math.pi * x) * (1.0 + 0.3 * y),
    ]
    middles, steps = [(i + 0.5) / 3.0 for i in range(3)], [(i + 0.5) / 60.0 for i in range(60)]
    places = tuple((1, i + 1, j + 1) for i in range(3) for j in range(3))
    for velocity in faces:
        true = math.fsum(velocity(x, y) for x in steps for y in steps) / 3600.0
        readings = Readings(tuple(velocity(x, y) for x in middles for y in middles), BARE, "", places)
        result = face_velocity(face(velocity=readings))
        sampling = next(r for r in result.results["velocity"].budget if r.name == "Sampling of the face")
        assert abs(result.results["velocity"].value - true) < 2.0 * sampling.contribution


def test_inputs_are_stored_and_read_back_to_the_same_digits() -> None:
    inputs = face(area_source=AreaSource.TRAVERSE, reference_density=1.2014)
    again = from_plain(FaceVelocity, to_plain(inputs))
    assert again == inputs
    assert face_velocity(again) == face_velocity(inputs)
