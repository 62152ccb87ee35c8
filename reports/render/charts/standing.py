"""Where a job stands: per system how far its points are, and how many values lie within tolerance."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from reports.render.charts.base import (
    ACCENT,
    CORE,
    FAINT,
    GRID,
    INK,
    RULE,
    SOFT,
    WALL,
    frame,
    group,
    path,
    text,
)

_WIDTH, _LEFT, _RIGHT, _ROW, _BAR, _TOP = 516.0, 74.0, 344.0, 19.0, 12.0, 22.0
_SHARE, _SHARE_END = 410.0, 470.0
MOST = 24
"""Systems in one picture; the table lists all."""
_STOP = 'class="c-mean" stroke="#a04414" fill="none"'
_PAPER = 'class="c-paper" fill="#fff"'
_GAP = 4.0
"""Between the lines of a hatch."""
_FLAGGED, _AGAIN = 2, 3
"""Places of the hatched parts in a bar."""


@dataclass(frozen=True, slots=True)
class Stand:
    """Points of a system by how far they are, and its judged values. `within`: those inside the tolerance."""

    tag: str
    done: int = 0
    measured: int = 0
    flagged: int = 0
    remeasure: int = 0
    deferred: int = 0
    to_do: int = 0
    judged: int = 0
    within: int = 0

    @property
    def parts(self) -> tuple[int, ...]:
        """In the order of the bar."""
        return (self.done, self.measured, self.flagged, self.remeasure, self.deferred, self.to_do)

    @property
    def points(self) -> int:
        return sum(self.parts)


WORDS = ("done", "not evaluated yet", "flagged", "to measure again", "deferred", "to do")
"""Of the parts of a bar, in their order."""


def total(rows: Sequence[Stand], tag: str = "") -> Stand:
    """All systems in one."""
    parts = [sum(row.parts[k] for row in rows) for k in range(len(WORDS))]
    judged, within = sum(row.judged for row in rows), sum(row.within for row in rows)
    return replace(Stand(tag, *parts), judged=judged, within=within)


def finding(rows: Sequence[Stand]) -> str:
    """What the picture says, in a sentence."""
    whole = total(rows)
    rest = [f"{count} {word}" for count, word in zip(whole.parts[1:], WORDS[1:], strict=True) if count]
    said = f"{whole.done} of {whole.points} points done"
    if rest:
        said += f": {', '.join(rest)}"
    if whole.judged:
        said += f"; {whole.within} of {whole.judged} judged values within tolerance"
    return said


def standing(rows: Sequence[Stand]) -> str:
    """One bar a system, as long for all, in parts; beside it the share of values within tolerance.

    Parts differ by pattern, not by colour alone. Nothing without points.
    """
    held = [row for row in rows if row.points]
    if not held:
        return ""
    shown = held if len(held) <= MOST else [*held[: MOST - 1], total(held[MOST - 1 :], _rest(held))]
    bars, hatched, words, names, counts = _Bars(_BAR), _Hatch(_BAR), [], [], []
    shares: list[str] = []
    for i, row in enumerate(shown):
        y = _TOP + i * _ROW
        names.append(text(_LEFT - 8, y + 9, row.tag[:16]))
        counts.append(text(_RIGHT + 6, y + 9, f"{row.done} of {row.points}"))
        x = _LEFT
        for part, count in enumerate(row.parts):
            wide = (_RIGHT - _LEFT) * count / row.points
            _segment(part, x, y, wide, bars, hatched)
            if wide >= 9.0:
                words.append(_number(part, x + wide / 2, y, count))
            x += wide
        shares += _share(row, y)
    height = _TOP + len(shown) * _ROW + 4
    body = (
        _drawn(bars, hatched)
        + "".join(words)
        + group(INK, names, 'text-anchor="end" font-weight="600"')
        + group(INK, counts)
        + path(
            f"M{_SHARE:.0f} {_TOP - 3:.0f}V{height - 4:.0f}M{_SHARE_END:.0f} {_TOP - 3:.0f}V{height - 4:.0f}",
            GRID,
            0.7,
        )
        + "".join(shares)
        + _legend()
        + group(SOFT, [text(_WIDTH - 2, 8.4, "within tolerance", 'text-anchor="end"')])
    )
    return frame(_WIDTH, height, finding(rows), group("", [body], 'font-size="7.6"'))


def _rest(held: Sequence[Stand]) -> str:
    return f"{len(held) - MOST + 1} more"


class _Bars:
    """Filled parts by their style, and the outlines of all."""

    def __init__(self, tall: float) -> None:
        self.tall = tall
        self.fills: dict[str, list[str]] = {}
        self.edges: list[str] = []

    def add(self, style: str, x: float, y: float, wide: float) -> None:
        box = f"M{x:.1f} {y:.1f}h{wide:.1f}v{self.tall:.0f}h{-wide:.1f}z"
        self.edges.append(box)
        if style:
            self.fills.setdefault(style, []).append(box)


class _Hatch:
    """Lines at 45 degrees inside boxes; both ways where a point is to be measured again."""

    def __init__(self, tall: float) -> None:
        self.tall = tall
        self.lines: list[str] = []

    def add(self, x: float, y: float, wide: float, *, crossed: bool) -> None:
        for a, down, long in self._runs(wide):
            self.lines.append(f"M{x + a:.1f} {y + down:.1f}l{long:.1f} {long:.1f}")
            if crossed:
                self.lines.append(f"M{x + a:.1f} {y + self.tall - down:.1f}l{long:.1f} {-long:.1f}")

    def _runs(self, wide: float) -> Iterator[tuple[float, float, float]]:
        """Start, depth of the start and length of each slanting line that fits a box."""
        at = _GAP - self.tall
        while at < wide:
            left, down = max(at, 0.0), max(-at, 0.0)
            long = min(self.tall - down, wide - left)
            if long > 0.5:
                yield left, down, long
            at += _GAP


def _drawn(bars: _Bars, hatched: _Hatch) -> str:
    fills = (f'<path d="{"".join(boxes)}" {style}/>' for style, boxes in bars.fills.items())
    return "".join(fills) + path("".join(hatched.lines), _STOP, 0.8) + path("".join(bars.edges), FAINT, 0.7)


_STYLES = (ACCENT, CORE, "", "", WALL, "")


def _segment(part: int, x: float, y: float, wide: float, bars: _Bars, hatched: _Hatch) -> None:
    if wide <= 0.0:
        return
    bars.add(_STYLES[part], x, y, wide)
    if part in (_FLAGGED, _AGAIN):
        hatched.add(x, y, wide, crossed=part == _AGAIN)


def _number(part: int, x: float, y: float, count: int) -> str:
    """The count in its part; on a patch of paper where lines would run through it."""
    style = _PAPER if part == 0 else INK
    digits = text(x, y + 8.8, str(count), f'{style} text-anchor="middle" font-weight="600"')
    if part not in (_FLAGGED, _AGAIN):
        return digits
    wide = 4.6 * len(str(count)) + 3.0
    return f'<rect x="{x - wide / 2:.1f}" y="{y + 1.5:.1f}" width="{wide:.1f}" height="9" {_PAPER}/>{digits}'


def _share(row: Stand, y: float) -> Iterator[str]:
    """A bar as long as the share of values within tolerance, with the count."""
    if not row.judged:
        yield text(_SHARE + 4, y + 9, "none judged yet", SOFT)
        return
    wide = (_SHARE_END - _SHARE) * row.within / row.judged
    yield path(f"M{_SHARE:.1f} {y + 6:.1f}h{wide:.1f}", 'class="c-line" stroke="#095a5e" fill="none"', 3.2)
    yield path(f"M{_SHARE + wide:.1f} {y + 1.5:.1f}v9", RULE, 1.2)
    yield text(_SHARE_END + 6, y + 9, f"{row.within} of {row.judged}", INK)


_PLACES = (0.0, 37.0, 122.0, 171.0, 252.0, 307.0)
"""Of the samples in the legend, from the left end of the bars."""


def _legend() -> str:
    """A sample of each part with its word, above the bars."""
    bars, hatched, words = _Bars(9.0), _Hatch(9.0), []
    for part, (word, place) in enumerate(zip(WORDS, _PLACES, strict=True)):
        x = _LEFT + place
        _segment(part, x, 1.0, 9.0, bars, hatched)
        words.append(text(x + 13, 8.4, word))
    return _drawn(bars, hatched) + group(SOFT, words)
