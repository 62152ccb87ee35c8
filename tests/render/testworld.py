"""One sheet for each way of measuring that is no traverse, with figures and budgets really computed.

The readings are invented; instruments and inputs mostly those that the tests of the calculation use.
"""

import json
from collections.abc import Callable, Iterator
from dataclasses import fields, replace
from types import SimpleNamespace
from typing import Any, cast
from uuid import UUID

from msgspec import structs

from jobs.models import Quantity, TestPoint
from measurements import calc
from measurements.calc.places import Readings
from measurements.calc.station_models import FactorBasis
from measurements.compute import compute
from measurements.methods import METHODS, MethodKind, Told
from measurements.models import Result
from reports import document as doc
from reports import ledger, testsheets
from tests.calc import (
    test_check,
    test_coil,
    test_face,
    test_fan_site,
    test_fume_hood,
    test_leakage,
    test_mixing,
    test_profile,
    test_pump,
    test_room,
    test_sound,
    test_station,
    test_valve,
    worlds,
)
from tests.render.sample import TECHNICIAN, at, sample

NOBODY = UUID(int=0)
Judged = dict[str, Any]
PLAIN: Judged = {
    "design_flow": None,
    "design_basis": "actual",
    "design_of": "",
    "design_value": None,
    "limit_low": None,
    "limit_high": None,
    "tolerance_below": 0.1,
    "tolerance_above": 0.1,
    "rule": calc.to_plain(calc.AcceptanceRule()),
    "standard_density": 1.204,
}
SHOWN: dict[str, tuple[str, float, float, int]] = {
    "temperature": ("°C", 1.0, -273.15, 1),
    "humidity": ("%", 100.0, 0.0, 0),
    "flow": ("L/s", 1000.0, 0.0, 1),
    "velocity": ("m/s", 1.0, 0.0, 2),
    "pressure": ("Pa", 1.0, 0.0, 1),
    "speed": ("rpm", 60.0, 0.0, 0),
    "sound_level": ("dB", 1.0, 0.0, 1),
    "concentration": ("1/m³", 1.0, 0.0, 0),
    "voltage": ("V", 1.0, 0.0, 1),
    "current": ("A", 1.0, 0.0, 1),
    "factor": ("1", 1.0, 0.0, 2),
}
"""How the readings of each quantity were shown: unit, factor, offset, decimals."""

AIR = (
    doc.Fact(name="Air temperature", quantity=doc.Quantity.TEMPERATURE, value=21.0, expanded=0.6),
    doc.Fact(name="Barometer", quantity=doc.Quantity.ABSOLUTE_PRESSURE, value=98_700.0, expanded=40.0),
)
TOLD = {"coefficient": ("Kv", 3600.0 * 1e5**0.5), "water_flow": ("L/s", 1000.0)}
"""The same of told figures: unit and factor."""


def _components() -> Any:
    """An air handler with seven stations; its filter is loaded."""
    c = test_profile.Component
    return replace(
        test_profile.profile(),
        pressure=Readings(
            (-48.0, -62.0, -251.0, -330.0, -402.0, 286.0, 241.0),
            test_profile.METER,
            "dp-1",
            tuple((1, n, 1) for n in range(1, 8)),
            zero=0.0,
        ),
        components=(c.DAMPER, c.FILTER, c.HEATING_COIL, c.COOLING_COIL, c.FAN, c.SILENCER),
        clean_drops=(15.0, 95.0, 70.0, 80.0, None, 40.0),
        unit_from=1,
        unit_to=6,
        external_limit=350.0,
        station_u=2.0,
    )


def _fan() -> Any:
    return replace(test_fan_site.PLAIN, maximum_speed=20.0, motor_sheave=0.14, fan_sheave=0.27)


def _room() -> Any:
    places = tuple((1, n, 1) for n in (1, 2))
    return test_room.room(
        supply_flow=Readings((0.104, 0.080), worlds.HOOD, "hood", places),
        volume=calc.Estimate(60.0, 1.2, 10.0),
        concentration=Readings(test_room.COUNTS, test_room.COUNTER, times=test_room.TIMES),
    )


def _sound() -> Any:
    quiet: dict[str, Any] = {
        f"background_{band}": test_sound.read(v) for band, v in (("63", 47.0), ("250", 36.0))
    }
    return test_sound.room(**quiet)


CASES: tuple[tuple[str, str, str, Callable[[], Any], Judged], ...] = (
    ("static_profile", "AHU-3", "plant room, roof", _components, {}),
    (
        "fan_test",
        "SF-3",
        "plant room, roof",
        _fan,
        {"design_of": "fan_static_pressure", "design_value": 700.0},
    ),
    ("pressure_check", "PS-31", "filter switch of AHU-3", test_check.switch, {}),
    ("leakage_test", "D-12", "riser duct, level 3 to 5", test_leakage.run, {}),
    (
        "mixed_air",
        "AHU-3 mix",
        "mixing box",
        test_mixing.grid,
        {"design_of": "outdoor_share", "limit_low": 0.2},
    ),
    ("hood_reading", "S01", "room 401", worlds.hood, {"design_flow": 0.115}),
    ("face_velocity", "G-4", "transfer grille, corridor 4", test_face.face, {"design_flow": 0.15}),
    (
        "hood_face",
        "FH-7",
        "laboratory 415",
        lambda: test_fume_hood.hood(
            velocity=Readings(
                (0.48, 0.51, 0.49, 0.52, 0.36, 0.50, 0.47, 0.53, 0.49, 0.51, 0.48, 0.46),
                test_fume_hood.BARE,
                "thermal 2",
                test_fume_hood.grid(4, 3),
            ),
            height=0.75,
        ),
        {},
    ),
    (
        "flow_station",
        "FS-2",
        "inlet ring of SF-3",
        lambda: test_station.ring(factor_basis=FactorBasis.OVER_DENSITY),
        {"design_flow": 0.9},
    ),
    ("room_pressure", "R-412", "isolation room against corridor", _room, {}),
    ("sound_level", "R-403", "open office, middle", _sound, {"design_of": "nc_rating", "limit_high": 35.0}),
    ("valve_flow", "BV-12", "return of coil HC-2", test_valve.valve, {"design_flow": 0.00031}),
    (
        "pump_test",
        "P-1",
        "heating plant, basement",
        test_pump.trial,
        {"design_of": "head", "design_value": 25.0},
    ),
    (
        "coil_heat",
        "CC-3",
        "cooling coil of AHU-3",
        test_coil.cooling,
        {"design_of": "heat", "design_value": 50_000.0},
    ),
)


def result_of(method: str, inputs: Any, judged: Judged) -> Result:
    """What is stored of one evaluation, as read back."""
    given = {"method": method, "calculation": calc.to_plain(inputs), "judgement": {**PLAIN, **judged}}
    given = json.loads(json.dumps(given))
    computed = compute(given)
    assert computed.found is not None, computed.figures["refusal"]
    return Result(
        company_id=NOBODY,
        **computed.figures,
        inputs=given,
        detail=json.loads(json.dumps(computed.detail)),
        calculation_version=calc.CALCULATION_VERSION,
        inputs_digest=computed.found.digest,
    )


def sheet_of(
    method: str, tag: str, place: str, inputs: Any, judged: Judged, instruments: tuple[str, ...] = ("DPM-2",)
) -> doc.TestSheet:
    """The sheet of one invented session."""
    result, point = result_of(method, inputs, judged), TestPoint(company_id=NOBODY, tag=tag)
    kind = METHODS[method]
    line, budget = ledger.ledger(result, point), ledger.budget(result, point)
    anchor = f"test-{tag.lower().replace(' ', '-')}"
    one = cast(
        Any, SimpleNamespace(session=SimpleNamespace(id=anchor, content={"told": dict(_told(kind, inputs))}))
    )
    rows = [row for place_kind in kind.places for row in _rows(place_kind, inputs)]
    material = cast(Any, SimpleNamespace(readings={anchor: rows}, key=str))
    return doc.TestSheet(
        anchor=anchor,
        tag=tag,
        method=doc.Method(method),
        place=place,
        result=line,
        figures=testsheets.figures(result),
        classes=testsheets.classes(result),
        parts=testsheets.parts(result),
        plotted=tuple(testsheets.plotted(result)),
        readings=tuple(testsheets.readings(one, kind, material)),
        told=tuple(testsheets.told(one, kind)),
        air=AIR if kind.air else (),
        budget=budget,
        combined=ledger.finite(ledger.output(result, point).get("u")),
        dominating=ledger.dominating(result),
        instruments=instruments,
        measured_by=doc.Person(name=TECHNICIAN, role="technician", at=at(18, 15, 20)),
        started=at(18, 15, 2),
        ended=at(18, 15, 19),
        cautions=kind.cautions,
        calculation=ledger.calculation(result),
    )


def _rows(place: Any, inputs: Any) -> Iterator[Any]:
    name = "flows" if place.use == "hood" and place.name == "flow" else place.name
    given = getattr(inputs, name, None)
    if given is None:
        return
    values = given.values if isinstance(given, Readings) else given
    places = (given.places if isinstance(given, Readings) else ()) or tuple(
        (n, 1, 1) for n in range(1, len(values) + 1)
    )
    unit, factor, offset, decimals = SHOWN[Quantity(place.quantity).value]
    if place.use == "water_pressure":
        unit, factor, decimals = "kPa", 0.001, 1
    for value, (run, line, at_point) in zip(values, places, strict=True):
        yield SimpleNamespace(
            place=place.name,
            run=run,
            line=line,
            point=at_point,
            unit=unit,
            entered=f"{value * factor + offset:.{decimals}f}",
            instrument_id="DPM-2",
        )


def _told(kind: MethodKind, inputs: Any) -> Iterator[tuple[str, Any]]:
    held = {field.name for field in fields(inputs)}
    for entry in kind.told:
        value = getattr(inputs, entry.name, None) if entry.name in held else None
        if value not in (None, ()):
            yield entry.name, _entry(entry, value)


def _entry(entry: Told, value: Any) -> Any:
    if isinstance(value, tuple):
        return [_entry(entry, one) for one in value]
    if value is None or entry.kind is None:
        return None if value is None else str(getattr(value, "kind", value))
    unit, factor = TOLD.get(entry.name, (calc.units_of(entry.kind)[0].names[0], 1.0))
    if isinstance(value, calc.Estimate):
        spread = f"{2 * value.u * factor:.2g}"
        return {"value": f"{value.value * factor:.4g}", "unit": unit, "expanded_uncertainty": spread}
    return {"value": f"{value * factor:.4g}", "unit": unit}


def sheets() -> tuple[doc.TestSheet, ...]:
    """One of each."""
    return tuple(sheet_of(method, tag, place, build(), judged) for method, tag, place, build, judged in CASES)


def informed() -> doc.TestSheet:
    """A pressure that nothing is held against."""
    free = replace(test_check.switch(), release=None, low=None, high=None, release_low=None)
    return sheet_of("pressure_check", "P-77", "return duct, level 4", free, {})


def long() -> doc.TestSheet:
    """A leakage test whose budget has thirty inputs that all matter, and long words everywhere."""
    plain = sheet_of(
        "leakage_test", "D-13", "riser duct with a long name, level 3 to 5", test_leakage.run(), {}
    )
    row = plain.budget[0]
    rows = tuple(
        structs.replace(row, source=f"Leak flow: an effect with a rather long name, number {k}", share=1 / 30)
        for k in range(1, 31)
    )
    told = (*plain.told, doc.NamedText(name="An entry of many words that nobody cut short", text="W" * 90))
    return structs.replace(plain, budget=rows, told=told, remark="Seams were sealed twice.")


def whole(units: doc.UnitSystem = doc.UnitSystem.SI) -> doc.Document:
    """The sample with a system of tests."""
    document, made = sample(units), (*sheets(), informed(), long())
    system = doc.System(name="AHU-3 tests", description="Tests and readings that are no traverse", tests=made)
    words = [sheet.result.verdict for sheet in made]
    counts = document.counts
    added = doc.Counts(
        passed=counts.passed + words.count(doc.Verdict.PASS),
        conditional_pass=counts.conditional_pass + words.count(doc.Verdict.CONDITIONAL_PASS),
        conditional_fail=counts.conditional_fail + words.count(doc.Verdict.CONDITIONAL_FAIL),
        failed=counts.failed + words.count(doc.Verdict.FAIL),
        not_decidable=counts.not_decidable + words.count(doc.Verdict.NOT_DECIDABLE),
    )
    return structs.replace(document, systems=(*document.systems, system), counts=added)
