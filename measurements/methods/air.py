"""Air at outlets, filters, fume hoods and fixed devices, and its mixture."""

from typing import Any

from django.utils.translation import gettext_noop

from jobs.models import Measurand, PointKind, Quantity
from measurements import calc
from measurements.calc.units import Kind
from measurements.methods.base import CRITICAL, GRID, HEIGHTS, MethodKind, Place, Told
from measurements.methods.traverses import SIGNAL
from measurements.models import Method

PRESSURE, VELOCITY, TEMPERATURE = Quantity.PRESSURE, Quantity.VELOCITY, Quantity.TEMPERATURE
CARBON_DIOXIDE = Quantity.CARBON_DIOXIDE
REFERENCE = Told(
    "reference_density", gettext_noop("Density that a thermal instrument's velocity refers to"), Kind.DENSITY
)
DEVICES = (
    "factor",
    "orifice_corner",
    "orifice_flange",
    "orifice_d_d2",
    "nozzle_isa_1932",
    "nozzle_long_radius",
    "venturi_nozzle",
    "venturi_as_cast",
    "venturi_machined",
    "venturi_welded",
)
BANDS = (
    ("63", "63"),
    ("125", "125"),
    ("250", "250"),
    ("500", "500"),
    ("1000", "1000"),
    ("2000", "2000"),
    ("4000", "4000"),
    ("8000", "8000"),
    ("16", "16"),
    ("31_5", "31.5"),
)


def _station(plain: dict[str, Any]) -> dict[str, Any]:
    """One factor, by either of its two definitions."""
    found = dict(plain)
    if (area := found.pop("factor_area", None)) is not None:
        return {**found, "factor": area, "factor_basis": "over_density"}
    return {**found, "factor_basis": "at_factor_density"} if "factor" in found else found


def _mixed(plain: dict[str, Any]) -> dict[str, Any]:
    """Three temperatures, or three shares of carbon dioxide; all three of one kind."""
    shares = {name: plain[name] for name in plain if name.endswith("_co2")}
    rest = {name: value for name, value in plain.items() if name not in shares}
    if not shares:
        return rest
    named = {name.replace("_co2", "_air"): value for name, value in shares.items()}
    return {**rest, **named, "signal": "carbon_dioxide"}


def _room(plain: dict[str, Any]) -> dict[str, Any]:
    """Against what the pressure stands is for people."""
    return {name: value for name, value in plain.items() if name != "reference"}


KINDS = (
    MethodKind(
        Method.HOOD_READING,
        calc.HoodReading,
        calc.hood_reading,
        Measurand.FLOW,
        (PointKind.OUTLET,),
        (Place("flow", gettext_noop("Flow shown by the hood"), Quantity.FLOW, "hood", 1),),
        cautions=(HEIGHTS,),
    ),
    MethodKind(
        Method.FACE_VELOCITY,
        calc.FaceVelocity,
        calc.face_velocity,
        Measurand.FLOW,
        (PointKind.OUTLET, PointKind.COIL, PointKind.UNIT),
        (Place("velocity", gettext_noop("Velocity at the face"), VELOCITY, "velocity", 1, GRID),),
        (
            Told(
                "effective_area",
                gettext_noop("Effective area (Ak)"),
                Kind.AREA,
                needed=True,
                uncertain=True,
                usual_u=0.05,
            ),
            Told(
                "area_source",
                gettext_noop("Where the effective area comes from"),
                choices=("maker", "traverse", "gross"),
                needed=True,
            ),
            SIGNAL,
            REFERENCE,
        ),
        cautions=(HEIGHTS,),
    ),
    MethodKind(
        Method.HOOD_FACE,
        calc.HoodFace,
        calc.hood_face,
        Measurand.VELOCITY,
        (PointKind.FUME_HOOD,),
        (Place("velocity", gettext_noop("Velocity in the opening"), VELOCITY, "velocity", 2, GRID),),
        (
            Told("width", gettext_noop("Width of the opening"), Kind.LENGTH, needed=True),
            Told("height", gettext_noop("Height of the opening, sash as set"), Kind.LENGTH, needed=True),
            Told("columns", gettext_noop("Columns of the grid"), Kind.FRACTION, whole=True),
            Told("rows", gettext_noop("Rows of the grid"), Kind.FRACTION, whole=True),
            Told("lowest_allowed", gettext_noop("Lowest mean face velocity allowed"), Kind.VELOCITY),
            Told("highest_allowed", gettext_noop("Highest mean face velocity allowed"), Kind.VELOCITY),
            SIGNAL,
            REFERENCE,
        ),
        cautions=(
            CRITICAL,
            "Face velocity does not show that a hood holds back what is released in it; that takes a "
            "containment test by those qualified. Ask before working at a hood in use.",
        ),
    ),
    MethodKind(
        Method.FLOW_STATION,
        calc.FlowStation,
        calc.flow_station,
        Measurand.FLOW,
        (PointKind.PLANE, PointKind.DUCT, PointKind.FAN, PointKind.OUTLET, PointKind.VALVE),
        (Place("pressure", gettext_noop("Pressure difference of the device"), PRESSURE, "pressure", 1),),
        (
            Told("device", gettext_noop("Kind of the device"), choices=DEVICES, needed=True),
            Told("fluid", gettext_noop("What flows"), choices=("air", "water")),
            Told("factor", gettext_noop("Factor K of the device"), Kind.FLOW_COEFFICIENT, uncertain=True),
            Told("factor_density", gettext_noop("Density that the factor is stated for"), Kind.DENSITY),
            Told("factor_area", gettext_noop("Factor K of Q = K·√(Δp/ρ)"), Kind.AREA, uncertain=True),
            Told("pipe_diameter", gettext_noop("Inside diameter of the pipe or duct"), Kind.LENGTH),
            Told("throat_diameter", gettext_noop("Diameter of the throat or bore"), Kind.LENGTH),
            Told(
                "lengths",
                gettext_noop("Straight lengths of ISO 5167"),
                choices=("full", "reduced", "short", "unknown"),
            ),
            Told("liquid_density", gettext_noop("Density of the liquid"), Kind.DENSITY),
            Told("liquid_viscosity", gettext_noop("Viscosity of the liquid"), Kind.VISCOSITY),
        ),
        shape=_station,
    ),
    MethodKind(
        Method.MIXED_AIR,
        calc.MixedAir,
        calc.mixed_air,
        Measurand.OUTDOOR_SHARE,
        (PointKind.UNIT, PointKind.COIL),
        (
            Place("return_air", gettext_noop("Return air temperature"), TEMPERATURE, "temperature"),
            Place("outdoor_air", gettext_noop("Outdoor air temperature"), TEMPERATURE, "temperature"),
            Place("mixed_air", gettext_noop("Mixed air temperature"), TEMPERATURE, "temperature", 0, GRID),
            Place("return_co2", gettext_noop("Return air carbon dioxide"), CARBON_DIOXIDE, "carbon_dioxide"),
            Place(
                "outdoor_co2", gettext_noop("Outdoor air carbon dioxide"), CARBON_DIOXIDE, "carbon_dioxide"
            ),
            Place(
                "mixed_co2",
                gettext_noop("Mixed air carbon dioxide"),
                CARBON_DIOXIDE,
                "carbon_dioxide",
                0,
                GRID,
            ),
        ),
        (Told("flow", gettext_noop("Total flow of the mixed air"), Kind.FLOW, uncertain=True, usual_u=0.05),),
        air=False,
        shape=_mixed,
    ),
    MethodKind(
        Method.ROOM_PRESSURE,
        calc.RoomPressure,
        calc.room_pressure,
        Measurand.PRESSURE,
        (PointKind.ROOM,),
        (
            Place(
                "pressure",
                gettext_noop("Pressure of the room against its reference"),
                PRESSURE,
                "pressure",
                1,
            ),
            Place("supply_flow", gettext_noop("Supply flow"), Quantity.FLOW, "hood", 0, "outlet"),
            Place(
                "concentration", gettext_noop("Particles in the room"), Quantity.CONCENTRATION, "particles"
            ),
            Place("door_velocity", gettext_noop("Velocity through the door gap"), VELOCITY, "velocity"),
        ),
        (
            Told("wanted", gettext_noop("Direction asked for"), choices=("positive", "negative")),
            Told("least", gettext_noop("Least pressure difference"), Kind.PRESSURE),
            Told("volume", gettext_noop("Volume of the room"), Kind.VOLUME, uncertain=True, usual_u=0.01),
            Told(
                "door_gap_area", gettext_noop("Area of the door gap"), Kind.AREA, uncertain=True, usual_u=0.1
            ),
            Told("reference", gettext_noop("What the pressure is taken against")),
        ),
        air=False,
        cautions=(CRITICAL,),
        shape=_room,
    ),
    MethodKind(
        Method.SOUND_LEVEL,
        calc.SoundLevel,
        calc.sound_level,
        Measurand.NC_RATING,
        (PointKind.ROOM, PointKind.FAN, PointKind.OUTLET),
        tuple(
            Place(f"{part}_{band}", f"{words}, {label} Hz", Quantity.SOUND_LEVEL, "sound")
            for part, words in (("band", "Level"), ("background", "Background"))
            for band, label in BANDS
        ),
        air=False,
    ),
)
