"""The ways of measuring as plain data: for tablets, integrations and the published schemas."""

from typing import Any

from jobs.units import units_of
from measurements.calc.units import units_of as units_of_kind
from measurements.methods.base import MethodKind, Place, Told


def described(kind: MethodKind) -> dict[str, Any]:
    """All that one needs to know to post a session of this method."""
    return {
        "method": kind.method.value,
        "words": str(kind.method.label),
        "measurand": kind.measurand.value,
        "unit": kind.measurand.unit,
        "points": [point.value for point in kind.points],
        "air": kind.air,
        "plane": kind.plane,
        "swept": kind.swept,
        "places": [_place(place) for place in kind.places],
        "told": [_told(told) for told in kind.told],
        "uses": sorted(kind.uses),
        "cautions": list(kind.cautions),
    }


def _place(place: Place) -> dict[str, Any]:
    return {
        "name": place.name,
        "words": place.words,
        "quantity": place.quantity.value,
        "units": [unit.name for unit in units_of(place.quantity)],
        "use": place.use,
        "least": place.least,
        "line": place.line,
    }


def _told(told: Told) -> dict[str, Any]:
    return {
        "name": told.name,
        "words": told.words,
        "quantity": told.kind.value if told.kind else None,
        "units": [unit.ucum for unit in units_of_kind(told.kind)] if told.kind else [],
        "choices": list(told.choices),
        "needed": told.needed,
        "many": told.many,
        "uncertain": told.uncertain,
    }
