"""Which picture lets one judge a flag: one table from the rule to the picture, and how each is drawn."""

import html
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property

from django.utils.safestring import SafeString, mark_safe
from django.utils.translation import gettext

from jobs.models import Quantity as Entered
from measurements.calc import CalcError
from measurements.models import Method
from measurements.rules import CHANGE_RULE, SYSTEM_RULE
from reports import document as doc
from reports import ledger, sheets, tables, testsheets
from reports.earlier import Before
from reports.material import Material
from reports.render import charts
from reports.render.charts import Compared, compared
from reports.render.figures import Figures
from reports.render.testsheet import band_label
from reports.reviewset import FlagState, Measured, SystemState, is_computed

TITLE = re.compile(r"<title>(.*?)</title>", re.DOTALL)


@dataclass(frozen=True)
class Picture:
    """A chart's markup and the finding that its title states."""

    svg: SafeString
    finding: str


def titled(svg: str) -> Picture | None:
    """Nothing for an empty chart. The charts escape every text they take."""
    if not svg:
        return None
    found = TITLE.search(svg)
    marked = svg.replace("<svg ", '<svg role="img" ', 1)
    return Picture(mark_safe(marked), html.unescape(found[1]) if found else "")  # noqa: S308


@dataclass(frozen=True)
class Case:
    """A flag with what its picture may be drawn from."""

    state: FlagState
    figures: Figures
    material: Material
    one: Measured | None = None
    system: SystemState | None = None
    before: Before | None = None

    @cached_property
    def traverse(self) -> doc.TraverseSheet | None:
        """The sheet of a traverse with runs; None where it is none or its plane cannot be drawn."""
        if self.one is None or not is_computed(self.one) or not tables.is_traverse(self.one):
            return None
        try:
            sheet = sheets.sheet(self.one, self.material)
        except (CalcError, ValueError):
            return None
        return sheet if sheet.runs else None

    @property
    def computed(self) -> bool:
        return self.one is not None and is_computed(self.one)


def velocities(case: Case) -> str:
    sheet = case.traverse
    return charts.velocity_map(sheet, sheet.runs[0], case.figures) if sheet else ""


def profile(case: Case) -> str:
    sheet = case.traverse
    return charts.profile(sheet, sheet.runs[0], case.figures) if sheet else ""


def section(case: Case) -> str:
    """The plane with the disturbances before and behind it."""
    sheet = case.traverse
    return charts.section_drawing(sheet, case.figures) if sheet else ""


def band(case: Case) -> str:
    """Where the figure lies against its tolerance."""
    one = case.one
    if one is None or one.result is None or not is_computed(one):
        return ""
    result = ledger.ledger(one.result, one.session.test_point)
    if result.tolerance is None and result.low is None and result.high is None:
        return ""
    return str(charts.verdict_band(result, band_label(result.quantity, case.figures)))


def runs(case: Case) -> str:
    """Run against run, or the readings of a hood; the band is what they may differ by round their mean."""
    one, quantity = case.one, doc.Quantity.FLOW
    if one is None:
        return ""
    if case.traverse:
        rows = [Compared(run.label.capitalize(), run.flow) for run in case.traverse.runs]
    else:
        shown = case.material.readings.get(one.session.id, [])
        rows = [
            Compared(gettext("Reading %(number)s") % {"number": n}, row.value)
            for n, row in enumerate(shown, 1)
            if row.quantity == Entered.FLOW
        ]
    if len(rows) < 2:
        return ""
    middle = sum(row.value for row in rows) / len(rows)
    most = _limit(case, "limit", 0.05) * middle / 2.0
    low, high = min(row.value for row in rows), max(row.value for row in rows)
    share = 100.0 * (high - low) / middle if middle else 0.0
    told = gettext("The %(count)s runs differ by %(share)s %% of their mean")
    title = told % {"count": len(rows), "share": f"{share:.1f}"}
    return compared(rows, quantity, case.figures, title, band=(middle - most, middle + most))


def _limit(case: Case, name: str, usual: float) -> float:
    value = case.state.flag.data.get(name, usual)
    return float(value) if isinstance(value, int | float) else usual


def zero(case: Case) -> str:
    """The zero before and after, against what it may move."""
    data = case.state.flag.data
    if not {"before", "after", "limit"} <= data.keys():
        return ""
    before, after, most = float(data["before"]), float(data["after"]), float(data["limit"])
    rows = [Compared(gettext("Zero before"), before), Compared(gettext("Zero after"), after)]
    moved = case.figures.with_unit(doc.Quantity.PRESSURE, after - before)
    may = case.figures.with_unit(doc.Quantity.PRESSURE, most)
    title = gettext("The zero moved by %(moved)s; it may move by %(may)s") % {"moved": moved, "may": may}
    limits = (before - most, before + most)
    return compared(rows, doc.Quantity.PRESSURE, case.figures, title, band=limits, nought=True)


def durations(case: Case) -> str:
    """How long each sweep lasted."""
    found = case.material.sweeps.get(case.one.session.id, []) if case.one else []
    named = gettext("Run %(run)s, line %(line)s")
    rows = [Compared(named % {"run": row.run, "line": row.line}, row.duration_s) for row in found[:24]]
    if not rows:
        return ""
    low, high = min(r.value for r in rows), max(r.value for r in rows)
    told = gettext("The sweeps lasted from %(low)s s to %(high)s s")
    title = told % {"low": f"{low:.0f}", "high": f"{high:.0f}"}
    return compared(rows, doc.Quantity.TIME, case.figures, title, nought=True)


def sums(case: Case) -> str:
    """The traverse and the sum of its outlets, each with U."""
    found = tables.sum_check(case.system, case.state.flag.test_point_id) if case.system else None
    if found is None:
        return ""
    main, outlets = found.traverse_flow, found.outlets_flow
    rows = [
        Compared(gettext("%(tag)s, traverse") % {"tag": found.traverse}, main.value, main.expanded or 0.0),
        Compared(
            gettext("%(count)s outlets") % {"count": found.outlets}, outlets.value, outlets.expanded or 0.0
        ),
    ]
    apart, U = found.difference.value, found.difference.expanded or 0.0
    words = case.figures.figure(doc.Quantity.FLOW, doc.Measured(value=apart, expanded=U))
    within = gettext("Outlets less traverse %(flow)s: within their combined uncertainty")
    more = gettext("Outlets less traverse %(flow)s: more than their combined uncertainty")
    title = (within if found.agrees else more) % {"flow": words}
    return compared(rows, doc.Quantity.FLOW, case.figures, title)


def change(case: Case) -> str:
    """The figure now and before, each with U."""
    before, one = case.before, case.one
    if before is None or before.values is None or before.change is None or one is None or one.result is None:
        return ""
    result = ledger.ledger(one.result, one.session.test_point)
    now, then = before.values
    rows = [
        Compared(f"{before.session.started_at:%Y-%m-%d}", then, _expanded(before.result, then)),
        Compared(gettext("Now"), now, _expanded(one.result, now)),
    ]
    spread = doc.Measured(value=before.change.difference, expanded=before.change.U)
    more = gettext("Changed by %(figure)s: more than the uncertainty of both")
    less = gettext("Changed by %(figure)s: less than the uncertainty of both")
    figure = case.figures.figure(result.quantity, spread)
    title = (more if before.change.changed else less) % {"figure": figure}
    return compared(rows, result.quantity, case.figures, title)


def _expanded(result: object, value: float) -> float:
    """U of the figure as it is compared."""
    standard = getattr(result, "standard_flow", None)
    name = "standard_flow_expanded" if standard == value else "value_expanded"
    return float(getattr(result, name) or 0.0)


def own(case: Case) -> str:
    """The first picture of the method's own sheet: pressure ladder, leakage fit, face map and the like."""
    one = case.one
    if one is None or not is_computed(one):
        return ""
    if tables.is_traverse(one):
        return velocities(case)
    if one.session.method in (Method.HOOD_READING, Method.CENTRELINE_READING):
        return ""
    made = charts.pictures_of(testsheets.sheet(one, case.material), case.figures)
    return made[0].svg if made else ""


def nothing(case: Case) -> str:
    """Where no picture would help."""
    return ""


Draw = Callable[[Case], str]
PICTURE_OF: Mapping[str, Draw] = {
    **dict.fromkeys(
        ("out_of_tolerance", "conditional_fail", "conditional_pass", "refused_by_decision_rule",
         "unit_mistake", "implausible_value"),
        band,
    ),
    **dict.fromkeys(("integration_bias",), profile),
    **dict.fromkeys(("poor_plane",), section),
    **dict.fromkeys(("runs_disagree",), runs),
    **dict.fromkeys(("zero_shift",), zero),
    **dict.fromkeys(("sweeps_unlike",), durations),
    SYSTEM_RULE: sums,
    CHANGE_RULE: change,
    **dict.fromkeys(
        ("clock_wrong", "times_out_of_order", "technician_not_assigned", "posted_after_approval",
         "out_of_calibration", "without_certificate", "computation_refused", "zero_not_checked", "single_run",
         "screening_only", "recalled_instrument"),
        nothing,
    ),
}  # fmt: skip
"""The picture beside a rule's flags; every other rule has the picture of its method (`own`)."""


def of_flag(case: Case) -> Picture | None:
    """The picture that lets one judge a flag, if one helps."""
    return titled(PICTURE_OF.get(case.state.flag.rule, own)(case))
