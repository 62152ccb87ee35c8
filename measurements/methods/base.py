"""What a way of measuring is made of: places that are read, things that are told, cautions."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from django.utils.translation import gettext_noop

from jobs.models import Measurand, PointKind, Quantity
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
    a list; `whole`: a whole number. `uncertain`: its uncertainty enters the budget; `usual_u`: relative
    standard uncertainty when none is told (practice).
    """

    name: str
    words: str
    kind: Kind | None = None
    choices: tuple[str, ...] = ()
    needed: bool = False
    many: bool = False
    whole: bool = False
    uncertain: bool = False
    usual_u: float = 0.0


@dataclass(frozen=True)
class MethodKind:
    """A way of measuring, whole. `air`: the state of the air is needed; `plane`: the duct as found."""

    method: Method
    inputs: type[Any]
    run: Callable[[Any], calc.MethodResult]
    measurand: Measurand
    points: tuple[PointKind, ...]
    places: tuple[Place, ...]
    told: tuple[Told, ...] = ()
    air: bool = True
    plane: bool = False
    swept: bool = False
    barometer: bool = False
    cautions: tuple[str, ...] = ()
    shape: Callable[[dict[str, Any]], dict[str, Any]] = dict
    """From fields by name to the plain form of `inputs`, where told figures make one field together."""

    @property
    def uses(self) -> frozenset[str]:
        """Uses that an instrument may be named for."""
        air = {"temperature", "humidity", "barometer"} if self.air else set()
        air |= {"barometer"} if self.barometer else set()
        return frozenset({place.use for place in self.places} | air | ({"probe"} if self.plane else set()))

    def place(self, name: str) -> Place | None:
        """The place of this name; the first when it is empty."""
        if not name:
            return self.places[0]
        return next((place for place in self.places if place.name == name), None)


DRILLING = gettext_noop(
    "Know what is behind the duct wall before drilling: coils, wiring, liners, fire or smoke rating, "
    "asbestos, hazardous exhaust; seal every hole."
)
HEIGHTS = gettext_noop(
    "Ladders, roofs and confined spaces: work by the site's rules, never alone where they ask for two."
)
MOVING = gettext_noop(
    "Rotating fans, belts and energised motors: isolate, lock out and tag by the site's rules; electrical "
    "readings only by those qualified."
)
CRITICAL = gettext_noop(
    "Smoke control, isolation rooms, laboratories, operating rooms: change nothing without the authority in "
    "charge."
)
GAS = gettext_noop(
    "Gas work is for licensed people only; the appliance's plate and the local code decide. Changing exhaust "
    "or supply near fuel-burning appliances can draw combustion gases into rooms: check draft and carbon "
    "monoxide."
)
LIMITS = gettext_noop("Never run a motor above its nameplate or a fan above its maximum speed.")
HOT = gettext_noop(
    "Hot or pressurised water: open gauge cocks slowly, wear eye protection, follow the site's rules."
)
