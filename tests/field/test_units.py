"""Units on the tablet: the service's table, the text as typed, tapes."""

from collections.abc import Iterator

import pytest
from playwright.sync_api import Page

from jobs.models import Quantity
from jobs.units import units_of
from measurements.calc.units import TABLE, Kind
from measurements.checked import KINDS
from tests.field.modules import called, module_page

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def page() -> Iterator[Page]:
    with module_page() as found:
        yield found


def test_every_unit_of_the_service_converts_alike(page: Page) -> None:
    calls = [[value, unit.ucum, unit.kind.value] for unit in TABLE for value in (0.0, 13.1, -40.0)]
    wanted = [(value + unit.offset) * unit.factor for unit in TABLE for value in (0.0, 13.1, -40.0)]
    found = called(page, "units", "toSI", calls)
    assert found == pytest.approx(wanted, rel=1e-14, abs=1e-12)
    back = [[si, code, kind] for si, (_, code, kind) in zip(found, calls, strict=True)]
    assert called(page, "units", "fromSI", back) == pytest.approx([c[0] for c in calls], abs=1e-9)


def test_the_tablet_knows_no_unit_that_the_service_does_not(page: Page) -> None:
    kinds = [kind.value for kind in Kind]
    by_kind = [[unit.ucum for unit in TABLE if unit.kind == kind] for kind in kinds]
    assert called(page, "units", "unitsOf", [[kind] for kind in kinds]) == by_kind


def test_quantities_of_instruments_have_the_kinds_that_intake_checks(page: Page) -> None:
    assert called(page, "units", "kindOf", [[one.value] for one in Quantity]) == [
        KINDS[one].value for one in Quantity
    ]
    symbols = [(unit.name, unit.symbol, one.value) for one in Quantity for unit in units_of(one)]
    shown = called(page, "units", "symbolOf", [[name, quantity] for name, _, quantity in symbols])
    plain = {"1", "inH2O_39F", "inH2O_60F", "inH2O_68F"}  # the tablet says these in more words, or none
    assert [s for s, (_, symbol, _) in zip(shown, symbols, strict=True) if symbol not in plain] == [
        symbol for _, symbol, _ in symbols if symbol not in plain
    ]


def test_a_figure_is_what_the_service_takes_and_nothing_else(page: Page) -> None:
    good = ["13.10", "-0.5", "42", ".5", "5.", "007"]
    bad = ["", "-", ".", "1e5", "NaN", "Infinity", "1,5", "--2", "1.2.3", "0x10", "1" * 25, "1 2", "٣"]
    assert [one["fault"] for one in called(page, "units", "parse", [[t] for t in good])] == [""] * len(good)
    assert all(one["fault"] for one in called(page, "units", "parse", [[t] for t in bad]))
    assert called(page, "units", "asTyped", [["12,50"], [" \u22123 "]]) == ["12.50", "-3"]


def test_a_length_is_set_on_the_tape_without_adding_up_remainders(page: Page) -> None:
    mm = called(page, "units", "onTape", [[n * 0.0334, "si"] for n in range(1, 30)])
    assert [one["text"] for one in mm[:3]] == ["33\u202fmm", "67\u202fmm", "100\u202fmm"]
    assert all(abs(one["metres"] - n * 0.0334) <= 0.0005 + 1e-12 for n, one in enumerate(mm, 1))
    inches = called(page, "units", "onTape", [[x * 0.0254, "ip"] for x in (0.74, 2.03, 12.5, 12.99, -3.2)])
    assert [one["text"] for one in inches] == [
        "3/4\u202fin", "2\u202fin", "12 1/2\u202fin", "13\u202fin", "\u22123 3/16\u202fin",
    ]  # fmt: skip


def test_the_unit_that_somebody_expects_comes_first(page: Page) -> None:
    asked = [["pressure", "si"], ["pressure", "us"], ["flow", "ip", {"water": True}], ["length", "ip", {}],
             ["length", "si", {"distance": True}], ["voltage", "ip"], ["sound_level", "si"]]  # fmt: skip
    assert called(page, "units", "usualUnit", asked) == [
        "Pa", "[in_i'H2O]", "[gal_us]/min", "[in_i]", "m", "V", "dB",
    ]  # fmt: skip
    every = [[quantity.value, system] for quantity in Quantity for system in ("si", "ip")]
    known = {(quantity.value, unit.name) for quantity in Quantity for unit in units_of(quantity)}
    assert all(
        (quantity, unit) in known
        for (quantity, _), unit in zip(every, called(page, "units", "usualUnit", every), strict=True)
    )


def test_numbers_are_shown_with_their_unit_a_true_minus_and_no_power_of_ten(page: Page) -> None:
    cases = [[0.45237, "L/s", "flow"], [-12.34, "Pa", "pressure"], [1e-7, "1", "fraction", 2],
             [0, "Pa", "pressure"], [0.09999, "m3/s", "flow", 2], [12345.6, "Pa", "pressure"]]  # fmt: skip
    assert called(page, "units", "inUnit", cases) == [
        "452\u202fL/s", "\u221212.3\u202fPa", "0.00000010", "0\u202fPa", "0.10\u202fm³/s", "12300\u202fPa",
    ]  # fmt: skip
