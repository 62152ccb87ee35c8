"""Frozen results: every version's inputs give every version's digits, and inputs survive storage.

golden/v1.json was made with version 1 by `python -m tests.calc.test_golden`. It is never rewritten: a
change that moves a digit gets a new version and a new file beside it.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from measurements.calc import (
    CALCULATION_VERSION,
    CentrelineReading,
    HoodReading,
    MethodResult,
    PitotTraverse,
    Refused,
    SweptTraverse,
    centreline_reading,
    digest,
    from_plain,
    hood_reading,
    pitot_traverse,
    swept_traverse,
    to_plain,
)
from measurements.calc.duct import Duct, Shape
from measurements.calc.positions import Rule
from tests.calc import worlds

FILE = Path(__file__).with_name("golden") / f"v{CALCULATION_VERSION}.json"
METHODS: dict[str, tuple[type[Any], Callable[[Any], MethodResult]]] = {
    "pitot_traverse": (PitotTraverse, pitot_traverse),
    "swept_traverse": (SweptTraverse, swept_traverse),
    "centreline_reading": (CentrelineReading, centreline_reading),
    "hood_reading": (HoodReading, hood_reading),
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
    for build in (worlds.pitot, worlds.swept, worlds.centreline, worlds.hood):
        inputs = build()
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


def test_digest_tells_every_field_apart() -> None:
    plain = digest(worlds.pitot())
    assert digest(worlds.pitot()) == plain
    assert digest(worlds.pitot(upstream=4.000000000000001)) != plain
    assert digest(worlds.pitot(rule=Rule.EQUAL_AREA)) != plain
    assert digest(worlds.pitot(upstream=4)) == plain


def make() -> dict[str, Any]:
    """The cases of this version."""
    round_readings = worlds.readings(2, 6, runs=2)
    oval = worlds.readings(5, 4)
    weak = worlds.readings(base=1.5)
    inputs: dict[str, Any] = {
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
    }
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
    FILE.write_text(json.dumps(make(), indent=1, sort_keys=True) + "\n", encoding="utf-8")
