"""Water and glycol: valves, pumps, coils."""

from typing import Any

from django.utils.translation import gettext_noop

from jobs.models import Measurand, PointKind, Quantity
from measurements import calc
from measurements.calc.units import Kind
from measurements.methods.base import HOT, LIMITS, MOVING, MethodKind, Place, Told
from measurements.methods.fans import ELECTRICAL, MOTOR_EFFICIENCY, NAMEPLATE, SUPPLY
from measurements.models import Method

FLUID = (
    Told("fluid", gettext_noop("What flows"), choices=("water", "ethylene_glycol", "propylene_glycol")),
    Told(
        "glycol_share", gettext_noop("Share of glycol by mass"), Kind.FRACTION, uncertain=True, usual_u=0.03
    ),
)
TEMPERATURE, PRESSURE = Quantity.TEMPERATURE, Quantity.PRESSURE
SIDES = ("entering", "leaving")


def _liquid(plain: dict[str, Any]) -> dict[str, Any]:
    """Kind and share make one fluid."""
    found = dict(plain)
    kind, share = found.pop("fluid", None), found.pop("glycol_share", None)
    if kind is None:
        return found
    mixture = {} if share is None else {"share": share["value"], "share_u": share["u"]}
    return {**found, "fluid": {"kind": kind, **mixture}}


KINDS = (
    MethodKind(
        Method.VALVE_FLOW,
        calc.ValveFlow,
        calc.valve_flow,
        Measurand.FLOW,
        (PointKind.VALVE, PointKind.COIL),
        (
            Place("pressure", gettext_noop("Pressure drop over the valve"), PRESSURE, "water_pressure", 1),
            Place("temperature", gettext_noop("Temperature of the fluid"), TEMPERATURE, "water_temperature"),
        ),
        (
            Told(
                "coefficient",
                gettext_noop("Flow coefficient at the setting, from the maker's table"),
                Kind.FLOW_COEFFICIENT,
                needed=True,
                uncertain=True,
                usual_u=0.03,
            ),
            Told("setting", gettext_noop("Setting as read on the hand wheel"), Kind.FRACTION),
            *FLUID,
            Told(
                "viscosity_factor",
                gettext_noop("The maker's correction for a thick fluid"),
                Kind.FRACTION,
                uncertain=True,
                usual_u=0.02,
            ),
        ),
        air=False,
        cautions=(HOT,),
        shape=_liquid,
    ),
    MethodKind(
        Method.PUMP_TEST,
        calc.PumpTest,
        calc.pump_test,
        Measurand.HEAD,
        (PointKind.PUMP,),
        (
            Place("suction", gettext_noop("Gauge at the suction"), PRESSURE, "water_pressure", 1),
            Place("discharge", gettext_noop("Gauge at the discharge"), PRESSURE, "water_pressure", 1),
            Place(
                "shut_off_suction", gettext_noop("Suction with the valve closed"), PRESSURE, "water_pressure"
            ),
            Place(
                "shut_off_discharge",
                gettext_noop("Discharge with the valve closed"),
                PRESSURE,
                "water_pressure",
            ),
            Place("temperature", gettext_noop("Temperature of the fluid"), TEMPERATURE, "water_temperature"),
            Place("speed", gettext_noop("Speed of the pump"), Quantity.SPEED, "speed"),
            *ELECTRICAL,
        ),
        (
            Told("suction_height", gettext_noop("Height of the suction gauge above the datum"), Kind.LENGTH),
            Told(
                "discharge_height", gettext_noop("Height of the discharge gauge above the datum"), Kind.LENGTH
            ),
            Told("suction_diameter", gettext_noop("Inside diameter at the suction tap"), Kind.LENGTH),
            Told("discharge_diameter", gettext_noop("Inside diameter at the discharge tap"), Kind.LENGTH),
            Told("flow", gettext_noop("Flow measured otherwise"), Kind.FLOW, uncertain=True, usual_u=0.03),
            *FLUID,
            Told("curve_flow", gettext_noop("Flows of the maker's curve"), Kind.FLOW, many=True),
            Told("curve_head", gettext_noop("Heads of the maker's curve"), Kind.LENGTH, many=True),
            Told("curve_speed", gettext_noop("Speed of the curve"), Kind.SPEED),
            SUPPLY,
            MOTOR_EFFICIENCY,
            *NAMEPLATE,
        ),
        air=False,
        cautions=(
            HOT,
            MOVING,
            LIMITS,
            "Shut-off: close the discharge valve only as long as the reading takes; the pump heats up.",
        ),
        shape=_liquid,
    ),
    MethodKind(
        Method.COIL_HEAT,
        calc.CoilHeat,
        calc.coil_heat,
        Measurand.HEAT,
        (PointKind.COIL,),
        (
            Place("entering_air", gettext_noop("Entering air, dry bulb"), TEMPERATURE, "temperature"),
            Place("leaving_air", gettext_noop("Leaving air, dry bulb"), TEMPERATURE, "temperature"),
            Place(
                "entering_humidity",
                gettext_noop("Entering air, relative humidity"),
                Quantity.HUMIDITY,
                "humidity",
            ),
            Place(
                "leaving_humidity",
                gettext_noop("Leaving air, relative humidity"),
                Quantity.HUMIDITY,
                "humidity",
            ),
            Place("entering_wet_bulb", gettext_noop("Entering air, wet bulb"), TEMPERATURE, "temperature"),
            Place("leaving_wet_bulb", gettext_noop("Leaving air, wet bulb"), TEMPERATURE, "temperature"),
            Place("entering_water", gettext_noop("Entering water"), TEMPERATURE, "water_temperature"),
            Place("leaving_water", gettext_noop("Leaving water"), TEMPERATURE, "water_temperature"),
        ),
        (
            Told(
                "air_flow", gettext_noop("Flow of the air, actual"), Kind.FLOW, uncertain=True, usual_u=0.05
            ),
            Told("air_flow_at", gettext_noop("Where the air flow was measured"), choices=SIDES),
            Told("water_flow", gettext_noop("Flow of the water"), Kind.FLOW, uncertain=True, usual_u=0.05),
            Told("water_flow_at", gettext_noop("Where the water flow was measured"), choices=SIDES),
            *FLUID,
        ),
        air=False,
        barometer=True,
        cautions=(HOT,),
        shape=_liquid,
    ),
)
