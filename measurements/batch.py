"""What a tablet posts: its shape, decoded once and strictly, with the place of every fault.

The envelope is decoded first, then each session on its own, so that one bad session harms no other. When a
session does not decode, its parts are tried one by one and every fault is told.
"""

import json
import math
import re
from collections.abc import Iterator
from datetime import datetime
from typing import Annotated, Any, Literal
from uuid import UUID

import msgspec
from django.utils.translation import gettext, gettext_noop
from msgspec import Meta, Raw, Struct

from jobs.errors import DomainError, Fault, Invalid, TooLarge

MOST_BYTES, MOST_SESSIONS, MOST_READINGS, MOST_SAMPLES = 10 * 1024 * 1024, 200, 5_000, 20_000
MOST_FAULTS = 50
"""Faults told for one session."""

Moment = Annotated[datetime, Meta(tz=True)]
Figure = str | float
Unit = Annotated[str, Meta(min_length=1, max_length=24)]
Number = Annotated[int, Meta(ge=1, le=200)]
MethodName = Literal[
    "pitot_traverse",
    "swept_traverse",
    "centreline_reading",
    "hood_reading",
    "anemometer_traverse",
    "face_velocity",
    "flow_station",
    "static_profile",
    "pressure_check",
    "fan_test",
    "mixed_air",
    "leakage_test",
    "room_pressure",
    "hood_face",
    "sound_level",
    "valve_flow",
    "pump_test",
    "coil_heat",
]
QuantityName = Literal[
    "pressure",
    "velocity",
    "flow",
    "temperature",
    "humidity",
    "absolute_pressure",
    "length",
    "factor",
    "speed",
    "voltage",
    "current",
    "power",
    "carbon_dioxide",
    "concentration",
    "sound_level",
]


class Malformed(DomainError):
    status, code, title = 400, "malformed", gettext_noop("The body is not what this address takes")


class Amount(Struct, forbid_unknown_fields=True, frozen=True):
    """A figure as shown, with its unit."""

    value: Figure
    unit: Unit


class Told(Struct, forbid_unknown_fields=True, frozen=True):
    """A figure that was told, not read, with its unit and, where it is known, U at k = 2 in the same unit."""

    value: Figure
    unit: Unit
    expanded_uncertainty: Figure | None = None


class ReadingIn(Struct, forbid_unknown_fields=True, gc=False):
    run: Annotated[int, Meta(ge=1, le=99)]
    line: Number
    point: Number
    quantity: QuantityName
    value: Figure
    unit: Unit
    taken_at: Moment
    place: Annotated[str, Meta(max_length=40)] = ""
    id: UUID | None = None


class SweepIn(Struct, forbid_unknown_fields=True):
    run: Annotated[int, Meta(ge=1, le=99)]
    line: Number
    quantity: Literal["pressure", "velocity"]
    started_at: Moment
    duration: Amount
    unit: Unit
    mean: Amount | None = None
    samples: list[Figure] = []
    id: UUID | None = None


class ZeroCheckIn(Struct, forbid_unknown_fields=True):
    at: Moment
    value: Figure
    unit: Unit
    instrument: UUID


class Conditions(Struct, forbid_unknown_fields=True, frozen=True):
    air_temperature: Amount | None = None
    relative_humidity: Amount | None = None
    barometric_pressure: Amount | None = None
    duct_static_pressure: Amount | None = None


class PlaneIn(Struct, forbid_unknown_fields=True):
    """The measuring plane as found: inside dimensions, straight duct before and after, the layout used."""

    shape: Literal["round", "rectangular", "oval"]
    width: Amount | None = None
    height: Amount | None = None
    diameter: Amount | None = None
    wall: Amount | None = None
    lining: Amount | None = None
    rule: Literal["log_tchebycheff", "log_linear", "equal_area"] | None = None
    lines: Number | None = None
    points: Number | None = None
    upstream: Amount | None = None
    downstream: Amount | None = None
    upstream_disturbance: Annotated[str, Meta(max_length=80)] = ""
    downstream_disturbance: Annotated[str, Meta(max_length=80)] = ""


class InstrumentsIn(Struct, forbid_unknown_fields=True, omit_defaults=True):
    """Instruments by use."""

    pressure: UUID | None = None
    probe: UUID | None = None
    temperature: UUID | None = None
    humidity: UUID | None = None
    barometer: UUID | None = None
    hood: UUID | None = None
    velocity: UUID | None = None
    flow: UUID | None = None
    speed: UUID | None = None
    voltage: UUID | None = None
    current: UUID | None = None
    power: UUID | None = None
    power_factor: UUID | None = None
    carbon_dioxide: UUID | None = None
    particles: UUID | None = None
    sound: UUID | None = None
    water_pressure: UUID | None = None
    water_temperature: UUID | None = None


class AdjustmentIn(Struct, forbid_unknown_fields=True):
    """Where the damper or valve of the point stood when it was read, and what was done to it before."""

    setting: Annotated[str, Meta(min_length=1, max_length=60)]
    marked: bool = False
    done: Annotated[str, Meta(max_length=300)] = ""


class TurnedIn(Struct, forbid_unknown_fields=True):
    """A damper of another point that was turned before this reading: a branch's, which is read below it."""

    test_point: UUID
    setting: Annotated[str, Meta(min_length=1, max_length=60)]
    marked: bool = False
    done: Annotated[str, Meta(max_length=300)] = ""


class Supersedes(Struct, forbid_unknown_fields=True):
    session: UUID
    reason: Annotated[str, Meta(min_length=3, max_length=2000)]


class SessionIn(Struct, forbid_unknown_fields=True, kw_only=True):
    id: UUID
    job: UUID
    test_point: UUID
    method: MethodName
    started_at: Moment
    finished_at: Moment
    conditions: Conditions = Conditions()
    instruments: InstrumentsIn
    plane: PlaneIn | None = None
    told: dict[Annotated[str, Meta(max_length=40)], Told | str | list[Told | str | None]] = {}
    zero_checks: Annotated[list[ZeroCheckIn], Meta(max_length=50)] = []
    adjustment: AdjustmentIn | None = None
    turned: Annotated[list[TurnedIn], Meta(max_length=20)] = []
    supersedes: Supersedes | None = None
    note: Annotated[str, Meta(max_length=20_000)] = ""
    readings: Raw = Raw(b"[]")
    sweeps: Annotated[list[SweepIn], Meta(max_length=500)] = []


class Envelope(Struct, forbid_unknown_fields=True):
    sent_at: Moment
    sessions: Raw


class Refused(Exception):
    """One session is not readings; the rest of the batch is not touched."""

    def __init__(self, faults: list[Fault], session: UUID | None = None) -> None:
        super().__init__("refused")
        self.faults = faults[:MOST_FAULTS]
        self.session = session


_envelope = msgspec.json.Decoder(Envelope).decode
_sessions = msgspec.json.Decoder(list[Raw]).decode
_session = msgspec.json.Decoder(SessionIn).decode
_readings = msgspec.json.Decoder(list[ReadingIn]).decode
_any = msgspec.json.Decoder().decode
_REQUIRED = ("run", "line", "point", "quantity", "value", "unit", "taken_at")
READING_NAMES = tuple(f'"{name}"'.encode() for name in _REQUIRED)


def read_envelope(body: bytes) -> tuple[datetime, list[Raw]]:
    """When it was sent, and the sessions still as text.

    Raises Malformed, TooLarge or Invalid: then nothing is stored.
    """
    if len(body) > MOST_BYTES:
        raise TooLarge(
            gettext("A batch may have %(most_bytes)s MB at most; post it in parts.")
            % {"most_bytes": MOST_BYTES // 1024**2}
        )
    try:
        envelope = _envelope(body)
        sessions = _sessions(envelope.sessions)
    except msgspec.ValidationError as error:
        raise Invalid(gettext("This is not a batch; see 'errors'."), [fault_of(error)]) from None
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise _malformed(error) from None
    if repeated := _repeated_names(_without(body, envelope.sessions)):
        raise Invalid(gettext("A name stands twice in the batch; see 'errors'."), repeated)
    if not 1 <= len(sessions) <= MOST_SESSIONS:
        detail = f"A batch has 1 to {MOST_SESSIONS} sessions; this one has {len(sessions)}."
        raise (TooLarge if sessions else Invalid)(detail, [Fault("/sessions", detail)])
    return envelope.sent_at, sessions


def _malformed(error: Exception) -> Malformed:
    if isinstance(error, RecursionError):
        return Malformed("The body is nested far deeper than a batch is.")
    return Malformed(f"The body is not JSON in UTF-8: {error}.")


def _without(text: bytes, part: Raw) -> bytes:
    """The text with one long part left out."""
    return text.replace(bytes(part), b"[]", 1) if len(bytes(part)) > 2 else text


def read_session(text: Raw) -> tuple[SessionIn, list[ReadingIn]]:
    """One session with its readings. Raises Refused with every fault found, Malformed when it is no JSON."""
    raw = bytes(text)
    try:
        session = _session(raw)
        readings = _readings(session.readings)
    except msgspec.ValidationError:
        raise Refused(list(_faults_in(raw)), _id_in(raw)) from None
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise _malformed(error) from None
    if not _names_once(raw, session, readings):
        raise Refused(_repeated_names(raw), session.id)
    return session, readings


def _names_once(raw: bytes, session: SessionIn, readings: list[ReadingIn]) -> bool:
    """Whether no object names a member twice. Counting settles it for usual readings, parsing for the rest.

    Every name in READING_NAMES is required, so each reading has it once at least; as many in all as there
    are readings means exactly once. A backslash could hide a name, then the whole is parsed.
    """
    inner, count = bytes(session.readings), len(readings)
    head = _without(raw, session.readings)
    usual = b"\\" not in inner and all(inner.count(name) == count for name in READING_NAMES)
    once = usual and inner.count(b'"place"') == sum(r.place != "" for r in readings)
    if once and inner.count(b'"id"') in (0, sum(r.id is not None for r in readings)):
        return _names_as_many(head) or not _repeated_names(head)
    return not _repeated_names(raw)


_NAME = re.compile(rb'"[ \t\n\r]*:')


def _names_as_many(text: bytes) -> bool:
    """Whether as many names stand in the text as a reader keeps that keeps the last of equal ones.

    A quote and a colon after it may also stand where a text begins with a colon: then there are more, and the
    whole is parsed to tell.
    """
    return b"\\" not in text and len(_NAME.findall(text)) == _members(_any(text))


def _members(value: Any) -> int:
    """How many members all objects in a JSON value have."""
    if isinstance(value, dict):
        return len(value) + sum([_members(one) for one in value.values() if isinstance(one, dict | list)])
    if isinstance(value, list):
        return sum([_members(one) for one in value])
    return 0


def _repeated_names(raw: bytes) -> list[Fault]:
    found: list[Fault] = []

    def check(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        members = dict(pairs)
        if len(members) < len(pairs):
            names = [name for name, _ in pairs]
            twice = sorted({name for name in names if names.count(name) > 1})
            found.append(
                Fault(
                    "",
                    gettext("An object names %(twice)s twice; each name may stand once.")
                    % {"twice": ", ".join(twice)},
                )
            )
        return members

    json.loads(raw, object_pairs_hook=check)
    return found


def _faults_in(raw: bytes) -> Iterator[Fault]:
    """Every fault of a session that did not decode, part by part."""
    try:
        content = json.loads(raw)
    except ValueError:  # more digits than Python takes
        yield Fault("", gettext("It holds a number far too large to be a reading."))
        return
    if not isinstance(content, dict):
        yield Fault("", gettext("A session is an object."))
        return
    for name, kind in (("readings", ReadingIn), ("sweeps", SweepIn), ("zero_checks", ZeroCheckIn)):
        parts = content.get(name, [])
        if not isinstance(parts, list):
            yield Fault(f"/{name}", gettext("This is a list."))
            continue
        for index, part in enumerate(parts):
            yield from _conversion_faults(part, kind, f"/{name}/{index}")
    yield from _head_faults({**content, "readings": [], "sweeps": [], "zero_checks": []})


def _conversion_faults(part: Any, kind: Any, at: str) -> Iterator[Fault]:
    try:
        msgspec.convert(part, kind)
    except msgspec.ValidationError as error:
        yield fault_of(error, at)
    figures = part.items() if isinstance(part, dict) else ()
    for name, value in figures:
        if isinstance(value, float) and not math.isfinite(value):
            yield Fault(f"{at}/{name}", gettext("The number is too large to be a reading."))


def _head_faults(content: dict[str, Any]) -> Iterator[Fault]:
    """Fault after fault: each told one is taken out or mended before the next look."""
    for name, value in list(content.items()):
        kind = _HEAD_KINDS.get(name)
        if kind is None:
            yield Fault(f"/{name}", gettext("There is no such field here."))
        else:
            yield from _conversion_faults(value, kind, f"/{name}")
    for name in _NEEDED:
        if name not in content:
            yield Fault(f"/{name}", gettext("This is missing."))


_FIELDS = msgspec.structs.fields(SessionIn)
_HEAD_KINDS: dict[str, Any] = {f.name: Any if f.name == "readings" else f.type for f in _FIELDS}
_NEEDED = [f.name for f in _FIELDS if f.required]


def _id_in(raw: bytes) -> UUID | None:
    try:
        return UUID(str(msgspec.json.decode(raw)["id"]))
    except (msgspec.MsgspecError, ValueError, KeyError, TypeError):
        return None


_AT = re.compile(r"^(.*?)(?: - at `\$(.*)`)?$", re.DOTALL)
_STEP = re.compile(r"\.([^.\[]+)|\[(\d+)\]")
_FIELD = re.compile(r"(?:missing required|contains unknown) field `([^`]+)`")
_WORDS = (
    ("Expected `datetime` with a timezone component", "A time needs its offset, e.g. 2026-03-01T09:30:00Z"),
    ("Invalid RFC3339 encoded datetime", "This is not a time; write it like 2026-03-01T09:30:00+01:00"),
    ("Invalid UUID", "This is not a UUID"),
    ("Number out of range", "The number is too large to be a reading"),
    ("Expected `str | float`", "Expected a number or its text, e.g. \"13.10\""),
    ("Expected `float | str`", "Expected a number or its text, e.g. \"13.10\""),
)  # fmt: skip


def fault_of(error: msgspec.ValidationError, at: str = "") -> Fault:
    """The place as a JSON pointer and the fault in plain words."""
    match = _AT.match(str(error))
    text, path = (match.group(1), match.group(2) or "") if match else (str(error), "")
    pointer = at + "".join(f"/{name or index}" for name, index in _STEP.findall(path))
    if field := _FIELD.search(text):
        missing = "missing" in text
        return Fault(
            f"{pointer}/{field.group(1)}",
            gettext("This is missing.") if missing else gettext("There is no such field here."),
        )
    for found, said in _WORDS:
        text = text.replace(found, said)
    return Fault(pointer or "/", text.replace("`", "'") + ".")
