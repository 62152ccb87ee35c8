"""What dominates and what would help: each figure promised is what the method gives for changed inputs."""

import math
import random
import statistics
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple

import pytest
from hypothesis import given
from hypothesis import strategies as st

from measurements.calc import (
    Accuracy,
    Air,
    Allowances,
    CertificatePoint,
    Estimate,
    Instrument,
    MethodResult,
    Refused,
    Rule,
    centreline_reading,
    hood_reading,
    make_layout,
    pitot_traverse,
    swept_traverse,
)
from measurements.calc.advice import (
    BETTER,
    WORTH,
    Advice,
    Change,
    advise,
    better_instrument,
    candidates,
    stretched,
)
from measurements.calc.method import solve
from measurements.calc.mixing import mixed_air
from measurements.calc.places import Readings, same_instrument, take_mean
from measurements.calc.station import flow_station
from measurements.calc.traverse import PitotTraverse, PointReading
from measurements.calc.valve import valve_flow
from tests.calc import worlds
from tests.calc.test_mixing import grid
from tests.calc.test_station import orifice, ring
from tests.calc.test_valve import valve

Method = Callable[[Any], MethodResult]
SINGLE_POINT = Instrument(
    (CertificatePoint(0.0, 0.0, 1.0), CertificatePoint(200.0, 200.0, 1.0)), resolution=0.1
)
COARSE = Instrument(accuracy=Accuracy(of_reading=0.2), resolution=0.1)
CASES: dict[str, tuple[Method, Any]] = {
    "pitot": (pitot_traverse, worlds.pitot()),
    "pitot, coarse instrument": (pitot_traverse, worlds.pitot(instrument=COARSE)),
    "pitot, two runs": (pitot_traverse, worlds.pitot(readings=worlds.readings(runs=2))),
    "pitot, no layout": (pitot_traverse, worlds.pitot(rule=None)),
    "pitot, equal areas": (pitot_traverse, worlds.pitot(rule=Rule.EQUAL_AREA)),
    "pitot, bare plane": (pitot_traverse, worlds.pitot(upstream=0.2, downstream=0.1)),
    "pitot, places left out": (pitot_traverse, worlds.pitot(readings=worlds.readings()[:-4])),
    "pitot, by altitude": (pitot_traverse, worlds.pitot(air=Air(294.15, None, 1600.0))),
    "round": (
        pitot_traverse,
        worlds.pitot(
            duct=worlds.ROUND, readings=worlds.readings(2, 6), rule=Rule.LOG_LINEAR, holes=2, rows=6
        ),
    ),
    "swept": (swept_traverse, worlds.swept()),
    "centreline": (centreline_reading, worlds.centreline(upstream=9.0, downstream=9.0)),
    "hood": (hood_reading, worlds.hood()),
    "valve": (valve_flow, valve()),
    "ring": (flow_station, ring()),
    "orifice": (flow_station, orifice()),
    "mixed air": (mixed_air, grid()),
    "hood, factor assumed": (hood_reading, worlds.hood(factor=None)),
}


def asked(name: str) -> tuple[Method, Any, MethodResult, Advice]:
    method, inputs = CASES[name]
    found = method(inputs)
    return method, inputs, found, advise(method, inputs, found)


@pytest.mark.parametrize("name", CASES)
def test_every_option_is_what_the_method_gives(name: str) -> None:
    method, inputs, found, advice = asked(name)
    changed = {(c, place): new for c, place, new in candidates(inputs, found)}
    assert advice.options
    for option in advice.options:
        again = method(changed[option.change, option.place]).main
        assert option.U == again.U < found.main.U
        assert option.value == again.value
        assert option.gain == pytest.approx(1.0 - option.U / found.main.U, rel=1e-9)
    assert [o.U for o in advice.options] == sorted(o.U for o in advice.options)
    assert (advice.best is not None) == (advice.options[0].gain >= WORTH)
    assert advice.best in (None, advice.options[0])


@pytest.mark.parametrize("name", CASES)
def test_what_dominates_is_the_largest_row(name: str) -> None:
    _, _, found, advice = asked(name)
    top = max(found.main.budget, key=lambda row: row.share)
    assert (advice.effect, advice.input, advice.share) == (top.name, top.input, top.share)
    assert (advice.U, advice.unit) == (found.main.U, found.main.unit)
    name = top.name[0].upper() + top.name[1:]
    part = f"{100 * top.share:.0f} %" if top.share <= 1.0 else "more than all"
    assert advice.sentence.startswith(f"{name} gives {part} of the variance; ")
    assert "e+" not in advice.sentence
    assert "e-" not in advice.sentence
    assert advice.sentence.endswith(".")
    assert "{" not in advice.sentence


@pytest.mark.parametrize(
    ("name", "change"),
    [
        ("pitot, coarse instrument", Change.INSTRUMENT),
        ("pitot, no layout", Change.POINTS),
        ("pitot, places left out", Change.MISSING),
        ("hood, factor assumed", Change.INSTRUMENT),
    ],
)
def test_the_cause_is_named_as_the_cure(name: str, change: Change) -> None:
    best = asked(name)[3].best
    assert best is not None
    assert best.change is change


@pytest.mark.parametrize(
    ("name", "change"),
    [
        ("pitot, by altitude", Change.BAROMETER),
        ("pitot, by altitude", Change.HUMIDITY),
        ("pitot, bare plane", Change.PLANE),
        ("hood, factor assumed", Change.HOOD_FACTOR),
        ("hood", Change.REPEATS),
        ("hood", Change.FIGURE),
        ("pitot", Change.RUNS),
        ("pitot", Change.TAPE),
        ("pitot", Change.PROBE),
        ("pitot", Change.THERMOMETER),
        ("swept", Change.POINTS),
        ("round", Change.POINTS),
        ("valve", Change.FIGURE),
        ("mixed air", Change.REPEATS),
    ],
)
def test_each_change_helps_where_it_must(name: str, change: Change) -> None:
    assert change in {o.change for o in asked(name)[3].options}


def test_nothing_is_offered_that_is_done_already() -> None:
    offered = {c for c, _, _ in candidates(worlds.pitot(upstream=9.0, downstream=9.0), asked("pitot")[2])}
    assert not offered & {Change.PLANE, Change.BAROMETER, Change.HUMIDITY, Change.MISSING, Change.HOOD_FACTOR}
    fixed = worlds.pitot(allowances=Allowances(integration=0.02))
    assert Change.POINTS not in {c for c, _, _ in candidates(fixed, pitot_traverse(fixed))}
    assert Change.HOOD_FACTOR not in {c for c, _, _ in candidates(worlds.hood(), asked("hood")[2])}
    certain = worlds.pitot(air=replace(worlds.AIR, temperature_u=0.0))
    assert Change.THERMOMETER not in {c for c, _, _ in candidates(certain, pitot_traverse(certain))}


def test_a_layout_that_its_rule_cannot_make_finer_stays() -> None:
    """Three diameters are the most there are; 8 rings have points of equal weight and 9 have none."""
    full = worlds.pitot(
        duct=worlds.ROUND, readings=worlds.readings(3, 16), rule=Rule.LOG_TCHEBYCHEFF, holes=3, rows=16
    )
    offered = {c for c, _, _ in candidates(full, pitot_traverse(full))}
    assert Change.RUNS in offered
    assert Change.POINTS not in offered


def test_the_sentence_is_plain() -> None:
    advice = asked("pitot, coarse instrument")[3]
    assert advice.best is not None
    shown = f"{advice.U:.2f} to {advice.best.U:.2f} m3/s"
    assert advice.sentence == (
        f"Instrument specification gives {100 * advice.share:.0f} % of the variance; "
        f"an instrument three times better would bring U from {shown}."
    )
    none = asked("centreline")[3]
    assert none.best is None
    assert none.sentence.endswith("; no single change tried would lower U by 5 % or more.")


def test_a_third_of_everything_the_instrument_brings() -> None:
    whole = Instrument(
        (CertificatePoint(0.0, 0.5, 0.3), CertificatePoint(100.0, 101.0, 0.6, 3.0)),
        Accuracy(0.03, 0.009, 0.3, 100.0),
        0.6,
        0.06,
        0.9,
        0.0,
        120.0,
        9.0,
    )
    assert better_instrument(whole) == Instrument(
        (
            CertificatePoint(0.0, 0.5, 0.3 / BETTER),
            CertificatePoint(100.0, 101.0, 0.6 / BETTER, 3.0),
        ),
        Accuracy(0.03 / BETTER, 0.009 / BETTER, 0.3 / BETTER, 100.0),
        0.6 / BETTER,
        0.06 / BETTER,
        0.9 / BETTER,
        0.0,
        120.0,
        9.0,
    )
    assert better_instrument(Instrument()) == Instrument()


def test_a_better_instrument_only_shrinks_what_it_brings() -> None:
    inputs = worlds.pitot()
    better = replace(inputs, instrument=better_instrument(inputs.instrument))
    old, new = pitot_traverse(inputs).flow, pitot_traverse(better).flow
    assert new.value == old.value
    after = {row.name: row for row in new.budget}
    for row in old.budget:
        ratio = after[row.name].u / row.u if row.u else 1.0
        own = row.name in ("Calibration certificate", "Drift since calibration", "Resolution")
        assert ratio == pytest.approx(1.0 / BETTER if own else 1.0), row.name


@given(st.lists(st.floats(-100.0, 100.0), min_size=2, max_size=9))
def test_more_readings_keep_mean_and_scatter(values: list[float]) -> None:
    more = stretched(values)
    assert len(more) == 2 * len(values)
    assert statistics.fmean(more) == pytest.approx(statistics.fmean(values), abs=1e-9)
    assert statistics.stdev(more) == pytest.approx(statistics.stdev(values), abs=1e-9)


def test_more_runs_keep_the_scatter_and_halve_the_variance() -> None:
    method, inputs, found, _ = asked("pitot, two runs")
    changed = next(new for c, _, new in candidates(inputs, found) if c is Change.RUNS)
    assert sorted({r.run for r in changed.readings}) == [1, 2, 3, 4]
    old, new = ({row.name: row for row in r.flow.budget} for r in (found, method(changed)))
    name = "Fluctuation between runs"
    assert new[name].u == pytest.approx(old[name].u / math.sqrt(2.0), rel=2e-3)
    assert new[name].dof == 3 * 24
    assert method(changed).flow.value == pytest.approx(found.flow.value, rel=1e-4)


def test_a_place_of_one_run_only_keeps_its_value_in_more_runs() -> None:
    """One value has no scatter to keep."""
    inputs = worlds.pitot(readings=worlds.readings(runs=2)[:-1])
    changed = next(new for c, _, new in candidates(inputs, pitot_traverse(inputs)) if c is Change.RUNS)

    def at(readings: tuple[PointReading, ...], hole: int, row: int) -> list[float]:
        return [r.value for r in readings if (r.hole, r.row) == (hole, row)]

    (once,) = at(inputs.readings, 5, 5)
    assert at(changed.readings, 5, 5) == [once, once]
    assert len(at(changed.readings, 5, 4)) == 4
    assert statistics.stdev(at(changed.readings, 5, 4)) == pytest.approx(
        statistics.stdev(at(inputs.readings, 5, 4))
    )


def test_sweeps_of_two_runs_are_doubled_too() -> None:
    once = worlds.swept()
    again = tuple(
        replace(s, run=2, samples=tuple(1.01 * v + 0.2 * s.line for v in s.samples)) for s in once.sweeps
    )
    inputs = replace(once, sweeps=(*once.sweeps, *again))
    found = swept_traverse(inputs)
    changed = next(new for c, _, new in candidates(inputs, found) if c is Change.RUNS)
    assert sorted({(s.line, s.run) for s in changed.sweeps}) == [
        (line, run) for line in range(1, 6) for run in range(1, 5)
    ]
    old, new = ({row.name: row for row in r.flow.budget} for r in (found, swept_traverse(changed)))
    name = "Repeatability of runs"
    assert new[name].u == pytest.approx(old[name].u / math.sqrt(2.0), rel=0.02)


EXACT = Estimate(1.0, 0.0)


class Found(NamedTuple):
    drop: float


@dataclass(frozen=True, slots=True)
class Drop:
    """A method of this test: the difference of two pressures, times a factor."""

    before: Readings
    after: Readings
    taps: tuple[Readings, ...] = ()
    factor: Estimate = EXACT
    allowances: Allowances = field(default_factory=Allowances)


def _difference(before: float, after: float, factor: float) -> Found:
    return Found(factor * (before - after))


def drop(inputs: Drop) -> MethodResult:
    a, b = take_mean(inputs.before, "before", "before"), take_mean(inputs.after, "after", "after")
    if len(inputs.before.values) > 20:
        raise Refused("before", "has too many readings")
    effects = (*a.effects, *b.effects)
    values = {"before": a.value, "after": b.value, "factor": inputs.factor.value}
    ties = same_instrument(a, b)
    found = solve(_difference, values, effects, "d", {"drop": ("Drop", "Pa")}, ties)
    return MethodResult("drop", "drop", found, "d")


def test_readings_place_by_place_with_an_instrument_each() -> None:
    fine = Instrument((CertificatePoint(0.0, 0.0, 0.1), CertificatePoint(200.0, 200.0, 0.1)))
    inputs = Drop(Readings((90.0,), SINGLE_POINT, "m1"), Readings((30.0,), fine, "m2"))
    advice = advise(drop, inputs, drop(inputs))
    assert advice.effect == "before: calibration certificate"
    assert advice.best is not None
    assert (advice.best.change, advice.best.place) == (Change.INSTRUMENT, "the before")
    assert "; an instrument three times better for the before would bring U from" in advice.sentence
    assert advice.sentence.endswith(" Pa.")
    assert [(o.change, o.place) for o in advice.options] == [
        (Change.INSTRUMENT, "the before"),
        (Change.INSTRUMENT, "the after"),
    ]


def test_one_instrument_at_several_places_is_changed_at_all_of_them() -> None:
    inputs = Drop(Readings((90.0,), SINGLE_POINT, "m1"), Readings((30.0,), SINGLE_POINT, "m1"))
    found = drop(inputs)
    changes = list(candidates(inputs, found))
    assert [(c, place) for c, place, _ in changes] == [(Change.INSTRUMENT, "")]
    better = better_instrument(SINGLE_POINT)
    assert changes[0][2].before.instrument == changes[0][2].after.instrument == better
    nested = replace(inputs, taps=(Readings((1.0,), COARSE, "m2"), Readings((1.0,), SINGLE_POINT, "m1")))
    offered = {place: new for _, place, new in candidates(nested, found)}
    assert set(offered) == {"the before, the after and the taps 2", "the taps 1"}
    assert offered["the taps 1"].taps[0].instrument == better_instrument(COARSE)
    assert offered["the taps 1"].taps[1] is nested.taps[1]
    assert offered["the before, the after and the taps 2"].taps[1].instrument == better


def test_repeats_at_a_spot_and_of_a_grid() -> None:
    wide = Readings((80.0, 100.0, 96.0), worlds.PERFECT)
    inputs = Drop(wide, Readings((30.0,), worlds.PERFECT))
    found = drop(inputs)
    advice = advise(drop, inputs, found)
    assert advice.best is not None
    assert advice.best.change is Change.REPEATS
    assert advice.best.value == pytest.approx(found.main.value)
    grid = Readings((1.0, 2.0, 1.2, 2.4), worlds.PERFECT, places=((1, 1, 1), (1, 2, 1), (2, 1, 1), (2, 2, 1)))
    more = {c: new for c, _, new in candidates(Drop(grid, wide), found)}[Change.REPEATS]
    assert len(more.before.values) == len(set(more.before.places)) == 8
    assert {run for run, _, _ in more.before.places} == {1, 2, 3, 4}
    first = [v for v, place in zip(more.before.values, more.before.places, strict=True) if place[1] == 1]
    assert statistics.stdev(first) == pytest.approx(statistics.stdev([1.0, 1.2]))
    once = replace(grid, places=((1, 1, 1), (1, 2, 1), (1, 3, 1), (1, 4, 1)))
    assert Change.REPEATS not in {c for c, _, _ in candidates(Drop(once, once), found)}


def test_what_the_method_refuses_is_left_out() -> None:
    inputs = Drop(
        Readings(tuple(80.0 + i for i in range(15)), worlds.PERFECT), Readings((30.0,), worlds.PERFECT)
    )
    advice = advise(drop, inputs, drop(inputs))
    assert advice.options == ()
    assert advice.best is None
    assert advice.sentence == (
        "Before: repeated readings gives 100 % of the variance; "
        "no single change tried would lower U by 5 % or more."
    )


def test_without_uncertainty_nothing_is_advised() -> None:
    inputs = Drop(Readings((90.0,), worlds.PERFECT), Readings((30.0,), worlds.PERFECT))
    advice = advise(drop, inputs, drop(inputs))
    assert (advice.effect, advice.share, advice.best) == ("", 0.0, None)
    assert advice.sentence == "No uncertainty is stated, so nothing can be advised."


@pytest.mark.parametrize("name", CASES)
def test_it_costs_a_few_runs_of_the_method(name: str) -> None:
    method, inputs, found, _ = asked(name)
    calls = []

    def counted(changed: Any) -> MethodResult:
        calls.append(changed)
        return method(changed)

    advise(counted, inputs, found)
    assert len(calls) <= 12
    assert inputs not in calls


def test_a_second_run_halves_the_variance_of_what_is_allowed_for_one() -> None:
    inputs, found = worlds.pitot(), asked("pitot")[2]
    changed = next(new for c, _, new in candidates(inputs, found) if c is Change.RUNS)
    for name in ("single_run", "single_sweep"):
        before, after = getattr(inputs.allowances, name), getattr(changed.allowances, name)
        assert after == pytest.approx(before / math.sqrt(2.0))
    assert replace(changed, allowances=inputs.allowances) == inputs


@pytest.mark.parametrize(
    ("rule", "corrected"),
    [(Rule.EQUAL_AREA, True), (Rule.EQUAL_AREA, False), (Rule.LOG_TCHEBYCHEFF, True)],
)
def test_a_finer_layout_is_promised_what_its_traverse_then_gives(rule: Rule, corrected: bool) -> None:
    """Ducts drawn as a seventh-power profile with structure at each place, read 5 x 5 and 7 x 7."""
    promised, given_then, gains = [], [], []
    for seed in range(40):
        coarse, fine = (drawn(rule, corrected, n, seed) for n in (5, 7))
        found = pitot_traverse(coarse)
        options = {o.change: o for o in advise(pitot_traverse, coarse, found).options}
        gains.append(options[Change.POINTS].gain)
        promised.append(options[Change.POINTS].U / found.main.U)
        given_then.append(pitot_traverse(fine).main.U / found.main.U)
    assert min(gains) > 0.0
    assert statistics.fmean(promised) == pytest.approx(statistics.fmean(given_then), abs=0.03)


def drawn(rule: Rule, corrected: bool, n: int, seed: int) -> PitotTraverse:
    rng = random.Random(seed)
    duct = worlds.RECTANGULAR
    layout = make_layout(duct, rule, holes=n, points_per_hole=n)
    read = []
    for p in layout.points:
        away = [(1.0 - abs(2.0 * at / size - 1.0)) for at, size in ((p.x, duct.width), (p.y, duct.depth))]
        v = math.prod(away) ** (1.0 / 7.0) * (1.0 + rng.gauss(0.0, 0.06))
        read.append(PointReading(p.hole + 1, p.row, 60.0 * v * v))
    return worlds.pitot(
        readings=tuple(read), rule=rule, holes=n, rows=n, integration_corrected=corrected,
        upstream=12.0 * duct.hydraulic_diameter, downstream=6.0 * duct.hydraulic_diameter,
    )  # fmt: skip


def test_the_plane_is_given_the_lengths_it_lacks() -> None:
    inputs, found = worlds.pitot(upstream=1.0, downstream=9.0), asked("pitot")[2]
    changed = next(new for c, _, new in candidates(inputs, found) if c is Change.PLANE)
    assert changed.upstream == pytest.approx(7.5 * inputs.duct.hydraulic_diameter)
    assert changed.downstream == 9.0
    bare = worlds.pitot(upstream=None, downstream=None)
    changed = next(new for c, _, new in candidates(bare, found) if c is Change.PLANE)
    assert changed.downstream == pytest.approx(3.0 * inputs.duct.hydraulic_diameter)


def test_places_left_out_are_filled_with_the_mean() -> None:
    _, inputs, found, _ = asked("pitot, places left out")
    changed = next(new for c, _, new in candidates(inputs, found) if c is Change.MISSING)
    added = changed.readings[21:]
    assert changed.readings[:21] == inputs.readings
    assert sorted((r.hole, r.row, r.run) for r in added) == [(5, row, 1) for row in range(2, 6)]
    root = statistics.fmean(math.sqrt(r.value) for r in inputs.readings)
    assert [r.value for r in added] == pytest.approx([root**2] * 4)


def test_doubled_sweeps_keep_the_mean_and_the_scatter_of_their_samples_means() -> None:
    """Means that are no whole numbers: of two runs of one line, then of four."""
    once = worlds.swept()
    again = tuple(replace(s, run=2, samples=tuple(1.02 * v for v in s.samples)) for s in once.sweeps)
    inputs = replace(once, sweeps=(*once.sweeps, *again))
    changed = next(new for c, _, new in candidates(inputs, swept_traverse(inputs)) if c is Change.RUNS)
    for line in range(1, 6):
        old, new = (
            [statistics.fmean(s.samples) for s in sweeps if s.line == line]
            for sweeps in (inputs.sweeps, changed.sweeps)
        )
        assert (len(old), len(new)) == (2, 4)
        assert statistics.fmean(new) == pytest.approx(statistics.fmean(old))
        assert statistics.stdev(new) == pytest.approx(statistics.stdev(old))
