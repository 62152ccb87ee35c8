"""Pages of the schedule import: columns are matched, faults stand at their cells, a file is imported once."""

import csv
import io
import re
from datetime import timedelta
from typing import Any
from uuid import UUID

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.http import HttpResponse
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from jobs import schedule_drafts
from jobs.errors import Forbidden, NotFound
from jobs.models import Event, ScheduleDraft, ScheduleHead, TestPoint
from jobs.tenancy.context import company
from jobs.tenancy.ids import uuid7
from tests import factories
from tests.factories import World
from tests.jobs.sheets import SMALL, csv_of, xlsx_of
from tests.pages.conftest import In, value_of, words
from tests.races import at_once

pytestmark = pytest.mark.django_db
HEADS = ["Mark", "Area served", "Neck size", "CFM", "Maker"]
OUTLETS = [["S-10", "Hall", '10"x8"', "200", "Elm"], ["S-11", "Foyer", '8" dia', "150", "Elm"]]
SAID = {"all-system": "AHU-7", "all-kind": "outlet"}


def upload(client: Client, site: Any, data: bytes, name: str = "outlets.csv", **more: str) -> Any:
    return client.post(f"/sites/{site.id}/schedule", {"file": SimpleUploadedFile(name, data), **more})


def form_of(page: HttpResponse) -> dict[str, str]:
    """What the selects and inputs of the columns' form hold, as a browser would send it."""
    text = page.content.decode()
    found = {}
    for name, inside in re.findall(r'<select id="[^"]*" name="([^"]*)"[^>]*>(.*?)</select>', text, re.S):
        chosen = re.search(r'<option value="([^"]*)" selected', inside)
        found[name] = chosen[1] if chosen else ""
    return found | dict(
        re.findall(r'<input id="[^"]*" name="(all-[^"]*|head_row)"[^>]* value="([^"]*)"', text)
    )


def to_rows(client: Client, site: Any, data: bytes, **said: str) -> Any:
    """Through the columns to the rows; returns the address of the rows and their page."""
    address = upload(client, site, data)["Location"]
    if address.endswith("/columns"):
        done = client.post(address, form_of(client.get(address)) | said)
        assert done.status_code == 302, words(done)
        address = done["Location"]
    return address, client.get(address)


def points(world: World, system: str = "AHU-7") -> dict[str, TestPoint]:
    with company(world.id):
        return {point.tag: point for point in TestPoint.objects.filter(system__tag=system)}


@pytest.mark.parametrize("make", [csv_of, xlsx_of])
def test_a_schedule_is_matched_looked_at_and_imported(signed_in: In, company_a: World, make: Any) -> None:
    client, site = signed_in("dispatcher"), company_a.site
    address = upload(client, site, make(OUTLETS, HEADS))["Location"]
    page = client.get(address)
    sent = form_of(page)
    assert {name: sent[name] for name in ("is-A", "is-B", "is-C", "is-D", "unit-D", "is-E")} == {
        "is-A": "tag", "is-B": "location", "is-C": "size", "is-D": "design flow", "unit-D": "[cft_i]/min",
        "is-E": "",
    }  # fmt: skip
    text = words(page)
    assert "Still missing: tag of the system; kind of point" in text
    assert "S-10 , S-11" in text
    assert "Choose its unit" not in text
    bare = client.get(
        upload(client, site, make([["S-1", "10x8", 90]], ["Mark", "Size", "Airflow"]))["Location"]
    )
    assert words(bare).count("Choose its unit") == 2
    refused = client.post(address, sent)
    assert refused.status_code == 422
    done = client.post(address, sent | SAID)
    page = client.get(done["Location"])
    text = words(page)
    assert "Nothing is imported yet." in text
    assert "New AHU-7 S-10 Outlet Hall 254 × 203.2 mm 200 ft³/min" in text
    assert "AHU-7 S-11 Outlet Foyer ø 203.2 mm" in text
    assert "Columns that were not read: E 'Maker'" in text
    assert points(company_a) == {}
    plan = value_of(page, "plan")
    done = client.post(done["Location"], {"plan": plan}, follow=True)
    assert "Schedule imported" in words(done)
    assert sorted(points(company_a)) == ["S-10", "S-11"]


def test_a_double_click_imports_once_and_shows_the_same(signed_in: In, company_a: World) -> None:
    client = signed_in("owner")
    address, page = to_rows(client, company_a.site, csv_of(OUTLETS, HEADS), **SAID)
    plan = value_of(page, "plan")
    answers = [client.post(address, {"plan": plan}, follow=True) for _ in range(2)]
    assert words(answers[0]) == words(answers[1])
    with company(company_a.id):
        assert Event.objects.filter(verb="schedule.imported").count() == 1
        draft = ScheduleDraft.objects.get()
        assert (bytes(draft.content), draft.imported["points"]["added"]) == (b"", 2)
    assert client.get(f"{address}/columns")["Location"] == address


def test_each_fault_stands_at_its_cell_and_all_can_be_saved(signed_in: In, company_a: World) -> None:
    client, site = signed_in("dispatcher"), company_a.site
    bad = [[f"S-{number}", "Hall", "10", "=1+1", "Elm"] for number in range(250)]
    bad[0] = ["S-0", "Hall", '10"x8"', "0", "Elm"]
    address, page = to_rows(client, site, csv_of([*bad, *OUTLETS], HEADS), **SAID)
    text = words(page)
    assert "250 rows have problems" in text
    assert "2 Problem AHU-7 S-0 Outlet Hall 254 × 203.2 mm 0 D2 must be above zero" in text
    assert "C3 '10' may be a diameter or a side; write ø10, or both sides" in text
    assert "D3 is a formula" in text
    assert "In order 2" in text
    assert "Import " not in re.sub("Import a design schedule", "", text)
    assert page.content.decode().count('class="number soft"') == 100
    third = client.get(f"{address}?show=problem&page=3")
    assert third.content.decode().count('class="number soft"') == 50
    assert "D251 is a formula" in words(third)
    assert "S-10 Outlet" in words(client.get(f"{address}?show=all&page=3"))
    saved = client.get(f"{address}/problems.csv")
    rows = list(csv.reader(io.StringIO(saved.content.decode("utf-8-sig"))))
    assert len(rows) == 1 + 1 + 249 * 2
    assert rows[1] == ["D2", "2", "design flow", "0", rows[1][4]]
    assert rows[3][3] == "'=1+1"
    refused = client.post(address, {"plan": "0" * 64})
    assert refused.status_code == 422
    assert points(company_a) == {}


def test_a_mended_file_keeps_what_was_said_of_the_columns(signed_in: In, company_a: World) -> None:
    client, site = signed_in("dispatcher"), company_a.site
    bad = [["S-10", "Hall", '10"x8"', "many", "Elm"]]
    _, page = to_rows(client, site, csv_of(bad, HEADS), **SAID)
    mends = value_of(page, "mends")
    done = upload(client, site, csv_of(OUTLETS, HEADS), mends=mends)
    assert not done["Location"].endswith("/columns")
    page = client.get(done["Location"])
    assert value_of(page, "plan")
    other = upload(client, site, csv_of(OUTLETS, [*HEADS[:3], "L/s", "Maker"]), mends=mends)
    assert other["Location"].endswith("/columns")
    foreign = upload(client, site, csv_of(OUTLETS, HEADS), mends=str(uuid7()))
    assert foreign["Location"].endswith("/columns")


def test_a_revised_schedule_shows_old_and_new_before_it_changes(signed_in: In, company_a: World) -> None:
    client, site = signed_in("dispatcher"), company_a.site
    address, page = to_rows(client, site, csv_of(SMALL))
    client.post(address, {"plan": value_of(page, "plan")})
    revised = [list(row) for row in SMALL]
    revised[0][1], revised[0][8] = "Great halls", 600
    revised[2][12] = 120
    address, page = to_rows(client, site, csv_of([*revised, [*SMALL[2][:3], "S-2", *SMALL[2][4:]]]))
    text = words(page)
    assert "name: was Halls → becomes Great halls" in text
    assert "was 500 × 400 mm → becomes 600 × 400 mm" in text
    assert "was 90 L/s → becomes 120 L/s" in text
    rows = re.findall(r'severity-\w+">.*?</svg>(\w+)</span>\s*</td>', page.content.decode(), re.S)
    assert rows == ["Changes", "Changes", "Changes", "New", "Unchanged"]
    assert points(company_a)["S-1"].design_flow == 0.09
    client.post(address, {"plan": value_of(page, "plan")})
    assert points(company_a)["S-1"].design_flow == 0.12
    _, page = to_rows(client, site, csv_of(revised))
    assert "Nothing would change" in words(page)
    assert 'name="plan"' not in page.content.decode()


def test_what_changed_meanwhile_is_shown_again_and_not_imported(signed_in: In, company_a: World) -> None:
    client, site = signed_in("dispatcher"), company_a.site
    address, page = to_rows(client, site, csv_of(SMALL))
    plan = value_of(page, "plan")
    other, mine = to_rows(client, site, csv_of([SMALL[0]]))
    client.post(other, {"plan": value_of(mine, "plan")})
    late = client.post(address, {"plan": plan})
    assert late.status_code == 412
    assert "changed since you looked" in words(late)
    assert sorted(points(company_a)) == ["MD-1"]
    assert client.post(address, {"plan": value_of(late, "plan")}).status_code == 302
    assert sorted(points(company_a)) == ["BD-1", "MD-1", "S-1"]
    assert client.post(address, {}).status_code == 302  # imported already; nothing more is done


def test_a_post_without_a_plan_imports_nothing(signed_in: In, company_a: World) -> None:
    client = signed_in("dispatcher")
    address, _ = to_rows(client, company_a.site, csv_of(SMALL))
    assert client.post(address, {}).status_code == 412
    assert points(company_a) == {}


def test_what_was_said_comes_back_for_the_customers_next_file(signed_in: In, company_a: World) -> None:
    client, site = signed_in("dispatcher"), company_a.site
    heads = ["Bauteil", "Anlage", "Q", "Max CFM"]
    rows = [["S-20", "AHU-7", "90", "200"]]
    address = upload(client, site, csv_of(rows, heads))["Location"]
    page = client.get(address)
    assert "Choose may be: design flow" in words(page)
    said = {"is-A": "tag", "is-B": "system", "is-C": "design flow", "unit-C": "L/s", "all-kind": "outlet"}
    done = client.post(address, form_of(page) | said)
    client.post(done["Location"], {"plan": value_of(client.get(done["Location"]), "plan")})
    assert points(company_a)["S-20"].design_flow == 0.09
    with company(company_a.id):
        assert ScheduleHead.objects.count() == 4
        elsewhere = factories.site(factories.customer("Vale Hospital Trust"), "Ward")
    page = client.get(upload(client, site, csv_of(rows, heads))["Location"])
    assert words(page).count("as last time for this customer") == 3
    assert {name: form_of(page)[name] for name in said if name != "all-kind"} == {
        name: value for name, value in said.items() if name != "all-kind"
    }
    page = client.get(upload(client, elsewhere, csv_of(rows, heads))["Location"])
    assert "as last time" not in words(page)


def test_wrong_choices_are_told_at_their_columns(signed_in: In, company_a: World) -> None:
    client, site = signed_in("dispatcher"), company_a.site
    address = upload(client, site, csv_of(OUTLETS, HEADS))["Location"]
    sent = form_of(client.get(address)) | SAID
    for changes, told in (
        ({"is-E": "tag"}, "is a second column"),
        ({"is-E": "colour"}, "is one of: system"),
        ({"unit-D": "mm"}, "is no unit of flow"),
        ({"is-B": "kind"}, "is column B already; leave one of them out"),
        ({"all-kind": "gadget"}, "is not known here"),
        ({"is-E": "width"}, "gives the size, and so does"),
        ({"head_row": "99"}, "is empty; name the row of the heads"),
        ({"head_row": "x"}, "is the number of a row"),
    ):
        answer = client.post(address, sent | changes)
        assert answer.status_code == 422, changes
        assert told in words(answer), changes
    again = client.post(address, {"head_row": "2", "again": "1"}, follow=True)
    assert form_of(again)["head_row"] == "2"
    with company(company_a.id):
        assert ScheduleDraft.objects.get().said["columns"] == {}


@pytest.mark.parametrize(
    ("data", "told"),
    [
        (b"", "The file is empty"),
        (b"%PDF-1.7", "is a PDF"),
        (b"PK\x03\x04 not a workbook", "Nothing was stored"),
        (b"a,b\n" * 20_000, "there are more than 10000 rows"),
        (b"x" * (2 * 1024 * 1024 + 1), "at most 2097152 are read"),
    ],
)
def test_what_is_no_table_is_refused_at_once(signed_in: In, company_a: World, data: bytes, told: str) -> None:
    answer = upload(signed_in("dispatcher"), company_a.site, data)
    assert answer.status_code == 422
    assert told in words(answer)
    with company(company_a.id):
        assert not ScheduleDraft.objects.exists()


def test_a_file_of_nothing_known_is_asked_about(signed_in: In, company_a: World) -> None:
    client = signed_in("dispatcher")
    page = client.get(upload(client, company_a.site, b"<script>alert(1)</script>,x\n1,2\n")["Location"])
    assert page.status_code == 200
    assert "<script>alert" not in page.content.decode()
    assert "Still missing" in words(page)
    empty = upload(client, company_a.site, b"system,tag,kind\n")["Location"]
    done = client.post(empty, form_of(client.get(empty)), follow=True)
    assert "has nothing below the heads" in words(done)


def test_only_planners_and_only_their_own_company(signed_in: In, company_a: World, company_b: World) -> None:
    client, site = signed_in("dispatcher"), company_a.site
    address, page = to_rows(client, site, csv_of(SMALL))
    plan = value_of(page, "plan")
    for role in ("technician", "supervisor"):
        for place in (f"/sites/{site.id}/schedule", address, f"{address}/columns", f"{address}/problems.csv"):
            assert signed_in(role).get(place).status_code == 403
        assert signed_in(role).post(address, {"plan": plan}).status_code == 403
    stranger = signed_in("dispatcher", world=company_b)
    moved = address.replace(str(site.id), str(company_b.site.id))
    for place in (address, f"{address}/columns", moved, f"{moved}/columns", f"{address}/problems.csv",
                  f"/sites/{site.id}/schedule.csv", f"/sites/{site.id}/schedule"):  # fmt: skip
        assert stranger.get(place).status_code == 404, place
    for place in (address, moved, f"{address}/columns"):
        assert stranger.post(place, {"plan": plan}).status_code == 404, place
    assert upload(stranger, site, csv_of(SMALL)).status_code == 404
    assert points(company_a) == {}
    with company(company_b.id):
        actor = company_b.actor("dispatcher")
        assert not schedule_drafts.visible_drafts(actor).exists()
        with pytest.raises(NotFound):
            schedule_drafts.import_draft(actor, site.id, UUID(address.rpartition("/")[2]), plan=plan)
        with pytest.raises(Forbidden):
            schedule_drafts.visible_drafts(company_b.actor("technician"))


def test_drafts_are_forgotten_after_a_week_and_above_a_number(
    signed_in: In, company_a: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    client, site = signed_in("dispatcher"), company_a.site
    address = upload(client, site, csv_of(SMALL))["Location"]
    assert "outlets.csv" in words(client.get(f"/sites/{site.id}/schedule"))
    with company(company_a.id):
        ScheduleDraft.objects.update(created_at=timezone.now() - timedelta(days=8))
    answer = client.get(address)
    assert answer.status_code == 404
    assert "Choose the file again" in words(answer)
    monkeypatch.setattr(schedule_drafts, "MOST", 3)
    for _ in range(5):
        upload(client, site, csv_of(SMALL))
    with company(company_a.id):
        assert ScheduleDraft.objects.count() == 3


def test_templates_and_exports_are_files_to_import(signed_in: In, company_a: World) -> None:
    client, site = signed_in("dispatcher"), company_a.site
    for kind in ("csv", "xlsx"):
        made = client.get(f"/schedule-template.{kind}")
        assert made["Content-Disposition"] == f'attachment; filename="schedule-template.{kind}"'
        with company(company_a.id):
            new = factories.site(company_a.customer, f"New {kind}")
        _, page = to_rows(client, new, made.content)
        assert value_of(page, "plan")
        saved = signed_in("technician").get(f"/sites/{site.id}/schedule.{kind}")
        assert saved["Content-Disposition"] == f'attachment; filename="public-library-schedule.{kind}"'
        _, page = to_rows(client, site, saved.content)
        assert "Nothing would change" in words(page)


def test_statements_do_not_grow_with_the_rows(signed_in: In, company_a: World) -> None:
    client = signed_in("dispatcher")
    counts = []
    for size in (10, 400):
        rows = [[*SMALL[2][:3], f"S-{size}-{number}", "outlet", "", *SMALL[2][6:]] for number in range(size)]
        address, _ = to_rows(client, company_a.site, csv_of(rows))
        with CaptureQueriesContext(connection) as seen:
            client.get(address)
        counts.append(len(seen))
    assert counts[0] == counts[1]


@pytest.mark.django_db(transaction=True)
def test_two_at_once_import_once() -> None:
    world = factories.make_world()
    with company(world.id):
        actor = world.actor("dispatcher")
        draft = schedule_drafts.start_draft(actor, world.site.id, csv_of(SMALL))
        trial = schedule_drafts.try_draft(actor, draft)
    assert trial.imported
    plan = trial.imported.plan

    def run() -> bool:
        with company(world.id):
            return schedule_drafts.import_draft(actor, world.site.id, draft.id, plan=plan)[1]

    done = at_once(*[run] * 4)
    assert sorted(done) == [False, False, False, True]
    with company(world.id):
        assert Event.objects.filter(verb="schedule.imported").count() == 1
