"""The figures of `make scale`, from the instance that build.py made."""

import os
import statistics
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any

import psycopg
from django.contrib.auth import BACKEND_SESSION_KEY, HASH_SESSION_KEY, SESSION_KEY
from django.contrib.sessions.backends.db import SessionStore
from django.db import connection

from jobs.models import User
from jobs.tenancy.context import set_company_sql
from jobs.tenancy.middleware import SESSION_KEY as COMPANY_KEY
from tests.benchmarks.intake_figures import Web
from tests.benchmarks.own import ROOT
from tests.benchmarks.scale import requests, templates
from tests.benchmarks.scale.build import ALONE, Instance
from tests.benchmarks.scale.copies import copy_id
from tests.benchmarks.scale.requests import Caller, quantile
from tests.factories import World

MANY = "many"
CALLERS = 20
"""Middle-sized companies that are asked by turns."""
OPEN, HALF, SUBMITTED = 0, 1, 2
"""Jobs by the states of templates.py. Batches go to the half measured one, so that what is read stays."""
WORK_ROUNDS, RAW_READS = 3, 200

Figure = tuple[str, float, str]


def figures(instance: Instance, rounds: int) -> Iterator[Figure]:
    """Every request beside the same of a company alone; then work and raw SQL."""
    jobs = instance.worlds["middle"]
    callers = make_callers(instance, jobs, rounds)
    with Web() as many, Web(DATABASE_URL=address_of(ALONE)) as alone:
        servers = {MANY: many.port, ALONE: alone.port}
        spent = requests.compare(servers, callers, rounds)
    yield from _of_requests(spent)
    yield from _of_raw_sql(callers)
    yield from _of_work(jobs[OPEN])


def _of_requests(spent: dict[str, dict[str, list[float]]]) -> Iterator[Figure]:
    ratios = {0.5: [], 0.95: []}  # type: dict[float, list[float]]
    for name, of in spent.items():
        for share, found in ratios.items():
            many, alone = (quantile(of[server], share) for server in (MANY, ALONE))
            found.append(many / alone)
            yield f"{name}, p{100 * share:.0f} among many", many, "ms"
            yield f"{name}, p{100 * share:.0f} alone", alone, "ms"
            yield f"{name}, p{100 * share:.0f} among many of alone", many / alone, ""
    for share, found in ratios.items():
        yield f"ten requests, p{100 * share:.0f} among many of alone, median", statistics.median(found), ""
        yield f"ten requests, p{100 * share:.0f} among many of alone, worst", max(found), ""


def make_callers(instance: Instance, jobs: Sequence[World], rounds: int) -> dict[str, list[Caller]]:
    """The one that is alone, and copies of it spread over all that there are."""
    world, half = jobs[OPEN], jobs[HALF]
    original = Caller(
        world.id,
        world.job.id,
        jobs[SUBMITTED].job.id,
        world.technician_token,
        world.key_text,
        cookie_of(world, None),
        requests.batches_of(half, rounds + CALLERS + 2),
    )
    middle = next(size for size in templates.SIZES if size.name == "middle")
    count = instance.count(middle)
    numbers = sorted({1 + n * (count - 1) // CALLERS for n in range(CALLERS)} - {count}) if count > 1 else []
    copies = [
        original.of_copy(
            number,
            cookie_of(world, number),
            requests.batches_of(half, 2 + (rounds + CALLERS + 2) // max(1, len(numbers)), number),
        )
        for number in numbers
    ]
    connection.close()
    return {MANY: copies or [original], ALONE: [copy_of(original, half, rounds)]}


def copy_of(original: Caller, world: World, rounds: int) -> Caller:
    return replace(original, batches=requests.batches_of(world, rounds + CALLERS + 2))


def cookie_of(world: World, number: int | None) -> str:
    """The supervisor signed in on the pages. The original's session stands in both databases."""
    user: User = world.users["supervisor"]
    names = (user.id, world.id) if number is None else (copy_id(user.id, number), copy_id(world.id, number))
    session = SessionStore(f"{world.id.hex}" if number is None else f"{names[1].hex}")
    session.update(
        {
            SESSION_KEY: str(names[0]),
            BACKEND_SESSION_KEY: "django.contrib.auth.backends.ModelBackend",
            HASH_SESSION_KEY: user.get_session_auth_hash(),
            COMPANY_KEY: str(names[1]),
        }
    )
    for database in [connection.settings_dict["NAME"], *([ALONE] if number is None else [])]:
        with on(database):
            session.save(must_create=True)
    return f"sessionid={session.session_key}"


class on:
    """Django's connection on another database of the cluster."""

    def __init__(self, database: str) -> None:
        self.database, self.before = database, str(connection.settings_dict["NAME"])

    def __enter__(self) -> None:
        connection.close()
        connection.settings_dict["NAME"] = self.database

    def __exit__(self, *_: object) -> None:
        connection.close()
        connection.settings_dict["NAME"] = self.before


def address_of(database: str) -> str:
    return os.environ["DATABASE_URL"].replace(f"/{connection.settings_dict['NAME']}?", f"/{database}?")


def _of_raw_sql(callers: dict[str, list[Caller]]) -> Iterator[Figure]:
    """What nested GraphQL asks, by one prepared statement of json_build_object, without a door."""
    found = {}
    for name, database in ((MANY, None), (ALONE, ALONE)):
        with as_app(database) as app:
            found[name] = [_raw(app, callers[name][n % len(callers[name])]) for n in range(RAW_READS)]
    for name, values in found.items():
        where = "alone" if name == ALONE else "among many"
        yield f"job, nested, raw SQL, p50 {where}", quantile(values, 0.5), "ms"


def _raw(app: "psycopg.Connection[Any]", caller: Caller) -> float:
    began = time.perf_counter()
    with app.transaction():
        app.execute(set_company_sql(caller.company))
        rows = app.execute(requests.BESIDE, [caller.company, caller.job], prepare=True).fetchall()
    if not rows or not rows[0][0]["sessions"]:
        raise SystemExit("raw SQL found nothing")
    return 1000 * (time.perf_counter() - began)


def as_app(database: str | None) -> "psycopg.Connection[Any]":
    known = connection.settings_dict
    return psycopg.connect(
        dbname=database or known["NAME"], host=known["HOST"], port=known["PORT"], user=known["USER"],
        autocommit=True,
    )  # fmt: skip


def _of_work(world: World) -> Iterator[Figure]:
    """Sessions posted and evaluated in a process of its own, by turns on both databases."""
    found: dict[str, dict[str, list[float]]] = {MANY: {}, ALONE: {}}
    for turn in range(WORK_ROUNDS):
        for name in (MANY, ALONE) if turn % 2 else (ALONE, MANY):
            database = None if name == MANY else ALONE
            for what, value in _work(world, database).items():
                found[name].setdefault(what, []).append(value)
    for what, values in found[MANY].items():
        many, alone = statistics.median(values), statistics.median(found[ALONE][what])
        yield f"{what} among many", many, "ms"
        yield f"{what} alone", alone, "ms"
        yield f"{what} among many of alone", many / alone, ""


def _work(world: World, database: str | None) -> dict[str, float]:
    address = os.environ["DATABASE_URL"] if database is None else address_of(database)
    command = [sys.executable, "-m", "tests.benchmarks.scale.work", str(world.id), str(world.job.id)]
    environment = os.environ | {"DATABASE_URL": address}
    done = subprocess.run(command, cwd=ROOT, env=environment, check=True, stdout=subprocess.PIPE, text=True)
    lines = (line.rpartition("=") for line in done.stdout.splitlines())
    return {name: float(value) for name, _, value in lines}
