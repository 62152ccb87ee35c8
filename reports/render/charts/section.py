"""Section of the duct to scale: points where they are, holes, depths on the tape, flow, disturbances."""

from math import cos, radians, sin

from reports.document import Quantity, TraverseSheet
from reports.render.charts.base import (
    ACCENT,
    FAINT,
    INK,
    RULE,
    SOFT,
    WALL,
    frame,
    group,
    path,
    spread,
    text,
)
from reports.render.figures import Figures, number

_WIDTH, _LEFT, _TOP, _RULER = 265.0, 26.0, 34.0, 65.0
_WALL_DRAWN = (3.0, 7.0)  # a wall is never drawn thinner or thicker than this


def section_drawing(sheet: TraverseSheet, figures: Figures) -> str:
    """The plane of a traverse, seen along the duct with the holes at the top, and the straight run below."""
    room = _WIDTH - _LEFT - _RULER
    scale = min(room / sheet.section.width, 150.0 / sheet.section.height)
    drawn = _round(sheet, figures, scale) if sheet.section.shape == "round" else _flat(sheet, figures, scale)
    body, bottom = drawn
    strip, height = _straight_run(sheet, bottom + 12)
    return frame(_WIDTH, height, _title(sheet, figures), body + strip)


def _title(sheet: TraverseSheet, figures: Figures) -> str:
    s, unit = sheet.section, figures.unit(Quantity.LENGTH)
    size = (
        figures.tape(s.width)
        if s.shape == "round"
        else f"{figures.tape(s.width)} by {figures.tape(s.height)}"
    )
    names = ", ".join(line.label for line in sheet.lines)
    runs = "; ".join(f"{d.what} {d.diameters:.1f} diameters {d.side}" for d in sheet.disturbances)
    count = f"{len(sheet.points)} points on" if sheet.points else "sweeps along"
    tail = f". Straight run: {runs}" if runs else ""
    return f"{s.shape.replace('_', ' ').capitalize()} duct, {size} {unit} inside, {count} lines {names}{tail}"


def _wall(sheet: TraverseSheet, scale: float) -> float:
    return min(max(sheet.section.wall * scale, _WALL_DRAWN[0]), _WALL_DRAWN[1])


def _depths(sheet: TraverseSheet) -> list[float]:
    """Depths of the points of the first line; all lines share them in every rule."""
    first = sheet.lines[0].label if sheet.lines else ""
    return [p.depth for p in sheet.points if p.line == first]


def _hole(label: str, x: float, y: float) -> str:
    return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="5.6"/>' + text(
        x, y + 2.5, label, 'class="c-paper" fill="#fff" font-weight="600"'
    )


def _dots(places: list[tuple[float, float]]) -> str:
    return group(ACCENT, (f'<circle cx="{x:.1f}" cy="{y:.1f}" r="1.9"/>' for x, y in places))


def _grid_dots(sheet: TraverseSheet, xs: dict[str, float], scale: float) -> str:
    """Dots of lines that stand upright: the places across are written once a line."""
    starts = {name: f'<circle cx="{x:.1f}" cy="' for name, x in xs.items()}
    dots = [f'{starts[p.line]}{_TOP + p.depth * scale:.1f}" r="1.9"/>' for p in sheet.points if p.line in xs]
    return group(ACCENT, dots)


def _flat(sheet: TraverseSheet, figures: Figures, scale: float) -> tuple[str, float]:
    """Rectangular or flat-oval section: body and its lower edge."""
    s, t = sheet.section, _wall(sheet, scale)
    w, h = s.width * scale, s.height * scale
    corner = f' rx="{h / 2:.1f}"' if s.shape == "flat_oval" else ""
    outer = f' rx="{h / 2 + t:.1f}"' if corner else ""
    xs = {line.label: _LEFT + (line.offset or 0.0) * scale for line in sheet.lines}
    lines = "".join(f"M{x:.1f} {_TOP - t - 6:.1f}V{_TOP + h:.1f}" for x in xs.values())
    depths = _depths(sheet)
    body = [
        f'<rect x="{_LEFT - t:.1f}" y="{_TOP - t:.1f}" width="{w + 2 * t:.1f}" '
        f'height="{h + 2 * t:.1f}"{outer} {WALL}/>',
        f'<rect x="{_LEFT}" y="{_TOP}" width="{w:.1f}" height="{h:.1f}"{corner} class="c-rule c-paper" '
        'fill="#fff" stroke="#1b2733" stroke-width=".9"/>',
        path(lines, FAINT, 0.5, 'stroke-dasharray="2 1.6"'),
        group(
            ACCENT, (_hole(n, x, _TOP - t - 12) for n, x in xs.items()), 'text-anchor="middle" font-size="7"'
        ),
        _grid_dots(sheet, xs, scale),
        group(
            ACCENT,
            (text(_LEFT - t - 5, _TOP + d * scale + 2.4, str(i)) for i, d in enumerate(depths, 1)),
            'text-anchor="end" font-weight="600"',
        ),
        _across(sheet, figures, scale, _TOP + h + t + 9),
        _ruler(depths, s.height, figures, scale, _LEFT + w + t + 9),
    ]
    return "".join(body), _TOP + h + t + 31


def _across(sheet: TraverseSheet, figures: Figures, scale: float, y: float) -> str:
    """Running dimensions of the holes from the left wall."""
    width = sheet.section.width
    places = [0.0, *(line.offset or 0.0 for line in sheet.lines), width]
    xs = [_LEFT + p * scale for p in places]
    gap = 15.0 if figures.system == "SI" else 24.0
    rows = 1 if gap * len(xs) <= xs[-1] - xs[0] + gap else 2
    shown = [0.0] * len(xs)
    for row in range(rows):  # a crowd of labels goes to two rows
        shown[row::rows] = spread(xs[row::rows], gap)
    ticks = "".join(f"M{x:.1f} {y - 3:.1f}v6" for x in xs)
    labels = [
        text(a, y + 11 + 7 * (k % rows), figures.tape(p))
        for k, (a, p) in enumerate(zip(shown, places, strict=True))
    ]
    caption = f"holes in the {sheet.section.face} face, {figures.unit(Quantity.LENGTH)} from the left wall"
    return (
        path(f"M{xs[0]:.1f} {y:.1f}H{xs[-1]:.1f}{ticks}", RULE, 0.5)
        + group(INK, labels, 'text-anchor="middle"')
        + group(
            SOFT,
            [text((xs[0] + xs[-1]) / 2, y + 13 + 7 * rows, caption)],
            'text-anchor="middle" font-size="6.4"',
        )
    )


def _ruler(depths: list[float], extent: float, figures: Figures, scale: float, x: float) -> str:
    """Insertion depths from the inside wall at the hole, as read on the tape."""
    places = [0.0, *depths, extent]
    ys = [_TOP + p * scale for p in places]
    shown = spread(ys, 7.6)
    ticks = "".join(f"M{x - 3:.1f} {y:.1f}h6L{x + 6:.1f} {s:.1f}" for y, s in zip(ys, shown, strict=True))
    labels = [text(x + 8, s + 2.4, figures.tape(p)) for s, p in zip(shown, places, strict=True)]
    middle, along = (ys[0] + ys[-1]) / 2, x + 40
    turned = f'text-anchor="middle" font-size="6.4" transform="rotate(90 {along:.1f} {middle:.1f})"'
    return (
        path(f"M{x:.1f} {ys[0]:.1f}V{ys[-1]:.1f}{ticks}", RULE, 0.5)
        + group(INK, labels)
        + group(SOFT, [text(along, middle, f"depth inside, {figures.unit(Quantity.LENGTH)}", turned)])
    )


def _round(sheet: TraverseSheet, figures: Figures, scale: float) -> tuple[str, float]:
    """Round section: body and its lower edge."""
    t, radius = _wall(sheet, scale), sheet.section.width * scale / 2
    cx, cy = _LEFT + (_WIDTH - _LEFT - _RULER) / 2 - 6, _TOP + radius
    ways = {
        line.label: (sin(radians(line.angle or 0)), -cos(radians(line.angle or 0))) for line in sheet.lines
    }
    lines = "".join(
        f"M{cx + (radius + t + 6) * u:.1f} {cy + (radius + t + 6) * v:.1f}"
        f"L{cx - radius * u:.1f} {cy - radius * v:.1f}"
        for u, v in ways.values()
    )
    dots = [
        (cx + (radius - p.depth * scale) * ways[p.line][0], cy + (radius - p.depth * scale) * ways[p.line][1])
        for p in sheet.points
        if p.line in ways
    ]
    out = radius + t + 12
    holes = [_hole(n, cx + out * u, cy + out * v) for n, (u, v) in ways.items()]
    size = f"inside diameter {figures.tape(sheet.section.width)} {figures.unit(Quantity.LENGTH)}"
    body = [
        f'<circle cx="{cx:.1f}" cy="{cy:.1f}" r="{radius + t:.1f}" {WALL}/>',
        f'<circle cx="{cx:.1f}" cy="{cy:.1f}" r="{radius:.1f}" class="c-rule c-paper" fill="#fff" '
        'stroke="#1b2733" stroke-width=".9"/>',
        path(lines, FAINT, 0.5, 'stroke-dasharray="2 1.6"'),
        group(ACCENT, holes, 'text-anchor="middle" font-size="7"'),
        _dots(dots),
        _ruler(_depths(sheet), sheet.section.width, figures, scale, _WIDTH - _RULER + 4),
        group(SOFT, [text(cx, cy + radius + t + 11, size)], 'text-anchor="middle" font-size="6.4"'),
    ]
    return "".join(body), cy + radius + t + 16


def _straight_run(sheet: TraverseSheet, y: float) -> tuple[str, float]:
    """The duct from the side: flow direction, plane, disturbances to scale; and its lower edge."""
    before = [d for d in sheet.disturbances if d.side == "before"]
    after = [d for d in sheet.disturbances if d.side == "after"]
    if not sheet.disturbances:
        return "", y
    low = max((d.diameters for d in before), default=1.0)
    high = max((d.diameters for d in after), default=1.0)
    left, right = _LEFT - 6, _WIDTH - 30
    unit = (right - left) / (low + high)
    plane, top, end = left + low * unit, y + 6, y + 22
    duct = f"M{left:.1f} {top:.1f}H{right:.1f}M{left:.1f} {end:.1f}H{right:.1f}"
    marks = [(plane - d.diameters * unit, d) for d in before] + [
        (plane + d.diameters * unit, d) for d in after
    ]
    ends = "".join(f"M{x:.1f} {top - 3:.1f}V{end + 3:.1f}" for x, _ in marks)
    middle = (top + end) / 2
    arrow = f"M{left + 6:.1f} {middle:.1f}h18m-4 -3l4 3l-4 3"
    labels = [
        text(min(max(x, left), right), end + 11, f"{d.what} {number(d.diameters, 1)} D", _anchor(d.side))
        for x, d in marks
    ]
    label = text(plane, top - 3, "plane", 'text-anchor="middle" font-weight="600"')
    return (
        path(duct + arrow, RULE, 0.7)
        + path(ends, FAINT, 1.6)
        + path(f"M{plane:.1f} {top:.1f}V{end:.1f}", 'class="c-line" stroke="#095a5e" fill="none"', 1.6)
        + group(ACCENT, [label])
        + group(SOFT, labels, 'font-size="6.4"')
    ), end + 14


def _anchor(side: str) -> str:
    return 'text-anchor="start"' if side == "before" else 'text-anchor="end"'
