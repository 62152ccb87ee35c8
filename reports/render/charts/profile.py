"""Velocity profile: velocity over the place along the width or along the diameters, with the mean."""

from dataclasses import dataclass

from reports.document import Quantity, Run, TraverseSheet
from reports.render.charts.base import ACCENT, GRID, SOFT, frame, group, path, spread, text
from reports.render.figures import Figures, number

_WIDTH, _HEIGHT = 238.0, 118.0
_X, _Y, _W, _H = 24.0, 6.0, 172.0, 92.0
_STYLES = (
    ('class="c-line" stroke="#095a5e" fill="none"', 1.5, ""),
    ('class="c-pale" stroke="#5f8f92" fill="none"', 0.9, ""),
    ('class="c-pale" stroke="#5f8f92" fill="none"', 0.9, 'stroke-dasharray="1.5 1.2"'),
)


@dataclass(frozen=True, slots=True)
class Curve:
    """A named series of (place in m, velocity in m/s)."""

    name: str
    points: list[tuple[float, float]]


def profile(sheet: TraverseSheet, run: Run, figures: Figures) -> str:
    """The velocity profile of one run."""
    curves, across = _curves(sheet, run)
    values = [figures.shown(Quantity.VELOCITY, v) for c in curves for _, v in c.points]
    mean = figures.shown(Quantity.VELOCITY, run.mean)
    low, high, step = scale_of(min([*values, mean]), max([*values, mean]))

    def y(velocity: float) -> float:
        return _Y + _H - (figures.shown(Quantity.VELOCITY, velocity) - low) / (high - low) * _H

    decimals = max(0, -exponent(step))
    ticks = [low + k * step for k in range(round((high - low) / step) + 1)]
    grid = "".join(f"M{_X} {_Y + _H - (t - low) / (high - low) * _H:.1f}h{_W:.0f}" for t in ticks)
    labels = [text(_X - 4, _Y + _H - (t - low) / (high - low) * _H + 2.4, number(t, decimals)) for t in ticks]
    drawn = [_drawn(c, i, sheet.section.width, y) for i, c in enumerate(curves)]
    body = (
        path(grid, GRID, 0.5)
        + group(SOFT, labels, 'text-anchor="end"')
        + path(
            f"M{_X} {y(run.mean):.1f}h{_W:.0f}",
            'class="c-mean" stroke="#a04414" fill="none"',
            0.8,
            'stroke-dasharray="4 2"',
        )
        + "".join(drawn)
        + _names(curves, y)
        + _places(sheet, across)
    )
    return frame(_WIDTH, _HEIGHT, _title(curves, run, figures, across), body)


def _title(curves: list[Curve], run: Run, figures: Figures, across: bool) -> str:
    way = "across the width" if across else "along the diameters"
    unit = figures.unit(Quantity.VELOCITY)
    named = "; ".join(
        f"{c.name}: " + ", ".join(figures.plain(Quantity.VELOCITY, v) for _, v in c.points) for c in curves
    )
    return f"Velocity profile {way}, {unit}, mean {figures.plain(Quantity.VELOCITY, run.mean)}. {named}"


def _curves(sheet: TraverseSheet, run: Run) -> tuple[list[Curve], bool]:
    """Curves to draw, the strongest first, and whether the place runs across the width."""
    if sheet.section.shape == "round":
        return _diameters(sheet, run), False
    offsets = {line.label: line.offset or 0.0 for line in sheet.lines}
    if run.sweeps:
        means = sorted((offsets[s.line], s.mean) for s in run.sweeps if s.line in offsets)
        return [Curve("mean", means)], True
    indices = sorted({r.index for r in run.readings})
    chosen = list(dict.fromkeys(indices[i] for i in (len(indices) // 2, 0, -1))) if indices else []
    rows = [
        (
            f"depth {k}",
            sorted((offsets[r.line], r.velocity) for r in run.readings if r.index == k and r.line in offsets),
        )
        for k in chosen
    ]
    return [Curve(name, points) for name, points in rows], True


def _diameters(sheet: TraverseSheet, run: Run) -> list[Curve]:
    depths = {(p.line, p.index): p.depth for p in sheet.points}
    curves = []
    for line in sheet.lines[: len(_STYLES)]:
        found = [
            (depths[r.line, r.index], r.velocity)
            for r in run.readings
            if r.line == line.label and (r.line, r.index) in depths
        ]
        for s in run.sweeps:
            if s.line == line.label and s.series:
                each = sheet.section.width / len(s.series)
                found += [((i + 0.5) * each, v) for i, v in enumerate(s.series)]
        curves.append(Curve(f"line {line.label}", sorted(found)))
    return [c for c in curves if c.points]


def scale_of(low: float, high: float) -> tuple[float, float, float]:
    """Round ends and step of an axis that holds low..high in four to eight steps."""
    span = max(high - low, abs(high) * 0.02, 1e-9)
    step = 10.0 ** exponent(span / 4)
    for factor in (1, 2, 5, 10):
        if span / (step * factor) <= 6:
            step *= factor
            break
    bottom, top = step * (low // step), step * -(-high // step)
    return (bottom, top, step) if top > bottom else (bottom, bottom + step, step)


def exponent(value: float) -> int:
    """Power of ten of a number."""
    return int(f"{value:e}".partition("e")[2])


def _drawn(curve: Curve, index: int, extent: float, y) -> str:  # type: ignore[no-untyped-def]
    style, width, dash = _STYLES[index % len(_STYLES)]
    places = [(_X + p / extent * _W, y(v)) for p, v in curve.points]
    line = "M" + "L".join(f"{a:.1f} {b:.1f}" for a, b in places)
    marks = (
        "" if len(places) > 24 else "".join(f'<circle cx="{a:.1f}" cy="{b:.1f}" r="1.7"/>' for a, b in places)
    )
    dots = group('class="c-paper" fill="#fff" stroke="#095a5e" stroke-width=".8"', [marks]) if marks else ""
    return path(line, style, width, dash) + dots


def _names(curves: list[Curve], y) -> str:  # type: ignore[no-untyped-def]
    ends = spread([y(c.points[-1][1]) if c.points else _Y for c in curves], 7.6)
    first, rest = ACCENT + ' font-weight="600"', SOFT
    return "".join(
        group(rest if i else first, [text(_X + _W + 3, e + 2.4, c.name)])
        for i, (c, e) in enumerate(zip(curves, ends, strict=True))
    )


def _places(sheet: TraverseSheet, across: bool) -> str:
    """Names under the axis: the lines across the width, or wall and axis of a round duct."""
    if across:
        width = sheet.section.width
        labels = [text(_X + (n.offset or 0.0) / width * _W, _Y + _H + 9, n.label) for n in sheet.lines]
    else:
        labels = [
            text(_X + _W * f, _Y + _H + 9, name)
            for f, name in ((0.06, "hole"), (0.5, "axis"), (0.93, "far wall"))
        ]
    return group(ACCENT, labels, 'text-anchor="middle" font-weight="600"')
