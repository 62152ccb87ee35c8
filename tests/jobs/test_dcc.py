"""Digital calibration certificates: what is read, in which units, and what is refused in words."""

from collections.abc import Sequence
from typing import Any
from uuid import UUID

import pytest

from jobs.dcc.document import read_digital
from jobs.dcc.lines import MOVED, ONLY_FOUND, UNSTATED, Entry, entry_for, is_of, serials_of
from jobs.dcc.units import UnknownDsiUnit, read_dsi_unit
from jobs.dcc.xml import read_xml
from jobs.errors import Invalid
from jobs.instruments import Point
from jobs.models import Instrument, InstrumentRange, Quantity
from tests.jobs import dcc

NOBODY = UUID(int=0)
PA = (Quantity.PRESSURE, -3000.0, 3000.0)


def tool(*reaches: tuple[Quantity, float, float], factor: float | None = None) -> Any:
    made = Instrument(company_id=NOBODY, serial="M-2041", name="Tool", probe_factor=factor)
    made._prefetched_objects_cache = {  # type: ignore[attr-defined]
        "ranges": [
            InstrumentRange(company_id=NOBODY, quantity=q, minimum=low, maximum=high)
            for q, low, high in reaches
        ]
    }
    return made


def entry(*measurements: str, of: Sequence[tuple[Quantity, float, float]] = (PA,), **fields: Any) -> Entry:
    return entry_for(read_digital(dcc.certificate(*measurements, **fields)), tool(*of))


def refusal(data: bytes) -> str:
    """The words of a refusal, with each place."""
    with pytest.raises(Invalid) as caught:
        entry_for(read_digital(data), tool(PA))
    return " ".join([caught.value.detail, *(f"{f.pointer}: {f.detail}" for f in caught.value.faults)])


# XML that means harm

LAUGHS = "".join(f'<!ENTITY l{n} "{f"&l{n - 1};" * 10 if n else "ha"}">' for n in range(10))
HARM = {
    "entity bomb": (f"<!DOCTYPE x [{LAUGHS}]>", "<a>&l9;</a>", "DOCTYPE"),
    "bomb in an attribute": (f"<!DOCTYPE x [{LAUGHS}]>", '<a b="&l9;"/>', "DOCTYPE"),
    "outside file": ('<!DOCTYPE x [<!ENTITY f SYSTEM "file:///etc/passwd">]>', "<a>&f;</a>", "DOCTYPE"),
    "outside address": ('<!DOCTYPE x SYSTEM "http://127.0.0.1:9/x.dtd">', "", "DOCTYPE"),
    "small letters": ("<!doctype x>", "", "DOCTYPE"),
    "unknown entity": ("", "<a>&f;</a>", "not well-formed"),
    "inclusion": (
        "",
        '<xi:include xmlns:xi="http://www.w3.org/2001/XInclude" href="file:///etc/passwd" parse="text"/>',
        "XInclude",
    ),
    "deep": ("", "<a>" * 70 + "</a>" * 70, "deep"),
    "very deep": ("", "<a>" * 5000 + "</a>" * 5000, "well-formed"),
    "long attribute": ("", f'<a b="{"x" * 20_000}"/>', "attribute"),
    "huge attribute": ("", f'<a b="{"x" * 11_000_000}"/>', ""),
    "many elements": ("", "<a/>" * 200_001, "elements"),
    "unclosed": ("", "<a>", "not well-formed"),
    "undeclared prefix": ("", "<q:a/>", "not well-formed"),
}


@pytest.mark.parametrize("name", HARM)
def test_xml_that_asks_for_more_than_reading_is_refused_in_words(name: str) -> None:
    before, inside, word = HARM[name]
    with pytest.raises(Invalid) as caught:
        read_xml(dcc.certificate(before=before, inside=inside))
    assert word in caught.value.detail
    assert "root:" not in caught.value.detail
    assert "Nothing was stored." in caught.value.detail
    assert caught.value.faults


def test_other_encodings_cannot_smuggle_a_definition() -> None:
    bomb = dcc.certificate(before="<!DOCTYPE x []>").decode()
    for data in (
        bomb.replace("UTF-8", "UTF-16").encode("utf-16"),
        bomb.replace("UTF-8", "UTF-7").encode("utf-7"),
        bomb.encode("utf-32"),
        bomb.replace("UTF-8", "IBM037").encode("cp037"),
        b"\xff\xfe" + bomb.encode(),
        b"\x00" + bomb.encode(),
    ):
        with pytest.raises(Invalid):
            read_xml(data)
    plain = dcc.certificate().decode()
    assert read_digital(plain.replace("UTF-8", "utf-16").encode("utf-16")).number == "DCC-2026-7"
    assert read_digital(b"\xef\xbb\xbf" + dcc.certificate()).number == "DCC-2026-7"
    with pytest.raises(Invalid, match="save it as UTF-8"):
        read_xml(plain.replace("UTF-8", "ISO-8859-1").encode())


# What is read


def test_administrative_data_and_items() -> None:
    found = read_digital(dcc.certificate())
    assert (found.version, found.number, found.laboratory) == (
        "3.2.0", "DCC-2026-7", "Vale Calibration Laboratory",
    )  # fmt: skip
    assert found.accreditation == "D-K-10001"
    assert (found.begun_on.isoformat(), found.ended_on.isoformat()) == ("2026-02-02", "2026-02-03")
    assert serials_of(found) == ["M-2041"]
    assert is_of(found.items[0], " m-2041")
    assert not is_of(found.items[0], "Shelf 4")


def test_readings_before_and_after_adjustment_are_found_and_left() -> None:
    found = entry()
    assert found.notes == ()
    assert found.points() == [
        Point(Quantity.PRESSURE, 100.0, 100.1, 0.5, 2.0, 100.4, "100.0 Pa, found 100.4, left 100.1, U 0.5"),
        Point(Quantity.PRESSURE, 500.0, 500.2, 0.5, 2.0, 501.9, "500.0 Pa, found 501.9, left 500.2, U 0.5"),
        Point(
            Quantity.PRESSURE, 2000.0, 2000.4, 0.5, 2.0, 2006.1,
            "2000.0 Pa, found 2006.1, left 2000.4, U 0.5",
        ),
    ]  # fmt: skip


@pytest.mark.parametrize("version", ["2.4.0", "3.0.0-rc.1", "3.3.0"])
@pytest.mark.parametrize("modern", [False, True])
def test_both_generations_give_the_same(version: str, modern: bool) -> None:
    u = dcc.expanded("0.5 0.6 0.7", modern=modern)
    found = entry(dcc.measurement(dcc.readings(uncertainty=u)), version=version)
    assert [(p.expanded_uncertainty, p.coverage_factor) for p in found.points()] == [
        (0.5, 2.0), (0.6, 2.0), (0.7, 2.0),
    ]  # fmt: skip


def test_single_values_of_both_generations() -> None:
    old = (
        "<si:expandedUnc><si:uncertainty>0.5</si:uncertainty>"
        "<si:coverageFactor>2.1</si:coverageFactor></si:expandedUnc>"
    )
    new = (
        "<si:measurementUncertaintyUnivariate><si:expandedMU><si:valueExpandedMU>0.5</si:valueExpandedMU>"
        "<si:coverageFactor>2.1</si:coverageFactor></si:expandedMU></si:measurementUncertaintyUnivariate>"
    )
    for u in (old, new):
        real = "<si:real><si:value>{}</si:value><si:unit>\\kilo\\pascal</si:unit>{}</si:real>"
        data = dcc.quantity("basic_referenceValue", real.format("1.0", "")) + dcc.quantity(
            "basic_measuredValue", real.format("1.002", u)
        )
        (point,) = entry(dcc.measurement(data)).points()
        assert (point.reference, point.as_left, point.coverage_factor) == (1000.0, 1002.0, 2.1)
        assert point.expanded_uncertainty == 500.0


def test_a_standard_uncertainty_has_the_factor_one() -> None:
    u = (
        "<si:measurementUncertaintyUnivariateXMLList><si:standardMUXMLList><si:valueStandardMUXMLList>0.25"
        "</si:valueStandardMUXMLList></si:standardMUXMLList></si:measurementUncertaintyUnivariateXMLList>"
    )
    point = entry(dcc.measurement(dcc.readings(uncertainty=u))).points()[0]
    assert (point.expanded_uncertainty, point.coverage_factor) == (0.25, 1.0)


def errors(texts: Sequence[str], ref_type: str = "basic_measurementError", unit: str = "\\pascal") -> str:
    return dcc.quantity(ref_type, dcc.real_list(texts, unit, dcc.expanded()))


def test_readings_are_made_of_reference_and_error_or_correction() -> None:
    reference = dcc.quantity("basic_referenceValue", dcc.real_list(("100.0", "500.0")))
    for ref_type, texts in (
        ("basic_measurementError", ("0.30", "-0.20")),
        ("gp_x basic_measurementError_error", ("0.30", "-0.20")),
        ("basic_measurementError_correction", ("-0.30", "0.20")),
    ):
        found = entry(dcc.measurement(dcc.table(reference, errors(texts, ref_type))))
        assert [line.as_left for line in found.lines] == ["100.30", "499.80"]


def test_readings_and_errors_that_contradict_are_refused() -> None:
    columns = [
        dcc.quantity("basic_referenceValue", dcc.real_list(("100.0",))),
        dcc.quantity("basic_measuredValue", dcc.real_list(("100.2",))),
    ]
    entry(dcc.measurement(dcc.table(*columns, errors(("0.3",)))))
    said = refusal(dcc.certificate(dcc.measurement(dcc.table(*columns, errors(("-0.2",))))))
    assert "ask the laboratory" in said
    assert "measurementResult 1, result 1, table 1" in said


def test_a_temperature_in_two_units_keeps_the_text_of_ours() -> None:
    """As PTB's good-practice example of a thermometer has it: hybrid columns, the error in kelvin alone."""
    data = dcc.table(
        dcc.quantity(
            "basic_referenceValue",
            dcc.hybrid(
                dcc.real_list(("306.248",), "\\kelvin"), dcc.real_list(("33.098",), "\\degreecelsius")
            ),
        ),
        dcc.quantity(
            "basic_measuredValue",
            dcc.hybrid(dcc.real_list(("306.32",), "\\kelvin"), dcc.real_list(("33.17",), "\\degreecelsius")),
        ),
        errors(("0.072",), unit="\\kelvin"),
    )
    found = entry(dcc.measurement(data), of=[(Quantity.TEMPERATURE, 250.0, 350.0)])
    (point,) = found.points()
    assert point.entered == "33.098 °C, left 33.17, U 0.5"
    assert (point.reference, point.expanded_uncertainty) == (pytest.approx(306.248), 0.5)
    celsius = dcc.table(
        dcc.quantity("basic_referenceValue", dcc.real_list(("33.098",), "\\degreecelsius")),
        errors(("0.072",), unit="\\milli\\kelvin"),
    )
    found = entry(dcc.measurement(celsius), of=[(Quantity.TEMPERATURE, 250.0, 350.0)])
    (point,) = found.points()
    assert point.reference == pytest.approx(306.248)
    assert point.as_left - point.reference == pytest.approx(0.072e-3)
    assert point.expanded_uncertainty == pytest.approx(0.5e-3)
    assert found.lines[0].unit.symbol == "°C"


@pytest.mark.parametrize(
    ("unit", "reach", "value", "si"),
    [
        ("\\metre\\second\\tothe{-1}", (Quantity.VELOCITY, 0.0, 30.0), "12.5", 12.5),
        ("\\metre\\per\\second", (Quantity.VELOCITY, 0.0, 30.0), "12.5", 12.5),
        ("\\metre\\tothe{3}\\hour\\tothe{-1}", (Quantity.FLOW, 0.0, 1.0), "360", 0.1),
        ("\\litre\\per\\second", (Quantity.FLOW, 0.0, 1.0), "100", 0.1),
        ("\\percent", (Quantity.HUMIDITY, 0.0, 1.0), "45.5", 0.455),
        ("\\one", (Quantity.HUMIDITY, 0.0, 1.0), "0.455", 0.455),
        ("\\ppm", (Quantity.CARBON_DIOXIDE, 0.0, 1.0), "800", 8e-4),
        ("\\hecto\\pascal", (Quantity.ABSOLUTE_PRESSURE, 8e4, 1.1e5), "1013.25", 101325.0),
        ("\\minute\\tothe{-1}", (Quantity.SPEED, 0.0, 100.0), "1500", 25.0),
        ("\\volt", (Quantity.VOLTAGE, 0.0, 500.0), "230", 230.0),
        ("\\milli\\ampere", (Quantity.CURRENT, 0.0, 5.0), "1500", 1.5),
        ("\\decibel", (Quantity.SOUND_LEVEL, 0.0, 140.0), "94.0", 94.0),
    ],
)
def test_units_in_dsi_notation(
    unit: str, reach: tuple[Quantity, float, float], value: str, si: float
) -> None:
    (point,) = entry(dcc.measurement(dcc.readings((value,), (value,), unit)), of=[reach]).points()
    assert point.quantity is reach[0]
    assert point.reference == pytest.approx(si, rel=1e-9)


@pytest.mark.parametrize(
    "text",
    [
        "Pa", "", "\\", "\\furlong", "\\kilo", "\\kilo\\kilo\\metre", "\\metre\\per\\second\\per\\second",
        "\\metre\\tothe{x}", "\\metre\\tothe{0}", "\\metre\\tothe{2}\\tothe{2}", "\\tothe{2}",
        "\\degreecelsius\\per\\metre", "\\metre{2}", "m\\second", "\\metre" * 60, "\\pascal|\\bar",
    ],
)  # fmt: skip
def test_units_that_are_none(text: str) -> None:
    with pytest.raises(UnknownDsiUnit):
        read_dsi_unit(text)


def test_which_pressure_it_is_follows_from_words_then_range() -> None:
    both = [PA, (Quantity.ABSOLUTE_PRESSURE, 8e4, 1.1e5)]
    high = dcc.readings(("90000.0",), ("90000.0",))
    assert entry(dcc.measurement(high), of=both).points()[0].quantity is Quantity.ABSOLUTE_PRESSURE
    low = dcc.measurement(dcc.readings(("100.0",), ("100.0",)), name="Absolute pressure")
    assert entry(low, of=both).points()[0].quantity is Quantity.ABSOLUTE_PRESSURE
    with pytest.raises(Invalid) as caught:
        entry(dcc.measurement(dcc.readings()), of=[(Quantity.FLOW, 0.0, 1.0)])
    assert "add the range first" in caught.value.faults[0].detail


# As found and as left


def test_a_certificate_that_does_not_speak_of_adjustment_says_so() -> None:
    found = entry(dcc.measurement(dcc.readings()))
    assert found.notes == (UNSTATED,)
    assert found.points()[0].as_found is None
    assert found.unadjusted().points()[0].as_found == 100.1
    assert found.unadjusted().notes == ()


def test_readings_before_adjustment_alone_are_not_entered_without_a_person() -> None:
    found = entry(dcc.measurement(dcc.readings(dcc.FOUND), status="beforeAdjustment"))
    assert found.notes == (ONLY_FOUND,)
    assert found.is_open
    with pytest.raises(Invalid):
        found.points()
    assert found.unadjusted().points()[0].as_left == 100.4


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ("As found", "As left"),
        ("gp_valueAsFound", "gp_valueAsLeft"),
        ("vor Justierung", "nach der Justierung"),
        ("before adjustment", "after_adjustment"),
    ],
)
def test_names_tell_before_and_after_too(before: str, after: str) -> None:
    found = entry(
        dcc.measurement(dcc.readings(dcc.FOUND), name=before),
        dcc.measurement(dcc.readings(dcc.LEFT), name=after),
    )
    assert next((p.as_found, p.as_left) for p in found.points()) == (100.4, 100.1)


@pytest.mark.parametrize("name", ["No deviation was found", "Gas left", "as found and as left", "Adjustment"])
def test_names_that_tell_nothing_of_adjustment(name: str) -> None:
    assert entry(dcc.measurement(dcc.readings(), name=name)).notes == (UNSTATED,)


def test_found_at_nearly_the_same_place_is_moved_with_its_error() -> None:
    found = entry(
        dcc.measurement(dcc.readings(dcc.FOUND, ("100.2", "500.0", "2000.0")), status="beforeAdjustment"),
        dcc.measurement(dcc.readings(dcc.LEFT), status="afterAdjustment"),
    )
    assert found.notes == (MOVED,)
    assert found.lines[0].as_found == "100.2"
    far = dcc.certificate(
        dcc.measurement(dcc.readings(dcc.FOUND, ("300.0", "500.0", "2000.0")), status="beforeAdjustment"),
        dcc.measurement(dcc.readings(dcc.LEFT), status="afterAdjustment"),
    )
    assert "at other points" in refusal(far)


# What is refused, and where

REFERENCE = dcc.quantity("basic_referenceValue", dcc.real_list(dcc.REFERENCE))


def results(*columns: str) -> bytes:
    return dcc.certificate(dcc.measurement(dcc.table(*columns)))


REFUSED = {
    "wrong root": (dcc.certificate(root="calibration"), "no digital calibration certificate"),
    "other namespace": (dcc.certificate().replace(b"ptb.de/dcc", b"ptb.de/other"), "no digital calibration"),
    "version 4": (dcc.certificate(version="4.0.0"), "versions 2 and 3"),
    "no version": (dcc.certificate(version=""), "versions 2 and 3"),
    "no number": (dcc.certificate(number=" "), "uniqueIdentifier: is missing"),
    "long number": (dcc.certificate(number="x" * 81), "longer than 80"),
    "no laboratory": (dcc.certificate(laboratory=""), "contact/name: is missing"),
    "no day": (dcc.certificate(ended="3 February"), "is no day"),
    "days reversed": (dcc.certificate(begun="2026-03-01"), "before the beginning"),
    "no items": (dcc.certificate(items=" "), "item: is missing"),
    "several items": (dcc.certificate(items=dcc.item("A") + dcc.item("B")), "several items"),
    "no table": (dcc.certificate(dcc.measurement("")), "basic_referenceValue"),
    "reference alone": (results(REFERENCE), "basic_measuredValue"),
    "no uncertainty": (
        results(REFERENCE, dcc.quantity("basic_measuredValue", dcc.real_list(dcc.LEFT))),
        "no expanded uncertainty",
    ),
    "fewer readings": (
        results(
            REFERENCE,
            dcc.quantity("basic_measuredValue", dcc.real_list(dcc.LEFT[:2], uncertainty=dcc.expanded())),
        ),
        "3 references but 2 readings",
    ),
    "two uncertainties": (
        dcc.certificate(dcc.measurement(dcc.readings(uncertainty=dcc.expanded("1 2")))),
        "neither one for all",
    ),
    "no factor": (
        dcc.certificate(dcc.measurement(dcc.readings(uncertainty=dcc.expanded(k="")))),
        "without coverage factor",
    ),
    "not a number": (dcc.certificate(dcc.measurement(dcc.readings(("100", "NaN", "1")))), "'NaN'"),
    "infinity": (dcc.certificate(dcc.measurement(dcc.readings(("100", "INF", "1")))), "'INF'"),
    "decimal comma": (dcc.certificate(dcc.measurement(dcc.readings(("100", "1,5", "1")))), "'1,5'"),
    "too large": (dcc.certificate(dcc.measurement(dcc.readings(("100", "1e999", "1")))), "1e999"),
    "units mixed": (
        dcc.certificate(dcc.measurement(dcc.readings(unit="\\pascal \\bar \\pascal"))),
        "several in one column",
    ),
    "unknown unit": (dcc.certificate(dcc.measurement(dcc.readings(unit="\\torr"))), "not known here"),
    "other quantity": (
        results(
            REFERENCE,
            dcc.quantity("basic_measuredValue", dcc.real_list(dcc.LEFT, "\\kelvin", dcc.expanded())),
        ),
        "different quantities",
    ),
    "nothing measured here": (
        dcc.certificate(dcc.measurement(dcc.readings(unit="\\kilogram"))),
        "nothing is measured here",
    ),
    "too many values": (
        dcc.certificate(dcc.measurement(dcc.readings(["1"] * 501, ["1"] * 501))),
        "1 to 500",
    ),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_cannot_be_entered_says_what_and_where(name: str) -> None:
    data, words = REFUSED[name]
    assert words in refusal(data)


def test_a_person_may_look_at_a_certificate_of_several_items() -> None:
    read = read_digital(dcc.certificate(items=dcc.item("M-2041", "Display") + dcc.item("P-1", "Sensor")))
    found = entry_for(read, tool(PA), by_person=True)
    assert "Display M-2041; Sensor P-1" in found.notes[0]


def test_acceptance_limits_and_other_figures_beside_are_no_readings() -> None:
    limits = (
        "<dcc:measurementMetaData><dcc:metaData><dcc:data>"
        + dcc.table(dcc.quantity("basic_measuredValue", dcc.real_list(("1", "2", "3"))))
        + "</dcc:data></dcc:metaData></dcc:measurementMetaData>"
    )
    measured = dcc.quantity(
        "basic_measuredValue", dcc.real_list(dcc.LEFT, uncertainty=dcc.expanded()) + limits
    )
    nominal = dcc.quantity("basic_nominalValue", dcc.real_list(("1", "2", "3")))
    found = entry(dcc.measurement(dcc.table(nominal, REFERENCE, measured)))
    assert [line.as_left for line in found.lines] == list(dcc.LEFT)
