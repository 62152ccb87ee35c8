"""What a batch becomes: stored, known, refused; and what is kept."""

import hashlib
import zlib
from uuid import UUID

import pytest

from jobs.errors import Conflict
from jobs.models import DueWork, Event
from jobs.tenancy.context import company
from jobs.tenancy.ids import uuid7
from measurements.checked import row_id
from measurements.intake import post_batch
from measurements.models import Batch, Reading, Session, Sweep
from tests.factories import World
from tests.measurements import batches
from tests.races import at_once

pytestmark = pytest.mark.django_db


def outcomes(world: World, *sessions: object) -> list[str]:
    return [outcome.outcome for outcome in batches.post(world, *sessions)]


def test_all_methods_are_stored_with_values_in_si_and_as_entered(company_a: World) -> None:
    sent = [
        batches.traverse(company_a),
        batches.hood(company_a),
        batches.sweep(company_a),
        batches.centreline(company_a),
    ]
    assert outcomes(company_a, *sent) == ["stored"] * 4
    with company(company_a.id):
        stored = Session.objects.get(id=sent[0]["id"])
        rows = list(stored.readings.order_by("id"))
        assert [(r.run, r.line, r.point) for r in rows[:6]] == [(1, 1, n) for n in range(1, 6)] + [(1, 2, 1)]
        assert [r.entered for r in rows] == [r["value"] for r in sent[0]["readings"]]
        assert [r.instrument_id for r in rows] == [company_a.instruments["pressure"].id] * 50
        flow = Reading.objects.filter(session=sent[1]["id"]).first()
        assert (flow.value, flow.entered, flow.unit) == (pytest.approx(0.089), "89.0", "L/s")
        air = stored.content["conditions"]["air_temperature"]
        assert (air["si"], air["value"], air["unit"]) == (pytest.approx(294.55), "21.4", "Cel")
        assert stored.content["plane"]["width"]["si"] == pytest.approx(0.5)
        assert Sweep.objects.filter(session=sent[2]["id"]).count() == 5
        assert len(Sweep.objects.filter(session=sent[2]["id"]).first().samples) == 10


def test_the_body_is_kept_as_it_arrived(company_a: World) -> None:
    text = batches.body(batches.hood(company_a))
    with company(company_a.id):
        post_batch(batches.technician(company_a), text)
        kept = Batch.objects.get()
        assert zlib.decompress(bytes(kept.body)) == text
        assert kept.body_digest == hashlib.sha256(text).hexdigest()
        assert kept.outcomes[0]["outcome"] == "stored"
        assert (kept.member_id, kept.device_id) == (company_a.technician.id, company_a.device.id)


def test_each_stored_session_has_an_event_with_its_digest_and_is_due(company_a: World) -> None:
    sent = [batches.hood(company_a, tag) for tag in ("S-1", "S-2")]
    batches.post(company_a, *sent)
    with company(company_a.id):
        told = {e.subject_id: e.content_digest for e in Event.objects.filter(verb="session.stored")}
        assert told == dict(Session.objects.values_list("id", "content_digest"))
        due = DueWork.objects.filter(kind="evaluate").values_list("subject_id", flat=True)
        assert set(due) == set(batches.ids(sent))


def test_A10_a_known_session_is_told_so_and_stored_once(company_a: World) -> None:
    sent = batches.traverse(company_a)
    assert outcomes(company_a, sent) == ["stored"]
    assert outcomes(company_a, sent, batches.hood(company_a)) == ["already_stored", "stored"]
    reordered = dict(reversed(list(sent.items())))
    assert outcomes(company_a, reordered) == ["already_stored"]
    with company(company_a.id):
        assert Reading.objects.filter(session=sent["id"]).count() == 50


def test_A11_a_known_id_with_other_content_is_told_and_the_original_stays(company_a: World) -> None:
    sent = batches.hood(company_a, flow="89.0")
    batches.post(company_a, sent)
    other = {**sent, "readings": [{**sent["readings"][0], "value": "98.0"}, sent["readings"][1]]}
    found = batches.post(company_a, other, batches.hood(company_a, "S-2"))
    assert [o.outcome for o in found] == ["known_with_other_content", "stored"]
    assert found[0].errors[0].pointer == "/sessions/0/id"
    with company(company_a.id):
        assert set(Reading.objects.filter(session=sent["id"]).values_list("entered", flat=True)) == {"89.0"}


def test_the_same_session_twice_in_one_batch_is_one(company_a: World) -> None:
    sent = batches.hood(company_a)
    assert outcomes(company_a, sent, sent) == ["stored", "already_stored"]


def test_a_half_bad_batch_stores_the_good_sessions_and_says_what_is_wrong(company_a: World) -> None:
    good, bad = batches.hood(company_a), batches.traverse(company_a)
    bad["readings"][4]["value"] = "1,5"
    bad["readings"][7]["unit"] = "furlong"
    del bad["readings"][9]["taken_at"]
    found = batches.post(company_a, good, bad)
    assert [o.outcome for o in found] == ["stored", "refused"]
    assert [f.pointer for f in found[1].errors] == ["/sessions/1/readings/9/taken_at"]
    bad["readings"][9]["taken_at"] = bad["readings"][8]["taken_at"]
    found = batches.post(company_a, bad)
    pointers = [f.pointer for f in found[0].errors]
    assert pointers == ["/sessions/0/readings/4/value", "/sessions/0/readings/7/unit"]
    assert "1,5" in found[0].errors[0].detail
    with company(company_a.id):
        assert Session.objects.count() == 1


@pytest.mark.django_db(transaction=True)
def test_the_same_sessions_at_once_are_stored_once(company_a: World) -> None:
    """Six tablets with one batch: whoever comes second finds the sessions, whichever statement told it."""
    text, actor = (
        batches.body(*(batches.traverse(company_a) for _ in range(4))),
        batches.technician(company_a),
    )

    def post() -> list[str]:
        with company(company_a.id):
            return sorted(outcome.outcome for outcome in post_batch(actor, text))

    found = at_once(*[post] * 6)
    assert sorted(found) == [["already_stored"] * 4] * 5 + [["stored"] * 4]
    with company(company_a.id):
        assert (Session.objects.count(), Reading.objects.count(), Batch.objects.count()) == (4, 200, 6)


def test_a_reading_whose_id_is_taken_refuses_the_batch_and_changes_nothing(company_a: World) -> None:
    """The ids that a session's readings will get are known beforehand, so another may have taken one."""
    later = batches.traverse(company_a)
    taken = UUID(bytes=row_id(UUID(later["id"]), 1, 7))
    sooner = batches.hood(company_a)
    for row, own in zip(sooner["readings"], (taken, uuid7()), strict=True):
        row["id"] = str(own)
    batches.post(company_a, sooner)
    with pytest.raises(Conflict, match="nothing was stored"):
        batches.post(company_a, later, batches.traverse(company_a))
    with company(company_a.id):
        assert (Session.objects.count(), Reading.objects.count(), Batch.objects.count()) == (1, 2, 1)


def test_names_are_counted_where_texts_begin_with_colons(company_a: World) -> None:
    """A text that begins with a colon makes the count of names doubtful: then the whole is read."""
    sent = batches.hood(company_a, note=": so it is", adjustment={"setting": ":4", "done": ":"})
    assert [one.outcome for one in batches.post(company_a, sent)] == ["stored"]
    twice = batches.body(batches.hood(company_a, note=":")).replace(b'"note":', b'"note": "x", "note":')
    with company(company_a.id):
        (refused,) = post_batch(batches.technician(company_a), twice)
    assert (refused.outcome, refused.errors[0].detail[:24]) == ("refused", "An object names note twi")
