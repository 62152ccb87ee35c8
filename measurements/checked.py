"""A session of a batch, checked and in SI: what will be stored, column by column.

Units and figures are converted once, here. What is no reading at all is refused with its place; what is a
reading but a bad one (swapped hoses, a clock gone wrong) is kept as evidence and flagged later by the rules.
"""

import hashlib
import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, fields
from datetime import datetime
from typing import Any
from uuid import UUID

import msgspec
from django.utils.translation import gettext

from jobs.bulk import microseconds
from jobs.errors import Fault
from jobs.models import Quantity
from measurements.batch import (
    MOST_SAMPLES,
    Amount,
    Figure,
    PlaneIn,
    ReadingIn,
    Refused,
    SessionIn,
    SweepIn,
)
from measurements.batch import Told as ToldIn
from measurements.calc.units import TABLE, Kind
from measurements.methods import METHODS, MethodKind, Place, Told

KINDS = {
    Quantity.PRESSURE: Kind.PRESSURE,
    Quantity.VELOCITY: Kind.VELOCITY,
    Quantity.FLOW: Kind.FLOW,
    Quantity.TEMPERATURE: Kind.TEMPERATURE,
    Quantity.HUMIDITY: Kind.FRACTION,
    Quantity.ABSOLUTE_PRESSURE: Kind.PRESSURE,
    Quantity.LENGTH: Kind.LENGTH,
    Quantity.FACTOR: Kind.FRACTION,
    Quantity.SPEED: Kind.SPEED,
    Quantity.VOLTAGE: Kind.VOLTAGE,
    Quantity.CURRENT: Kind.CURRENT,
    Quantity.POWER: Kind.POWER,
    Quantity.CARBON_DIOXIDE: Kind.FRACTION,
    Quantity.CONCENTRATION: Kind.CONCENTRATION,
    Quantity.SOUND_LEVEL: Kind.SOUND_LEVEL,
}
UNITS = {(kind.value, name): unit for unit in TABLE for kind in [unit.kind] for name in unit.names}
UNIT_OF = {
    (quantity.value, name): UNITS[kind.value, name]
    for quantity, kind in KINDS.items()
    for of, name in UNITS
    if of == kind.value
}
"""Unit by quantity and spelling."""
LOWEST = {
    Quantity.ABSOLUTE_PRESSURE.value: 0.0,
    Quantity.TEMPERATURE.value: 0.0,
    Quantity.HUMIDITY.value: 0.0,
    Quantity.VOLTAGE.value: 0.0,
    Quantity.CURRENT.value: 0.0,
    Quantity.SPEED.value: 0.0,
    Quantity.CARBON_DIOXIDE.value: 0.0,
    Quantity.CONCENTRATION.value: 0.0,
}
HIGHEST = {Quantity.HUMIDITY.value: 1.0, Quantity.CARBON_DIOXIDE.value: 1.0}
YEARS = range(2000, 2100)
DIGITS = frozenset("0123456789.-")
LONGEST_FIGURE = 24
MOST_TOLD, LONGEST_TEXT = 100, 200

CONDITION_KINDS = {
    "air_temperature": Quantity.TEMPERATURE,
    "relative_humidity": Quantity.HUMIDITY,
    "barometric_pressure": Quantity.ABSOLUTE_PRESSURE,
    "duct_static_pressure": Quantity.PRESSURE,
}
LENGTHS = ("width", "height", "diameter", "wall", "lining", "upstream", "downstream")
NEEDED_SIZES = {"round": ("diameter",), "rectangular": ("width", "height"), "oval": ("width", "height")}


@dataclass(slots=True)
class Readings:
    """Columns of a session's readings, in the order posted."""

    ids: list[bytes] = field(default_factory=list)
    run: list[int] = field(default_factory=list)
    line: list[int] = field(default_factory=list)
    point: list[int] = field(default_factory=list)
    place: list[str] = field(default_factory=list)
    quantity: list[str] = field(default_factory=list)
    value: list[float] = field(default_factory=list)
    entered: list[str] = field(default_factory=list)
    unit: list[str] = field(default_factory=list)
    taken_at: list[int] = field(default_factory=list)

    def by_id(self) -> "Readings":
        """The same rows in the order of their ids, which is the one order the stored rows have."""
        order = sorted(range(len(self.ids)), key=self.ids.__getitem__)
        columns = {f.name: getattr(self, f.name) for f in fields(self)}
        return Readings(**{name: [column[n] for n in order] for name, column in columns.items()})


@dataclass(slots=True)
class SweepRow:
    id: bytes
    run: int
    line: int
    quantity: str
    started_at: int
    duration_s: float
    mean: float | None
    entered: str
    unit: str
    samples: list[float]


@dataclass(slots=True)
class Checked:
    """One session, ready to store. Times in microseconds since 1970, figures in SI and as entered."""

    index: int
    id: UUID
    job: UUID
    test_point: UUID
    method: str
    started_at: int
    finished_at: int
    supersedes: UUID | None
    reason: str
    note: str
    instruments: dict[str, UUID]
    content: dict[str, Any]
    readings: Readings
    sweeps: list[SweepRow]
    client_ids: bool
    digest: str = ""


def check_session(index: int, session: SessionIn, readings: list[ReadingIn], raw: bytes) -> Checked:
    """Raises Refused with every fault and its place in the session."""
    faults: list[Fault] = []
    if b"\\u0000" in raw or b"\0" in raw:
        faults.append(Fault("", gettext("Text here may not hold the character NUL (U+0000).")))
    instruments = {use: i for use, i in msgspec.structs.asdict(session.instruments).items() if i}
    content = _content(session, instruments, faults)
    rows = _readings(session, readings, raw, faults)
    sweeps = [_sweep(session, n, sweep, faults) for n, sweep in enumerate(session.sweeps)]
    _suits_method(session, rows, sweeps, instruments, faults)
    _sane([session.started_at, session.finished_at], ["/started_at", "/finished_at"], faults)
    if faults:
        raise Refused(faults, session.id)
    checked = Checked(
        index=index,
        id=session.id,
        job=session.job,
        test_point=session.test_point,
        method=session.method,
        started_at=microseconds(session.started_at),
        finished_at=microseconds(session.finished_at),
        supersedes=session.supersedes.session if session.supersedes else None,
        reason=session.supersedes.reason if session.supersedes else "",
        note=session.note,
        instruments=instruments,
        content=content,
        readings=rows,
        sweeps=[s for s in sweeps if s],
        client_ids=any(r.id for r in readings) or any(s.id for s in session.sweeps),
    )
    checked.digest = digest_of(checked)
    return checked


def digest_of(checked: Checked) -> str:
    """SHA-256 over all that is evidence of the session; the stored rows give the same (evidence.py)."""
    r = checked.readings.by_id() if checked.client_ids else checked.readings
    head: list[Any] = [checked.id, checked.job, checked.test_point, checked.method, checked.started_at]
    head += [checked.finished_at, checked.supersedes, checked.reason, checked.note, checked.content]
    rows = (r.run, r.line, r.point, r.place, r.quantity, r.value, r.entered, r.unit, r.taken_at)
    sweeps = [
        (
            s.id.hex(),
            s.run,
            s.line,
            s.quantity,
            s.started_at,
            s.duration_s,
            s.mean,
            s.entered,
            s.unit,
            s.samples,
        )
        for s in sorted(checked.sweeps, key=lambda sweep: sweep.id)
    ]
    text = msgspec.json.encode([head, [i.hex() for i in r.ids], rows, sweeps], order="deterministic")
    return hashlib.sha256(text).hexdigest()


def row_id(session: UUID, kind: int, index: int) -> bytes:
    """The id of a reading or sweep that came without one: the same for each repeat, in the order posted."""
    return _id_stem(session, kind) + index.to_bytes(2, "big")


def _id_stem(session: UUID, kind: int) -> bytes:
    """Time of the session's id, then its hash: a UUID of version 8 without its last two bytes."""
    hashed = hashlib.sha256(session.bytes + bytes([kind])).digest()
    middle = bytes([0x80 | hashed[0] & 0x0F, hashed[1], 0x80 | hashed[2] & 0x3F])
    return session.bytes[:6] + middle + hashed[3:8]


def _content(session: SessionIn, instruments: dict[str, UUID], faults: list[Fault]) -> dict[str, Any]:
    conditions = {
        name: figure(amount, quantity.value, f"/conditions/{name}", faults)
        for name, quantity in CONDITION_KINDS.items()
        if (amount := getattr(session.conditions, name)) is not None
    }
    if METHODS[session.method].air and "air_temperature" not in conditions:
        faults.append(Fault("/conditions/air_temperature", gettext("This is missing.")))
    zero_checks = [
        {
            "at": microseconds(check.at),
            "instrument": str(check.instrument),
            **figure(Amount(check.value, check.unit), "pressure", f"/zero_checks/{n}", faults),
        }
        for n, check in enumerate(session.zero_checks)
        if _sane([check.at], [f"/zero_checks/{n}/at"], faults)
    ]
    found = {
        "conditions": conditions,
        "plane": _plane(session, faults),
        "told": _told(session, faults),
        "zero_checks": zero_checks,
        "instruments": {use: str(one) for use, one in sorted(instruments.items())},
    }
    if session.adjustment is not None:
        found["adjustment"] = msgspec.structs.asdict(session.adjustment)
    if session.turned:
        rows = [msgspec.structs.asdict(one) for one in session.turned]
        found["turned"] = [row | {"test_point": str(row["test_point"])} for row in rows]
    return found


def _told(session: SessionIn, faults: list[Fault]) -> dict[str, Any]:
    """What was told, by name: a figure in SI and as entered, one of its choices, or a list of those."""
    kind = METHODS[session.method]
    known = {told.name: told for told in kind.told}
    found: dict[str, Any] = {}
    for name, value in session.told.items():
        at = f"/told/{name}"
        if name not in known:
            names = ", ".join(known) or "nothing"
            faults.append(
                Fault(
                    at,
                    gettext("A %(lower)s is told: %(names)s.")
                    % {"lower": kind.method.label.lower(), "names": names},
                )
            )
        elif isinstance(value, list) != known[name].many:
            faults.append(
                Fault(
                    at,
                    gettext("This is a list.") if known[name].many else gettext("This is one, not a list."),
                )
            )
        elif isinstance(value, list):
            found[name] = [
                None if one is None else _told_one(known[name], one, f"{at}/{n}", faults)
                for n, one in enumerate(value[:MOST_TOLD])
            ]
        else:
            found[name] = _told_one(known[name], value, at, faults)
    missing = [told for told in kind.told if told.needed and told.name not in found]
    faults += [
        Fault(f"/told/{told.name}", gettext("This is missing: %(words)s.") % {"words": told.words})
        for told in missing
    ]
    return found


def _told_one(told: Told, value: ToldIn | str, at: str, faults: list[Fault]) -> Any:
    if told.kind is None:
        if isinstance(value, ToldIn) or (told.choices and value not in told.choices):
            choices = f"one of: {', '.join(told.choices)}" if told.choices else "a text"
            faults.append(
                Fault(at, gettext("%(words)s is %(choices)s.") % {"words": told.words, "choices": choices})
            )
            return None
        return value[:LONGEST_TEXT]
    if not isinstance(value, ToldIn):
        faults.append(
            Fault(
                at, gettext('%(words)s is a figure: {"value": "1.5", "unit": "…"}.') % {"words": told.words}
            )
        )
        return None
    return _told_figure(told.kind, value, at, faults)


def _told_figure(kind: Kind, told: ToldIn, at: str, faults: list[Fault]) -> dict[str, Any]:
    """{"si", "value", "unit"} and, where U was told, "u" (SI, standard) and "expanded_uncertainty"."""
    text = told.value if isinstance(told.value, str) else repr(told.value)
    found = {"si": math.nan, "value": text, "unit": told.unit}
    unit = UNITS.get((kind.value, told.unit))
    if unit is None:
        known = ", ".join(u.ucum for u in TABLE if u.kind is kind)
        faults.append(
            Fault(
                f"{at}/unit",
                gettext("'%(unit)s' is no unit of %(plain)s; use one of: %(known)s.")
                % {"unit": told.unit, "plain": plain(kind), "known": known},
            )
        )
        return found
    spread = told.expanded_uncertainty
    try:
        found["si"] = (_number(text) + unit.offset) * unit.factor
        if spread is not None:
            shown = spread if isinstance(spread, str) else repr(spread)
            found |= {"u": abs(_number(shown)) * unit.factor / 2.0, "expanded_uncertainty": shown}
    except ValueError as error:
        faults.append(Fault(at, str(error)))
    return found


def _plane(session: SessionIn, faults: list[Fault]) -> dict[str, Any] | None:
    plane, kind = session.plane, METHODS[session.method]
    if plane is None or not kind.plane:
        if plane is None and kind.plane:
            faults.append(Fault("/plane", gettext("This method needs the measuring plane as found.")))
        if plane is not None and not kind.plane:
            words = kind.method.label.lower()
            faults.append(
                Fault(
                    "/plane", gettext("A %(words)s has no measuring plane; leave it out.") % {"words": words}
                )
            )
        return None
    sizes = {
        name: figure(amount, "length", f"/plane/{name}", faults)
        for name in LENGTHS
        if (amount := getattr(plane, name)) is not None
    }
    _check_sizes(plane, sizes, faults)
    kept = ("shape", "rule", "lines", "points", "upstream_disturbance", "downstream_disturbance")
    return {**{name: getattr(plane, name) for name in kept}, **sizes}


def _check_sizes(plane: PlaneIn, sizes: dict[str, dict[str, Any]], faults: list[Fault]) -> None:
    missing = [name for name in NEEDED_SIZES[plane.shape] if name not in sizes]
    faults += [
        Fault(f"/plane/{name}", gettext("A %(shape)s duct needs it.") % {"shape": plane.shape})
        for name in missing
    ]
    for name, size in sizes.items():
        least = 0.01 if name in ("width", "height", "diameter") else 0.0
        if not least <= size["si"] <= 1000.0:
            faults.append(
                Fault(
                    f"/plane/{name}",
                    gettext("%(size)s %(size_2)s is no duct's size.")
                    % {"size": size["value"], "size_2": size["unit"]},
                )
            )


def figure(amount: Amount, quantity: str, at: str, faults: list[Fault]) -> dict[str, Any]:
    """{"si", "value", "unit"} of a figure as entered; a fault and NaN when it is none."""
    text = amount.value if isinstance(amount.value, str) else repr(amount.value)
    try:
        unit, value = UNIT_OF[quantity, amount.unit], _number(text)
        si = (value + unit.offset) * unit.factor
        if not LOWEST.get(quantity, -math.inf) <= si <= HIGHEST.get(quantity, math.inf):
            raise ValueError
    except (KeyError, ValueError):
        _explain(text, amount.unit, quantity, at, faults)
        si = math.nan
    return {"si": si, "value": text, "unit": amount.unit}


def convert(
    texts: Sequence[str], units: Sequence[str], quantities: Sequence[str], at: Any, faults: list[Fault]
) -> list[float]:
    """SI values of figures as entered; [] and faults when any is wrong. `at(n)` is the place of the n-th."""
    if DIGITS.issuperset("".join(texts)) and max(map(len, texts), default=0) <= LONGEST_FIGURE:
        try:
            return _convert_all(texts, units, quantities)
        except (ValueError, KeyError):
            pass
    before = len(faults)
    for n, (text, unit, quantity) in enumerate(zip(texts, units, quantities, strict=True)):
        _explain(text, unit, quantity, at(n), faults)
    return [] if len(faults) > before else _convert_all(texts, units, quantities)


def _convert_all(texts: Sequence[str], units: Sequence[str], quantities: Sequence[str]) -> list[float]:
    """Raises ValueError or KeyError when any is wrong."""
    values = list(map(float, texts))
    pairs = set(zip(quantities, units, strict=True))
    known = {pair: UNIT_OF[pair] for pair in pairs}
    if len(pairs) == 1:
        unit = known[quantities[0], units[0]]
        si = [(v + unit.offset) * unit.factor for v in values]
    else:
        found = [known[pair] for pair in zip(quantities, units, strict=True)]
        si = [(v + u.offset) * u.factor for v, u in zip(values, found, strict=True)]
    for quantity, _ in pairs:
        low, high = LOWEST.get(quantity), HIGHEST.get(quantity)
        own = [v for v, q in zip(si, quantities, strict=True) if q == quantity] if low is not None else []
        if own and (min(own) < low or (high is not None and max(own) > high)):  # type: ignore[operator]
            raise ValueError("impossible")
    return si


def _explain(text: str, unit: str, quantity: str, at: str, faults: list[Fault]) -> None:
    kind = KINDS[Quantity(quantity)].value
    try:
        value = _number(text)
    except ValueError as error:
        faults.append(Fault(at if "/samples/" in at else f"{at}/value", str(error)))
        return
    found = UNIT_OF.get((quantity, unit))
    if found is None:
        known = ", ".join(u.ucum for u in TABLE if u.kind == kind)
        faults.append(
            Fault(
                f"{at}/unit",
                gettext("'%(unit)s' is no unit of %(quantity)s; use one of: %(known)s.")
                % {"unit": unit, "quantity": quantity, "known": known},
            )
        )
        return
    si = (value + found.offset) * found.factor
    if si < LOWEST.get(quantity, -math.inf):
        faults.append(
            Fault(
                f"{at}/value",
                gettext("%(text)s %(unit)s cannot be: %(quantity)s is never below zero (SI).")
                % {"text": text, "unit": unit, "quantity": quantity},
            )
        )
    if si > HIGHEST.get(quantity, math.inf):
        faults.append(
            Fault(
                f"{at}/value",
                gettext("%(text)s %(unit)s cannot be: %(quantity)s is 100 %% at most.")
                % {"text": text, "unit": unit, "quantity": quantity},
            )
        )


def _number(text: str) -> float:
    """A decimal number with digits, point and minus sign only. Raises ValueError in plain words."""
    shown = text[:30]
    if len(text) > LONGEST_FIGURE:
        raise ValueError(f"'{shown}' has more than {LONGEST_FIGURE} characters.")
    try:
        if not DIGITS.issuperset(text):
            raise ValueError
        return float(text)
    except ValueError:
        raise ValueError(f"'{shown}' is not a number; write it like 13.10 or -0.5.") from None


def _spelled(values: Iterable[Figure], raw: bytes) -> list[str]:
    """Figures as text. A JSON number keeps its value, not its digits; text keeps both."""
    return [value if type(value) is str else _plain(value, raw) for value in values]  # type: ignore[arg-type]


def _plain(value: float, raw: bytes) -> str:
    if value == 0.0 and (b"e-" in raw or b"E-" in raw or b"e0" in raw):
        return "a number too small for a reading"
    text = repr(value)
    return format(value, ".20f").rstrip("0") if "e-" in text and abs(value) > 1e-15 else text


def _readings(session: SessionIn, readings: list[ReadingIn], raw: bytes, faults: list[Fault]) -> Readings:
    if not readings:
        return Readings()
    rows = Readings(
        run=[r.run for r in readings],
        line=[r.line for r in readings],
        point=[r.point for r in readings],
        place=[r.place for r in readings],
        quantity=[r.quantity for r in readings],
        entered=_spelled([r.value for r in readings], raw),
        unit=[r.unit for r in readings],
    )
    rows.value = convert(rows.entered, rows.unit, rows.quantity, lambda n: f"/readings/{n}", faults)
    moments = [r.taken_at for r in readings]
    if _sane(moments, None, faults):
        rows.taken_at = [round(moment.timestamp() * 1e6) for moment in moments]  # as `microseconds`
    stem = _id_stem(session.id, 1)
    rows.ids = [r.id.bytes if r.id else stem + n.to_bytes(2, "big") for n, r in enumerate(readings)]
    if len(set(rows.ids)) < len(rows.ids):
        faults.append(Fault("/readings", gettext("Two readings of this session have the same id.")))
    return rows


def _sane(moments: Sequence[datetime], places: list[str] | None, faults: list[Fault]) -> bool:
    """Whether all times lie in years that a tablet's clock can mean."""
    wrong = [n for n, moment in enumerate(moments) if moment.year not in YEARS]
    for n in wrong:
        place = places[min(n, len(places) - 1)] if places else f"/readings/{n}/taken_at"
        year = moments[n].year
        faults.append(
            Fault(place, gettext("The year %(year)s cannot be; set the tablet's clock.") % {"year": year})
        )
    return not wrong


def _sweep(session: SessionIn, n: int, sweep: SweepIn, faults: list[Fault]) -> SweepRow | None:
    at, before = f"/sweeps/{n}", len(faults)
    if (sweep.mean is None) == (not sweep.samples):
        faults.append(
            Fault(at, gettext("A sweep has either its samples or the mean that the instrument showed."))
        )
    if len(sweep.samples) > MOST_SAMPLES:
        faults.append(
            Fault(
                f"{at}/samples",
                gettext("A sweep may have %(most_samples)s samples at most.")
                % {"most_samples": MOST_SAMPLES},
            )
        )
        return None
    _sane([sweep.started_at], [f"{at}/started_at"], faults)
    texts = _spelled(sweep.samples, b"")
    count = len(texts)
    samples = convert(
        texts, [sweep.unit] * count, [sweep.quantity] * count, lambda k: f"{at}/samples/{k}", faults
    )
    mean = figure(sweep.mean, sweep.quantity, f"{at}/mean", faults) if sweep.mean else None
    duration = _seconds(sweep.duration, f"{at}/duration", faults)
    if len(faults) > before:
        return None
    return SweepRow(
        id=sweep.id.bytes if sweep.id else row_id(session.id, 2, n),
        run=sweep.run,
        line=sweep.line,
        quantity=sweep.quantity,
        started_at=microseconds(sweep.started_at),
        duration_s=duration,
        mean=mean["si"] if mean else None,
        entered=mean["value"] if mean else "",
        unit=mean["unit"] if mean else sweep.unit,
        samples=samples,
    )


def _seconds(amount: Amount, at: str, faults: list[Fault]) -> float:
    unit = UNITS.get((Kind.TIME.value, amount.unit))
    if unit is None:
        faults.append(
            Fault(
                f"{at}/unit",
                gettext("'%(unit)s' is no unit of time; use s, min or h.") % {"unit": amount.unit},
            )
        )
        return 0.0
    try:
        value = _number(amount.value if isinstance(amount.value, str) else repr(amount.value))
    except ValueError as error:
        faults.append(Fault(f"{at}/value", str(error)))
        return 0.0
    if not 0.0 < value * unit.factor <= 3600.0:
        faults.append(Fault(f"{at}/value", gettext("A sweep lasts more than zero and at most an hour.")))
    return value * unit.factor


def _suits_method(
    session: SessionIn,
    rows: Readings,
    sweeps: Sequence[SweepRow | None],
    instruments: dict[str, UUID],
    faults: list[Fault],
) -> None:
    kind = METHODS[session.method]
    words = kind.method.label.lower()
    wanted, unwanted = ("sweeps", "readings") if kind.swept else ("readings", "sweeps")
    if not (session.sweeps if kind.swept else rows.quantity):
        faults.append(
            Fault(f"/{wanted}", gettext("A %(words)s needs %(wanted)s.") % {"words": words, "wanted": wanted})
        )
    if rows.quantity if kind.swept else session.sweeps:
        faults.append(
            Fault(
                f"/{unwanted}",
                gettext("A %(words)s takes no %(unwanted)s.") % {"words": words, "unwanted": unwanted},
            )
        )
    faults += [
        Fault(
            f"/instruments/{use}", gettext("A %(words)s has no use for it; leave it out.") % {"words": words}
        )
        for use in instruments
        if use not in kind.uses
    ]
    used = _swept_places(kind, sweeps, faults) if kind.swept else _places(kind, rows, faults)
    faults += [
        Fault(
            f"/instruments/{place.use}",
            gettext("Name the instrument that showed the %(plain)s.") % {"plain": plain(place.quantity)},
        )
        for place in used
        if place.use not in instruments
    ]


def _places(kind: MethodKind, rows: Readings, faults: list[Fault]) -> list[Place]:
    """Places that have readings, each with what it is to show and as many as it needs."""
    counted = Counter(zip(rows.place, rows.quantity, strict=True))
    used: dict[str, Place] = {}
    read: Counter[str] = Counter()
    for (name, quantity), count in counted.items():
        place = kind.place(name)
        if place is None:
            known = ", ".join(one.name for one in kind.places)
            faults.append(
                Fault(
                    "/readings",
                    gettext("There is no place '%(name)s' here; places are: %(known)s.")
                    % {"name": name, "known": known},
                )
            )
        elif place.quantity != quantity:
            words = f"{place.words} is {plain(place.quantity)}, not {plain(quantity)}."
            faults.append(Fault("/readings", words))
        else:
            used[place.use] = place
            read[place.name] += count
    if rows.quantity:
        faults += [
            Fault(
                "/readings",
                gettext("%(words)s ('%(name)s') needs %(least)s readings at the least.")
                % {"words": place.words, "name": place.name, "least": place.least},
            )
            for place in kind.places
            if read[place.name] < place.least
        ]
    return list(used.values())


def _swept_places(kind: MethodKind, sweeps: Sequence[SweepRow | None], faults: list[Fault]) -> list[Place]:
    shown = {sweep.quantity for sweep in sweeps if sweep}
    if len(shown) > 1:
        faults.append(
            Fault("/sweeps", gettext("One session has one quantity; post pressure and velocity apart."))
        )
    return [place for place in kind.places if place.quantity.value in shown]


def plain(quantity: str) -> str:
    """A quantity in words."""
    return quantity.replace("_", " ")
