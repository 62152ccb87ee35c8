"""Figures as text: digits by the uncertainty, units, signs, tape."""

import pytest

from reports.document import Measured, Quantity, Result, Tolerance, UnitSystem, Verdict
from reports.render.figures import (
    Figures,
    Unit,
    aligned,
    number,
    percent,
    rounded,
    significant,
    sixteenths,
    tolerance,
)

PLAIN = Unit("x")


def words(value: float, expanded: float | None, unit: Unit = PLAIN) -> str:
    return str(rounded(value, expanded, unit)).replace("\u00a0", " ").replace("\u202f", "'")


@pytest.mark.parametrize(
    ("value", "expanded", "text"),
    [
        (2.1344, 0.08862, "2.134 ± 0.089 x"),
        (2134.4, 88.62, "2134 ± 89 x"),
        (2134.4, 150.2, "2130 ± 150 x"),
        (1.5, 0.0996, "1.50 ± 0.10 x"),
        (1234567.0, 2345.0, "1'234'600 ± 2300 x"),
        (21.4, 0.4, "21.4 ± 0.4 x"),
        (-0.0004, 0.012, "0.000 ± 0.012 x"),
        (-3.21, 0.12, "−3.21 ± 0.12 x"),
        (5.0, None, "5.00 x"),
        (5.0, 0.0, "5.00 x"),
    ],
)
def test_value_ends_where_its_uncertainty_ends(value: float, expanded: float | None, text: str) -> None:
    assert words(value, expanded) == text


def test_units_of_both_systems() -> None:
    si, ip = Figures(UnitSystem.SI), Figures(UnitSystem.IP)
    flow = Measured(value=1.0, expanded=0.05)
    assert str(si.figure(Quantity.FLOW, flow)).replace("\u00a0", " ") == "1000 ± 50 L/s"
    assert str(ip.figure(Quantity.FLOW, flow)).replace("\u00a0", " ") == "2120 ± 110 ft³/min"
    # 1 inH2O (conventional) = 249.08891 Pa; 20 degC = 68 degF; 1 kg/m3 = 0.062428 lb/ft3
    assert ip.plain(Quantity.PRESSURE, 249.08891) == "1.0000"
    assert ip.plain(Quantity.TEMPERATURE, 20.0) == "68.0"
    assert ip.shown(Quantity.DENSITY, 1.0) == pytest.approx(0.0624280, rel=1e-5)
    assert ip.significant(Quantity.TEMPERATURE_DIFFERENCE, 1.0) == "1.80"


def test_ledger_line_has_one_order() -> None:
    result = Result(
        value=2.134,
        expanded=0.089,
        design=2.2,
        share=0.97,
        share_expanded=0.0405,
        verdict=Verdict.PASS,
        tolerance=Tolerance(lower=-0.1, upper=0.1),
    )
    line = str(Figures(UnitSystem.SI).ledger(result)).replace("\u00a0", " ")
    assert line == "2134 ± 89 L/s · 97.0 ± 4.0 % of design · Pass"
    bare = Figures(UnitSystem.SI).ledger(Result(value=0.1))
    assert str(bare).replace("\u00a0", " ") == "100 L/s · Not decidable"


def test_tape() -> None:
    assert Figures(UnitSystem.SI).tape(0.2763) == "276"
    assert Figures(UnitSystem.IP).tape(0.276) == "10 7/8"
    assert sixteenths(0.5) == "1/2"
    assert sixteenths(3.99) == "4"
    assert sixteenths(-0.25) == "−1/4"
    assert sixteenths(-0.01) == "0"


def test_signs_shares_and_limits() -> None:
    assert number(-0.04, 1) == "0.0"
    assert number(-1234.0, 0) == "−1234"
    assert number(12345.6, 1) == "12\u202f345.6"
    assert number(1e300, 2) == "1e300"
    assert percent(-0.004, 1).replace("\u00a0", " ") == "−0.4 %"
    assert tolerance(-0.1, 0.1).replace("\u00a0", " ") == "± 10 %"
    assert tolerance(-0.05, 0.15).replace("\u00a0", " ") == "−5 to +15 %"
    assert tolerance(-1.0, 1.0).replace("\u00a0", " ") == "± 100 %"
    assert significant(0.04314) == "0.0431"
    assert significant(0.0) == "0"


def test_columns_meet_at_the_point() -> None:
    assert aligned(["1.25", "10", "–"]) == ["1.25", "10\u2008\u2007\u2007", "–"]
    assert aligned(["1", "2"]) == ["1", "2"]
    assert aligned([]) == []
