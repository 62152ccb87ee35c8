"""Known-bad settings that must turn the checker red, else it proves nothing.

commit     synchronous_commit=off: an answer before the disk has it
constraint the keys of sessions and readings are gone: two at once store one session twice. One of them is not
           enough, since each alone keeps a second copy out. Only with faults after which nothing starts
           anew (F10): the service looks for the keys when it starts, and would refuse to serve
straight   work goes from the view into the queue, without a row that says it is due
"""

import os
from collections.abc import Sequence
from uuid import UUID

import psycopg

NAMES = ("commit", "constraint", "straight")


def drop_constraint(connection: "psycopg.Connection[tuple[object, ...]]") -> None:
    """As the administrator, after the service has looked at the catalogue."""
    for table, name in connection.execute(
        "select conrelid::regclass::text, conname from pg_constraint where contype in ('p', 'u')"
        " and conrelid in ('measurements_session'::regclass, 'measurements_reading'::regclass)"
    ).fetchall():
        connection.execute(f'alter table {table} drop constraint "{name}" cascade'.encode())


def go_straight() -> None:
    """In the web server: sends the ids, and writes nothing down."""
    from celery import current_app
    from django.db import transaction

    from jobs import bulk, due
    from jobs.tenancy.context import current_company

    written = due.schedule_statement

    def straight(kind: str, subjects: Sequence[UUID]) -> bulk.Statement:
        if kind != "evaluate":
            return written(kind, subjects)
        args = [str(current_company()), [str(one) for one in subjects]]
        transaction.on_commit(
            lambda: current_app.send_task("faults.evaluate", args=args, queue="default", retry=False),
            robust=True,
        )
        return written(kind, [])

    due.schedule_statement = straight


if "straight" in os.environ.get("FAULT_DEFECT", "").split():
    from config.wsgi import application  # noqa: F401 - the web server's entry

    go_straight()
