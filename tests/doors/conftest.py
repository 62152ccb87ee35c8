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
    if getattr(request.cls, "__name__", "") != "TestCounting":  # windows end in tests of them only
        monkeypatch.setattr(limits, "_key", lambda name, seconds: f"limit:{name}:{seconds}")
