"""One instance with many companies, and beside it a database with one of them."""

import sys
import time
from typing import Any
from uuid import UUID

import psycopg
from django.db import connection

from tests.benchmarks.scale import templates
from tests.benchmarks.scale.copies import copy_company, copy_id
from tests.factories import World

ALONE = "flowledger_alone"
SLICE = 100
"""Copies made in one transaction."""
LARGEST = 12


class Instance:
    """Companies of three sizes; the middle one exists alone in another database too, row for row."""

    def __init__(self, companies: int, readings: int) -> None:
        self.wanted = companies
        self.growth = readings / (companies * templates.USUAL)
        self.worlds: dict[str, list[World]] = {}
        self.companies: list[UUID] = []
        self.administrator = administrator()

    def build(self) -> None:
        """The middle company first: its database is then copied, before there are others."""
        for size in sorted(templates.SIZES, key=lambda size: size.name != "middle"):
            jobs = max(3 if size.name == "middle" else 1, round(size.jobs * self.growth))
            self.worlds[size.name] = templates.make(size, jobs)
            say(f"{size.name} company of {jobs} jobs made")
            if size.name == "middle":
                self._copy_database()
        for size in templates.SIZES:
            self._copy(size)
        for statement in ("VACUUM (FREEZE, ANALYZE)", "CHECKPOINT"):
            self.administrator.execute(statement)
            with administrator(ALONE) as alone:
                alone.execute(statement)

    def _copy_database(self) -> None:
        connection.close()
        name = connection.settings_dict["NAME"]
        with administrator("postgres") as other:
            self.administrator.close()
            other.execute(f'CREATE DATABASE "{ALONE}" TEMPLATE "{name}" OWNER flowledger_owner')
        self.administrator = administrator()

    def _copy(self, size: templates.Size) -> None:
        world, count = self.worlds[size.name][0], self.count(size)
        for start in range(1, count, SLICE):
            began = time.perf_counter()
            numbers = range(start, min(start + SLICE, count))
            copy_company(self.administrator, world.id, numbers)
            say(f"{len(numbers)} copies of the {size.name} company in {time.perf_counter() - began:.0f} s")
        self.companies += [world.id, *(copy_id(world.id, number) for number in range(1, count))]

    def count(self, size: templates.Size) -> int:
        """How many companies of a size there are, the original among them."""
        return max(1, round(self.wanted * size.share))

    def rows(self, table: str) -> int:
        return int(self._one(f"SELECT count(*) FROM {table}"))

    def server(self) -> str:
        return str(self._one("SHOW server_version"))

    def sizes(self) -> list[tuple[str, float, str]]:
        """Megabytes of the database, of each company and of the largest tables with their indexes."""
        whole = float(self._one("SELECT pg_database_size(current_database())")) / 1e6
        tables = self.administrator.execute(
            "SELECT c.relname, coalesce((SELECT sum(pg_total_relation_size(relid)) FROM"
            " pg_partition_tree(c.oid)), pg_total_relation_size(c.oid)) / 1e6 FROM pg_class c"
            " WHERE c.relkind IN ('r', 'p') AND NOT c.relispartition"
            f" AND c.relnamespace = 'public'::regnamespace ORDER BY 2 DESC LIMIT {LARGEST}"
        ).fetchall()
        return [
            ("disk", whole, "MB"),
            ("disk a company", whole / len(self.companies), "MB"),
            *((f"disk of {table}", float(size), "MB") for table, size in tables),
        ]

    def _one(self, query: str) -> Any:
        ((found,),) = self.administrator.execute(query).fetchall()
        return found


def administrator(database: str | None = None) -> "psycopg.Connection[Any]":
    """The administrator of the passing cluster, which row security does not hold; for making copies only."""
    known = connection.settings_dict
    return psycopg.connect(
        dbname=database or known["NAME"],
        host=known["HOST"],
        port=known["PORT"],
        user="postgres",
        autocommit=True,
        cursor_factory=psycopg.ClientCursor,
    )


def say(words: str) -> None:
    print(words, file=sys.stderr, flush=True)
