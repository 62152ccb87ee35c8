"""Whoever holds the whole database but not the chain's key is found out: a seeded sample of edits.

`tests/benchmarks/evidence_figures.py` makes a thousand.
"""

from pathlib import Path
from uuid import UUID

import pytest
from django.utils import timezone

from jobs import anchors
from jobs.models import Certificate
from jobs.tenancy.context import company, company_var
from measurements import correct, recall
from measurements.interval_checks import Shown, record_check
from measurements.models import RecallItem, Session
from measurements.recall_decisions import decide
from reports import deferrals, evidence
from tests import factories
from tests.factories import World
from tests.measurements import batches
from tests.reports import attacks, scene

pytestmark = pytest.mark.django_db(transaction=True)
EDITS = 60


def attacked_world() -> World:
    """An issued job with all kinds of evidence, every event numbered, today's head anchored."""
    made = factories.make_world()
    with company(made.id):
        left = factories.outlet(made.system, "S-9")
    scene.post(made, batches.sweep(made))
    ids = scene.measured(made, s1="95.0", s2="95.0", s3="70.0")
    scene.whole(made)
    with company(made.id):
        deferrals.defer(
            made.actor("supervisor"), made.job.id, point_id=left.id, season="cooling", reason=scene.REASON
        )
    scene.issued(made)
    with company(made.id):
        decided_on(made, ids["S-1"])
    scene.whole(made)
    with company_var(made.id):
        assert anchors.write()
    return made


def decided_on(world: World, session_id: UUID) -> None:
    """What may come later: a check, a recall with a decision, a session made void."""
    supervisor = world.actor("supervisor")
    tool = world.instruments["hood"]
    record_check(
        world.actor("technician"), instrument_id=tool.id, kind="zero", quantity="flow",
        at=timezone.now(), readings=[Shown("0.2", "L/s")],
    )  # fmt: skip
    newest = Certificate.objects.filter(instrument=tool).latest("calibrated_on")
    (case,) = recall.withdraw(world.actor("owner"), newest.id, reason=scene.REASON)
    recall.keep(case, recall.computed(case, recall.missing(case)))
    items = list(RecallItem.objects.values_list("id", flat=True))
    decide(supervisor, case.id, items, kind="no_effect", reason=scene.REASON)
    session = Session.objects.get(id=session_id)
    correct.void(supervisor, session_id, seen_digest=session.content_digest, reason=scene.REASON)


def test_G4_every_edit_of_a_sample_is_found_and_names_the_row(settings: object, tmp_path: Path) -> None:
    settings.ANCHOR_FILE = tmp_path / "anchors.jsonl"  # type: ignore[attr-defined]
    world = attacked_world()
    with company(world.id):
        assert [str(fault) for fault in evidence.faults()] == []
    with attacks.holding_the_database():
        tried = list(attacks.attempts(world.id, range(EDITS)))
    assert [one.done.words for one in tried if not one.found] == []
    assert [(one.done.words, one.found) for one in tried if not one.named] == []
    assert len({one.done.words.split(" ")[0] for one in tried}) > 10  # many tables and ways, not one
    with company(world.id):
        assert list(evidence.faults()) == []
