"""The state of the air at the measuring plane: values, their effects, the density formula, remarks."""

from __future__ import annotations

import math
from dataclasses import dataclass

from .air import DensityModel, density_model, pressure_at_altitude
from .distributions import Distribution
from .errors import Refused, finite, not_negative
from .method import Code, Remark
from .plan import Sharing
from .uncertainty import Effect

UNKNOWN_HUMIDITY = 0.5
WEATHER_U = 800.0
"""Standard uncertainty in Pa of the standard atmosphere's pressure: weather (practice)."""


@dataclass(frozen=True, slots=True)
class Air:
    """Air at the plane. temperature K; barometer Pa absolute, or altitude m when there is none.

    static_pressure: of the duct against the room, Pa (negative on the suction side). humidity: relative,
    0 to 1; None when not measured. Fields ending in _u are standard uncertainties.
    """

    temperature: float
    barometer: float | None = None
    altitude: float | None = None
    static_pressure: float = 0.0
    humidity: float | None = None
    temperature_u: float = 0.5
    barometer_u: float = 100.0
    static_pressure_u: float = 5.0
    humidity_u: float = 0.05


@dataclass(frozen=True, slots=True)
class AirState:
    """`Air`, resolved: model inputs by name, their effects, the density formula chosen, remarks."""

    values: dict[str, float]
    effects: tuple[Effect, ...]
    model: DensityModel
    density: float
    remarks: tuple[Remark, ...]

    @property
    def pressure(self) -> float:
        """Absolute pressure at the plane, Pa."""
        return self.values["barometer"] + self.values["static_pressure"]


def resolve_air(air: Air) -> AirState:
    """Check the air's state and choose its density formula. Errors: Refused, naming the field."""
    _check(air)
    barometer, barometer_u, remarks = _barometer(air)
    humidity = UNKNOWN_HUMIDITY if air.humidity is None else air.humidity
    if air.humidity is None:
        remarks.append(Remark(Code.HUMIDITY_ASSUMED, {"humidity": humidity}))
    pressure = barometer + air.static_pressure
    if pressure <= 0.0:
        raise Refused("air.static_pressure", "makes the absolute pressure negative", air.static_pressure)
    model = density_model(air.temperature, pressure, humidity)
    if not model.within_cipm:
        numbers = {"temperature": air.temperature, "pressure": pressure, "relative_u": model.relative_u}
        remarks.append(Remark(Code.DENSITY_OUTSIDE_CIPM, numbers))
    values = {
        "temperature": air.temperature,
        "barometer": barometer,
        "static_pressure": air.static_pressure,
        "humidity": humidity,
        "density_factor": 1.0,
    }
    density = model.function(air.temperature, pressure, humidity)
    return AirState(values, _effects(air, barometer_u, model), model, density, tuple(remarks))


def _check(air: Air) -> None:
    if finite("air.temperature", air.temperature) <= 0.0:
        raise Refused("air.temperature", "is at or below absolute zero (kelvin expected)", air.temperature)
    finite("air.static_pressure", air.static_pressure)
    for name in ("temperature_u", "barometer_u", "static_pressure_u", "humidity_u"):
        not_negative(f"air.{name}", getattr(air, name))
    if air.humidity is not None and not 0.0 <= finite("air.humidity", air.humidity) <= 1.0:
        raise Refused("air.humidity", "relative humidity must be from 0 to 1", air.humidity)


def _barometer(air: Air) -> tuple[float, float, list[Remark]]:
    if air.barometer is not None:
        if finite("air.barometer", air.barometer) <= 0.0:
            raise Refused("air.barometer", "absolute pressure must be above zero", air.barometer)
        return air.barometer, air.barometer_u, []
    if air.altitude is None:
        raise Refused("air.barometer", "is needed, or the site's altitude instead")
    pressure = pressure_at_altitude(finite("air.altitude", air.altitude))
    return pressure, WEATHER_U, [Remark(Code.PRESSURE_FROM_ALTITUDE, {"pressure": pressure, "u": WEATHER_U})]


def _effects(air: Air, barometer_u: float, model: DensityModel) -> tuple[Effect, ...]:
    unknown = air.humidity is None
    return (
        Effect("Temperature", "temperature", air.temperature_u, Sharing.COMMON),
        Effect("Barometric pressure", "barometer", barometer_u, Sharing.COMMON),
        Effect("Duct static pressure", "static_pressure", air.static_pressure_u, Sharing.COMMON),
        Effect(
            "Humidity",
            "humidity",
            0.5 / math.sqrt(3.0) if unknown else air.humidity_u,
            Sharing.COMMON,
            math.inf,
            Distribution.RECTANGULAR if unknown else Distribution.NORMAL,
        ),
        Effect("Density formula", "density_factor", model.relative_u, Sharing.COMMON),
    )
