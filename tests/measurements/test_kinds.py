"""The published schema of each session kind says what intake takes: the same sessions pass and fail both."""

from typing import Any

import jsonschema
import pytest
from django.test import Client

from jobs.models import TestPoint
from jobs.register import point_faults
from jobs.tenancy.context import company
from measurements.methods import METHODS
from measurements.rest import kinds
from tests.factories import World
from tests.measurements import batches, methods

PLAIN = {
    "pitot_traverse": batches.traverse,
    "swept_traverse": batches.sweep,
    "centreline_reading": batches.centreline,
    "hood_reading": batches.hood,
}
MADE = PLAIN | methods.SESSIONS


@pytest.fixture
def equipped(fine: World) -> World:
    with company(fine.id):
        return methods.equip(fine)


@pytest.fixture(scope="module")
def validator() -> jsonschema.Draft202012Validator:
    root = {"components": {"schemas": kinds.components()}, "$ref": f"{kinds.REF}SessionBatch"}
    jsonschema.Draft202012Validator.check_schema(root)
    return jsonschema.Draft202012Validator(root)


def batch(*sessions: Any) -> dict[str, Any]:
    return {"sent_at": "2026-03-02T09:41:07+01:00", "sessions": list(sessions)}


@pytest.mark.django_db
def test_a_session_of_every_method_fits_its_schema(
    equipped: World, validator: jsonschema.Draft202012Validator
) -> None:
    assert set(MADE) == set(METHODS)
    for name, make in MADE.items():
        errors = [e.message for e in validator.iter_errors(batch(make(equipped)))]
        assert not errors, (name, errors)


@pytest.mark.django_db
@pytest.mark.parametrize(
    "change",
    [
        {"told": {}},
        {"told": {"device": "factor", "colour": "red"}},
        {"told": {"device": "funnel"}},
        {"plane": batches.rectangular_plane()},
        {"readings": []},
        {"readings": methods.read("velocity", "m/s", "1")},
        {"readings": methods.read("pressure", "Pa", "1", place="roof")},
        {"instruments": {}},
        {"colour": "red"},
    ],
)
def test_what_intake_refuses_does_not_fit(
    equipped: World, validator: jsonschema.Draft202012Validator, change: dict[str, Any]
) -> None:
    sent = methods.station(equipped) | change
    assert list(validator.iter_errors(batch(sent)))
    (outcome,) = batches.post(equipped, sent)
    assert outcome.outcome == "refused"


@pytest.mark.django_db
def test_the_methods_are_told_by_rest(client: Client, company_a: World) -> None:
    answer = client.get("/api/v1/methods", headers={"Authorization": f"Bearer {company_a.technician_token}"})
    assert answer.status_code == 200
    found = {one["method"]: one for one in answer.json()["methods"]}
    assert set(found) == set(METHODS)
    fan = found["fan_test"]
    assert fan["measurand"] == "fan_static_pressure"
    assert fan["unit"] == "Pa"
    assert [place["name"] for place in fan["places"]][:2] == ["inlet_pressure", "outlet_pressure"]
    assert any("lock out" in caution for caution in fan["cautions"])


@pytest.mark.parametrize(
    ("design", "pointer"),
    [
        ({"of": "pressure", "unit": "Pa", "value": "15", "low": "10"}, None),
        ({"of": "nc_rating", "unit": "1", "high": "35"}, None),
        ({"of": "nc_rating", "unit": "1", "value": "35"}, "/design/high"),
        ({"of": "pressure", "unit": "Pa", "low": "10", "high": "5"}, "/design/low"),
        ({"of": "pressure", "unit": "Pa"}, "/design/value"),
    ],
)
@pytest.mark.django_db
def test_a_design_of_something_else_than_a_flow(
    company_a: World, design: dict[str, str], pointer: str | None
) -> None:
    value, low, high = (float(design[n]) if n in design else None for n in ("value", "low", "high"))
    with company(company_a.id):
        made = TestPoint(design_of=design["of"], design_value=value, limit_low=low, limit_high=high)
    assert [fault.pointer for fault in point_faults(made)] == ([pointer] if pointer else [])
