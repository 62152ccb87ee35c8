"""Share of outdoor air against published values, closed forms and an independent library (uncertainties)."""

import math

import pytest
from uncertainties import ufloat  # type: ignore[import-untyped]

from measurements.calc import Correlation, Quantity, evaluate
from measurements.calc.instrument import CertificatePoint, Instrument
from measurements.calc.method import MethodResult
from measurements.calc.mixing import (
    MixedAir,
    MixedSignal,
    Ratio,
    fieller_interval,
    mixed_air,
    mixed_from_share,
    outdoor_share,
)
from measurements.calc.places import Readings
from measurements.calc.units import from_si, to_si
from tests.standards.records import Record, record

pytestmark = pytest.mark.standards
DEGREE_F = 5.0 / 9.0
K_95 = 1.959963984540054


def _exact(u: float, low: float, high: float) -> Instrument:
    """A certificate without corrections and with the same uncertainty everywhere."""
    return Instrument(certificate=(CertificatePoint(low, low, u, 1.0), CertificatePoint(high, high, u, 1.0)))


def _temperatures(r: Record, unit: str, step: float, shift: float = 0.0) -> MethodResult:
    """The three temperatures, each by an instrument of its own, one mixed reading taken as enough."""
    instrument = _exact(r.value("u_each") * step if "u_each" in r.given else 0.0, 200.0, 330.0)
    read = [
        Readings((to_si(r.value(n) + shift, unit, "temperature"),), instrument)
        for n in ("t_return", "t_outside", "t_mixed")
    ]
    return mixed_air(MixedAir(read[0], read[1], read[2], single_place=0.0))


@pytest.mark.parametrize("name", ["oa-t-1", "oa-t-2", "oa-t-4"])
def test_share_from_temperatures(name: str) -> None:
    r = record(name)
    celsius = name == "oa-t-4"
    share = _temperatures(r, "degC" if celsius else "degF", 1.0 if celsius else DEGREE_F).main
    r.check(x=share.value, u=share.u, u_rel=share.u / share.value)
    u = r.value("u_each")
    back, mixed, out = (ufloat(r.value(n), u) for n in ("t_return", "t_mixed", "t_outside"))
    assert share.u == pytest.approx(((mixed - back) / (out - back)).s, rel=1e-9)


def test_closed_form_for_equal_uncertainties() -> None:
    r = record("oa-t-form")
    found = []
    for x in r.value("x"):
        inputs = [
            Quantity("return_air", 20.0, r.value("u_over_span") * 10.0),
            Quantity("outdoor_air", 10.0, r.value("u_over_span") * 10.0),
            Quantity("mixed_air", mixed_from_share(x, 20.0, 10.0), r.value("u_over_span") * 10.0),
        ]
        found.append(evaluate(outdoor_share, inputs).u)
    r.check(u_x=found)


def test_an_offset_of_one_thermometer_at_all_places_cancels() -> None:
    r = record("oa-t-common")
    before = _temperatures(r, "degF", DEGREE_F).main.value
    after = _temperatures(r, "degF", DEGREE_F, r.value("offset")).main.value
    r.check(x_before=before, x_after=after)
    names = ("return_air", "outdoor_air", "mixed_air")
    values = [to_si(r.value(n), "degF", "temperature") for n in ("t_return", "t_outside", "t_mixed")]
    inputs = [Quantity(n, v, 1.0, unit="K") for n, v in zip(names, values, strict=True)]
    pairs = [Correlation(a, b, 1.0) for i, a in enumerate(names) for b in names[i + 1 :]]
    assert evaluate(outdoor_share, inputs, correlations=pairs).u == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("name", ["oa-co2-2", "oa-co2-3"])
def test_share_from_carbon_dioxide(name: str) -> None:
    """The uncertainty is more than half of the share: the method gives the figure and no verdict."""
    r = record(name)
    instrument = _exact(r.value("u_each") * 1e-6, 0.0, 2e-3)
    read = [Readings((r.value(n) * 1e-6,), instrument) for n in ("c_return", "c_outside", "c_mixed")]
    found = mixed_air(
        MixedAir(read[0], read[1], read[2], signal=MixedSignal.CARBON_DIOXIDE, single_place=0.0)
    )
    r.check(x=found.main.value, u=found.main.u)
    assert not found.verdict_allowed


def test_mixed_temperature_from_the_share() -> None:
    r = record("oa-mixt")
    back, out = (to_si(r.value(n), "degF", "temperature") for n in ("t_return", "t_outside"))
    r.check(t_mixed=from_si(mixed_from_share(r.value("x"), back, out), "degF", "temperature"))


@pytest.mark.parametrize("name", ["oa-fieller-1", "oa-fieller-2"])
def test_exact_interval_of_the_share(name: str) -> None:
    """Skewed where the span is small; the first-order interval is symmetrical and misses that."""
    r = record(name)
    u = r.value("u_each")
    rise, span = r.value("t_mixed") - r.value("t_return"), r.value("t_outside") - r.value("t_return")
    root = math.sqrt(2.0) * u
    exact = fieller_interval(Ratio(rise, span, root, root, u * u), K_95)
    assert exact is not None
    share = _temperatures(r, "degF", DEGREE_F).main
    half = K_95 * share.u
    r.check(low=exact[0], high=exact[1], gum_low=share.value - half, gum_high=share.value + half)


def test_the_method_s_own_exact_interval_is_fieller_s() -> None:
    found = _temperatures(record("oa-fieller-1"), "degF", DEGREE_F)
    exact = fieller_interval(Ratio(-9.0, -45.0, math.sqrt(0.5), math.sqrt(0.5), 0.25), found.main.k)
    part = next(p for p in found.parts if p.label == "exact")
    assert [f.value for f in part.figures] == pytest.approx(exact)
