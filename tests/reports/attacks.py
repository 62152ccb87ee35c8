"""Edits of someone who holds the whole database but not the key of the chain: seeded, of all sorts.

Each is one function that edits through a superuser's connection with the triggers off, in the caller's
transaction, and tells what it did and which ids a finding may name. Edits that a constraint refuses, or that
change nothing, are drawn again.
"""

import json
import random
import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from math import nextafter
from typing import Any
from uuid import UUID, uuid4

import psycopg
from django.conf import settings
from django.db import connection, transaction
from psycopg import sql
from psycopg.types.json import Jsonb

from jobs import events
from jobs.models import Event
from jobs.tenancy.context import company
from reports import evidence
from tests.database import become, become_app

Server = psycopg.Connection[Any]


@dataclass(frozen=True)
class Done:
    """What an edit did, in words, and the ids (or numbers) of which a finding must name one."""

    words: str
    names: frozenset[str]


class Undone(Exception):
    """The edit is taken back."""


class NoEdit(Exception):
    """This draw changes nothing here; draw again."""


@contextmanager
def holding_the_database() -> Iterator[None]:
    """Django's connection is the superuser's for a while."""
    become("postgres")
    try:
        yield
    finally:
        become_app()


def tables() -> list[str]:
    """Every table of evidence, the log's too."""
    models = {m for kind in evidence.KINDS for m in (kind.model, *kind.covers)} | set(evidence.LOG)
    return sorted(model._meta.db_table for model in models)


class Attacker:
    """One company's rows, and every way to touch them. The same seed makes the same edits in one world."""

    def __init__(self, company_id: UUID, seed: int) -> None:
        self.company_id = company_id
        self.draw = random.Random(seed)
        self.tables = [table for table in tables() if self.count(table)]

    # what is there

    @property
    def server(self) -> Server:
        connection.ensure_connection()
        server: Server = connection.connection
        return server

    def ask(self, text: str, *values: Any, table: str = "", column: str = "") -> Any:
        names = {"table": sql.Identifier(table), "column": sql.Identifier(column)}
        statement = sql.SQL(text).format(**{k: v for k, v in names.items() if f"{{{k}}}" in text})
        return self.server.execute(statement, values)

    def count(self, table: str) -> int:
        found = self.ask("SELECT count(*) FROM {table} WHERE company_id = %s", self.company_id, table=table)
        return int(found.fetchone()[0])

    def rows(self, table: str, count: int) -> list[dict[str, Any]]:
        """Some rows, none twice."""
        offsets = self.draw.sample(range(self.count(table)), count)
        return [self.row_at(table, offset) for offset in offsets]

    def row_at(self, table: str, offset: int) -> dict[str, Any]:
        found = self.ask(
            "SELECT * FROM {table} WHERE company_id = %s ORDER BY id OFFSET %s LIMIT 1",
            self.company_id,
            offset,
            table=table,
        )
        row = dict(zip((column.name for column in found.description), found.fetchone(), strict=True))
        kinds = self.types(table)  # Django leaves JSON as text
        return {name: json.loads(value) if kinds[name] == "jsonb" else value for name, value in row.items()}

    def types(self, table: str) -> dict[str, str]:
        found = self.ask(
            "SELECT attname, format_type(atttypid, atttypmod) FROM pg_attribute"
            " WHERE attrelid = %s::regclass AND attnum > 0 AND NOT attisdropped",
            table,
        )
        return dict(found.fetchall())

    def names(self, table: str, *rows: dict[str, Any]) -> frozenset[str]:
        """The rows' own ids, their owners' and, in the log, their numbers."""
        ids = set()
        for row in rows:
            own = ("id", "session_id", "certificate_id", "event_id", "number")
            ids |= {str(row[name]) for name in own if row.get(name)}
            if table in ("jobs_event", "jobs_eventposition"):
                found = self.ask(
                    "SELECT number FROM jobs_eventposition WHERE company_id = %s AND %s IN (event_id, id)",
                    self.company_id,
                    row["id"],
                )
                ids |= {str(number) for (number,) in found.fetchall()}
        return frozenset(ids)

    # the edits

    def change_a_column(self) -> Done:
        """One figure, word, moment, byte or reference in any column of any row."""
        table = self.draw.choice(self.tables)
        (row,) = self.rows(table, 1)
        types = self.types(table)
        column = self.draw.choice(sorted(types))
        old = row[column]
        new = self.other(types[column], old)
        names = self.names(table, row)
        if column == "id":
            names |= {str(new)}
        self.set(table, row["id"], column, types[column], new)
        if column not in ("id", "company_id") and not self.differs(table, row):
            raise NoEdit  # such as a blank that the column's length cuts off
        return Done(f"{table}.{column} of {row['id']}: {str(old)[:60]} -> {str(new)[:60]}", names)

    def differs(self, table: str, row: dict[str, Any]) -> bool:
        found = self.ask(
            "SELECT * FROM {table} WHERE company_id = %s AND id = %s", self.company_id, row["id"], table=table
        )
        now = found.fetchone()
        kinds = self.types(table)
        names = [column.name for column in found.description]
        return any(
            row[name] != (json.loads(value) if kinds[name] == "jsonb" else value)
            for name, value in zip(names, now, strict=True)
        )

    def set(self, table: str, row_id: Any, column: str, kind: str, value: Any) -> None:
        given = Jsonb(value) if kind == "jsonb" else value
        self.ask(
            "UPDATE {table} SET {column} = %s WHERE company_id = %s AND id = %s",
            given,
            self.company_id,
            row_id,
            table=table,
            column=column,
        )

    def other(self, kind: str, old: Any) -> Any:
        """Another value of a column's type, as near as may be or far off."""
        if old is not None and self.draw.random() < 0.1 and kind in ("uuid", "text", "double precision"):
            return None
        if kind.startswith("character"):
            kind = "text"
        return self.MAKE[kind](self, old)

    def other_uuid(self, old: Any) -> Any:
        return UUID(int=self.draw.getrandbits(128))

    def other_float(self, old: Any) -> Any:
        if not old:
            return self.draw.choice((1e-12, 1.0, -0.5))
        return self.draw.choice((nextafter(old, 1e9), old * (1 + 1e-9), old + 0.1, -old, old * 10))

    def other_int(self, old: Any) -> Any:
        return (old or 0) + self.draw.choice((1, -1, 2))

    def other_text(self, old: Any) -> Any:
        text = old or ""
        place = self.draw.randrange(len(text) + 1)
        return self.draw.choice((text[:place] + "x" + text[place:], text + " ", text[:-1] + "7", "another"))

    def other_moment(self, old: Any) -> Any:
        steps = (timedelta(microseconds=1), timedelta(seconds=-1), timedelta(days=-1), timedelta(days=-365))
        return (old or datetime.fromisoformat("2026-01-01T00:00:00+00:00")) + self.draw.choice(steps)

    def other_day(self, old: Any) -> Any:
        return (old or date(2026, 1, 1)) + timedelta(days=self.draw.choice((1, -1, -30)))

    def other_bytes(self, old: Any) -> Any:
        data = bytearray(bytes(old or b"\0"))
        data[self.draw.randrange(len(data))] ^= 1 << self.draw.randrange(8)
        return bytes(data)

    def other_truth(self, old: Any) -> Any:
        return not old

    def other_json(self, old: Any) -> Any:
        """One leaf changed, or a member added or taken away."""
        value = json.loads(json.dumps(old))
        if isinstance(value, dict) and (not value or self.draw.random() < 0.2):
            return value | {"added": 1}
        if isinstance(value, list) and not value:
            return [1]
        here = value
        while True:
            place = self.draw.choice(list(here) if isinstance(here, dict) else range(len(here)))
            if isinstance(here[place], dict | list) and here[place]:
                here = here[place]
                continue
            here[place] = self.other_leaf(here[place])
            return value

    def other_leaf(self, old: Any) -> Any:
        if isinstance(old, bool) or old is None:
            return "told" if old is None else not old
        if isinstance(old, int | float):
            return old + 1 if not old else old * 1.000001
        return f"{old}." if isinstance(old, str) else 0

    def other_floats(self, old: Any) -> Any:
        if not old:
            return [1.0]
        index = self.draw.randrange(len(old))
        return [*old[:index], old[index] + 1e-6, *old[index + 1 :]]

    MAKE: dict[str, Callable[["Attacker", Any], Any]] = {
        "uuid": other_uuid,
        "double precision": other_float,
        "integer": other_int,
        "smallint": other_int,
        "bigint": other_int,
        "text": other_text,
        "timestamp with time zone": other_moment,
        "date": other_day,
        "bytea": other_bytes,
        "boolean": other_truth,
        "jsonb": other_json,
        "double precision[]": other_floats,
    }

    def backdate(self) -> Done:
        """The moment at which something was done, measured, approved or logged."""
        table = self.draw.choice(self.tables)
        types = self.types(table)
        moments = sorted(c for c, kind in types.items() if kind in ("timestamp with time zone", "date"))
        if not moments:
            raise NoEdit
        (row,) = self.rows(table, 1)
        column = self.draw.choice(moments)
        if row[column] is None:
            raise NoEdit
        new = row[column] - timedelta(days=self.draw.randint(1, 400))
        self.set(table, row["id"], column, types[column], new)
        return Done(f"{table}.{column} of {row['id']} backdated", self.names(table, row))

    def remove(self) -> Done:
        table = self.draw.choice(self.tables)
        (row,) = self.rows(table, 1)
        names = self.names(table, row)
        self.ask(
            "DELETE FROM {table} WHERE company_id = %s AND id = %s", self.company_id, row["id"], table=table
        )
        return Done(f"{table} {row['id']} removed", names)

    def remove_with_event(self) -> Done:
        """A row with the event that speaks of it and its place in the chain."""
        kind = self.draw.choice([kind for kind in evidence.KINDS if self.count(kind.table)])
        (row,) = self.rows(kind.table, 1)
        names = self.names(kind.table, row)
        self.ask(
            "DELETE FROM {table} WHERE company_id = %s AND id = %s",
            self.company_id,
            row["id"],
            table=kind.table,
        )
        key = kind.key or "-"
        spoken = self.ask(
            "SELECT id FROM jobs_event WHERE company_id = %s AND verb = ANY(%s) AND"
            " (subject_id = %s OR data ->> %s = %s)",
            self.company_id,
            list(kind.verbs),
            row["id"],
            key,
            str(row["id"]),
        ).fetchall()
        for (event,) in spoken:
            names |= self.names("jobs_event", {"id": event})
            self.ask(
                "DELETE FROM jobs_eventposition WHERE company_id = %s AND event_id = %s",
                self.company_id,
                event,
            )
            self.ask("DELETE FROM jobs_event WHERE company_id = %s AND id = %s", self.company_id, event)
        return Done(f"{kind.table} {row['id']} removed with its event", names | self.gaps())

    def gaps(self) -> frozenset[str]:
        """Numbers after a gap, and the last one there."""
        found = self.ask(
            "SELECT number FROM jobs_eventposition p WHERE company_id = %s AND (NOT EXISTS"
            " (SELECT 1 FROM jobs_eventposition q WHERE q.company_id = p.company_id"
            " AND q.number = p.number - 1) OR number = (SELECT max(number) FROM jobs_eventposition r"
            " WHERE r.company_id = p.company_id))",
            self.company_id,
        )
        return frozenset(str(number) for (number,) in found.fetchall())

    def slip_in(self) -> Done:
        """A copy of a row under a new id."""
        table = self.draw.choice(self.tables)
        (row,) = self.rows(table, 1)
        row = row | {"id": UUID(int=self.draw.getrandbits(128))}
        kinds = self.types(table)
        for column in ("revision", "number"):
            if kinds.get(column) in ("integer", "bigint"):
                row[column] = row[column] + 1000
        if "event_id" in row:
            row["event_id"] = row["id"]
        if "inputs_digest" in row:
            row["inputs_digest"] = "0" * 64
        self.insert(table, row)
        return Done(f"{table} {row['id']} slipped in", self.names(table, row))

    def insert(self, table: str, row: dict[str, Any]) -> None:
        kinds = self.types(table)
        values = [Jsonb(value) if kinds[name] == "jsonb" else value for name, value in row.items()]
        statement = sql.SQL("INSERT INTO {} ({}) VALUES ({})").format(
            sql.Identifier(table),
            sql.SQL(", ").join(map(sql.Identifier, row)),
            sql.SQL(", ").join([sql.Placeholder()] * len(row)),
        )
        self.server.execute(statement, values)

    def slip_in_with_event(self) -> Done:
        """A row and an event of it, put among those that wait with a moment of the past."""
        kind = self.draw.choice([kind for kind in evidence.KINDS if self.count(kind.table) and not kind.key])
        (row,) = self.rows(kind.table, 1)
        new = row | {"id": UUID(int=self.draw.getrandbits(128))}
        if kind.table == "reports_issue":
            new["revision_id"] = uuid4()
        self.insert(kind.table, new)
        first = self.row_at("jobs_event", 0)
        event = first | {"id": uuid4(), "verb": kind.verbs[0], "subject_id": new["id"]}
        event |= {"at": first["at"] - timedelta(days=1)}
        self.insert("jobs_event", event)
        if self.draw.random() < 0.5:
            waiting = {n: event[n] for n in ("company_id", "id", "at")}
            self.insert("jobs_unnumberedevent", waiting | {"seal": "0" * 64})
        return Done(f"{kind.table} {new['id']} slipped in with an event", frozenset({str(event["id"])}))

    def swap(self) -> Done:
        """All that two rows of a table say, exchanged."""
        table = self.draw.choice([one for one in self.tables if self.count(one) > 1])
        one, other = self.rows(table, 2)
        self.ask(
            "DELETE FROM {table} WHERE company_id = %s AND id IN (%s, %s)",
            self.company_id,
            one["id"],
            other["id"],
            table=table,
        )
        self.insert(table, other | {"id": one["id"]})
        self.insert(table, one | {"id": other["id"]})
        return Done(f"{table}: {one['id']} and {other['id']} swapped", self.names(table, one, other))

    def reorder(self) -> Done:
        """Two events in each other's place of the chain, with or without their links."""
        one, other = self.rows("jobs_eventposition", 2)
        names = frozenset(str(row["number"]) for row in (one, other))
        if self.draw.random() < 0.5:
            self.renumber(one["id"], -1)
            self.renumber(other["id"], one["number"])
            self.renumber(one["id"], other["number"])
        else:
            for row in (one, other):
                self.ask(
                    "DELETE FROM jobs_eventposition WHERE company_id = %s AND id = %s",
                    self.company_id,
                    row["id"],
                )
            for row, place in ((one, other), (other, one)):
                self.insert("jobs_eventposition", row | {"number": place["number"], "mac": place["mac"]})
        return Done(f"events number {sorted(names)} reordered", names)

    def renumber(self, position: UUID, number: int) -> None:
        self.ask(
            "UPDATE jobs_eventposition SET number = %s WHERE company_id = %s AND id = %s",
            number,
            self.company_id,
            position,
        )

    def cut_tail(self) -> Done:
        """The last events as if they had never been: their links, their rows of the log, their head."""
        last = self.count("jobs_eventposition")
        kept = last - self.draw.randint(1, min(30, last - 1))
        gone = "SELECT event_id FROM jobs_eventposition WHERE company_id = %s AND number > %s"
        ids = [one for (one,) in self.ask(gone, self.company_id, kept).fetchall()]
        self.ask(
            "DELETE FROM jobs_eventposition WHERE company_id = %s AND number > %s", self.company_id, kept
        )
        if self.draw.random() < 0.5:
            self.ask("DELETE FROM jobs_event WHERE company_id = %s AND id = ANY(%s)", self.company_id, ids)
        else:
            self.ask(
                "INSERT INTO jobs_unnumberedevent (company_id, id, at, seal) SELECT company_id, id, at, ''"
                " FROM jobs_event WHERE company_id = %s AND id = ANY(%s)",
                self.company_id,
                ids,
            )
        mac = self.ask(
            "SELECT mac FROM jobs_eventposition WHERE company_id = %s AND number = %s", self.company_id, kept
        ).fetchone()[0]
        self.set_head(kept, mac)
        return Done(f"the chain cut after {kept} of {last}", frozenset({str(kept)}))

    def set_head(self, number: int, mac: bytes) -> None:
        self.ask(
            "UPDATE jobs_chainhead SET number = %s, mac = %s WHERE company_id = %s",
            number,
            mac,
            self.company_id,
        )

    def replace_head(self) -> Done:
        last = self.count("jobs_eventposition")
        (row,) = self.rows("jobs_eventposition", 1)
        if row["number"] == last:
            raise NoEdit
        ways: Sequence[tuple[int, bytes]] = (
            (row["number"], row["mac"]),
            (last, row["mac"]),
            (last + 1, row["mac"]),
        )
        self.set_head(*self.draw.choice(ways))
        return Done("the head replaced", frozenset({str(last)}))

    def relink(self) -> Done:
        """A change of the chain from some event on, linked again with another key."""
        numbers = self.count("jobs_eventposition")
        start = self.draw.randint(1, numbers)
        real = settings.EVENT_CHAIN_KEY
        settings.EVENT_CHAIN_KEY = bytes(self.draw.getrandbits(8) for _ in range(32))
        try:
            mac = events.mac_at(start - 1)
            for number in range(start, numbers + 1):
                event = Event.objects.get(positions__number=number)
                mac = events.link(mac, number, event)
                self.ask(
                    "UPDATE jobs_eventposition SET mac = %s WHERE company_id = %s AND number = %s",
                    mac,
                    self.company_id,
                    number,
                )
        finally:
            settings.EVENT_CHAIN_KEY = real
        self.set_head(numbers, mac)
        return Done(f"linked again with another key from {start}", frozenset({str(start)}))

    def move(self) -> Done:
        """A row given to another owner of the same kind, or made to supersede another."""
        table = self.draw.choice(self.tables)
        links = self.ask(
            "SELECT a.attname, c.confrelid::regclass::text FROM pg_constraint c JOIN pg_attribute a"
            " ON a.attrelid = c.conrelid AND a.attnum = ANY(c.conkey)"
            " WHERE c.contype = 'f' AND c.conrelid = %s::regclass AND a.attname <> 'company_id'",
            table,
        ).fetchall()
        if not links:
            raise NoEdit
        column, owners = self.draw.choice(sorted(links))
        (row,) = self.rows(table, 1)
        (owner,) = self.rows(owners, 1)
        if owner["id"] == row[column]:
            raise NoEdit
        names = self.names(table, row)
        self.set(table, row["id"], column, "uuid", owner["id"])
        return Done(f"{table} {row['id']} moved by {column} to {owner['id']}", names | {str(owner["id"])})

    EDITS: Sequence[tuple[int, Callable[["Attacker"], Done]]] = (
        (40, change_a_column),
        (8, backdate),
        (8, remove),
        (5, remove_with_event),
        (8, slip_in),
        (4, slip_in_with_event),
        (8, swap),
        (5, reorder),
        (4, cut_tail),
        (3, replace_head),
        (1, relink),
        (8, move),
    )

    def edit(self) -> Done:
        """One edit that the database took, in the caller's transaction."""
        weights, ways = zip(*self.EDITS, strict=True)
        while True:
            (way,) = self.draw.choices(ways, weights)
            try:
                with transaction.atomic():
                    return way(self)
            except (NoEdit, psycopg.IntegrityError, psycopg.DataError):
                continue


@dataclass(frozen=True)
class Tried:
    """An edit and what the walk said of it."""

    done: Done
    found: list[str]

    @property
    def named(self) -> bool:
        """Whether a finding names the row."""
        return any(stands_in(name, line) for line in self.found for name in self.done.names)


def stands_in(name: str, line: str) -> bool:
    return re.search(rf"(?<![\w-]){re.escape(name)}(?![\w-])", line) is not None


def attempts(company_id: UUID, seeds: Sequence[int]) -> Iterator[Tried]:
    """Each seed's edit made, looked for and taken back."""
    for seed in seeds:
        tried: list[Tried] = []
        try:
            with company(company_id):
                connection.connection.execute("SET LOCAL session_replication_role = replica")
                done = Attacker(company_id, seed).edit()
                tried.append(Tried(done, [str(fault) for fault in evidence.faults()]))
                raise Undone
        except Undone:
            yield from tried
