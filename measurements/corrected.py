"""A session as it was posted, and what a clerical correction makes of it.

The batch keeps each session byte for byte. A correction is a list of places in that JSON with what stands
there instead; what results goes through the same check as a post. So the digits as shown can't change: no
place of a figure that an instrument showed may be named, only its unit.
"""

import json
import re
import zlib
from collections.abc import Iterable, Iterator, Sequence
from copy import deepcopy
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.utils.translation import gettext
from msgspec import Raw

from jobs.errors import Fault, Invalid
from jobs.models import Instrument, TestPoint
from measurements.batch import Refused, read_session
from measurements.checked import CONDITION_KINDS, LENGTHS, Checked, check_session, plain
from measurements.methods import METHODS
from measurements.models import Correction, Session

Posted = dict[str, Any]
NOTHING = "not given"
OTHERS_OF_PLANE = ("shape", "rule", "lines", "points", "upstream_disturbance", "downstream_disturbance")
MOST_CHANGES = 10_000
_PATHS = re.compile(
    r"/test_point"
    r"|/instruments/[a-z_]{1,40}"
    rf"|/plane/({'|'.join((*LENGTHS, *OTHERS_OF_PLANE))})"
    rf"|/conditions/({'|'.join(CONDITION_KINDS)})"
    r"|/told/[a-z0-9_]{1,40}(/\d{1,3})?"
    r"|/zero_checks/\d{1,2}/(unit|instrument)"
    r"|/readings/\d{1,4}/unit"
    r"|/sweeps/\d{1,3}/(unit|mean/unit)"
)
ALLOWED = (
    "/test_point, /instruments/USE, /plane/…, /conditions/…, /told/…, /zero_checks/N/unit or instrument, "
    "/readings/N/unit, /sweeps/N/unit or mean/unit"
)


@dataclass(frozen=True)
class Change:
    """What is to stand at a place of the session as posted; None: nothing."""

    path: str
    value: Any


@dataclass(frozen=True)
class UnitChange:
    """The unit of all readings or sweeps of a quantity, perhaps only of one place of the method."""

    quantity: str
    unit: str
    place: str | None = None


def as_posted(session: Session) -> Posted:
    """The session as its tablet posted it, with the corrections that led to it."""
    made: list[Correction] = []
    while found := Correction.objects.filter(session=session).select_related("original__batch").first():
        made.append(found)
        session = found.original
    document = _in_batch(session)
    for correction in reversed(made):
        for change in correction.changes:
            put(document, Change(change["path"], change["after"]))
    return document


def _in_batch(session: Session) -> Posted:
    batch = session.batch
    sessions = json.loads(zlib.decompress(bytes(batch.body)))["sessions"]
    for one, outcome in zip(sessions, batch.outcomes, strict=True):
        if outcome["session"] == str(session.id) and outcome["outcome"] == "stored":
            found: Posted = one
            return found
    raise ValueError(f"batch {batch.id} did not bring session {session.id}")


def units_of(document: Posted, units: Sequence[UnitChange]) -> Iterator[Change]:
    """The change of each reading and sweep whose unit is to be another. Raises Invalid where none is."""
    kind = METHODS[document["method"]]
    for n, wanted in enumerate(units):
        found = list(_rows_of(document, wanted, kind.places[0].name))
        if not found:
            raise Invalid(
                gettext("There is nothing of that kind."),
                [Fault(f"/units/{n}", gettext("No reading or sweep is of this."))],
            )
        yield from (Change(path, wanted.unit) for path in found)


def _rows_of(document: Posted, wanted: UnitChange, first: str) -> Iterator[str]:
    for n, row in enumerate(document.get("readings") or ()):
        place = row.get("place") or first
        if row["quantity"] == wanted.quantity and wanted.place in (None, place, row.get("place", "")):
            yield f"/readings/{n}/unit"
    for n, row in enumerate(document.get("sweeps") or ()):
        if row["quantity"] == wanted.quantity:
            yield f"/sweeps/{n}/unit"
            if row.get("mean"):
                yield f"/sweeps/{n}/mean/unit"


def get(document: Any, path: str) -> Any:
    """What stands at a place; None where nothing does."""
    for step in path.split("/")[1:]:
        if isinstance(document, list):
            document = document[int(step)] if step.isdigit() and int(step) < len(document) else None
        else:
            document = document.get(step) if isinstance(document, dict) else None
    return document


def put(document: Posted, change: Change) -> None:
    """Changes one place. Raises Invalid where there is no such place."""
    *parents, last = change.path.split("/")[1:]
    at: Any = document
    if parents and parents[0] in ("instruments", "plane", "conditions", "told"):
        document[parents[0]] = document.get(parents[0]) or {}  # may have been left out
    for step in parents:
        at = get(at, f"/{step}")
    if isinstance(at, list) and last.isdigit() and int(last) < len(at):
        at[int(last)] = change.value
    elif not isinstance(at, dict):
        raise _nowhere(change.path)
    elif change.value is None:
        at.pop(last, None)
    else:
        at[last] = change.value


def _nowhere(path: str) -> Invalid:
    return Invalid(
        "A correction names a place that the session does not have.", [Fault(path, gettext("is not there"))]
    )


def changed(document: Posted, changes: Sequence[Change]) -> tuple[Posted, list[dict[str, Any]]]:
    """The session with the changes, and what differs: path, before, after, in the order of the changes.

    Raises Invalid for a place that no correction may touch, named twice or not there, or when all stays.
    """
    _check_paths(changes)
    after = deepcopy(document)
    for change in changes:
        put(after, change)
    told = [
        {"path": change.path, "before": before, "after": change.value}
        for change in changes
        if (before := get(document, change.path)) != change.value
    ]
    if not told:
        raise Invalid(gettext("Nothing would change."), [Fault("/changes", gettext("say what is corrected"))])
    return after, told


def _check_paths(changes: Sequence[Change]) -> None:
    paths = [change.path for change in changes]
    faults = [
        Fault(path[:200], gettext("This cannot be corrected; what can: %(allowed)s.") % {"allowed": ALLOWED})
        for path in paths
        if not _PATHS.fullmatch(path)
    ]
    faults += [
        Fault(path, gettext("is named twice")) for path in dict.fromkeys(paths) if paths.count(path) > 1
    ][:20]
    if len(paths) > MOST_CHANGES:
        faults = [Fault("/changes", gettext("at most %(most_changes)s") % {"most_changes": MOST_CHANGES})]
    if faults:
        raise Invalid(gettext("Not everything here is a clerical correction; see 'errors'."), faults[:20])


def check(document: Posted, new_id: UUID, original: UUID, reason: str) -> Checked:
    """The corrected session, checked as a post of it is. Raises Invalid with the place of each fault."""
    rows = {
        name: [{k: v for k, v in row.items() if k != "id"} for row in document[name]]
        for name in ("readings", "sweeps")
        if document.get(name)
    }
    supersedes = {"session": str(original), "reason": reason}
    text = json.dumps({**document, **rows, "id": str(new_id), "supersedes": supersedes}).encode()
    try:
        session, readings = read_session(Raw(text))
        return check_session(0, session, readings, text)
    except Refused as refused:
        raise Invalid(gettext("What it would become is no session; see 'errors'."), refused.faults) from None


def in_words(document: Posted, told: Sequence[dict[str, Any]]) -> list[dict[str, str]]:
    """What was changed as {"what", "before", "after"}, like changes of readings and sweeps taken together."""
    names = _names(told)
    rows: dict[tuple[str, str, str, str], set[str]] = {}
    lines: list[dict[str, str]] = []
    for change in told:
        _, part, *rest = change["path"].split("/")
        before, after = (_shown(change[name], names) for name in ("before", "after"))
        if part in ("readings", "sweeps"):
            quantity = document[part][int(rest[0])]["quantity"]
            rows.setdefault((part, quantity, before, after), set()).add(rest[0])
        else:
            lines.append({"what": _what(document["method"], part, rest), "before": before, "after": after})
    for (part, quantity, before, after), indexes in rows.items():
        count = f"{len(indexes)} {part if len(indexes) > 1 else part[:-1]}"
        lines.append({"what": f"Unit of {count} of {plain(quantity)}", "before": before, "after": after})
    return lines


def _what(method: str, part: str, rest: Sequence[str]) -> str:
    if part == "test_point":
        return "Test point"
    if part == "instruments":
        return f"Instrument for {plain(rest[0])}"
    if part == "plane":
        return f"Duct, {plain(rest[0])}"
    if part == "conditions":
        return plain(rest[0]).capitalize()
    if part == "zero_checks":
        return f"{rest[1].capitalize()} of zero check {int(rest[0]) + 1}"
    words = next((told.words for told in METHODS[method].told if told.name == rest[0]), plain(rest[0]))
    return f"{words}, {int(rest[1]) + 1}" if len(rest) > 1 else words


def _names(told: Iterable[dict[str, Any]]) -> dict[str, str]:
    """Tags and serial numbers by id, of the points and instruments that changes name."""
    ids = [one for change in told for one in (change["before"], change["after"]) if _is_id(one)]
    points = TestPoint.objects.filter(id__in=ids).select_related("system")
    tools = Instrument.objects.filter(id__in=ids)
    return {
        **{str(point.id): f"{point.system.tag} · {point.tag}" for point in points},
        **{str(tool.id): f"{tool.name} {tool.serial}" for tool in tools},
    }


def _is_id(value: Any) -> bool:
    try:
        return isinstance(value, str) and UUID(value) is not None
    except ValueError:
        return False


def _shown(value: Any, names: dict[str, str]) -> str:
    if value is None or value == "":
        return NOTHING
    if isinstance(value, dict):
        spread = value.get("expanded_uncertainty")
        text = f"{value.get('value')} ± {spread}" if spread is not None else f"{value.get('value')}"
        return f"{text} {value.get('unit')}"
    if isinstance(value, list):
        return ", ".join(_shown(one, names) for one in value)
    return names.get(str(value).lower(), plain(str(value)))
