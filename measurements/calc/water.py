"""Water and glycol mixtures: density, specific heat, viscosity, each with validity and uncertainty.

Formulas take a temperature in K and a share of glycol by mass; they can be traced, so both become inputs of
a method's uncertainty budget. `liquid` chooses the formulas and `check_temperature` refuses what they do not
cover. Sources: water's density, G. S. Kell, J. Chem. Eng. Data 20 (1975) 97 (0 to 150 degC); water's
viscosity, IAPWS SR6-08 (liquid water at 0.1 MPa); water's specific heat, a polynomial of this project's own
fitted to IAPWS-95 (0 to 150 degC, largest residual 2e-5); glycol mixtures, see glycol.py.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache

from .air import ZERO_CELSIUS
from .distributions import Distribution, from_limits
from .errors import Refused, finite, not_negative
from .glycol import ETHYLENE, PROPYLENE, LiquidFunction, exponential, polynomial, surface
from .method import Code, Remark
from .places import Readings, Taken, take_mean
from .plan import Sharing
from .trace import exp, log, sqrt
from .uncertainty import Effect

GLYCOL_SHARE_U = 0.01
"""Standard uncertainty of a share found by a refractometer (common practice, no source)."""
LARGEST_SHARE = 0.6
ASSUMED_TEMPERATURE = 313.15
ASSUMED_HALF_WIDTH = 35.0
"""K: a liquid whose temperature nobody took lies between 5 and 75 degC (common practice, no source)."""


class FluidKind(StrEnum):
    """What fills the pipes."""

    WATER = "water"
    ETHYLENE_GLYCOL = "ethylene_glycol"
    PROPYLENE_GLYCOL = "propylene_glycol"


@dataclass(frozen=True, slots=True)
class Fluid:
    """A liquid. share: of glycol by mass, above 0 to 0.6 (0 for water; see `mass_share` for one by volume).

    share_u: its standard uncertainty (None: 0.01 for a glycol, as by a refractometer).
    """

    kind: FluidKind = FluidKind.WATER
    share: float = 0.0
    share_u: float | None = None


@dataclass(frozen=True, slots=True)
class Liquid:
    """The formulas for a fluid. low, high: valid temperatures, K. *_u: relative standard uncertainties."""

    name: str
    share: float
    share_u: float
    low: float
    high: float
    density: LiquidFunction
    specific_heat: LiquidFunction
    viscosity: LiquidFunction
    density_u: float
    specific_heat_u: float
    viscosity_u: float


_KELL = (999.83952, 16.945176, -7.9870401e-3, -46.170461e-6, 105.56302e-9, -280.54253e-12)
_WATER_HEAT = (
    4193.21043,
    50.2616165,
    46.242553,
    11.7405197,
    10.717473,
    -7.00566484,
    6.82111854,
    -11.1250227,
    6.21487695,
)


def water_density(temperature: float, share: float = 0.0) -> float:
    """Density of air-free water in kg/m3 at 1 atm, 0 to 150 degC (Kell 1975). share: not used.

    At 6 bar it is 0.03 % more, at 11 bar 0.06 %.
    """
    t = temperature - ZERO_CELSIUS
    return polynomial(_KELL, t) / (1.0 + 16.879850e-3 * t)


def water_specific_heat(temperature: float, share: float = 0.0) -> float:
    """Specific heat of water in J/(kg K) at 1 atm (above 100 degC just above the boiling pressure)."""
    return polynomial(_WATER_HEAT, (temperature - ZERO_CELSIUS - 75.0) / 75.0)


def water_viscosity(temperature: float, share: float = 0.0) -> float:
    """Dynamic viscosity of water in Pa s (IAPWS SR6-08 from -20 to 110 degC; to 150 degC within 0.4 %)."""
    ln = log(temperature / 300.0)
    terms = ((280.68, -1.9), (511.45, -7.7), (61.131, -19.6), (0.45903, -40.0))
    return 1e-6 * sum(a * exp(b * ln) for a, b in terms)


_FITS = {FluidKind.ETHYLENE_GLYCOL: ETHYLENE, FluidKind.PROPYLENE_GLYCOL: PROPYLENE}
_PURE_DENSITY = {FluidKind.ETHYLENE_GLYCOL: 1113.5, FluidKind.PROPYLENE_GLYCOL: 1036.1}
"""Of the glycols alone at 20 degC, kg/m3 (CRC Handbook, from memory)."""


def freezing_point(fluid: Fluid) -> float:
    """Temperature in K at which ice begins to form. Errors: Refused for a share that is not covered."""
    _check(fluid)
    if fluid.kind is FluidKind.WATER:
        return ZERO_CELSIUS
    return polynomial(_FITS[fluid.kind].freezing, fluid.share - 0.3)


def mass_share(kind: FluidKind, volume_share: float) -> float:
    """Share of glycol by mass from its share of the volumes before mixing, both at 20 degC.

    Errors: Refused outside 0 to 1, and for water.
    """
    if kind is FluidKind.WATER:
        raise Refused("fluid.kind", "is water, which holds no glycol", kind)
    if not 0.0 <= finite("volume_share", volume_share) <= 1.0:
        raise Refused("volume_share", "must be from 0 to 1", volume_share)
    glycol = volume_share * _PURE_DENSITY[kind]
    return glycol / (glycol + (1.0 - volume_share) * water_density(293.15))


def _check(fluid: Fluid) -> None:
    share = finite("fluid.share", fluid.share)
    if fluid.share_u is not None:
        not_negative("fluid.share_u", fluid.share_u)
    if fluid.kind is FluidKind.WATER:
        if share != 0.0:
            raise Refused("fluid.share", "must be 0 for water", share)
    elif not 0.0 < share <= LARGEST_SHARE + 1e-9:
        raise Refused("fluid.share", f"of glycol by mass must be above 0 and at most {LARGEST_SHARE}", share)


_WATER = Liquid(
    "water",
    0.0,
    0.0,
    ZERO_CELSIUS,
    423.15,
    water_density,
    water_specific_heat,
    water_viscosity,
    density_u=0.0004,
    specific_heat_u=0.0008,
    viscosity_u=0.01,
)


@lru_cache(maxsize=8)
def _mixture(kind: FluidKind) -> tuple[LiquidFunction, LiquidFunction, LiquidFunction]:
    fit = _FITS[kind]
    return surface(fit.density), surface(fit.specific_heat), exponential(fit.log_viscosity)


@lru_cache(maxsize=256)
def liquid(fluid: Fluid) -> Liquid:
    """The formulas for a fluid.

    Water from 0 to 150 degC and up to 11 bar: density 0.04 %, specific heat 0.08 %, viscosity 1 % (relative
    standard uncertainties; the first two hold what the pressure changes). Glycol mixtures from freezing to
    100 degC: published tables scatter by about 0.5 % in density, 2 % in specific heat and 5 % in viscosity;
    taken as limits of a rectangular distribution. Errors: Refused for a share that is not covered.
    """
    _check(fluid)
    if fluid.kind is FluidKind.WATER:
        return _WATER
    density_of, heat_of, viscosity_of = _mixture(fluid.kind)
    return Liquid(
        f"{fluid.kind.value.replace('_', ' ')} {100.0 * fluid.share:g} % by mass",
        fluid.share,
        GLYCOL_SHARE_U if fluid.share_u is None else fluid.share_u,
        freezing_point(fluid),
        373.15,
        density_of,
        heat_of,
        viscosity_of,
        density_u=from_limits(0.005),
        specific_heat_u=from_limits(0.02),
        viscosity_u=from_limits(0.05),
    )


def check_temperature(fluid: Fluid, temperature: float, name: str = "temperature") -> Liquid:
    """The fluid's formulas, where they hold at this temperature (K).

    Errors: Refused, naming `name`, below freezing and above 150 degC (glycol mixtures 100 degC).
    """
    found = liquid(fluid)
    if finite(name, temperature) < found.low:
        raise Refused(name, f"is below the freezing point of {found.name}, {found.low:.2f} K", temperature)
    if temperature > found.high:
        raise Refused(name, f"of {found.name} is covered up to {found.high:.2f} K only", temperature)
    return found


def density(fluid: Fluid, temperature: float) -> float:
    """Density in kg/m3 at a temperature in K. Errors: Refused outside validity (`check_temperature`)."""
    return check_temperature(fluid, temperature).density(temperature, fluid.share)


def specific_heat(fluid: Fluid, temperature: float) -> float:
    """Specific heat in J/(kg K) at a temperature in K. Errors: Refused outside validity."""
    return check_temperature(fluid, temperature).specific_heat(temperature, fluid.share)


def viscosity(fluid: Fluid, temperature: float) -> float:
    """Dynamic viscosity in Pa s at a temperature in K. Errors: Refused outside validity."""
    return check_temperature(fluid, temperature).viscosity(temperature, fluid.share)


def kinematic_viscosity(fluid: Fluid, temperature: float) -> float:
    """Kinematic viscosity in m2/s at a temperature in K. Errors: Refused outside validity."""
    return viscosity(fluid, temperature) / density(fluid, temperature)


def flow_error_if_taken_as_water(fluid: Fluid, temperature: float) -> float:
    """Fraction by which a flow from a pressure drop reads high when a glycol mixture is taken as water.

    Flow goes with 1/sqrt(density), so the error is sqrt(density / water's density) - 1 at the same
    temperature in K (water's at 0 degC when it is colder). Viscosity comes on top and is not in it.
    """
    water = water_density(max(temperature, ZERO_CELSIUS))
    return sqrt(density(fluid, temperature) / water) - 1.0


def heat_error_if_taken_as_water(fluid: Fluid, temperature: float) -> float:
    """Fraction by which a heat from a known volume flow reads high when a mixture is taken as water."""
    warm = max(temperature, ZERO_CELSIUS)
    water = water_density(warm) * water_specific_heat(warm)
    return water / (density(fluid, temperature) * specific_heat(fluid, temperature)) - 1.0


@dataclass(frozen=True, slots=True)
class LiquidState:
    """A fluid at the temperature read: model inputs `temperature`, `share`, `density_factor`."""

    liquid: Liquid
    temperature: float
    taken: Taken | None
    values: dict[str, float]
    effects: tuple[Effect, ...]
    remarks: tuple[Remark, ...]


def resolve_liquid(fluid: Fluid, temperature: Readings | None) -> LiquidState:
    """Take the fluid's temperature, or assume 5 to 75 degC with a remark. Errors: Refused."""
    if temperature is None:
        value, taken = ASSUMED_TEMPERATURE, None
        u = from_limits(ASSUMED_HALF_WIDTH)
        rectangular = Distribution.RECTANGULAR
        effects: tuple[Effect, ...] = (
            Effect("Fluid temperature not taken", "temperature", u, Sharing.COMMON, distribution=rectangular),
        )
        numbers = {"temperature": value, "half_width": ASSUMED_HALF_WIDTH}
        remarks = [Remark(Code.FLUID_TEMPERATURE_ASSUMED, numbers)]
    else:
        taken = take_mean(temperature, "temperature", "fluid temperature")
        value, effects, remarks = taken.value, taken.effects, taken.remarks
    found = check_temperature(fluid, value)
    values = {"temperature": value, "share": found.share, "density_factor": 1.0}
    return LiquidState(
        found, value, taken, values, (*effects, *liquid_effects(found, "density")), tuple(remarks)
    )


def liquid_effects(found: Liquid, *properties: str) -> tuple[Effect, ...]:
    """Effects of the share and of the formulas named, on the inputs `share` and `<property>_factor`."""
    formulas = [
        Effect(
            f"{name.replace('_', ' ').capitalize()} formula",
            f"{name}_factor",
            getattr(found, f"{name}_u"),
            Sharing.COMMON,
        )
        for name in properties
    ]
    if found.share_u > 0.0:
        formulas.insert(0, Effect("Glycol share", "share", found.share_u, Sharing.COMMON))
    return tuple(formulas)
