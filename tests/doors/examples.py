"""The examples of openapi.yaml as it is committed, and what they become in a world of the tests.

Nothing is replaced by hand for one example: an id or secret of `jobs.rest.examples` becomes that of the world
wherever it stands, and all days move so that the example's Monday, 2 March 2026, is the day before today.
"""

import json
import re
import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cache
from pathlib import Path
from typing import Any
from uuid import UUID

import yaml
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test.client import BOUNDARY, encode_multipart
from django.utils import timezone
from jsonschema import Draft202012Validator

from jobs.access import join_token
from jobs.models import Certificate, CompanyExport, Instrument, InstrumentKind, Site
from jobs.rest import examples as ids
from jobs.tenancy.context import company
from jobs.tenancy.ids import short_id
from measurements.models import RecallItem
from reports.models import Issue
from tests.doors import walk
from tests.doors.client import API, Caller
from tests.factories import World

ROOT = Path(__file__).resolve().parents[2]
MONDAY = date(2026, 3, 2)
_DAY = re.compile(r"\b20\d\d-[01]\d-[0-3]\d(?!\d)")
_UUID = re.compile(r"\b[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}\b")
_FORM = "multipart/form-data"


@cache
def document() -> dict[str, Any]:
    made: dict[str, Any] = yaml.load((ROOT / "openapi.yaml").read_text(), Loader=yaml.CSafeLoader)
    return made


def operations() -> Iterator[tuple[str, str, dict[str, Any]]]:
    """Method, template below /api/v1, and what is said of each operation."""
    for path, entry in document()["paths"].items():
        for method, operation in entry.items():
            yield method.upper(), path.removeprefix(API), operation


@dataclass(frozen=True)
class Example:
    """One example of a body."""

    method: str
    template: str
    kind: str
    """The media type."""
    words: str
    value: Any
    operation: dict[str, Any]
    schema: dict[str, Any]

    @property
    def name(self) -> str:
        """The operation's."""
        return str(self.operation["operationId"])

    def __str__(self) -> str:
        return f"{self.name} {self.words}"


def requests() -> list[Example]:
    """Each example of what is sent."""
    return [
        Example(method, template, kind, words, one["value"], operation, content.get("schema", {}))
        for method, template, operation in operations()
        for kind, content in operation.get("requestBody", {}).get("content", {}).items()
        for words, one in content.get("examples", {}).items()
    ]


def answers() -> list[Example]:
    """Each example of what is answered."""
    return [
        Example(method, template, kind, words, one["value"], operation, content.get("schema", {}))
        for method, template, operation in operations()
        for answer in operation["responses"].values()
        for kind, content in answer.get("content", {}).items()
        for words, one in content.get("examples", {}).items()
    ]


def faults(value: Any, schema: dict[str, Any]) -> list[str]:
    """Where a value does not keep to a schema of the document."""
    whole = {**schema, "components": document()["components"]}
    checker = Draft202012Validator(whole, format_checker=Draft202012Validator.FORMAT_CHECKER)
    return [f"{list(one.absolute_path)}: {one.message[:200]}" for one in checker.iter_errors(value)]


def unknown_ids(text: str) -> set[str]:
    """Ids that are neither of the examples' world nor made by a client."""
    return set(_UUID.findall(text)) - {value for value in vars(ids).values() if isinstance(value, str)}


# In a world


def stand_for(world: World) -> dict[str, str]:
    """What the words of the examples are in a full world."""
    with company(world.id):
        manometer = world.instruments["pressure"]
        others = Instrument.objects.filter(kind=InstrumentKind.MANOMETER).exclude(id=manometer.id)
        found: dict[str, Any] = {
            ids.CUSTOMER: world.customer.id,
            ids.SITE: world.site.id,
            ids.ANNEXE: Site.objects.get(name="Annexe").id,
            ids.SYSTEM: world.system.id,
            ids.POINT: world.points["S-1"].id,
            ids.BRANCH: world.points["BD-1"].id,
            ids.MANOMETER: manometer.id,
            ids.SECOND_MANOMETER: others.earliest("id").id,
            ids.HOOD: world.instruments["hood"].id,
            ids.CERTIFICATE: Certificate.objects.get(instrument=manometer).id,
            ids.MEMBER: world.technician.id,
            ids.JOB: world.job.id,
            ids.PHOTO: walk.ids_of(world)["photo_id"],
            ids.RECALL_ITEM: RecallItem.objects.earliest("id").id,
            ids.INTEGRATION: walk.ids_of(world)["integration_id"],
            ids.EXPORT: CompanyExport.objects.earliest("asked_at").id,
            ids.SERIAL: manometer.serial,
            ids.COMPANY: short_id(world.id),
            ids.INVITATION: join_token(world.id, ids.INVITATION.partition(".")[2]),
            ids.REPORT_ADDRESS: f"https://flow.example.org{path_of(Issue.objects.earliest('issued_at'))}",
        }
    return {words: str(value) for words, value in found.items()}


def path_of(made: Issue) -> str:
    return f"/check/{short_id(made.company_id)}/{made.number}/{made.address_key}"


def moved(text: str) -> str:
    """Its days, as if the example's Monday were yesterday."""
    ahead = timezone.now().date() - timedelta(days=1) - MONDAY
    return _DAY.sub(lambda found: (date.fromisoformat(found[0]) + ahead).isoformat(), text)


def told(value: Any, known: dict[str, str]) -> Any:
    """An example's value in the world whose words are given."""
    if isinstance(value, dict):
        return {name: told(at, known) for name, at in value.items()}
    if isinstance(value, list):
        return [told(at, known) for at in value]
    if not isinstance(value, str):
        return value
    for words in sorted(known, key=len, reverse=True):
        value = value.replace(words, known[words])
    return moved(value)


def encoded(kind: str, value: Any, schema: dict[str, Any]) -> tuple[bytes, str]:
    """A body and its content type."""
    if kind == "application/json":
        return json.dumps(value).encode(), kind
    if kind == _FORM:
        files = {name for name, one in schema["properties"].items() if one.get("format") == "binary"}
        parts = {
            name: SimpleUploadedFile("file.pdf", at.encode()) if name in files else at
            for name, at in value.items()
        }
        return encode_multipart(BOUNDARY, parts), f"{_FORM}; boundary={BOUNDARY}"
    return value.encode("latin-1" if kind == "application/partial-upload" else "utf-8"), kind


def send(caller: Caller, one: Example, own: dict[str, UUID], known: dict[str, str]) -> Any:
    """The answer to an example: with each parameter that is required or has an example."""
    parameters = one.operation.get("parameters", ())
    shown = {
        (parameter["in"], parameter["name"]): told(str(example["value"]), known)
        for parameter in parameters
        for example in parameter.get("examples", {}).values()
    }
    words = {name: value for (place, name), value in shown.items() if place == "path"}
    path = one.template.format(**own, **words)
    wanted = [each["name"] for each in parameters if each["in"] == "header" and each.get("required")]
    headers = {name: shown.get(("header", name)) or header(caller, name, path) for name in wanted}
    asked = "&".join(f"{name}={value}" for (place, name), value in shown.items() if place == "query")
    data, kind = encoded(one.kind, told(one.value, known), one.schema)
    return caller.client.generic(
        one.method, API + path, data, content_type=kind, headers=caller.headers | headers, QUERY_STRING=asked
    )


def header(caller: Caller, name: str, path: str) -> str:
    """A key of its own for a request; what was seen last of what it changes."""
    if name == "Idempotency-Key":
        return str(uuid.uuid4())
    assert name == "If-Match", f"the parameter {name} needs an example"
    while path:
        seen = caller.get(path)
        if seen.status_code == 200 and "ETag" in seen:
            return str(seen["ETag"])
        path = path.rpartition("/")[0]
    raise AssertionError("there is nothing to have been seen")
