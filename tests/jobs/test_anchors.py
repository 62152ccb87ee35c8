"""Heads of the chains in a file outside the database: one line a company and day, none changed unseen."""

import json
from datetime import date, timedelta
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from django.core.management import call_command

from jobs import anchors, due, events, tasks
from jobs.access import Actor
from jobs.models import DueWork
from jobs.tenancy.context import company, company_var
from jobs.tenancy.ids import uuid7
from tests import factories
from tests.factories import World
from tests.races import at_once


@pytest.fixture(autouse=True)
def file(settings: Any, tmp_path: Path) -> Path:
    settings.ANCHOR_FILE = tmp_path / "log" / "anchors.jsonl"
    return Path(settings.ANCHOR_FILE)


def happen(world: World, count: int = 3) -> None:
    with company(world.id):
        for _ in range(count):
            events.record(Actor(world.id), "job.planned", "job", uuid7())
        while events.sequence():
            pass


def write(world: World) -> bool:
    with company_var(world.id):
        return anchors.write()


def read(file: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in file.read_text().splitlines()]


def known(world: World) -> tuple[list[anchors.Head], list[tuple[int, str]]]:
    with company(world.id):
        return anchors.known()


def on_days(monkeypatch: pytest.MonkeyPatch, world: World, days: int) -> None:
    """An anchor a day, with events between."""
    for day in range(days):
        monkeypatch.setattr(anchors, "_today", lambda n=day: date(2026, 3, 1) + timedelta(days=n))
        happen(world)
        assert write(world)


def test_a_line_says_company_day_number_and_mac(company_a: World, file: Path) -> None:
    happen(company_a)
    assert write(company_a)
    (line,) = read(file)
    with company(company_a.id):
        number, mac = events.chain_head()
    assert (line["company"], line["number"], line["mac"]) == (str(company_a.id), number, mac)
    assert line["day"] == line["at"][:10]
    assert known(company_a) == ([anchors.Head(number, mac, f"the anchor of {line['day']}")], [])
    assert file.stat().st_mode & 0o077 == 0


def test_a_day_has_one_line_a_company(company_a: World, company_b: World, file: Path) -> None:
    happen(company_a)
    happen(company_b)
    assert [write(company_a), write(company_b), write(company_a), write(company_b)] == [
        True,
        True,
        False,
        False,
    ]
    assert len(read(file)) == 2
    assert len(known(company_a)[0]) == 1


@pytest.mark.django_db
def test_a_company_without_events_has_no_anchor(file: Path) -> None:
    world = factories.make_company("Empty Air")
    with company_var(world.id):
        assert not anchors.write()


@pytest.mark.parametrize("line", range(4))
@pytest.mark.parametrize("name", ["company", "day", "number", "mac", "at", "seal"])
def test_a_changed_line_is_found(
    company_a: World, file: Path, monkeypatch: pytest.MonkeyPatch, line: int, name: str
) -> None:
    on_days(monkeypatch, company_a, 4)
    lines = read(file)
    old = lines[line][name]
    lines[line][name] = old + 1 if name == "number" else f"{old[:-1]}{'1' if old[-1] != '1' else '2'}"
    file.write_text("".join(json.dumps(one) + "\n" for one in lines))
    heads, broken = known(company_a)
    assert broken
    assert broken[0][0] == line + 1
    assert len(heads) < 4


@pytest.mark.parametrize("line", range(3))
def test_a_line_taken_out_is_found(
    company_a: World, file: Path, monkeypatch: pytest.MonkeyPatch, line: int
) -> None:
    on_days(monkeypatch, company_a, 4)
    lines = file.read_text().splitlines(keepends=True)
    file.write_text("".join(lines[:line] + lines[line + 1 :]))
    assert known(company_a)[1] == [
        (line + 1, "this line of the anchors was changed, or lines before it were taken out")
    ]


def test_a_line_of_another_key_is_found(company_a: World, settings: Any) -> None:
    happen(company_a)
    write(company_a)
    settings.EVENT_CHAIN_KEY = bytes(32)
    assert known(company_a)[1]


def test_what_a_crash_left_of_a_line_harms_nothing(
    company_a: World, file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    on_days(monkeypatch, company_a, 2)
    with file.open("ab") as torn:
        torn.write(b'{"company":"0')
    monkeypatch.setattr(anchors, "_today", lambda: date(2026, 4, 1))
    assert write(company_a)
    heads, broken = known(company_a)
    assert (len(heads), broken) == (3, [])


def test_a_line_is_on_the_disk_before_it_counts(company_a: World, monkeypatch: pytest.MonkeyPatch) -> None:
    synced: list[int] = []
    monkeypatch.setattr(anchors.os, "fsync", synced.append)
    happen(company_a)
    write(company_a)
    assert len(synced) == 2  # the new file's folder, and the line


def test_long_files_are_read_from_their_end(
    company_a: World, file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(anchors, "BLOCK", 50)
    on_days(monkeypatch, company_a, 5)
    assert not write(company_a)
    assert known(company_a)[1] == []


def test_the_days_anchor_is_due_once_and_written_by_the_worker(
    company_a: World, company_b: World, file: Path
) -> None:
    happen(company_a)
    happen(company_b)
    assert tasks.anchor() == 2
    assert tasks.anchor() == 2  # not written yet: still one piece of work each
    with company(company_a.id):
        assert DueWork.objects.filter(kind="anchor").count() == 1
    due.work(company_a.id)
    due.work(company_b.id)
    assert {line["company"] for line in read(file)} == {str(company_a.id), str(company_b.id)}
    assert tasks.anchor() == 0
    with company(company_a.id):
        assert not DueWork.objects.filter(kind="anchor").exists()


def test_the_command_writes_them_now(company_a: World, file: Path) -> None:
    happen(company_a)
    call_command("anchor_evidence", "--company", str(company_a.id))
    call_command("anchor_evidence")
    assert len(read(file)) == 1


@pytest.mark.django_db(transaction=True)
def test_writers_at_once_make_one_line_a_company_and_a_whole_file(file: Path) -> None:
    worlds = [factories.make_world(name) for name in ("Alder Balancing", "Birch Balancing")]
    for world in worlds:
        happen(world)
    at_once(*[partial(write, world) for world in worlds * 3])
    assert len(read(file)) == 2
    assert known(worlds[0])[1] == []
