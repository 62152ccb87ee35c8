"""What was read at each point, in order of time, and which readings make one survey of a branch or system.

A survey is every outlet once with nothing touched meanwhile: only such readings show shares that belong
together.
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from measurements.calc.network import Damper

WAITING = "waiting"
"""Of a reading that is not evaluated yet."""
_OPEN = re.compile(r"\b(fully |full )?open\b|\b100 ?%", re.IGNORECASE)
_PART = re.compile(r"\b(\d+(?:\.\d+)?) ?(?:of|/) ?(\d+(?:\.\d+)?)\b")
_NONE = re.compile(r"\bno (damper|valve)\b|^none$", re.IGNORECASE)
_NOT_FULLY = re.compile(r"\b(half|part|not)\b", re.IGNORECASE)


@dataclass(frozen=True)
class Figure:
    """One session of a point. `outcome`: computed, refused or waiting. `value`: on the basis of the design,
    m³/s; `u` standard. `shown`: mean of what the instrument showed, SI, where it showed a flow.
    `moved`: the damper or valve was turned before this reading.
    """

    session: UUID
    point: UUID
    at: datetime
    method: str
    outcome: str
    value: float | None = None
    u: float = 0.0
    expanded: float | None = None
    share: float | None = None
    share_expanded: float | None = None
    verdict: str = ""
    accepted: bool | None = None
    refusal: str = ""
    instrument: str = ""
    shown: float | None = None
    setting: str = ""
    marked: bool = False
    done: str = ""
    moved: bool = False

    @property
    def factor(self) -> float | None:
        """What a flow is multiplied by to be what the instrument shows there."""
        if not self.shown or not self.value:
            return None
        return self.shown / self.value


def stands(setting: str) -> Damper:
    """How a damper stands by the technician's words; nothing told: open, as before a first round."""
    text = setting.strip()
    if not text:
        return Damper.OPEN
    if _NONE.search(text):
        return Damper.NONE
    if part := _PART.search(text):
        return Damper.OPEN if float(part[1]) >= float(part[2]) > 0.0 else Damper.SET
    return Damper.OPEN if _OPEN.search(text) and not _NOT_FULLY.search(text) else Damper.SET


@dataclass(frozen=True)
class Told:
    """Where the damper of a point was put, told with the reading of another one below it."""

    point: UUID
    at: datetime
    setting: str
    marked: bool
    done: str


@dataclass(frozen=True)
class Move:
    """A damper, valve or fan was set to something else. `point`: whose."""

    point: UUID
    at: datetime


@dataclass(frozen=True)
class Survey:
    """Readings by point. `adjusted`: what was turned since the survey before it."""

    readings: dict[UUID, Figure]
    adjusted: frozenset[UUID]

    @property
    def until(self) -> datetime:
        return max(one.at for one in self.readings.values())


@dataclass(frozen=True)
class Surveys:
    """Complete surveys in order; `turned`: what was turned since the last; `since`: readings after that."""

    complete: tuple[Survey, ...]
    turned: frozenset[UUID]
    since: dict[UUID, Figure]


def surveys(
    points: Iterable[UUID], figures: Iterable[Figure], moves: Iterable[Move] = (), parts: Iterable[UUID] = ()
) -> Surveys:
    """Surveys of these points. `figures`: theirs, in any order. `moves`: of what is not read here but
    changes the flows here. `parts`: those of them that belong to the tree (branch dampers).
    """
    wanted, known = set(points), set(parts)
    events: list[tuple[datetime, int, Figure | Move]] = [(m.at, 0, m) for m in moves]
    events += [(f.at, 1, f) for f in figures if f.point in wanted]
    events.sort(key=lambda event: event[:2])
    found: list[Survey] = []
    current: dict[UUID, Figure] = {}
    turned: set[UUID] = set()

    def close() -> None:
        if wanted and wanted <= current.keys():
            found.append(Survey(dict(current), frozenset(turned) if found else frozenset()))
            turned.clear()
        current.clear()

    for _, _, event in events:
        if isinstance(event, Move):
            close()
            turned.update({event.point} & known)
            continue
        if event.moved:
            close()
            turned.add(event.point)
        if event.value is not None:
            current[event.point] = event
    latest = dict(current)
    if wanted and wanted <= current.keys():
        close()
    return Surveys(tuple(found), frozenset(turned), latest)


def moves_of(figures: Sequence[Figure]) -> list[Move]:
    """When the dampers of these points were turned."""
    return [Move(one.point, one.at) for one in figures if one.moved]
