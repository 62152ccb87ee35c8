"""Outdoor air share: algebra, grids, one instrument at three places, small spans, simulation."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from measurements.calc import Accuracy, CertificatePoint, Code, Estimate, Instrument, Refused, Sharing
from measurements.calc.mixing import (
    MixedAir,
    MixedAirLimits,
    MixedSignal,
    Ratio,
    fieller_interval,
    mixed_air,
    mixed_from_share,
    mixed_model,
    outdoor_share,
)
from measurements.calc.places import Readings
from measurements.calc.records import from_plain, to_plain
from measurements.calc.simulate import monte_carlo
from measurements.calc.uncertainty import Effect

THERMOMETER = Instrument(
    certificate=(CertificatePoint(263.15, 263.25, 0.2), CertificatePoint(313.15, 313.05, 0.2)),
    resolution=0.1,
    drift_absolute=0.1,
)
GRID = tuple((run, line, point) for run in (1, 2) for line in (1, 2, 3) for point in (1, 2))


def exact(u: float = 0.0) -> Instrument:
    return Instrument(
        certificate=(CertificatePoint(200.0, 200.0, u, 1.0), CertificatePoint(400.0, 400.0, u, 1.0))
    )


def airs(
    back: float = 297.0, out: float = 270.0, mixed: float = 291.0, u: float = 0.0, by: str = ""
) -> MixedAir:
    """Three readings; by: the instrument when it is one."""
    instrument = exact(u)
    return MixedAir(
        Readings((back,), instrument, by),
        Readings((out,), instrument, by),
        Readings((mixed,), instrument, by),
        single_place=0.0,
    )


def grid(**changes: object) -> MixedAir:
    """A grid of six places read twice, one thermometer."""
    values = (290.1, 290.9, 291.5, 290.4, 291.2, 292.0)
    plain = MixedAir(
        Readings((297.1, 297.0), THERMOMETER, "t1"),
        Readings((270.3, 270.2), THERMOMETER, "t1"),
        Readings((*values, *(v + 0.1 for v in values)), THERMOMETER, "t1", GRID),
        flow=Estimate(4.0, 0.1, 20.0),
    )
    return replace(plain, **changes)  # type: ignore[arg-type]


@given(st.floats(0.0, 1.0), st.floats(280.0, 310.0), st.floats(3.0, 40.0), st.sampled_from([-1.0, 1.0]))
def test_share_there_and_back(share: float, back: float, span: float, sign: float) -> None:
    out = back + sign * span
    found = mixed_air(airs(back, out, mixed_from_share(share, back, out))).main
    assert found.value == pytest.approx(share, abs=1e-9)
    assert found.u == 0.0


@given(st.floats(-20.0, 20.0), st.floats(0.5, 1.8))
def test_neither_offset_nor_scale_of_the_thermometer_matters(offset: float, scale: float) -> None:
    def moved(t: float) -> float:
        return 290.0 + scale * (t - 290.0) + offset

    found = mixed_air(airs(moved(297.0), moved(270.0), moved(291.0))).main
    assert found.value == pytest.approx(mixed_air(airs()).main.value, abs=1e-9)


@given(st.floats(0.01, 0.99), st.floats(0.01, 0.5))
def test_exchanging_the_airs_turns_the_share_round(share: float, u: float) -> None:
    mixed = mixed_from_share(share, 297.0, 270.0)
    one = mixed_air(airs(297.0, 270.0, mixed, u)).main
    other = mixed_air(airs(270.0, 297.0, mixed, u)).main
    assert one.value + other.value == pytest.approx(1.0)
    assert one.u == pytest.approx(other.u)


def test_budget_of_a_grid_by_hand() -> None:
    found = mixed_air(grid())
    rows = {row.name: row for row in found.main.budget}
    means = [
        v + 0.05 - 0.1 + 0.2 * (v + 0.05 - 263.25) / 49.8 for v in (290.1, 290.9, 291.5, 290.4, 291.2, 292.0)
    ]
    span = found.results["span"].value
    scatter = rows["Mixed air: scatter between places"]
    assert scatter.u == pytest.approx(np.std(means, ddof=1) / math.sqrt(6.0))
    assert scatter.dof == 5.0
    assert scatter.contribution == pytest.approx(scatter.u / abs(span))
    assert found.results["mixed_air"].value == pytest.approx(np.mean(means))
    assert "Mixed air: repeated readings" not in rows
    assert math.fsum(row.share for row in found.main.budget) == pytest.approx(1.0, abs=1e-9)
    flow = found.results["outdoor_flow"]
    assert flow.value == pytest.approx(4.0 * found.main.value)
    relative = math.hypot(found.main.u / found.main.value, 0.1 / 4.0)
    assert flow.u / flow.value == pytest.approx(relative)
    assert found.classes == {"signal": "temperature"}
    assert found.verdict_allowed


def test_places_count_once_however_often_they_are_read() -> None:
    lopsided = Readings(
        (290.0, 290.2, 290.1, 292.0), exact(), "", ((1, 1, 1), (2, 1, 1), (3, 1, 1), (1, 2, 1))
    )
    found = mixed_air(replace(airs(), mixed_air=lopsided))
    assert found.results["mixed_air"].value == pytest.approx(0.5 * (290.1 + 292.0))
    assert found.results["mixed_air"].u == pytest.approx(abs(292.0 - 290.1) / 2.0)


def test_one_thermometer_at_three_places_is_better_than_three() -> None:
    one = mixed_air(grid()).main
    three = mixed_air(
        grid(
            return_air=Readings((297.1, 297.0), THERMOMETER, "t1"),
            outdoor_air=Readings((270.3, 270.2), THERMOMETER, "t2"),
            mixed_air=replace(grid().mixed_air, by="t3"),
        )
    ).main
    assert one.value == pytest.approx(three.value)
    assert one.u < three.u


def test_one_place_carries_what_layers_may_hide() -> None:
    found = mixed_air(replace(airs(u=0.1), single_place=0.05))
    assert found.remark(Code.MIXED_AT_ONE_PLACE) is not None
    rows = {row.name: row.contribution for row in found.main.budget}
    assert rows["Mixed air: one place only"] == pytest.approx(0.05)
    assert mixed_air(grid()).remark(Code.MIXED_AT_ONE_PLACE) is None


def test_layers_are_remarked() -> None:
    assert mixed_air(grid()).remark(Code.STRATIFIED) is None
    remark = mixed_air(grid(limits=MixedAirLimits(stratification=0.05))).remark(Code.STRATIFIED)
    assert remark is not None
    assert remark.numbers["spread"] == pytest.approx(1.9 / 26.8, rel=0.01)


def test_carbon_dioxide() -> None:
    meter = Instrument(
        accuracy=Accuracy(of_reading=0.03, absolute=30e-6), resolution=1e-6, low=0.0, high=5e-3
    )
    read = [Readings((v * 1e-6,), meter, "c") for v in (1400.0, 420.0, 1150.0)]
    found = mixed_air(MixedAir(read[0], read[1], read[2], signal=MixedSignal.CARBON_DIOXIDE))
    assert found.main.value == pytest.approx(250.0 / 980.0)
    assert found.results["span"].unit == "1"
    assert found.verdict_allowed
    with pytest.raises(Refused) as caught:
        wrong = replace(read[0], values=(420.0,))
        mixed_air(MixedAir(wrong, read[1], read[2], signal=MixedSignal.CARBON_DIOXIDE))
    assert caught.value.input == "return_air"


# ---- small spans -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("span", "allowed"), [(10.0, True), (7.2, True), (7.0, False), (1.0, False)])
def test_no_verdict_where_the_span_is_lost_in_its_uncertainty(span: float, allowed: bool) -> None:
    """u(span) = 0.5 sqrt 2; a tenth of the span is reached at 7.07 K."""
    found = mixed_air(airs(297.0, 297.0 - span, 297.0 - 0.3 * span, u=0.5))
    assert found.verdict_allowed is allowed
    remark = found.remark(Code.SPAN_TOO_SMALL)
    assert (remark is None) is allowed
    if remark is not None:
        assert remark.numbers == pytest.approx(
            {
                "span": -span,
                "u": 0.5 * math.sqrt(2.0),
                "relative_u": 0.5 * math.sqrt(2.0) / span,
                "limit": 0.1,
            }
        )
    labels = [p.label for p in found.parts]
    assert labels == (["first_order", "exact"] if span > 1.0 else ["first_order"])


def test_no_verdict_where_the_span_may_be_zero_whatever_the_limit() -> None:
    wide = replace(airs(297.0, 296.0, 296.7, u=0.5), limits=MixedAirLimits(relative_span=5.0))
    found = mixed_air(wide)
    assert not found.verdict_allowed
    assert found.remark(Code.SPAN_TOO_SMALL) is not None


def test_a_share_a_little_above_one_does_not_win_back_a_lost_verdict() -> None:
    found = mixed_air(airs(297.0, 291.0, 290.9, u=0.5))
    assert found.main.value > 1.0
    assert not found.verdict_allowed


def test_zero_span_is_refused() -> None:
    with pytest.raises(Refused, match="like the return air") as caught:
        mixed_air(airs(297.0, 297.0, 297.0, u=0.1))
    assert (caught.value.input, caught.value.value) == ("outdoor_air", 0.0)


def test_a_skewed_interval_is_remarked() -> None:
    assert mixed_air(airs(u=0.05)).remark(Code.FIRST_ORDER_SKEWED) is None
    found = mixed_air(airs(297.0, 293.0, 295.5, u=0.5))
    remark = found.remark(Code.FIRST_ORDER_SKEWED)
    assert remark is not None
    assert remark.numbers["first_low"] == pytest.approx(found.main.value - found.main.U)
    part = next(p for p in found.parts if p.label == "exact")
    assert [f.value for f in part.figures] == [remark.numbers["low"], remark.numbers["high"]]


@pytest.mark.parametrize(
    ("mixed", "remarked", "allowed"),
    [(291.0, False, True), (298.0, True, False), (269.9, True, True), (268.0, True, False)],
)
def test_a_share_outside_zero_to_one(mixed: float, remarked: bool, allowed: bool) -> None:
    found = mixed_air(airs(mixed=mixed, u=0.1))
    assert (found.remark(Code.SHARE_OUTSIDE) is not None) is remarked
    assert found.verdict_allowed is allowed


@given(
    st.floats(-50.0, 50.0),
    st.floats(1.0, 50.0),
    st.floats(0.0, 0.3),
    st.floats(0.0, 0.3),
    st.floats(-1.0, 1.0),
    st.sampled_from([-1.0, 1.0]),
)
def test_exact_interval_meets_its_definition(
    n: float, d: float, u_n: float, u_d: float, r: float, sign: float
) -> None:
    c = r * u_n * u_d
    found = fieller_interval(Ratio(n, sign * d, u_n, u_d, c))
    assert found is not None
    low, high = found
    assert low <= sign * n / d + 1e-9
    assert high >= sign * n / d - 1e-9
    for x in found:
        variance = u_n**2 + x * x * u_d**2 - 2.0 * x * c
        scale = n * n + d * d + x * x * d * d
        assert (n - x * sign * d) ** 2 == pytest.approx(4.0 * variance, abs=1e-9 * scale)


def test_exact_interval_holds_its_share_of_draws_where_the_first_order_one_does_not() -> None:
    """Simulation: at a share of 0.3 and a span of seven standard uncertainties, 20 000 sessions."""
    generator = np.random.default_rng(7)
    u = 0.5
    back, out, mixed = (v + u * generator.standard_normal(20_000) for v in (0.0, 5.0, 1.5))
    root = math.sqrt(2.0) * u
    inside = 0
    for rise, span in zip(mixed - back, out - back, strict=True):
        found = fieller_interval(Ratio(float(rise), float(span), root, root, u * u), 2.0)
        assert found is not None
        inside += found[0] <= 0.3 <= found[1]
    assert inside / 20_000 == pytest.approx(0.9545, abs=0.005)


def test_a_denominator_that_may_be_zero_has_no_bounds() -> None:
    assert fieller_interval(Ratio(1.0, 1.0, 0.1, 0.5)) is None
    assert fieller_interval(Ratio(1.0, 1.0, 0.1, 0.4999)) is not None
    for wrong in (
        Ratio(math.nan, 1.0, 0.1, 0.1),
        Ratio(1.0, 1.0, -0.1, 0.1),
        Ratio(1.0, 1.0, 0.1, 0.1, 0.02),
    ):
        with pytest.raises(Refused):
            fieller_interval(wrong)


def test_simulation_confirms_first_order_where_the_span_is_wide() -> None:
    values = {"return_air": 297.0, "outdoor_air": 270.0, "mixed_air": 291.0, "flow": 4.0}
    effects = [Effect(n, n, 0.2, Sharing.COMMON) for n in ("return_air", "outdoor_air", "mixed_air")]
    effects.append(Effect("flow", "flow", 0.1, Sharing.COMMON))
    drawn = monte_carlo(mixed_model, values, effects, output="outdoor_flow", trials=200_000)
    found = mixed_air(replace(airs(u=0.2), flow=Estimate(4.0, 0.1))).results["outdoor_flow"]
    assert found.value == pytest.approx(drawn.value, rel=1e-3)
    assert found.u == pytest.approx(drawn.u, rel=0.01)
    assert found.interval == pytest.approx((drawn.low, drawn.high), abs=0.01)


def test_the_model_is_the_mixing_equation() -> None:
    figures = mixed_model(297.0, 270.0, 291.0, 4.0)
    assert figures.outdoor_share == outdoor_share(297.0, 270.0, 291.0)
    assert figures.rest == pytest.approx(figures.rise - figures.span)


@pytest.mark.parametrize(
    ("changes", "named"),
    [
        ({"return_air": Readings((), THERMOMETER)}, "return_air"),
        ({"mixed_air": Readings((math.nan,), THERMOMETER)}, "mixed_air[0]"),
        ({"outdoor_air": Readings((-5.0,), Instrument())}, "outdoor_air"),
        ({"outdoor_air": Readings((100.0,), THERMOMETER)}, "outdoor_air[0]"),
        ({"mixed_air": Readings((290.0,), THERMOMETER, "", GRID)}, "mixed_air.places"),
        ({"flow": Estimate(0.0, 0.1)}, "flow"),
        ({"flow": Estimate(1.0, -0.1)}, "flow.u"),
        ({"single_place": -0.1}, "single_place"),
        ({"limits": MixedAirLimits(relative_span=0.0)}, "limits.relative_span"),
    ],
)
def test_refusals_name_the_input(changes: dict[str, object], named: str) -> None:
    with pytest.raises(Refused) as caught:
        mixed_air(grid(**changes))
    assert caught.value.input == named


def test_the_same_inputs_have_the_same_digest() -> None:
    assert mixed_air(grid()).digest == mixed_air(grid()).digest
    assert mixed_air(grid()).digest != mixed_air(grid(single_place=0.04)).digest


def test_inputs_survive_storage() -> None:
    assert from_plain(MixedAir, json.loads(json.dumps(to_plain(grid())))) == grid()


def test_a_span_exactly_at_its_limit_still_carries_a_verdict() -> None:
    inputs = airs(u=0.5)
    span = mixed_air(inputs).results["span"]
    relative = span.u / abs(span.value)
    at = mixed_air(replace(inputs, limits=MixedAirLimits(relative_span=relative)))
    below = mixed_air(replace(inputs, limits=MixedAirLimits(relative_span=relative * (1.0 - 1e-9))))
    assert at.remark(Code.SPAN_TOO_SMALL) is None
    assert at.verdict_allowed
    assert below.remark(Code.SPAN_TOO_SMALL) is not None
