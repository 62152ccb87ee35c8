"""What every measuring method gives back, and what it may be told: remarks, allowances, limits."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum

from .trace import Formula
from .uncertainty import Correlation, Effect, Result, Values, propagate
from .version import CALCULATION_VERSION


class Code(StrEnum):
    """What a method noticed. The numbers of each are named beside it."""

    NEGATIVE_READINGS = "negative_readings"  # count, lowest (Pa)
    SWAPPED_HOSES = "swapped_hoses"  # count, mean (Pa)
    BAD_DISTRIBUTION = "bad_distribution"  # share, needed
    POINTS_MISSING = "points_missing"  # missing, expected
    POINTS_DOUBLED = "points_doubled"  # doubled
    TOO_FEW_POINTS = "too_few_points"  # points, advised
    NO_LAYOUT = "no_layout"  # points
    NEAR_RESOLUTION = "near_resolution"  # count, resolution, lowest
    LOW_VELOCITY = "low_velocity"  # velocity, limit (m/s)
    RUNS_DISAGREE = "runs_disagree"  # spread, limit (fraction of the mean)
    SINGLE_RUN = "single_run"  # runs
    ZERO_SHIFT = "zero_shift"  # shift, limit
    ZERO_NOT_CHECKED = "zero_not_checked"
    ROOT_OF_MEAN_BIAS = "root_of_mean_bias"  # bias (fraction the root of the mean pressure would read high)
    AVERAGED_PRESSURE = "averaged_pressure"  # bias taken off, as a fraction
    COMPRESSIBLE = "compressible"  # bias (fraction the velocity reads high)
    IMPLAUSIBLE_VELOCITY = "implausible_velocity"  # velocity, limit (m/s)
    POOR_PLANE = "poor_plane"  # upstream, downstream, wanted_upstream, wanted_downstream (diameters)
    PLANE_NOT_MEASURED = "plane_not_measured"
    NO_CERTIFICATE = "no_certificate"
    OUTSIDE_CERTIFICATE = "outside_certificate"  # count
    OUTSIDE_RANGE = "outside_range"  # count, low, high
    PRESSURE_FROM_ALTITUDE = "pressure_from_altitude"  # pressure (Pa), u (Pa)
    HUMIDITY_ASSUMED = "humidity_assumed"  # humidity
    DENSITY_OUTSIDE_CIPM = "density_outside_cipm"  # temperature (K), pressure (Pa), relative_u
    SWEEPS_UNLIKE = "sweeps_unlike"  # shortest, longest (s)
    LINES_MISSING = "lines_missing"  # missing, expected
    SAMPLES_DROPPED = "samples_dropped"  # dropped, settling (s)
    NO_TIME_SERIES = "no_time_series"  # lines, u (fraction of the velocity that their lack costs)
    ROUND_SWEEP = "round_sweep"  # factor, u, by_rings (what the series' own rings ask for, where known)
    SCREENING_ONLY = "screening_only"  # factor
    HOOD_FACTOR_ASSUMED = "hood_factor_assumed"  # u
    BACK_PRESSURE = "back_pressure"  # flow, limit (m3/s)
    # Liquids, valves, pumps
    FLUID_TEMPERATURE_ASSUMED = "fluid_temperature_assumed"  # temperature, half_width (K)
    LOW_DROP = "low_drop"  # drop, advised, least (Pa)
    SIGNAL_FLUCTUATES = "signal_fluctuates"  # spread, limit (fraction of the flow)
    VISCOUS_FLUID = "viscous_fluid"  # kinematic_viscosity, limit (m2/s)
    SETTING_NOT_RECORDED = "setting_not_recorded"
    NEGATIVE_HEAD = "negative_head"  # head (m)
    VELOCITY_HEAD_LEFT_OUT = "velocity_head_left_out"
    OUTSIDE_CURVE = "outside_curve"  # head, lowest, highest (m)
    AMBIGUOUS_CURVE = "ambiguous_curve"  # head, shut_off (m)
    FLAT_CURVE = "flat_curve"  # relative_U, limit (of the flow on the curve)
    FLOW_OFF_CURVE = "flow_off_curve"  # flow, curve_flow (m3/s), normalised
    SHUT_OFF_HEAD = "shut_off_head"  # ratio, limit, impeller (ratio of diameters)
    SHUT_OFF_NOT_ON_CURVE = "shut_off_not_on_curve"  # lowest_flow (m3/s)
    CURVE_SPEED_ASSUMED = "curve_speed_assumed"  # limit (fraction)
    POWER_FACTOR_MISSING = "power_factor_missing"
    PUMP_OVER_NAMEPLATE = "pump_over_nameplate"  # value, nameplate (W or A)
    IMPOSSIBLE_EFFICIENCY = "impossible_efficiency"  # efficiency
    # Coils
    SMALL_DIFFERENCE = "small_difference"  # difference, u (K), limit (fraction)
    HEAT_BALANCE = "heat_balance"  # imbalance, U (fractions of the air's heat)
    HEAT_DIRECTIONS = "heat_directions"  # air_difference, water_difference (K)
    LATENT_NOT_MEASURED = "latent_not_measured"
    # Sound
    BACKGROUND_TOO_HIGH = "background_too_high"  # difference, limit (dB)
    BANDS_MISSING = "bands_missing"  # missing, expected
    OTHER_BAND_MAY_GOVERN = "other_band_may_govern"  # difference, U
    OUTSIDE_NOISE_CURVES = "outside_noise_curves"  # rating, lowest, highest
    # anemometer_traverse, face_velocity, hood_face
    REVERSED_FLOW = "reversed_flow"  # count, lowest (m/s)
    HEAD_BLOCKAGE = "head_blockage"  # share (of the duct's area), limit
    FACE_UNEVEN = "face_uneven"  # spread (standard deviation over the mean), limit
    FACE_POINTS_OFF = "face_points_off"  # count, largest (fraction off the mean), limit
    GRID_COARSE = "grid_coarse"  # width, height of a square, limit (m)
    CONTAINMENT_NOT_TESTED = "containment_not_tested"
    # Pressures: fixed devices, leakage, rooms, profiles, checks
    CERTIFICATE_MIRRORED = "certificate_mirrored"  # count
    FACTOR_WITHOUT_UNCERTAINTY = "factor_without_uncertainty"
    DEVICE_LENGTHS = "device_lengths"  # added_U (relative; 0: not known)
    EXPONENT_ASSUMED = "exponent_assumed"  # exponent, u, pressures
    EXPONENT_IMPLAUSIBLE = "exponent_implausible"  # exponent, U, low, high
    POOR_FIT = "poor_fit"  # r2, limit
    TEST_PRESSURE_OUTSIDE = "test_pressure_outside"  # pressure, low, high (Pa)
    DIRECTION_UNDECIDED = "direction_undecided"  # pressure, U (Pa)
    DIRECTION_WRONG = "direction_wrong"  # pressure (Pa)
    DIRECTION_CONTRADICTED = "direction_contradicted"  # pressure (Pa), velocity (m/s)
    RECOVERY_EXTRAPOLATED = "recovery_extrapolated"  # reached, wanted (ratios of the concentration)
    DROP_ABOVE_CLEAN = "drop_above_clean"  # drop, clean (Pa), ratio, limit
    DROP_NEGATIVE = "drop_negative"  # drop, U (Pa)
    SIGN_UNEXPECTED = "sign_unexpected"  # pressure, U (Pa)
    STATIONS_MISSING = "stations_missing"  # missing, expected
    GAS_LICENSED = "gas_licensed"
    RELEASE_ABOVE_MAKE = "release_above_make"  # difference, U (Pa)
    NO_SWITCHING_DIFFERENCE = "no_switching_difference"  # difference, U (Pa)
    NO_LIMITS = "no_limits"
    # Balancing of a branch tree (network)
    OUTLET_NO_FLOW = "outlet_no_flow"  # flow (m3/s)
    OUTLET_REVERSED = "outlet_reversed"  # flow (m3/s)
    OUTLET_NO_DESIGN = "outlet_no_design"  # flow (m3/s)
    REFERENCE_NOT_OPEN = "reference_not_open"
    REFERENCE_LOW = "reference_low"  # share, branch_share
    CANNOT_THROTTLE = "cannot_throttle"  # relative, tolerance
    CANNOT_REACH = "cannot_reach"  # relative, tolerance
    BRANCH_DEAD = "branch_dead"
    LOSS_ASSUMED = "loss_assumed"  # share, u (means over the branches named)
    VALVE_OUTSIDE_TABLE = "valve_outside_table"  # coefficient, low, high (m3/s at 1 Pa)
    MODEL_MISSES = "model_misses"  # count, worst (difference over its expanded uncertainty)
    # Fan test
    FIELD_FAN_STATIC = "field_fan_static"  # velocity_pressure (Pa, at the inlet, where known)
    NO_PRESSURE_RISE = "no_pressure_rise"  # inlet, outlet (Pa)
    INLET_PRESSURE_POSITIVE = "inlet_pressure_positive"  # inlet (Pa)
    MOTOR_OVERCURRENT = "motor_overcurrent"  # current, limit, U (A)
    MOTOR_OVERLOAD = "motor_overload"  # power, limit, U (W)
    VOLTAGE_UNBALANCE = "voltage_unbalance"  # unbalance, limit, U (fractions)
    VOLTAGE_UNBALANCE_SEVERE = "voltage_unbalance_severe"  # unbalance, limit, U (fractions)
    CURRENT_UNBALANCE = "current_unbalance"  # unbalance, limit, U (fractions)
    VOLTAGE_OFF_NAMEPLATE = "voltage_off_nameplate"  # voltage, nameplate (V), deviation, limit (fractions)
    ABOVE_MAXIMUM_SPEED = "above_maximum_speed"  # speed, limit, U (1/s)
    SPEED_OFF_SHEAVES = "speed_off_sheaves"  # speed, expected (1/s), limit (fraction)
    POWER_FROM_AMPS = "power_from_amps"  # limit (fraction); amps_and_volts, no_load (W), difference
    FAN_EFFICIENCY_HIGH = "fan_efficiency_high"  # efficiency, limit
    AIR_POWER_COMPRESSIBLE = "air_power_compressible"  # bias, limit (fractions)
    FAN_CURVE_NOT_READ = "fan_curve_not_read"  # the inputs missing as points
    CURVE_BY_FIELD_STATIC = "curve_by_field_static"
    OFF_FAN_CURVE = "off_fan_curve"  # pressure, low, high (Pa, at the curve's speed and density)
    NEAR_CURVE_PEAK = "near_curve_peak"  # pressure, low, high, U (Pa, at the curve's speed and density)
    LEFT_OF_PEAK = "left_of_peak"  # flow, peak_flow (m3/s)
    FAN_FLOW_OFF_CURVE = "fan_flow_off_curve"  # difference, U (fractions of the curve's flow)
    FAN_LAWS_DISAGREE = "fan_laws_disagree"  # difference, U (fractions); the law as point
    # Mixed air
    SPAN_TOO_SMALL = "span_too_small"  # span, u (K or share of carbon dioxide), relative_u, limit
    SHARE_OUTSIDE = "share_outside"  # share, U
    STRATIFIED = "stratified"  # spread, limit (fractions of the span between outdoor and return air)
    MIXED_AT_ONE_PLACE = "mixed_at_one_place"  # u (fraction of the span between outdoor and return air)
    FIRST_ORDER_SKEWED = "first_order_skewed"  # low, high (exact interval), first_low, first_high
    # Traverses
    INTEGRATION_BIAS = "integration_bias"  # bias, u (fractions the mean reads high), corrected (1) or left in
    # Sweeps
    SETTLING_FOUND = "settling_found"  # dropped, longest (s)
    SETTLING_UNCLEAR = "settling_unclear"  # sweeps
    SERIES_PAUSED = "series_paused"  # sweeps, longest, step (s)
    SERIES_SHORT = "series_short"  # sweeps, shortest (s)
    SWEEPS_DISAGREE = "sweeps_disagree"  # spread, limit (fractions of the line's mean)


@dataclass(frozen=True, slots=True)
class Remark:
    """One finding: its code, its numbers (SI), and the labels of the points or lines concerned."""

    code: Code
    numbers: Mapping[str, float] = field(default_factory=dict)
    points: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Allowances:
    """Standard uncertainties that no reading shows. Common practice unless a field says otherwise.

    Fractions of the velocity unless a unit is given. None: computed (see the methods).
    """

    dimension: float = 0.001
    """m, of each inside dimension, one tape for all."""
    alignment: float = 0.0022
    """A standard pitot-static tube turned by up to 5 degrees errs by up to half a percent (ISO 3966, from
    memory), with the square of the angle; any angle alike: 0.5 % / sqrt(5)."""
    integration: float | None = None
    plane: float | None = None
    single_sweep: float = 0.02
    """Fluctuation of one sweep without a time series or a repeat."""
    hood_placement: float = 0.02
    """How well a hood covers and seals an outlet."""
    hood_factor: float = 0.03
    """A hood's factor for an outlet type, when no traverse of that type found it."""
    single_run: float = 0.005
    """What the whole flow may be off its mean during a run that is not repeated."""


@dataclass(frozen=True, slots=True)
class Limits:
    """From where a remark is made. Settings of a company; the defaults are common practice."""

    distribution_share: float = 0.75
    """More than this share of the pressures must exceed a tenth of the largest (AMCA 203, ASHRAE 111)."""
    resolutions: float = 10.0
    """Readings of fewer display steps are near the resolution."""
    low_velocity: float = 3.0
    """m/s, below which a pitot-static tube's pressure is lost in zero and resolution."""
    high_velocity: float = 60.0
    """m/s, implausible in ducts."""
    runs_spread: float = 0.05
    """Range of the runs' means over their mean."""
    zero_share: float = 0.02
    """Zero shift over the mean reading (and never less than two display steps)."""
    compressibility: float = 0.001
    sweep_ratio: float = 1.2
    """Longest sweep over the shortest."""
    hood_high_flow: float | None = None
    """m3/s above which a hood's back pressure matters (from its maker)."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with its standard uncertainty and degrees of freedom."""

    value: float
    u: float
    dof: float = float("inf")


STANDARD_PROBE = Estimate(1.0, 0.005)
"""Factor of a standard pitot-static tube (ISO 3966 shapes), not calibrated on its own."""


@dataclass(frozen=True, slots=True)
class PointVelocity:
    """Velocity at one point or of one line. x, y: place in the cross section in m (None without layout).

    value: corrected reading, mean over runs. share: of the mean velocity.
    """

    label: str
    hole: int
    row: int
    x: float | None
    y: float | None
    value: float
    velocity: float
    share: float


@dataclass(frozen=True, slots=True)
class RunFigure:
    """Mean velocity (m/s; None for a hood) and flow (m3/s) of one run alone."""

    run: int
    velocity: float | None
    flow: float


@dataclass(frozen=True, slots=True)
class PartFigure:
    """One figure of a part: its name, value, expanded uncertainty (None: not stated) and SI unit."""

    name: str
    value: float
    U: float | None
    unit: str


@dataclass(frozen=True, slots=True)
class Part:
    """One part of what was found: a component, a band, a test pressure, a run. All parts of a result have
    the same names of figures in the same order. word: a coded word of this part alone ("" for none).
    """

    label: str
    figures: tuple[PartFigure, ...]
    word: str = ""


@dataclass(frozen=True, slots=True)
class MethodResult:
    """What a method found.

    measurand: the name in `results` that a verdict is about. results: every figure with its budget, by name,
    the most wanted first; a flow of air has "flow" (m3/s, actual), "standard_flow" and "density" (kg/m3).
    points, runs: of a traverse or a grid. parts: what was found part by part. classes: coded words by name
    ({"leakage_class": "B"}). area: m2. verdict_allowed: whether the figure may carry a verdict at all; the
    remarks say why not. limits: of the measurand, low and high, where the test itself brings them (a class, a
    maker's limit). digest: SHA-256 of the method, its inputs and the calculation's version.
    """

    method: str
    measurand: str
    results: Mapping[str, Result]
    digest: str
    remarks: tuple[Remark, ...] = ()
    verdict_allowed: bool = True
    limits: tuple[float | None, float | None] | None = None
    points: tuple[PointVelocity, ...] = ()
    runs: tuple[RunFigure, ...] = ()
    parts: tuple[Part, ...] = ()
    classes: Mapping[str, str] = field(default_factory=dict)
    area: float | None = None
    density_model: str = ""
    standard_density: float | None = None
    calculation_version: str = CALCULATION_VERSION

    @property
    def main(self) -> Result:
        """The measurand's figure."""
        return self.results[self.measurand]

    @property
    def flow(self) -> Result:
        """Actual flow, m3/s. KeyError when the method has none."""
        return self.results["flow"]

    @property
    def standard_flow(self) -> Result:
        """Flow at standard density, m3/s. KeyError when the method has none."""
        return self.results["standard_flow"]

    @property
    def velocity(self) -> Result | None:
        """Mean velocity, m/s, if the method has one."""
        return self.results.get("velocity")

    @property
    def density(self) -> Result:
        """Air density, kg/m3. KeyError when the method has none."""
        return self.results["density"]

    def remark(self, code: Code) -> Remark | None:
        """The remark of this code, if it was made."""
        return next((r for r in self.remarks if r.code is code), None)


UNITS: Mapping[str, str] = {
    "pressure": "Pa",
    "root": "Pa^0.5",
    "velocity": "m/s",
    "indicated": "m3/s",
    "temperature": "K",
    "barometer": "Pa",
    "static_pressure": "Pa",
    "humidity": "1",
    "dimension": "m",
    "standard_density": "kg/m3",
}
"""Units of the models' inputs, for budgets."""

OUTPUTS = {
    "flow": ("Flow", "m3/s"),
    "standard_flow": ("Flow at standard density", "m3/s"),
    "velocity": ("Mean velocity", "m/s"),
    "density": ("Air density", "kg/m3"),
}
"""Names and units of what a flow of air gives."""
HOOD_OUTPUTS = {name: OUTPUTS[name] for name in ("flow", "standard_flow", "density")}


def solve(
    function: Formula,
    values: Values,
    effects: Sequence[Effect],
    digest: str,
    outputs: Mapping[str, tuple[str, str]] = OUTPUTS,
    correlations: Sequence[Correlation] = (),
    units: Mapping[str, str] = UNITS,
    bounded: bool = False,
) -> dict[str, Result]:
    """Propagate each output of a method's model: field of its named tuple -> (name shown, unit).

    units: of the inputs, for the budgets. bounded: as `propagate`. An effect that cannot touch an output is
    left out of its budget.
    """
    found: dict[str, Result] = {}
    for output, (name, unit) in outputs.items():
        result = propagate(
            function,
            values,
            effects,
            name=name,
            unit=unit,
            output=output,
            correlations=correlations,
            units=units,
            digest=digest,
            bounded=bounded,
        )
        touching = tuple(row for row in result.budget if row.sensitivity or row.contribution)
        found[output] = replace(result, budget=touching)
    return found
