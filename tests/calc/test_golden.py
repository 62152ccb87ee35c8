"""Frozen results: every version's inputs give every version's digits, and inputs survive storage.

golden/v1.json was made with version 1 by `python -m tests.calc.test_golden`. Once a
version is released its file is never rewritten: a change that moves a digit gets a new version and a new file
beside it.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from measurements import calc
from measurements.calc import CALCULATION_VERSION, MethodResult, PitotTraverse, Refused, from_plain, to_plain
from measurements.calc.duct import Duct, Shape
from measurements.calc.places import Readings
from measurements.calc.positions import Rule
from measurements.calc.records import digest
from tests.calc import worlds

FILE = Path(__file__).with_name("golden") / f"v{CALCULATION_VERSION}.json"
METHODS: dict[str, tuple[type[Any], Callable[[Any], MethodResult]]] = {
    "pitot_traverse": (calc.PitotTraverse, calc.pitot_traverse),
    "swept_traverse": (calc.SweptTraverse, calc.swept_traverse),
    "anemometer_traverse": (calc.AnemometerTraverse, calc.anemometer_traverse),
    "centreline_reading": (calc.CentrelineReading, calc.centreline_reading),
    "hood_reading": (calc.HoodReading, calc.hood_reading),
    "face_velocity": (calc.FaceVelocity, calc.face_velocity),
    "hood_face": (calc.HoodFace, calc.hood_face),
    "flow_station": (calc.FlowStation, calc.flow_station),
    "static_profile": (calc.StaticProfile, calc.static_profile),
    "pressure_check": (calc.PressureCheck, calc.pressure_check),
    "leakage_test": (calc.LeakageTest, calc.leakage_test),
    "room_pressure": (calc.RoomPressure, calc.room_pressure),
    "fan_test": (calc.FanTest, calc.fan_test),
    "mixed_air": (calc.MixedAir, calc.mixed_air),
    "sound_level": (calc.SoundLevel, calc.sound_level),
    "valve_flow": (calc.ValveFlow, calc.valve_flow),
    "pump_test": (calc.PumpTest, calc.pump_test),
    "coil_heat": (calc.CoilHeat, calc.coil_heat),
}


def _cases() -> dict[str, Any]:
    return json.loads(FILE.read_text(encoding="utf-8"))


def _rounded(value: Any) -> Any:
    """Floats to 12 significant digits: the same on every machine's mathematics library."""
    if isinstance(value, float):
        return float(f"{value:.12g}")
    if isinstance(value, dict):
        return {k: _rounded(v) for k, v in value.items()}
    return [_rounded(v) for v in value] if isinstance(value, list) else value


@pytest.mark.parametrize("name", sorted(_cases() if FILE.exists() else []))
def test_frozen_inputs_give_the_frozen_digits(name: str) -> None:
    case = _cases()[name]
    kind, method = METHODS[case["method"]]
    found = method(from_plain(kind, case["inputs"]))
    assert _rounded(to_plain(found)) == _rounded(case["result"])
    assert found.digest == case["result"]["digest"]
    assert found.calculation_version == CALCULATION_VERSION


def test_every_method_is_frozen() -> None:
    assert {c["method"] for c in _cases().values()} == set(METHODS)


def test_inputs_survive_storage() -> None:
    for inputs in _inputs().values():
        assert from_plain(type(inputs), json.loads(json.dumps(to_plain(inputs)))) == inputs


def test_stored_inputs_that_do_not_fit_are_named() -> None:
    data = to_plain(worlds.pitot())
    for change, match in (
        ({"readings": 5}, r"inputs.readings: must be a list"),
        ({"rule": "spiral"}, r"inputs.rule: must be one of log_linear"),
        ({"upstream": "far"}, r"inputs.upstream: must be float"),
        ({"colour": "red"}, "must be an object with the fields"),
        ({"duct": {"shape": "round"}}, r"inputs.duct: is incomplete"),
        ({"readings": [{"hole": 1.5, "row": 1, "value": 2.0}]}, r"readings\[0\].hole: must be int"),
    ):
        with pytest.raises(Refused, match=match):
            from_plain(PitotTraverse, {**data, **change})
    places = {"values": [1.0], "instrument": {}, "places": [[1, 2]]}
    with pytest.raises(Refused, match="must have 3 entries") as caught:
        from_plain(Readings, places)
    assert (caught.value.input, caught.value.value) == ("inputs.places[0]", [1, 2])


def test_what_is_built_already_is_taken_as_it_is() -> None:
    inputs = worlds.pitot()
    assert from_plain(PitotTraverse, inputs) is inputs
    found = from_plain(PitotTraverse, {**to_plain(inputs), "duct": worlds.ROUND})
    assert found.duct is worlds.ROUND
    assert found.air == inputs.air


def test_digest_tells_every_field_apart() -> None:
    plain = digest(worlds.pitot())
    assert digest(worlds.pitot()) == plain
    assert digest(worlds.pitot(upstream=4.000000000000001)) != plain
    assert digest(worlds.pitot(rule=Rule.EQUAL_AREA)) != plain
    assert digest(worlds.pitot(upstream=4)) == plain
    # a figure that comes out of an array
    assert digest(worlds.pitot(upstream=np.float64(4.0))) == plain


def _inputs() -> dict[str, Any]:
    """Inputs by label: every method at least once."""
    # the tests of each method have the inputs; they are not needed to replay what is frozen
    from tests.calc import (
        test_anemometer,
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
    )

    round_readings = worlds.readings(2, 6, runs=2)
    oval = worlds.readings(5, 4)
    weak = worlds.readings(base=1.5)
    return {
        "rectangular": worlds.pitot(),
        "two runs": worlds.pitot(readings=worlds.readings(runs=2)),
        "round": worlds.pitot(
            duct=worlds.ROUND, readings=round_readings, rule=Rule.LOG_LINEAR, holes=2, rows=6
        ),
        "flat oval": worlds.pitot(duct=worlds.OVAL, readings=oval, rule=Rule.EQUAL_AREA, holes=5, rows=4),
        "weak and negative": worlds.pitot(readings=weak),
        "swapped": worlds.pitot(
            readings=tuple(type(r)(r.hole, r.row, -r.value, r.run) for r in worlds.readings())
        ),
        "hot, by altitude": worlds.pitot(air=type(worlds.AIR)(330.15, None, 1600.0, -300.0)),
        "swept series": worlds.swept(),
        "swept round": worlds.swept(duct=Duct(Shape.ROUND, 0.4), lines=5),
        "centreline": worlds.centreline(),
        "hood": worlds.hood(),
        "hood, factor assumed": worlds.hood(factor=None),
        "anemometer": test_anemometer.traverse(),
        "face": test_face.face(),
        "fume hood": test_fume_hood.hood(),
        "flow ring": test_station.ring(),
        "orifice": test_station.orifice(),
        "static profile": test_profile.profile(),
        "switch": test_check.switch(),
        "leakage": test_leakage.run(),
        "room": test_room.room(),
        "fan": test_fan_site.PLAIN,
        "mixed air": test_mixing.grid(),
        "sound": test_sound.room(),
        "balancing valve": test_valve.valve(),
        "pump": test_pump.trial(),
        "cooling coil": test_coil.cooling(),
    }


def make() -> dict[str, Any]:
    """The cases of this version."""
    inputs = _inputs()
    names = {kind: name for name, (kind, _) in METHODS.items()}
    return {
        label: {
            "method": names[type(case)],
            "inputs": to_plain(case),
            "result": to_plain(METHODS[names[type(case)]][1](case)),
        }
        for label, case in inputs.items()
    }


if __name__ == "__main__":
    if FILE.exists():
        sys.exit(f"{FILE} is frozen; raise CALCULATION_VERSION first")
    lines = [f"{json.dumps(name)}: {json.dumps(case, sort_keys=True)}" for name, case in make().items()]
    FILE.write_text("{\n" + ",\n".join(lines) + "\n}\n", encoding="utf-8")
