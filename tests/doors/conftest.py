"""What the tests of the doors share."""

import pytest
from django.core.cache import cache

from jobs.http import limits


@pytest.fixture(autouse=True)
def _fresh_counters() -> None:
    """Every test starts with no tries counted."""
    cache.clear()
    limits._local.clear()
    limits._away_until = 0.0
