"""One adjustment of a plan as a technician is told it, and the reading to set at the moment."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from .errors import positive
from .method import Estimate


class Action(StrEnum):
    """What to do at a damper."""

    CLOSE = "close"
    """Towards closed, until the reading is there."""
    OPEN = "open"
    SHUT = "shut"
    """Fully: the design flow is zero."""


@dataclass(frozen=True, slots=True)
class Settings:
    """leave: no adjustment for less than this fraction of flow. witness: where a reading to set would be
    less sure than this fraction, another outlet is read as well. tolerance: of the relative shares, for
    `Plan.chance`. draws, seed: of the Monte Carlo.
    """

    leave: float = 0.01
    witness: float = 0.015
    tolerance: float = 0.05
    draws: int = 200
    seed: int = 1


@dataclass(frozen=True, slots=True)
class Witness:
    """A reading at the reference outlet, taken once the damper is about where it belongs.

    The outlet and its reference are to show the same share, whatever the pressure does. expected: m3/s.
    gain_before, gain: how much of a surprise before turning, and of one here, passes to the target.
    """

    tag: str
    expected: Estimate
    gain_before: float
    gain: float


@dataclass(frozen=True, slots=True)
class Step:
    """One adjustment. number: from 1. tag: the outlet or branch whose damper is turned.

    read_at: the outlet where the flow is read meanwhile (for a branch damper its reference outlet, or the
    branch itself where its own flow is read).
    before: reading expected before turning (m3/s). target: reading to set. share: of design, that reading.
    through: flow through the damper then (m3/s; of a branch its own). takes: pressure that the damper takes
    at that flow besides what it takes now, as a share of the pressure at the start of the tree in the first
    round, at the present speed (negative: less). gain: how much of a surprise before turning passes to the
    target (`live_target`). witness: where the target alone is not sure enough; u of the target is with its
    help.
    """

    number: int
    tag: str
    action: Action
    read_at: str
    before: Estimate
    target: Estimate
    share: float | None
    through: Estimate
    takes: Estimate
    gain: float
    witness: Witness | None = None


def live_target(step: Step, before: float, witness: float | None = None) -> float:
    """The reading to set, when `before` was read there before turning and `witness` at the witness (m3/s).

    A surprise passes on by its gain, in logarithms: target * (before / expected)**gain, and so for the
    witness. The gains are what the model's possible truths show (linear regression): near 1 where the
    branch's pressure may have gone another way, near 0 where the reading's own error is all there is.
    Errors: Refused for readings not above zero.
    """
    if step.action is Action.SHUT or step.before.value <= 0.0:
        return step.target.value
    surprise = positive("before", before) / step.before.value
    if witness is None or step.witness is None:
        return float(step.target.value * surprise**step.gain)
    other = positive("witness", witness) / step.witness.expected.value
    return float(step.target.value * surprise**step.witness.gain_before * other**step.witness.gain)
