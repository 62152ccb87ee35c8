"""Data of every earlier release under today's service: migrated, unaltered, provable, served, gone on with.

A release is frozen by `make freeze`. Here each is restored in a database of its own, `migrate` runs as the
owner, and then everything is asked that the company of that day may ask. Nothing of it is rolled back: the
tests of a release run one after the other, as its days would.
"""

import hashlib
import json
import math
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path
from typing import Any
from uuid import UUID

import pytest
from django.conf import settings
from django.core.cache import cache
from django.db import connection
from django.utils import timezone

from jobs import events, factor
from jobs.instruments import Point, enter_certificate
from jobs.models import CertificateFile, DueWork, Quantity, SecondFactor, System
from jobs.tenancy.context import company
from measurements.models import Result, Session
from reports import document, evidence, issue, signers, verify, webhook_queue
from reports.models import Issue, IssuedFile, Revision, Webhook
from reports.recomputed import differences
from reports.verify import Standing, judge
from tests import factories
from tests.database import drop_database
from tests.doors import walk
from tests.doors.client import Caller, signed_in, with_key, with_token
from tests.factories import World
from tests.measurements import batches
from tests.reports import scene
from tests.upgrade import freeze, restored, world
from tests.upgrade.restored import Frozen, Rows

MEANT: dict[str, str] = {}
"""Columns that a migration gives other values on purpose: start of `table.column`, and the reason."""
NONE_THERE = {"/company/removal": "no removal of the company was asked for"}
"""GET routes that rightly answer 404, by template, and the reason."""
LARGEST = 300_000
BACK = ("jobs 0009_access", "reports 0006_webhooks")
"""Migrations after these are taken back and run again, so that the first release has later ones too."""


@dataclass(frozen=True)
class Upgraded:
    """A release's data after today's migrate."""

    frozen: Frozen
    database: str
    media: Path
    before: Rows
    world: World

    @property
    def companies(self) -> list[UUID]:
        return [UUID(self.frozen.told[name]) for name in ("company", "guest")]


@pytest.fixture(scope="module", params=restored.releases(), ids=lambda one: one.release)
def upgraded(
    request: pytest.FixtureRequest, django_db_setup: None, django_db_blocker: Any,
    tmp_path_factory: pytest.TempPathFactory,
) -> Iterator[Upgraded]:  # fmt: skip
    frozen: Frozen = request.param
    name, media = f"{connection.settings_dict['NAME']}_upgrade", tmp_path_factory.mktemp("upgrade") / "media"
    with django_db_blocker.unblock():
        restored.restore(frozen, name)
        restored.unpack(frozen, media)
        before = restored.rows(name)
        done = restored.manage(frozen, name, settings.DATABASE_OWNER_ROLE, "migrate", "-v0")
        assert done.returncode == 0, done.stderr
        try:
            with restored.inside(frozen, name, media):
                yield Upgraded(frozen, name, media, before, world.stands(frozen.told))
        finally:
            drop_database(name)


@pytest.fixture(autouse=True)
def _fresh_counters() -> None:
    cache.clear()


def test_the_first_release_is_what_the_linter_exempts() -> None:
    """A migration added before the release is out: freeze anew (make freeze) and list it. After: neither."""
    listed = (settings.BASE_DIR / "config/local/first_release.txt").read_text().splitlines()
    assert listed == sorted(set(listed))
    first = restored.releases()[0].migrations
    assert set(listed) == {name for app in freeze.APPS for name in first[app]}
    later = {name for app in freeze.APPS for name in names_of(app) - set(first[app])}
    assert not later & set(listed), "the linter would pass over a later migration of the same name"


def names_of(app: str) -> set[str]:
    """Migrations of an app in this checkout."""
    return {path.stem for path in (settings.BASE_DIR / app / "migrations").glob("0*.py")}


def test_no_migration_of_a_release_was_taken_away() -> None:
    for frozen in restored.releases():
        for app in freeze.APPS:
            assert set(frozen.migrations[app]) <= names_of(app), frozen.release


@pytest.mark.parametrize("frozen", restored.releases(), ids=lambda one: one.release)
def test_what_is_frozen_is_small_whole_and_complete(frozen: Frozen) -> None:
    data = frozen.archive.read_bytes()
    assert len(data) < LARGEST
    assert hashlib.sha256(data).hexdigest() == frozen.state["sha256"]
    assert [
        label for label, count in frozen.state["rows"].items() if not count and label not in freeze.EMPTY
    ] == []


def test_every_kind_of_evidence_is_frozen() -> None:
    """The newest release has them all; earlier ones those of their day."""
    rows = restored.releases()[-1].state["rows"]
    assert [kind.name for kind in evidence.KINDS if not rows.get(kind.model._meta.label)] == []


# One after the other, on the upgraded data


def test_the_catalogue_is_that_of_a_new_installation(upgraded: Upgraded) -> None:
    done = restored.manage(upgraded.frozen, upgraded.database, settings.DATABASE_APP_ROLE, "audit_tenancy")
    assert "no fault" in done.stdout, done.stdout + done.stderr
    if not settings.DATABASE_PARTITIONS:
        new = str(connection.settings_dict["NAME"]).removesuffix("_upgrade")
        assert restored.schema_of(upgraded.database).splitlines() == restored.schema_of(new).splitlines()


def test_no_stored_value_became_another(upgraded: Upgraded) -> None:
    columns = {table: list(next(iter(old.values()))) for table, old in upgraded.before.items() if old}
    after = restored.rows(upgraded.database, columns)
    assert restored.altered(upgraded.before, after, MEANT) == []


def test_the_evidence_holds(upgraded: Upgraded) -> None:
    for one in upgraded.companies:
        with company(one):
            assert [str(fault) for fault in evidence.faults()] == []


def test_each_result_gives_the_same_digits_again(upgraded: Upgraded) -> None:
    seen = 0
    for one in upgraded.companies:
        with company(one):
            for row in Result.objects.order_by("id"):
                assert other_digits(row) == []
                seen += 1
    assert seen > 25


def other_digits(row: Result) -> list[str]:
    """What its inputs give otherwise by its own version; floats count to 12 digits, which every machine's
    mathematics library gives (as in tests/calc/golden)."""
    return [str(one) for one in differences(row) if one.refused or not same(one.stored, one.computed)]


def same(stored: Any, computed: Any) -> bool:
    if isinstance(stored, float) and isinstance(computed, float):
        return math.isclose(stored, computed, rel_tol=1e-12, abs_tol=1e-15)
    return bool(stored == computed)


def test_documents_and_files_are_as_they_were_issued(upgraded: Upgraded) -> None:
    with company(upgraded.companies[0]):
        for revision in Revision.objects.all():
            data = zlib.decompress(revision.snapshot)
            assert document.digest(data) == revision.snapshot_digest
            assert document.from_bytes(data).report.revision == revision.revision
        files = list(IssuedFile.objects.select_related("issue"))
    assert len(files) > 1
    for file in files:
        address = address_of(file.issue)
        report = verify.find(address)
        assert report is not None
        assert judge(report, file.sha256).standing is not Standing.UNKNOWN


def address_of(made: Issue) -> verify.Address:
    """As printed."""
    found = verify.parse_address(issue.check_path(made))
    assert found is not None
    return found


def test_secrets_of_before_still_open_the_doors(upgraded: Upgraded) -> None:
    """Keys and tablets, and what is sealed: a webhook's secret, a second factor, a signing key."""
    it = upgraded.world
    assert with_key(it).get("/jobs").status_code == 200
    assert with_token(it.technician_token).get("/field/worklist").status_code == 200
    with company(it.id):
        assert webhook_queue._secrets(Webhook.objects.get(active=True))
        assert signers.identity() is not None
    for row in SecondFactor.objects.filter(user=it.users["technician"]):
        assert len(factor._secret(row)) == factor.SECRET_BYTES


def test_every_door_answers(upgraded: Upgraded) -> None:
    """Each GET of the service, with ids of the company, by somebody who may."""
    it, wrong = upgraded.world, {}
    world.complete(it)
    ids = walk.ids_of(it)
    with company(it.id):
        of_file = {"certificate_id": CertificateFile.objects.get(id=ids["file_id"]).certificate_id}
    for route, method, action in walk.doors():
        if method == "GET":
            answer = asker(it, route, action).get(
                route.path(ids | of_file if "file_id" in route.names else ids)
            )
            if answer.streaming:
                b"".join(answer.streaming_content)
            if answer.status_code != (404 if route.template in NONE_THERE else 200):
                wrong[route.template] = (answer.status_code, answer.content[:200])
    assert wrong == {}


def asker(it: World, route: walk.Route, action: Any) -> Caller:
    if route.template.startswith("/me/sign-ins"):  # a person's own
        return signed_in(it)
    return with_token(it.technician_token) if action is None else walk.caller_for(it, action)


def test_work_that_was_due_is_done(upgraded: Upgraded) -> None:
    it = upgraded.world
    with company(it.id):
        session = Session.objects.get(test_point__tag="E-1")
        assert not Result.objects.filter(session=session).exists()
    scene.evaluated(it)
    with company(it.id):
        assert Result.objects.filter(session=session).exists()
        while events.sequence():
            pass
        assert not DueWork.objects.filter(kind="evaluate").exists()
        assert [str(fault) for fault in evidence.faults()] == []


def test_the_company_goes_on(upgraded: Upgraded) -> None:
    """A new job on a system of before: measured, evaluated, approved, issued, and all of it provable."""
    it = with_new_job(upgraded.world)
    sent = [batches.hood(it, tag, flow) for tag, flow in (("E-1", "89.7"), ("E-2", "90.2"))]
    answer = with_token(it.technician_token).post("/field/batches", json.loads(batches.body(*sent)))
    assert [one["outcome"] for one in answer.json()["outcomes"]] == ["stored", "stored"], answer.content
    scene.evaluated(it)
    scene.submit(it)
    revision = scene.approved(it)
    with company(it.id):
        made = issue.issue(it.actor("supervisor"), revision.id)
    scene.rendered(it)
    report = verify.find(address_of(made))
    assert report is not None
    assert report.standing is Standing.CURRENT
    with company(it.id):
        file = IssuedFile.objects.get(issue=made)
        assert (upgraded.media / file.name).read_bytes().startswith(b"%PDF-1.7")
        while events.sequence():
            pass
        assert [str(fault) for fault in evidence.faults(evidence.kinds(recompute=True))] == []


def with_new_job(it: World) -> World:
    """A job from today, with instruments whose certificates are of yesterday."""
    day = timezone.now().date() - timedelta(days=1)
    reach = {"hood": (Quantity.FLOW, (0.02, 0.05, 0.15, 0.4), 0.0006),
             "temperature": (Quantity.TEMPERATURE, (260.0, 293.0, 340.0), 0.1)}  # fmt: skip
    with company(it.id):
        system = System.objects.get(site=it.site, tag="EX-1")
        job = factories.job(it.site, system, title="Extract of the toilets, again")
        for use, (quantity, values, U) in reach.items():
            enter_certificate(
                it.actor("owner"), instrument_id=it.instruments[use].id, number=f"later {use}",
                laboratory="Vale Calibration", calibrated_on=day, due_on=day + timedelta(days=365),
                points=[Point(quantity, value, value, U) for value in values],
            )  # fmt: skip
        factories.assign(job, it.technician, *(it.instruments[use] for use in reach))
    return replace(it, job=job, system=system)


def test_later_migrations_run_over_what_is_stored(upgraded: Upgraded) -> None:
    older = f"{upgraded.database}_older"

    def migrate(*words: str) -> None:
        role = settings.DATABASE_OWNER_ROLE
        done = restored.manage(upgraded.frozen, older, role, "migrate", *words, "-v0")
        assert done.returncode == 0, done.stderr

    with restored.copied(upgraded.database, older):
        for one in BACK:
            migrate(*one.split())
        before = restored.rows(older)
        assert "jobs_storedquery" not in before
        migrate()
        columns = {table: list(next(iter(old.values()))) for table, old in before.items() if old}
        assert restored.altered(before, restored.rows(older, columns), MEANT) == []
        assert restored.schema_of(older).splitlines() == restored.schema_of(upgraded.database).splitlines()
        with restored.inside(upgraded.frozen, older, upgraded.media), company(upgraded.companies[0]):
            assert [str(fault) for fault in evidence.faults()] == []


# What a bad migration would do


SEEDS = {
    "measurements_result.flow": "UPDATE measurements_result SET flow = flow * 1.0000001",
    "measurements_flaganswer.reason": "UPDATE measurements_flaganswer SET reason = upper(reason)",
    "measurements_reading": "DELETE FROM measurements_reading WHERE run = 2",
    "jobs_site.elevation_m": "UPDATE jobs_site SET elevation_m = elevation_m + 0.1",
}
"""Where a careless migration leaves its trace, and what it does. A site is no evidence."""
UNFORCED = "ALTER TABLE {0} NO FORCE ROW LEVEL SECURITY; {1}; ALTER TABLE {0} FORCE ROW LEVEL SECURITY;"
OPENED = "ALTER TABLE {0} DISABLE TRIGGER USER; {1} ALTER TABLE {0} ENABLE TRIGGER USER;"


def test_a_migration_that_alters_what_is_stored_is_found(upgraded: Upgraded) -> None:
    """Tables of evidence refuse it; where the migration opens them first, rows and evidence tell."""
    spoilt = f"{upgraded.database}_spoilt"
    columns = {name: list(next(iter(old.values()))) for name, old in upgraded.before.items() if old}
    plain = {name: UNFORCED.format(name.partition(".")[0], told) for name, told in SEEDS.items()}
    with restored.copied(upgraded.database, spoilt):
        before = restored.rows(spoilt, columns)
        refused = seeded(upgraded.frozen, spoilt, plain["measurements_result.flow"])
        assert refused.returncode != 0
        assert "append-only" in refused.stderr
        assert restored.altered(before, restored.rows(spoilt, columns), MEANT) == []
        opened = " ".join(OPENED.format(name.partition(".")[0], told) for name, told in plain.items())
        done = seeded(upgraded.frozen, spoilt, opened)
        assert done.returncode == 0, done.stderr
        told = restored.altered(before, restored.rows(spoilt, columns), MEANT)
        assert {name for name in SEEDS if any(one.startswith(name) for one in told)} == set(SEEDS)
        assert all(one.startswith(tuple(SEEDS)) for one in told)
        with restored.inside(upgraded.frozen, spoilt, upgraded.media), company(upgraded.companies[0]):
            found = [str(fault) for fault in evidence.faults()]
            for table in ("measurements_result", "measurements_flaganswer", "measurements_session"):
                assert any(one.startswith(table) for one in found), found
            assert any(other_digits(row) for row in Result.objects.exclude(flow=None))


def seeded(frozen: Frozen, database: str, statement: str) -> Any:
    """`migrate` with one migration more, which sends the statement."""
    return restored.manage(
        frozen, database, settings.DATABASE_OWNER_ROLE, "migrate", "seeded", "-v0",
        DJANGO_SETTINGS_MODULE="tests.upgrade.seeded.settings", SEEDED=statement,
    )  # fmt: skip
