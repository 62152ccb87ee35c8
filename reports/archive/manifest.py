"""What an export says of itself: its form, where it came from, and a digest of each of its members."""

import datetime as dt
import hashlib
from typing import Annotated, Any
from uuid import UUID

import msgspec

from jobs.errors import Invalid

FORM, VERSION = "flowledger company export", 1
NAME = "manifest.json"
MOST_BYTES = 64 * 1024 * 1024
Sha256 = Annotated[str, msgspec.Meta(pattern="^[0-9a-f]{64}$")]
Count = Annotated[int, msgspec.Meta(ge=0, le=2**62)]


class Member(msgspec.Struct, forbid_unknown_fields=True):
    """One file inside the archive. `rows`: of a table; `table`: its name in the database."""

    name: Annotated[str, msgspec.Meta(max_length=300)]
    size: Count
    sha256: Sha256
    table: str = ""
    rows: Count = 0


class Lost(msgspec.Struct, forbid_unknown_fields=True):
    """A file that a row speaks of and that was missing or altered when the export was made."""

    name: str
    sha256: str
    what: str


class LeftOut(msgspec.Struct, forbid_unknown_fields=True):
    """What the export does not hold, and why."""

    what: str
    reason: str


class House(msgspec.Struct, forbid_unknown_fields=True):
    id: UUID
    name: str


class Chain(msgspec.Struct, forbid_unknown_fields=True):
    """Where the company's log ended: number and link of its last event (hex), and events without a number."""

    number: Count
    mac: Annotated[str, msgspec.Meta(pattern="^([0-9a-f]{64})?$")]
    waiting: Count


class Code(msgspec.Struct, forbid_unknown_fields=True):
    """Which code wrote it: last migration by app, version of the calculation."""

    migrations: dict[str, str]
    calculation: str


class Manifest(msgspec.Struct, forbid_unknown_fields=True, kw_only=True):
    """The whole of manifest.json. Its own SHA-256 is told beside the file, never inside."""

    form: str = FORM
    version: int = VERSION
    company: House
    origin: Annotated[str, msgspec.Meta(max_length=300)]
    made_at: Annotated[dt.datetime, msgspec.Meta(tz=True)]
    code: Code
    chain: Chain
    members: list[Member]
    schemas: dict[str, dict[str, Any]]
    left_out: list[LeftOut]
    lost: list[Lost]


def encode(manifest: Manifest) -> bytes:
    return msgspec.json.format(msgspec.json.encode(manifest), indent=1)


def digest(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def decode(data: bytes) -> Manifest:
    """Raises Invalid for what is no manifest of a version that this code reads."""
    try:
        found = msgspec.json.decode(data, type=Manifest)
    except msgspec.MsgspecError as error:
        raise Invalid(f"{NAME} is not one that this service writes: {error}") from None
    if (found.form, found.version) != (FORM, VERSION):
        raise Invalid(f"{NAME} says '{found.form}', version {found.version}; this service reads {VERSION}.")
    return found
