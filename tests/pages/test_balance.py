"""The desk page of a system's rounds: what it says, its picture, who sees it."""

import re
from datetime import timedelta
from typing import Any

import pytest
from django.test import Client

from jobs.tenancy.context import company
from tests import factories
from tests.factories import World
from tests.measurements import batches
from tests.measurements.conftest import make_fine
from tests.measurements.test_balance import fan_test, small, with_fan
from tests.pages.conftest import In, words
from tests.reports import scene

pytestmark = pytest.mark.django_db


@pytest.fixture
def fine(company_a: World) -> World:
    with company(company_a.id):
        return make_fine(company_a)


def address(world: World) -> str:
    return f"/jobs/{world.job.id}/systems/{world.system.id}/balance"


def text_of(client: Client, world: World) -> str:
    answer: Any = client.get(address(world))
    assert answer.status_code == 200
    return words(answer)


def later(**adjustment: Any) -> dict[str, Any]:
    start = batches.now() - timedelta(minutes=2)
    made: dict[str, Any] = {"started_at": start.isoformat(), "finished_at": batches.now().isoformat()}
    return made | ({"adjustment": adjustment} if adjustment else {})


def test_before_any_reading_it_says_what_will_be_here(signed_in: In, fine: World) -> None:
    text = text_of(signed_in("supervisor"), fine)
    assert "Nothing is read yet" in text
    assert "Not read yet with all dampers untouched: S-1, S-2, S-3." in text
    with company(fine.id):
        empty = factories.system(fine.site, "AHU-9")
        factories.job(fine.site, empty)
        job = empty.job_systems.get().job
    answer: Any = signed_in("supervisor").get(f"/jobs/{job.id}/systems/{empty.id}/balance")
    assert "there is nothing to balance it to" in words(answer)


def test_rounds_stand_beside_each_other_with_what_was_turned(signed_in: In, fine: World) -> None:
    small(fine, {"S-1": "80.0", "S-2": "89.9", "S-3": "105.0"})
    client = signed_in("supervisor")
    text = text_of(client, fine)
    assert "2 dampers to set; S-1 has the lowest share and stays open." in text
    assert re.search(r"S-3: close until \d+(\.\d+)? L/s are shown, \d+\.\d % of design", text)
    small(fine, {"S-3": "84.0"}, **later(setting="3 of 8", done="Closed"))
    page: Any = client.get(address(fine))
    text = words(page)
    assert "turned : 3 of 8" in text or "turned: 3 of 8" in text
    assert text.count("read before S-3 was turned") == 2
    title = re.search(r'<title id="picture-title">(.*?)</title>', page.content.decode())
    assert title
    assert re.fullmatch(r"\d of 3 outlets are within tolerance; worst S-\d at \d+ % of design", title[1])
    assert page.content.decode().count('<circle cx="') == 1
    assert "combustion" in text
    assert "style=" not in page.content.decode().partition("<main")[2]


def test_a_limit_that_would_be_passed_is_told_as_a_stop(signed_in: In, fine: World) -> None:
    world = with_fan(fine)
    small(world, {"S-1": "75.0", "S-2": "75.0", "S-3": "75.0"})
    scene.post(world, fan_test(world, maximum_speed={"value": "1100", "unit": "/min"}))
    scene.evaluated(world)
    text = text_of(signed_in("supervisor"), world)
    assert "Do not raise the speed to design." in text
    assert "the fan's maximum speed would be passed" in text
    assert re.search(r"within the limits the system reaches 9\d\.\d % of design", text)
    assert "Fan speed, at most 1100 r/min" in text


@pytest.mark.parametrize("role", ["owner", "dispatcher", "technician", "supervisor"])
def test_all_roles_find_it_from_the_job(signed_in: In, fine: World, role: str) -> None:
    client = signed_in(role)
    assert f'href="{address(fine)}"' in client.get(f"/jobs/{fine.job.id}").content.decode()
    assert client.get(address(fine)).status_code == 200


def test_another_company_and_strangers_do_not(signed_in: In, fine: World, company_b: World) -> None:
    assert signed_in("owner", company_b).get(address(fine)).status_code == 404
    assert Client().get(address(fine)).status_code == 302
