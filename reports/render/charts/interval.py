"""Outlets as intervals against their tolerance, worst first; shares of an uncertainty budget as bars."""

from collections.abc import Sequence

from reports.document import BudgetRow, OutletRow, Result, Verdict
from reports.render.charts.base import CORE, GRID, INK, RULE, SOFT, WARN, frame, group, path, text
from reports.render.figures import number

_WIDTH, _LEFT, _RIGHT, _ROW = 516.0, 62.0, 440.0, 11.0
MOST = 40  # outlets in one plot; the table lists all


def worst_first(rows: Sequence[OutletRow]) -> list[OutletRow]:
    """Outlets with a share of design, those that lie farthest out of their tolerance first."""
    return sorted((r for r in rows if r.final.share is not None), key=lambda r: (-_excess(r.final), r.tag))


def _excess(result: Result) -> float:
    """Distance from design in units of the tolerance on that side."""
    off = (result.share or 0.0) - 1
    limits = result.tolerance
    limit = 0.1 if limits is None else (limits.upper if off > 0 else -limits.lower)
    return abs(off) / max(limit, 1e-6)


def interval_plot(rows: Sequence[OutletRow]) -> str:
    """Bars of interval against tolerance band; first round pale and thin, last round full."""
    shown = worst_first(rows)[:MOST]
    low, high = _window(shown)

    per = (_RIGHT - _LEFT) / (high - low)

    def x(share: float) -> float:
        place = _LEFT + (share - low) * per
        return _LEFT if place < _LEFT else _RIGHT if place > _RIGHT else place

    height = len(shown) * _ROW
    ticks = [t / 100 for t in range(round(low * 100), round(high * 100) + 1, _step(high - low))]
    grid = path("".join(f"M{x(t):.1f} 4v{height + 4:.0f}" for t in ticks), GRID, 0.5)
    axis = [text(x(t), height + 17, f"{number(t * 100, 0)} %") for t in ticks]
    bands, first, bars, dots, names, words = [], [], [], [], [], []
    for i, row in enumerate(shown):
        y, result = 6 + i * _ROW + _ROW / 2, row.final
        share, spread = result.share or 0.0, result.share_expanded or 0.0
        if result.tolerance:
            a, b = x(1 + result.tolerance.lower), x(1 + result.tolerance.upper)
            bands.append(f"M{a:.1f} {y - _ROW / 2:.1f}H{b:.1f}v{_ROW:.0f}H{a:.1f}z")
        if row.first is not None and result.design:
            first.append(f"M{x(row.first.value / result.design):.1f} {y - 3:.1f}v6")
        bars.append(f"M{x(share - spread):.1f} {y:.1f}H{x(share + spread):.1f}")
        dots.append(f"M{x(share):.1f} {y - 3.4:.1f}v6.8")
        names.append(text(_LEFT - 8, y + 2.4, row.tag[:20]))
        words.append(
            text(_RIGHT + 8, y + 2.4, _WORDS[result.verdict], "" if _good(result) else 'font-weight="600"')
        )
    body = (
        f'<path d="{"".join(bands)}" {CORE}/>'
        + grid
        + path("".join(first), 'class="c-found" stroke="#6d8087" fill="none"', 1.3)
        + path("".join(bars), 'class="c-line" stroke="#095a5e" fill="none"', 3.2)
        + path("".join(dots), RULE, 1.2)
        + path(f"M{x(1.0):.1f} 4v{height + 4:.0f}", RULE, 0.4)
        + group(INK, names, 'text-anchor="end"')
        + group(INK, words)
        + group(SOFT, axis, 'text-anchor="middle"')
    )
    return frame(_WIDTH, height + 21, _title(shown), body)


_WORDS = {
    Verdict.PASS: "pass",
    Verdict.CONDITIONAL_PASS: "conditional pass",
    Verdict.CONDITIONAL_FAIL: "conditional fail",
    Verdict.FAIL: "fail",
    Verdict.NOT_DECIDABLE: "not decidable",
}


def _good(result: Result) -> bool:
    return result.verdict in (Verdict.PASS, Verdict.CONDITIONAL_PASS)


def _window(rows: Sequence[OutletRow]) -> tuple[float, float]:
    """Ends of the axis in shares of design: all intervals, design and band, in whole tens of per cent."""
    ends = [0.85, 1.15]
    for row in rows:
        share, spread = row.final.share or 0.0, row.final.share_expanded or 0.0
        ends += [share - spread, share + spread]
        if row.first is not None and row.final.design:
            ends.append(row.first.value / row.final.design)
    low, high = max(min(ends), 0.0), min(max(ends), 2.0)
    return low * 10 // 1 / 10, -(-high * 10 // 1) / 10


def _step(width: float) -> int:
    """Per cent between ticks."""
    return 10 if width <= 0.8 else 20 if width <= 1.4 else 50


def _title(rows: Sequence[OutletRow]) -> str:
    good = sum(_good(r.final) for r in rows)
    worst = (
        f"; worst {rows[0].tag} at {number((rows[0].final.share or 0) * 100, 0)} % of design" if rows else ""
    )
    return f"{good} of {len(rows)} outlets pass or pass conditionally{worst}"


def budget_bars(rows: Sequence[BudgetRow]) -> str:
    """Shares of the variance, largest first."""
    ordered = sorted(rows, key=lambda r: -r.share)
    bars, names, shares = [], [], []
    for i, row in enumerate(ordered):
        y = 4 + i * 12
        bars.append(f'<rect x="120" y="{y}" width="{max(row.share * 90, 0.4):.1f}" height="7"/>')
        names.append(text(114, y + 6, row.source[:34]))
        shares.append(text(124 + row.share * 90, y + 6, f"{number(row.share * 100, 0)} %"))
    top = ordered[0] if ordered else None
    title = f"{top.source} gives {number(top.share * 100, 0)} % of the variance" if top else "No budget"
    body = (
        group('class="c-bar" fill="#4f8a8d"', bars[1:])
        + group(WARN, bars[:1])
        + group(INK, names, 'text-anchor="end"')
        + group(INK, shares)
    )
    return frame(240, 8 + 12 * len(ordered), title, body)
