"""Velocity picture: shaded cells (rectangular), points on diameters (round) or strips along sweeps."""

import itertools
from collections import defaultdict
from collections.abc import Sequence
from math import atan2, cos, degrees, radians, sin

from reports.document import Quantity, Run, TraverseSheet
from reports.render.charts.base import ACCENT, INK, LEVELS, SOFT, frame, group, level, on_dark, shade, text
from reports.render.figures import Figures

_WIDTH, _LEFT, _TOP = 238.0, 16.0, 14.0
_CLEAR = 0.1  # share of the diameter round the axis that is kept free of numbers of sweeps
_STEPS = 12  # shaded steps along one sweep

Cell = str  # a rectangle as a piece of a path


def velocity_map(sheet: TraverseSheet, run: Run, figures: Figures) -> str:
    """Velocities of one run where they were measured, the number beside each, the scale below."""
    values = [r.velocity for r in run.readings] or [v for s in run.sweeps for v in (*s.series, s.mean)]
    if not values:
        values = [run.mean]
    span = min(values), max(values)
    if sheet.section.shape == "round":
        body, bottom = _round(sheet, run, figures, span)
    else:
        body, bottom = _flat(sheet, run, figures, span)
    return frame(_WIDTH, bottom + 20, _title(run, figures, span), body + _key(run, figures, span, bottom + 6))


def _title(run: Run, figures: Figures, span: tuple[float, float]) -> str:
    low, high, mean = (figures.plain(Quantity.VELOCITY, v) for v in (*span, run.mean))
    ratio = f", highest {span[1] / run.mean:.2f} times the mean" if run.mean > 0 else ""
    unit = figures.unit(Quantity.VELOCITY)
    return f"Velocities from {low} to {high} {unit}, mean {mean} {unit}{ratio}"


def _edges(places: Sequence[float], extent: float) -> list[float]:
    """Borders half-way between neighbours, from wall to wall."""
    return [0.0, *((a + b) / 2 for a, b in itertools.pairwise(places)), extent]


def _flat(sheet: TraverseSheet, run: Run, figures: Figures, span: tuple[float, float]) -> tuple[str, float]:
    s = sheet.section
    scale = min((_WIDTH - _LEFT - 2) / s.width, 150.0 / s.height)
    lines = sorted(sheet.lines, key=lambda line: line.offset or 0.0)
    xs = [_LEFT + x * scale for x in _edges([line.offset or 0.0 for line in lines], s.width)]
    columns = {line.label: (xs[i], xs[i + 1]) for i, line in enumerate(lines)}
    heads = [text((a + b) / 2, _TOP - 4, n) for n, (a, b) in columns.items()]
    drawn = _strips(run, columns, s.height * scale, span, figures) if run.sweeps else None
    body = drawn or _cells(sheet, run, columns, scale, span, figures)
    return group(ACCENT, heads, 'text-anchor="middle" font-weight="600"') + body, _TOP + s.height * scale


def _cells(
    sheet: TraverseSheet,
    run: Run,
    columns: dict[str, tuple[float, float]],
    scale: float,
    span: tuple[float, float],
    figures: Figures,
) -> str:
    """One cell a point with its number."""
    depths = {(p.line, p.index): p.depth for p in sheet.points}
    rows = sorted({p.index: p.depth for p in sheet.points}.items())
    ys = [_TOP + y * scale for y in _edges([d for _, d in rows], sheet.section.height)]
    bands = {index: (ys[i], ys[i + 1]) for i, (index, _) in enumerate(rows)}
    unit = figures.units[Quantity.VELOCITY]
    across = {n: (f"{a:.1f}", f"{b - a:.1f}", f"{(a + b) / 2:.1f}") for n, (a, b) in columns.items()}
    down = {k: (f"{a:.1f}", f"{b - a:.1f}", f"{(a + b) / 2 + 2.6:.1f}") for k, (a, b) in bands.items()}
    boxes: dict[int, list[Cell]] = defaultdict(list)
    labels: dict[bool, list[str]] = {True: [], False: []}
    for r in run.readings:
        if (r.line, r.index) not in depths or r.line not in columns:
            continue
        (x, w, middle), (y, h, base) = across[r.line], down[r.index]
        shaded = level(r.velocity, *span)
        boxes[shaded].append(f"M{x} {y}h{w}v{h}h-{w}z")
        label = f"{r.velocity * unit.factor:.{unit.decimals}f}"
        labels[on_dark(shaded)].append(f'<text x="{middle}" y="{base}">{label}</text>')
    names = [text(_LEFT - 6, (a + b) / 2 + 2.4, str(i)) for i, (a, b) in bands.items()]
    size = 'text-anchor="middle" font-weight="500" font-size="7.6"'
    if len(columns) > 7:
        size = 'text-anchor="middle" font-weight="500" font-size="6"'
    return (
        _boxes(boxes, 0.9)
        + group('fill="#000"', labels[False], size)
        + group('fill="#fff"', labels[True], size)
        + group(ACCENT, names, 'text-anchor="middle" font-weight="600"')
    )


def _boxes(boxes: dict[int, list[Cell]], gap: float) -> str:
    """Rectangles of one shade as one path each, with a white gap between them."""
    shapes = []
    for shaded, cells in sorted(boxes.items()):
        shapes.append(f'<path d="{"".join(cells)}" fill="{shade(shaded)}"/>')
    return group(f'class="c-gap" stroke="#fff" stroke-width="{gap}"', shapes) if gap else "".join(shapes)


def _thinned(series: Sequence[float], steps: int) -> list[float]:
    """Means of about equal stretches of a series, so that no more than `steps` remain."""
    count = min(steps, len(series))
    if len(series) % count == 0:
        each = len(series) // count
        return [sum(series[k : k + each]) / each for k in range(0, len(series), each)]
    cuts = [round(i * len(series) / count) for i in range(count + 1)]
    return [sum(series[a:b]) / (b - a) for a, b in itertools.pairwise(cuts)]


def _strips(
    run: Run,
    columns: dict[str, tuple[float, float]],
    height: float,
    span: tuple[float, float],
    figures: Figures,
) -> str:
    """One strip a sweep, shaded along the way of the probe, with its mean in the middle."""
    boxes: dict[int, list[Cell]] = defaultdict(list)
    tags, labels = [], []
    for s in run.sweeps:
        if s.line not in columns:
            continue
        x1, x2 = columns[s.line]
        steps = _thinned(s.series or (s.mean,), _STEPS)
        each = height / len(steps)
        x, shape = f"M{x1:.1f} ", f"h{x2 - x1:.1f}v{each:.1f}h-{x2 - x1:.1f}z"
        for i, v in enumerate(steps):
            boxes[level(v, *span)].append(f"{x}{_TOP + i * each:.1f}{shape}")
        middle, y = (x1 + x2) / 2, _TOP + height / 2
        tags.append(f'<rect x="{middle - 13:.1f}" y="{y - 6:.1f}" width="26" height="12" rx="2"/>')
        labels.append(text(middle, y + 2.7, figures.plain(Quantity.VELOCITY, s.mean)))
    return (
        _boxes(boxes, 0.0)
        + group('fill="#fff"', tags)
        + group('fill="#1b2733"', labels, 'text-anchor="middle" font-weight="600" font-size="7.6"')
    )


def _round(sheet: TraverseSheet, run: Run, figures: Figures, span: tuple[float, float]) -> tuple[str, float]:
    radius = 84.0
    cx, cy, scale = _WIDTH / 2, _TOP + radius + 3, 168.0 / sheet.section.width
    angles = {line.label: line.angle or 0.0 for line in sheet.lines}
    marks = _swept_marks(sheet, run) if run.sweeps else _point_marks(sheet, run)
    dots, labels = [], []
    for line, depth, velocity, labelled in marks:
        u, v = sin(radians(angles[line])), -cos(radians(angles[line]))
        x, y = cx + (radius - depth * scale) * u, cy + (radius - depth * scale) * v
        dots.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="3.6" fill="{shade(level(velocity, *span))}"/>')
        if labelled:
            labels.append(_beside(x, y, u, v, figures.plain(Quantity.VELOCITY, velocity)))
    out = radius + 8
    names = [text(cx + out * sin(radians(a)), cy - out * cos(radians(a)) + 2.4, n) for n, a in angles.items()]
    body = (
        f'<circle cx="{cx:.1f}" cy="{cy:.1f}" r="{radius}" class="c-faint" fill="none" stroke="#8fa3a8" '
        'stroke-width=".6"/>'
        + group('stroke="#52646c" stroke-width=".4"', dots)
        + group(INK, labels, 'font-size="6.6" font-weight="500"')
        + group(ACCENT, names, 'text-anchor="middle" font-weight="600"')
    )
    return body, cy + radius + 2


def _point_marks(sheet: TraverseSheet, run: Run) -> list[tuple[str, float, float, bool]]:
    """Line, depth, velocity and whether the number is written, for each reading that has a point."""
    depths = {(p.line, p.index): p.depth for p in sheet.points}
    return [
        (r.line, depths[r.line, r.index], r.velocity, True)
        for r in run.readings
        if (r.line, r.index) in depths and any(r.line == line.label for line in sheet.lines)
    ]


def _swept_marks(sheet: TraverseSheet, run: Run) -> list[tuple[str, float, float, bool]]:
    """The same for sweeps: steps evenly along the diameter, every other number written."""
    marks = []
    names = {line.label for line in sheet.lines}
    for s in run.sweeps:
        steps = _thinned(s.series or (s.mean,), _STEPS) if s.line in names else []
        for i, v in enumerate(steps):
            place = (i + 0.5) / len(steps)
            labelled = i % 3 == 1 and abs(place - 0.5) > _CLEAR
            marks.append((s.line, place * sheet.section.width, v, labelled))
    return marks


def _beside(x: float, y: float, u: float, v: float, label: str) -> str:
    """A number beside its point, written across the line so that neighbours do not meet."""
    px, py = -v, u  # across the line
    if px < -1e-6 or (abs(px) <= 1e-6 and py > 0):
        px, py = -px, -py
    if abs(py) < 0.01:
        return f'<text x="{x + 6:.1f}" y="{y + 2.3:.1f}">{label}</text>'
    tx, ty = x + 6 * px + 2.3 * abs(py), y + 6 * py
    turn = -90 if abs(px) < 0.01 else round(_degrees(px, py))
    return f'<text x="{tx:.1f}" y="{ty:.1f}" transform="rotate({turn} {tx:.1f} {ty:.1f})">{label}</text>'


def _degrees(x: float, y: float) -> float:
    return degrees(atan2(y, x))


def _key(run: Run, figures: Figures, span: tuple[float, float], y: float) -> str:
    """Scale from lowest to highest, with the mean."""
    steps = 12
    boxes = "".join(
        f'<rect x="{_LEFT + k * 8}" y="{y:.1f}" width="8.2" height="5" '
        f'fill="{shade(k * LEVELS // (steps - 1))}"/>'
        for k in range(steps)
    )
    low, high, mean = (figures.plain(Quantity.VELOCITY, v) for v in (*span, run.mean))
    unit = figures.unit(Quantity.VELOCITY)
    right = text(
        _WIDTH - 2, y + 6, f"mean {mean} {unit}", 'text-anchor="end" font-weight="600" font-size="7.6"'
    )
    ends = [text(_LEFT, y + 13, low), text(_LEFT + steps * 8, y + 13, high, 'text-anchor="end"')]
    ratio = f"highest to mean {span[1] / run.mean:.2f}" if run.mean > 0 else ""
    return (
        boxes
        + group(INK, [*ends, right])
        + group(SOFT, [text(_WIDTH - 2, y + 14, ratio, 'text-anchor="end"')])
    )
