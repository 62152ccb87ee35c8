"""Fixtures of all tests: the database in two roles, the statement guard and two companies."""

import gc
import os
from collections.abc import Iterator

import pytest
from django.db import connection
from django.test import TransactionTestCase
from hypothesis import settings as cases
from whitenoise.middleware import WhiteNoiseMiddleware

from config.local.stack import Stack
from jobs import clock
from tests import factories, stacks
from tests.database import become_app, become_owner, drop_database, empty_database
from tests.pages.browser import executable
from tests.statement_guard import Guard, watching

# The same cases each time, so that a red test is a change's fault; HYPOTHESIS_PROFILE=wide looks further.
cases.register_profile("same", derandomize=True, deadline=None)
cases.register_profile("wide", max_examples=2000, deadline=None, print_blob=True)
cases.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "same"))


def pytest_collection_finish() -> None:
    """What is imported and collected stays to the end: the collector need not look at it again and again."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(20_000, 20, 20)


@pytest.fixture(scope="session")
def django_db_setup(
    request: pytest.FixtureRequest,
    django_test_environment: None,
    django_db_blocker: pytest.FixtureRequest,
    django_db_keepdb: bool,
    django_db_createdb: bool,
) -> Iterator[None]:
    """Let the owner create and migrate the database; then turn into the serving role for good."""
    worker = getattr(request.config, "workerinput", {}).get("workerid", "")
    with django_db_blocker.unblock():
        become_owner()
        if worker:
            connection.settings_dict["TEST"]["NAME"] = f"test_{connection.settings_dict['NAME']}_{worker}"
        connection.creation.create_test_db(
            verbosity=0,
            autoclobber=True,
            serialize=False,
            keepdb=django_db_keepdb and not django_db_createdb,
        )
        become_app()
        clock.look()
    yield
    with django_db_blocker.unblock():
        become_owner()
        if not django_db_keepdb:
            drop_database(connection.settings_dict["NAME"])


@pytest.fixture(scope="session", autouse=True)
def _empty_as_owner() -> None:
    """Empty the tables between transactional tests as the owner: the serving role may not."""
    TransactionTestCase._fixture_teardown = lambda self: empty_database()


@pytest.fixture(scope="session", autouse=True)
def _static_files_found_once() -> None:
    """Each test client builds the middleware anew; the static files are looked for once in a process."""
    found: dict[str, object] = {}
    look = WhiteNoiseMiddleware.add_files_from_finders

    def reuse(self: WhiteNoiseMiddleware) -> None:
        if not found:
            look(self)
            found.update(self.files)
        self.files.update(found)

    WhiteNoiseMiddleware.add_files_from_finders = reuse


@pytest.fixture(scope="session", autouse=True)
def _stacks_migrated_once() -> None:
    """Every stack of processes has the database that the first one migrated."""
    stacks.migrate_once()


@pytest.fixture(scope="session")
def stack() -> Iterator[Stack]:
    """The whole service as processes, for all journeys in browsers of this test process.

    Each plants companies of its own. A test that kills, stops or starves has a stack of its own.
    """
    executable()  # without a browser nothing needs to start
    with stacks.shared() as running:
        yield running


@pytest.fixture(autouse=True)
def statement_guard() -> Iterator[Guard]:
    """Fail any statement on a tenant table that does not name its company."""
    with watching() as guard:
        yield guard


@pytest.fixture
def company_a(db: None) -> factories.World:
    """A company with people and a key."""
    return factories.make_world(factories.FIRST)


@pytest.fixture
def company_b(db: None) -> factories.World:
    """Another company, which must never see anything of the first."""
    return factories.make_world(factories.SECOND)
