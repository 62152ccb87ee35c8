"""The page of one instrument: findings, pictures, advice, certificates, checks; who sees and enters what."""

import re
from datetime import date, timedelta
from typing import Any

import pytest
from django.utils import timezone

from jobs.instruments import Point, enter_certificate
from jobs.models import Certificate, Instrument, InstrumentKind, Quantity
from jobs.tenancy.context import company
from measurements import recall
from measurements.interval_checks import Shown, record_check
from measurements.models import IntervalCheck
from tests import factories
from tests.factories import World
from tests.pages.conftest import In, words
from tests.reports import scene

pytestmark = pytest.mark.django_db


def hood(world: World) -> Instrument:
    """A flow hood that promises 1 % of reading and 0.5 L/s."""
    return factories.instrument(
        InstrumentKind.FLOW_HOOD, (Quantity.FLOW, 0.0, 1.2, 0.0005), name="Balancing hood", maker="Elm"
    )


def certified(
    world: World, tool: Instrument, year: int, left: float, found: float | None = None, **changes: Any
) -> Certificate:
    """Errors (m³/s) at 0.5 m³/s, as left and as found."""
    points = [
        Point(Quantity.FLOW, at, at + left, 0.0004, as_found=None if found is None else at + found)
        for at in (0.1, 0.5)
    ]
    values = {
        "instrument_id": tool.id,
        "number": f"VC-{year}",
        "laboratory": "Vale Calibration Laboratory",
        "calibrated_on": date(year, 3, 2),
        "due_on": date(year + 1, 3, 2),
        "points": points,
    }
    return enter_certificate(world.actor("owner"), **(values | changes))


def test_the_page_says_what_the_certificates_tell(signed_in: In, company_a: World) -> None:
    with company(company_a.id):
        tool = hood(company_a)
        for year, left in ((2023, 0.0), (2024, 0.0002), (2025, 0.0004)):
            certified(company_a, tool, year, left)
    answer = signed_in("technician").get(f"/instruments/{tool.id}")
    text = words(answer)
    assert "Volume flow: the largest error is 26.6 % of what the maker allows, +0.4 L/s at 100 L/s" in text
    assert "it drifts by +0.2 L/s a year at 100 L/s; the next calibration is advised by" in text
    assert "Staircase 2026-06-01, 456 days: every error as found lay well within" in text
    assert "Control chart of drift" in text
    assert "By ILAC-G24 / OIML D 10" in text
    assert text.count("Vale Calibration Laboratory") >= 3
    assert "none Recalls" not in text


def test_pictures_carry_their_finding_and_a_table_stands_behind(signed_in: In, company_a: World) -> None:
    with company(company_a.id):
        tool = hood(company_a)
        certified(company_a, tool, 2023, 0.0)
        certified(company_a, tool, 2024, 0.0002)
    page = signed_in("owner").get(f"/instruments/{tool.id}").content.decode()
    titles = re.findall(r"<svg class=\"chart\"[^>]*><title>([^<]*)</title>", page)
    assert len(titles) == 2
    assert "largest error" in titles[0]
    assert "drifts by" in titles[1]
    assert page.count("The points in figures") == page.count("The calibrations in figures") == 1
    assert 'style="' not in page.partition("<main")[2].partition("</main>")[0].replace("<svg", "")


def test_superseded_entries_are_shown_as_such_and_do_not_count(signed_in: In, company_a: World) -> None:
    with company(company_a.id):
        tool = hood(company_a)
        wrong = certified(company_a, tool, 2024, 0.02)
        certified(company_a, tool, 2024, 0.0002, supersedes_id=wrong.id)
    text = words(signed_in("owner").get(f"/instruments/{tool.id}"))
    assert "superseded by another entry" in text
    assert "2 entries" in text
    assert "+20 L/s" not in text


def test_an_error_outside_is_said_and_shortens_the_interval(signed_in: In, company_a: World) -> None:
    with company(company_a.id):
        tool = hood(company_a)
        certified(company_a, tool, 2023, 0.0)
        certified(company_a, tool, 2024, 0.0, found=0.02)
    text = words(signed_in("owner").get(f"/instruments/{tool.id}"))
    assert "an error as found lay outside what the maker allows, so the interval shrinks" in text
    assert "With fewer than 3 calibrations the drift is a line through two points" in text


def test_without_certificates_it_says_what_to_do(signed_in: In, company_a: World) -> None:
    with company(company_a.id):
        tool, bare = hood(company_a), factories.instrument(InstrumentKind.OTHER)
    text = words(signed_in("owner").get(f"/instruments/{tool.id}"))
    assert "No certificate is entered yet. Enter the first" in text
    assert "No check is entered yet" in text
    assert "It has no ranges yet" in words(signed_in("owner").get(f"/instruments/{bare.id}"))


def test_one_certificate_gives_no_advice_and_says_why(signed_in: In, company_a: World) -> None:
    with company(company_a.id):
        tool = hood(company_a)
        certified(company_a, tool, 2024, 0.0)
    text = words(signed_in("owner").get(f"/instruments/{tool.id}"))
    assert "No advice on the next calibration: at least two are needed to tell an interval" in text


def test_use_and_recalls_are_counted(signed_in: In, company_a: World) -> None:
    scene.measured(company_a)
    with company(company_a.id):
        tool = company_a.instruments["hood"]
        row = Certificate.objects.filter(instrument=tool).latest("calibrated_on")
        recall.withdraw(company_a.actor("owner"), row.id, reason="Its laboratory withdrew it.")
    text = words(signed_in("supervisor").get(f"/instruments/{tool.id}"))
    assert re.search(r"Sessions 3, the last on \d{4}-\d\d-\d\d", text)
    assert "Volume flow, m³/s, " in text


def form(tool: Instrument, **changes: str) -> dict[str, str]:
    return {
        "kind": "zero",
        "measure": "flow|L/s",
        "at": timezone.now().strftime("%Y-%m-%dT%H:%M"),
        "readings": "0.1 0.0\n−0.1",
        **changes,
    }


def test_a_check_is_entered_by_form_and_listed(signed_in: In, company_a: World) -> None:
    with company(company_a.id):
        tool = hood(company_a)
    client = signed_in("technician")
    answer = client.post(f"/instruments/{tool.id}/check", form(tool), follow=True)
    assert answer.status_code == 200
    text = words(answer)
    assert "The check is entered: zero within." in text
    assert "Zero within" in text
    assert "0.1 L/s, 0.0 L/s, -0.1 L/s" in text


def test_a_comparison_shows_en(signed_in: In, company_a: World) -> None:
    with company(company_a.id):
        tool = hood(company_a)
        certified(company_a, tool, 2026, 0.0, calibrated_on=date(2026, 3, 2), due_on=date(2027, 3, 2))
    other = company_a.instruments["hood"]
    given = form(
        tool,
        kind="comparison",
        readings="190 191",
        other=str(other.id),
        other_readings="150",
        note="On the stand",
    )
    text = words(signed_in("technician").post(f"/instruments/{tool.id}/check", given, follow=True))
    with company(company_a.id):
        made = IntervalCheck.objects.get()
    assert "Disagree" in text
    assert f"{made.en:+.2f}" in text
    assert "On the stand" in text
    assert str(other) in text


def test_what_was_refused_stands_at_its_field_and_nothing_is_stored(signed_in: In, company_a: World) -> None:
    with company(company_a.id):
        tool = hood(company_a)
    client = signed_in("technician")
    for changes, told in (
        ({"readings": "0.1 nought"}, "is no number"),
        ({"readings": ""}, "Enter at least one reading."),
        ({"measure": ""}, "Choose the quantity and its unit."),
        ({"kind": "comparison"}, "name another instrument"),
        ({"at": "yesterday"}, "Enter a day and a time."),
        ({"at": (timezone.now() + timedelta(days=2)).strftime("%Y-%m-%dT%H:%M")}, "lies in the future"),
    ):
        answer = client.post(f"/instruments/{tool.id}/check", form(tool, **changes))
        assert answer.status_code == 422
        assert told in words(answer), changes
    with company(company_a.id):
        assert not IntervalCheck.objects.exists()


def test_who_may_look_and_who_may_enter(signed_in: In, company_a: World) -> None:
    with company(company_a.id):
        tool = hood(company_a)
    for role, may in (("owner", False), ("dispatcher", False), ("technician", True), ("supervisor", True)):
        client = signed_in(role)
        shown = client.get(f"/instruments/{tool.id}")
        assert shown.status_code == 200
        assert ("Enter a check" in words(shown)) is may
        assert client.post(f"/instruments/{tool.id}/check", form(tool)).status_code == (302 if may else 403)


def test_another_companys_instrument_is_unknown(signed_in: In, company_a: World, company_b: World) -> None:
    with company(company_b.id):
        theirs = hood(company_b)
        record_check(
            company_b.actor("technician"), instrument_id=theirs.id, kind="zero", quantity="flow",
            at=timezone.now(), readings=[Shown("0", "L/s")],
        )  # fmt: skip
    client = signed_in("technician")
    assert client.get(f"/instruments/{theirs.id}").status_code == 404
    assert client.post(f"/instruments/{theirs.id}/check", form(theirs)).status_code == 404


def test_a_superseded_check_is_shown_as_such(signed_in: In, company_a: World) -> None:
    with company(company_a.id):
        tool = hood(company_a)
        values: dict[str, Any] = {
            "instrument_id": tool.id, "kind": "zero", "quantity": "flow", "at": timezone.now(),
        }  # fmt: skip
        actor = company_a.actor("technician")
        first = record_check(actor, **values, readings=[Shown("5", "L/s")])
        record_check(
            actor, **values, readings=[Shown("0", "L/s")], supersedes_id=first.id, why="It was not covered"
        )
    text = words(signed_in("owner").get(f"/instruments/{tool.id}"))
    assert "superseded: It was not covered" in text
    assert "Zero off" in text
