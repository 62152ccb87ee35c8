"""What kind of quantity a figure of a result is, so that it is shown in a unit that people read it in."""

from collections.abc import Mapping
from typing import Any

from measurements.models import Result
from reports.document import Quantity

QUANTITIES = {
    "Pa": Quantity.PRESSURE,
    "m/s": Quantity.VELOCITY,
    "m3/s": Quantity.FLOW,
    "K": Quantity.TEMPERATURE,
    "m": Quantity.LENGTH,
    "m2": Quantity.AREA,
    "kg/m3": Quantity.DENSITY,
    "kg/s": Quantity.MASS_FLOW,
    "W": Quantity.POWER,
    "1/s": Quantity.SPEED,
    "V": Quantity.VOLTAGE,
    "A": Quantity.CURRENT,
    "dB": Quantity.SOUND_LEVEL,
    "1/m3": Quantity.CONCENTRATION,
    "m3/s/m2": Quantity.LEAKAGE,
    "m3/s/Pa^0.5": Quantity.FLOW_COEFFICIENT,
    "W/(m3/s)": Quantity.SPECIFIC_POWER,
    "Pa s": Quantity.VISCOSITY,
    "J/(kg K)": Quantity.SPECIFIC_HEAT,
    "J/kg": Quantity.ENTHALPY,
    "s": Quantity.TIME,
}
"""By the SI unit that the calculation names."""
OF_INPUT = {
    "barometer": Quantity.ABSOLUTE_PRESSURE,
    "humidity": Quantity.HUMIDITY,
}
"""Inputs of the calculation whose unit does not say what they are."""
OF_NAME = {
    "outdoor_share": Quantity.FRACTION,
    "imbalance": Quantity.FRACTION,
    "efficiency": Quantity.FRACTION,
    "head": Quantity.HEAD,
    "shut_off_head": Quantity.HEAD,
    "heat": Quantity.HEAT,
    "air_sensible": Quantity.HEAT,
    "air_total": Quantity.HEAT,
    "water_heat": Quantity.HEAT,
    "nc_rating": Quantity.RATING,
    "air_changes": Quantity.RATE,
    "decay_rate": Quantity.RATE,
    **dict.fromkeys(("air_difference", "water_difference"), Quantity.TEMPERATURE_DIFFERENCE),
    **dict.fromkeys(
        (
            "static_efficiency",
            "overall_efficiency",
            "flow_difference",
            "voltage_unbalance",
            "current_unbalance",
            "voltage_deviation",
            "current_deviation",
            "deviation",
            "share",
            "low",
            "high",
        ),
        Quantity.FRACTION,
    ),
    "recovery_rate": Quantity.RATE,
    "air_latent": Quantity.HEAT,
    "coefficient": Quantity.LEAK_COEFFICIENT,
    "leakage_factor": Quantity.LEAK_FACTOR,
}
"""Figures whose unit does not say what they are."""
MIXED = ("return_air", "outdoor_air", "mixed_air", "span")
LIQUIDS = ("valve_flow", "pump_test")
OF_LIQUID = {"m3/s": Quantity.LIQUID_FLOW, "Pa": Quantity.LIQUID_PRESSURE}


def quantity_of(result: Result, name: str, unit: str) -> Quantity:
    """The kind of a figure of this result, by its name and SI unit."""
    if name in MIXED:
        if unit == "1":
            return Quantity.CARBON_DIOXIDE
        return Quantity.TEMPERATURE_DIFFERENCE if name == "span" else Quantity.TEMPERATURE
    if unit in OF_LIQUID and is_liquid(result):
        return OF_LIQUID[unit]
    if name == "coefficient" and unit == "1":
        return Quantity.NUMBER
    return OF_NAME.get(name) or QUANTITIES.get(unit, Quantity.NUMBER)


def is_liquid(result: Result) -> bool:
    """Whether what flows is a liquid."""
    method = result.inputs.get("method", "")
    given: Mapping[str, Any] = result.inputs.get("calculation") or {}
    return method in LIQUIDS or (method == "flow_station" and given.get("fluid") == "water")


def of_input(result: Result, row: Mapping[str, Any]) -> Quantity:
    """The kind of an input in a budget's row."""
    unit = row["unit"]
    if unit in OF_LIQUID and (is_liquid(result) or "water" in row["name"].lower()):
        return OF_LIQUID[unit]
    return OF_INPUT.get(row["input"]) or QUANTITIES.get(unit, Quantity.NUMBER)
