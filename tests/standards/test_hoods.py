"""Fume-hood faces and anemometers against published values and an independent humid-air library."""

import math

import CoolProp.CoolProp as coolprop
import pytest

from measurements.calc import (
    Air,
    CertificatePoint,
    Code,
    Duct,
    Instrument,
    MethodResult,
    Shape,
    Signal,
    from_si,
    judge_value,
    to_si,
    tolerance_of,
)
from measurements.calc.anemometer import AnemometerTraverse, anemometer_traverse
from measurements.calc.conditions import resolve_air
from measurements.calc.fume_hood import GRID_SIDE, HoodFace, face_statistics, hood_face
from measurements.calc.places import Readings
from tests.standards.records import record

pytestmark = pytest.mark.standards
FOOT = 0.3048
EXACT = Instrument(certificate=(CertificatePoint(0.0, 0.0, 0.0), CertificatePoint(100.0, 100.0, 0.0)))
ROOM = Air(temperature=293.15, barometer=101_325.0, humidity=0.5)


def _hood(speeds: list[float], columns: int, rows: int, width: float, height: float) -> MethodResult:
    places = tuple((1, column, row) for column in range(1, columns + 1) for row in range(1, rows + 1))
    readings = Readings(tuple(to_si(v, "ft/min", "velocity") for v in speeds), EXACT, "", places)
    return hood_face(HoodFace(readings, width, height, Signal.VELOCITY, ROOM))


def test_exhaust_from_face_velocity() -> None:
    r = record("hood-face-1")
    width, height = r.value("w") * FOOT, r.value("h") * FOOT
    result = _hood([r.value("V")] * 10, 5, 2, width, height)
    r.check(Q=from_si(result.flow.value, "cfm", "flow"))


def test_a_grid_of_face_velocities() -> None:
    """The standard deviation of the record is that of a sample (n - 1)."""
    r = record("hood-grid")
    result = _hood(r.value("v"), 4, 3, 4 * FOOT, 2.5 * FOOT)
    shown = {
        name: from_si(result.results[field].value, "ft/min", "velocity")
        for name, field in (("mean", "velocity"), ("min", "lowest"), ("max", "highest"))
    }
    statistics = face_statistics([p.velocity for p in result.points])
    tolerance = r.value("avg_tol") / 100.0
    design = to_si(r.value("design"), "ft/min", "velocity")
    judged = judge_value(result.main.value, result.main.u, tolerance_of(design, -tolerance, tolerance))
    r.check(
        **shown,
        sd=from_si(statistics.s, "ft/min", "velocity"),
        avg_ok=judged.accepted,
        points_ok=result.remark(Code.FACE_POINTS_OFF) is None,
    )
    assert statistics.within(r.value("point_tol") / 100.0)


def test_the_largest_square_of_a_grid() -> None:
    """Only the grid: this package computes no tracer-gas test."""
    r = record("hood-110")
    r.check(grid_max_cell=from_si(GRID_SIDE * GRID_SIDE, "ft2", "area"))
    assert _hood([100.0] * 6, 3, 2, 3 * FOOT, 2 * FOOT).remark(Code.GRID_COARSE) is None
    assert _hood([100.0] * 6, 3, 2, 3.1 * FOOT, 2 * FOOT).remark(Code.GRID_COARSE) is not None


def _thermal(shown: float, air: Air, reference: float | None = None, standard: float = 1.204) -> MethodResult:
    """A thermal anemometer that shows the same at four points of a duct of 0.5 m2."""
    readings = Readings((shown,) * 4, EXACT, "", tuple((1, 1, row) for row in range(1, 5)))
    duct = Duct(Shape.RECTANGULAR, 1.0, 0.5)
    inputs = AnemometerTraverse(
        duct,
        readings,
        Signal.STANDARD_VELOCITY,
        air,
        reference_density=reference,
        standard_density=standard,
    )
    return anemometer_traverse(inputs)


def test_a_thermal_anemometer_in_the_standard_atmosphere_at_5000_feet() -> None:
    """The tables round the density ratio to four digits; the moist-air formula differs by 0.01 %."""
    r = record("anem-isa-5000ft")
    reference = r.value("rho_reference")
    air = Air(temperature=r.value("T"), barometer=r.value("p"), humidity=0.0)
    result = _thermal(r.value("V_indicated"), air, reference)
    assert result.velocity is not None
    r.check(V=result.velocity.value, sigma=result.density.value / reference)


def test_standard_velocity_is_the_inverse_of_standard_flow() -> None:
    """The published flow at standard density, shown as a velocity, gives the actual flow back."""
    r = record("pit-scfm-1")
    density, standard = (to_si(r.value(n), "lb/ft3", "density") for n in ("rho", "rho_std"))
    low, high = 60_000.0, 101_325.0
    for _ in range(80):
        middle = 0.5 * (low + high)
        found = resolve_air(Air(temperature=293.15, barometer=middle, humidity=0.0)).density
        low, high = (middle, high) if found < density else (low, middle)
    air = Air(temperature=293.15, barometer=low, humidity=0.0)
    area = 0.5
    shown = to_si(r.expected["Q_std"][0], "cfm", "flow") / area
    result = _thermal(shown, air, standard=standard)
    assert from_si(result.flow.value, "cfm", "flow") == pytest.approx(r.value("Q_actual"), rel=1e-5)
    r.check(Q_std=from_si(result.standard_flow.value, "cfm", "flow"))


@pytest.mark.parametrize(
    ("temperature", "pressure", "humidity"),
    [(288.15, 101_325.0, 0.2), (295.0, 84_000.0, 0.5), (300.15, 95_000.0, 0.9), (313.15, 100_000.0, 0.3)],
)
def test_conversion_against_an_independent_humid_air_library(
    temperature: float, pressure: float, humidity: float
) -> None:
    """Mass flow by CoolProp's humid air (1 + W over the volume per kg of dry air), to 0.05 %."""
    state = ("T", temperature, "P", pressure, "R", humidity)
    density = (1.0 + coolprop.HAPropsSI("W", *state)) / coolprop.HAPropsSI("Vda", *state)
    result = _thermal(6.0, Air(temperature, pressure, humidity=humidity), 1.2)
    assert result.velocity is not None
    assert result.velocity.value * density == pytest.approx(6.0 * 1.2, rel=5e-4)
    assert math.isclose(result.flow.value, result.velocity.value * 0.5, rel_tol=1e-12)
