"""The service's settings with the careless app."""

from config.settings import *  # noqa: F403
from config.settings import INSTALLED_APPS

INSTALLED_APPS = [*INSTALLED_APPS, "tests.upgrade.seeded"]
