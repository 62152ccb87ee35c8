"""Heat of a coil from its air side and its water side, and whether the two agree."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from .air import ZERO_CELSIUS, humidity_from_wet_bulb, humidity_ratio
from .coil_model import Moisture, Side, Wiring, coil_model
from .conditions import UNKNOWN_HUMIDITY
from .distributions import Distribution, from_limits
from .errors import Refused, not_negative, positive
from .method import Code, Estimate, MethodResult, Remark, solve
from .places import Readings, Taken, same_instrument, take_mean
from .plan import Sharing
from .records import digest
from .uncertainty import Correlation, Effect, Result
from .version import CALCULATION_VERSION
from .water import Fluid, Liquid, check_temperature, liquid, liquid_effects

OUTPUTS = {
    "air_sensible": ("Sensible heat of the air", "W"),
    "air_latent": ("Latent heat of the air", "W"),
    "air_total": ("Total heat of the air", "W"),
    "water_heat": ("Heat of the water", "W"),
    "imbalance": ("Water's heat over the air's, less one", "1"),
    "air_difference": ("Temperature rise of the air", "K"),
    "water_difference": ("Temperature rise of the water", "K"),
}
UNITS = {
    "air_flow": "m3/s",
    "water_flow": "m3/s",
    "barometer": "Pa",
    **dict.fromkeys(("entering_air", "leaving_air", "entering_water", "leaving_water"), "K"),
}
WETTEST = 1.02
"""Relative humidity above which a reading cannot be (a cooling coil's air is often saturated)."""
NOT_MOIST = "Humidity not measured"


@dataclass(frozen=True, slots=True)
class CoilLimits:
    """From where a remark is made, and an allowance. Common practice unless a source is named."""

    difference: float = 0.1
    """Standard uncertainty of a temperature difference over the difference; above it no verdict."""
    air_formula: float = 0.005
    """Relative standard uncertainty of moist air as ideal gases (against a real-gas model; see the tests)."""


@dataclass(frozen=True, slots=True)
class CoilHeat:
    """Input of `coil_heat`.

    air_flow: actual m3/s at the state `air_flow_at`. entering_air, leaving_air: dry bulb, K. Moisture at each
    place by relative humidity (0 to 1) or wet bulb (K). barometer: absolute Pa. water_flow: m3/s at the
    temperature of `water_flow_at`. entering_water, leaving_water: K.
    """

    air_flow: Estimate | None = None
    air_flow_at: Side = Side.ENTERING
    entering_air: Readings | None = None
    leaving_air: Readings | None = None
    entering_humidity: Readings | None = None
    leaving_humidity: Readings | None = None
    entering_wet_bulb: Readings | None = None
    leaving_wet_bulb: Readings | None = None
    barometer: Estimate | None = None
    water_flow: Estimate | None = None
    water_flow_at: Side = Side.LEAVING
    entering_water: Readings | None = None
    leaving_water: Readings | None = None
    fluid: Fluid = field(default_factory=Fluid)
    limits: CoilLimits = field(default_factory=CoilLimits)


@dataclass(frozen=True, slots=True)
class _Moist:
    """The moisture measured at a place; ratio: kg/kg."""

    kind: Moisture
    taken: Taken
    over_ice: bool
    ratio: float


@dataclass(frozen=True, slots=True)
class _Coil:
    """Readings taken and the choices that follow from them. air, water: whether that side is complete."""

    temperatures: Mapping[str, Taken]
    entering: _Moist | None
    leaving: _Moist | None
    liquid: Liquid
    air: bool
    water: bool
    cools: bool

    @property
    def moist(self) -> tuple[Taken, ...]:
        """What told the moisture."""
        return tuple(m.taken for m in (self.entering, self.leaving) if m is not None)

    @property
    def total(self) -> bool:
        """Whether the air's total heat is known: heating adds no moisture, cooling takes some away."""
        return self.air and (not self.cools or len(self.moist) == 2)


def coil_heat(inputs: CoilHeat) -> MethodResult:
    """Heat that passes between air and water, positive; measurand: "heat" (W).

    It is the water's where its flow and temperatures are known, else the air's total, else (cooling without
    the moisture at both places) the air's sensible heat, which carries no verdict: classes["heat_from"] says
    water, air_total or air_sensible, classes["direction"] air_to_water (the air is cooled) or water_to_air.
    Results as far as the readings go: "air_sensible", "air_latent", "air_total", "water_heat" (W),
    "imbalance" (water's over air's, less one), "air_difference", "water_difference" (K, leaving less
    entering). Heating adds no moisture: total is sensible. No verdict where a temperature difference of the
    side that counts is not clear of its uncertainty, or where the sides contradict in direction.
    Errors: Refused (neither side complete, a temperature outside validity, a wet bulb above its dry bulb).
    """
    coil = _take(inputs)
    identity = digest("coil_heat", inputs, CALCULATION_VERSION)
    model = coil_model(coil.liquid, _wiring(inputs, coil))
    values, effects, pairs = _values(inputs, coil), _effects(inputs, coil), _correlations(coil)

    def results(names: Iterable[str]) -> dict[str, Result]:
        return solve(model, values, effects, identity, {n: OUTPUTS[n] for n in names}, pairs, UNITS)

    found = results(_wanted(coil))
    if "water_heat" in found and "air_total" in found and found["air_total"].value != 0.0:
        found.update(results(["imbalance"]))
    heat_from = "water" if coil.water else "air_total" if coil.total else "air_sensible"
    key = "water_heat" if coil.water else heat_from
    remarks, allowed = _remarks(inputs, coil, found)
    return MethodResult(
        method="coil_heat",
        measurand="heat",
        results={"heat": replace(found[key], name="Heat"), **found},
        digest=identity,
        remarks=(*remarks, *(r for t in (*coil.temperatures.values(), *coil.moist) for r in t.remarks)),
        verdict_allowed=allowed and heat_from != "air_sensible",
        classes={
            "heat_from": heat_from,
            "direction": "air_to_water" if coil.cools else "water_to_air",
        },
    )


_TEMPERATURES = {
    "entering_air": "entering air",
    "leaving_air": "leaving air",
    "entering_water": "entering water",
    "leaving_water": "leaving water",
}


def _take(inputs: CoilHeat) -> _Coil:
    air, water = _sides(inputs)
    taken = {
        name: take_mean(readings, name, label)
        for name, label in _TEMPERATURES.items()
        if (readings := getattr(inputs, name)) is not None
    }
    for name, t in taken.items():
        if name.endswith("_water"):
            check_temperature(inputs.fluid, t.value, name)
        elif not 233.15 <= t.value <= 363.15:
            raise Refused(name, "air is covered from -40 to 90 degC only (kelvin expected)", t.value)
    side = "water" if water else "air"
    rise = taken[f"leaving_{side}"].value - taken[f"entering_{side}"].value
    cools = rise >= 0.0 if water else rise <= 0.0
    entering = _moisture(inputs, Side.ENTERING, taken) if air else None
    leaving = _moisture(inputs, Side.LEAVING, taken) if air else None
    if not cools and entering is not None:
        leaving = None  # a second hygrometer would only add its noise: heating adds no moisture
    return _Coil(taken, entering, leaving, liquid(inputs.fluid), air, water, cools)


def _sides(inputs: CoilHeat) -> tuple[bool, bool]:
    """Whether air and water are complete. Errors: Refused, naming what a side still needs."""
    sides = []
    for side in ("air", "water"):
        flow = getattr(inputs, f"{side}_flow")
        ends = [f"entering_{side}", f"leaving_{side}"]
        for name in ends:
            if flow is not None and getattr(inputs, name) is None:
                raise Refused(name, f"is needed with the flow of {side}")
        if flow is not None:
            positive(f"{side}_flow", flow.value)
            not_negative(f"{side}_flow.u", flow.u)
        sides.append(flow is not None)
    if not any(sides):
        raise Refused("water_flow", "is needed, or the flow of air, each with both temperatures")
    if sides[0]:
        if inputs.barometer is None:
            raise Refused("barometer", "is needed with the flow of air")
        if not 50_000.0 <= positive("barometer", inputs.barometer.value) <= 120_000.0:
            raise Refused("barometer", "air is covered from 500 to 1200 hPa only", inputs.barometer.value)
        not_negative("barometer.u", inputs.barometer.u)
    return sides[0], sides[1]


def _moisture(inputs: CoilHeat, place: Side, taken: Mapping[str, Taken]) -> _Moist | None:
    humidity = getattr(inputs, f"{place}_humidity")
    bulb = getattr(inputs, f"{place}_wet_bulb")
    if humidity is not None and bulb is not None:
        raise Refused(f"{place}_wet_bulb", "is given beside a relative humidity: give one of them")
    pressure = inputs.barometer.value if inputs.barometer is not None else 0.0
    dry = taken[f"{place}_air"].value
    if humidity is not None:
        name = f"{place}_humidity"
        t = take_mean(humidity, f"{place}_moisture", f"{place} humidity")
        if not 0.0 <= t.value <= WETTEST:
            raise Refused(name, "relative humidity must be from 0 to 1", t.value)
        ratio = humidity_ratio(dry, pressure, min(t.value, 1.0))
        return _Moist(Moisture.HUMIDITY, t, dry <= 273.16, ratio)
    if bulb is None:
        return None
    t = take_mean(bulb, f"{place}_moisture", f"{place} wet bulb")
    try:
        relative = humidity_from_wet_bulb(dry, t.value, pressure)
    except Refused as error:
        raise Refused(f"{place}_wet_bulb", error.reason, t.value) from error
    return _Moist(Moisture.WET_BULB, t, t.value < ZERO_CELSIUS, humidity_ratio(dry, pressure, relative))


def _wiring(inputs: CoilHeat, coil: _Coil) -> Wiring:
    before, after = coil.entering, coil.leaving
    first = before.kind if before else Moisture.CARRIED if after else Moisture.HUMIDITY
    frozen = coil.air and coil.temperatures["entering_air"].value <= 273.16
    return Wiring(
        first,
        after.kind if after else Moisture.CARRIED,
        before.over_ice if before else frozen,
        after.over_ice if after else False,
        inputs.air_flow_at,
        inputs.water_flow_at,
        coil.cools,
        bool(before and after and before.ratio > after.ratio),
    )


def _values(inputs: CoilHeat, coil: _Coil) -> dict[str, float]:
    """Of every input of the model; those of a side that is not there do not matter."""
    places = {name: t.value for name, t in coil.temperatures.items()}
    return {
        **dict.fromkeys(_TEMPERATURES, 300.0),
        **places,
        "air_flow": inputs.air_flow.value if inputs.air_flow is not None else 1.0,
        "water_flow": inputs.water_flow.value if inputs.water_flow is not None else 1.0,
        "entering_moisture": coil.entering.taken.value if coil.entering else UNKNOWN_HUMIDITY,
        "leaving_moisture": coil.leaving.taken.value if coil.leaving else UNKNOWN_HUMIDITY,
        "barometer": inputs.barometer.value if inputs.barometer is not None else 101_325.0,
        "share": coil.liquid.share,
        **dict.fromkeys(("air_factor", "density_factor", "specific_heat_factor"), 1.0),
    }


def _effects(inputs: CoilHeat, coil: _Coil) -> list[Effect]:
    effects = [e for t in (*coil.temperatures.values(), *coil.moist) for e in t.effects]
    given = {"air_flow": "Flow of air", "water_flow": "Flow of water", "barometer": "Barometric pressure"}
    for name, label in given.items():
        known: Estimate | None = getattr(inputs, name)
        if known is not None:
            effects.append(Effect(label, name, known.u, Sharing.COMMON, known.dof))
    if coil.air:
        effects.append(
            Effect("Formulas of moist air", "air_factor", inputs.limits.air_formula, Sharing.COMMON)
        )
    if coil.air and not coil.moist:
        u, rectangular = from_limits(UNKNOWN_HUMIDITY), Distribution.RECTANGULAR
        effects.append(Effect(NOT_MOIST, "entering_moisture", u, Sharing.COMMON, distribution=rectangular))
    if coil.water:
        effects += liquid_effects(coil.liquid, "density", "specific_heat")
    return effects


def _correlations(coil: _Coil) -> list[Correlation]:
    """Thermometers with thermometers (a wet bulb is one), hygrometers with hygrometers."""
    moist = [m for m in (coil.entering, coil.leaving) if m is not None]
    bulbs = [m.taken for m in moist if m.kind is Moisture.WET_BULB]
    hygrometers = [m.taken for m in moist if m.kind is Moisture.HUMIDITY]
    return [*same_instrument(*coil.temperatures.values(), *bulbs), *same_instrument(*hygrometers)]


def _wanted(coil: _Coil) -> list[str]:
    both = {side: all(f"{end}_{side}" in coil.temperatures for end in Side) for side in ("air", "water")}
    chosen = {
        "air_sensible": coil.air,
        "air_latent": coil.total and coil.cools,
        "air_total": coil.total,
        "water_heat": coil.water,
        "air_difference": both["air"],
        "water_difference": both["water"],
    }
    return [name for name, there in chosen.items() if there]


def _remarks(inputs: CoilHeat, coil: _Coil, found: Mapping[str, Result]) -> tuple[list[Remark], bool]:
    """What the figures tell, and whether the heat may carry a verdict."""
    remarks, allowed = [], True
    for side in ("air", "water"):
        rise = found.get(f"{side}_difference")
        if rise is None or rise.u <= inputs.limits.difference * abs(rise.value):
            continue
        numbers = {"difference": rise.value, "u": rise.u, "limit": inputs.limits.difference}
        remarks.append(Remark(Code.SMALL_DIFFERENCE, numbers, (side,)))
        allowed = allowed and side != ("water" if coil.water else "air")
    rises = [found[n] for n in ("air_difference", "water_difference") if n in found]
    clear = len(rises) == 2 and all(abs(r.value) > r.U for r in rises)
    if clear and rises[0].value * rises[1].value > 0.0:
        numbers = {"air_difference": rises[0].value, "water_difference": rises[1].value}
        remarks.append(Remark(Code.HEAT_DIRECTIONS, numbers))
        allowed = False
    balance = found.get("imbalance")
    if balance is not None and abs(balance.value) > balance.U:
        remarks.append(Remark(Code.HEAT_BALANCE, {"imbalance": balance.value, "U": balance.U}))
    if coil.air and not coil.total:
        remarks.append(Remark(Code.LATENT_NOT_MEASURED))
    if coil.air and not coil.moist:
        remarks.append(Remark(Code.HUMIDITY_ASSUMED, {"humidity": UNKNOWN_HUMIDITY}))
    return remarks, allowed
