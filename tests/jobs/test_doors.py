"""The REST doors of planning: what goes in and out, who may, companies apart, constant statements."""

import json
import uuid
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from jobs.models import Customer, Event, Instrument, InstrumentKind, Quantity, Role, System, TestPoint
from jobs.tenancy.context import company
from tests import factories
from tests.factories import World, bearer
from tests.jobs.sheets import SMALL, csv_of, xlsx_of

pytestmark = pytest.mark.django_db
API = "/api/v1"
CLIENT = Client()  # one for all: it holds no cookies, and making one loads the middleware
XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


def send(world: World, method: str, path: str, body: Any = None, **headers: str) -> Any:
    """A JSON request with the integration key, and a new Idempotency-Key for a POST."""
    if method == "post":
        headers.setdefault("Idempotency-Key", str(uuid.uuid4()))
    data = b"" if body is None else json.dumps(body).encode()
    return getattr(CLIENT, method)(
        API + path,
        **({} if method == "get" else {"data": data, "content_type": "application/json"}),
        headers={**world.bearer, **headers},
    )


def get(world: World, path: str) -> Any:
    return send(world, "get", path)


def test_from_a_customer_to_an_assigned_job(company_a: World) -> None:
    customer = send(company_a, "post", "/customers", {"name": "County hospital"})
    assert customer.status_code == 201, customer.content
    site = send(
        company_a, "post", "/sites",
        {"customer": customer.json()["id"], "name": "Ward 3", "elevation": {"value": "1000", "unit": "ft"}},
    ).json()  # fmt: skip
    assert site["elevation"] == {"value": pytest.approx(304.8), "unit": "m"}
    system = send(company_a, "post", "/systems", {"site": site["id"], "tag": "AHU-3"}).json()
    point = send(
        company_a, "post", "/points",
        {"system": system["id"], "tag": "MD-1", "kind": "plane", "shape": "round",
         "diameter": {"value": "12", "unit": "in"}, "design_flow": {"value": "1000", "unit": "cfm"}},
    ).json()  # fmt: skip
    assert point["diameter"] == {"value": pytest.approx(0.3048), "unit": "m"}
    assert point["design_entered"] == "1000 ft³/min"
    days = {"starts_on": "2026-03-02", "ends_on": "2026-03-06"}
    made = send(
        company_a, "post", "/jobs", {"title": "Ward", "site": site["id"], "systems": [system["id"]], **days}
    )
    assert made.headers["Location"] == f"{API}/jobs/{made.json()['id']}"
    where = f"/jobs/{made.json()['id']}"
    member = str(company_a.technician.id)
    job = send(company_a, "post", f"{where}/people", {"member": member}).json()
    assert [person["member"] for person in job["people"]] == [member]
    hood = send(
        company_a, "post", f"{where}/instruments", {"instrument": str(company_a.instruments["hood"].id)}
    )
    assert hood.status_code == 409
    assert "no certificate for flow on 2026-03-06" in hood.json()["errors"][0]["detail"]
    removed = send(company_a, "delete", f"{where}/people/{member}")
    assert removed.json()["people"] == []
    tag = removed.headers["ETag"]
    assert send(company_a, "post", f"{where}/cancel", {"reason": "Called off"}).status_code == 428
    done = send(company_a, "post", f"{where}/cancel", {"reason": "Called off"}, **{"If-Match": tag})
    assert done.json()["status"] == "cancelled"


def test_a_change_needs_the_etag(company_a: World) -> None:
    path = f"/points/{company_a.points['S-1'].id}"
    tag = get(company_a, path).headers["ETag"]
    change = {"design_flow": {"value": "100", "unit": "L/s"}}
    assert send(company_a, "patch", path, change).status_code == 428
    changed = send(company_a, "patch", path, change, **{"If-Match": tag})
    assert changed.json()["design_flow"] == {"value": 0.1, "unit": "m3/s"}
    assert send(company_a, "patch", path, change, **{"If-Match": tag}).status_code == 412
    cleared = send(company_a, "patch", path, {"design_flow": None}, **{"If-Match": changed.headers["ETag"]})
    assert (cleared.json()["design_flow"], cleared.json()["design_entered"]) == (None, "")


@pytest.mark.parametrize(
    "change",
    [
        {"design_flow": {"value": "1,5", "unit": "L/s"}},
        {"design_flow": {"value": "0x10", "unit": "L/s"}},
        {"design_flow": {"value": True, "unit": "L/s"}},
        {"design_flow": {"value": "1e400", "unit": "L/s"}},
        {"design_flow": {"value": "90", "unit": "Pa"}},
        {"design_flow": {"value": "90"}},
        {"design_flow": 90},
        {"version": 7},
        {"company": "x"},
        {"system": "x"},
    ],
)
def test_input_that_is_not_understood_changes_nothing(company_a: World, change: dict[str, Any]) -> None:
    path = f"/points/{company_a.points['S-1'].id}"
    answer = send(company_a, "patch", path, change, **{"If-Match": '"1"'})
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["pointer"].startswith(f"/{next(iter(change))}")
    with company(company_a.id):
        assert TestPoint.objects.get(tag="S-1").version == 1


def test_an_instrument_and_its_certificate(company_a: World) -> None:
    made = send(
        company_a, "post", "/instruments",
        {"serial": "T-7", "name": "Thermometer", "kind": "thermometer", "ranges": [
            {"quantity": "temperature", "unit": "°C", "minimum": "-20", "maximum": "80",
             "resolution": "0.1", "accuracy_absolute": "0.3"}]},
    )  # fmt: skip
    assert made.status_code == 201, made.content
    (shown,) = made.json()["ranges"]
    assert (shown["minimum"], shown["resolution"], shown["unit"]) == (
        pytest.approx(253.15),
        0.1,
        "K",
    )
    path = f"/instruments/{made.json()['id']}/certificates"
    certificate = {
        "number": "C-1", "laboratory": "Vale", "calibrated_on": "2026-02-03", "due_on": "2027-02-03",
        "points": [{"quantity": "temperature", "unit": "Cel", "reference": "20.00", "as_found": "20.3",
                    "as_left": "20.10", "expanded_uncertainty": "0.2"}],
    }  # fmt: skip
    entered = send(company_a, "post", path, certificate)
    assert entered.status_code == 201, entered.content
    (line,) = entered.json()["points"]
    assert (line["reference"], line["expanded_uncertainty"]) == (
        pytest.approx(293.15),
        pytest.approx(0.2),
    )
    assert line["entered"] == "20.00 °C, found 20.3, left 20.10, U 0.2"
    assert get(company_a, path).json()["items"] == [entered.json()]
    assert send(company_a, "post", path, certificate).status_code == 409
    assert send(company_a, "patch", f"/certificates/{entered.json()['id']}", {}).status_code == 405
    assert send(company_a, "delete", f"/certificates/{entered.json()['id']}").status_code == 405
    due = get(company_a, "/instruments/due?until=2999-01-01").json()["items"]
    assert "T-7" in {item["serial"] for item in due}
    assert get(company_a, "/instruments/due?until=soon").status_code == 422


def post_file(world: World, data: Any, kind: str, query: str = "", key: str = "", **headers: str) -> Any:
    headers = {**world.bearer, "Idempotency-Key": key or str(uuid.uuid4()), **headers}
    path = f"{API}/sites/{world.site.id}/schedule{query}"
    if kind == "multipart":
        return CLIENT.post(path, {"file": data}, headers=headers)
    return CLIENT.post(path, data, content_type=kind, headers=headers)


@pytest.mark.parametrize(
    ("file", "kind"),
    [
        (csv_of(SMALL), "text/csv"),
        (csv_of(SMALL), "text/csv; charset=utf-8"),
        (xlsx_of(SMALL), XLSX),
        (xlsx_of(SMALL), "application/octet-stream"),
    ],
)
def test_a_schedule_as_the_body(company_a: World, file: bytes, kind: str) -> None:
    answer = post_file(company_a, file, kind)
    assert answer.status_code == 200, answer.content
    assert answer.json()["points"] == {"added": 3, "changed": 0, "unchanged": 0}
    assert answer.json()["changes"][0]["tag"] == "MD-1"


def test_a_schedule_as_a_form_previewed_then_stored_once(company_a: World) -> None:
    def file() -> SimpleUploadedFile:
        return SimpleUploadedFile("../../halls\u202e.csv", csv_of(SMALL), "text/csv")

    seen = post_file(company_a, file(), "multipart", "?preview=true")
    assert seen.json()["stored"] is False
    with company(company_a.id):
        assert not System.objects.filter(tag="AHU-7").exists()
    stored = post_file(company_a, file(), "multipart")
    assert stored.json()["points"]["added"] == 3
    with company(company_a.id):
        name = Event.objects.get(verb="schedule.imported").data["file"]
    assert name == "halls.csv"  # no path, no invisible signs
    key = str(uuid.uuid4())
    body = csv_of([SMALL[0]])
    first = post_file(company_a, body, "text/csv", key=key)
    again = post_file(company_a, body, "text/csv", key=key)
    assert (again.content, again.headers["Idempotent-Replayed"]) == (first.content, "true")
    assert first.json()["points"] == {"added": 0, "changed": 0, "unchanged": 1}


def test_schedules_that_are_refused(company_a: World, company_b: World) -> None:
    wrong = post_file(company_a, b"system,tag,kind,design flow\nA,B,outlet,12\n", "text/csv")
    assert wrong.status_code == 422
    assert wrong.json()["errors"][0]["pointer"] == "D2"
    assert post_file(company_a, b"x" * 3_000_000, "text/csv").status_code == 413
    assert post_file(company_a, b"x", "image/png").status_code == 415
    assert post_file(company_a, csv_of(SMALL), "text/csv", "?preview=maybe").status_code == 422
    assert post_file(company_a, csv_of(SMALL), "text/csv", "?dry=1").status_code == 422
    empty = CLIENT.post(
        f"{API}/sites/{company_a.site.id}/schedule", {}, headers={**company_a.bearer, "Idempotency-Key": "k"}
    )
    assert empty.status_code == 422
    theirs = f"{API}/sites/{company_b.site.id}/schedule"
    headers = {**company_a.bearer, "Idempotency-Key": "k2"}
    other = CLIENT.post(theirs, csv_of(SMALL), content_type="text/csv", headers=headers)
    assert other.status_code == 404


LISTS: dict[str, Callable[[World, int], object]] = {
    "/customers": lambda world, n: factories.customer(f"Customer {n}"),
    "/sites": lambda world, n: factories.site(factories.customer(f"Customer {n}"), f"Site {n}"),
    "/systems": lambda world, n: factories.system(world.site, f"X-{n}"),
    "/points": lambda world, n: factories.outlet(world.system, f"X-{n}", parent=world.points["MD-1"]),
    "/instruments": lambda world, n: factories.instrument(
        InstrumentKind.MANOMETER, (Quantity.PRESSURE, 0.0, 500.0, 0.1), (Quantity.VELOCITY, 0.0, 30.0, 0.1)
    ),
    "/jobs": lambda world, n: busy_job(world, n),
    "/instruments/{pressure}/certificates": lambda world, n: factories.certificate(
        world.instruments["pressure"]
    ),
    "/instruments/due": lambda world, n: factories.instrument(
        InstrumentKind.MANOMETER, (Quantity.PRESSURE, 0.0, 500.0, 0.1)
    ),
}


def busy_job(world: World, number: int) -> None:
    days = {"starts_on": world.job.ends_on + timedelta(days=number + 1)}
    job = factories.job(world.site, world.system, **days, ends_on=days["starts_on"])
    factories.assign(job, factories.make_member(world.id, Role.TECHNICIAN), world.instruments["hood"])


@pytest.mark.parametrize("path", LISTS)
def test_lists_take_the_same_number_of_statements_at_3_and_at_30(company_a: World, path: str) -> None:
    address = path.format(pressure=company_a.instruments["pressure"].id)
    counts = {}
    for size in (3, 30):
        with company(company_a.id):
            for number in range(size):
                LISTS[path](company_a, size * 100 + number)
        get(company_a, address)
        with CaptureQueriesContext(connection) as seen:
            answer = get(company_a, address)
        assert len(answer.json()["items"]) >= size
        counts[size] = len(seen)
    assert counts[3] == counts[30]


@pytest.mark.parametrize("path", LISTS)
def test_lists_hold_nothing_of_the_other_company(company_a: World, company_b: World, path: str) -> None:
    address = path.format(pressure=company_b.instruments["pressure"].id)
    answer = get(company_a, address)
    if "{" in path:
        assert answer.status_code == 404
    else:
        assert str(company_b.id) not in answer.content.decode()
        assert all(item.get("id") not in ids_of(company_b) for item in answer.json()["items"])


def ids_of(world: World) -> set[str]:
    rows = [
        world.customer, world.site, world.system, world.job, *world.points.values(),
        *world.instruments.values(), *world.certificates.values(),
    ]  # fmt: skip
    return {str(row.id) for row in rows}


def addresses(world: World) -> dict[str, tuple[str, ...]]:
    job, person = f"/jobs/{world.job.id}", world.technician.id
    tool = world.instruments["hood"].id
    return {
        f"/customers/{world.customer.id}": ("get", "patch"),
        f"/sites/{world.site.id}": ("get", "patch"),
        f"/systems/{world.system.id}": ("get", "patch"),
        f"/points/{world.points['S-1'].id}": ("get", "patch"),
        f"/instruments/{tool}": ("get", "patch"),
        f"/certificates/{world.certificates['hood'].id}": ("get",),
        job: ("get", "patch"),
        f"{job}/readiness": ("get",),
        f"{job}/people/{person}": ("delete",),
        f"{job}/instruments/{tool}": ("delete",),
    }


def test_foreign_and_unknown_ids_look_alike(company_a: World, company_b: World) -> None:
    nobody = "01954e00-0000-7000-8000-000000000001"
    for path, methods in addresses(company_b).items():
        for method in methods:
            unknown = "/".join([*path.split("/")[:2], nobody, *path.split("/")[3:]])
            answers = [
                send(company_a, method, address, {}, **{"If-Match": '"1"'}) for address in (path, unknown)
            ]
            assert [answer.status_code for answer in answers] == [404, 404], path
            bodies = [{**answer.json(), "instance": ""} for answer in answers]
            assert bodies[0] == bodies[1]


def test_related_ids_of_others_look_like_unknown_ones(company_a: World, company_b: World) -> None:
    nobody = "01954e00-0000-7000-8000-000000000001"
    job = f"/jobs/{company_a.job.id}"
    for path, field, theirs, rest in (
        ("/sites", "customer", company_b.customer, {"name": "x"}),
        ("/systems", "site", company_b.site, {"tag": "x"}),
        ("/points", "system", company_b.system, {"tag": "x", "kind": "fan"}),
        (f"{job}/people", "member", company_b.technician, {}),
        (f"{job}/instruments", "instrument", company_b.instruments["hood"], {}),
    ):
        answers = [send(company_a, "post", path, {field: str(one), **rest}) for one in (theirs.id, nobody)]
        assert [answer.status_code for answer in answers] == [422, 422], path
        assert answers[0].json()["errors"] == answers[1].json()["errors"]
        assert answers[0].json()["errors"][0]["pointer"] == f"/{field}"


@pytest.mark.parametrize("who", ["nobody", "tablet", "technician"])
def test_who_may_not_plan(company_a: World, who: str) -> None:
    headers = {
        "nobody": {},
        "tablet": bearer(company_a.tablet),
        "technician": bearer(company_a.technician_token),
    }[who]
    posts = {
        "/customers": {}, "/sites": {}, "/systems": {}, "/points": {}, "/instruments": {}, "/jobs": {},
        f"/jobs/{company_a.job.id}/people": {}, f"/jobs/{company_a.job.id}/instruments": {},
        f"/jobs/{company_a.job.id}/cancel": {}, f"/sites/{company_a.site.id}/schedule": {},
        f"/instruments/{company_a.instruments['hood'].id}/certificates": {},
    }  # fmt: skip
    for path, body in posts.items():
        answer = CLIENT.post(
            API + path, json.dumps(body), content_type="application/json",
            headers={**headers, "Idempotency-Key": "k"},
        )  # fmt: skip
        assert answer.status_code == (401 if who == "nobody" else 403), path
    for path, methods in addresses(company_a).items():
        for method in methods:
            if method != "get":
                answer = getattr(CLIENT, method)(
                    API + path, "{}", content_type="application/json", headers=headers
                )
                assert answer.status_code == (401 if who == "nobody" else 403), path
    with company(company_a.id):
        assert Customer.objects.count() == 1
        assert Instrument.objects.count() == 6


def test_a_technician_on_a_tablet_reads(company_a: World) -> None:
    for path, methods in addresses(company_a).items():
        if "get" in methods:
            assert CLIENT.get(API + path, headers=bearer(company_a.technician_token)).status_code == 200, path


def test_filters_of_jobs(company_a: World) -> None:
    with company(company_a.id):
        busy_job(company_a, 1)
    mine = get(company_a, f"/jobs?member={company_a.technician.id}").json()["items"]
    assert [job["number"] for job in mine] == [1]
    assert len(get(company_a, f"/jobs?site={company_a.site.id}&status=open").json()["items"]) == 2
    assert get(company_a, "/jobs?status=cancelled").json()["items"] == []
    for bad in ("status=lost", "site=x", "member=1", "colour=red"):
        assert get(company_a, f"/jobs?{bad}").status_code == 422, bad
    page = get(company_a, "/jobs?limit=1&status=open").json()
    assert [job["number"] for job in page["items"]] == [2]
    assert [job["number"] for job in get(company_a, page["next"].removeprefix(API)).json()["items"]] == [1]
