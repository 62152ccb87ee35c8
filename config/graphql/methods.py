"""The ways of measuring, as they are told to clients."""

import strawberry

from measurements.methods import METHODS
from measurements.methods.described import described


@strawberry.type(description="One thing that is read by a method.")
class MethodPlace:
    name: str
    words: str
    quantity: str
    units: list[str]
    use: str
    least: int
    line: str


@strawberry.type(description="One thing that is told and not read: from a plate, a table, another session.")
class MethodTold:
    name: str
    words: str
    quantity: str | None
    units: list[str]
    choices: list[str]
    needed: bool
    many: bool
    uncertain: bool


@strawberry.type(description="A way of measuring: what is read where, what is told, what comes of it.")
class MeasuringMethod:
    method: str
    words: str
    measurand: str
    unit: str
    points: list[str]
    air: bool
    plane: bool
    swept: bool
    places: list[MethodPlace]
    told: list[MethodTold]
    uses: list[str]
    cautions: list[str]


def measuring_methods() -> list[MeasuringMethod]:
    return [
        MeasuringMethod(
            **{
                **found,
                "places": [MethodPlace(**place) for place in found["places"]],
                "told": [MethodTold(**told) for told in found["told"]],
            }
        )
        for found in map(described, METHODS.values())
    ]
