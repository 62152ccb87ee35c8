"""Pressure ladder: static pressure along the air path, component by component, against the room."""

from dataclasses import dataclass

from reports.document import Cell, Quantity, TestSheet
from reports.render.charts.axes import Axis, even, shown, table_of, words_of
from reports.render.charts.base import (
    ACCENT,
    BAND,
    FAINT,
    GRID,
    INK,
    RULE,
    SOFT,
    WARN,
    frame,
    group,
    path,
    spread,
    text,
)
from reports.render.figures import Figures, number

_WIDTH, _LEFT, _RIGHT, _TOP, _BOTTOM = 516.0, 40.0, 420.0, 12.0, 118.0
_Q = Quantity.PRESSURE
_LINE = 'class="c-line" stroke="#095a5e" fill="none"'
_DASH = 'stroke-dasharray="2 1.6"'
_LETTER = 3.5  # points a letter takes


@dataclass(frozen=True, slots=True)
class _Step:
    """A component between two stations; pressures in display units, the drop when clean where known."""

    name: str
    first: int
    last: int
    before: float
    after: float
    drop: float
    clean: float | None


@dataclass(frozen=True, slots=True)
class _Outer:
    """The external static pressure: from the pressure at its first station upwards, with its limit."""

    first: int
    last: int
    base: float
    value: float
    limit: float | None
    words: str
    limit_words: str


def ladder(sheet: TestSheet, figures: Figures) -> str:
    """Stepped line from station to station with drops, clean drops and the external static pressure."""
    steps = _steps(sheet, figures)
    if not steps:
        return ""
    outer = _outer(sheet, steps, figures)
    ends = [v for s in steps for v in (s.before, s.after)]
    if outer is not None:
        ends += [outer.base + outer.value, outer.base + (outer.limit or 0.0)]
    y = even(ends, _BOTTOM, _TOP, nought=True)
    first, last = min(s.first for s in steps), max(s.last for s in steps)
    width = (_RIGHT - _LEFT) / max(last - first, 1)
    places = [_LEFT + (s.first - first) * width for s in steps]
    spans = [(x, x + (s.last - s.first) * width) for x, s in zip(places, steps, strict=True)]
    body = _ground(y, figures) + _drawn(steps, spans, y) + _names(steps, spans, figures)
    if outer is not None:
        body += _external(outer, y)
    return frame(_WIDTH, _BOTTOM + 48, _title(steps, outer, figures), body)


def _steps(sheet: TestSheet, figures: Figures) -> list[_Step]:
    table = table_of(sheet, "air_path")
    if table is None:
        return []
    found = []
    for label, row in zip(table.labels, table.cells, strict=True):
        first, last, before, after, drop, clean = row
        before_, after_, drop_ = (shown(figures, _Q, cell)[0] for cell in (before, after, drop))
        ends = int(first.value or 0), int(last.value or 0)
        found.append(_Step(label, *ends, before_, after_, drop_, _known(figures, clean)))
    return found


def _known(figures: Figures, cell: Cell) -> float | None:
    return None if cell.value is None else shown(figures, _Q, cell)[0]


def _outer(sheet: TestSheet, steps: list[_Step], figures: Figures) -> _Outer | None:
    """None where a station of it does not stand beside a component that is drawn."""
    table = table_of(sheet, "external_static")
    if table is None:
        return None
    first, last, value, limit = table.cells[0]
    at = {s.last: s.after for s in steps} | {s.first: s.before for s in steps}
    start, end = int(first.value or 0), int(last.value or 0)
    if start not in at or value.value is None:
        return None
    return _Outer(
        start,
        end,
        at[start],
        shown(figures, _Q, value)[0],
        _known(figures, limit),
        words_of(figures, _Q, value),
        words_of(figures, _Q, limit),
    )


def _ground(y: Axis, figures: Figures) -> str:
    """Lines of equal pressure; the room's is drawn through."""
    lines = "".join(f"M{_LEFT} {y.at(t):.1f}H{_RIGHT:.0f}" for t in y.ticks if t)
    labels = [text(_LEFT - 5, y.at(t) + 2.4, y.label(t)) for t in y.ticks]
    return (
        path(lines, GRID, 0.5)
        + path(f"M{_LEFT} {y.at(0.0):.1f}H{_RIGHT:.0f}", FAINT, 0.8)
        + group(SOFT, labels, 'text-anchor="end"')
        + group(SOFT, [text(_LEFT - 5, _TOP - 6, figures.unit(_Q), 'text-anchor="end"')])
        + group(SOFT, [text(_RIGHT - 1, y.at(0.0) - 2, "room", 'text-anchor="end"')])
    )


def _drawn(steps: list[_Step], spans: list[tuple[float, float]], y: Axis) -> str:
    line, clean = "", ""
    stations: dict[int, tuple[float, float]] = {}
    for s, (a, b) in zip(steps, spans, strict=True):
        quarter = (b - a) / 4
        line += f"M{a:.1f} {y.at(s.before):.1f}h{quarter:.1f}L{b - quarter:.1f} {y.at(s.after):.1f}H{b:.1f}"
        if s.clean is not None:
            level = y.at(s.before - s.clean)
            clean += f"M{a + quarter:.1f} {y.at(s.before):.1f}L{b - quarter:.1f} {level:.1f}h{quarter:.1f}"
        stations |= {s.first: (a, s.before), s.last: (b, s.after)}
    dots = [f'<circle cx="{x:.1f}" cy="{y.at(p):.1f}" r="2.1"/>' for x, p in stations.values()]
    return (
        path(clean, 'class="c-mean" stroke="#a04414" fill="none"', 0.8, _DASH)
        + path(line, _LINE, 1.7)
        + group('class="c-paper" fill="#fff" stroke="#095a5e" stroke-width=".9"', dots)
    )


def _names(steps: list[_Step], spans: list[tuple[float, float]], figures: Figures) -> str:
    """Under each component its name, its drop, and its drop when clean."""
    edges = "".join(f"M{a:.1f} {_TOP}V{_BOTTOM + 44:.0f}" for a, _ in [*spans[1:]])
    names, drops, clean = [], [], []
    decimals = figures.units[_Q].decimals if figures.system.value != "SI" else 0
    for s, (a, b) in zip(steps, spans, strict=True):
        middle = (a + b) / 2
        for k, line in enumerate(_wrapped(s.name, int((b - a) / _LETTER))):
            names.append(text(middle, _BOTTOM + 11 + 7.6 * k, line))
        rise = f"+{number(-s.drop, decimals)}" if s.drop < 0 else number(s.drop, decimals)
        drops.append(text(middle, _BOTTOM + 32, rise))
        if s.clean is not None:
            clean.append(text(middle, _BOTTOM + 42, number(s.clean, decimals)))
    heads = [text(_LEFT - 5, _BOTTOM + 32, "drop"), text(_LEFT - 5, _BOTTOM + 42, "clean")]
    return (
        path(edges, GRID, 0.5)
        + group(INK, names, 'text-anchor="middle"')
        + group(ACCENT, drops, 'text-anchor="middle" font-weight="600" font-size="7.6"')
        + group(WARN, clean, 'text-anchor="middle"')
        + group(SOFT, heads if clean else heads[:1], 'text-anchor="end"')
    )


def _wrapped(name: str, letters: int) -> list[str]:
    """A name on two lines at the most."""
    if len(name) <= letters:
        return [name]
    first, _, rest = name.partition(" ")
    return [first[: max(letters, 4)], rest[: max(letters, 4)]] if rest else [name[: max(letters, 4)]]


def _external(outer: _Outer, y: Axis) -> str:
    """A bar of the external static pressure beside the picture, its limit as a line across."""
    x, low, high = _RIGHT + 16, y.at(outer.base), y.at(outer.base + outer.value)
    body = f'<rect x="{x:.1f}" y="{min(low, high):.1f}" width="7" height="{abs(low - high):.1f}" {BAND}/>'
    body += path(
        f"M{x - 3:.1f} {low:.1f}h13M{x - 3:.1f} {high:.1f}h13M{x + 3.5:.1f} {low:.1f}V{high:.1f}", RULE, 1.0
    )
    labels = [("external static", SOFT), (outer.words, INK + ' font-weight="600"')]
    places = [high + 6, high + 14]
    if outer.limit is not None:
        level = y.at(outer.base + outer.limit)
        body += path(
            f"M{x - 6:.1f} {level:.1f}h19", 'class="c-mean" stroke="#a04414" fill="none"', 1.4, _DASH
        )
        labels.append((f"limit {outer.limit_words}", WARN))
        places.append(level - 2)
    texts = zip(labels, spread(places, 8.2), strict=True)
    return body + "".join(group(style, [text(x + 15, place, words)]) for (words, style), place in texts)


def _title(steps: list[_Step], outer: _Outer | None, figures: Figures) -> str:
    unit = figures.unit(_Q)
    decimals = figures.units[_Q].decimals if figures.system.value != "SI" else 0
    drops = ", ".join(
        f"{s.name} {number(s.drop, decimals)}"
        + (f" (clean {number(s.clean, decimals)})" if s.clean is not None else "")
        for s in steps
    )
    head = "Static pressure along the air path"
    if outer is not None:
        limit = f", limit {outer.limit_words}" if outer.limit is not None else ""
        head = f"External static pressure {outer.words}{limit}"
    return f"{head}. Drops in {unit}: {drops}"
