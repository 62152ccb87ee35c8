"""A job's page: where it stands, points opened down to their line, what is missing; the part that follows."""

import re
from typing import Any
from uuid import UUID

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from jobs.models import PointKind
from jobs.tenancy.context import company
from jobs.tenancy.ids import uuid7
from measurements import overview
from measurements.evaluate import evaluate_session
from measurements.models import AnswerKind, Flag, FlagAnswer, SessionVoid
from reports import deferrals
from tests import factories
from tests.factories import World
from tests.measurements import batches
from tests.measurements.conftest import make_fine
from tests.pages.conftest import In, words

pytestmark = pytest.mark.django_db


@pytest.fixture
def fine(company_a: World) -> World:
    with company(company_a.id):
        return make_fine(company_a)


def measured(world: World, *sent: dict[str, Any]) -> None:
    assert [one.outcome for one in batches.post(world, *sent)] == ["stored"] * len(sent)
    with company(world.id):
        for one in sent:
            evaluate_session(UUID(one["id"]))


def shown(client: Client, world: World) -> str:
    return words(client.get(f"/jobs/{world.job.id}"))


def row(client: Client, world: World, tag: str) -> str:
    """One point of the page as text, its opened part included."""
    text = client.get(f"/jobs/{world.job.id}").content.decode()
    found = re.search(rf'<details class="point" id="p-{world.points[tag].id}".*?</details>', text, re.DOTALL)
    assert found, tag
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", found[0]))


def test_the_picture_says_how_far_the_job_is(signed_in: In, fine: World) -> None:
    client = signed_in("dispatcher")
    assert "0 of 5 points done: 5 to do" in shown(client, fine)
    measured(fine, batches.hood(fine, "S-1", "89.6"), batches.hood(fine, "S-2", "60.0"))
    batches.post(fine, batches.hood(fine, "S-3"))
    text = client.get(f"/jobs/{fine.job.id}").content.decode()
    finding = (
        "1 of 5 points done: 1 not evaluated yet, 1 flagged, 2 to do; 1 of 2 judged values within tolerance"
    )
    assert f"<title>{finding}</title>" in text
    cells = re.search(r'<tr><th scope="row">AHU-1</th>(.*?)</tr>', text)
    assert cells
    assert re.findall(r">([^<]+)</td>", cells[1]) == ["1", "1", "1", "0", "0", "2", "1 of 2 (50 %)"]


def test_a_point_opens_down_to_its_line(signed_in: In, fine: World) -> None:
    sent = batches.hood(fine, "S-1", "60.0")
    measured(fine, sent)
    client = signed_in("technician")
    found = row(client, fine, "S-1")
    assert re.search(r"5\d\.\d+ ± 0\.\d+ L/s|60\.\d* ± \d\.\d+ L/s|\d\d\.\d+ ± \d\.\d+ L/s", found)
    assert "Fail" in found
    assert "of design" in found
    assert fine.technician.name in found
    assert "Flagged" in found
    assert f'href="/sessions/{sent["id"]}"' in client.get(f"/jobs/{fine.job.id}").content.decode()
    assert "design 270 L/s" in row(client, fine, "BD-1")
    assert "behind MD-1" in row(client, fine, "BD-1")


def test_what_is_missing_is_named_with_its_places(signed_in: In, fine: World) -> None:
    measured(fine, batches.traverse(fine, zero_checks=[]), batches.hood(fine, "S-1", "60.0"))
    with company(fine.id):
        FlagAnswer.objects.create(
            flag=Flag.objects.get(rule="out_of_tolerance"), kind=AnswerKind.REMEASURE,
            reason="Open the damper first", member=fine.supervisor, answered_at=timezone.now(),
        )  # fmt: skip
    text = shown(signed_in("supervisor"), fine)
    assert "Missing to hand over" in text
    assert re.search(r"Not measured yet BD-1\s*, S-2\s*, S-3", text)
    assert "To be measured again S-1" in text
    assert "Zero not checked before and after MD-1" in text
    assert f"Sent back for re-measurement by {fine.supervisor.name}: Open the damper first" in text


def test_a_deferred_point_is_not_missing_and_says_why(signed_in: In, fine: World) -> None:
    with company(fine.id):
        deferrals.defer(
            fine.actor("supervisor"), fine.job.id, point_id=fine.points["S-2"].id, season="heating",
            reason="The boiler runs from October.",
        )  # fmt: skip
    client = signed_in("owner")
    text = shown(client, fine)
    assert "0 of 5 points done: 1 deferred, 4 to do" in text
    missing = re.search(r"Not measured yet ([^A-Z]*(?:[A-Z]+-\d+\s*,?\s*)+)", text)
    assert missing
    assert "S-2" not in missing[1]
    found = row(client, fine, "S-2")
    assert "Left for later (heating season)" in found
    assert "The boiler runs from October." in found
    measured(fine, batches.hood(fine, "S-2"))
    assert "1 of 5 points done: 4 to do" in shown(client, fine)


def test_points_that_need_no_figure_do_not_count_until_they_have_one(signed_in: In, fine: World) -> None:
    with company(fine.id):
        fine.points["FAN"] = factories.outlet(fine.system, "FAN", kind=PointKind.FAN, design_flow=None)
    client = signed_in("owner")
    assert "0 of 5 points done" in shown(client, fine)
    assert "No figure needed" in row(client, fine, "FAN")


def test_people_are_shown_with_their_last_session(signed_in: In, fine: World) -> None:
    client = signed_in("dispatcher")
    assert "nothing measured yet" in shown(client, fine)
    measured(fine, batches.hood(fine, "S-1"), batches.hood(fine, "S-2"))
    assert "2 sessions, the last 2" in shown(client, fine)


def test_what_was_written_on_site_is_text(signed_in: In, fine: World) -> None:
    with company(fine.id):
        point = fine.points["S-1"]
        point.location = "<script>alert(1)</script>"
        point.save()
        fine.system.tag = '"><b>x'
        fine.system.save()
    measured(fine, batches.hood(fine, "S-1", "60.0", note="<img src=x onerror=alert(1)>"))
    page = signed_in("owner").get(f"/jobs/{fine.job.id}").content
    assert b"<script>alert" not in page
    assert b"<b>x" not in page
    assert b"<img src=x" not in page


# The part that follows the work


def seen(client: Client, world: World) -> str:
    text = client.get(f"/jobs/{world.job.id}").content.decode()
    found = re.search(r'hx-get="([^"]+)"', text)
    assert found
    return found[1]


def test_the_part_is_sent_only_when_something_changed(signed_in: In, fine: World) -> None:
    client = signed_in("dispatcher")
    sent, later = batches.hood(fine, "S-1", "60.0"), batches.hood(fine, "S-2")

    def evaluated() -> None:
        with company(fine.id):
            evaluate_session(UUID(sent["id"]))

    def answered() -> None:
        with company(fine.id):
            FlagAnswer.objects.create(
                flag=Flag.objects.get(rule="out_of_tolerance"), kind=AnswerKind.ACCEPT,
                reason="As it is wanted", member=fine.supervisor, answered_at=timezone.now(),
            )  # fmt: skip

    def void() -> None:
        with company(fine.id):
            SessionVoid.objects.create(
                session_id=sent["id"], member=fine.supervisor, at=timezone.now(), reason="Another outlet."
            )

    def deferred() -> None:
        with company(fine.id):
            deferrals.defer(
                fine.actor("supervisor"), fine.job.id, point_id=fine.points["S-3"].id, season="access",
                reason="The room is locked today.",
            )  # fmt: skip

    def another_point() -> None:
        with company(fine.id):
            factories.outlet(fine.system, "S-9")

    def handed_over() -> None:
        with company(fine.id):
            fine.job.status = "submitted"
            fine.job.version += 1
            fine.job.save()

    for change in (
        lambda: batches.post(fine, sent), evaluated, answered, void, lambda: batches.post(fine, later),
        deferred, another_point, handed_over,
    ):  # fmt: skip
        address = seen(client, fine)
        same = client.get(address)
        assert (same.status_code, same.content) == (204, b"")
        change()
        answer = client.get(address)
        assert answer.status_code == 200, change
        assert answer.content.startswith(b'<div id="now"')
        assert b"<html" not in answer.content


@pytest.mark.parametrize("status", ["approved", "issued", "cancelled"])
def test_a_job_that_is_over_is_not_followed(signed_in: In, fine: World, status: str) -> None:
    with company(fine.id):
        fine.job.status = status
        fine.job.save()
    text = signed_in("owner").get(f"/jobs/{fine.job.id}").content
    assert b"hx-get" not in text
    assert b"data-live" not in text


def test_the_part_is_for_who_may_see_the_job(signed_in: In, fine: World, company_b: World) -> None:
    client = signed_in("owner")
    foreign, unknown = client.get(f"/jobs/{company_b.job.id}/now"), client.get(f"/jobs/{uuid7()}/now")
    assert foreign.status_code == unknown.status_code == 404
    assert Client().get(f"/jobs/{fine.job.id}/now").status_code == 302
    for odd in ("", "%00", "x" * 5000):
        assert client.get(f"/jobs/{fine.job.id}/now?seen={odd}").status_code == 200
    assert client.post(f"/jobs/{fine.job.id}/now").status_code == 405


def test_the_number_of_statements_does_not_grow(signed_in: In, fine: World) -> None:
    client = signed_in("supervisor")

    def widen(number: int) -> None:
        sent = []
        with company(fine.id):
            for _ in range(number):
                system = factories.system(fine.site, uuid7().hex[-6:])
                fine.job.job_systems.create(system=system)
                fine.points["X"] = factories.outlet(system, "S-1")
                extra = factories.plane(system)
                sent.append(batches.hood(fine, "X", "60.0"))
                deferrals.defer(
                    fine.actor("supervisor"), fine.job.id, point_id=extra.id, season="access",
                    reason="The room is locked today.",
                )  # fmt: skip
                factories.assign(fine.job, factories.make_member(fine.id, factories.Role.TECHNICIAN))
        measured(fine, *sent)

    def statements(address: str) -> int:
        with CaptureQueriesContext(connection) as found:
            assert client.get(address).status_code in (200, 204)
        return len(found)

    counts = []
    for more in (2, 9):
        widen(more)
        page = f"/jobs/{fine.job.id}"
        client.get(page)
        counts.append([statements(page), statements(f"{page}/now"), statements(seen(client, fine))])
    assert counts[0] == counts[1]
    assert 2 * counts[0][2] < counts[0][0], "a look at what did not change costs little"


def test_the_pulse_is_one_statement(fine: World) -> None:
    with company(fine.id), CaptureQueriesContext(connection) as found:
        overview.pulse(fine.job.id)
    assert len(found) == 1
