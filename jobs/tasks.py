"""Thin Celery doors. Arguments are ids only; what is to be done stands in the database."""

from uuid import UUID

from celery import shared_task

from jobs import due, events
from jobs.tenancy.context import company


@shared_task(name="jobs.work")
def work(company_id: str) -> int:
    return due.work(UUID(company_id))


@shared_task(name="jobs.number_events")
def number_events(company_id: str) -> int:
    total = 0
    while True:
        with company(UUID(company_id)):
            done = events.sequence()
        if not done:
            return total
        total += done


@shared_task(name="jobs.sweep")
def sweep() -> int:
    """Finds work and events that no message told of. Every 15 seconds."""
    swept = 0
    hour = due.this_hour()
    for company_id in due.companies_with_work():
        number_events(str(company_id))
        swept += due.work(company_id)
        with company(company_id):
            if not due.has_work():
                due.forget_idle(company_id, hour)
    return swept
