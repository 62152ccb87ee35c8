"""What the calculation notices, in words: one row a code. A figure is written {name:quantity}."""

from dataclasses import dataclass

from django.utils.translation import gettext_noop as _

from measurements.calc import Code
from measurements.models import Method, Severity
from measurements.rules.base import PRACTICE

STOP, WARNING, REMARK = Severity.STOP, Severity.WARNING, Severity.REMARK
DEVICES = "ISO 5167"
LEAKS = "EN 1507, EN 12237, ISO 9972"
MOTORS = "nameplate of the motor"
ROOMS = "ISO 14644-3; common practice"
FANS = "ISO 5801, ANSI/AMCA 203"
MOTOR_STANDARD = "NEMA MG 1"
BUDGET = "JCGM 100; common practice"
SPECTRUM = "ANSI/ASA S12.2; common practice"


@dataclass(frozen=True, slots=True)
class Row:
    """One code's rule. The templates are one sentence each, of the remark's numbers and {points}.

    A figure is written {name:quantity} by `words.QUANTITIES`, {name:count noun} for a number of things, or
    {name:as point} where the remark's point names the quantity. Of several templates for what was seen or to
    do, the first whose figures are all there is taken.
    """

    code: Code
    severity: Severity
    text: str
    seen: str | tuple[str, ...]
    expected: str
    advice: str
    source: str = PRACTICE
    only: tuple[Method, ...] = ()
    """Methods that it is a flag of; empty: all that notice it."""

    @property
    def name(self) -> str:
        """The rule's name: the code's own."""
        return self.code.value

    @property
    def fixed(self) -> bool:
        """What cannot be, or is a danger, stops everywhere."""
        return self.severity == Severity.STOP

    @property
    def templates(self) -> tuple[str, ...]:
        """Every sentence of the row."""
        seen = (self.seen,) if isinstance(self.seen, str) else self.seen
        return (*seen, self.expected, self.advice)


TRAVERSES = (
    Row(
        Code.NO_LAYOUT,
        WARNING,
        _("The points follow no stated layout."),
        "The {points:count point} of the traverse follow no stated layout.",
        "Points by a published rule, so that their plain mean is the mean of the section.",
        "Traverse again by the layout of the worklist, or state the layout that was used.",
        "ISO 3966, ANSI/ASHRAE 111",
    ),
    Row(
        Code.LOW_VELOCITY,
        WARNING,
        _("The velocity is low for a pitot-static tube."),
        "The mean velocity is {velocity:velocity}.",
        "At least {limit:velocity} for a pitot-static tube.",
        "Use an anemometer, or a smaller plane with a higher velocity.",
    ),
    Row(
        Code.COMPRESSIBLE,
        REMARK,
        _("The velocity is so high that air is compressed at the tube."),
        "Compression of the air at the tube makes the velocity read {bias:share} high.",
        "A velocity at which this does not matter.",
        "Nothing must be done up to some tenths of a percent; else measure in a larger section.",
        "ISO 3966",
    ),
    Row(
        Code.OUTSIDE_CERTIFICATE,
        WARNING,
        _("Readings lie outside the points that the instrument was calibrated at."),
        (
            "Outside the calibrated points lie {count:count reading} ({points}).",
            "Outside the calibrated points lie {count:count reading}.",
        ),
        "Readings between the lowest and the highest point of the certificate.",
        "Have the instrument calibrated over the range in use; the uncertainty is larger until then.",
        "ISO/IEC 17025 7.8.4",
    ),
    Row(
        Code.INTEGRATION_BIAS,
        REMARK,
        _("The profile found suggests that the plain mean of the points is off the mean of the section."),
        "By the profile found the mean of the points reads {bias:share} ± {u:share} (standard "
        "uncertainty) high.",
        "A profile whose plain mean over the layout's points is the mean of the section.",
        "Take more points or a plane with a longer straight run; the uncertainty holds what is left in.",
        "ISO 3966; common practice",
    ),
    Row(
        Code.REVERSED_FLOW,
        STOP,
        _("Air moves the other way at some points of the plane or face."),
        "The velocity is reversed at {count:count reading} ({points}), down to {lowest:velocity}.",
        "One direction over the whole plane or face.",
        "Check which way the probe faces, then look for a disturbance; where air comes out of a fume "
        "hood, stop "
        "and tell who is in charge.",
        "ANSI/ASHRAE 111; common practice",
    ),
    Row(
        Code.HEAD_BLOCKAGE,
        REMARK,
        _("The probe's head takes much of the duct's section."),
        "The probe's head takes {share:share} of the duct's area.",
        "At most {limit:share}.",
        "Use a thinner probe or a larger plane; the flow is corrected and the uncertainty larger for it.",
    ),
)

SWEEPS = (
    Row(
        Code.AVERAGED_PRESSURE,
        REMARK,
        _("Mean pressures of sweeps were taken, whose root reads high."),
        "The instrument averaged the pressure of each sweep, for which {bias:share} was taken off the "
        "velocity.",
        "A time series of each sweep, or the mean of the roots.",
        "Record the series, or set the instrument to average the velocity.",
        BUDGET,
    ),
    Row(
        Code.SAMPLES_DROPPED,
        REMARK,
        _("The start of the sweeps was left out by the time given."),
        "At the start of the sweeps {dropped:count sample} of the first {settling:time} were left out.",
        "Series without the signal's way to its first place.",
        "Nothing must be done.",
    ),
    Row(
        Code.SETTLING_FOUND,
        REMARK,
        _("The series show that the signal was still settling at the start of sweeps."),
        "At the start of the sweeps {dropped:count sample} were still settling, up to {longest:time} "
        "({points}), "
        "and were left out.",
        "A signal that is steady when the sweep begins.",
        "Hold the probe at the first place until the display is steady, then start the sweep.",
    ),
    Row(
        Code.SETTLING_UNCLEAR,
        WARNING,
        _("The series of a sweep begin far off without showing where they settle."),
        "The start of {sweeps:count sweep} ({points}) is far off what follows, and no point shows where the "
        "signal settled.",
        "A signal that is steady when the sweep begins.",
        "Look at these series and repeat the sweeps.",
    ),
    Row(
        Code.NO_TIME_SERIES,
        REMARK,
        _("Sweeps have no time series."),
        "Only the mean of {lines:count sweep} is known, which costs a standard uncertainty of {u:share}.",
        "A time series of each sweep.",
        "Record the series, or sweep each line twice.",
        BUDGET,
    ),
    Row(
        Code.SERIES_PAUSED,
        WARNING,
        _("Samples are missing within a sweep."),
        "Within {sweeps:count sweep} ({points}) the samples pause for up to {longest:time} at a step of "
        "{step:time}.",
        "Samples at an even step over the whole sweep.",
        "Sweep again without stopping; what passed during a pause is not in the mean.",
    ),
    Row(
        Code.SERIES_SHORT,
        REMARK,
        _("Sweeps are too short to show their own fluctuation."),
        "The fluctuation is slow against {sweeps:count sweep} ({points}) of {shortest:time} or more, so "
        "that the "
        "series do not show all of it.",
        "Sweeps long against the slowest fluctuation, or repeated ones.",
        "Sweep longer, or make a second run.",
        BUDGET,
    ),
    Row(
        Code.SWEEPS_DISAGREE,
        WARNING,
        _("Repeated sweeps of a line differ too much."),
        "Repeated sweeps of a line ({points}) differ by {spread:share} of their mean.",
        "At most {limit:share}.",
        "Wait until the flow is steady, keep an even pace and repeat these lines.",
    ),
    Row(
        Code.ROUND_SWEEP,
        REMARK,
        _("A sweep along a diameter weighs the middle of a round duct too much."),
        (
            "The mean along the diameters was multiplied by {factor:factor} ± {u:factor} (standard "
            "uncertainty); "
            "the series themselves ask for {by_rings:factor}.",
            "The mean along the diameters was multiplied by {factor:factor} ± {u:factor} (standard "
            "uncertainty).",
        ),
        "Sweeps weighted by area, which a round duct gives by points only.",
        "Traverse by points where the verdict is close.",
        BUDGET,
    ),
)

OUTLETS = (
    Row(
        Code.HOOD_FACTOR_ASSUMED,
        REMARK,
        _("The hood's factor for this kind of outlet is not known."),
        "The hood's factor was taken as 1 with a standard uncertainty of {u:share}.",
        "A factor for the kind of outlet, from a traverse of its duct.",
        "Traverse the duct of one outlet of each kind and enter the factor found.",
        "ANSI/ASHRAE 111; common practice",
    ),
    Row(
        Code.BACK_PRESSURE,
        WARNING,
        _("The flow is so high that the hood holds air back."),
        "The hood read {flow:flow}, where it holds back part of the flow.",
        "At most {limit:flow} without a correction for back pressure.",
        "Correct for back pressure by the hood's instructions, or traverse the duct.",
    ),
    Row(
        Code.FACE_UNEVEN,
        WARNING,
        _("Velocities over the face scatter much."),
        "The velocities over the face scatter by {spread:share} of their mean (standard deviation).",
        "At most {limit:share}.",
        "Read more places; look at damper, filter and connection behind the face.",
    ),
    Row(
        Code.FACE_POINTS_OFF,
        WARNING,
        _("Points of a hood's opening lie far off the mean."),
        "Off the mean by more than allowed lie {count:count point} ({points}), the furthest by "
        "{largest:share}.",
        "Each point within {limit:share} of the mean.",
        "Clear the opening, look for cross-draughts, supply outlets and baffles, and read again.",
        "ANSI/ASHRAE 110; common practice",
    ),
    Row(
        Code.GRID_COARSE,
        WARNING,
        _("The grid over the opening is coarse."),
        "The squares of the grid measure {width:length} by {height:length}.",
        "Sides of at most {limit:length}.",
        "Read a finer grid.",
        "ANSI/ASHRAE 110",
    ),
)

LIQUIDS = (
    Row(
        Code.FLUID_TEMPERATURE_ASSUMED,
        REMARK,
        _("The fluid's temperature was not taken."),
        "The fluid's temperature was taken as {temperature:temperature} ± "
        "{half_width:temperature_difference}.",
        "A temperature read with the flow.",
        "Read the fluid's temperature; the uncertainty allows for what is not known.",
        BUDGET,
    ),
    Row(
        Code.LOW_DROP,
        WARNING,
        _("The pressure drop of the valve is low."),
        "The valve's pressure drop is {drop:water_pressure}.",
        "At least {advised:water_pressure} for a sure flow, never less than {least:water_pressure}.",
        "Use a gauge of a finer range, or a valve of a smaller size at this place.",
    ),
    Row(
        Code.SIGNAL_FLUCTUATES,
        WARNING,
        _("The pressure drop fluctuates."),
        "The readings of the pressure drop make the flow range over {spread:share} of itself.",
        "At most {limit:share}.",
        "Vent gauge and hoses, wait until the flow is steady and read again.",
    ),
    Row(
        Code.VISCOUS_FLUID,
        WARNING,
        _("The fluid is too thick for the valve's table."),
        "The fluid's kinematic viscosity is {kinematic_viscosity:kinematic_viscosity}.",
        "At most {limit:kinematic_viscosity}, for which the maker's table holds.",
        "Enter the maker's correction for a thick fluid, or measure when the fluid is warmer.",
    ),
    Row(
        Code.SETTING_NOT_RECORDED,
        WARNING,
        _("The setting of the valve was not recorded."),
        "The setting of the valve was not recorded.",
        "The setting as read on the hand wheel, for which the flow coefficient holds.",
        "Record the setting and check the coefficient by the maker's table.",
    ),
)

PUMPS = (
    Row(
        Code.NEGATIVE_HEAD,
        STOP,
        _("The pump's head is not above zero."),
        "The head is {head:length}.",
        "A head above zero while the pump runs.",
        "Check which gauge is at the suction and which at the discharge, their heights, and which way the "
        "pump turns.",
    ),
    Row(
        Code.VELOCITY_HEAD_LEFT_OUT,
        REMARK,
        _("The velocity heads of unlike pipes are not in the head."),
        "The pipes at the gauges differ and the velocity head is left out.",
        "Both inside diameters and a flow.",
        "Enter the diameters and the flow.",
        "ISO 9906",
    ),
    Row(
        Code.OUTSIDE_CURVE,
        WARNING,
        _("The head lies outside the maker's curve."),
        "The head is {head:length}, outside the maker's curve at this speed.",
        "{lowest:length} to {highest:length}.",
        "Check speed, impeller and curve; no flow is read from it.",
        "ISO 9906; the maker's curve",
    ),
    Row(
        Code.AMBIGUOUS_CURVE,
        WARNING,
        _("The head lies above the curve's shut-off head, so that two flows have it."),
        "The head of {head:length} is above the curve's shut-off head of {shut_off:length}, so that two "
        "flows "
        "have it.",
        "A head that only one flow has.",
        "Measure the flow otherwise, for instance at a balancing valve; the larger flow is stated.",
        "the maker's curve",
    ),
    Row(
        Code.FLAT_CURVE,
        REMARK,
        _("The curve is too flat to read a flow from."),
        "The flow on the curve has an expanded uncertainty of {relative_U:share}.",
        "At most {limit:share}.",
        "Measure the flow otherwise, for instance at a balancing valve.",
        BUDGET,
    ),
    Row(
        Code.FLOW_OFF_CURVE,
        WARNING,
        _("The measured flow is not the curve's at this head."),
        "The measured flow is {flow:water_flow} and the curve gives {curve_flow:water_flow}, "
        "{normalised:factor} times the uncertainty of their difference apart.",
        "A difference within its uncertainty.",
        "Check impeller, speed, rotation, air in the pump and both flows.",
        "ISO 9906; the maker's curve",
    ),
    Row(
        Code.SHUT_OFF_HEAD,
        WARNING,
        _("The shut-off head is not the curve's."),
        "The shut-off head is {ratio:share} of the curve's, as of an impeller of {impeller:share} of the "
        "diameter.",
        "Within {limit:share} of the curve's.",
        "Check impeller and rotation, and whether the valve closed tightly.",
        "affinity laws; common practice",
    ),
    Row(
        Code.SHUT_OFF_NOT_ON_CURVE,
        REMARK,
        _("The curve entered has no point at shut-off."),
        "The curve entered begins at {lowest_flow:water_flow}, so that the shut-off head has nothing to "
        "be compared with.",
        "A curve that begins at no flow.",
        "Enter the curve's head at no flow.",
        "the maker's curve",
    ),
    Row(
        Code.CURVE_SPEED_ASSUMED,
        REMARK,
        _("The pump's or the curve's speed is not known."),
        "The pump was taken to turn at the curve's speed within {limit:share}.",
        "A speed read at the pump and the speed of the curve.",
        "Read the speed and enter that of the curve.",
        BUDGET,
    ),
    Row(
        Code.POWER_FACTOR_MISSING,
        REMARK,
        _("Voltage and current were read without a power factor."),
        "Voltage and current were read without a power factor, so that no power is stated.",
        "A power factor, or the power itself.",
        "Read the power factor or the power with a meter.",
    ),
    Row(
        Code.PUMP_OVER_NAMEPLATE,
        STOP,
        _("The pump's motor runs above its nameplate."),
        "The motor's {points} is {value:as point}, above its nameplate.",
        "At most {nameplate:as point}.",
        "Throttle the pump now, and find why it takes so much before it runs on.",
        MOTORS,
    ),
    Row(
        Code.IMPOSSIBLE_EFFICIENCY,
        STOP,
        _("The efficiency is above 100 %."),
        "The {points} is {efficiency:share}.",
        "Less than 100 %.",
        "Look for the wrong one among flow, head and power and measure it again.",
        "conservation of energy",
    ),
)

COILS = (
    Row(
        Code.SMALL_DIFFERENCE,
        WARNING,
        _("The temperature difference is small against its uncertainty."),
        "The temperature of the {points} changes by {difference:temperature_difference} with a standard "
        "uncertainty of {u:temperature_difference}.",
        "A standard uncertainty of at most {limit:share} of the difference.",
        "Test at a larger load, or use one finer thermometer for both ends.",
        BUDGET,
    ),
    Row(
        Code.HEAT_BALANCE,
        STOP,
        _("The heat of the air and that of the water contradict each other."),
        "The water's heat differs from the air's by {imbalance:share} of it.",
        "A difference within its uncertainty of {U:share}.",
        "Check both flows, the temperatures and whether the coil was steady, then test again.",
        "conservation of energy; JCGM 100",
    ),
    Row(
        Code.HEAT_DIRECTIONS,
        STOP,
        _("Air and water both grow warmer, or both colder."),
        "The air changes by {air_difference:temperature_difference} and the water by "
        "{water_difference:temperature_difference}, the same way.",
        "One side gives the heat that the other takes.",
        "Check which thermometer was at the entering and which at the leaving side, and test again.",
        "conservation of energy",
    ),
    Row(
        Code.HUMIDITY_ASSUMED,
        REMARK,
        _("The humidity of the air at the coil was not read."),
        "The relative humidity of the air was taken as {humidity:share}.",
        "A humidity read with the temperatures.",
        "Read the humidity; the uncertainty allows for what is not known.",
        BUDGET,
        only=(Method.COIL_HEAT,),
    ),
    Row(
        Code.LATENT_NOT_MEASURED,
        WARNING,
        _("The humidity of the air is not known at both ends."),
        "The air's heat is the sensible heat only and carries no verdict.",
        "Humidity or wet bulb at both ends where moisture may condense.",
        "Read the humidity before and after the coil.",
        "ANSI/ASHRAE 111",
    ),
)

SOUND = (
    Row(
        Code.BACKGROUND_TOO_HIGH,
        WARNING,
        _("The background is too near to the level."),
        "The level is only {difference:sound_level} above the background (bands {points} Hz), so that the "
        "source's "
        "level is an upper bound.",
        "At least {limit:sound_level}.",
        "Measure when the background is quieter.",
        "ISO 3746; common practice",
    ),
    Row(
        Code.BANDS_MISSING,
        WARNING,
        _("Octave bands of the rating have no reading."),
        "No level was read in {missing} of {expected:count band} ({points} Hz).",
        "A level in every band of the noise criterion curves.",
        "Read the missing bands; another one of them may govern.",
        SPECTRUM,
    ),
    Row(
        Code.OTHER_BAND_MAY_GOVERN,
        REMARK,
        _("Another band may govern the rating."),
        "The rating of other bands ({points} Hz) lies as near as {difference:factor} to the governing one.",
        "A distance above its uncertainty of {U:factor}.",
        "Look at these bands too when the noise is to be reduced; the true rating may lie higher.",
        SPECTRUM,
    ),
    Row(
        Code.OUTSIDE_NOISE_CURVES,
        REMARK,
        _("The levels lie outside the noise criterion curves."),
        "The levels lie outside the curves, so that the rating is stated as {rating:factor}.",
        "A rating from {lowest:factor} to {highest:factor}.",
        "State the A-weighted level where it matters.",
        SPECTRUM,
    ),
)

DEVICE_ROWS = (
    Row(
        Code.CERTIFICATE_MIRRORED,
        WARNING,
        _("Suction was read with a certificate that has no point below zero."),
        "Below zero lie {count:count reading} and the certificate has no point there, so that its points "
        "were "
        "taken for suction as well.",
        "A certificate on both sides of zero.",
        "Have the instrument calibrated on both sides.",
        "ISO/IEC 17025 7.8.4",
    ),
    Row(
        Code.ROOT_OF_MEAN_BIAS,
        REMARK,
        _("The readings of a device fluctuate, so that the root of their mean reads high."),
        "The readings fluctuate so much that the root of their mean reads {bias:share} high.",
        "A steady pressure, whose root is that of the flow.",
        "Read when the flow is steady; the figure is taken from the mean pressure.",
        DEVICES,
        only=(Method.FLOW_STATION,),
    ),
    Row(
        Code.FACTOR_WITHOUT_UNCERTAINTY,
        WARNING,
        _("The device's factor has no uncertainty."),
        "The device's factor has no uncertainty, so that the flow's is too small.",
        "A factor with its uncertainty.",
        "Enter the uncertainty of the device's certificate.",
        BUDGET,
    ),
    Row(
        Code.DEVICE_LENGTHS,
        WARNING,
        _("The straight lengths of the device are not known to be met in full."),
        "The straight lengths before and after the device are not the full ones (added uncertainty "
        "{added_U:share}).",
        "The straight lengths of ISO 5167.",
        "Measure the straight lengths and state which are met; unknown and short ones are not in the "
        "uncertainty.",
        DEVICES,
    ),
    Row(
        Code.EXPONENT_ASSUMED,
        REMARK,
        _("Too few pressures to find the leak's exponent."),
        "At {pressures:count pressure} the exponent was taken as {exponent:factor} ± {u:factor} (standard "
        "uncertainty).",
        "Three pressures or more.",
        "Measure the leakage at three pressures or more.",
        LEAKS,
    ),
    Row(
        Code.EXPONENT_IMPLAUSIBLE,
        WARNING,
        _("The exponent is none that leaks have."),
        "The exponent found is {exponent:factor} ± {U:factor}.",
        "{low:factor} to {high:factor}.",
        "Look for a leak that opens with pressure, or a wrong step, and repeat.",
        "ISO 9972",
    ),
    Row(
        Code.POOR_FIT,
        WARNING,
        _("The points do not lie on one line."),
        "The points do not lie on one line on logarithms (r² of {r2:factor}).",
        "An r² of at least {limit:factor}.",
        "Look for a wrong reading and repeat the test.",
        "ISO 9972; common practice",
    ),
    Row(
        Code.TEST_PRESSURE_OUTSIDE,
        WARNING,
        _("The leakage is stated at a pressure that was not measured."),
        "The leakage is stated at {pressure:pressure}, outside the pressures measured.",
        "{low:pressure} to {high:pressure}.",
        "Measure at the test pressure, never above the pressure class of the duct.",
        LEAKS,
    ),
)

ROOM_ROWS = (
    Row(
        Code.DIRECTION_UNDECIDED,
        WARNING,
        _("The direction of the room's pressure is not proven."),
        "The room's pressure is {pressure:pressure} ± {U:pressure}, which contains zero.",
        "An interval on one side of zero.",
        "Use a finer instrument or take more readings before the direction is stated.",
        ROOMS,
    ),
    Row(
        Code.DIRECTION_WRONG,
        STOP,
        _("The room's pressure has the other direction than asked for."),
        "The room's pressure is {pressure:pressure}, the other direction than asked for.",
        "The direction asked for.",
        "Tell the person in charge of the room at once; change nothing without the authority in charge.",
        ROOMS,
    ),
    Row(
        Code.DIRECTION_CONTRADICTED,
        STOP,
        _("The air at the door goes against the pressure's sign."),
        "The room's pressure is {pressure:pressure} and the air at the door moves at {velocity:velocity} "
        "(out of the "
        "room above zero), against it.",
        "Air that moves from the higher to the lower pressure.",
        "Check ports, tubes and the anemometer's direction, and measure again.",
        ROOMS,
    ),
    Row(
        Code.RECOVERY_EXTRAPOLATED,
        WARNING,
        _("The concentration did not fall far enough."),
        "The concentration fell to 1 in {reached:factor} and the time is extrapolated.",
        "A fall to 1 in {wanted:factor}.",
        "Start at a higher concentration or record for longer.",
        "ISO 14644-3",
    ),
    Row(
        Code.DROP_ABOVE_CLEAN,
        WARNING,
        _("A component's pressure drop is far above that when clean."),
        "The drop of {points} is {drop:pressure}, {ratio:factor} times that when clean ({clean:pressure}).",
        "At most {limit:factor} times.",
        "Clean or change it before balancing.",
    ),
    Row(
        Code.DROP_NEGATIVE,
        STOP,
        _("The pressure changes the wrong way along a component."),
        "The drop of {points} is {drop:pressure} ± {U:pressure}, the wrong way.",
        "A pressure that falls along each component and rises over the fan.",
        "Check stations, hoses and signs, and read again.",
    ),
    Row(
        Code.SIGN_UNEXPECTED,
        STOP,
        _("The pressure before the fan is above the room's, or after it below."),
        "The pressure at {points} is {pressure:pressure} ± {U:pressure}.",
        "Suction before the fan and pressure after it.",
        "Check the sign and the hoses; it is right only where another fan works on the same duct.",
    ),
    Row(
        Code.STATIONS_MISSING,
        WARNING,
        _("Stations of the profile have no reading."),
        "No pressure was read at {missing} of {expected:count station} ({points}).",
        "A reading at every station.",
        "Read the missing stations; the components beside them have no drop.",
    ),
    Row(
        Code.RELEASE_ABOVE_MAKE,
        WARNING,
        _("The switch breaks above where it makes."),
        "Where it makes less where it breaks is {difference:pressure} ± {U:pressure}.",
        "A difference above zero.",
        "Check whether the two readings were exchanged, or which kind of switch it is.",
    ),
    Row(
        Code.NO_SWITCHING_DIFFERENCE,
        WARNING,
        _("Making and breaking cannot be told apart."),
        "Where the switch makes and breaks differ by {difference:pressure} ± {U:pressure}.",
        "A difference above its uncertainty.",
        "Use a finer instrument and change the pressure slowly.",
    ),
    Row(
        Code.NO_LIMITS,
        WARNING,
        _("The check has no limits."),
        "No limits were given, so that nothing was judged.",
        "Limits by the maker, the design or the code.",
        "Enter the limits and the check is judged.",
    ),
)

FAN_ROWS = (
    Row(
        Code.FIELD_FAN_STATIC,
        REMARK,
        _("The fan static pressure is the difference of two static pressures."),
        (
            "The fan static pressure is outlet less inlet static pressure, {velocity_pressure:pressure} "
            "(the inlet's "
            "velocity pressure) above the defined one.",
            "The fan static pressure is outlet less inlet static pressure, above the defined one by the "
            "inlet's "
            "velocity pressure.",
        ),
        "Outlet static less inlet total pressure.",
        "Take the inlet's velocity pressure off before it is compared with the maker's curve.",
        FANS,
    ),
    Row(
        Code.NO_PRESSURE_RISE,
        STOP,
        _("The pressure does not rise over the fan."),
        "The outlet has {outlet:pressure} and the inlet {inlet:pressure}: no rise over the fan.",
        "A pressure after the fan above that before it.",
        "Check whether hoses or places are exchanged and which way the fan turns.",
        FANS,
    ),
    Row(
        Code.INLET_PRESSURE_POSITIVE,
        STOP,
        _("The pressure before the fan is above the room's."),
        "The inlet's static pressure is {inlet:pressure}.",
        "Suction before the fan.",
        "Check sign and place; it is right only after another fan.",
        FANS,
    ),
    Row(
        Code.MOTOR_OVERCURRENT,
        STOP,
        _("The motor draws more current than its nameplate allows."),
        "The highest phase draws {current:current} ± {U:current}, above the nameplate.",
        "At most {limit:current}.",
        "Reduce the load now: the motor is in danger.",
        MOTORS,
    ),
    Row(
        Code.MOTOR_OVERLOAD,
        STOP,
        _("The motor gives more power than its nameplate allows."),
        "The motor gives {power:power} ± {U:power}, above the nameplate.",
        "At most {limit:power}.",
        "Reduce the load now: the motor is in danger.",
        MOTORS,
    ),
    Row(
        Code.VOLTAGE_UNBALANCE,
        WARNING,
        _("The voltages of the phases are unbalanced."),
        "The voltages are unbalanced by {unbalance:share} ± {U:share}.",
        "At most {limit:share}.",
        "Have those qualified look for single-phase loads and loose joints.",
        MOTOR_STANDARD,
    ),
    Row(
        Code.VOLTAGE_UNBALANCE_SEVERE,
        STOP,
        _("The voltages of the phases are so unbalanced that the motor should not run."),
        "The voltages are unbalanced by {unbalance:share} ± {U:share}.",
        "At most {limit:share} for a motor to run at all.",
        "Stop the motor and have those qualified find the cause.",
        MOTOR_STANDARD,
    ),
    Row(
        Code.CURRENT_UNBALANCE,
        WARNING,
        _("The currents of the phases are unbalanced."),
        "The currents are unbalanced by {unbalance:share} ± {U:share}.",
        "At most {limit:share}.",
        "Have those qualified check voltages, joints and windings.",
    ),
    Row(
        Code.VOLTAGE_OFF_NAMEPLATE,
        WARNING,
        _("The voltage is far from the nameplate's."),
        "The voltage is {voltage:voltage}, {deviation:share} off the nameplate's {nameplate:voltage}.",
        "Within {limit:share}.",
        "Tell the owner's electrician; check that the motor is connected for this voltage.",
        MOTOR_STANDARD,
    ),
    Row(
        Code.ABOVE_MAXIMUM_SPEED,
        STOP,
        _("The fan turns faster than its maximum speed."),
        "The fan turns at {speed:speed} ± {U:speed}.",
        "At most {limit:speed}.",
        "Stop the fan and slow it down before it runs again.",
        "the fan's maximum speed by its maker",
    ),
    Row(
        Code.SPEED_OFF_SHEAVES,
        WARNING,
        _("The speed is not that of motor and sheaves."),
        "The fan turns at {speed:speed}, where motor and sheaves give {expected:speed}.",
        "Within {limit:share}.",
        "Look for a slipping belt, a wrong sheave noted, or an inverter below mains frequency.",
    ),
    Row(
        Code.POWER_FROM_AMPS,
        REMARK,
        _("The motor's power is estimated from its current."),
        (
            "The motor's power is estimated from its current: {amps_and_volts:power} by amps and volts, "
            "{no_load:power} "
            "by the no-load current, {difference:share} apart.",
            "The motor's power is estimated from its current, {amps_and_volts:power} by amps and volts.",
            "The motor's power is estimated from its current, within {limit:share}.",
        ),
        "Power, or voltage, current and power factor, read with a meter.",
        "Read power or power factor with a meter.",
    ),
    Row(
        Code.FAN_EFFICIENCY_HIGH,
        WARNING,
        _("The fan's efficiency is higher than fans reach."),
        "The efficiency of the fan is {efficiency:share}.",
        "At most {limit:share}.",
        "Look for the wrong one among flow, pressure, power and area.",
    ),
    Row(
        Code.AIR_POWER_COMPRESSIBLE,
        REMARK,
        _("The pressure is so high that the air power reads high."),
        "Compression makes the air power read {bias:share} high.",
        "At most {limit:share}.",
        "Nothing must be done unless the efficiency is close to a limit.",
        FANS,
    ),
    Row(
        Code.FAN_CURVE_NOT_READ,
        REMARK,
        _("The maker's curve was given but could not be read."),
        "The maker's curve was not read: {points} is missing.",
        "All that a reading of the curve needs.",
        "Enter what is missing.",
        "the maker's curve",
    ),
    Row(
        Code.CURVE_BY_FIELD_STATIC,
        REMARK,
        _("The curve was read with the difference of two static pressures."),
        "The curve was read with outlet less inlet static pressure, which gives a flow that is too low.",
        "The fan static pressure as defined.",
        "Enter the flow and the inlet's area.",
        FANS,
    ),
    Row(
        Code.OFF_FAN_CURVE,
        WARNING,
        _("The pressure lies outside the maker's curve."),
        "At the curve's speed and density the pressure is {pressure:pressure}, outside the curve.",
        "{low:pressure} to {high:pressure}.",
        "Check speed, wheel and curve; no flow is read from it.",
        "the maker's curve",
    ),
    Row(
        Code.NEAR_CURVE_PEAK,
        WARNING,
        _("The fan works near the peak of its curve."),
        "At the curve's speed and density the pressure is {pressure:pressure} ± {U:pressure}, which "
        "reaches the "
        "curve's peak of {high:pressure}.",
        "A pressure clearly below the peak.",
        "Measure the flow otherwise; look for a throttled system, as fans stall near the peak.",
        "the maker's curve",
    ),
    Row(
        Code.LEFT_OF_PEAK,
        WARNING,
        _("The flow is below that of the curve's peak."),
        "The flow is {flow:flow}, below that of the curve's peak.",
        "More than {peak_flow:flow}.",
        "Look for a closed damper or a blocked filter: the fan may stall.",
        "the maker's curve",
    ),
    Row(
        Code.FAN_FLOW_OFF_CURVE,
        WARNING,
        _("The measured flow is not the curve's."),
        "The measured flow differs by {difference:share} from the curve's.",
        "A difference within its uncertainty of {U:share}.",
        "Look for system effect, leakage, a wrong speed or another wheel.",
        "the maker's curve; ANSI/AMCA 201",
    ),
    Row(
        Code.FAN_LAWS_DISAGREE,
        STOP,
        _("What was found does not follow from the earlier state by the fan laws."),
        "The fan's {points} differs by {difference:share} from what the fan laws make of the earlier state.",
        "A difference within its uncertainty of {U:share}.",
        "Find what changed in the system (damper, filter), or which of the readings is wrong.",
        "fan laws",
    ),
)

MIXTURE = (
    Row(
        Code.SPAN_TOO_SMALL,
        WARNING,
        _("Outdoor and return air are too alike."),
        "The standard uncertainty of the difference between outdoor and return air is {relative_u:share} "
        "of it.",
        "At most {limit:share}.",
        "Wait for another outdoor temperature, or measure by carbon dioxide.",
        BUDGET,
    ),
    Row(
        Code.SHARE_OUTSIDE,
        WARNING,
        _("The share of outdoor air is not between none and all."),
        "The share of outdoor air is {share:share} ± {U:share}.",
        "From 0 % to 100 %.",
        "Check which place each reading belongs to, and read the mixed air at more points.",
        "conservation of energy and mass",
    ),
    Row(
        Code.STRATIFIED,
        WARNING,
        _("The mixed air is layered."),
        "The readings of the mixed air range over {spread:share} of the difference between outdoor and "
        "return air.",
        "At most {limit:share}.",
        "Read more points over the section, or after the air has mixed.",
        "ANSI/ASHRAE 111; common practice",
    ),
    Row(
        Code.MIXED_AT_ONE_PLACE,
        REMARK,
        _("The mixed air was read at one place."),
        "The mixed air was read at one place, for which a standard uncertainty of {u:share} of the "
        "difference "
        "between outdoor and return air is taken.",
        "Points spread over the section.",
        "Read the mixed air at several points of the section.",
        BUDGET,
    ),
    Row(
        Code.FIRST_ORDER_SKEWED,
        REMARK,
        _("The interval of the share is not symmetric."),
        "The exact interval of the share is {low:share} to {high:share}; first order gives "
        "{first_low:share} to "
        "{first_high:share}.",
        "Two intervals that agree.",
        "Judge by the exact interval where the verdict is close.",
        "JCGM 101; Fieller's theorem",
    ),
)

ROWS: tuple[Row, ...] = (
    *TRAVERSES,
    *SWEEPS,
    *OUTLETS,
    *LIQUIDS,
    *PUMPS,
    *COILS,
    *SOUND,
    *DEVICE_ROWS,
    *ROOM_ROWS,
    *FAN_ROWS,
    *MIXTURE,
)
"""Every code that is a flag by this table."""
