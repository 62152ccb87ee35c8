"""A duct's size in one cell, as schedules have it: 500 x 400, 20"x16", ø250, 10" dia."""

import re
from dataclasses import dataclass

from django.utils.translation import gettext

from jobs.sheets.figures import Figure, NoFigure, read_figure

_ROUND_BEFORE = re.compile(r"(?:ø|⌀|dia(?:m(?:eter)?)?\b\.?|d\s*=)\s*(.+)", re.IGNORECASE)
_ROUND_BEHIND = re.compile(r"(.+?)\s*(?:ø|⌀|dia(?:m(?:eter)?)?\.?|round|rd\.?)", re.IGNORECASE)
_TIMES = re.compile(r"\s*[x×*]\s*", re.IGNORECASE)
_HOW = "write it as 500 x 400 or ø250"


class NoSize(ValueError):
    """The text is no size; the message says what to do."""


@dataclass(frozen=True)
class Size:
    """One figure or two, the unit behind them, and whether it is marked as a diameter."""

    figures: tuple[Figure, ...]
    unit: str
    is_round: bool


def read_size(text: str) -> Size:
    """Takes a size apart. Raises NoSize when it is none."""
    plain = text.strip()
    is_round = False
    for pattern in (_ROUND_BEFORE, _ROUND_BEHIND):
        found = pattern.fullmatch(plain)
        if found:
            plain, is_round = found.group(1), True
            break
    parts = _TIMES.split(plain)
    if len(parts) > 2 or (is_round and len(parts) > 1):
        raise NoSize(gettext("'%(text)s' is no size of a duct; %(how)s") % {"text": text[:30], "how": _HOW})
    try:
        figures = tuple(read_figure(part) for part in parts)
    except NoFigure:
        raise NoSize(
            gettext("'%(text)s' is no size of a duct; %(how)s") % {"text": text[:30], "how": _HOW}
        ) from None
    units = {figure.unit for figure in figures} - {""}
    if len(units) > 1:
        raise NoSize(gettext("'%(text)s' has two units; %(how)s") % {"text": text[:30], "how": _HOW})
    return Size(figures, units.pop() if units else "", is_round)
