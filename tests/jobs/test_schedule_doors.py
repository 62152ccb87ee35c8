"""The REST door of the schedule: what columns mean, an import bound to its preview, and the export."""

import csv
import io
import json
import uuid
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client

from jobs.models import TestPoint
from jobs.tenancy.context import company
from tests.factories import World
from tests.jobs.sheets import SMALL, csv_of

pytestmark = pytest.mark.django_db
OUTLETS = csv_of([["S-10", "Hall", "200"], ["S-11", "Foyer", "150"]], ["Bauteil", "Room", "Max CFM"])
SAID = {
    "columns": {"A": {"is": "tag"}, "C": {"is": "design flow", "unit": "cfm"}},
    "all_rows": {"system": "AHU-7", "kind": "outlet"},
}


def post(world: World, file: bytes, said: Any = None, query: str = "") -> Any:
    data: dict[str, Any] = {"file": SimpleUploadedFile("s.csv", file)}
    if said is not None:
        data["columns"] = said if isinstance(said, str) else json.dumps(said)
    headers = {**world.bearer, "Idempotency-Key": str(uuid.uuid4())}
    return Client().post(f"/api/v1/sites/{world.site.id}/schedule{query}", data, headers=headers)


def get(world: World, query: str = "", site: Any = None) -> Any:
    address = f"/api/v1/sites/{(site or world.site).id}/schedule{query}"
    return Client().get(address, headers=world.bearer)


def test_columns_are_said_previewed_imported_and_remembered(company_a: World) -> None:
    refused = post(company_a, OUTLETS)
    assert refused.status_code == 422
    seen = post(company_a, OUTLETS, SAID, "?preview=true").json()
    assert [(one["column"], one["means"], one["unit"], one["known_by"]) for one in seen["columns"]] == [
        ("A", "tag", "", "said"), ("B", "location", "", "head"), ("C", "design flow", "[cft_i]/min", "said"),
    ]  # fmt: skip
    assert seen["system_changes"] == [{"tag": "AHU-7", "added": True, "values": []}]
    with company(company_a.id):
        assert not TestPoint.objects.filter(tag="S-10").exists()
    done = post(company_a, OUTLETS, SAID, f"?plan={seen['plan']}").json()
    assert (done["stored"], done["points"]["added"]) == (True, 2)
    revised = OUTLETS.replace(b"150", b"175")
    again = post(company_a, revised, {"all_rows": SAID["all_rows"]}, "?preview=true").json()
    assert [one["known_by"] for one in again["columns"]] == ["remembered", "head", "remembered"]
    change = again["changes"][0]
    assert (change["tag"], change["added"]) == ("S-11", False)
    values = {one["field"]: (one["before"], one["after"]) for one in change["values"]}
    assert values["design_entered"] == ("150 ft³/min", "175 ft³/min")
    assert values["design_flow"] == pytest.approx((0.0707921, 0.0825908), rel=1e-5)


def test_an_import_bound_to_an_old_preview_is_refused(company_a: World) -> None:
    seen = post(company_a, csv_of(SMALL), query="?preview=true").json()
    assert post(company_a, csv_of([SMALL[0]])).status_code == 200
    late = post(company_a, csv_of(SMALL), query=f"?plan={seen['plan']}")
    assert (late.status_code, late.json()["type"]) == (412, "/problems/changed-meanwhile")
    with company(company_a.id):
        assert not TestPoint.objects.filter(system__tag="AHU-7", tag="S-1").exists()


@pytest.mark.parametrize(
    ("said", "status", "pointer"),
    [
        ("{", 400, ""),
        ('{"head_row": NaN}', 400, ""),
        ("[]", 422, "/columns"),
        ({"columns": {"A": {"is": "colour"}}}, 422, "/columns/columns/A/is"),
        ({"columns": {"C": {"is": "design flow", "unit": "mm"}}}, 422, "/columns/columns/C/unit"),
        ({"all_rows": {"tag": "x"}}, 422, "/columns/all_rows/tag"),
        ({**SAID, "head_row": 40}, 422, "head_row"),
        ({**SAID, "all_rows": {"system": "A", "kind": "gadget"}}, 422, "all_rows/kind"),
    ],
)
def test_what_is_said_wrongly_is_told_at_its_place(
    company_a: World, said: Any, status: int, pointer: str
) -> None:
    answer = post(company_a, OUTLETS, said)
    assert answer.status_code == status, answer.content
    if pointer:
        assert pointer in [fault["pointer"] for fault in answer.json()["errors"]]


@pytest.mark.parametrize("kind", ["csv", "xlsx"])
def test_an_export_sent_again_changes_nothing(company_a: World, kind: str) -> None:
    made = get(company_a, f"?as={kind}")
    assert made["Content-Disposition"] == f'attachment; filename="schedule.{kind}"'
    again = post(company_a, made.content).json()
    assert (again["points"]["unchanged"], again["changes"], again["system_changes"]) == (5, [], [])


def test_the_export_is_for_readers_of_the_company(company_a: World, company_b: World) -> None:
    rows = list(csv.reader(io.StringIO(get(company_a).content.decode("utf-8-sig"))))
    assert len(rows) == 6
    assert get(company_a, "?as=pdf").status_code == 422
    assert get(company_a, site=company_b.site).status_code == 404
    tablet = Client().get(
        f"/api/v1/sites/{company_a.site.id}/schedule",
        headers={"Authorization": f"Bearer {company_a.technician_token}"},
    )
    assert tablet.status_code == 200
