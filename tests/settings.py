"""Settings of the test run: the service's own, and a small app whose tables the tenancy tests use."""

import os

from config.settings import *  # noqa: F403
from config.settings import CACHES, INSTALLED_APPS

INSTALLED_APPS = [*INSTALLED_APPS, "tests.tenancy.probe", "django_migration_linter"]
TENANCY_GROWING = {"probe.value", "probe.visit"}  # when DATABASE_PARTITIONS is set for the run
PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]  # quick; no test is about hashing
REQUESTS_A_MINUTE = REQUESTS_A_MINUTE_UNKNOWN = (
    1_000_000  # tests are quick; those of the limits set their own
)
# Processes of one run share a Valkey, but no counter: each has a database of its own in it.
WORKER = int(os.environ.get("PYTEST_XDIST_WORKER", "gw0").removeprefix("gw"))
CACHES["default"]["OPTIONS"]["db"] = 1 + WORKER
