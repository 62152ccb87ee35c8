"""Loopback receivers are allowed here, and only 127.0.0.4 to 127.0.0.7."""

import ipaddress
from typing import Any

import pytest

NETWORK = ipaddress.ip_network("127.0.0.4/30")


@pytest.fixture
def loopback(settings: Any) -> None:
    """Receivers of a test may be called, and secrets can be kept."""
    settings.WEBHOOK_TEST_NETWORKS = [NETWORK]
    settings.SIGNING_KEYS = [b"k" * 32]
