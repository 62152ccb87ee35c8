"""The public address as a QR code (ISO/IEC 18004), drawn as one vector path."""

from collections.abc import Sequence
from html import escape

import segno

MODULE = 1.35  # points; 0.48 mm, legible for a phone's camera from paper
QUIET = 4  # light modules around, as the standard asks
ALT = "QR code with the public address at which this report is checked"


def matrix(address: str) -> Sequence[Sequence[int]]:
    """Dark (1) and light (0) modules, without the quiet zone; error correction M (15 %)."""
    return [[int(cell & 1) for cell in row] for row in segno.make(address, error="m", micro=False).matrix]


def picture(address: str) -> str:
    """An SVG of the code with its quiet zone and alternative text."""
    rows = matrix(address)
    side = len(rows) + 2 * QUIET
    size = round(side * MODULE, 2)
    return (
        f'<svg width="{size}pt" height="{size}pt" viewBox="0 0 {side} {side}"><title>{escape(ALT)}</title>'
        f'<path fill="#000" d="{"".join(_runs(rows))}"/></svg>'
    )


def _runs(rows: Sequence[Sequence[int]]) -> Sequence[str]:
    """Neighbouring dark modules of a row as one rectangle each."""
    found = []
    for y, row in enumerate(rows, QUIET):
        start = None
        for x, dark in enumerate([*row, 0], QUIET):
            if dark and start is None:
                start = x
            elif not dark and start is not None:
                found.append(f"M{start} {y}h{x - start}v1h{start - x}z")
                start = None
    return found
