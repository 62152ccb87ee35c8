"""Pressures along the air path, against limits, and leakage."""

from django.utils.translation import gettext_noop

from jobs.models import Measurand, PointKind, Quantity
from measurements import calc
from measurements.calc.units import Kind
from measurements.methods.base import DRILLING, GAS, MOVING, MethodKind, Place, Told
from measurements.models import Method

PRESSURE = Quantity.PRESSURE
COMPONENTS = (
    "filter",
    "cooling_coil",
    "heating_coil",
    "humidifier",
    "fan",
    "damper",
    "silencer",
    "grille",
    "duct",
    "other",
)
SUBJECTS = ("switch", "gas_supply", "gas_manifold", "other")

KINDS = (
    MethodKind(
        Method.STATIC_PROFILE,
        calc.StaticProfile,
        calc.static_profile,
        Measurand.EXTERNAL_STATIC,
        (PointKind.UNIT, PointKind.FAN),
        (
            Place(
                "pressure",
                gettext_noop("Static pressure against the room"),
                PRESSURE,
                "pressure",
                2,
                "station",
            ),
        ),
        (
            Told(
                "components",
                gettext_noop("What lies between each station and the next, along the air"),
                choices=COMPONENTS,
                needed=True,
                many=True,
            ),
            Told("clean_drops", gettext_noop("Drop of each component when clean"), Kind.PRESSURE, many=True),
            Told("unit_from", gettext_noop("Station directly before the unit"), Kind.FRACTION, whole=True),
            Told("unit_to", gettext_noop("Station directly after the unit"), Kind.FRACTION, whole=True),
            Told(
                "external_limit", gettext_noop("The maker's limit of external static pressure"), Kind.PRESSURE
            ),
        ),
        air=False,
        cautions=(DRILLING, MOVING),
    ),
    MethodKind(
        Method.PRESSURE_CHECK,
        calc.PressureCheck,
        calc.pressure_check,
        Measurand.PRESSURE,
        (PointKind.DEVICE, PointKind.UNIT, PointKind.FAN),
        (
            Place("pressure", gettext_noop("Pressure, or where the switch makes"), PRESSURE, "pressure", 1),
            Place("release", gettext_noop("Where the switch breaks"), PRESSURE, "pressure"),
        ),
        (
            Told(
                "subject",
                gettext_noop("What is checked"),
                choices=("switch", "gas_supply", "gas_manifold", "other"),
                needed=True,
            ),
            Told("low", gettext_noop("Low limit"), Kind.PRESSURE),
            Told("high", gettext_noop("High limit"), Kind.PRESSURE),
            Told("release_low", gettext_noop("Low limit where it breaks"), Kind.PRESSURE),
            Told("release_high", gettext_noop("High limit where it breaks"), Kind.PRESSURE),
        ),
        air=False,
        cautions=(GAS,),
    ),
    MethodKind(
        Method.LEAKAGE_TEST,
        calc.LeakageTest,
        calc.leakage_test,
        Measurand.LEAKAGE,
        (PointKind.DUCT,),
        (
            Place("duct_pressure", gettext_noop("Pressure in the duct"), PRESSURE, "pressure", 1, "step"),
            Place("leak_flow", gettext_noop("Leakage flow"), Quantity.FLOW, "flow", 1, "step"),
        ),
        (
            Told(
                "surface_area",
                gettext_noop("Surface of the section"),
                Kind.AREA,
                needed=True,
                uncertain=True,
                usual_u=0.02,
            ),
            Told(
                "test_pressure",
                gettext_noop("Pressure that the leakage is stated at"),
                Kind.PRESSURE,
                needed=True,
            ),
            Told(
                "scheme",
                gettext_noop("Classes by EN 1507 and EN 12237, or by the US leakage number"),
                choices=("en", "us"),
            ),
            Told("required_class", gettext_noop("Class asked for, A to D or a leakage number")),
            Told(
                "meter_density", gettext_noop("Density that the flow meter shows its flow for"), Kind.DENSITY
            ),
        ),
        cautions=(
            "Never exceed the pressure class of the duct; watch seams and end caps while the pressure rises.",
            DRILLING,
        ),
    ),
)
