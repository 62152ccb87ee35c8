"""An invented report of two systems, built from simple flow shapes so that its figures agree."""

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, timezone
from math import pi, sin, sqrt

from msgspec.structs import replace

from reports.document import (
    Answer,
    BudgetRow,
    CentrelineRow,
    Certificate,
    CertificatePoint,
    Change,
    Company,
    Counts,
    Deficiency,
    Disturbance,
    Document,
    Earlier,
    EvidenceHead,
    Fact,
    Flag,
    HistoryLine,
    Instrument,
    Issue,
    Line,
    Measured,
    Method,
    OutletRow,
    Person,
    Point,
    Quantity,
    Reading,
    Result,
    Run,
    Section,
    StandardAir,
    Subject,
    SumCheck,
    Sweep,
    System,
    Tolerance,
    TraverseSheet,
    UnitSystem,
    Verdict,
    ZeroCheck,
)
from reports.render.wording import CAUTIONS, METHODS, UNCERTAINTY

ZONE = timezone(timedelta(hours=1))
DENSITY = 1.187
TEN = Tolerance(lower=-0.10, upper=0.10)
TECHNICIAN = "Ines Marlow"
SUPERVISOR = "Teodor Haas"
# Places on a unit line: log-Tchebycheff with five lines, log-linear with ten points (ISO 3966).
FIVE = (0.074, 0.288, 0.5, 0.712, 0.926)
TEN_POINTS = (0.019, 0.077, 0.153, 0.217, 0.361, 0.639, 0.783, 0.847, 0.923, 0.981)


@dataclass(frozen=True)
class Plane:
    """What a sheet is built from: names, section, design and strength of the flow (m/s at the middle)."""

    anchor: str
    tag: str
    place: str
    middle: float
    design: float


def at(day: int, hour: int, minute: int) -> datetime:
    """A moment of the invented job."""
    return datetime(2026, 11, day, hour, minute, tzinfo=ZONE)


def verdict(share: float, spread: float, tolerance: Tolerance = TEN) -> Verdict:
    """Where the interval lies against the tolerance."""
    inside = 1 + tolerance.lower <= share <= 1 + tolerance.upper
    reach = min(abs(share - 1 - tolerance.lower), abs(share - 1 - tolerance.upper))
    if inside:
        return Verdict.PASS if reach >= spread else Verdict.CONDITIONAL_PASS
    return Verdict.FAIL if reach >= spread else Verdict.CONDITIONAL_FAIL


REASONS = {
    Verdict.PASS: "The whole interval lies inside the tolerance.",
    Verdict.CONDITIONAL_PASS: "The value lies inside the tolerance, the interval reaches outside.",
    Verdict.CONDITIONAL_FAIL: "The value lies outside the tolerance, the interval reaches inside.",
    Verdict.FAIL: "The whole interval lies outside the tolerance.",
    Verdict.NOT_DECIDABLE: "A centreline reading may not carry a verdict.",
}


def result(flow: float, expanded: float, design: float) -> Result:
    """A ledger line with the verdict that its numbers give."""
    share, spread = flow / design, expanded / design
    word = verdict(share, spread)
    return Result(
        value=flow,
        expanded=expanded,
        design=design,
        tolerance=TEN,
        share=share,
        share_expanded=spread,
        verdict=word,
        accepted=word in (Verdict.PASS, Verdict.CONDITIONAL_PASS),
        reason=REASONS[word],
        coverage=2.06,
        dof=40.0,
    )


def _shape(x: float, y: float) -> float:
    """Velocity over its middle value at a place of the unit square: flat in the middle, slower at walls."""
    middle: float = (sin(pi * x) * sin(pi * y)) ** 0.6
    return 0.74 + 0.26 * middle + 0.02 * (x - 0.5)


def budget(flow: float, relative: float) -> tuple[BudgetRow, ...]:
    """Seven inputs whose squares add up to (relative * flow / 2)**2."""
    inputs = (
        ("Number and place of points", Quantity.FRACTION, None, 0.48, "normal", None),
        ("Steadiness of flow, 2 runs", Quantity.FRACTION, None, 0.16, "t", 1.0),
        ("Duct area", Quantity.AREA, 0.4, 0.12, "rectangular", None),
        ("Velocity pressure, calibration", Quantity.PRESSURE, 17.2, 0.09, "normal", 50.0),
        ("Pitot tube factor", Quantity.NUMBER, 1.0, 0.09, "rectangular", None),
        ("Velocity pressure, zero drift", Quantity.PRESSURE, 0.0, 0.05, "rectangular", None),
        ("Air density", Quantity.DENSITY, DENSITY, 0.01, "normal", None),
    )
    combined = relative * flow / 2.06
    slope = {Quantity.FRACTION: flow, Quantity.AREA: 5.33, Quantity.PRESSURE: 0.062, Quantity.NUMBER: flow}
    rows = []
    for source, quantity, estimate, share, shape, dof in inputs:
        contribution = sqrt(share) * combined
        sensitivity = slope.get(quantity, -0.9)
        rows.append(
            BudgetRow(
                source=source,
                quantity=quantity,
                estimate=estimate,
                standard=contribution / abs(sensitivity),
                distribution=shape,
                sensitivity=sensitivity,
                contribution=contribution,
                share=share,
                dof=dof,
            )
        )
    return tuple(rows)


def _air() -> tuple[Fact, ...]:
    return (
        Fact(
            name="Air temperature", quantity=Quantity.TEMPERATURE, value=21.4, expanded=0.4, source="measured"
        ),
        Fact(
            name="Relative humidity", quantity=Quantity.HUMIDITY, value=0.43, expanded=0.03, source="measured"
        ),
        Fact(
            name="Barometer",
            quantity=Quantity.ABSOLUTE_PRESSURE,
            value=100_610.0,
            expanded=40.0,
            source="measured",
        ),
        Fact(name="Static pressure in the duct", quantity=Quantity.PRESSURE, value=182.0, expanded=2.0),
    )


def _runs(
    plane: Plane, lines: tuple[Line, ...], points: tuple[Point, ...], extent: tuple[float, float]
) -> tuple[Run, ...]:
    """Two runs over the points, the second a little weaker."""
    runs: list[Run] = []
    offsets = {line.label: line.offset for line in lines}
    for number, strength in ((1, 1.0), (2, 0.996)):
        readings = []
        for k, p in enumerate(points):
            offset = offsets[p.line]
            x = (0.5 if p.line == "A" else 0.4) if offset is None else offset / extent[0]
            velocity = (
                plane.middle
                * strength
                * _shape(x, p.depth / extent[1])
                * (1 + 0.004 * ((k * 7 + number) % 5 - 2))
            )
            readings.append(
                Reading(line=p.line, index=p.index, velocity=velocity, pressure=DENSITY * velocity**2 / 2)
            )
        mean = sum(r.velocity for r in readings) / len(readings)
        area = extent[0] * extent[1] if lines[0].offset is not None else pi * extent[0] ** 2 / 4
        runs.append(
            Run(
                label=f"run {number}",
                mean=mean,
                flow=mean * area,
                readings=tuple(readings),
                started=at(17, 9, 42 + 9 * (number - 1)),
                ended=at(17, 9, 50 + 9 * (number - 1)),
                difference=0.0 if number == 1 else mean * area / runs[0].flow - 1,
            )
        )
    return tuple(runs)


def sheet(
    plane: Plane,
    section: Section,
    lines: tuple[Line, ...],
    points: tuple[Point, ...],
    rule: str,
    runs: tuple[Run, ...],
    method: Method = Method.PITOT_TRAVERSE,
    flags: tuple[Flag, ...] = (),
    history: tuple[HistoryLine, ...] = (),
) -> TraverseSheet:
    """A complete sheet round given runs."""
    flow = runs[0].flow
    values = [r.velocity for r in runs[0].readings] or [v for s in runs[0].sweeps for v in s.series]
    return TraverseSheet(
        anchor=plane.anchor,
        tag=plane.tag,
        method=method,
        place=plane.place,
        rule=rule,
        section=section,
        lines=lines,
        points=points,
        disturbances=(
            Disturbance(side="before", what="bend", distance=2.83, diameters=4.6, wanted=7.5),
            Disturbance(side="after", what="damper", distance=1.29, diameters=2.1, wanted=3.0),
        ),
        runs=runs,
        mean=Measured(value=runs[0].mean, expanded=0.0415 * runs[0].mean),
        highest=max(values),
        lowest=min(values),
        distribution_share=1.0,
        actual=Measured(value=flow, expanded=0.0418 * flow),
        standard=Measured(value=flow * DENSITY / 1.204, expanded=0.0418 * flow),
        result=result(flow, 0.0418 * flow, plane.design),
        air=_air(),
        density=Measured(value=DENSITY, expanded=0.005),
        density_model="CIPM-2007",
        budget=budget(flow, 0.0418),
        combined=0.0418 * flow / 2.06,
        dominating="The number and place of the points dominate (48 %): more lines would help most.",
        zero_checks=(ZeroCheck(instrument="DPM-2", quantity=Quantity.PRESSURE, before=0.0, after=-0.1),),
        instruments=("DPM-2", "PT-4"),
        measured_by=Person(name=TECHNICIAN, role="technician", at=at(17, 10, 7)),
        started=at(17, 9, 42),
        ended=at(17, 10, 5),
        flags=flags,
        history=history,
        remark="Dampers at their set positions, filters clean.",
        calculation="calc 1.0 · inputs 5b1d 90fe 22aa 07c4",
    )


PLANE_FLAG = Flag(
    rule="poor plane",
    severity="remark",
    seen="The straight run before the plane is 4.6 diameters.",
    expected="7.5 diameters before the plane.",
    advice="The method uncertainty was raised for the shorter run.",
    where="T-07",
    anchor="t-07",
    answer=Answer(
        decision="accepted",
        reason="No longer run exists in the riser; two runs agree within 0.4 %.",
        by=Person(name=SUPERVISOR, role="supervisor", at=at(18, 8, 31)),
    ),
)

SWAPPED = HistoryLine(
    what="First traverse replaced: all readings were negative, the hoses were swapped",
    before="25 negative velocity pressures, no result",
    after="Traverse repeated with the hoses right",
    why="Rule: swapped hoses; sent back for re-measurement",
    by=Person(name=SUPERVISOR, role="supervisor", at=at(17, 9, 20)),
)


def rectangular(plane: Plane, width: float = 0.8, height: float = 0.5) -> TraverseSheet:
    """A 5 x 5 log-Tchebycheff traverse of a rectangular duct."""
    lines = tuple(Line(label=n, offset=round(width * f, 3)) for n, f in zip("ABCDE", FIVE, strict=True))
    points = tuple(
        Point(
            line=line.label,
            index=i,
            depth=round(height * f, 3),
            mark=round(height * f, 3) + 0.026,
            weight=1 / 25,
        )
        for line in lines
        for i, f in enumerate(FIVE, 1)
    )
    section = Section(
        shape="rectangular",
        width=width,
        height=height,
        wall=0.026,
        face="top",
        area=Measured(value=width * height, expanded=0.006),
    )
    runs = _runs(plane, lines, points, (width, height))
    flags, history = ((PLANE_FLAG,), (SWAPPED,)) if plane.tag == "T-07" else ((), ())
    return sheet(
        plane, section, lines, points, "log-Tchebycheff, 5 × 5 points", runs, flags=flags, history=history
    )


def round_duct(plane: Plane, diameter: float = 0.4) -> TraverseSheet:
    """A 2 x 10 log-linear traverse of a round duct."""
    lines = (Line(label="A", angle=0.0), Line(label="B", angle=90.0))
    points = tuple(
        Point(
            line=line.label,
            index=i,
            depth=round(diameter * f, 4),
            mark=round(diameter * f, 4) + 0.02,
            weight=1 / 20,
        )
        for line in lines
        for i, f in enumerate(TEN_POINTS, 1)
    )
    section = Section(
        shape="round",
        width=diameter,
        height=diameter,
        wall=0.02,
        area=Measured(value=pi * diameter**2 / 4, expanded=0.002),
    )
    runs = _runs(plane, lines, points, (diameter, diameter))
    return sheet(plane, section, lines, points, "log-linear, 2 × 10 points", runs)


def swept(plane: Plane, width: float = 0.6, height: float = 0.4) -> TraverseSheet:
    """Five sweeps of a rectangular duct."""
    lines = tuple(
        Line(label=n, offset=round(width * f, 3))
        for n, f in zip("ABCDE", (0.1, 0.3, 0.5, 0.7, 0.9), strict=True)
    )
    section = Section(
        shape="rectangular",
        width=width,
        height=height,
        wall=0.001,
        area=Measured(value=width * height, expanded=0.004),
    )
    runs: list[Run] = []
    for number, strength in ((1, 1.0), (2, 1.006)):
        sweeps = []
        for k, line in enumerate(lines):
            series = tuple(
                plane.middle * strength * _shape((0.1, 0.3, 0.5, 0.7, 0.9)[k], (i + 0.5) / 48)
                for i in range(48)
            )
            sweeps.append(
                Sweep(
                    line=line.label,
                    duration=24.0 + 0.3 * k,
                    samples=240 + 3 * k,
                    mean=sum(series) / 48,
                    series=series,
                )
            )
        mean = sum(s.mean for s in sweeps) / 5
        difference = 0.0 if not runs else mean * width * height / runs[0].flow - 1
        runs.append(
            Run(
                label=f"run {number}",
                mean=mean,
                flow=mean * width * height,
                sweeps=tuple(sweeps),
                started=at(18, 8, 10),
                ended=at(18, 8, 16),
                difference=difference,
            )
        )
    return sheet(plane, section, lines, (), "5 lines of equal area", tuple(runs), Method.SWEPT_TRAVERSE)


SHARES = (1.01, 0.97, 1.04, 0.95, 1.08, 0.99, 0.93, 1.02, 1.06, 0.98, 0.91, 1.0, 0.96, 0.81)


def outlets(prefix: str, count: int, design: float = 0.16) -> tuple[OutletRow, ...]:
    """Hood readings; the last is far below its design."""
    rows = []
    for i in range(count):
        share = SHARES[(i + len(SHARES) - count) % len(SHARES)] if count <= len(SHARES) else SHARES[i % 13]
        flow = share * design
        rows.append(
            OutletRow(
                tag=f"{prefix}{i + 1:02d}",
                place=f"room {401 + i}",
                kind="ceiling diffuser" if i % 3 else "slot diffuser",
                method=Method.HOOD_READING,
                first=Measured(value=flow * (0.86 + 0.05 * (i % 5)), expanded=0.007),
                final=result(flow, 0.0068 + 0.0003 * (i % 3), design),
                instruments=("FH-1",),
                damper=f"{30 + 5 * (i % 7)}°",
                measured_by=TECHNICIAN,
                at=at(18, 9 + i // 8 % 8, 5 * (i % 8)),
            )
        )
    return tuple(rows)


def _instruments() -> tuple[Instrument, ...]:
    pressure = tuple(
        CertificatePoint(
            reference=p, as_found=p * 1.002 + 0.05, as_left=p * 1.001 + 0.02, expanded=0.1 + p * 0.002
        )
        for p in (5.0, 10.0, 25.0, 50.0, 100.0, 250.0)
    )
    hood = tuple(
        CertificatePoint(reference=q, as_found=q * 0.988, as_left=None, expanded=q * 0.015 + 0.001)
        for q in (0.05, 0.1, 0.2, 0.4)
    )
    return (
        Instrument(
            key="DPM-2",
            kind="Differential pressure meter",
            serial="1I0l-4471",
            name="DPM-2",
            note="0 to 500 Pa, resolution 0.1 Pa",
            certificates=(
                Certificate(
                    number="C-26-1187",
                    laboratory="Harbour Calibration",
                    quantity=Quantity.PRESSURE,
                    calibrated=date(2026, 3, 12),
                    due=date(2027, 3, 12),
                    points=pressure,
                ),
            ),
        ),
        Instrument(
            key="PT-4", kind="Pitot-static tube", serial="P-0382", name="PT-4", note="1.2 m, factor 1.000"
        ),
        Instrument(
            key="FH-1",
            kind="Flow hood",
            serial="H-77120",
            name="FH-1",
            note="10 to 600 L/s",
            certificates=(
                Certificate(
                    number="C-26-0903",
                    laboratory="Harbour Calibration",
                    quantity=Quantity.FLOW,
                    calibrated=date(2026, 2, 20),
                    due=date(2027, 2, 20),
                    points=hood,
                ),
            ),
        ),
    )


LOW_OUTLET = Flag(
    rule="out of tolerance",
    severity="warning",
    seen="Outlet S14 carries 81 % of its design flow with the damper fully open.",
    expected="90 to 110 % of design.",
    advice="Look for a closed fire damper or a crushed flexible duct.",
    where="S14",
    answer=Answer(
        decision="accepted",
        reason="The branch duct was built two sizes smaller than drawn; the designer was told in writing.",
        by=Person(name=SUPERVISOR, role="supervisor", at=at(18, 15, 2)),
    ),
)
LAPSED = Flag(
    rule="instrument out of calibration",
    severity="stop",
    seen="Flow hood FH-3 was used on 2026-11-17; its certificate lapsed on 2026-10-01.",
    expected="A certificate in force on the day of the reading.",
    advice="Measure again with an instrument in calibration.",
    where="S01",
    answer=Answer(
        decision="remeasured",
        reason="All outlets were measured again with FH-1.",
        by=Person(name=SUPERVISOR, role="supervisor", at=at(18, 8, 45)),
    ),
)


def systems() -> tuple[System, ...]:
    """The supply system with a rectangular main and a round branch; the extract system, swept."""
    main = rectangular(Plane("t-07", "T-07", "level 4 riser, roof plant room", 6.35, 2.2))
    branch = round_duct(Plane("t-08", "T-08", "branch to the east wing", 5.6, 0.62))
    extract = swept(Plane("t-21", "T-21", "extract main above corridor 4", 5.2, 1.12))
    rows = outlets("S", 14)
    total = sum(r.final.value for r in rows)
    supply = System(
        name="AHU-3 supply",
        description="Offices of level 4, 14 ceiling outlets, constant volume",
        sheets=(main, branch),
        outlets=rows,
        sum_check=SumCheck(
            traverse="T-07",
            traverse_flow=main.actual,
            outlets=14,
            outlets_flow=Measured(value=total, expanded=0.027),
            difference=Measured(value=total - main.actual.value, expanded=0.093),
            agrees=abs(total - main.actual.value) < 0.093,
            sentence="The difference is held against the combined uncertainty of both.",
        ),
        flags=(LOW_OUTLET, LAPSED),
    )
    centre = Result(
        value=0.232,
        expanded=0.046,
        design=0.25,
        tolerance=TEN,
        share=0.928,
        share_expanded=0.186,
        reason=REASONS[Verdict.NOT_DECIDABLE],
    )
    return (
        supply,
        System(
            name="EF-2 extract",
            description="Washrooms and corridor of level 4",
            sheets=(extract,),
            outlets=outlets("E", 4, 0.25),
            centrelines=(
                CentrelineRow(
                    tag="C-03",
                    place="washroom riser",
                    velocity=5.26,
                    area=0.049,
                    result=centre,
                    instruments=("DPM-2", "PT-4"),
                    measured_by=TECHNICIAN,
                    at=at(18, 11, 20),
                ),
            ),
        ),
    )


def sample(units: UnitSystem = UnitSystem.SI) -> Document:
    """The whole invented document."""
    built = systems()
    results = [s.result for y in built for s in y.sheets] + [o.final for y in built for o in y.outlets]
    words = [r.verdict for r in results]
    low = built[0].outlets[-1]
    return Document(
        company=Company(
            name="Northlight Air Measurement",
            letterhead=("12 Quay Street, Port Ellery", "office@northlight.example · +00 555 0142"),
            units=units,
        ),
        report=Subject(
            title="Air balance report",
            project="Harbour Library, level 4",
            customer="City of Port Ellery, Estates",
            site="Harbour Library, 3 Library Square, Port Ellery · 14 m above sea level",
            job="J-2026-0311",
            revision=1,
            status="Final",
            measured_from=date(2026, 11, 17),
            measured_to=date(2026, 11, 18),
            approved=Person(name=SUPERVISOR, role="supervisor", at=at(18, 16, 40)),
            measured=(Person(name=TECHNICIAN, role="technician"),),
            zone="Europe/Copenhagen",
            decision_rule="Simple acceptance with the uncertainty stated: pass and conditional pass are "
            "accepted, conditional fail and fail are not. Guard band equal to U (JCGM 106, ILAC-G8).",
            standard_air=StandardAir(
                density=1.204, words="Standard air: 1.204 kg/m³ (20 °C, 101 325 Pa, dry)."
            ),
            tolerances=("Outlets ± 10 % of design", "Systems ± 10 % of design"),
            self_approval="",
            note="Measured with the system in day operation; outdoor air dampers at minimum.",
        ),
        counts=Counts(
            passed=words.count(Verdict.PASS),
            conditional_pass=words.count(Verdict.CONDITIONAL_PASS),
            conditional_fail=words.count(Verdict.CONDITIONAL_FAIL),
            failed=words.count(Verdict.FAIL),
            not_decidable=1,
        ),
        deficiencies=(
            Deficiency(
                tag=low.tag,
                system="AHU-3 supply",
                what="Outlet below its tolerance with the damper fully open",
                result=low.final,
                status="accepted with a reason",
                answer=LOW_OUTLET.answer,
            ),
        ),
        instruments=_instruments(),
        systems=built,
        methods=(
            METHODS[Method.PITOT_TRAVERSE],
            METHODS[Method.SWEPT_TRAVERSE],
            METHODS[Method.HOOD_READING],
            METHODS[Method.CENTRELINE_READING],
            UNCERTAINTY,
        ),
        cautions=CAUTIONS,
        changes=(
            Change(
                what="Outlet S05",
                before="1.12 of design",
                after="1.08 of design",
                why="Measured again after the damper was set",
            ),
        ),
        earlier=Earlier(
            number="NL-26-0417", revision=0, digest="9f3c71d0e2ab5c48" * 4, issued_at=at(17, 18, 0)
        ),
        evidence=EvidenceHead(number=4812, mac="6ad1c3f09b7e2455" * 4, at=at(18, 16, 40)),
    )


def small() -> Document:
    """A document of one system with two outlets and no sheet, quick to render."""
    whole = sample()
    system = replace(whole.systems[0], sheets=(), outlets=whole.systems[0].outlets[:2], flags=())
    return replace(whole, systems=(system,), deficiencies=(), instruments=whole.instruments[2:])


def issue() -> Issue:
    """The issue of the sample."""
    return Issue(
        number="NL-26-0417",
        revision=1,
        issued_at=datetime(2026, 11, 18, 16, 0, tzinfo=UTC),
        issued_by=SUPERVISOR,
        address="https://reports.northlight.example/check/northlight/NL-26-0417",
    )


READINGS = b"sheet,run,line,index,velocity_m_s\nT-07,1,A,1,4.70\n"
