"""Whoever holds the whole database but not the chain's key is found out: a seeded sample of edits.

`tests/benchmarks/evidence_figures.py` makes a thousand.
"""

from pathlib import Path

import pytest

from jobs import anchors
from jobs.tenancy.context import company, company_var
from reports import evidence
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
        factories.outlet(made.system, "S-9")
    scene.post(made, batches.sweep(made))
    scene.measured(made, s1="95.0", s2="95.0", s3="70.0")
    scene.whole(made)
    scene.issued(made)
    scene.whole(made)
    with company_var(made.id):
        assert anchors.write()
    return made


def test_every_edit_of_a_sample_is_found_and_names_the_row(settings: object, tmp_path: Path) -> None:
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
