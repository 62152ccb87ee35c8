"""Reminders of calibrations: at which stage, to whom, once."""

from datetime import date, timedelta
from typing import Any
from uuid import UUID

import pytest
from django.core import mail
from django.core.mail.backends.locmem import EmailBackend
from django.utils import timezone

from jobs import due, reminders, tasks
from jobs.instruments import CertificateState, Due
from jobs.models import (
    CalibrationNotice,
    Company,
    DueState,
    DueWork,
    Instrument,
    InstrumentKind,
    Member,
    Quantity,
    Role,
)
from jobs.tenancy.context import company
from tests import factories
from tests.factories import World
from tests.races import at_once

pytestmark = pytest.mark.django_db
KEEPERS = ("owner", "dispatcher", "supervisor")


def tool(world: World, serial: str, days: int | None) -> Instrument:
    """An instrument whose certificate ends so many days from today; none with None."""
    with company(world.id):
        made = factories.instrument(
            InstrumentKind.MANOMETER, (Quantity.PRESSURE, -100.0, 100.0, 0.1), serial=serial
        )
        if days is not None:
            today = timezone.now().date()
            factories.certificate(made, on=today - timedelta(days=300), days=300 + days, number=f"C-{serial}")
        return made


def run(world: World) -> list[Any]:
    """A day's reminders from beat to mails; the new mails."""
    before = len(mail.outbox)
    tasks.remind()
    while due.work(world.id):
        pass
    return mail.outbox[before:]


def letters(sent: list[Any]) -> dict[str, str]:
    return {one.to[0]: f"{one.subject}\n{one.body}" for one in sent}


def set_days(world: World, *days: int) -> None:
    with company(world.id):
        Company.objects.update(reminder_days=list(days))


@pytest.mark.parametrize(
    ("left", "stage"),
    [
        (31, ""), (30, "before-30"), (8, "before-30"), (7, "before-7"), (0, "before-7"),
        (-1, "overdue-0"), (-7, "overdue-0"), (-8, "overdue-1"), (-400, "overdue-57"),
    ],
)  # fmt: skip
def test_the_stage_of_a_day(left: int, stage: str) -> None:
    today = date(2026, 5, 1)
    row = Due(Instrument(company_id=UUID(int=0)), Quantity.PRESSURE, CertificateState.IN_FORCE,
              today + timedelta(days=left))  # fmt: skip
    assert reminders.stage_of(row, [30, 7], today) == stage


def test_those_who_keep_the_instruments_get_one_mail_of_all_that_is_due(company_a: World) -> None:
    for serial, days in (("soon", 20), ("over", -3), ("bare", None), ("fine", 200)):
        tool(company_a, serial, days)
    sent = run(company_a)
    assert sorted(one.to[0] for one in sent) == sorted(getattr(company_a, r).email for r in KEEPERS)
    text = letters(sent)[company_a.owner.email]
    assert text.startswith("3 instruments to calibrate")
    assert "soon (pressure): certificate C-soon ends on" in text
    assert "in 20 days" in text
    assert "certificate C-over ended on" in text
    assert "3 days ago" in text
    assert "bare (pressure): no certificate" in text
    assert "fine" not in text
    assert "/instruments?due=30" in text


def test_each_stage_is_told_once(company_a: World) -> None:
    made = tool(company_a, "soon", 20)
    assert len(run(company_a)) == 3
    assert run(company_a) == []
    set_days(company_a, 30, 21, 7)
    assert len(run(company_a)) == 3
    assert run(company_a) == []
    with company(company_a.id):
        factories.certificate(made, on=timezone.now().date() - timedelta(days=2), days=12)
    assert len(run(company_a)) == 3  # another certificate, its own stage


def test_a_new_member_is_told_and_the_others_not_again(company_a: World) -> None:
    tool(company_a, "soon", 20)
    run(company_a)
    with company(company_a.id):
        new = factories.make_member(company_a.id, Role.SUPERVISOR)
        factories.make_member(company_a.id, Role.TECHNICIAN)
        Member.objects.filter(id=company_a.owner.id).update(active=False)
    assert [one.to for one in run(company_a)] == [[new.email]]


def test_a_company_without_days_gets_none(company_a: World) -> None:
    tool(company_a, "over", -3)
    set_days(company_a)
    assert run(company_a) == []
    with company(company_a.id):
        assert not CalibrationNotice.objects.exists()


def test_what_is_out_of_service_or_fine_is_not_told(company_a: World) -> None:
    gone = tool(company_a, "over", -3)
    with company(company_a.id):
        Instrument.objects.filter(id=gone.id).update(in_service=False)
    assert run(company_a) == []


def test_other_companies_are_not_mixed_in(company_a: World, company_b: World) -> None:
    tool(company_a, "ours", -3)
    tool(company_b, "theirs", -3)
    assert all("theirs" not in one.body for one in run(company_a))
    while due.work(company_b.id):
        pass
    text = letters(mail.outbox)[company_b.owner.email]
    assert "theirs" in text
    assert "ours" not in text.replace("yours", "")


def test_a_mail_that_failed_is_sent_by_the_next_day_and_not_to_those_who_had_theirs(
    company_a: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    tool(company_a, "soon", 20)
    real, broken = EmailBackend.send_messages, company_a.dispatcher.email

    def send(self: Any, messages: Any) -> Any:
        if any(broken in one.to for one in messages):
            raise OSError("the host is away")
        return real(self, messages)

    with monkeypatch.context() as patch:
        patch.setattr(EmailBackend, "send_messages", send)
        sent = run(company_a)
        for _ in range(due.ATTEMPTS):
            with company(company_a.id):
                DueWork.objects.update(due_at=timezone.now())
            due.work(company_a.id)
    assert len(sent) == 2
    with company(company_a.id):
        parked = DueWork.objects.get(kind=reminders.MAIL)
        assert parked.state == DueState.PARKED
        assert broken not in parked.error
        assert CalibrationNotice.objects.filter(sent_at=None).count() == 1
    assert [one.to for one in run(company_a)] == [[broken]]
    assert run(company_a) == []


def test_what_is_calibrated_before_the_mail_leaves_is_not_told(company_a: World) -> None:
    made = tool(company_a, "over", -3)
    tasks.remind()
    with company(company_a.id):
        taken = due.claim([reminders.LOOK])
    assert taken is not None
    due.do(company_a.id, taken)
    with company(company_a.id):
        factories.certificate(made)
    due.work(company_a.id)
    assert mail.outbox == []
    with company(company_a.id):
        assert not CalibrationNotice.objects.filter(sent_at=None).exists()


@pytest.mark.django_db(transaction=True)
def test_workers_at_once_send_one_mail_each() -> None:
    world = factories.make_world()
    tool(world, "over", -3)
    tasks.remind()

    def work() -> None:
        tasks.remind()
        while due.work(world.id):
            pass

    at_once(*[work] * 4)
    while due.work(world.id):
        pass
    assert sorted(one.to[0] for one in mail.outbox) == sorted(getattr(world, r).email for r in KEEPERS)


def test_the_day_is_the_offices(company_a: World) -> None:
    with company(company_a.id):
        made = Company.objects.get()
        made.time_zone = "Pacific/Kiritimati"
        assert reminders.today_of(made) - timezone.now().date() in (timedelta(0), timedelta(days=1))
