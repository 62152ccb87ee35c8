"""The schema of the snapshot: every document fits it, what does not fit is refused, every unit is told."""

import json
from typing import Any

import jsonschema
import pytest
from django.test import Client

from reports import schema
from reports.document import Document, Quantity, UnitSystem, to_bytes
from tests.render import sample
from tests.render.testworld import whole


def validator() -> jsonschema.Draft202012Validator:
    jsonschema.Draft202012Validator.check_schema(schema.snapshot_schema())
    return jsonschema.Draft202012Validator(schema.snapshot_schema())


@pytest.mark.parametrize(
    "document",
    [sample.sample(UnitSystem.SI), sample.sample(UnitSystem.IP), sample.small(), whole()],
    ids=["SI", "I-P", "small", "tests"],
)
def test_every_document_fits(document: Document) -> None:
    assert not list(validator().iter_errors(json.loads(to_bytes(document))))


@pytest.mark.parametrize("wrong", [{"kind": "other"}, {"systems": [{}]}, {"extra": 1}, {"report": None}])
def test_what_is_no_snapshot_does_not_fit(wrong: dict[str, Any]) -> None:
    content = json.loads(to_bytes(sample.small())) | wrong
    assert list(validator().iter_errors(content))


def test_every_quantity_has_a_unit_told() -> None:
    assert set(schema.UNITS) == set(Quantity)


@pytest.mark.django_db
def test_anyone_may_read_it() -> None:
    answer = Client().get("/api/v1/snapshot.schema.json")
    assert answer.status_code == 200
    assert answer["Content-Type"] == schema.MEDIA_TYPE
    assert json.loads(answer.content)["$id"] == "urn:flowledger:report:1"
