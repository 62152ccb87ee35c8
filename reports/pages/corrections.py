"""Pages on which a supervisor corrects a session or makes it void: the original beside what would be."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.utils import timezone
from django.utils.translation import gettext, gettext_noop, ngettext
from django.views.decorators.http import require_http_methods

from jobs.access import Action, Actor
from jobs.errors import DomainError, Fault, NotFound
from jobs.models import Instrument, Quantity, TestPoint
from jobs.pages.base import page, show
from jobs.pages.forms import in_words
from jobs.reasons import LONGEST_REASON, SHORTEST_REASON
from jobs.units import units_of
from measurements import correct
from measurements.calc.units import units_of as units_of_kind
from measurements.checked import CONDITION_KINDS, LENGTHS, plain
from measurements.corrected import Change, Posted, as_posted, get
from measurements.loading import QUANTITY_OF_USE
from measurements.methods import METHODS, MethodKind, Told
from measurements.models import Method, Session
from reports import material, queries, reviewset
from reports.pages import shown
from reports.render.figures import Figures
from reports.reviewset import Measured
from reports.sheets import RULES

MOST_SINGLE = 200
"""Readings whose unit is offered one by one."""
MARKED = gettext_noop("Nothing was corrected; what is wrong is marked below.")
SHAPES = {
    "round": gettext_noop("round"),
    "rectangular": gettext_noop("rectangular"),
    "oval": gettext_noop("oval"),
}
NAMES = {
    "width": gettext_noop("Width"),
    "height": gettext_noop("Height"),
    "diameter": gettext_noop("Diameter"),
    "wall": gettext_noop("Wall"),
    "lining": gettext_noop("Lining"),
    "upstream": gettext_noop("Upstream"),
    "downstream": gettext_noop("Downstream"),
    "upstream_disturbance": gettext_noop("Upstream disturbance"),
    "downstream_disturbance": gettext_noop("Downstream disturbance"),
    "air_temperature": gettext_noop("Air temperature"),
    "relative_humidity": gettext_noop("Relative humidity"),
    "barometric_pressure": gettext_noop("Barometric pressure"),
    "duct_static_pressure": gettext_noop("Duct static pressure"),
}
"""What the names in a posted session are to people."""
Choices = Sequence[tuple[str, str]]


@dataclass(frozen=True)
class Row:
    """One thing that may be corrected: a figure with units, a choice, or a text; `was` as it stands."""

    path: str
    words: str
    was: str = ""
    was_unit: str = ""
    units: Sequence[str] = ()
    choices: Choices = ()
    whole: bool = False
    now: str | None = None
    now_unit: str | None = None
    covers: tuple[str, ...] = ()
    fault: str = ""

    @property
    def value(self) -> str:
        return self.was if self.now is None else self.now

    @property
    def unit(self) -> str:
        return self.was_unit if self.now_unit is None else self.now_unit

    @property
    def changed(self) -> bool:
        return (self.value, self.unit) != (self.was, self.was_unit)

    @property
    def shown(self) -> str:
        """As it stands, in words."""
        return dict(self.choices).get(self.was, self.was)


@dataclass(frozen=True)
class Group:
    title: str
    rows: list[Row] = field(default_factory=list)
    folded: bool = False

    @property
    def opened(self) -> bool:
        return not self.folded or any(row.changed or row.fault for row in self.rows)


def groups_of(session: Session, document: Posted) -> list[Group]:
    """Everything of a session that a clerical correction may touch, in the order of the form."""
    kind = METHODS[session.method]
    units = list(_unit_rows(document, kind))
    singles = list(_single_rows(document, kind))
    found = [
        Group(gettext("Where and with what"), [_point_row(session), *_tool_rows(document, kind)]),
        Group(gettext("Units of the readings; the digits stay"), units),
        Group(gettext("Unit of one reading"), singles if len(singles) <= MOST_SINGLE else [], folded=True),
        Group(gettext("Duct as found"), list(_plane_rows(document)) if kind.plane else []),
        Group(gettext("Air"), list(_air_rows(document)) if kind.air or document.get("conditions") else []),
        Group(gettext("Told"), [row for told in kind.told for row in _told_rows(document, told)]),
        Group(gettext("Zero checks"), list(_zero_rows(document))),
    ]
    return [group for group in found if group.rows]


def _point_row(session: Session) -> Row:
    points = TestPoint.objects.filter(system__job_systems__job=session.job_id).select_related("system")
    choices = [(str(p.id), f"{p.system.tag} · {p.tag}") for p in points.order_by("system__tag", "position")]
    return Row("/test_point", gettext("Test point"), str(session.test_point_id), choices=choices)


def _tools() -> list[Instrument]:
    return list(Instrument.objects.prefetch_related("ranges").order_by("kind", "name", "serial"))


def _tool_rows(document: Posted, kind: MethodKind) -> Iterator[Row]:
    tools = _tools()
    for use in sorted(kind.uses):
        was = str(get(document, f"/instruments/{use}") or "")
        quantity = QUANTITY_OF_USE[use].value
        fit = [t for t in tools if str(t.id) == was or any(r.quantity == quantity for r in t.ranges.all())]
        choices = [("", gettext("not named")), *((str(t.id), f"{t.name} {t.serial}") for t in fit)]
        yield Row(
            f"/instruments/{use}",
            gettext("Instrument for %(use)s") % {"use": plain(use)},
            was,
            choices=choices,
        )


def _unit_rows(document: Posted, kind: MethodKind) -> Iterator[Row]:
    """A row for all readings (or sweeps) of one place and unit."""
    found: dict[tuple[str, str, str], list[str]] = {}
    for n, row in enumerate(document.get("readings") or ()):
        key = (row.get("place") or kind.places[0].name, row["quantity"], row["unit"])
        found.setdefault(key, []).append(f"/readings/{n}/unit")
    for n, row in enumerate(document.get("sweeps") or ()):
        paths = found.setdefault((kind.places[0].name, row["quantity"], row["unit"]), [])
        paths.append(f"/sweeps/{n}/unit")
        if row.get("mean"):
            paths.append(f"/sweeps/{n}/mean/unit")
    for (name, quantity, unit), paths in found.items():
        place = kind.place(name)
        count = len([path for path in paths if "/mean/" not in path])
        sweeps = ngettext("%(where)s: %(count)s sweep", "%(where)s: %(count)s sweeps", count)
        single = ngettext("%(where)s: %(count)s reading", "%(where)s: %(count)s readings", count)
        where = gettext(place.words) if place else plain(quantity)
        words = (sweeps if paths[0].startswith("/sweeps") else single) % {"where": where, "count": count}
        choices = _units(Quantity(quantity), unit)
        yield Row(paths[0] + "#all", words, unit, choices=choices, covers=tuple(paths))


def _units(quantity: Quantity, known: str) -> Choices:
    names = [(unit.name, unit.symbol) for unit in units_of(quantity)]
    return names if known in dict(names) else [(known, known), *names]


def _single_rows(document: Posted, kind: MethodKind) -> Iterator[Row]:
    for n, row in enumerate(document.get("readings") or ()):
        place = kind.place(row.get("place", ""))
        name = gettext(place.words) if place else plain(row["quantity"])
        words = gettext("%(name)s, run %(run)s, %(line)s/%(point)s: %(value)s") % {**row, "name": name}
        choices = _units(Quantity(row["quantity"]), row["unit"])
        yield Row(f"/readings/{n}/unit", words, row["unit"], choices=choices)


def _plane_rows(document: Posted) -> Iterator[Row]:
    plane = document.get("plane") or {}
    shapes = in_words(SHAPES.items())
    yield Row("/plane/shape", gettext("Shape"), str(plane.get("shape") or ""), choices=shapes)
    for name in LENGTHS:
        yield _figure_row(f"/plane/{name}", gettext(NAMES[name]), plane.get(name), Quantity.LENGTH)
    rules = [("", gettext("not stated")), *in_words(RULES.items())]
    yield Row("/plane/rule", gettext("Layout rule"), str(plane.get("rule") or ""), choices=rules)
    for name in ("lines", "points"):
        text = "" if plane.get(name) is None else str(plane[name])
        words = gettext("Lines of the layout") if name == "lines" else gettext("Points of the layout")
        yield Row(f"/plane/{name}", words, text, whole=True)
    for name in ("upstream_disturbance", "downstream_disturbance"):
        yield Row(f"/plane/{name}", gettext(NAMES[name]), str(plane.get(name) or ""))


def _figure_row(path: str, words: str, was: Any, quantity: Quantity) -> Row:
    units = [unit.name for unit in units_of(quantity)]
    return _figure(path, words, was, units)


def _figure(path: str, words: str, was: Any, units: list[str]) -> Row:
    value, unit = (str(was["value"]), str(was["unit"])) if isinstance(was, dict) else ("", units[0])
    return Row(path, words, value, unit, units=units if unit in units else [unit, *units])


def _air_rows(document: Posted) -> Iterator[Row]:
    air = document.get("conditions") or {}
    for name, quantity in CONDITION_KINDS.items():
        yield _figure_row(f"/conditions/{name}", gettext(NAMES[name]), air.get(name), quantity)


def _told_rows(document: Posted, told: Told) -> Iterator[Row]:
    path = f"/told/{told.name}"
    was = get(document, path)
    parts: list[tuple[str, str, Any]] = [(path, gettext(told.words), was)]
    if told.many:
        listed = was if isinstance(was, list) else []
        parts = [(f"{path}/{n}", f"{gettext(told.words)}, {n + 1}", one) for n, one in enumerate(listed)]
    for at, words, one in parts:
        if told.kind is not None:
            yield _figure(at, words, one, [unit.ucum for unit in units_of_kind(told.kind)])
        else:
            choices = [("", gettext("not given")), *((name, plain(name)) for name in told.choices)]
            yield Row(at, words, "" if one is None else str(one), choices=choices if told.choices else ())


def _zero_rows(document: Posted) -> Iterator[Row]:
    tools = [(str(tool.id), f"{tool.name} {tool.serial}") for tool in _tools()]
    for n, check in enumerate(document.get("zero_checks") or ()):
        named = {"number": n + 1, "value": check["value"]}
        unit_words = gettext("Zero check %(number)s: %(value)s, unit") % named
        tool_words = gettext("Zero check %(number)s: %(value)s, instrument") % named
        choices = _units(Quantity.PRESSURE, check["unit"])
        yield Row(f"/zero_checks/{n}/unit", unit_words, check["unit"], choices=choices)
        yield Row(f"/zero_checks/{n}/instrument", tool_words, check["instrument"], choices=tools)


def filled(groups: Sequence[Group], given: Mapping[str, str]) -> list[Group]:
    """The groups with what a person entered."""
    return [replace(group, rows=[_filled(row, given) for row in group.rows]) for group in groups]


def _filled(row: Row, given: Mapping[str, str]) -> Row:
    value, unit = given.get(row.path), given.get(f"{row.path}.unit")
    return replace(
        row, now=None if value is None else value.strip(), now_unit=None if unit is None else unit.strip()
    )


def changes_of(groups: Sequence[Group], document: Posted) -> list[Change]:
    """What was entered otherwise than it stands. One reading's own unit wins over that of all."""
    found: dict[str, Any] = {}
    for row in (row for group in groups for row in group.rows if row.changed):
        for path in row.covers or (row.path,):
            found[path] = _value(row, get(document, path))
    return [Change(path, value) for path, value in found.items()]


def _value(row: Row, was: Any) -> Any:
    if not row.value:
        return None
    if row.units:
        spread = was.get("expanded_uncertainty") if isinstance(was, dict) else None
        more = {} if spread is None else {"expanded_uncertainty": spread}
        return {"value": row.value, "unit": row.unit, **more}
    return int(row.value) if row.whole and row.value.isdecimal() else row.value


def _with_faults(groups: Sequence[Group], faults: Sequence[Fault]) -> tuple[list[Group], list[str]]:
    """The groups with what was refused at its row, and what belongs to none."""
    left = list(faults)

    def marked(row: Row) -> Row:
        own = [f for f in left if any(_is_at(f.pointer, path) for path in row.covers or (row.path,))]
        for one in own:
            left.remove(one)
        return replace(row, fault=" ".join(dict.fromkeys(one.detail for one in own)))

    placed = [replace(group, rows=[marked(row) for row in group.rows]) for group in groups]
    told_above = [f for f in left if f.pointer not in ("/reason", "/changes", "/session")]
    return placed, list(dict.fromkeys(f"{f.pointer.strip('/')}: {f.detail}" for f in told_above))


def _is_at(pointer: str, path: str) -> bool:
    return pointer == path or pointer.startswith(f"{path}/") or f"{pointer}/unit" == path


@require_http_methods(["GET", "POST"])
@page(Action.REVIEW)
def correction(request: HttpRequest, actor: Actor, session_id: UUID) -> HttpResponse:
    """The form; what it would lead to; and the correction itself."""
    session = _session(actor, session_id)
    document = as_posted(session)
    groups, reason = groups_of(session, document), ""
    figures = shown.figures_for(actor)
    context: dict[str, Any] = {"seen": session.content_digest}
    if request.method == "POST":
        given = {name: str(value) for name, value in request.POST.items()}
        groups, reason = filled(groups, given), given.get("reason", "")
        wanted: dict[str, Any] = {
            "seen_digest": given.get("seen") or None,
            "reason": reason,
            "changes": changes_of(groups, document),
        }
        try:
            if given.get("step") == "correct":
                made = correct.correct(actor, session_id, **wanted)
                messages.success(
                    request, gettext("Corrected. The original is kept; this one is evaluated now.")
                )
                return redirect("session", made.session_id)
            context |= _looked(session, figures, correct.preview(actor, session_id, **wanted))
        except DomainError as error:
            groups, others = _with_faults(groups, error.faults)
            marked = any(row.fault for group in groups for row in group.rows)
            said = gettext(MARKED) if marked and not others else error.detail.replace("; see 'errors'", "")
            context |= {"refused": said, "others": others, "status": error.status}
    context |= _head(session, figures) | {"groups": groups, "reason": reason}
    with timezone.override(session.job.site.time_zone):
        return show(request, "reports/correct.html", context, nav="review", status=context.get("status", 200))


def _session(actor: Actor, session_id: UUID) -> Session:
    rows = queries.visible_sessions(actor).select_related(
        "job__site__customer", "test_point__system", "member", "batch"
    )
    found: Session | None = rows.filter(id=session_id).first()
    if found is None:
        raise NotFound()
    return found


def _head(session: Session, figures: Figures) -> dict[str, Any]:
    found = reviewset.load_session(session)
    collected = material.collect(found)
    one = found.measured[0]
    return {
        "session": session,
        "method": gettext(Method(session.method).label),
        "line": shown.line(one, collected, figures, href=False),
        "newer": session.newer,  # type: ignore[attr-defined]
        "notes": found.voids.get(session.id, ()),
        "shortest": SHORTEST_REASON,
        "longest": LONGEST_REASON,
    }


def _looked(session: Session, figures: Figures, told: correct.Preview) -> dict[str, Any]:
    """What was found, as the page shows it."""
    found = reviewset.load_session(session)
    after = Measured(session=told.session, result=told.result)
    line = shown.line(after, material.collect(found), figures, href=False)
    return {"summary": told.summary, "after": line, "after_refusal": told.result.refusal}


@require_http_methods(["GET", "POST"])
@page(Action.REVIEW)
def void(request: HttpRequest, actor: Actor, session_id: UUID) -> HttpResponse:
    """Asks why, and makes the session void; a void one takes a further note."""
    session = _session(actor, session_id)
    context = _head(session, shown.figures_for(actor)) | {"seen": session.content_digest}
    if request.method == "POST":
        reason, further = request.POST.get("reason", ""), request.POST.get("further") == "1"
        try:
            correct.void(
                actor, session_id, seen_digest=request.POST.get("seen"), reason=reason, further=further
            )
            messages.success(
                request, gettext("The note is kept.") if further else gettext("The session is void.")
            )
            return redirect("session", session_id)
        except DomainError as error:
            context |= {"refused": error.detail, "reason": reason, "status": error.status}
    with timezone.override(session.job.site.time_zone):
        return show(request, "reports/void.html", context, nav="review", status=context.get("status", 200))
