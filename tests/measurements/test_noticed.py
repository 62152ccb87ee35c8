"""What the calculation noticed, as flags: every sentence of every row, and measurements that raise them."""

import inspect
import math
import re
import string
from dataclasses import replace
from datetime import timedelta
from types import SimpleNamespace
from typing import Any, cast

import pytest

from jobs.models import UnitSystem
from jobs.tenancy.context import company
from measurements import calc
from measurements.calc import Code
from measurements.calc.fan import FanState
from measurements.calc.fan_models import FanStatic
from measurements.calc.fan_remarks import fan_state
from measurements.calc.places import Readings
from measurements.compute import Computed
from measurements.evaluate import evaluate_session
from measurements.methods import METHODS
from measurements.models import Flag, Severity
from measurements.rules import RULES, Finding, Seen
from measurements.rules.noticed import BY_OTHERS, NO_FLAG, fields_of, told
from measurements.rules.noticed_rows import ROWS, Row
from measurements.words import QUANTITIES, shown
from tests.factories import World
from tests.measurements import batches, methods

UNITS = [unit.value for unit in UnitSystem]
BY_CODE = {row.code: row for row in ROWS}


def documented() -> dict[Code, set[str]]:
    """Names of each code's numbers, from the comments beside the codes."""
    found = {}
    for line in inspect.getsource(Code).splitlines():
        if match := re.match(r"\s+([A-Z_0-9]+) = \"[a-z_0-9]+\"(?:\s+# (.*))?$", line):
            text = re.sub(r"\([^()]*\)", "", match[2] or "")
            found[Code[match[1]]] = set(re.findall(r"\b[a-zA-Z_]\w*\b", text))
    return found


def test_every_code_has_one_home() -> None:
    homes = [*BY_CODE, *BY_OTHERS, *NO_FLAG]
    assert len(ROWS) == len(BY_CODE)
    assert sorted(homes) == sorted(set(homes)), "a code is both a row, another rule's and no flag"
    assert set(homes) == set(Code), "a new code needs a row, a rule or a reason why it is no flag"
    assert set(BY_OTHERS.values()) <= set(RULES)
    assert not {row.name for row in ROWS} & set(BY_OTHERS.values())
    assert all(len(reason) > 20 for reason in NO_FLAG.values())


def test_the_documented_numbers_are_those_of_the_templates() -> None:
    numbers = documented()
    assert set(numbers) == set(Code)
    for row in ROWS:
        for template in row.templates:
            assert fields_of(template) - {"points"} <= numbers[row.code], row.name


def made_up(row: Row, value: float) -> calc.Remark:
    """A remark with every number that a sentence of the row names."""
    names = {
        name
        for template in row.templates
        for _, name, wanted, _ in string.Formatter().parse(template)
        if name and (name != "points" or wanted)
    }
    bare = any("{points}" in template for template in row.templates)
    return calc.Remark(row.code, dict.fromkeys(names, value), ("current", "L2") if bare else ())


@pytest.mark.parametrize("units", UNITS)
@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.name)
def test_every_sentence_can_be_said(row: Row, units: str) -> None:
    rule = RULES[row.name]
    assert (rule.severity, rule.source, rule.text) == (row.severity, row.source, row.text)
    assert rule.text.endswith(".")
    assert rule.source
    for value in (0.0123, -7.0, 1.0, 40_000.0):
        remark = made_up(row, value)
        finding = told(row, remark, units)
        for text in (finding.seen, finding.expected, finding.advice):
            assert text.endswith(".")
            assert not re.search(r"[{}_]|nan|inf\b|not stated|\s\s|\s[.,;]|e[-+]\d", text), text
            assert re.match(r"[A-Z0-9−]", text), text
            assert text.count(". ") == 0, "one sentence"
        assert {name: finding.data[name] for name in remark.numbers} == remark.numbers


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.name)
def test_every_figure_is_of_a_known_quantity(row: Row) -> None:
    for template in row.templates:
        for _, name, wanted, _ in string.Formatter().parse(template):
            kind, _, noun = (wanted or "").partition(" ")
            known = not wanted or wanted == "as point" or (kind == "count" and noun) or wanted in QUANTITIES
            assert known, (name, wanted)
            assert wanted or name is None or name in ("points", "missing")


def test_a_remark_without_its_numbers_is_still_told() -> None:
    finding = told(BY_CODE[Code.LOW_DROP], calc.Remark(Code.LOW_DROP), "SI")
    assert finding.seen == "The valve's pressure drop is (not stated)."
    endless = told(BY_CODE[Code.FLAT_CURVE], calc.Remark(Code.FLAT_CURVE, {"relative_U": math.inf}), "SI")
    assert endless.data == {}
    assert "without limit" in endless.seen


def test_the_first_sentence_whose_figures_are_there_is_taken() -> None:
    row, numbers = BY_CODE[Code.POWER_FROM_AMPS], {"limit": 0.1}
    assert "within 10 %" in told(row, calc.Remark(row.code, numbers), "SI").seen
    numbers["amps_and_volts"] = 4_300.0
    assert "4.3 kW by amps and volts." in told(row, calc.Remark(row.code, numbers), "SI").seen
    numbers |= {"no_load": 4_000.0, "difference": 0.07}
    assert "4 kW by the no-load current, 7 % apart" in told(row, calc.Remark(row.code, numbers), "SI").seen
    assert "5.77 hp" in told(row, calc.Remark(row.code, numbers), "IP").seen


@pytest.mark.parametrize(
    ("value", "quantity", "si", "ip"),
    [
        (294.55, "temperature", "21.4 °C", "70.5 °F"),
        (263.15, "temperature", "−10.0 °C", "14.0 °F"),
        (5.0, "temperature_difference", "5 K", "9 °F"),
        (0.0063090196, "water_flow", "6.31 L/s", "100 gpm"),
        (0.0471947443, "flow", "47.2 L/s", "100 cfm"),
        (2_989.067, "water_pressure", "2.99 kPa", "1 ftH2O"),
        (101_325.0, "absolute_pressure", "1013.2 hPa", "29.9 inHg"),
        (-12.4544455, "pressure", "−12.5 Pa", "−0.05 inH2O"),
        (745.69987, "power", "0.746 kW", "1 hp"),
        (29.55, "speed", "1773 r/min", "1773 r/min"),
        (0.3048, "length", "0.305 m", "1 ft"),
        (2.5e-6, "kinematic_viscosity", "2.5 mm²/s", "2.5 cSt"),
        (0.00042, "carbon_dioxide", "420 ppm", "420 ppm"),
        (10.4, "current", "10.4 A", "10.4 A"),
        (1e-5, "factor", "0.00001", "0.00001"),
        (123_456.0, "factor", "123000", "123000"),
    ],
)
def test_figures_in_the_units_of_the_company(value: float, quantity: str, si: str, ip: str) -> None:
    """By the conversions of NIST SP 811 and of the conventional inch of water."""
    assert (shown(value, quantity, "SI"), shown(value, quantity, "IP")) == (si, ip)


STOPS = {
    Code.MOTOR_OVERCURRENT,
    Code.MOTOR_OVERLOAD,
    Code.PUMP_OVER_NAMEPLATE,
    Code.ABOVE_MAXIMUM_SPEED,
    Code.VOLTAGE_UNBALANCE_SEVERE,
    Code.HEAT_BALANCE,
    Code.HEAT_DIRECTIONS,
    Code.FAN_LAWS_DISAGREE,
    Code.DIRECTION_WRONG,
    Code.DIRECTION_CONTRADICTED,
    Code.NO_PRESSURE_RISE,
    Code.NEGATIVE_HEAD,
    Code.REVERSED_FLOW,
    Code.DROP_NEGATIVE,
    Code.SIGN_UNEXPECTED,
    Code.INLET_PRESSURE_POSITIVE,
    Code.IMPOSSIBLE_EFFICIENCY,
}


def test_danger_wrong_signs_and_contradictions_must_be_answered() -> None:
    assert {row.code for row in ROWS if row.severity == Severity.STOP} == STOPS


Changes = dict[str, Any]


@pytest.fixture
def equipped(fine: World) -> World:
    with company(fine.id):
        return methods.equip(fine)


def raised(world: World, name: str, changes: Changes | None = None, **told: Any) -> dict[str, Flag]:
    """Posts a session of the method and evaluates it: its flags by rule. `told` differs; None: left out."""
    sent = methods.SESSIONS[name](world, **(changes or {}))
    if told:
        sent["told"] = {k: v for k, v in (sent["told"] | told).items() if v is not None}
    (outcome,) = batches.post(world, sent)
    assert outcome.outcome == "stored", outcome.errors
    with company(world.id):
        result = evaluate_session(outcome.session)
        assert result.outcome == "computed", result.refusal
        return {flag.rule: flag for flag in Flag.objects.filter(session=outcome.session)}


ZERO, ONCE = "zero_not_checked", "single_run"
EXPECTED: dict[str, set[str]] = {
    "anemometer_traverse": set(),
    "face_velocity": {ONCE},
    "flow_station": {ZERO},
    "static_profile": {ZERO},
    "pressure_check": {ZERO},
    "fan_test": {ZERO, "power_from_amps"},
    "mixed_air": {"conditional_pass"},
    "leakage_test": {ZERO},
    "room_pressure": {ZERO, "recovery_extrapolated"},
    "hood_face": {ONCE},
    "sound_level": {ONCE, "other_band_may_govern"},
    "valve_flow": set(),
    "pump_test": set(),
    "coil_heat": set(),
}
"""What the usual session of each method raises."""


@pytest.mark.django_db
@pytest.mark.parametrize("name", sorted(methods.SESSIONS))
def test_a_usual_session_raises_only_what_is_so(equipped: World, name: str) -> None:
    assert set(raised(equipped, name)) == EXPECTED[name]


read, amount = methods.read, batches.amount


def line(name: str, quantity: str, unit: str, *values: str) -> list[dict[str, Any]]:
    """Readings of one place, its lines counted up."""
    return read(quantity, unit, *values, place=name, by="line")


# Method, place whose readings are others, the readings, what is told otherwise, words of what was seen.
Case = tuple[str, str, list[dict[str, Any]], dict[str, Any], str]
NOTHING: list[dict[str, Any]] = []
CASES: dict[Code, Case] = {
    Code.MOTOR_OVERCURRENT: (
        "fan_test", "current", line("current", "current", "A", "6.45", "6.30", "6.32"), {},
        "draws 6.450 ± 0.077 A",
    ),
    Code.MOTOR_OVERLOAD: (
        "fan_test", "power", read("power", "W", "4010", "4000", place="power"), {}, "gives 3.48 ± 0.14 kW",
    ),
    Code.ABOVE_MAXIMUM_SPEED: (
        "fan_test", "", NOTHING, {"maximum_speed": amount("1100", "/min")}, "turns at 1177.5 ± 2.3 r/min",
    ),
    Code.VOLTAGE_UNBALANCE_SEVERE: (
        "fan_test", "voltage", line("voltage", "voltage", "V", "402", "371", "428"), {}, "unbalanced by 7.",
    ),
    Code.NO_PRESSURE_RISE: (
        "fan_test", "outlet_pressure", read("pressure", "Pa", "-330", place="outlet_pressure"), {}, "no rise",
    ),
    Code.HEAT_BALANCE: (
        "coil_heat", "", NOTHING, {"water_flow": amount("0.8", "L/s")}, "air's by −3",
    ),
    Code.HEAT_DIRECTIONS: (
        "coil_heat", "leaving_water", read("temperature", "Cel", "64.0", place="leaving_water"), {},
        "the same way",
    ),
    Code.HUMIDITY_ASSUMED: (
        "coil_heat", "humidity", NOTHING, {}, "taken as 50 %",
    ),
    Code.DIRECTION_WRONG: (
        "room_pressure", "", NOTHING, {"wanted": "negative"}, "is 14.9 Pa, the other direction",
    ),
    Code.DIRECTION_UNDECIDED: (
        "room_pressure", "pressure", read("pressure", "Pa", "0.1", "-0.1", place="pressure"), {},
        "contains zero",
    ),
    Code.DROP_ABOVE_CLEAN: (
        "static_profile", "", NOTHING,
        {"clean_drops": [amount("30", "Pa"), amount("120", "Pa"), None, None]},
        "1-2 filter is 96 Pa, 3.2 times",
    ),
    Code.SIGN_UNEXPECTED: (
        "static_profile", "", line("", "pressure", "Pa", "62.0", "-158.0", "-296.5", "148.0", "96.0"), {},
        "at Station 1 is 62.0 ± 4.3 Pa",
    ),
    Code.LOW_DROP: (
        "valve_flow", "", read("pressure", "kPa", "2.1", "2.2", "2.1"), {}, "drop is 2.13 kPa",
    ),
    Code.SETTING_NOT_RECORDED: ("valve_flow", "", NOTHING, {"setting": None}, "was not recorded"),
    Code.FLUID_TEMPERATURE_ASSUMED: (
        "valve_flow", "temperature", NOTHING, {}, "taken as 40 ± 35 °C",
    ),
    Code.NEGATIVE_HEAD: (
        "pump_test", "discharge", read("pressure", "kPa", "24", "25", place="discharge"), {}, "head is −",
    ),
    Code.OUTSIDE_CURVE: (
        "pump_test", "discharge", read("pressure", "kPa", "402", "403", place="discharge"), {},
        "outside the maker's",
    ),
    Code.SPAN_TOO_SMALL: (
        "mixed_air", "outdoor_air", read("temperature", "Cel", "21.9", "22.1", place="outdoor_air"), {},
        "of it.",
    ),
    Code.MIXED_AT_ONE_PLACE: (
        "mixed_air", "mixed_air", read("temperature", "Cel", "16.5", place="mixed_air"), {}, "at one place",
    ),
    Code.STRATIFIED: (
        "mixed_air", "mixed_air", line("mixed_air", "temperature", "Cel", "12.0", "21.0", "15.0", "19.0"), {},
        "range over 43",
    ),
    Code.EXPONENT_ASSUMED: (
        "leakage_test", "*",
        line("duct_pressure", "pressure", "Pa", "390", "410")
        + line("leak_flow", "flow", "L/s", "3.9", "4.1"),
        {},
        "At 2 pressures the exponent was taken as 0.65",
    ),
    Code.TEST_PRESSURE_OUTSIDE: (
        "leakage_test", "", NOTHING, {"test_pressure": amount("900", "Pa")}, "stated at 900 Pa",
    ),
    Code.BANDS_MISSING: ("sound_level", "band_8000", NOTHING, {}, "in 1 of 8 bands (8000 Hz)"),
    Code.NO_LIMITS: ("pressure_check", "", NOTHING, {"low": None, "high": None}, "No limits were given"),
    Code.GRID_COARSE: (
        "hood_face", "", NOTHING, {"width": amount("1800", "mm")}, "measure 0.45 m by 0.225 m",
    ),
    Code.REVERSED_FLOW: (
        "hood_face", "", methods.grid([["0.51", "-0.15"], ["0.5", "0.5"], ["0.52", "0.49"], ["0.5", "0.46"]]),
        {},
        "reversed at 1 reading (1.2), down to −0.15 m/s",
    ),
    Code.FACE_POINTS_OFF: (
        "hood_face", "", methods.grid([["0.51", "0.33"], ["0.53", "0.5"], ["0.52", "0.49"], ["0.5", "0.46"]]),
        {},
        "lie 1 point (1.2)",
    ),
}  # fmt: skip
"""Real measurements that the calculation notices something in."""


def changed(world: World, method: str, place: str, rows: list[dict[str, Any]]) -> dict[str, Any]:
    """Readings with those of a place (by the end of its name; "*": of all) replaced, and who showed them."""
    usual, kind = methods.SESSIONS[method](world), METHODS[method]
    first = kind.places[0].name
    kept = [] if place == "*" else usual["readings"]
    if rows or place:
        kept = [row for row in kept if not (row.get("place") or first).endswith(place or first)]
    uses = {kind.place(row.get("place", "")).use for row in rows} - set(usual["instruments"])
    return {
        "readings": kept + rows,
        "instruments": usual["instruments"] | {use: str(world.instruments[use].id) for use in uses},
    }


@pytest.mark.django_db
@pytest.mark.parametrize("code", CASES, ids=str)
def test_a_measurement_raises_what_is_noticed_in_it(equipped: World, code: Code) -> None:
    method, place, rows, differs, words = CASES[code]
    assert code.value not in EXPECTED[method]
    flag = raised(equipped, method, changed(equipped, method, place, rows), **differs)[code.value]
    assert words in flag.seen
    row = BY_CODE[code]
    assert (flag.severity, flag.source) == (row.severity, row.source)


OTHERS: dict[str, tuple[str, str, list[dict[str, Any]], dict[str, Any], str]] = {
    "swapped_hoses": ("valve_flow", "", read("pressure", "kPa", "-12.1", "-12.3"), {}, "in the mean"),
    "negative_readings": ("valve_flow", "", read("pressure", "kPa", "12.1", "-0.4"), {}, "in 1 reading,"),
    "points_missing": (
        "hood_face", "", methods.grid([["0.51", "0.47"], ["0.53", "0.50"], ["0.52", "0.49"]]), {},
        "no reading at 2 of 8 points (4.1, 4.2)",
    ),
    "too_few_points": ("face_velocity", "", methods.grid([["2.05", "2.11"]]), {}, "read at 2 places"),
    "screening_only": ("face_velocity", "", NOTHING, {"area_source": "gross"}, "gross area"),
    "single_run": ("pressure_check", "", read("pressure", "Pa", "261"), {}, "made once"),
    "bad_distribution": (
        "anemometer_traverse", "",
        methods.grid([[f"{9.0 if n < 2 else 1.1 + 0.1 * n:.2f}" for n in range(5)]] * 5), {},
        "squares of the",
    ),
    "outside_range": (
        "mixed_air", "outdoor_air", read("temperature", "Cel", "-24", place="outdoor_air"), {},
        "e.g. −24.0 °C",
    ),
}  # fmt: skip
"""Rules of the other modules, by methods that only the calculation's remarks cover."""


@pytest.mark.django_db
@pytest.mark.parametrize("rule", OTHERS)
def test_the_other_rules_see_what_every_method_notices(equipped: World, rule: str) -> None:
    method, place, rows, differs, words = OTHERS[rule]
    assert rule not in EXPECTED[method]
    found = raised(equipped, method, changed(equipped, method, place, rows), **differs)
    assert words in found[rule].seen


@pytest.mark.django_db
@pytest.mark.parametrize(("after", "flagged"), [("0.3", False), ("0.6", True)])
def test_the_zero_of_a_water_gauge_may_move_by_2_percent(equipped: World, after: str, flagged: bool) -> None:
    gauge, start = str(equipped.instruments["water_pressure"].id), batches.now()
    checks = [
        {"at": (start - timedelta(minutes=m)).isoformat(), "value": v, "unit": "kPa", "instrument": gauge}
        for m, v in ((10, "0.1"), (1, after))
    ]
    found = raised(equipped, "valve_flow", {"zero_checks": checks})
    assert ("zero_shift" in found) == flagged
    if flagged:
        assert "moved by 0.5 kPa" in found["zero_shift"].seen


def noticed(remarks: tuple[calc.Remark, ...], units: str = "SI", method: str = "fan_test") -> list[Finding]:
    """What the rules of the table say of a calculation's remarks."""
    loaded = SimpleNamespace(
        session=SimpleNamespace(method=method), company=SimpleNamespace(unit_system=units)
    )
    found = calc.MethodResult(method, "", {}, "", remarks)
    seen = Seen(cast(Any, loaded), Computed({}, {}, found))
    return [finding for row in ROWS for finding in RULES[row.name].check(seen)]


def test_a_fan_that_does_not_follow_its_earlier_state_is_told() -> None:
    """At twice the speed four times the pressure, by the fan laws; here three times."""
    meter = calc.Instrument(accuracy=calc.Accuracy(of_reading=0.005), low=-2000.0, high=2000.0)
    turning = calc.Instrument(accuracy=calc.Accuracy(of_reading=0.001))

    def trial(pressure: float, earlier: FanState | None = None) -> calc.MethodResult:
        return calc.fan_test(
            calc.FanTest(
                Readings((-0.5 * pressure,), meter, "m"),
                Readings((0.5 * pressure,), meter, "m"),
                calc.Air(293.15, 101_325.0, humidity=0.5),
                convention=FanStatic.FIELD,
                speed=Readings((20.0,), turning),
                earlier=earlier,
            )
        )

    earlier = replace(fan_state(trial(200.0)), speed=calc.Estimate(10.0, 0.01))
    rules = {r.code for r in trial(800.0, earlier).remarks}
    assert Code.FAN_LAWS_DISAGREE not in rules
    (finding,) = [f for f in noticed(trial(600.0, earlier).remarks) if "fan laws" in f.seen]
    assert (
        finding.seen
        == "The fan's pressure differs by −25 % from what the fan laws make of the earlier state."
    )
    assert finding.data["points"] == ["pressure"]


def test_one_code_in_several_parts_is_a_finding_for_each() -> None:
    remarks = tuple(
        calc.Remark(Code.DROP_NEGATIVE, {"drop": -20.0 * n, "U": 3.0}, (f"{n}-{n + 1} cooling_coil",))
        for n in (1, 2)
    )
    first, second = noticed(remarks, "IP", "static_profile")
    assert first.seen == "The drop of 1-2 cooling coil is −0.080 ± 0.012 inH2O, the wrong way."
    assert first.key != second.key
    assert noticed(()) == []


def test_a_code_that_is_a_flag_of_one_method_only() -> None:
    remark = calc.Remark(Code.HUMIDITY_ASSUMED, {"humidity": 0.5})
    assert noticed((remark,), method="hood_reading") == []
    assert [f.seen for f in noticed((remark,), method="coil_heat")] == [
        "The relative humidity of the air was taken as 50 %."
    ]


def test_a_pumps_motor_above_its_plate_by_current_or_by_power() -> None:
    numbers = {"value": 9_000.0, "nameplate": 7_500.0}
    (finding,) = noticed((calc.Remark(Code.PUMP_OVER_NAMEPLATE, numbers, ("power",)),))
    assert (finding.seen, finding.expected) == (
        "The motor's power is 9 kW, above its nameplate.", "At most 7.5 kW.",
    )  # fmt: skip
    numbers = {"value": 15.2, "nameplate": 14.5}
    (finding,) = noticed((calc.Remark(Code.PUMP_OVER_NAMEPLATE, numbers, ("current",)),))
    assert "current is 15.2 A" in finding.seen


@pytest.mark.django_db
def test_a_flow_of_water_is_told_in_the_units_of_water(equipped: World) -> None:
    with company(equipped.id):
        equipped.company.unit_system = UnitSystem.IP
        equipped.company.save()
    slow = changed(equipped, "valve_flow", "", read("pressure", "kPa", "6.1", "6.2"))
    assert re.search(
        r"of the design 9\.67 gpm\.$", raised(equipped, "valve_flow", slow)["out_of_tolerance"].seen
    )
    flag = raised(equipped, "fan_test", {}, maximum_speed=amount("1100", "/min"))["above_maximum_speed"]
    assert flag.expected == "At most 1100 r/min."
