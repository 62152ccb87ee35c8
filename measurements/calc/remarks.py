"""What the methods notice in readings: each check with its limit, as typed remarks."""

from __future__ import annotations

from collections.abc import Sequence

from .instrument import Instrument
from .layout import WANTED_DOWNSTREAM, WANTED_UPSTREAM, Plane, PlaneGrade
from .method import Code, Limits, Remark
from .pressures import Pressures
from .variance import RunSpread


def pressure_remarks(
    taken: Pressures, limits: Limits, velocity: float, labels: Sequence[str]
) -> list[Remark]:
    """Signs, distribution, strength and plausibility of velocity pressures; labels name the places."""
    return [
        *_signs(taken, labels),
        *_distribution(taken, limits),
        *_strength(taken, limits, labels),
        *velocity_remarks(velocity, limits),
    ]


def distribution_share(pressures: Sequence[float]) -> float:
    """Share of the pressures above one tenth of the largest (AMCA 203, ASHRAE 111)."""
    largest = max(pressures)
    return sum(p > 0.1 * largest for p in pressures) / len(pressures)


def acceptable_distribution(pressures: Sequence[float], needed: float = 0.75) -> bool:
    """More than `needed` of the pressures above one tenth of the largest, and none negative."""
    return min(pressures) >= 0.0 and distribution_share(pressures) > needed


def _signs(taken: Pressures, labels: Sequence[str]) -> list[Remark]:
    if taken.swapped:
        mean = -sum(taken.values) / len(taken.values)
        return [Remark(Code.SWAPPED_HOSES, {"count": len(taken.values), "mean": mean})]
    negative = [i for i, v in enumerate(taken.values) if v < 0.0]
    if not negative:
        return []
    numbers = {"count": len(negative), "lowest": min(taken.values)}
    return [Remark(Code.NEGATIVE_READINGS, numbers, _named(negative, labels))]


def _distribution(taken: Pressures, limits: Limits) -> list[Remark]:
    remarks = []
    if len(taken.values) > 1 and not acceptable_distribution(taken.values, limits.distribution_share):
        numbers = {"share": distribution_share(taken.values), "needed": limits.distribution_share}
        remarks.append(Remark(Code.BAD_DISTRIBUTION, numbers))
    mean_root = sum(taken.roots) / len(taken.roots)
    if mean_root > 0.0:
        mean_square = sum(r * r for r in taken.roots) / len(taken.roots)
        remarks.append(Remark(Code.ROOT_OF_MEAN_BIAS, {"bias": mean_square**0.5 / mean_root - 1.0}))
    return remarks


def _named(indices: Sequence[int], labels: Sequence[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(labels[i] for i in indices))


def _strength(taken: Pressures, limits: Limits, labels: Sequence[str]) -> list[Remark]:
    remarks = []
    near = [i for i, v in enumerate(taken.values) if abs(v) < limits.resolutions * taken.resolution]
    if near:
        numbers = {
            "count": len(near),
            "resolution": taken.resolution,
            "lowest": min(abs(taken.values[i]) for i in near),
        }
        remarks.append(Remark(Code.NEAR_RESOLUTION, numbers, _named(near, labels)))
    if taken.compressibility > limits.compressibility:
        remarks.append(Remark(Code.COMPRESSIBLE, {"bias": taken.compressibility}))
    return remarks


def velocity_remarks(velocity: float, limits: Limits) -> list[Remark]:
    """A velocity too low for a pitot-static tube, or one that ducts do not have (often a unit mistake)."""
    if velocity < limits.low_velocity:
        return [Remark(Code.LOW_VELOCITY, {"velocity": velocity, "limit": limits.low_velocity})]
    return implausible(velocity, limits)


def implausible(velocity: float, limits: Limits) -> list[Remark]:
    """A velocity that ducts do not have."""
    if velocity <= limits.high_velocity:
        return []
    return [Remark(Code.IMPLAUSIBLE_VELOCITY, {"velocity": velocity, "limit": limits.high_velocity})]


def zero_remarks(
    before: float | None, after: float | None, taken: Pressures, instrument: Instrument, limits: Limits
) -> list[Remark]:
    """Zero checks left out, or a zero that moved by more than it may."""
    if before is None or after is None:
        return [Remark(Code.ZERO_NOT_CHECKED)]
    mean = sum(abs(v) for v in taken.values) / len(taken.values)
    limit = max(2.0 * instrument.resolution, limits.zero_share * mean)
    if abs(after - before) <= limit:
        return []
    return [Remark(Code.ZERO_SHIFT, {"shift": after - before, "limit": limit})]


def reading_remarks(
    instrument: Instrument,
    outside_certificate: Sequence[int],
    outside_range: Sequence[int],
    labels: Sequence[str],
) -> list[Remark]:
    """Readings that the certificate or the instrument's range does not cover."""
    remarks = []
    if not instrument.certificate:
        remarks.append(Remark(Code.NO_CERTIFICATE))
    if outside_certificate:
        places = _named(outside_certificate, labels)
        remarks.append(Remark(Code.OUTSIDE_CERTIFICATE, {"count": len(outside_certificate)}, places))
    if outside_range:
        places = _named(outside_range, labels)
        ends = {"low": instrument.low, "high": instrument.high}
        numbers = {"count": len(outside_range), **{k: v for k, v in ends.items() if v is not None}}
        remarks.append(Remark(Code.OUTSIDE_RANGE, numbers, places))
    return remarks


def plane_remarks(plane: Plane) -> list[Remark]:
    """A plane too near to disturbances, or whose distances were not measured."""
    if plane.upstream is None or plane.downstream is None:
        return [Remark(Code.PLANE_NOT_MEASURED)]
    if plane.grade is PlaneGrade.GOOD:
        return []
    numbers = {
        "upstream": plane.upstream,
        "downstream": plane.downstream,
        "wanted_upstream": WANTED_UPSTREAM,
        "wanted_downstream": WANTED_DOWNSTREAM,
    }
    return [Remark(Code.POOR_PLANE, numbers)]


def run_remarks(spread: RunSpread, limits: Limits) -> list[Remark]:
    """One run only, or runs that differ by more than they may."""
    if len(spread.means) < 2:
        return [Remark(Code.SINGLE_RUN, {"runs": len(spread.means)})]
    if spread.spread <= limits.runs_spread:
        return []
    return [Remark(Code.RUNS_DISAGREE, {"spread": spread.spread, "limit": limits.runs_spread})]
