"""What is sent at times, while the clock of the process that sends it is wrong and after."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from celery import Celery
from celery.beat import ScheduleEntry
from django.conf import settings
from django.utils.module_loading import import_string

from config.beat import Scheduler
from config.celery import app

START = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)


class Beat(Scheduler):
    """The service's schedule by a clock of the test's; notes what it would send."""

    producer = None

    def __init__(self, patch: pytest.MonkeyPatch, file: Path, clock: datetime = START) -> None:
        self.sent: list[str] = []
        self.clock = clock
        patch.setattr(Celery, "now", lambda _: self.clock)
        super().__init__(app=app, schedule_filename=str(file))

    def apply_entry(self, entry: ScheduleEntry, producer: object = None) -> None:
        """Instead of putting it into the queue."""
        self.sent.append(entry.name)

    def passing(self, seconds: int) -> list[str]:
        """What is sent meanwhile."""
        self.sent = []
        for _ in range(seconds):
            self.clock += timedelta(seconds=1)
            while self.tick() == 0:
                pass
        return self.sent


@pytest.mark.parametrize("jump", [timedelta(hours=1), timedelta(days=40), -timedelta(days=1)], ids=str)
@pytest.mark.parametrize("anew", [False, True], ids=["goes on", "started anew"])
def test_F9_a_sweep_comes_in_time_when_the_clock_is_right_again(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, jump: timedelta, anew: bool
) -> None:
    beat, four = Beat(monkeypatch, tmp_path / "schedule"), 4 * settings.SWEEP_SECONDS
    assert beat.passing(four).count("sweep") in (3, 4)
    beat.clock += jump
    assert beat.passing(four).count("sweep") in (3, 4)
    beat.clock -= jump
    if anew:
        beat.close()
        beat = Beat(monkeypatch, tmp_path / "schedule", beat.clock)
    assert beat.passing(four).count("sweep") in (3, 4)
    beat.close()


def test_what_comes_once_a_day_still_comes_after_a_jump(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    beat = Beat(monkeypatch, tmp_path / "schedule")
    beat.passing(10)
    beat.clock += timedelta(days=40)
    beat.passing(10)
    beat.clock = datetime(2026, 3, 3, 4, 49, 30, tzinfo=UTC)
    assert beat.passing(60).count("keep") == 1
    beat.close()


def test_it_is_the_one_that_runs() -> None:
    assert import_string(settings.CELERY_BEAT_SCHEDULER.replace(":", ".")) is Scheduler
    assert settings.CELERY_BEAT_MAX_LOOP_INTERVAL == settings.SWEEP_SECONDS
