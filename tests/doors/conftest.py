"""What the tests of the doors share."""

import pytest
from django.core.cache import cache

from jobs.http import limits


@pytest.fixture(autouse=True)
def _fresh_counters(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every test starts with no tries counted."""
    cache.clear()
    limits._local.clear()
    limits._away_until = 0.0
    if request.module.__name__ != "tests.doors.test_limits":  # no quarter of an hour ends within a test
        monkeypatch.setattr(limits, "_key", lambda name, seconds: f"limit:{name}:{seconds}")
