"""Shared strokes of the pictures: colours, texts, the frame, spreading of labels."""

from collections.abc import Iterable, Sequence
from functools import cache
from html import escape

from reports.render.fonts import SANS

INK = 'class="c-ink" fill="#1b2733"'
SOFT = 'class="c-soft" fill="#52646c"'
ACCENT = 'class="c-accent" fill="#095a5e"'
WARN = 'class="c-warn" fill="#a04414"'
RULE = 'class="c-rule" stroke="#1b2733" fill="none"'
FAINT = 'class="c-faint" stroke="#8fa3a8" fill="none"'
GRID = 'class="c-grid" stroke="#dfe6e8" fill="none"'
WALL = 'class="c-wall" fill="#d5dde0"'
BAND = 'class="c-band" fill="#dcebe6"'
CORE = 'class="c-core" fill="#a9d1c2"'

# For pages: paper colours are the attributes, so the light rules need nothing but the size.
CHART_CSS = """.chart{width:100%;height:auto}
.chart.fixed{width:auto}
@media (prefers-color-scheme:dark){
.chart .c-ink{fill:var(--ink,#e8eef0)}.chart .c-soft{fill:var(--soft,#a9b8be)}
.chart .c-accent{fill:var(--accent,#6fc3c0)}.chart .c-warn{fill:var(--warn,#e6a26f)}
.chart .c-rule{stroke:var(--ink,#e8eef0)}.chart .c-faint{stroke:#6d8087}.chart .c-grid{stroke:#33424a}
.chart .c-wall{fill:#3a4a52}.chart .c-band{fill:#1f3a38}.chart .c-core{fill:#2f5f58}
.chart .c-line{stroke:var(--accent,#6fc3c0)}.chart .c-pale{stroke:#6f9c9b}
.chart .c-mean{stroke:var(--warn,#e6a26f)}
.chart .c-found{stroke:#a9b8be}.chart .c-paper{fill:var(--paper,#12191d)}.chart .c-bar{fill:#6fb0ad}}
"""

_SPECIAL = frozenset("&<>\"'")
_LIGHT, _DEEP = (236, 244, 242), (6, 74, 80)
LEVELS = 24


@cache
def shade(level: int) -> str:
    """Colour of a level from 0 (lowest) to LEVELS: one hue, light to deep, so grey print keeps the order."""
    t = (level / LEVELS) ** 1.15
    return "#" + "".join(f"{round(a + (b - a) * t):02x}" for a, b in zip(_LIGHT, _DEEP, strict=True))


def level(value: float, lowest: float, highest: float) -> int:
    """Level of a value between the lowest and the highest; the middle if they are equal."""
    span = highest - lowest
    return round((value - lowest) / span * LEVELS) if span > 0 else LEVELS // 2


@cache
def on_dark(shade_level: int) -> bool:
    """Whether text on that level is better white than black: one of them has a contrast of 4.5 (WCAG 2)."""
    parts = [int(shade(shade_level)[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    luminance = 0.2126 * red + 0.7152 * green + 0.0722 * blue
    return bool(luminance + 0.05 < 0.0525**0.5)


def frame(width: float, height: float, title: str, body: str, name: str = "chart") -> str:
    """A complete picture of so many points; `title` is the finding."""
    return (
        f'<svg class="{name}" xmlns="http://www.w3.org/2000/svg" width="{width:.0f}pt" '
        f'height="{height:.0f}pt" viewBox="0 0 {width:.0f} {height:.0f}" font-family="{SANS}" '
        'font-size="6.8">'
        f"<title>{escape(title)}</title>{body}</svg>"
    )


def group(style: str, parts: Iterable[str], more: str = "") -> str:
    """Elements that share a style."""
    return f"<g {style}{' ' + more if more else ''}>{''.join(parts)}</g>"


def text(x: float, y: float, content: str, more: str = "") -> str:
    """A text at its baseline; the content is escaped."""
    shown = content if _SPECIAL.isdisjoint(content) else escape(content)
    return f'<text x="{x:.1f}" y="{y:.1f}"{" " + more if more else ""}>{shown}</text>'


def path(d: str, style: str, width: float, more: str = "") -> str:
    """A stroked path."""
    return f'<path d="{d}" {style} stroke-width="{width}"{" " + more if more else ""}/>'


def spread(places: Sequence[float], gap: float) -> list[float]:
    """Places of labels pushed apart to at least `gap`, order kept, the middle of each crowd where it was."""
    order = sorted(range(len(places)), key=places.__getitem__)
    crowds: list[list[float]] = []  # [middle, count]
    for i in order:
        crowds.append([places[i], 1.0])
        while len(crowds) > 1 and _touch(crowds[-2], crowds[-1], gap):
            b, a = crowds.pop(), crowds.pop()
            n = a[1] + b[1]
            crowds.append([(a[0] * a[1] + b[0] * b[1]) / n, n])
    flat = [m + (k - (n - 1) / 2) * gap for m, n in crowds for k in range(int(n))]
    out = [0.0] * len(places)
    for i, y in zip(order, flat, strict=True):
        out[i] = y
    return out


def _touch(a: list[float], b: list[float], gap: float) -> bool:
    return b[0] - a[0] < gap * (a[1] + b[1]) / 2
