"""Figures, flags and pictures as the pages show them: texts formatted, pictures made, nothing decided."""

from dataclasses import dataclass, field
from typing import Any
from uuid import UUID

from django.urls import reverse
from django.utils.safestring import SafeString, mark_safe

from measurements.calc import CalcError
from measurements.models import Method, Severity
from reports import document as doc
from reports import ledger, sheets, tables
from reports.material import Material
from reports.render import charts
from reports.render.figures import Figures
from reports.render.sheet import spread_of
from reports.render.testsheet import band_label
from reports.reviewset import FlagState, Measured, PointState, ReviewSet, is_computed

STATES = {
    "open": "not answered",
    "accept": "accepted",
    "remeasure": "sent back",
    "cleared": "no longer so",
}
MEASURED_WORDS = "measured by {name}, {at:%Y-%m-%d %H:%M}"


def picture(svg: str) -> SafeString:
    """A chart's markup; the charts escape every text they take."""
    return mark_safe(svg)  # noqa: S308


def figures_of(found: ReviewSet) -> Figures:
    return Figures(doc.UnitSystem(found.company.unit_system))


def line(one: Measured, material: Material, figures: Figures, *, href: bool = True) -> dict[str, Any]:
    """A session's ledger line for parts/ledger.html."""
    session, point = one.session, one.session.test_point
    words = MEASURED_WORDS.format(name=session.member.name, at=material.local(session.started_at))
    base = {
        "place": point.tag,
        "note": f"{Method(session.method).label}, {words}",
        "href": reverse("session", args=[session.id]) if href else "",
        "evidence": reverse("session", args=[session.id]) if href else "",
    }
    if one.result is None:
        return base | {"word": "waits for its evaluation", "verdict": "none"}
    if not is_computed(one):
        return base | {"word": "no figure", "verdict": "none"}
    result = ledger.ledger(one.result, point)
    shown = figures.ledger(result)
    judged = result.share is not None or figures.limits(result) != "" or result.quantity is doc.Quantity.FLOW
    return base | {
        "value": shown.value,
        "expanded": shown.expanded,
        "unit": shown.unit,
        "share": shown.share,
        "share_note": "of design" if shown.share else "",
        "verdict": result.verdict.value.replace("_", "-") if judged else "none",
        "word": shown.verdict if judged else "for information",
        "mark": picture(charts.verdict_mark(result)),
    }


@dataclass(frozen=True)
class ShownFlag:
    """A flag with the picture that lets one judge it."""

    state: FlagState
    where: str
    word: str
    kind: str
    picture: SafeString | None = None
    session: UUID | None = None

    @property
    def is_remark(self) -> bool:
        """Nothing has to be decided on it, unless it was sent back."""
        return self.state.flag.severity == Severity.REMARK and not self.state.blocks

    @property
    def open(self) -> bool:
        return self.state.state in ("open", "remeasure")


def flag(state: FlagState, shown: SafeString | None) -> ShownFlag:
    found = state.flag
    answered = state.state in ("accept", "cleared")
    place = found.test_point or found.system
    return ShownFlag(
        state=state,
        where=str(place.tag) if place else "the job",
        word=Severity(found.severity).label,
        kind="done" if answered else found.severity,
        picture=shown,
        session=found.session_id,
    )


@dataclass(frozen=True)
class ReviewPage:
    """A job's review, worst first."""

    flags: list[ShownFlag]
    remarks: list[ShownFlag]
    answered: list[ShownFlag]
    past: list[ShownFlag]
    systems: list[dict[str, Any]] = field(default_factory=list)


def review_page(found: ReviewSet, material: Material) -> ReviewPage:
    figures = figures_of(found)
    pictures: dict[object, SafeString | None] = {
        one.session.id: _judging(one, material, figures) for one in found.measured if one.flags
    }
    shown = [flag(s, pictures.get(s.flag.session_id) or _of_system(s, found, material)) for s in found.flags]
    return ReviewPage(
        flags=[one for one in shown if one.open and not one.is_remark],
        remarks=[one for one in shown if one.open and one.is_remark],
        answered=[one for one in shown if not one.open],
        past=[flag(s, None) for s in found.past_flags],
        systems=[
            {
                "system": state.system,
                "lines": [_point_line(point, material, figures) for point in state.points],
            }
            for state in found.systems
        ],
    )


def _point_line(state: PointState, material: Material, figures: Figures) -> dict[str, Any]:
    if state.final is not None:
        return line(state.final, material, figures)
    word = "missing" if state.missing else "no figure needed"
    return {"place": state.point.tag, "note": state.point.get_kind_display(), "word": word, "verdict": "none"}


def _judging(one: Measured, material: Material, figures: Figures) -> SafeString | None:
    """The picture beside a flag: the velocities of a traverse, else where the figure lies."""
    if not is_computed(one) or one.result is None:
        return None
    if tables.is_traverse(one):
        sheet = sheet_of(one, material)
        if sheet is not None and sheet.runs:
            return picture(charts.velocity_map(sheet, sheet.runs[0], figures))
    result = ledger.ledger(one.result, one.session.test_point)
    return picture(charts.verdict_band(result, band_label(result.quantity, figures)))


def _of_system(state: FlagState, found: ReviewSet, material: Material) -> SafeString | None:
    """The outlets of a system, for what was seen on the whole of it."""
    system = next((s for s in found.systems if s.system.id == state.flag.system_id), None)
    if system is None or state.flag.session_id is not None:
        return None
    rows = [row for point in system.points if (row := tables.outlet_row(point, material)) is not None]
    return picture(charts.interval_plot(rows)) if any(r.final.share is not None for r in rows) else None


def sheet_of(one: Measured, material: Material) -> doc.TraverseSheet | None:
    """The traverse sheet of a session; None where its plane cannot be drawn."""
    try:
        return sheets.sheet(one, material)
    except (CalcError, ValueError):
        return None


def session_pictures(sheet: doc.TraverseSheet, figures: Figures) -> dict[str, SafeString]:
    """Layout, velocities, profile and budget of a traverse."""
    made = {"section": charts.section_drawing(sheet, figures)}
    if sheet.runs:
        made["map"] = charts.velocity_map(sheet, sheet.runs[0], figures)
        made["profile"] = charts.profile(sheet, sheet.runs[0], figures)
    return {name: picture(svg) for name, svg in made.items()}


def budget_rows(
    rows: tuple[doc.BudgetRow, ...], quantity: doc.Quantity, figures: Figures
) -> list[dict[str, str]]:
    """Rows of the budget's table."""
    return [
        {
            "source": row.source,
            "estimate": figures.with_unit(row.quantity, row.estimate),
            "standard": figures.significant(spread_of(row.quantity), row.standard),
            "unit": figures.unit(spread_of(row.quantity)),
            "contribution": figures.significant(spread_of(quantity), row.contribution),
            "share": f"{100 * row.share:.1f}",
        }
        for row in rows
    ]


def spread_words(quantity: doc.Quantity, expanded: float, figures: Figures) -> str:
    """An uncertainty with its unit."""
    unit = figures.unit(spread_of(quantity))
    return f"{figures.significant(spread_of(quantity), expanded, 2)} {unit}".strip()
