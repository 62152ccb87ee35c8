"""Fans with their motors."""

from django.utils.translation import gettext_noop

from jobs.models import Measurand, PointKind, Quantity
from measurements import calc
from measurements.calc.units import Kind
from measurements.methods.base import LIMITS, MOVING, MethodKind, Place, Told
from measurements.models import Method

PHASES = ("three_phase", "single_phase")
ELECTRICAL = (
    Place("voltage", gettext_noop("Voltage"), Quantity.VOLTAGE, "voltage", 0, "pair of phases"),
    Place("current", gettext_noop("Current"), Quantity.CURRENT, "current", 0, "phase"),
    Place("power", gettext_noop("Electrical power"), Quantity.POWER, "power"),
    Place("power_factor", gettext_noop("Power factor"), Quantity.FACTOR, "power_factor"),
)
SUPPLY = Told("supply", gettext_noop("Supply of the motor"), choices=PHASES)
MOTOR_EFFICIENCY = Told(
    "motor_efficiency",
    gettext_noop("Efficiency of the motor at this load"),
    Kind.FRACTION,
    uncertain=True,
    usual_u=0.02,
)
NAMEPLATE = (
    Told("nameplate_power", gettext_noop("Shaft power on the motor's nameplate"), Kind.POWER),
    Told("nameplate_current", gettext_noop("Current on the motor's nameplate"), Kind.CURRENT),
)

KINDS = (
    MethodKind(
        Method.FAN_TEST,
        calc.FanTest,
        calc.fan_test,
        Measurand.FAN_STATIC_PRESSURE,
        (PointKind.FAN,),
        (
            Place(
                "inlet_pressure",
                gettext_noop("Static pressure before the fan"),
                Quantity.PRESSURE,
                "pressure",
                1,
            ),
            Place(
                "outlet_pressure",
                gettext_noop("Static pressure after the fan"),
                Quantity.PRESSURE,
                "pressure",
                1,
            ),
            Place("speed", gettext_noop("Speed of the fan"), Quantity.SPEED, "speed"),
            *ELECTRICAL,
        ),
        (
            Told("flow", gettext_noop("Flow through the fan"), Kind.FLOW, uncertain=True, usual_u=0.03),
            Told("inlet_area", gettext_noop("Area of the duct at the inlet tap"), Kind.AREA),
            Told("outlet_area", gettext_noop("Area of the duct at the outlet tap"), Kind.AREA),
            SUPPLY,
            MOTOR_EFFICIENCY,
            Told(
                "drive_efficiency",
                gettext_noop("Efficiency of the drive"),
                Kind.FRACTION,
                uncertain=True,
                usual_u=0.02,
            ),
            Told("no_load_current", gettext_noop("Current with the belt off"), Kind.CURRENT),
            *NAMEPLATE,
            Told("nameplate_voltage", gettext_noop("Voltage on the motor's nameplate"), Kind.VOLTAGE),
            Told("nameplate_speed", gettext_noop("Speed on the motor's nameplate"), Kind.SPEED),
            Told("maximum_speed", gettext_noop("Maximum speed of the fan"), Kind.SPEED),
            Told("motor_sheave", gettext_noop("Pitch diameter of the motor's sheave"), Kind.LENGTH),
            Told("fan_sheave", gettext_noop("Pitch diameter of the fan's sheave"), Kind.LENGTH),
            Told("curve_flow", gettext_noop("Flows of the maker's curve"), Kind.FLOW, many=True),
            Told("curve_pressure", gettext_noop("Pressures of the maker's curve"), Kind.PRESSURE, many=True),
            Told("curve_shows", gettext_noop("Which pressure the curve shows"), choices=("static", "total")),
            Told("curve_speed", gettext_noop("Speed of the curve"), Kind.SPEED),
            Told("curve_density", gettext_noop("Air density of the curve"), Kind.DENSITY),
        ),
        cautions=(MOVING, LIMITS),
    ),
)
