"""Thin Celery doors. Arguments are ids only; what is to be done stands in the database."""

from uuid import UUID

from celery import shared_task

from jobs import access_log, anchors, clock, due, events, integrations, reminders
from jobs.tenancy.context import company


@shared_task(name="jobs.work")
def work(company_id: str, queue: str = due.DEFAULT_QUEUE) -> int:
    return due.work(UUID(company_id), queue)


@shared_task(name="jobs.number_events")
def number_events(company_id: str) -> int:
    due.heard(UUID(company_id), due.EVENTS)
    total = 0
    while not clock.is_wrong():
        with company(UUID(company_id)):
            done = events.sequence()
        if not done:
            break
        total += done
    return total


@shared_task(name="jobs.sweep")
def sweep() -> int:
    """Rings again for work and events that no message told of. Sent by beat every few seconds."""
    if clock.look():
        return 0
    hour, waiting = due.this_hour(), due.Waiting()
    for company_id in due.companies_with_work():
        waiting += due.ring_again(company_id, hour)
    due.tell_standing(waiting)
    return waiting.rung


@shared_task(name="jobs.anchor")
def anchor() -> int:
    """Makes the day's anchor due where it is missing. Sent by beat every hour."""
    return len(anchors.due_today())


@shared_task(name="jobs.remind")
def remind() -> int:
    """Makes the day's looks at calibrations and keys due in every company. Sent by beat once a day."""
    return reminders.schedule_all() + integrations.schedule_all()


@shared_task(name="jobs.access")
def access() -> int:
    """Tells companies of failed sign-ins of their people. Sent by beat every minute."""
    return access_log.tell_failures()
