"""Verdict marks: the interval of a result against its tolerance band, to scale; shape first, then colour."""

from collections.abc import Callable
from dataclasses import dataclass

from reports.document import Result, UnitSystem, Verdict
from reports.render.charts.base import BAND, CORE, INK, RULE, SOFT, frame, group, path, text
from reports.render.figures import VERDICT_WORDS, Figures, number, share

_SI = Figures(UnitSystem.SI)

_COLOURS = {
    Verdict.PASS: 'class="c-accent" fill="#095a5e" stroke="#095a5e"',
    Verdict.CONDITIONAL_PASS: 'class="c-accent" fill="#095a5e" stroke="#095a5e"',
    Verdict.CONDITIONAL_FAIL: 'class="c-warn" fill="#a04414" stroke="#a04414"',
    Verdict.FAIL: 'class="c-warn" fill="#a04414" stroke="#a04414"',
    Verdict.NOT_DECIDABLE: 'class="c-open" fill="#fff" stroke="#52646c"',
}


Label = Callable[[float], str]


@dataclass(frozen=True, slots=True)
class Axis:
    """A finding on one axis: shares of design, or the figure itself where limits decide.

    low, high: limits, None on an open side. judged: whether there are any. centre: the design.
    """

    value: float | None
    spread: float
    low: float | None
    high: float | None
    judged: bool
    centre: float | None
    label: Label

    @property
    def window(self) -> tuple[float, float]:
        """What a band of these limits spans; an open side reaches as far as the finding needs."""
        value = 0.0 if self.value is None else self.value
        if self.low is not None and self.high is not None:
            return self.low, self.high if self.high > self.low else self.low + 0.01
        edge = self.low if self.low is not None else self.high if self.high is not None else value
        reach = max(abs(edge) * 0.3, 1.3 * abs(value - edge), 3.0 * self.spread) or 1.0
        return (edge, edge + reach) if self.high is None else (edge - reach, edge)


def _limited(result: Result) -> bool:
    return result.low is not None or result.high is not None


def _percent(value: float) -> str:
    return f"{number(value * 100, 0)} %"


def _plain(result: Result) -> Label:
    """The figure with its SI unit, where nobody says how it is written."""
    return lambda value: _SI.with_unit(result.quantity, value)


def axis_of(result: Result, label: Label | None = None) -> Axis:
    """`label` writes the figure itself where limits decide; shares are written in per cent."""
    if _limited(result):
        spread, words = result.expanded or 0.0, label or _plain(result)
        return Axis(result.value, spread, result.low, result.high, True, result.design, words)
    low, high = (0.9, 1.1)
    if result.tolerance is not None:
        low, high = 1 + result.tolerance.lower, 1 + result.tolerance.upper
    judged = result.tolerance is not None
    return Axis(result.share, result.share_expanded or 0.0, low, high, judged, 1.0, _percent)


@dataclass(frozen=True, slots=True)
class Scale:
    """Places on a band, clipped at the ends of its window (`low` to `high` on the axis)."""

    left: float
    width: float
    low: float
    high: float

    def at(self, value: float) -> float:
        """Horizontal place of a value."""
        part = (value - self.low) / (self.high - self.low)
        return self.left + min(max(part, 0.0), 1.0) * self.width


def _scale(axis: Axis, left: float, width: float, spare: float) -> Scale:
    """Window of the tolerance band with `spare` of its width on either side."""
    low, high = axis.window
    more = (high - low) * spare
    return Scale(left, width, low - more, high + more)


def sentence(result: Result, label: Label | None = None) -> str:
    """The finding in words."""
    word, axis = VERDICT_WORDS[result.verdict], axis_of(result, label)
    if _limited(result):
        sides = (("at least", result.low), ("at most", result.high))
        limits = ", ".join(f"{side} {axis.label(v)}" for side, v in sides if v is not None)
        return f"{word}: {axis.label(result.value)}, wanted {limits}"
    if result.share is None:
        return f"{word}: no design value to compare with"
    low, high = axis.window
    limits = f", tolerance {number(low * 100, 0)} to {number(high * 100, 0)} %" if result.tolerance else ""
    return f"{word}: {share(result)} of design{limits}"


def verdict_mark(result: Result, label: Label | None = None) -> str:
    """The small mark of tables and lines: band, interval and value, 40 x 9 points."""
    axis = axis_of(result)
    scale = _scale(axis, 1.0, 38.0, 0.5)
    a, b = _band(axis, scale)
    body = [f'<rect x="{a:.1f}" y="0.5" width="{b - a:.1f}" height="8" {CORE}/>'] if axis.judged else []
    edges = "".join(f"M{x:.1f} 0v9" for x in _edges(axis, scale))
    body.append(path(edges, RULE, 0.6 if axis.judged else 0.3))
    if axis.value is not None:
        body.append(_interval(result, axis, scale))
    return frame(40, 9, sentence(result, label), "".join(body), "mark")


def _band(axis: Axis, scale: Scale) -> tuple[float, float]:
    """Where the band begins and ends; an open side runs to the edge of the picture."""
    low = scale.left if axis.low is None else scale.at(axis.low)
    high = scale.left + scale.width if axis.high is None else scale.at(axis.high)
    return low, max(high, low + 0.5)


def _edges(axis: Axis, scale: Scale) -> tuple[float, ...]:
    return tuple(scale.at(v) for v in (axis.low, axis.high) if v is not None)


def _interval(result: Result, axis: Axis, scale: Scale) -> str:
    """The bar from value - U to value + U with the value as a notch; open where there is no verdict."""
    y, half = 4.5, 1.9
    value = axis.value or 0.0
    a, b, x = scale.at(value - axis.spread), scale.at(value + axis.spread), scale.at(value)
    if b - a < 2:
        a, b = x - 1, x + 1
    bar = (
        f'<rect x="{a:.1f}" y="{y - half:.1f}" width="{b - a:.1f}" height="{2 * half:.1f}" stroke-width=".6" '
    )
    notch = path(f"M{x:.1f} {y - half - 1.4:.1f}v{2 * half + 2.8:.1f}", RULE, 1.0)
    return bar + _COLOURS[result.verdict] + "/>" + notch


def verdict_band(result: Result, label: Label | None = None) -> str:
    """The large band at the head of a sheet, with limits and acceptance zone (tolerance less U)."""
    axis = axis_of(result, label)
    scale = _scale(axis, 8.0, 174.0, 0.25)
    body = _large_band(axis, scale) if axis.judged else []
    if axis.value is not None:
        body.append(_reading(result, axis, scale))
    else:
        body.append(group(SOFT, [text(95, 26, "no design value")], 'text-anchor="middle"'))
    return frame(190, 47, sentence(result, label), "".join(body), "chart fixed")


def _large_band(axis: Axis, scale: Scale) -> list[str]:
    a, b = _band(axis, scale)
    body = [f'<rect x="{a:.1f}" y="14" width="{b - a:.1f}" height="17" {BAND}/>']
    c = a if axis.low is None else scale.at(axis.low + axis.spread)
    d = b if axis.high is None else scale.at(axis.high - axis.spread)
    if d > c:
        body.append(f'<rect x="{c:.1f}" y="14" width="{d - c:.1f}" height="17" {CORE}/>')
    body.append(path("".join(f"M{x:.1f} 10v25" for x in _edges(axis, scale)), RULE, 0.9))
    marked = [v for v in (axis.low, axis.high) if v is not None]
    centre = axis.centre
    if centre is not None and centre not in marked and scale.low < centre < scale.high:
        body.append(path(f"M{scale.at(centre):.1f} 10v25", 'class="c-faint" stroke="#8fa3a8"', 0.6))
        marked.append(centre)
    labels = (text(scale.at(v), 44, axis.label(v)) for v in sorted(marked))
    return [*body, group(INK, labels, 'text-anchor="middle"')]


def _reading(result: Result, axis: Axis, scale: Scale) -> str:
    """The interval with its caps and the value written over it."""
    value = axis.value or 0.0
    a, b, x = scale.at(value - axis.spread), scale.at(value + axis.spread), scale.at(value)
    whisker = f"M{a:.1f} 22.5H{b:.1f}M{a:.1f} 19v7M{b:.1f} 19v7"
    dot = f'<circle cx="{x:.1f}" cy="22.5" r="4" {_COLOURS[result.verdict]}/>'
    words = axis.label(value) if _limited(result) else f"{number(value * 100, 1)} %"
    place = min(max(x, 20.0), 170.0)
    label = text(place, 8, words, 'font-size="9" font-weight="600" text-anchor="middle"')
    return path(whisker, RULE, 1.3) + dot + group(INK, [label])
