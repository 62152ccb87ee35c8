"""Figures of a recall: 4,000 sessions with 100,000 readings by one bad manometer, among as many by another.

Run: python -m tests.benchmarks.recall_figures. It starts a PostgreSQL of its own. "List" is from the moment
a worker takes up the entered certificate until the case, every touched session and every touched report are
known. "Recompute" is from there until each session is computed with the found error, compared and stored with
its event, by as many worker processes as the service runs; by the wall clock that tells of a quiet machine,
so the processor's seconds of Python stand beside it. Results are made without their advice and approvals with
snapshots of nothing but readings, outside the timing.
"""

import os
import subprocess
import sys
import time
import zlib
from datetime import timedelta
from typing import Any
from uuid import UUID

from tests.benchmarks.intake_figures import SETTINGS
from tests.benchmarks.own import ROOT, own_database

SESSIONS, READINGS, A_BATCH, A_JOB = 4_000, 25, 20, 100
WORKERS = 2
LONG = timedelta(hours=1)


def main() -> None:
    if "--worker" in sys.argv:
        os.environ["DJANGO_SETTINGS_MODULE"] = SETTINGS
        work(UUID(sys.argv[-1]))
    else:
        own_database(SETTINGS)
        report()


def work(company_id: UUID) -> None:
    """A worker process: ready, then what is due until nothing is."""
    import django

    django.setup()
    from django.db import connection

    from jobs import due
    from measurements import recall

    assert recall.PART
    connection.ensure_connection()
    print("ready", flush=True)
    sys.stdin.readline()
    before = time.process_time()
    while due.work(company_id):
        pass
    print(time.process_time() - before, flush=True)


def measured(world: Any, use: str) -> list[UUID]:
    """Sessions posted and with results."""
    from jobs.access import actor_for_token
    from jobs.models import DueWork
    from jobs.tenancy.context import company
    from measurements.intake import post_batch
    from tests import factories
    from tests.measurements import batches

    found: list[UUID] = []
    with company(world.id):
        actor = actor_for_token(world.technician_token)
        tools = batches.tools(world, "probe", "temperature", "humidity", "barometer")
        tools["pressure"] = str(world.instruments[use].id)
    for first in range(0, SESSIONS, A_JOB):
        with company(world.id):
            job = str(factories.job(world.site, world.system).id)
        for at in range(first, first + A_JOB, A_BATCH):
            flows = [0.78 + 0.25 * (at + k) / SESSIONS for k in range(A_BATCH)]
            sent = [
                batches.traverse(
                    world, job=job, instruments=tools, zero_checks=[],
                    readings=batches.readings(batches.pressures(flow)),
                )
                for flow in flows
            ]  # fmt: skip
            found += batches.ids(sent)
            with company(world.id):
                post_batch(actor, batches.body(*sent))
    with company(world.id):
        DueWork.objects.all().delete()
        for at in range(0, len(found), 500):
            evaluate(found[at : at + 500])
    return found


def evaluate(sessions: list[UUID]) -> None:
    from django.utils import timezone

    from jobs.events import digest
    from measurements import calc
    from measurements.compute import figures_of
    from measurements.inputs import inputs_of
    from measurements.loading import load_many
    from measurements.models import Result

    rows = []
    for loaded in load_many(sessions):
        inputs = inputs_of(loaded)
        rows.append(
            Result(
                session=loaded.session, calculation_version=calc.CALCULATION_VERSION, inputs=inputs,
                inputs_digest=digest(inputs), computed_at=timezone.now(), detail={}, content_digest="-",
                **figures_of(inputs),
            )
        )  # fmt: skip
    Result.objects.bulk_create(rows)


def issued(world: Any) -> int:
    """Every job of the bad manometer's sessions approved and issued."""
    from django.utils import timezone

    from jobs.models import Job
    from measurements.models import Session
    from reports.models import Issue, Revision
    from reports.readings import HEAD

    count = 0
    for job in Job.objects.filter(sessions__isnull=False).distinct():
        ids = Session.objects.filter(job=job).values_list("id", flat=True)
        lines = [",".join(HEAD)] + [
            f"AHU-1,MD-1,{one},pitot_traverse,N. Body,,1,1,{n},reading,pressure,12.0,Pa,12.0,Pa,2026,SN"
            for one in ids
            for n in range(READINGS)
        ]
        revision = Revision.objects.create(
            job=job, revision=1, approved_by=world.supervisor, approved_at=timezone.now(),
            self_approved=False, set_digest="-", snapshot=zlib.compress(b"{}"), snapshot_digest="-",
            readings_csv=zlib.compress("\r\n".join(lines).encode()),
        )  # fmt: skip
        Issue.objects.create(
            revision=revision, number=f"R-{job.number}", address_key=f"k{job.number}",
            issued_by=world.supervisor, issued_at=timezone.now(),
        )  # fmt: skip
        count += 1
    return count


def report() -> None:
    from django.db import connection

    from jobs import due
    from jobs.models import InstrumentKind, Quantity
    from jobs.tenancy.context import company
    from measurements import recall
    from measurements.models import RecallCase, RecallItem
    from reports import recalled
    from tests import factories
    from tests.database import owner_connection
    from tests.measurements.conftest import make_fine
    from tests.measurements.recalls import certify

    world = factories.make_world()
    with company(world.id):
        make_fine(world)
        good = factories.instrument(InstrumentKind.MANOMETER, (Quantity.PRESSURE, 0.0, 100.0, 0.1))
        factories.certificate(good)
        world.instruments["other"] = good
    bad = measured(world, "pressure")
    measured(world, "other")
    with company(world.id):
        reports = issued(world)
    owner_connection(autocommit=True).execute("ANALYZE")
    connection.close()
    certify(world)

    started = time.perf_counter()
    with company(world.id):
        claim = due.claim(["certificate"])
    assert claim is not None
    due.do(world.id, claim)
    with company(world.id):
        case = RecallCase.objects.select_related("certificate", "last_good").get()
        listed = recall.touched(case)
        documents = recalled.touched_documents(case)
    spent = time.perf_counter() - started
    assert set(listed) == set(bad)
    assert 2 * len(documents) == reports
    figure("sessions listed", len(listed), "")
    figure("reports listed", len(documents), "")
    figure("list of touched sessions and reports", spent, "s")

    spent, processor = by_workers(world.id, WORKERS)
    with company(world.id):
        assert RecallItem.objects.count() == SESSIONS
        changed = RecallItem.objects.filter(verdict_changed=True).count()
    figure("verdicts changed", changed, "")
    figure(f"recompute, {WORKERS} workers", spent, "s")
    figure("recompute, processor seconds of all workers", processor, "s")
    figure("readings recomputed a second", SESSIONS * READINGS / spent, "1/s")

    with company(world.id):
        again = time.process_time()
        for at in range(0, 1_000, recall.PART_SIZE):
            recall.computed(case, listed[at : at + recall.PART_SIZE])
        alone = (time.process_time() - again) * SESSIONS / 1_000
        figure("recompute without storing, processor seconds", alone, "s")


def by_workers(company_id: UUID, count: int) -> tuple[float, float]:
    """Seconds until that many processes have done what is due, and the processor's seconds of all."""
    command = [sys.executable, "-m", "tests.benchmarks.recall_figures", "--worker", str(company_id)]
    pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE}
    workers = [subprocess.Popen(command, cwd=ROOT, text=True, **pipes) for _ in range(count)]
    for one in workers:
        assert one.stdout is not None
        assert one.stdout.readline() == "ready\n"
    started, processor = time.perf_counter(), 0.0
    for one in workers:
        assert one.stdin is not None
        one.stdin.write("go\n")
        one.stdin.flush()
    for one in workers:
        assert one.stdout is not None
        processor += float(one.stdout.readline())
    spent = time.perf_counter() - started
    for one in workers:
        one.communicate()
    return spent, processor


def figure(name: str, value: float, unit: str) -> None:
    print(f"figure: {name} = {value:.4g} {unit}".rstrip(), flush=True)


if __name__ == "__main__":
    main()
