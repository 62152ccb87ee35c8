"""Fans with their motors."""

from jobs.models import Measurand, PointKind, Quantity
from measurements import calc
from measurements.calc.units import Kind
from measurements.methods.base import LIMITS, MOVING, MethodKind, Place, Told
from measurements.models import Method

PHASES = ("three_phase", "single_phase")
ELECTRICAL = (
    Place("voltage", "Voltage", Quantity.VOLTAGE, "voltage", 0, "pair of phases"),
    Place("current", "Current", Quantity.CURRENT, "current", 0, "phase"),
    Place("power", "Electrical power", Quantity.POWER, "power"),
    Place("power_factor", "Power factor", Quantity.FACTOR, "power_factor"),
)
SUPPLY = Told("supply", "Supply of the motor", choices=PHASES)
MOTOR_EFFICIENCY = Told(
    "motor_efficiency", "Efficiency of the motor at this load", Kind.FRACTION, uncertain=True, usual_u=0.02
)
NAMEPLATE = (
    Told("nameplate_power", "Shaft power on the motor's nameplate", Kind.POWER),
    Told("nameplate_current", "Current on the motor's nameplate", Kind.CURRENT),
)

KINDS = (
    MethodKind(
        Method.FAN_TEST,
        calc.FanTest,
        calc.fan_test,
        Measurand.FAN_STATIC_PRESSURE,
        (PointKind.FAN,),
        (
            Place("inlet_pressure", "Static pressure before the fan", Quantity.PRESSURE, "pressure", 1),
            Place("outlet_pressure", "Static pressure after the fan", Quantity.PRESSURE, "pressure", 1),
            Place("speed", "Speed of the fan", Quantity.SPEED, "speed"),
            *ELECTRICAL,
        ),
        (
            Told("flow", "Flow through the fan", Kind.FLOW, uncertain=True, usual_u=0.03),
            Told("inlet_area", "Area of the duct at the inlet tap", Kind.AREA),
            Told("outlet_area", "Area of the duct at the outlet tap", Kind.AREA),
            SUPPLY,
            MOTOR_EFFICIENCY,
            Told("drive_efficiency", "Efficiency of the drive", Kind.FRACTION, uncertain=True, usual_u=0.02),
            Told("no_load_current", "Current with the belt off", Kind.CURRENT),
            *NAMEPLATE,
            Told("nameplate_voltage", "Voltage on the motor's nameplate", Kind.VOLTAGE),
            Told("nameplate_speed", "Speed on the motor's nameplate", Kind.SPEED),
            Told("maximum_speed", "Maximum speed of the fan", Kind.SPEED),
            Told("motor_sheave", "Pitch diameter of the motor's sheave", Kind.LENGTH),
            Told("fan_sheave", "Pitch diameter of the fan's sheave", Kind.LENGTH),
            Told("curve_flow", "Flows of the maker's curve", Kind.FLOW, many=True),
            Told("curve_pressure", "Pressures of the maker's curve", Kind.PRESSURE, many=True),
            Told("curve_shows", "Which pressure the curve shows", choices=("static", "total")),
            Told("curve_speed", "Speed of the curve", Kind.SPEED),
            Told("curve_density", "Air density of the curve", Kind.DENSITY),
        ),
        cautions=(MOVING, LIMITS),
    ),
)
