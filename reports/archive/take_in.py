"""Takes a company in from an export: all of it or nothing, under its own ids, as the serving role.

Row security and the append-only tables hold meanwhile: rows are only added, and only this company's. Nothing
is believed that can be proved: in the end the walk of the evidence goes over all of it before it is kept.

What is not as it was, and only that:
* people are matched by e-mail, or made anew without a password (`user_ref` of members);
* tokens, tablets, links, webhooks, invitations and calendars are ended; their secrets did not come;
* the log is chained anew under this service's key. The links of the origin are kept as `ImportedLinks`, under
  a digest that stands in the event of the import, beside the digest of the manifest. So a head that somebody
  wrote down before (in an approved snapshot, say) is still held against what the log was then;
* due work begins anew.
"""

import hashlib
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from uuid import UUID

import msgspec
from django.core.files import File
from django.core.files.storage import default_storage
from django.db import DatabaseError, connection, transaction
from django.db.models import Model
from django.utils import timezone
from psycopg import sql

from jobs import due, events, mail
from jobs.access import Actor
from jobs.errors import Conflict, Invalid
from jobs.models import (
    AccessToken,
    Affiliation,
    CalendarAddress,
    ChainHead,
    Company,
    CompanyImport,
    Device,
    DueWork,
    Event,
    EventPosition,
    ImportedLinks,
    Invitation,
    Member,
    PairingCode,
    SupportGrant,
    TravelTime,
    UnnumberedEvent,
    User,
)
from jobs.tenancy.context import company_var
from jobs.tenancy.ids import uuid7
from reports import evidence
from reports.archive import files, read, tables
from reports.models import Delivery, Webhook

RANDOM = sql.SQL("decode(replace(gen_random_uuid()::text || gen_random_uuid()::text, '-', ''), 'hex')")
NONE = sql.SQL("''")
STANDS_IN: dict[str, sql.Composable] = {
    "reports.SigningCertificate.encrypted_key": sql.SQL("''::bytea"),
    "jobs.UnnumberedEvent.seal": NONE,
    "reports.Webhook.former_secret": sql.SQL("''::bytea"),
}
"""What stands where a secret did not come; elsewhere random bytes that nobody knows a text for."""
HERE_ONLY = {"export", "removal", "keeping"}
"""Kinds of due work that belong to the service that promised them."""
LINK_BYTES, LINKS_A_ROW = 32, 1000
A_ROW = LINK_BYTES * LINKS_A_ROW


@dataclass
class Taken:
    """What came in."""

    company_id: UUID
    name: str
    rows: int = 0
    files: int = 0
    invited: list[str] = field(default_factory=list)
    joined: list[str] = field(default_factory=list)


def take_in(path: Path, digest: str) -> Taken:
    """Checks an export against the digest of its manifest and stores it. For operators; no door leads here.

    Raises Invalid for whatever does not hold, and Conflict when the company is here already; then nothing of
    it was stored.
    """
    with read.opened(path, digest) as archive, ExitStack() as undo, company_var(archive.company_id):
        try:
            with transaction.atomic():
                _without_limits()
                taken = _Intake(archive, undo).run()
        except DatabaseError as error:
            raise Invalid(f"The database refuses a row of the export: {_first_line(error)}") from None
        undo.pop_all()
        return taken


def _without_limits() -> None:
    with connection.cursor() as cursor:
        cursor.execute("SET LOCAL statement_timeout = 0")
        cursor.execute("SET LOCAL idle_in_transaction_session_timeout = 0")


def _first_line(error: Exception) -> str:
    return (str(error).strip().splitlines() or [type(error).__name__])[0]


class _Intake:
    """One import under way. `undo` takes files out of the storage again."""

    def __init__(self, archive: read.Archive, undo: ExitStack) -> None:
        self.archive, self.undo, self.now = archive, undo, timezone.now()
        self.taken = Taken(archive.company_id, archive.manifest.company.name)
        self.left_out: dict[str, dict[str, dict[str, str]]] = {}
        self.head = ChainHead(number=0, mac=events.GENESIS)
        self.macs = bytearray()  # of the origin, 32 bytes an event

    def run(self) -> Taken:
        if Company.objects.exists():
            raise Conflict("The company is here already. Remove it first, or leave it as it is.")
        for table in _order():
            self._table(table)
        self._settle_people()
        self._end_what_came_without_its_secret()
        self._seal_waiting()
        self._store_files()
        self._say_so()
        self._prove()
        return self.taken

    # Rows

    def _table(self, table: tables.Table) -> None:
        change = self._changes().get(table.model)
        chained = table.model is EventPosition
        if table.points_at_itself:
            _constraints("DEFERRED")
        for lines in self.archive.lines(table):
            if table.model is ChainHead:  # written with the last link
                self.head.id = msgspec.json.decode(lines[0], type=_Id).id
                self.taken.rows += 1
                continue
            if any(column.digest for column in table.columns):
                lines = self._without_digests(table, lines)
            kept = [new for line in lines if (new := change(line) if change else line)]
            if chained:
                self._chain(kept)
            else:
                tables.store(table, kept, _stand_ins(table))
            self.taken.rows += len(lines)
        if table.points_at_itself:
            _constraints("IMMEDIATE")

    def _changes(self) -> dict[type[Model], Callable[[bytes], bytes | None]]:
        """Tables of which rows come in otherwise than they are in the export."""
        return {Company: _without_travel, DueWork: _due_anew}

    def _without_digests(self, table: tables.Table, lines: Sequence[bytes]) -> list[bytes]:
        """Takes the digests of columns that did not come out of rows, and remembers them."""
        found = []
        for line in lines:
            row = msgspec.json.decode(line)
            kept = {c.name: row.pop(c.shown) for c in table.columns if c.digest}
            self.left_out.setdefault(table.name, {})[row["id"]] = kept
            found.append(msgspec.json.encode(row))
        return found

    # The chain

    def _chain(self, lines: Sequence[bytes]) -> None:
        """Links some events under this service's key, in the order of their numbers."""
        told = [msgspec.json.decode(line, type=_Position) for line in lines]
        found = Event.objects.in_bulk([one.event_id for one in told])
        head, made = self.head, []
        for one in told:
            if one.number != head.number + 1 or one.event_id not in found or len(one.mac) != LINK_BYTES:
                raise Invalid(f"The log is not whole: something is missing at number {head.number + 1}.")
            head.number = one.number
            head.mac = events.link(bytes(head.mac), one.number, found[one.event_id])
            made.append(EventPosition(id=one.id, event_id=one.event_id, number=one.number, mac=head.mac))
            self.macs += one.mac
        EventPosition.objects.bulk_create(made)

    def _seal_waiting(self) -> None:
        """Events that had no number there get their seal under this service's key, and their number later."""
        for row in UnnumberedEvent.objects.all():
            event = Event.objects.get(id=row.id)
            UnnumberedEvent.objects.filter(id=row.id).update(seal=events.seal(events.event_content(event)))

    def _say_so(self) -> None:
        """The row of this import and its event; then the log goes on."""
        told, head = self.archive.manifest, self.head
        last = bytes(self.macs[-LINK_BYTES:])
        if (head.number, last.hex()) != (told.chain.number, told.chain.mac):
            raise Invalid("The log does not end as the manifest says.")
        if head.number:
            head.save(force_insert=True)
        row: CompanyImport = CompanyImport.objects.create(
            at=self.now,
            manifest_digest=self.archive.digest,
            origin=told.origin,
            exported_at=told.made_at,
            head_number=head.number,
            head_mac=last,
            links_digest=hashlib.sha256(self.macs).hexdigest(),
            left_out=self.left_out,
        )
        ImportedLinks.objects.bulk_create(
            ImportedLinks(of=row, first=start + 1, macs=bytes(self.macs[start * LINK_BYTES :][:A_ROW]))
            for start in range(0, head.number, LINKS_A_ROW)
        )
        data = {"import": str(row.id), "manifest": row.manifest_digest, "origin": row.origin}
        events.record(
            Actor(company_id=self.archive.company_id),
            "company.imported",
            "company",
            self.archive.company_id,
            data={**data, "head": row.head_number},
            content_digest=events.row_digest(row),
        )
        while events.sequence():
            pass

    # People

    def _settle_people(self) -> None:
        """Finds or makes the person behind each member, by e-mail; who is new chooses a password by mail."""
        used: set[UUID] = set()
        for member in Member.objects.order_by("id"):
            user = self._user(member) if member.email else None
            if user is not None and user.id in used:
                raise Invalid(f"Two people of the export have the e-mail of member {member.id}.")
            behind = user.id if user else uuid7()
            used.add(behind)
            if member.user_ref != behind:
                Member.objects.filter(user_ref=behind).exclude(id=member.id).update(user_ref=uuid7())
                Member.objects.filter(id=member.id).update(user_ref=behind)
            if user is not None and member.active:
                Affiliation.objects.get_or_create(user=user, company_ref=self.archive.company_id)

    def _user(self, member: Member) -> User:
        found = User.objects.filter(email=member.email.strip().lower()).first()
        if found is None:
            return self._new_user(member)
        if member.active:
            self.taken.joined.append(found.email)
        return found

    def _new_user(self, member: Member) -> User:
        free = not User.objects.filter(id=member.user_ref).exists()
        user = User(id=member.user_ref if free else uuid7(), email=member.email.strip().lower())
        user.set_unusable_password()
        user.save(force_insert=True)
        if member.active:
            mail.post(mail.RESET, user.id)
            self.taken.invited.append(user.email)
        return user

    def _end_what_came_without_its_secret(self) -> None:
        for model in (AccessToken, CalendarAddress, Delivery, Device, Invitation, SupportGrant):
            model.objects.filter(revoked_at=None).update(revoked_at=self.now)
        Webhook.objects.filter(removed_at=None).update(active=False, removed_at=self.now)
        PairingCode.objects.filter(used_at=None).update(used_at=self.now)
        told = [msgspec.json.decode(line) for lines in self.archive.lines(_of(Company)) for line in lines]
        if len(told) != 1:
            raise Invalid("The export does not hold exactly one company.")
        Company.objects.update(travel_minutes=told[0]["travel_minutes"])
        due.ring(due.EVENTS, self.archive.company_id)

    # Files

    def _store_files(self) -> None:
        """Every file that the rows speak of, and no other. Taken out again when anything fails later."""
        there, lost = self.archive.files, {one.name for one in self.archive.manifest.lost}
        spoken = {one.name: one.sha256 for one in files.kept()}
        if set(there) - set(spoken) or set(spoken) - set(there) - lost:
            raise Invalid("Files of the export are not those that its rows speak of.")
        for name in there:
            if default_storage.exists(name):
                raise Conflict(f"A file lies at {name} already, perhaps of an earlier try. Move it away.")
            with self.archive.file(name) as member:
                self.undo.callback(default_storage.delete, name)
                stored = default_storage.save(name, File(member, name))
            if stored != name:
                self.undo.callback(default_storage.delete, stored)
                raise Conflict(f"The storage would not keep a file under the name {name}.")
            self.taken.files += 1

    def _prove(self) -> None:
        for fault in evidence.faults():
            raise Invalid(f"The evidence of the export does not hold: {fault}. It was not taken in.")


class _Id(msgspec.Struct):
    id: UUID


class _Position(msgspec.Struct):
    id: UUID
    number: int
    mac: bytes
    event_id: UUID


def _order() -> list[tables.Table]:
    """Travel times last: what is planned was checked against those of its day."""
    found = list(tables.tables())
    return [table for table in found if table.model is not TravelTime] + [_of(TravelTime)]


def _of(model: type[Model]) -> tables.Table:
    return tables.by_label()[str(model._meta.label)]


def _constraints(how: str) -> None:
    with connection.cursor() as cursor:
        cursor.execute(f"SET CONSTRAINTS ALL {how}")


def _stand_ins(table: tables.Table) -> dict[str, sql.Composable]:
    return {
        column.name: STANDS_IN.get(f"{table.label}.{column.field.name}", RANDOM)
        for column in table.columns
        if column.left_out
    }


def _without_travel(line: bytes) -> bytes:
    """The usual minutes between sites come at the end, for the same reason as travel times."""
    return msgspec.json.encode({**msgspec.json.decode(line), "travel_minutes": 0})


def _due_anew(line: bytes) -> bytes | None:
    row = msgspec.json.decode(line)
    if row["kind"] in HERE_ONLY:
        return None
    fresh = {"state": "due", "attempts": 0, "lease_until": None, "lease_id": None, "error": ""}
    return msgspec.json.encode({**row, **fresh})
