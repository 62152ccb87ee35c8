"""The rounds of a system at the desk: outlets by rounds with shares, the picture, what is still to do."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from uuid import UUID

from django.http import HttpRequest, HttpResponse
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_safe

from jobs.access import Action, Actor
from jobs.pages.base import page, show
from measurements import balance as actions
from measurements.balance import Balance, BranchState, PointState, balance
from measurements.balancing.fan import FanState
from measurements.balancing.remarks import AIR_CAUTIONS, WATER_CAUTIONS, spoken
from measurements.balancing.rounds import WAITING, Figure
from measurements.balancing.steps import Planned
from measurements.calc.network_steps import Action as Turn
from measurements.models import Verdict
from measurements.words import measurand, measurand_pair, percent, shown

MOST_ROUNDS = 5
"""Rounds with a column of their own; of more, the first and the last ones."""


@dataclass(frozen=True)
class Cell:
    """One round of one outlet in the table."""

    share: str
    setting: str
    turned: bool
    waiting: bool


@dataclass(frozen=True)
class Row:
    """One outlet: its rounds and what counts."""

    tag: str
    place: str
    design: str
    cells: tuple[Cell, ...]
    now: str
    verdict: str
    word: str
    damper: str
    todo: str


@dataclass(frozen=True)
class Part:
    """One branch with its rows, what to do there, and what the plan noticed."""

    heading: str
    todo: str
    steps: tuple[str, ...]
    remarks: tuple[tuple[str, str], ...]
    rows: tuple[Row, ...]
    columns: tuple[str, ...]


@require_safe
@page(Action.READ)
def system_balance(request: HttpRequest, actor: Actor, job_id: UUID, system_id: UUID) -> HttpResponse:
    found = balance(actor, job_id, system_id)
    units = found.company.unit_system
    context = {
        "job": found.job,
        "system": found.system,
        "phase": PHASES[found.phase](),
        "good": found.balanced,
        "picture": picture(found),
        "parts": tuple(_parts(found, units)),
        "whole": [_sentence(step, found, units) for step in found.whole.open_steps]
        if found.whole and found.phase in (actions.BRANCHES, actions.OPEN)
        else [],
        "fans": [_fan(one, units) for one in found.fans],
        "cautions": WATER_CAUTIONS if found.liquid else AIR_CAUTIONS,
        "read": any(one.rounds for one in found.ends),
    }
    return show(request, "measurements/balance.html", context, nav="jobs")


PHASES = {
    actions.OUTLETS: lambda: _("Outlets are being brought to the same share of design, branch by branch."),
    actions.BRANCHES: lambda: _(
        "Each branch is equal in itself; next the branches to each other by their own dampers."
    ),
    actions.FAN: lambda: _("All shares are equal; next the fan brings the total to design."),
    actions.SURVEY: lambda: _("Something was turned since: every outlet must be read once more."),
    actions.MARKS: lambda: _("Within tolerance by the decision rule; some dampers have no mark yet."),
    actions.BALANCED: lambda: _(
        "Balanced: every outlet within tolerance by the decision rule, dampers marked."
    ),
    actions.OPEN: lambda: _("Nothing is left to turn, and some outlets are not within tolerance."),
}


def _parts(found: Balance, units: str) -> Iterator[Part]:
    states = {one.point.id: one for one in found.points}
    for branch in found.branches:
        members = [states[point] for point in branch.found.points]
        others = [s for s in found.ends if s.branch == members[0].branch and s not in members]
        points = [*members, *others]
        count = max((len(one.rounds) for one in points), default=0)
        kept = _kept(count)
        remarks = branch.found.plan.remarks if branch.found.plan else ()
        yield Part(
            branch.tag or found.system.tag,
            _todo(branch, found),
            tuple(_sentence(step, found, units) for step in branch.found.open_steps)
            if branch.do == actions.ADJUST
            else (),
            tuple((said.seen, said.advice) for _row, said in spoken(remarks, units)),
            tuple(_row(one, found, kept, units) for one in points),
            tuple(_("Round %(number)s") % {"number": n + 1} for n in kept),
        )


def _kept(count: int) -> list[int]:
    """Rounds that get a column: the first and the last ones."""
    if count <= MOST_ROUNDS:
        return list(range(count))
    return [0, *range(count - MOST_ROUNDS + 1, count)]


def _todo(branch: BranchState, found: Balance) -> str:
    missing = [found.tag(point) for point in branch.missing]
    listed = ", ".join(missing[:8]) + (" …" if len(missing) > 8 else "")
    stays = found.tag(branch.found.reference) if branch.found.reference else ""
    if branch.do == actions.READ:
        return _("Not read yet with all dampers untouched: %(tags)s.") % {"tags": listed}
    if branch.do == actions.AGAIN:
        return _("Dampers are set; to be read again: %(tags)s.") % {"tags": listed}
    if branch.do == actions.ADJUST:
        count = len(branch.found.open_steps)
        text = ngettext(
            "%(count)s damper to set; %(stays)s has the lowest share and stays open.",
            "%(count)s dampers to set; %(stays)s has the lowest share and stays open.",
            count,
        )
        return text % {"count": count, "stays": stays}
    if branch.do == actions.EQUAL and branch.found.spread:
        low, high = branch.found.spread
        return _("Equal: shares from %(low)s to %(high)s of the common one.") % {
            "low": percent(low),
            "high": percent(high),
        }
    return branch.found.refused or _("Nothing more can be turned, and the shares still differ.")


def _sentence(one: Planned, found: Balance, units: str) -> str:
    """A step of the plan as it is told on site."""
    step = one.step
    verbs = {Turn.CLOSE: _("close"), Turn.OPEN: _("open"), Turn.SHUT: _("shut, its design flow is zero")}
    if step.action is Turn.SHUT:
        return f"{step.tag}: {verbs[step.action]}"
    target = one.shown_target if one.shown_target is not None else step.target.value
    values = {
        "tag": step.tag,
        "verb": verbs[step.action],
        "target": measurand(target, "flow", units, liquid=found.liquid),
        "at": step.read_at,
        "share": percent(step.share or 0.0),
    }
    if step.read_at == step.tag:
        return _("%(tag)s: %(verb)s until %(target)s are shown, %(share)s of design") % values
    return _("%(tag)s: %(verb)s until %(at)s shows %(target)s, %(share)s of design") % values


def _row(one: PointState, found: Balance, kept: Sequence[int], units: str) -> Row:
    now = one.now
    value = ""
    if now is not None and now.value is not None:
        value = measurand_pair(now.value, now.expanded or 0.0, "flow", units, liquid=found.liquid)
    design = one.point.design_flow
    verdict = now.verdict if now else ""
    return Row(
        one.point.tag,
        one.point.location,
        "" if design is None else measurand(design, "flow", units, liquid=found.liquid),
        tuple(_cell(one.rounds[n]) if n < len(one.rounds) else Cell("", "", False, False) for n in kept),
        value,
        _CLASS.get(verdict, "none"),
        str(Verdict(verdict).label).lower() if verdict else "",
        _damper(one),
        _standing(one),
    )


_CLASS = {
    Verdict.PASS.value: "pass",
    Verdict.CONDITIONAL_PASS.value: "conditional-pass",
    Verdict.CONDITIONAL_FAIL.value: "conditional-fail",
    Verdict.FAIL.value: "fail",
}


def _cell(one: Figure) -> Cell:
    share = percent(one.share) if one.share is not None else ""
    return Cell(share, one.setting if one.moved else "", one.moved, one.outcome == WAITING)


def _damper(one: PointState) -> str:
    if not one.setting:
        return ""
    return f"{one.setting}, {_('marked')}" if one.marked else one.setting


def _standing(one: PointState) -> str:
    if not one.rounds:
        return _("not read")
    if one.rounds[-1].outcome == WAITING:
        return _("being evaluated")
    if one.stale:
        return _("read before %(tag)s was turned") % {"tag": one.stale}
    return "" if one.setting and one.marked else _("no mark yet")


@dataclass(frozen=True)
class FanWords:
    """A fan in sentences; `stop`: a limit would be passed."""

    tag: str
    plate: tuple[tuple[str, str], ...]
    lines: tuple[str, ...]
    stop: bool


def _fan(one: FanState, units: str) -> FanWords:
    plate = tuple(
        (words(), shown(one.plate[name], kind, units)) for name, kind, words in _PLATE if name in one.plate
    )
    if not one.tests:
        return FanWords(one.point.tag, plate, (_("Not tested yet."),), False)
    if one.change is None:
        reason = one.refused or _("A new speed is told once every outlet is read with nothing turned since.")
        return FanWords(one.point.tag, plate, (reason,), False)
    change = one.change.change
    speed = {
        "now": shown(one.tests[-1].found["speed"].value, "speed", units),
        "then": shown(change.speed.value, "speed", units),
        "share": percent(one.change.reachable),
    }
    if not one.change.allowed:
        limits = ", ".join(_LIMITS[no.input]() for no in change.refused)
        text = _(
            "Design needs %(then)s; it runs at %(now)s. %(limits)s would be passed: within the limits the "
            "system reaches %(share)s of design."
        )
        return FanWords(one.point.tag, plate, (text % {**speed, "limits": limits},), True)
    lines = [_("From %(now)s to %(then)s by the fan laws, dampers untouched.") % speed]
    if change.current:
        amps = shown(change.current.value, "current", units)
        lines.append(_("The motor would draw %(amps)s in its highest phase.") % {"amps": amps})
    if change.unchecked:
        names = ", ".join(_LIMITS[name]() for name in change.unchecked)
        lines.append(_("Not checked, for want of figures: %(limits)s.") % {"limits": names})
    return FanWords(one.point.tag, plate, tuple(lines), False)


_LIMITS = {
    "maximum_speed": lambda: _("the fan's maximum speed"),
    "nameplate_power": lambda: _("the motor's nameplate power"),
    "nameplate_current": lambda: _("the motor's nameplate current"),
}
_PLATE = (
    ("nameplate_current", "current", lambda: _("Motor current, at most")),
    ("nameplate_power", "power", lambda: _("Motor power, at most")),
    ("maximum_speed", "speed", lambda: _("Fan speed, at most")),
    ("motor_sheave", "length", lambda: _("Sheave on the motor")),
    ("fan_sheave", "length", lambda: _("Sheave on the fan")),
)


# ---- the picture: intervals against the band, worst first, first round pale -------------------------------

LOW, HIGH = 0.5, 1.5
LEFT, RIGHT, ROW, MOST = 96.0, 640.0, 24.0, 40


@dataclass(frozen=True)
class Bar:
    """One outlet's bar; all places in units of the picture."""

    tag: str
    y: float
    band: tuple[float, float] | None
    first: float | None
    interval: tuple[float, float]
    at: float
    words: str
    good: bool


@dataclass(frozen=True)
class Picture:
    """`title` states the finding."""

    title: str
    height: float
    bars: tuple[Bar, ...]
    ticks: tuple[tuple[float, str], ...]
    design: float


def picture(found: Balance) -> Picture | None:
    """None before any outlet has a share."""
    rows = [one for one in found.ends if one.now is not None and one.now.share is not None]
    if not rows:
        return None
    rows.sort(key=lambda one: (-_excess(one), one.point.tag))
    good = sum(1 for one in rows if one.now and one.now.accepted)
    worst = rows[0]
    title = _("%(good)s of %(all)s outlets are within tolerance; worst %(tag)s at %(share)s of design") % {
        "good": good,
        "all": len(rows),
        "tag": worst.point.tag,
        "share": percent(_share(worst.now), 0),
    }
    bars = tuple(_bar(one, n) for n, one in enumerate(rows[:MOST]))
    ticks = tuple((_x(n / 10), f"{n * 10} %") for n in range(5, 16))
    return Picture(title, len(bars) * ROW, bars, ticks, _x(1.0))


def _x(share: float) -> float:
    return round(LEFT + (min(max(share, LOW), HIGH) - LOW) / (HIGH - LOW) * (RIGHT - LEFT), 1)


def _share(one: Figure | None) -> float:
    return one.share if one is not None and one.share is not None else 0.0


def _excess(one: PointState) -> float:
    """Distance from design in units of the tolerance on that side."""
    off = _share(one.now) - 1.0
    below, above = one.tolerance
    return abs(off) / ((above if off > 0 else below) or 0.1)


def _bar(one: PointState, number: int) -> Bar:
    share, spread = _share(one.now), (one.now.share_expanded if one.now else 0.0) or 0.0
    below, above = one.tolerance
    first = one.first
    return Bar(
        one.point.tag,
        number * ROW + ROW / 2,
        (_x(1.0 - (below or 0.0)), _x(1.0 + (above or 0.0))) if below or above else None,
        _x(_share(first)) if first is not None and first is not one.now and first.share is not None else None,
        (_x(share - spread), _x(share + spread)),
        _x(share),
        percent(share),
        bool(one.now and one.now.accepted),
    )
