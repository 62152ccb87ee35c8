"""The life of a job in any order, through REST alone, as tablets, offices and programs would send it.

A reference kept beside it knows what the service acknowledged; after each step the two are compared.
"""

import json
from dataclasses import dataclass
from datetime import timedelta
from itertools import pairwise
from typing import Any, ClassVar
from uuid import UUID

from django.db import transaction
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from jobs import due, events
from jobs.models import EventPosition, InstrumentAssignment, Job, PersonAssignment
from jobs.tenancy.context import company
from jobs.tenancy.ids import uuid7
from measurements.models import Reading, Session
from reports import evidence
from reports.models import IssuedFile, Revision
from tests.doors import walk
from tests.doors.client import Caller, signed_in, with_key, with_token
from tests.factories import World
from tests.measurements import batches
from tests.soak.silence import inside

TAGS = ("S-1", "S-2", "S-3")
REASON = "Seen on site and put right."
STEPS = {
    "open": {"open", "submitted", "cancelled"},
    "submitted": {"submitted", "approved", "open", "cancelled", "issued"},
    "approved": {"approved", "issued", "submitted", "open"},
    "issued": {"issued", "submitted", "approved", "open"},
    "cancelled": {"cancelled"},
}
"""Which status may follow which."""


@dataclass(frozen=True)
class Sent:
    """A batch as it was sent, and what was answered."""

    key: str
    body: bytes
    status: int
    answer: bytes


class Life(RuleBasedStateMachine):
    """One job of one company."""

    world: ClassVar[World]
    tally: ClassVar[dict[str, int]]

    def __init__(self) -> None:
        super().__init__()
        self.sent: list[Sent] = []
        self.stored: dict[str, tuple[str, tuple[Any, ...]]] = {}
        self.files: dict[UUID, str] = {}
        self.revisions: dict[UUID, tuple[str, str]] = {}
        self.status = "open"
        self.seen = ""
        self.events: list[tuple[int, UUID]] = []
        self.looks = 0

    @initialize()
    def start(self) -> None:
        self.undone = transaction.atomic()
        self.undone.__enter__()
        self.office, self.plan = signed_in(self.world, "supervisor"), with_key(self.world)
        self.tablet = with_token(self.world.technician_token)
        self.tally["sequences"] = self.tally.get("sequences", 0) + 1

    def teardown(self) -> None:
        try:
            self.evidence_verifies()
        finally:
            transaction.set_rollback(True)
            self.undone.__exit__(None, None, None)

    # How it is sent

    def send(self, caller: Caller, method: str, path: str, body: Any = None, **headers: str) -> Any:
        answer = walk.call(caller, method, path, body, **headers)
        content = b"".join(answer.streaming_content) if answer.streaming else answer.content
        self.tally["steps"] = self.tally.get("steps", 0) + 1
        assert answer.status_code < 500, (method, path, body, content)
        if answer.status_code >= 400:
            assert answer["Content-Type"] == "application/problem+json", (method, path, content)
            assert not inside(
                content, json.dumps(body, default=str) if not isinstance(body, bytes) else ""
            ), content
        return answer

    @property
    def at(self) -> str:
        return f"/jobs/{self.world.job.id}"

    def session(self, draw: Any) -> Session | None:
        with company(self.world.id):
            known = list(Session.objects.filter(job=self.world.job).order_by("id"))
        return draw(st.sampled_from(known)) if known else None

    def note(self) -> None:
        """What the database holds of a session when it was first acknowledged."""
        with company(self.world.id):
            for row in Session.objects.exclude(id__in=list(self.stored)):
                self.stored[str(row.id)] = (row.content_digest, shown(row.id))

    # In the field

    @rule(tag=st.sampled_from(TAGS), flow=st.integers(40, 120), count=st.integers(1, 2))
    def post(self, tag: str, flow: int, count: int) -> None:
        made = [batches.hood(self.world, tag, f"{flow + n}.0") for n in range(count)]
        self._post(str(uuid7()), batches.body(*made))

    def _post(self, key: str, body: bytes) -> None:
        answer = self.tablet.client.generic(
            "POST", "/api/v1/field/batches", body, content_type="application/json",
            headers={**self.tablet.headers, "Idempotency-Key": key},
        )  # fmt: skip
        assert answer.status_code < 500, (body, answer.content)
        self.sent.append(Sent(key, body, answer.status_code, answer.content))
        self.note()

    @precondition(lambda self: bool(self.sent))
    @rule(data=st.data(), new_key=st.booleans())
    def repeat(self, data: Any, new_key: bool) -> None:
        """The same once more, under its key or another."""
        one, before = data.draw(st.sampled_from(self.sent)), len(self.stored)
        answer = self.tablet.client.generic(
            "POST", "/api/v1/field/batches", one.body, content_type="application/json",
            headers={**self.tablet.headers, "Idempotency-Key": str(uuid7()) if new_key else one.key},
        )  # fmt: skip
        assert answer.status_code < 500
        if not new_key and one.status < 300:
            assert (answer.status_code, answer.content) == (one.status, one.answer)
            assert answer["Idempotent-Replayed"] == "true"
        with company(self.world.id):
            assert Session.objects.count() == before

    @precondition(lambda self: bool(self.sent))
    @rule(data=st.data(), new_key=st.booleans())
    def repeat_with_other_content(self, data: Any, new_key: bool) -> None:
        one, before = data.draw(st.sampled_from(self.sent)), len(self.stored)
        other = one.body.replace(b".0", b".1")
        answer = self.tablet.client.generic(
            "POST", "/api/v1/field/batches", other, content_type="application/json",
            headers={**self.tablet.headers, "Idempotency-Key": str(uuid7()) if new_key else one.key},
        )  # fmt: skip
        assert answer.status_code < 500
        if not new_key and one.status < 300:
            assert answer.status_code == 422
        with company(self.world.id):
            assert Session.objects.count() == before

    @rule()
    def submit(self) -> None:
        self.send(self.tablet, "POST", f"{self.at}/submit")

    # In the office

    @rule(days=st.integers(0, 4), seen=st.booleans())
    def change(self, days: int, seen: bool) -> None:
        version = self.plan.get(self.at).json()["version"] if seen else 10_000
        body = {"title": f"Balance, day {days}"}
        answer = self.send(self.plan, "PATCH", self.at, body, **{"If-Match": f'"{version}"'})
        assert seen or answer.status_code in (409, 412)

    @rule(data=st.data(), tag=st.sampled_from(TAGS), fresh=st.booleans())
    def correct(self, data: Any, tag: str, fresh: bool) -> None:
        if old := self.session(data.draw):
            body = {
                "reason": REASON,
                "changes": [{"path": "/test_point", "value": str(self.world.points[tag].id)}],
            }
            seen = old.content_digest if fresh else "0" * 64
            path = f"/sessions/{old.id}/corrections"
            answer = self.send(self.office, "POST", path, body, **{"If-Match": f'"{seen}"'})
            assert fresh or answer.status_code in (409, 412, 422)
            self.note()

    @rule(data=st.data(), fresh=st.booleans())
    def void(self, data: Any, fresh: bool) -> None:
        if old := self.session(data.draw):
            seen = old.content_digest if fresh else "0" * 64
            path = f"/sessions/{old.id}/void"
            answer = self.send(self.office, "POST", path, {"reason": REASON}, **{"If-Match": f'"{seen}"'})
            assert fresh or answer.status_code in (409, 412, 422)

    @rule(tag=st.sampled_from(TAGS))
    def defer(self, tag: str) -> None:
        body = {"test_point": str(self.world.points[tag].id), "season": "cooling", "reason": REASON}
        self.send(self.office, "POST", f"{self.at}/deferrals", body)

    @rule()
    def work(self) -> None:
        """What the worker does; all but the minute of rendering."""
        due.work(self.world.id)
        self.note()

    @rule()
    def look(self) -> None:
        answer = self.send(self.office, "GET", f"{self.at}/review")
        if answer.status_code == 200:
            self.seen = answer["ETag"]

    @rule(answer=st.sampled_from(("accept", "accept", "remeasure", "made up")))
    def answer_flags(self, answer: str) -> None:
        found = self.send(self.office, "GET", f"{self.at}/review")
        for flag in found.json()["flags"] if found.status_code == 200 else ():
            body = {"answer": answer, "reason": REASON}
            self.send(self.office, "POST", f"/flags/{flag['id']}/answers", body, **{"If-Match": flag["etag"]})

    @rule(how=st.sampled_from(("fresh", "seen before", "made up")))
    def approve(self, how: str) -> None:
        if how == "fresh":
            self.submit()
            self.a_job_goes_only_where_it_may()
            self.work()
            self.answer_flags("accept")
            self.look()
        now = self.office.get(f"{self.at}/review", **{"X-Request-ID": walk.PROBLEM_ID})
        named = '"made-up"' if how == "made up" else self.seen or '"none"'
        answer = self.send(self.office, "POST", f"{self.at}/approve", {}, **{"If-Match": named})
        if answer.status_code < 300:
            assert now["ETag"] == named
            self.tally["approvals"] = self.tally.get("approvals", 0) + 1
        elif how == "made up":
            assert answer.status_code in (409, 412, 422)

    def _newest(self) -> Revision | None:
        with company(self.world.id):
            found: Revision | None = Revision.objects.order_by("-revision").first()
        return found

    @rule()
    def issue(self) -> None:
        if made := self._newest():
            answer = self.send(self.office, "POST", f"/revisions/{made.id}/issue")
            if answer.status_code < 300:
                self.tally["reports"] = self.tally.get("reports", 0) + 1

    @rule()
    def deliver(self) -> None:
        found = self.send(self.office, "GET", "/reports").json()["items"]
        for report in found[:1]:
            body = {"addresses": ["reader@harbour.example"]}
            self.send(self.office, "POST", f"/reports/{report['id']}/deliveries", body)

    @rule()
    def recall(self) -> None:
        body = {"certificate": str(self.world.certificates["hood"].id), "reason": REASON}
        self.send(signed_in(self.world, "owner"), "POST", "/recalls", body)

    # At the board

    @rule(days=st.integers(0, 3), length=st.integers(0, 2))
    def another_job(self, days: int, length: int) -> None:
        first = self.world.job.starts_on + timedelta(days=days)
        body = {
            "site": str(self.world.site.id), "title": "Balance of another floor",
            "systems": [str(self.world.system.id)], "starts_on": str(first),
            "ends_on": str(first + timedelta(days=length)),
        }  # fmt: skip
        answer = self.send(self.plan, "POST", "/jobs", body, **{"Idempotency-Key": str(uuid7())})
        assert answer.status_code == 201, answer.content

    @rule(data=st.data(), people=st.booleans(), away=st.booleans())
    def book(self, data: Any, people: bool, away: bool) -> None:
        """A person or an instrument on a job, or off it."""
        with company(self.world.id):
            jobs = list(Job.objects.order_by("number").values_list("id", flat=True))
        job = data.draw(st.sampled_from(jobs))
        of = self.world.technician if people else self.world.instruments["hood"]
        at, name = (
            f"/jobs/{job}/{'people' if people else 'instruments'}",
            "member" if people else "instrument",
        )
        answer = (
            self.send(self.plan, "DELETE", f"{at}/{of.id}")
            if away
            else self.send(self.plan, "POST", at, {name: str(of.id)})
        )
        made = "taken off" if away else "booked"
        self.tally[made] = self.tally.get(made, 0) + (answer.status_code < 300)
        refused = "bookings refused"
        self.tally[refused] = self.tally.get(refused, 0) + (answer.status_code == 409)

    @rule(really=st.integers(0, 9))
    def cancel(self, really: int) -> None:
        version = self.plan.get(self.at).json()["version"]
        if really == 0:
            self.send(
                self.plan, "POST", f"{self.at}/cancel", {"reason": REASON}, **{"If-Match": f'"{version}"'}
            )

    # What always holds

    @invariant()
    def nothing_acknowledged_is_lost_doubled_or_changed(self) -> None:
        with company(self.world.id):
            assert Session.objects.count() == len(self.stored)
            rows = {str(row.id): row.content_digest for row in Session.objects.all()}
            assert rows == {name: digest for name, (digest, _) in self.stored.items()}
            for name, (_, readings) in self.stored.items():
                assert shown(UUID(name)) == readings

    @invariant()
    def a_job_goes_only_where_it_may(self) -> None:
        with company(self.world.id):
            now = str(Job.objects.get(id=self.world.job.id).status)
        assert now in STEPS[self.status], (self.status, now)
        self.status = now

    @invariant()
    def nobody_is_in_two_places(self) -> None:
        with company(self.world.id):
            for rows, of in ((PersonAssignment, "member_id"), (InstrumentAssignment, "instrument_id")):
                found = rows.objects.filter(holds=True).order_by(of, "starts_at")
                spells = list(found.values_list(of, "starts_at", "ends_at"))
                for (one, _, ends), (other, begins, _) in pairwise(spells):
                    assert one != other or begins >= ends

    @invariant()
    def what_was_approved_stays(self) -> None:
        with company(self.world.id):
            found = {r.id: (r.set_digest, r.snapshot_digest) for r in Revision.objects.all()}
            files = dict(IssuedFile.objects.values_list("issue_id", "sha256"))
        assert self.revisions.items() <= found.items()
        assert self.files.items() <= files.items()
        self.revisions, self.files = found, files

    @invariant()
    def the_log_only_grows(self) -> None:
        with company(self.world.id):
            while events.sequence():
                pass
            found = list(EventPosition.objects.order_by("number").values_list("number", "event_id"))
            assert found[: len(self.events)] == self.events
            self.events = found
        self.looks += 1
        if self.looks % 10 == 0:
            self.evidence_verifies()

    def evidence_verifies(self) -> None:
        """What is wrong with it stays wrong, and to ask costs more than ten requests."""
        with company(self.world.id):
            assert [str(one) for one in evidence.faults()] == []


def shown(session_id: UUID) -> tuple[Any, ...]:
    names = ("run", "line", "point", "place", "quantity", "entered", "taken_at")
    return tuple(sorted(Reading.objects.filter(session=session_id).values_list(*names)))
