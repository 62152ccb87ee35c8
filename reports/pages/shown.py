"""Figures, flags and pictures as the pages show them: texts formatted, pictures made, nothing decided."""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any, Protocol
from uuid import UUID

from django.urls import NoReverseMatch, reverse
from django.utils.safestring import SafeString, mark_safe
from django.utils.translation import gettext, gettext_noop

from jobs.access import Actor
from jobs.people import units_for
from measurements.calc import CalcError
from measurements.models import Method, Severity
from measurements.rules import CHANGE_RULE
from reports import document as doc
from reports import ledger, sheets, tables
from reports.earlier import Before, befores
from reports.material import Material
from reports.pages.photos import at_point
from reports.pages.pictures import Case, Picture, of_flag, titled
from reports.render import charts
from reports.render.figures import VERDICT_WORDS, Figures
from reports.render.sheet import spread_of
from reports.review import state_tag
from reports.reviewset import FlagState, Measured, PointState, ReviewSet, SystemState, is_computed

STATES = {
    "open": gettext_noop("not answered"),
    "accept": gettext_noop("accepted"),
    "remeasure": gettext_noop("sent back"),
    "cleared": gettext_noop("no longer so"),
}
MEASURED_WORDS = gettext_noop("%(method)s, measured by %(name)s, %(at)s")


def picture(svg: str) -> SafeString:
    """A chart's markup; the charts escape every text they take."""
    return mark_safe(svg)  # noqa: S308


def figures_for(actor: Actor) -> Figures:
    """Figures in the units on this person's screen."""
    return Figures(doc.UnitSystem(units_for(actor)))


class Clock(Protocol):
    """Gives moments in the site's zone, as `Material` does."""

    def local(self, moment: datetime) -> datetime: ...


def line(one: Measured, clock: Clock, figures: Figures, *, href: bool = True) -> dict[str, Any]:
    """A session's ledger line for parts/ledger.html."""
    session, point = one.session, one.session.test_point
    told = {
        "method": gettext(Method(session.method).label),
        "name": session.member.name,
        "at": f"{clock.local(session.started_at):%Y-%m-%d %H:%M}",
    }
    base = {
        "place": point.tag,
        "note": gettext(MEASURED_WORDS) % told,
        "href": reverse("session", args=[session.id]) if href else "",
        "evidence": reverse("session", args=[session.id]) if href else "",
    }
    if one.result is None:
        return base | {"word": gettext("waits for its evaluation"), "verdict": "none"}
    if not is_computed(one):
        return base | {"word": gettext("no figure"), "verdict": "none"}
    result = ledger.ledger(one.result, point)
    shown = figures.ledger(result)
    judged = result.share is not None or figures.limits(result) != "" or result.quantity is doc.Quantity.FLOW
    return base | {
        "value": shown.value,
        "expanded": shown.expanded,
        "unit": shown.unit,
        "share": shown.share,
        "share_note": gettext("of design") if shown.share else "",
        "verdict": result.verdict.value.replace("_", "-") if judged else "none",
        "word": gettext(shown.verdict) if judged else gettext("for information"),
        "mark": picture(charts.verdict_mark(result)),
    }


@dataclass(frozen=True)
class Earlier:
    """The figure that stood before at a flag's point, in words."""

    figure: str
    verdict: str
    at: str
    who: str
    job: int | None
    session: UUID
    change: str


@dataclass(frozen=True)
class ShownFlag:
    """A flag with the picture that lets one judge it. `mark`: what is new about it since the last look."""

    state: FlagState
    where: str
    word: str
    kind: str
    picture: Picture | None = None
    session: UUID | None = None
    earlier: Earlier | None = None
    mark: str = ""
    next: UUID | None = None

    @property
    def name(self) -> str:
        return self.state.flag.rule.replace("_", " ").capitalize()

    @property
    def seen_tag(self) -> str:
        """The state that an answer is given to."""
        return state_tag(self.state.newest)

    @property
    def is_remark(self) -> bool:
        """Nothing has to be decided on it, unless it was sent back."""
        return self.state.flag.severity == Severity.REMARK and not self.state.blocks

    @property
    def open(self) -> bool:
        return self.state.state in ("open", "remeasure")


def flag(
    state: FlagState,
    shown: Picture | None = None,
    *,
    earlier: Earlier | None = None,
    mark: str = "",
    next_id: UUID | None = None,
) -> ShownFlag:
    found = state.flag
    answered = state.state in ("accept", "cleared")
    place = found.test_point or found.system
    return ShownFlag(
        state=state,
        where=str(place.tag) if place else gettext("the job"),
        word=gettext(Severity(found.severity).label),
        kind="done" if answered else found.severity,
        picture=shown,
        session=found.session_id,
        earlier=earlier,
        mark=mark,
        next=next_id,
    )


@dataclass(frozen=True)
class Together:
    """Open flags of one rule, to be answered with one reason."""

    rule: str
    flags: list[ShownFlag]

    @property
    def name(self) -> str:
        return self.rule.replace("_", " ").capitalize()


@dataclass(frozen=True)
class ReviewPage:
    """A job's review, worst first."""

    flags: list[ShownFlag]
    remarks: list[ShownFlag]
    answered: list[ShownFlag]
    past: list[ShownFlag]
    together: list[Together] = field(default_factory=list)
    systems: list[dict[str, Any]] = field(default_factory=list)


def review_page(
    found: ReviewSet, material: Material, figures: Figures, marks: Mapping[UUID, str] | None = None
) -> ReviewPage:
    """`marks`: by id of session or flag what is new about it."""
    marks = marks or {}
    before = befores(found, material, _judged_with(found))
    shown = [_flag(state, found, material, figures, before, marks) for state in found.flags]
    to_decide = [one for one in shown if one.open and not one.is_remark]
    following = [*(one.state.flag.id for one in to_decide[1:]), None]
    to_decide = [replace(one, next=next_id) for one, next_id in zip(to_decide, following, strict=False)]
    return ReviewPage(
        flags=to_decide,
        remarks=[one for one in shown if one.open and one.is_remark],
        answered=[one for one in shown if not one.open],
        past=[flag(s, mark=marks.get(s.flag.id, "")) for s in found.past_flags],
        together=_together([one for one in shown if one.open]),
        systems=[_system(state, material, figures, marks) for state in found.systems],
    )


def _together(flags: list[ShownFlag]) -> list[Together]:
    """Rules with more than one open flag, those with the most first."""
    by_rule: dict[str, list[ShownFlag]] = defaultdict(list)
    for one in flags:
        by_rule[one.state.flag.rule].append(one)
    many = [Together(rule, own) for rule, own in by_rule.items() if len(own) > 1]
    return sorted(many, key=lambda one: (-len(one.flags), one.rule))


def _judged_with(found: ReviewSet) -> set[UUID]:
    """Sessions that open flags are about, those behind a change told of a system included."""
    ids = {state.flag.session_id for state in found.flags if state.flag.session_id}
    told = [state.flag.test_point_id for state in found.flags if state.flag.rule == CHANGE_RULE]
    return ids | {one.session.id for one in found.measured if one.session.test_point_id in told}


def _flag(
    state: FlagState,
    found: ReviewSet,
    material: Material,
    figures: Figures,
    before: Mapping[UUID, Before],
    marks: Mapping[UUID, str],
) -> ShownFlag:
    one = _session_of(state, found)
    system = next((s for s in found.systems if s.system.id == state.flag.system_id), None)
    earlier = before.get(one.session.id) if one else None
    case = Case(state, figures, material, one, system, earlier)
    words = earlier_words(one, earlier, material, figures) if one and earlier else None
    return flag(state, of_flag(case), earlier=words, mark=marks.get(state.flag.id, ""))


def _session_of(state: FlagState, found: ReviewSet) -> Measured | None:
    """The session that a flag is about; of a change told of a point, the figure that stands there."""
    if state.flag.session_id:
        return next((one for one in found.measured if one.session.id == state.flag.session_id), None)
    if state.flag.rule != CHANGE_RULE:
        return None
    named = {str(one) for one in state.flag.data.get("sessions", ())}
    return next((one for one in found.measured if str(one.session.id) in named), None)


def earlier_words(one: Measured, before: Before, material: Material, figures: Figures) -> Earlier:
    """What stood before at the session's point, and how far apart both are."""
    result = ledger.ledger(before.result, one.session.test_point)
    spread = doc.Measured(value=result.value, expanded=result.expanded)
    change = ""
    if before.change is not None:
        apart = doc.Measured(value=before.change.difference, expanded=before.change.U)
        more = gettext("%(apart)s apart: more than the uncertainty of both")
        less = gettext("%(apart)s apart: no more than the uncertainty of both")
        change = (more if before.change.changed else less) % {"apart": figures.figure(result.quantity, apart)}
    return Earlier(
        figure=str(figures.figure(result.quantity, spread)),
        verdict=gettext(VERDICT_WORDS[result.verdict]),
        at=f"{material.local(before.session.started_at):%Y-%m-%d %H:%M}",
        who=before.session.member.name,
        job=before.job,
        session=before.session.id,
        change=change,
    )


def _system(
    state: SystemState, material: Material, figures: Figures, marks: Mapping[UUID, str]
) -> dict[str, Any]:
    """A system's lines, and its outlets against their tolerance where there are several."""
    rows = [row for point in state.points if (row := tables.outlet_row(point, material)) is not None]
    judged = [row for row in rows if row.final.share is not None]
    return {
        "system": state.system,
        "picture": titled(charts.interval_plot(rows)) if len(judged) > 1 else None,
        "lines": [
            {
                "line": _point_line(point, material, figures),
                "mark": _mark(point, marks),
                "photos": at_point(material.found.photos, point.point.id),
            }
            for point in state.points
        ],
    }


def _mark(state: PointState, marks: Mapping[UUID, str]) -> str:
    return next((marks[one.session.id] for one in state.sessions if one.session.id in marks), "")


def _point_line(state: PointState, material: Material, figures: Figures) -> dict[str, Any]:
    if state.final is not None:
        return line(state.final, material, figures)
    word = gettext("missing") if state.missing else gettext("no figure needed")
    return {
        "place": state.point.tag,
        "note": gettext(state.point.get_kind_display()),
        "word": word,
        "verdict": "none",
    }


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


def acts() -> frozenset[str]:
    """Names of the pages that a session can be put right or made void on, as far as there are such."""
    return frozenset(name for name in ("session-correct", "session-void") if _has_page(name))


def _has_page(name: str) -> bool:
    try:
        reverse(name, args=[UUID(int=0)])
    except NoReverseMatch:
        return False
    return True
