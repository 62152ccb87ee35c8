"""Words in the cells of a design schedule that stand for one of a list: values, labels, what people write.

The further words are common practice, no source.
"""

from enum import Enum

from jobs.models.plan import DensityBasis, PointKind, Shape, SystemKind
from jobs.schedule_columns import Column

_OTHERS: dict[Column, dict[str, Enum]] = {
    Column.KIND: {
        "traverse": PointKind.PLANE,
        "diffuser": PointKind.OUTLET,
        "grille": PointKind.OUTLET,
        "register": PointKind.OUTLET,
        "air terminal": PointKind.OUTLET,
        "ahu": PointKind.UNIT,
    },
    Column.SYSTEM_KIND: {
        "sa": SystemKind.SUPPLY,
        "ra": SystemKind.RETURN,
        "ea": SystemKind.EXHAUST,
        "oa": SystemKind.OUTDOOR,
        "extract": SystemKind.EXHAUST,
        "extract air": SystemKind.EXHAUST,
        "outside air": SystemKind.OUTDOOR,
        "fresh air": SystemKind.OUTDOOR,
        "chilled water": SystemKind.WATER,
        "heating water": SystemKind.WATER,
    },
    Column.SHAPE: {
        "rect": Shape.RECTANGULAR,
        "rect.": Shape.RECTANGULAR,
        "rectangle": Shape.RECTANGULAR,
        "circular": Shape.ROUND,
    },
    Column.BASIS: {
        "acfm": DensityBasis.ACTUAL,
        "scfm": DensityBasis.STANDARD,
        "std": DensityBasis.STANDARD,
    },
}
LISTS: dict[Column, type[Enum]] = {
    Column.KIND: PointKind,
    Column.SYSTEM_KIND: SystemKind,
    Column.SHAPE: Shape,
    Column.BASIS: DensityBasis,
}
WORDS: dict[Column, dict[str, Enum]] = {
    column: {
        **{str(getattr(value, "label", "")).casefold(): value for value in values},
        **{str(value.value): value for value in values if value.value},
        **_OTHERS[column],
    }
    for column, values in LISTS.items()
}
"""What each word means, in small letters."""


def listed(column: Column) -> str:
    """The words to write, for a sentence."""
    return ", ".join(str(value.value) for value in LISTS[column] if value.value)
