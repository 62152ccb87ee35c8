"""What each way of measuring takes: what is read where with what, what must be told, and for which points.

One table. Intake checks sessions by it, the published schemas describe each session kind from it, the tablet
learns from it what to ask for, and the inputs of the calculation are built from it by name: every place and
every told figure is a field of the method's input in `measurements.calc`.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from jobs.models import PointKind, Quantity
from measurements import calc
from measurements.calc.units import Kind
from measurements.models import Method

GRID = "line and point of the grid"


@dataclass(frozen=True)
class Place:
    """One thing that is read. `use`: for which the instrument is named. `least`: readings at the least.

    `line`: what the line number counts; empty when it counts nothing.
    """

    name: str
    words: str
    quantity: Quantity
    use: str
    least: int = 0
    line: str = ""


@dataclass(frozen=True)
class Told:
    """One thing that is told, not read: from a plate, a table, a drawing, another session.

    `kind`: the quantity of a figure; None for one of `choices`, or for free text when there are none. `many`:
    a list. `uncertain`: its uncertainty enters the budget; `usual_u`: relative standard uncertainty when none
    is told (practice).
    """

    name: str
    words: str
    kind: Kind | None = None
    choices: tuple[str, ...] = ()
    needed: bool = False
    many: bool = False
    uncertain: bool = False
    usual_u: float = 0.0


@dataclass(frozen=True)
class MethodKind:
    """A way of measuring, whole. `air`: the state of the air is needed; `plane`: the duct as found."""

    method: Method
    inputs: type[Any]
    run: Callable[[Any], calc.MethodResult]
    points: tuple[PointKind, ...]
    places: tuple[Place, ...]
    told: tuple[Told, ...] = ()
    air: bool = True
    plane: bool = False
    swept: bool = False
    cautions: tuple[str, ...] = ()
    shape: Callable[[dict[str, Any]], dict[str, Any]] = dict
    """From fields by name to the plain form of `inputs`, where told figures make one field together."""

    @property
    def uses(self) -> frozenset[str]:
        """Uses that an instrument may be named for."""
        air = {"temperature", "humidity", "barometer"} if self.air else set()
        return frozenset({place.use for place in self.places} | air | ({"probe"} if self.plane else set()))

    def place(self, name: str) -> Place | None:
        """The place of this name; the first when it is empty."""
        if not name:
            return self.places[0]
        return next((place for place in self.places if place.name == name), None)


PLANE, OUTLET, DUCT = PointKind.PLANE, PointKind.OUTLET, PointKind.DUCT
PRESSURE, VELOCITY, FLOW = Quantity.PRESSURE, Quantity.VELOCITY, Quantity.FLOW

DRILLING = (
    "Know what is behind the duct wall before drilling: coils, wiring, liners, fire or smoke rating, "
    "asbestos, hazardous exhaust; seal every hole."
)
HEIGHTS = "Ladders, roofs and confined spaces: work by the site's rules, never alone where they ask for two."
MOVING = (
    "Rotating fans, belts and energised motors: isolate, lock out and tag by the site's rules; electrical "
    "readings only by those qualified."
)

METHODS: dict[str, MethodKind] = {
    kind.method.value: kind
    for kind in (
        MethodKind(
            Method.PITOT_TRAVERSE,
            calc.PitotTraverse,
            calc.pitot_traverse,
            (PLANE, DUCT, OUTLET),
            (Place("velocity_pressure", "Velocity pressure", PRESSURE, "pressure", 1, GRID),),
            plane=True,
            cautions=(DRILLING, HEIGHTS),
        ),
        MethodKind(
            Method.SWEPT_TRAVERSE,
            calc.SweptTraverse,
            calc.swept_traverse,
            (PLANE, DUCT, OUTLET),
            (
                Place("velocity_pressure", "Velocity pressure", PRESSURE, "pressure", 0, "line"),
                Place("velocity", "Velocity", VELOCITY, "velocity", 0, "line"),
            ),
            plane=True,
            swept=True,
            cautions=(DRILLING, HEIGHTS),
        ),
        MethodKind(
            Method.CENTRELINE_READING,
            calc.CentrelineReading,
            calc.centreline_reading,
            (PLANE, DUCT),
            (Place("velocity_pressure", "Velocity pressure at the axis", PRESSURE, "pressure", 1),),
            plane=True,
            cautions=(DRILLING, HEIGHTS),
        ),
        MethodKind(
            Method.HOOD_READING,
            calc.HoodReading,
            calc.hood_reading,
            (OUTLET,),
            (Place("flow", "Flow shown by the hood", FLOW, "hood", 1),),
            cautions=(HEIGHTS,),
        ),
    )
}
"""By the method's name in the API."""
