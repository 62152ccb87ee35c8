"""The service's settings with one more address: the usual way to take readings, measured beside ours."""

from config.settings import *  # noqa: F403

ROOT_URLCONF = "tests.benchmarks.peer_urls"
REQUESTS_A_MINUTE = 1_000_000
