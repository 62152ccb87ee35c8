"""Rules on the readings and the plane they were taken in."""

from collections import Counter
from collections.abc import Iterator

from django.utils.translation import gettext_noop as _

from measurements import calc
from measurements.inputs import duct_of
from measurements.models import Method, Severity
from measurements.rule_parameters import parameter
from measurements.rules.base import PRACTICE, Finding, Seen, rule
from measurements.words import counted, listed, percent, pressure, shown

DISTRIBUTION = parameter("bad_distribution", "share")
RUNS = parameter("runs_disagree", "spread")
SWEEPS = parameter("sweeps_unlike", "ratio")
BEFORE, AFTER = parameter("poor_plane", "before"), parameter("poor_plane", "after")
SWAPPED = "The hoses are swapped; connect them rightly and measure again."
POINTWISE = (Method.PITOT_TRAVERSE, Method.ANEMOMETER_TRAVERSE)


def _pressures(seen: Seen) -> list[float]:
    return [row.value for row in seen.loaded.velocity_pressures]


def _spot(line: int, point: int) -> str:
    return f"{line}.{point}"


@rule(
    "swapped_hoses",
    Severity.STOP,
    _("Every reading is negative: total and static hose are swapped."),
    PRACTICE,
    fixed=True,
)
def swapped_hoses(seen: Seen) -> Iterator[Finding]:
    values = _pressures(seen) or [
        x for s in seen.loaded.sweeps if s.quantity == "pressure" for x in s.samples
    ]
    if values and max(values) < 0.0:
        yield Finding(
            f"All {len(values)} velocity pressures are negative, from {pressure(min(values), seen.units)}.",
            "Velocity pressures above zero: total pressure at the positive port, static at the negative.",
            SWAPPED,
            {"count": len(values)},
        )
    elif not values and (remark := seen.remark(calc.Code.SWAPPED_HOSES)):
        count, mean = int(remark.numbers["count"]), remark.numbers["mean"]
        yield Finding(
            f"All {count} readings of the pressure drop are negative, "
            f"{shown(mean, 'water_pressure', seen.units)} in the mean.",
            "A drop above zero: the higher pressure at the positive port.",
            SWAPPED,
            {"count": count},
        )


@rule(
    "negative_readings",
    Severity.STOP,
    _("Some readings are negative: the flow turns back at these points."),
    "AMCA 203, ANSI/ASHRAE 111",
    fixed=True,
)
def negative_readings(seen: Seen) -> Iterator[Finding]:
    rows = [row for row in seen.loaded.velocity_pressures if row.value < 0.0]
    if rows and len(rows) < len(_pressures(seen)):
        where = listed([_spot(row.line, row.point) for row in rows])
        yield Finding(
            f"{len(rows)} readings are negative (line.point {where}).",
            "No negative velocity pressure in a usable plane.",
            "Check that the tip faces the flow; else choose another plane.",
            {"count": len(rows)},
        )
    elif not rows and (remark := seen.remark(calc.Code.NEGATIVE_READINGS)):
        count, lowest = int(remark.numbers["count"]), remark.numbers["lowest"]
        yield Finding(
            f"The pressure drop is negative in {counted(count, 'reading')}, down to "
            f"{shown(lowest, 'water_pressure', seen.units)}.",
            "A drop of one sign.",
            "Vent the hoses, check the zero and measure again.",
            {"count": count},
        )


@rule(
    "bad_distribution",
    Severity.STOP,
    _("Too few velocity pressures, or squares of velocities, exceed a tenth of the largest."),
    "AMCA 203, ANSI/ASHRAE 111",
)
def bad_distribution(seen: Seen) -> Iterator[Finding]:
    what, share = _distribution(seen)
    needed = seen.setting(DISTRIBUTION)
    if share is not None and share <= needed:
        yield Finding(
            f"Only {percent(share, 0)} of the {what} exceed a tenth of the largest.",
            f"More than {percent(needed, 0)}.",
            "Choose a plane with a longer straight run before it, or straighten the flow.",
            {"share": share},
        )


def _distribution(seen: Seen) -> tuple[str, float | None]:
    """What is compared, and its share above a tenth of the largest; None where nothing tells it."""
    values = _pressures(seen)
    if seen.loaded.session.method == Method.PITOT_TRAVERSE and values and max(values) > 0.0:
        return "velocity pressures", sum(value > 0.1 * max(values) for value in values) / len(values)
    remark = seen.remark(calc.Code.BAD_DISTRIBUTION)
    told = remark is not None and seen.loaded.session.method == Method.ANEMOMETER_TRAVERSE
    return "squares of the velocities", remark.numbers["share"] if remark and told else None


@rule(
    "poor_plane",
    Severity.WARNING,
    _("The straight duct before or after the plane is short, or was not measured."),
    PRACTICE,
)
def poor_plane(seen: Seen) -> Iterator[Finding]:
    plane = seen.loaded.content["plane"]
    if not plane or seen.loaded.session.method == Method.CENTRELINE_READING:
        return
    before, after = seen.loaded.si("plane", "upstream"), seen.loaded.si("plane", "downstream")
    try:
        quality = calc.plane_quality(duct_of(plane), before, after)
    except calc.CalcError:
        return
    expected = "7.5 hydraulic diameters of straight duct before the plane and 3 after it."
    if quality.grade is calc.PlaneGrade.UNKNOWN:
        text = "The straight duct before and after the plane was not measured."
        yield Finding(text, expected, "Measure both lengths; the uncertainty allows for the worst.", {})
    elif quality.upstream is not None and quality.downstream is not None and _is_short(seen, quality):
        yield Finding(
            f"The plane has {quality.upstream:.1f} diameters of straight duct before it and "
            f"{quality.downstream:.1f} after it.",
            expected,
            "Choose a better plane, or accept with a reason; the uncertainty is larger for it.",
            {"upstream": quality.upstream, "downstream": quality.downstream},
        )


def _is_short(seen: Seen, quality: calc.Plane) -> bool:
    """Whether either straight length is below the least that the company asks for."""
    pairs = ((quality.upstream, seen.setting(BEFORE)), (quality.downstream, seen.setting(AFTER)))
    return any(length is not None and length < least * (1.0 - 1e-9) for length, least in pairs)


@rule(
    "points_missing",
    Severity.STOP,
    _("Points of the layout have no reading in some run."),
    "ISO 3966, ANSI/ASHRAE 111",
)
def points_missing(seen: Seen) -> Iterator[Finding]:
    layout = _planned(seen)
    if layout is None:
        yield from _grid_missing(seen)
        return
    for run in sorted({row.run for row in seen.loaded.readings}):
        taken = {(row.line, row.point) for row in seen.loaded.readings if row.run == run}
        missing = sorted(layout - taken)
        if missing:
            yield Finding(
                f"Run {run} has no reading at {len(missing)} of {len(layout)} points "
                f"(line.point {listed([_spot(*place) for place in missing])}).",
                f"A reading at each of the {len(layout)} points.",
                "Read the missing points, or repeat the traverse.",
                {"run": run, "missing": len(missing), "expected": len(layout)},
                f"run{run}",
            )


def _grid_missing(seen: Seen) -> Iterator[Finding]:
    """Squares of a planned grid without a reading."""
    if remark := seen.remark(calc.Code.POINTS_MISSING):
        missing, expected = int(remark.numbers["missing"]), int(remark.numbers["expected"])
        yield Finding(
            f"The grid has no reading at {missing} of {expected} points ({listed(remark.points)}).",
            f"A reading at each of the {expected} points.",
            "Read the missing points.",
            {"missing": missing, "expected": expected},
        )


@rule(
    "too_few_points",
    Severity.WARNING,
    _("The layout used has fewer points than its rule advises for this duct."),
    "ISO 3966, ANSI/ASHRAE 111",
)
def too_few_points(seen: Seen) -> Iterator[Finding]:
    if remark := seen.remark(calc.Code.TOO_FEW_POINTS):
        points, advised = int(remark.numbers["points"]), int(remark.numbers["advised"])
        text, expected = f"The traverse has {points} points.", f"{advised} points for this duct."
        advice = "Use the layout of the worklist."
        if seen.loaded.session.method not in POINTWISE:
            text = f"The face was read at {counted(points, 'place')}."
            expected, advice = f"At least {advised} places.", "Read more places, evenly spread over the face."
        yield Finding(text, expected, advice, {"points": points})


@rule("points_doubled", Severity.WARNING, _("A point was read twice in one run of a traverse."), PRACTICE)
def points_doubled(seen: Seen) -> Iterator[Finding]:
    if seen.loaded.session.method not in POINTWISE:
        return
    counted = Counter((row.run, row.line, row.point) for row in seen.loaded.readings)
    doubled = [place for place, count in counted.items() if count > 1]
    if doubled:
        where = listed([f"{_spot(line, point)} in run {run}" for run, line, point in doubled])
        yield Finding(
            f"{len(doubled)} points were read more than once (line.point {where}).",
            "One reading a point and run.",
            "Say which reading counts, or repeat the traverse.",
            {"doubled": len(doubled)},
        )


@rule(
    "points_beyond_layout",
    Severity.STOP,
    _("A reading names a line or point that the layout does not have."),
    PRACTICE,
)
def points_beyond_layout(seen: Seen) -> Iterator[Finding]:
    layout = _planned(seen)
    beyond = sorted({(r.line, r.point) for r in seen.loaded.readings} - layout) if layout else []
    if beyond:
        yield Finding(
            f"{len(beyond)} places lie beyond the layout (line.point {listed([_spot(*p) for p in beyond])}).",
            f"Lines and points of the layout with its {len(layout or ())} points.",
            "Post a new session with the layout that was used; it supersedes this one.",
            {"beyond": len(beyond)},
        )


def _planned(seen: Seen) -> set[tuple[int, int]] | None:
    """Line and point of each place of the traverse's layout; None when no layout was stated."""
    plane = seen.loaded.content["plane"]
    if seen.loaded.session.method not in POINTWISE or not plane or not plane["rule"]:
        return None
    try:
        layout = calc.make_layout(
            duct_of(plane), calc.Rule(plane["rule"]), holes=plane["lines"], points_per_hole=plane["points"]
        )
    except calc.CalcError:
        return None
    return {(point.hole + 1, point.row) for point in layout.points}


@rule(
    "runs_disagree",
    Severity.STOP,
    _("Repeated runs, or repeated readings of a hood, differ too much."),
    PRACTICE,
)
def runs_disagree(seen: Seen) -> Iterator[Finding]:
    found = seen.computed.found
    means = [run.flow for run in found.runs] if found else []
    if seen.loaded.session.method == Method.HOOD_READING:
        means = [row.value for row in seen.loaded.readings]
    middle = sum(means) / len(means) if means else 0.0
    spread = (max(means) - min(means)) / middle if len(means) > 1 and middle > 0.0 else 0.0
    most = seen.setting(RUNS)
    if spread > most:
        yield Finding(
            f"The {len(means)} runs differ by {percent(spread)} of their mean.",
            f"At most {percent(most)}.",
            "Wait until the flow is steady, then repeat the measurement.",
            {"spread": spread},
        )


@rule(
    "single_run",
    Severity.REMARK,
    _("A traverse or reading was not repeated, so nothing shows whether it repeats."),
    PRACTICE,
)
def single_run(seen: Seen) -> Iterator[Finding]:
    traverse = seen.loaded.session.method in (*POINTWISE, Method.SWEPT_TRAVERSE)
    runs = {row.run for row in seen.loaded.readings} | {row.run for row in seen.loaded.sweeps}
    if traverse and len(runs) == 1:
        yield Finding("The traverse was made once.", "Two runs that agree.", "Repeat it when there is time.")
    remark = None if traverse else seen.remark(calc.Code.SINGLE_RUN)
    if remark:
        where = f" ({listed(remark.points)})" if remark.points else ""
        text = f"The measurement was made once{where}."
        yield Finding(text, "Repeated readings that agree.", "Repeat it when there is time.")


@rule(
    "sweeps_unlike",
    Severity.WARNING,
    _("Sweeps of unlike duration: lines would weigh by the technician's pace."),
    PRACTICE,
)
def sweeps_unlike(seen: Seen) -> Iterator[Finding]:
    times = [sweep.duration_s for sweep in seen.loaded.sweeps]
    most = seen.setting(SWEEPS)
    if times and max(times) > most * min(times):
        yield Finding(
            f"The sweeps lasted from {min(times):.0f} s to {max(times):.0f} s.",
            f"Sweeps of like duration, at most {percent(most - 1.0, 0)} apart.",
            "Repeat the sweeps at an even pace.",
            {"shortest": min(times), "longest": max(times)},
        )


@rule("lines_missing", Severity.STOP, _("A planned line has no sweep."), PRACTICE)
def lines_missing(seen: Seen) -> Iterator[Finding]:
    if remark := seen.remark(calc.Code.LINES_MISSING):
        missing, expected = int(remark.numbers["missing"]), int(remark.numbers["expected"])
        text = f"{missing} of {expected} lines have no sweep."
        yield Finding(text, "A sweep along each line.", "Sweep the missing lines.", {"missing": missing})


@rule(
    "screening_only",
    Severity.REMARK,
    _("A reading at one place, or over a gross area, is for screening and carries no verdict."),
    PRACTICE,
)
def screening_only(seen: Seen) -> Iterator[Finding]:
    if not seen.remark(calc.Code.SCREENING_ONLY):
        return
    if seen.loaded.session.method == Method.FACE_VELOCITY:
        text = "The gross area of the face stands for its effective area and the figure carries no verdict."
        advice = "Take the effective area from the maker or from a traverse of the duct."
        yield Finding(text, "An effective area for a verdict.", advice)
    else:
        text = "The figure comes from one place of the duct and carries no verdict."
        yield Finding(text, "A traverse for a verdict.", "Traverse the duct if the figure matters.")
