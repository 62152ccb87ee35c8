"""Figures of the evidence: an attacker's edits that are found, the walk's time and memory, recomputation.

Run: python -m tests.benchmarks.evidence_figures [--rows N] [--edits N] [--results N]. It starts a PostgreSQL
of its own. The attacker holds a superuser's connection with the triggers off, but not the chain's key: each
edit is made in a transaction, looked for, and taken back. The rows of the walk are posted as tablets post
them (20 sessions of 25 readings a batch); every event is numbered; one session in ten has a stored result.
"""

import argparse
import resource
import tempfile
import time
from pathlib import Path
from typing import Any

from tests.benchmarks.own import own_database

SESSIONS, READINGS = 20, 25
WALKED = 1_000_000


def main() -> None:
    chosen = arguments()
    own_database("tests.settings", DATABASE_STATEMENT_TIMEOUT="0")
    from django.conf import settings

    with tempfile.TemporaryDirectory() as folder:
        settings.ANCHOR_FILE = Path(folder) / "anchors.jsonl"
        if chosen.edits:
            attacks(chosen.edits)
        if chosen.results:
            recomputed(chosen.results)
        if chosen.rows:
            walked(chosen.rows)


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser()
    parser.add_argument("--rows", type=int, default=WALKED)
    parser.add_argument("--edits", type=int, default=1000)
    parser.add_argument("--results", type=int, default=1000)
    return parser.parse_args()


def figure(name: str, value: Any, unit: str) -> None:
    print(f"figure: {name} = {value} {unit}", flush=True)


def attacks(count: int) -> None:
    from tests.reports import attacks
    from tests.reports.test_attacks import attacked_world

    world = attacked_world()
    found = named = 0
    with attacks.holding_the_database():
        for one in attacks.attempts(world.id, range(count)):
            found += bool(one.found)
            named += one.named
            if not one.found or not one.named:
                print(
                    f"{'not named' if one.found else 'NOT FOUND'}: {one.done.words}",
                    one.found[:2],
                    flush=True,
                )
    figure(f"edits found of {count}", found, "edits")
    figure(f"edits whose row is named of {count}", named, "edits")


def recomputed(count: int) -> None:
    """As many sessions of one job, evaluated as a worker does, approved, then computed again."""
    from jobs.tenancy.context import company
    from reports import evidence, recomputed
    from tests import factories
    from tests.measurements import batches
    from tests.reports import scene

    world = factories.make_world()
    scene.measure(world)
    rest = count - 5
    for start in range(0, rest, SESSIONS):
        size = min(SESSIONS, rest - start)
        makers = (scene.round_traverse, batches.sweep, batches.traverse)
        sessions = [
            makers[n % 3](world) if n < 3 else batches.hood(world, f"S-{1 + n % 3}", f"{89 + n % 5 / 10}")
            for n in range(size)
        ]
        scene.post(world, *sessions)
    settle(world)
    scene.submit(world)
    scene.approved(world)
    started = time.monotonic()
    seen = differing = 0
    with evidence.one_snapshot(world.id):
        for _, found in recomputed.recompute():
            seen += 1
            differing += bool(found)
    seconds = time.monotonic() - started
    figure("approved results computed again", seen, "results")
    figure("approved results that differ", differing, "results")
    figure("results computed again a second", round(seen / seconds), "1/s")
    with company(world.id):
        assert seen


def settle(world: Any) -> None:
    """Every evaluation that is due, until no session makes another out of date."""
    from jobs import due
    from jobs.tenancy.context import company
    from measurements.evaluate import refresh

    late = True
    while late:
        while due.work(world.id):
            pass
        with company(world.id):
            late = bool(refresh(world.job.id))


def walked(rows: int) -> None:
    """The whole walk over a company of as many evidence rows."""
    from reports import evidence
    from tests import factories
    from tests.reports import scene

    world = factories.make_world()
    fill(world, rows)
    scene.whole(world)
    owner_analyses()
    before = peak()
    started = time.monotonic()
    with evidence.one_snapshot(world.id):
        found = list(evidence.faults())
        count = sum(model_rows(kind) for kind in evidence.KINDS)
    seconds = time.monotonic() - started
    assert found == [], found[:3]
    figure(f"verify seconds at {count} rows", round(seconds, 1), "s")
    if count < 0.9 * WALKED:
        figure(f"verify seconds at {WALKED} rows, scaled", round(seconds * WALKED / count, 1), "s")
    figure("verify memory above what the process had", round(peak() - before), "MiB")


def model_rows(kind: Any) -> int:
    return sum(int(model.objects.count()) for model in (kind.model, *kind.covers))


def peak() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def fill(world: Any, rows: int) -> None:
    """Batches of traverses until there are enough rows; clones of one evaluated result for a tenth."""
    from jobs.tenancy.context import company
    from measurements.models import Result, Session
    from reports.evidence import events
    from tests.measurements import batches
    from tests.reports import scene

    values = batches.pressures(0.9)
    each = SESSIONS * (READINGS + 1) + 1
    for _ in range(rows // each):
        scene.post(
            world, *(batches.traverse(world, readings=batches.readings(values)) for _ in range(SESSIONS))
        )
    with company(world.id):
        from measurements.evaluate import evaluate_session

        first, *others = Session.objects.order_by("id").values_list("id", flat=True)[: rows // each * 2]
        done = evaluate_session(first)
        actor = world.actor("owner")
        for other in others:
            row = Result(**{f.attname: getattr(done, f.attname) for f in done._meta.fields if f.name != "id"})
            row.session_id = other
            row.save(force_insert=True)
            data = {"result": str(row.id), "row": events.row_digest(row)}
            events.record(actor, "session.evaluated", "session", other, data=data)


def owner_analyses() -> None:
    from tests.database import owner_connection

    with owner_connection(autocommit=True) as owner:
        owner.execute("ANALYZE")


if __name__ == "__main__":
    main()
