"""The content of a report as one typed value: what is frozen at approval, printed, attached and checked.

A `Document` holds everything that the report says and nothing about how it looks. All quantities are SI
numbers (m, m2, m3/s, m/s, Pa, kg/m3, degrees Celsius, fractions of one); display units are chosen when it is
rendered. Its canonical bytes (JSON, keys sorted, numbers normalised) are the machine-readable snapshot and
their SHA-256 is the digest printed in the report. What is only known when the report leaves the house
(number, time of issue, public address) stands in `Issue`, outside the digest.

Text fields hold plain text as people wrote it. Cleaning for print happens in the renderer, so the snapshot
keeps what was entered.
"""

import hashlib
from collections.abc import Iterator
from datetime import date, datetime
from enum import StrEnum
from typing import Final, Literal

import msgspec

SCHEMA: Final = "flowledger.report/1"


class UnitSystem(StrEnum):
    """Display units of a report."""

    SI = "SI"
    IP = "IP"


class Verdict(StrEnum):
    """Where the interval of a result lies against its tolerance (JCGM 106, guard band = U)."""

    PASS = "pass"  # noqa: S105 (no password)
    CONDITIONAL_PASS = "conditional_pass"  # noqa: S105
    CONDITIONAL_FAIL = "conditional_fail"
    FAIL = "fail"
    NOT_DECIDABLE = "not_decidable"


class Kind(StrEnum):
    """What a document is: the approved report, or one that goes out before it."""

    REPORT = "report"
    INTERIM = "interim"
    DEFICIENCIES = "deficiencies"
    DEFERRED = "deferred"


class Method(StrEnum):
    """Ways of measuring that a report of this schema may hold."""

    PITOT_TRAVERSE = "pitot_traverse"
    SWEPT_TRAVERSE = "swept_traverse"
    ANEMOMETER_TRAVERSE = "anemometer_traverse"
    CENTRELINE_READING = "centreline_reading"
    HOOD_READING = "hood_reading"
    FACE_VELOCITY = "face_velocity"
    FLOW_STATION = "flow_station"
    STATIC_PROFILE = "static_profile"
    PRESSURE_CHECK = "pressure_check"
    FAN_TEST = "fan_test"
    MIXED_AIR = "mixed_air"
    LEAKAGE_TEST = "leakage_test"
    ROOM_PRESSURE = "room_pressure"
    HOOD_FACE = "hood_face"
    SOUND_LEVEL = "sound_level"
    VALVE_FLOW = "valve_flow"
    PUMP_TEST = "pump_test"
    COIL_HEAT = "coil_heat"


class Quantity(StrEnum):
    """Kind of a quantity; it fixes the SI unit of the number and the units it may be shown in."""

    FLOW = "flow"  # m3/s
    VELOCITY = "velocity"  # m/s
    PRESSURE = "pressure"  # Pa, differences
    ABSOLUTE_PRESSURE = "absolute_pressure"  # Pa
    LENGTH = "length"  # m
    AREA = "area"  # m2
    TEMPERATURE = "temperature"  # degrees Celsius
    TEMPERATURE_DIFFERENCE = "temperature_difference"  # K
    HUMIDITY = "humidity"  # fraction of saturation
    DENSITY = "density"  # kg/m3
    FRACTION = "fraction"  # of one; shown in per cent
    NUMBER = "number"  # without a unit
    TIME = "time"  # s
    RATING = "rating"  # whole numbers
    HEAD = "head"  # m of the fluid
    POWER = "power"  # W
    HEAT = "heat"  # W
    SPEED = "speed"  # revolutions per second
    RATE = "rate"  # 1/s; air changes
    VOLTAGE = "voltage"  # V
    CURRENT = "current"  # A
    SOUND_LEVEL = "sound_level"  # dB
    CONCENTRATION = "concentration"  # particles/m3
    CARBON_DIOXIDE = "carbon_dioxide"  # fraction; shown in ppm
    LEAKAGE = "leakage"  # m3/s per m2
    FLOW_COEFFICIENT = "flow_coefficient"  # m3/s at 1 Pa
    MASS_FLOW = "mass_flow"  # kg/s
    SPECIFIC_POWER = "specific_power"  # W per m3/s
    VISCOSITY = "viscosity"  # Pa s
    SPECIFIC_HEAT = "specific_heat"  # J/(kg K)
    ENTHALPY = "enthalpy"  # J/kg
    LIQUID_FLOW = "liquid_flow"  # m3/s
    LIQUID_PRESSURE = "liquid_pressure"  # Pa, differences and gauges
    LEAK_COEFFICIENT = "leak_coefficient"  # m3/s at 1 Pa to the power of the leak's own exponent
    LEAK_FACTOR = "leak_factor"  # m3/s per m2 at 1 Pa to the power of 0.65


class Content(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Base of every part of the document: immutable, named fields only, unknown fields refused."""


class Measured(Content, frozen=True, kw_only=True):
    """A value with its expanded uncertainty, both in the SI unit of the quantity; None = not stated."""

    value: float
    expanded: float | None = None


class Tolerance(Content, frozen=True, kw_only=True):
    """Limits round the design value as fractions of it: -0.10 and 0.10 mean 90 to 110 % of design."""

    lower: float
    upper: float


class Person(Content, frozen=True, kw_only=True):
    """Who did something and when."""

    name: str
    role: str = ""
    at: datetime | None = None


class Result(Content, frozen=True, kw_only=True):
    """One ledger line: a figure with its uncertainty, held against its design with tolerance, or limits.

    A flow stands on the density basis of its design. `low`, `high`: limits in the unit of `quantity`, where
    limits decide and not a tolerance.
    """

    value: float  # SI unit of `quantity`; a flow on `basis`
    expanded: float | None = None
    quantity: Quantity = Quantity.FLOW
    what: str = "Flow"
    basis: Literal["actual", "standard"] = "actual"
    design: float | None = None
    low: float | None = None
    high: float | None = None
    tolerance: Tolerance | None = None
    share: float | None = None  # value / design
    share_expanded: float | None = None
    verdict: Verdict = Verdict.NOT_DECIDABLE
    accepted: bool | None = None  # by the decision rule; None where no rule applies
    probability: float | None = None  # that the true value lies within tolerance
    reason: str = ""  # one sentence: where the interval lies, or why there is no verdict
    coverage: float | None = None  # k
    dof: float | None = None  # effective degrees of freedom; None = unlimited


class CertificatePoint(Content, frozen=True, kw_only=True):
    """One calibration point, in the SI unit of the certificate's quantity."""

    reference: float
    as_found: float
    as_left: float | None = None
    expanded: float
    coverage: float = 2.0


class Certificate(Content, frozen=True, kw_only=True):
    """A calibration certificate that corrected readings of this report."""

    number: str
    laboratory: str
    quantity: Quantity
    calibrated: date
    due: date | None = None
    points: tuple[CertificatePoint, ...] = ()


class Instrument(Content, frozen=True, kw_only=True):
    """An instrument used, with the certificates in force at the time; `key` is how sheets refer to it."""

    key: str
    kind: str
    serial: str
    name: str = ""
    note: str = ""  # range, resolution, probe factor and the like, as text
    certificates: tuple[Certificate, ...] = ()


class Answer(Content, frozen=True, kw_only=True):
    """How a flag was answered, by whom and why."""

    decision: Literal["accepted", "remeasured", "corrected", "deferred"]
    reason: str
    by: Person


class Flag(Content, frozen=True, kw_only=True):
    """What a rule saw, what it expected and what to do; `where` = tag of the point, `anchor` = its sheet."""

    rule: str
    severity: Literal["stop", "warning", "remark"]
    seen: str
    expected: str = ""
    advice: str = ""
    where: str = ""
    anchor: str = ""
    answer: Answer | None = None


class HistoryLine(Content, frozen=True, kw_only=True):
    """A correction or re-measurement: what was replaced, by what, and why; the original is kept."""

    what: str
    before: str = ""
    after: str = ""
    why: str = ""
    by: Person | None = None


class Section(Content, frozen=True, kw_only=True):
    """Inside dimensions of the duct as found. Holes are drawn at the top; `face` says which face that is."""

    shape: Literal["rectangular", "round", "flat_oval"]
    width: float  # m along the face with the holes; for round ducts the diameter
    height: float  # m across it; for round ducts the diameter
    wall: float = 0.0  # m of wall and lining that the probe crosses
    face: str = "top"
    area: Measured | None = None


class Line(Content, frozen=True, kw_only=True):
    """A measuring line through one hole: `offset` (m from the left wall) or, if round, `angle` (degrees)."""

    label: str
    offset: float | None = None
    angle: float | None = None  # of the hole, clockwise from the top


class Point(Content, frozen=True, kw_only=True):
    """A measuring point: line, number along it, depth from the inside wall and mark on the probe (m)."""

    line: str
    index: int
    depth: float
    mark: float | None = None
    weight: float = 1.0


class Disturbance(Content, frozen=True, kw_only=True):
    """A fitting before or after the plane, with its distance in m and in (hydraulic) diameters."""

    side: Literal["before", "after"]
    what: str
    distance: float
    diameters: float
    wanted: float | None = None  # diameters


class Reading(Content, frozen=True, kw_only=True):
    """One point's reading: velocity (m/s) and, where measured so, velocity pressure (Pa)."""

    line: str
    index: int
    velocity: float
    pressure: float | None = None


class Sweep(Content, frozen=True, kw_only=True):
    """One line swept at a steady pace: time-weighted mean and an evenly thinned series (m/s)."""

    line: str
    duration: float  # s
    samples: int
    mean: float
    pressure: float | None = None  # mean velocity pressure, Pa
    series: tuple[float, ...] = ()


class Run(Content, frozen=True, kw_only=True):
    """One complete traverse of the plane. `difference` is (this - first) / first of the flow."""

    label: str
    mean: float  # m/s
    flow: float  # m3/s, actual
    readings: tuple[Reading, ...] = ()
    sweeps: tuple[Sweep, ...] = ()
    started: datetime | None = None
    ended: datetime | None = None
    difference: float | None = None


class ZeroCheck(Content, frozen=True, kw_only=True):
    """Zero of an instrument before and after, in the SI unit of `quantity`."""

    instrument: str
    quantity: Quantity
    before: float
    after: float | None = None


class Fact(Content, frozen=True, kw_only=True):
    """A named figure with its uncertainty; `source` says where it comes from (measured, model, assumed)."""

    name: str
    quantity: Quantity
    value: float
    expanded: float | None = None
    source: str = ""


class BudgetRow(Content, frozen=True, kw_only=True):
    """One input of the uncertainty budget. Shares of all rows of a sheet add up to 1.

    `estimate`, `standard` in the SI unit of `quantity`; `sensitivity` in the result's unit per that unit;
    `contribution` = |sensitivity * standard|, in the result's unit; `share` = contribution**2 / their sum.
    """

    source: str
    quantity: Quantity
    estimate: float | None = None
    standard: float
    distribution: str = ""
    sensitivity: float | None = None
    contribution: float
    share: float
    dof: float | None = None


class TraverseSheet(Content, frozen=True, kw_only=True):
    """A traverse from layout to verdict. `anchor` is unique in the document (the session id serves)."""

    anchor: str
    tag: str
    method: Method
    place: str = ""
    rule: str = ""  # layout rule in words: "log-Tchebycheff, 5 x 5 points"
    section: Section
    lines: tuple[Line, ...]
    points: tuple[Point, ...]
    disturbances: tuple[Disturbance, ...] = ()
    runs: tuple[Run, ...]
    mean: Measured  # m/s
    highest: float
    lowest: float
    distribution_share: float | None = None  # of velocity pressures above a tenth of the largest
    actual: Measured  # m3/s at the density of the plane
    standard: Measured | None = None  # m3/s at standard air
    result: Result
    air: tuple[Fact, ...] = ()
    density: Measured
    density_model: str = ""
    budget: tuple[BudgetRow, ...] = ()
    combined: float | None = None  # combined standard uncertainty of the result, m3/s
    dominating: str = ""  # one sentence: what dominates and what would help
    zero_checks: tuple[ZeroCheck, ...] = ()
    instruments: tuple[str, ...] = ()  # keys
    measured_by: Person
    started: datetime
    ended: datetime | None = None
    flags: tuple[Flag, ...] = ()
    history: tuple[HistoryLine, ...] = ()
    remark: str = ""
    calculation: str = ""  # version of the calculation and digest of its inputs


class Cell(Content, frozen=True, kw_only=True):
    """One figure of a part; None where the part has none."""

    value: float | None = None
    expanded: float | None = None


class PartTable(Content, frozen=True, kw_only=True):
    """What was found part by part: a component, a band, a step. Cells stand under `names`, in SI."""

    names: tuple[str, ...]
    quantities: tuple[Quantity, ...]
    labels: tuple[str, ...]
    cells: tuple[tuple[Cell, ...], ...]
    words: tuple[str, ...] = ()  # a word for each part


class Plotted(PartTable, frozen=True, kw_only=True):
    """A table that a picture of the sheet is drawn from; `kind` says what it holds, `names` are coded."""

    kind: str


class PlaceReadings(Content, frozen=True, kw_only=True):
    """Readings of one place as they were shown, each with its label ("" when there is only one)."""

    place: str
    unit: str
    entered: tuple[str, ...]
    labels: tuple[str, ...] = ()
    instrument: str = ""


class NamedText(Content, frozen=True, kw_only=True):
    """A name and a text: what was told, or a class that was found."""

    name: str
    text: str


class TestSheet(Content, frozen=True, kw_only=True):
    """A measurement that is no traverse: its figure, what else was found, what was read and told, budget."""

    anchor: str
    tag: str
    method: Method
    place: str = ""
    result: Result
    figures: tuple[Fact, ...] = ()
    classes: tuple[NamedText, ...] = ()
    parts: PartTable | None = None
    plotted: tuple[Plotted, ...] = ()
    readings: tuple[PlaceReadings, ...] = ()
    told: tuple[NamedText, ...] = ()
    air: tuple[Fact, ...] = ()
    budget: tuple[BudgetRow, ...] = ()
    combined: float | None = None  # combined standard uncertainty of the result
    dominating: str = ""
    zero_checks: tuple[ZeroCheck, ...] = ()
    instruments: tuple[str, ...] = ()
    measured_by: Person
    started: datetime
    ended: datetime | None = None
    flags: tuple[Flag, ...] = ()
    history: tuple[HistoryLine, ...] = ()
    cautions: tuple[str, ...] = ()
    remark: str = ""
    calculation: str = ""


class OutletRow(Content, frozen=True, kw_only=True):
    """One outlet: design and tolerance inside `final`; `first` is the flow as found (m3/s, same basis)."""

    tag: str
    place: str = ""
    kind: str = ""
    method: Method
    first: Measured | None = None
    final: Result
    instruments: tuple[str, ...] = ()
    damper: str = ""  # final position of the damper
    measured_by: str = ""
    at: datetime | None = None
    anchor: str = ""


class CentrelineRow(Content, frozen=True, kw_only=True):
    """A single reading at the axis: flow = factor x velocity x area; screening only."""

    tag: str
    place: str = ""
    velocity: float
    area: float
    factor: float = 0.9
    result: Result
    instruments: tuple[str, ...] = ()
    measured_by: str = ""
    at: datetime | None = None
    anchor: str = ""


class Adjustment(Content, frozen=True, kw_only=True):
    """How a damper or valve was set: as found, what was done, where it stands in the end, whether marked."""

    tag: str
    before: str = ""  # setting at the first reading; '' when there was one reading only
    setting: str
    marked: bool = False
    done: str = ""
    by: Person


class SumCheck(Content, frozen=True, kw_only=True):
    """Sum of the outlets against the traverse that feeds them; `agrees` = within combined uncertainty."""

    traverse: str  # tag
    traverse_flow: Measured
    outlets: int
    outlets_flow: Measured
    difference: Measured  # outlets minus traverse
    agrees: bool
    sentence: str = ""


class Photo(Content, frozen=True, kw_only=True):
    """A photo or note that was taken at a point, or of the system or job as a whole.

    `digest`: of the file as the tablet sent it; `printed`: of the JPEG that stands in this document.
    """

    id: str
    kind: Literal["photo", "note"]
    subject: str  # what it shows, in words
    tag: str = ""  # of the point
    place: str = ""
    text: str = ""
    taken: Person  # by whom, when by the tablet's clock
    digest: str = ""  # SHA-256, hexadecimal
    printed: str = ""
    width: int = 0  # of the JPEG, pixels
    height: int = 0


class System(Content, frozen=True, kw_only=True):
    """One air system with everything measured on it."""

    name: str
    description: str = ""
    sheets: tuple[TraverseSheet, ...] = ()
    outlets: tuple[OutletRow, ...] = ()
    centrelines: tuple[CentrelineRow, ...] = ()
    tests: tuple[TestSheet, ...] = ()
    adjustments: tuple[Adjustment, ...] = ()
    sum_check: SumCheck | None = None
    flags: tuple[Flag, ...] = ()
    remark: str = ""
    photos: tuple[Photo, ...] | msgspec.UnsetType = msgspec.UNSET  # left out where there are none


class Counts(Content, frozen=True, kw_only=True):
    """Points by verdict."""

    passed: int = 0
    conditional_pass: int = 0
    conditional_fail: int = 0
    failed: int = 0
    not_decidable: int = 0


class Deficiency(Content, frozen=True, kw_only=True):
    """A point that does not meet its design, with what was decided; printed before everything else."""

    tag: str
    system: str
    what: str
    result: Result | None = None
    status: str = ""  # open, accepted, deferred...
    answer: Answer | None = None
    anchor: str = ""
    place: str = ""
    at: datetime | None = None  # when it was measured, or left for later


class MethodText(Content, frozen=True, kw_only=True):
    """A method or rule in words, with its source."""

    title: str
    text: str
    source: str = ""


class Change(Content, frozen=True, kw_only=True):
    """What differs from the earlier revision and why."""

    what: str
    before: str = ""
    after: str = ""
    why: str = ""


class Earlier(Content, frozen=True, kw_only=True):
    """The revision that this one replaces."""

    number: str
    revision: int
    digest: str  # SHA-256 of its snapshot, hexadecimal
    issued_at: datetime | None = None


class EvidenceHead(Content, frozen=True, kw_only=True):
    """Head of the company's event log when the snapshot was frozen: event number and chained MAC."""

    number: int
    mac: str
    at: datetime | None = None


class Company(Content, frozen=True, kw_only=True):
    """Who issues the report; `letterhead` are the lines under the name."""

    name: str
    letterhead: tuple[str, ...] = ()
    units: UnitSystem = UnitSystem.SI
    language: str = "en"


class StandardAir(Content, frozen=True, kw_only=True):
    """The density that 'standard' flows refer to (kg/m3) and the convention in words."""

    density: float
    words: str


class Subject(Content, frozen=True, kw_only=True):
    """What the report is about and who answers for it."""

    title: str
    project: str
    customer: str
    site: str
    job: str
    revision: int = 1
    status: str = ""
    measured_from: date
    measured_to: date
    approved: Person
    measured: tuple[Person, ...]
    zone: str = "UTC"  # name of the site's time zone
    decision_rule: str
    standard_air: StandardAir
    tolerances: tuple[str, ...] = ()
    self_approval: str = ""  # the sentence printed when someone approved work of their own
    note: str = ""


class Document(Content, frozen=True, kw_only=True):
    """The whole report."""

    schema_name: Literal["flowledger.report/1"] = msgspec.field(name="schema", default=SCHEMA)
    kind: Kind = Kind.REPORT
    addressee: str = ""  # whom a list is for
    company: Company
    report: Subject
    counts: Counts
    deficiencies: tuple[Deficiency, ...] = ()
    instruments: tuple[Instrument, ...] = ()
    systems: tuple[System, ...] = ()
    methods: tuple[MethodText, ...] = ()
    cautions: tuple[str, ...] = ()
    changes: tuple[Change, ...] = ()
    earlier: Earlier | None = None
    evidence: EvidenceHead | None = None
    photos: tuple[Photo, ...] | msgspec.UnsetType = msgspec.UNSET  # of the job as a whole


class Issue(Content, frozen=True, kw_only=True):
    """What is known only when the report leaves the house; `address`: the public page that checks a file."""

    number: str
    revision: int
    issued_at: datetime
    issued_by: str
    address: str
    to_be_signed: bool = False
    signature: tuple[tuple[str, str], ...] = ()  # what is told of the signature: names and values


def to_bytes(document: Document) -> bytes:
    """Canonical JSON of a document: types checked, whole numbers in float fields made floats, keys sorted.

    The same content gives the same bytes, also after being read back. A value of the wrong type or a number
    that is not finite raises `msgspec.ValidationError` with the path of the field.
    """
    checked = msgspec.json.decode(msgspec.json.encode(document), type=Document)
    return msgspec.json.encode(checked, order="sorted")


def from_bytes(data: bytes) -> Document:
    """Read a snapshot back; raises `msgspec.ValidationError` with the path of what does not fit."""
    return msgspec.json.decode(data, type=Document)


def digest(data: bytes) -> str:
    """SHA-256 of canonical bytes, hexadecimal."""
    return hashlib.sha256(data).hexdigest()


def photos_of(document: Document) -> Iterator[Photo]:
    """Photos and notes in the order in which they are printed."""
    for system in document.systems:
        yield from system.photos or ()
    yield from document.photos or ()
