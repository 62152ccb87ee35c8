"""Rules on the instruments: in calibration, for that quantity, within range, fine enough, steady zero."""

from collections.abc import Iterator

from django.utils.translation import gettext_noop as _

from measurements.inputs import range_for, shown_in, zeros_of
from measurements.loading import Tool
from measurements.models import Severity
from measurements.rule_parameters import parameter
from measurements.rules.base import PRACTICE, Finding, Seen, rule
from measurements.words import percent, shown, velocity

LABORATORY = "ISO/IEC 17025 6.4"
CONDITIONS = {
    "temperature": "air_temperature",
    "humidity": "relative_humidity",
    "barometer": "barometric_pressure",
}
GAUGES = ("pressure", "water_pressure")
"""Uses whose zero is checked; each is also how its figures are written."""
STEPS = parameter("near_resolution", "steps")
ZERO_SHARE = parameter("zero_shift", "share")
SLOW = parameter("low_velocity", "velocity")


@rule(
    "out_of_calibration",
    Severity.STOP,
    _("The instrument's newest certificate had lapsed when it was used."),
    LABORATORY,
    fixed=True,
)
def out_of_calibration(seen: Seen) -> Iterator[Finding]:
    for tool in _metered(seen):
        if tool.certificate and tool.lapsed:
            due = tool.certificate.due_on.isoformat()
            yield Finding(
                f"{tool.name} was used on {tool.used_on.isoformat()}; its calibration was due on {due}.",
                "A certificate in force on the day of use.",
                "Measure again with an instrument in calibration, or accept with a reason.",
                {"instrument": str(tool.instrument.id), "due_on": due, "used_on": tool.used_on.isoformat()},
                tool.use,
            )


@rule(
    "without_certificate",
    Severity.STOP,
    _("No certificate covered the instrument and quantity when it was used."),
    LABORATORY,
    fixed=True,
)
def without_certificate(seen: Seen) -> Iterator[Finding]:
    for tool in _metered(seen):
        if tool.certificate is None or not tool.points:
            what = "no certificate" if tool.certificate is None else f"no calibrated {tool.quantity}"
            yield Finding(
                f"{tool.name} had {what} when it was used on {tool.used_on.isoformat()}.",
                f"A certificate that covers {_plain(tool.quantity)} and was in force that day.",
                "Enter the certificate if there is one; else measure again with another instrument.",
                {"instrument": str(tool.instrument.id), "quantity": tool.quantity},
                tool.use,
            )


def _metered(seen: Seen) -> Iterator[Tool]:
    """Instruments that gave a figure. A tube without moving parts needs no certificate of its own."""
    yield from (tool for use, tool in seen.loaded.tools.items() if use != "probe")


def _plain(quantity: str) -> str:
    return quantity.replace("_", " ")


@rule(
    "outside_range",
    Severity.STOP,
    _("A reading lies outside what the instrument can show."),
    "maker's range of the instrument",
    fixed=True,
)
def outside_range(seen: Seen) -> Iterator[Finding]:
    for tool, values in _read(seen):
        if not tool.ranges:
            continue
        low, high = min(r.minimum for r in tool.ranges), max(r.maximum for r in tool.ranges)
        beyond = [value for value in values if not low <= value <= high]
        if beyond:
            worst = max(beyond, key=abs)
            yield Finding(
                f"{len(beyond)} of {len(values)} readings of {tool.name} lie outside its range, "
                f"e.g. {shown(worst, tool.quantity, seen.units)}.",
                f"{shown(low, tool.quantity, seen.units)} to {shown(high, tool.quantity, seen.units)}.",
                "Measure again with an instrument of a suitable range.",
                {"count": len(beyond), "worst": worst},
                tool.use,
            )


@rule("near_resolution", Severity.WARNING, _("Many readings are only a few steps of the display."), PRACTICE)
def near_resolution(seen: Seen) -> Iterator[Finding]:
    steps = seen.setting(STEPS)
    for tool, values in _read(seen):
        chosen = range_for(tool, values)
        if tool.use in CONDITIONS or chosen is None or not values:
            continue
        few = [value for value in values if abs(value) < steps * chosen.resolution]
        if 2 * len(few) > len(values):
            step = shown(chosen.resolution, tool.quantity, seen.units)
            yield Finding(
                f"{len(few)} of {len(values)} readings are below {steps:.3g} steps of the display ({step}).",
                f"Readings of at least {steps:.3g} steps.",
                _finer(seen),
                {"count": len(few), "resolution": chosen.resolution},
                tool.use,
            )


def _finer(seen: Seen) -> str:
    if not seen.loaded.velocity_pressures:
        return "Use a finer instrument."
    slow = velocity(seen.setting(SLOW), seen.units)
    return f"Use a finer instrument; below about {slow} an anemometer tells more than a pitot tube."


def _read(seen: Seen) -> Iterator[tuple[Tool, list[float]]]:
    """Each instrument with what it showed, SI."""
    loaded = seen.loaded
    for use, tool in loaded.tools.items():
        values = [row.value for row in loaded.rows_by(use)]
        for sweep in loaded.sweeps:
            if sweep.quantity == use:
                values += shown_in(sweep)
        value = loaded.si("conditions", CONDITIONS[use]) if use in CONDITIONS else None
        if value is not None:
            values.append(value)
        if values:
            yield tool, values


@rule(
    "zero_shift",
    Severity.STOP,
    _("The manometer's zero moved between the checks before and after."),
    PRACTICE,
)
def zero_shift(seen: Seen) -> Iterator[Finding]:
    for use in GAUGES:
        tool, values = seen.loaded.tools.get(use), _pressures(seen, use)
        before, after = zeros_of(seen.loaded, use) if values else (None, None)
        if tool is None or before is None or after is None:
            continue
        chosen = range_for(tool, values)
        mean = sum(abs(value) for value in values) / len(values)
        allowed = seen.setting(ZERO_SHARE)
        most = max(allowed * mean, 2.0 * chosen.resolution if chosen else 0.0)
        if abs(after - before) > most * (1.0 + 1e-9):
            yield Finding(
                f"The zero moved by {shown(after - before, use, seen.units)} from before to after.",
                f"At most {shown(most, use, seen.units)} "
                f"({percent(allowed)} of the mean reading, at least two steps).",
                "Let the manometer warm up, zero it with open hoses and measure again.",
                {"before": before, "after": after, "limit": most},
                use if use != "pressure" else "",
            )


@rule(
    "zero_not_checked", Severity.REMARK, _("Air pressures without a zero check before and after."), PRACTICE
)
def zero_not_checked(seen: Seen) -> Iterator[Finding]:
    if _pressures(seen, "pressure") and None in zeros_of(seen.loaded):
        text = "The manometer's zero was not checked both before and after."
        yield Finding(text, "A zero check before and after.", "Check the zero at the next measurement.")


def _pressures(seen: Seen, use: str) -> list[float]:
    values = [row.value for row in seen.loaded.rows_by(use)]
    for sweep in seen.loaded.sweeps:
        if sweep.quantity == use:
            values += shown_in(sweep)
    return values
