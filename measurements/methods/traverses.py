"""Flow of a duct by velocities in its section."""

from django.utils.translation import gettext_noop

from jobs.models import Measurand, PointKind, Quantity
from measurements import calc
from measurements.calc.units import Kind
from measurements.methods.base import DRILLING, GRID, HEIGHTS, MethodKind, Place, Told
from measurements.models import Method

PLANES = (PointKind.PLANE, PointKind.DUCT, PointKind.OUTLET)
PRESSURE, VELOCITY = Quantity.PRESSURE, Quantity.VELOCITY
SIGNAL = Told(
    "signal",
    gettext_noop(
        "What the instrument shows: actual velocity (vane), or velocity at standard density (thermal)"
    ),
    choices=("velocity", "standard_velocity"),
    needed=True,
)

KINDS = (
    MethodKind(
        Method.PITOT_TRAVERSE,
        calc.PitotTraverse,
        calc.pitot_traverse,
        Measurand.FLOW,
        PLANES,
        (Place("velocity_pressure", gettext_noop("Velocity pressure"), PRESSURE, "pressure", 1, GRID),),
        plane=True,
        cautions=(DRILLING, HEIGHTS),
    ),
    MethodKind(
        Method.SWEPT_TRAVERSE,
        calc.SweptTraverse,
        calc.swept_traverse,
        Measurand.FLOW,
        PLANES,
        (
            Place("velocity_pressure", gettext_noop("Velocity pressure"), PRESSURE, "pressure", 0, "line"),
            Place("velocity", gettext_noop("Velocity"), VELOCITY, "velocity", 0, "line"),
        ),
        plane=True,
        swept=True,
        cautions=(DRILLING, HEIGHTS),
    ),
    MethodKind(
        Method.ANEMOMETER_TRAVERSE,
        calc.AnemometerTraverse,
        calc.anemometer_traverse,
        Measurand.FLOW,
        PLANES,
        (Place("velocity", gettext_noop("Velocity"), VELOCITY, "velocity", 1, GRID),),
        (
            SIGNAL,
            Told("head_area", gettext_noop("Frontal area of the probe's head in the duct"), Kind.AREA),
            Told(
                "reference_density",
                gettext_noop("Density that a thermal instrument's velocity refers to"),
                Kind.DENSITY,
            ),
        ),
        plane=True,
        cautions=(DRILLING, HEIGHTS),
    ),
    MethodKind(
        Method.CENTRELINE_READING,
        calc.CentrelineReading,
        calc.centreline_reading,
        Measurand.FLOW,
        (PointKind.PLANE, PointKind.DUCT),
        (Place("velocity_pressure", gettext_noop("Velocity pressure at the axis"), PRESSURE, "pressure", 1),),
        plane=True,
        cautions=(DRILLING, HEIGHTS),
    ),
)
