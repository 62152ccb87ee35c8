"""Verdict marks: the interval of a result against its tolerance band, to scale; shape first, then colour."""

from dataclasses import dataclass

from reports.document import Result, Verdict
from reports.render.charts.base import BAND, CORE, INK, RULE, SOFT, frame, group, path, text
from reports.render.figures import VERDICT_WORDS, number, share

_COLOURS = {
    Verdict.PASS: 'class="c-accent" fill="#095a5e" stroke="#095a5e"',
    Verdict.CONDITIONAL_PASS: 'class="c-accent" fill="#095a5e" stroke="#095a5e"',
    Verdict.CONDITIONAL_FAIL: 'class="c-warn" fill="#a04414" stroke="#a04414"',
    Verdict.FAIL: 'class="c-warn" fill="#a04414" stroke="#a04414"',
    Verdict.NOT_DECIDABLE: 'class="c-open" fill="#fff" stroke="#52646c"',
}


@dataclass(frozen=True, slots=True)
class Scale:
    """Places on a band, clipped at the ends of its window (`low` to `high` in shares of design)."""

    left: float
    width: float
    low: float
    high: float

    def at(self, share: float) -> float:
        """Horizontal place of a share of design."""
        part = (share - self.low) / (self.high - self.low)
        return self.left + min(max(part, 0.0), 1.0) * self.width


def _limits(result: Result) -> tuple[float, float]:
    if result.tolerance is None:
        return 0.9, 1.1
    lower, upper = 1 + result.tolerance.lower, 1 + result.tolerance.upper
    return (lower, upper) if upper > lower else (lower - 0.01, lower + 0.01)


def _scale(result: Result, left: float, width: float, spare: float) -> Scale:
    """Window of the tolerance band with `spare` of its width on either side."""
    lower, upper = _limits(result)
    more = (upper - lower) * spare
    return Scale(left, width, lower - more, upper + more)


def sentence(result: Result) -> str:
    """The finding in words."""
    word = VERDICT_WORDS[result.verdict]
    if result.share is None:
        return f"{word}: no design value to compare with"
    lower, upper = _limits(result)
    limits = f", tolerance {number(lower * 100, 0)} to {number(upper * 100, 0)} %" if result.tolerance else ""
    return f"{word}: {share(result)} of design{limits}"


def verdict_mark(result: Result) -> str:
    """The small mark of tables and lines: band, interval and value, 40 x 9 points."""
    scale = _scale(result, 1.0, 38.0, 0.5)
    lower, upper = _limits(result)
    a, b = scale.at(lower), scale.at(upper)
    body = [f'<rect x="{a:.1f}" y="0.5" width="{b - a:.1f}" height="8" {CORE}/>'] if result.tolerance else []
    body.append(path(f"M{a:.1f} 0v9M{b:.1f} 0v9", RULE, 0.6 if result.tolerance else 0.3))
    if result.share is not None:
        body.append(_interval(result, scale, 4.5, 1.9))
    return frame(40, 9, sentence(result), "".join(body), "mark")


def _interval(result: Result, scale: Scale, y: float, half: float) -> str:
    """The bar from value - U to value + U with the value as a notch; open where there is no verdict."""
    value, spread = result.share or 0.0, result.share_expanded or 0.0
    a, b, x = scale.at(value - spread), scale.at(value + spread), scale.at(value)
    if b - a < 2:
        a, b = x - 1, x + 1
    bar = (
        f'<rect x="{a:.1f}" y="{y - half:.1f}" width="{b - a:.1f}" height="{2 * half:.1f}" stroke-width=".6" '
    )
    notch = path(f"M{x:.1f} {y - half - 1.4:.1f}v{2 * half + 2.8:.1f}", RULE, 1.0)
    return bar + _COLOURS[result.verdict] + "/>" + notch


def verdict_band(result: Result) -> str:
    """The large band at the head of a sheet, with limits and acceptance zone (tolerance less U)."""
    scale = _scale(result, 8.0, 174.0, 0.25)
    lower, upper = _limits(result)
    guard = result.share_expanded or 0.0
    body = []
    if result.tolerance:
        a, b = scale.at(lower), scale.at(upper)
        body.append(f'<rect x="{a:.1f}" y="14" width="{b - a:.1f}" height="17" {BAND}/>')
        if upper - lower > 2 * guard:
            c, d = scale.at(lower + guard), scale.at(upper - guard)
            body.append(f'<rect x="{c:.1f}" y="14" width="{d - c:.1f}" height="17" {CORE}/>')
        body.append(path(f"M{a:.1f} 10v25M{b:.1f} 10v25", RULE, 0.9))
        places = ((a, lower), (scale.at(1.0), 1.0), (b, upper))
        body.append(path(f"M{scale.at(1.0):.1f} 10v25", 'class="c-faint" stroke="#8fa3a8"', 0.6))
        body.append(
            group(INK, (text(x, 44, f"{number(v * 100, 0)} %") for x, v in places), 'text-anchor="middle"')
        )
    if result.share is not None:
        body.append(_reading(result, scale))
    else:
        body.append(group(SOFT, [text(95, 26, "no design value")], 'text-anchor="middle"'))
    return frame(190, 47, sentence(result), "".join(body), "chart fixed")


def _reading(result: Result, scale: Scale) -> str:
    """The interval with its caps and the value written over it."""
    value, spread = result.share or 0.0, result.share_expanded or 0.0
    a, b, x = scale.at(value - spread), scale.at(value + spread), scale.at(value)
    whisker = f"M{a:.1f} 22.5H{b:.1f}M{a:.1f} 19v7M{b:.1f} 19v7"
    dot = f'<circle cx="{x:.1f}" cy="22.5" r="4" {_COLOURS[result.verdict]}/>'
    label = text(
        min(max(x, 20.0), 170.0),
        8,
        f"{number(value * 100, 1)} %",
        'font-size="9" font-weight="600" text-anchor="middle"',
    )
    return path(whisker, RULE, 1.3) + dot + group(INK, [label])
