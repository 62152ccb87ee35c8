"""A plan of adjustments for a branch tree: in which order, and which reading to set at each damper.

Every adjustment moves all other flows. The plan is worked out on the model identified from the readings
(network_model.py): the reading to set at an outlet is the one that becomes, after all later adjustments,
the same share of design as everywhere. The technician reads before turning: that reading shows how far the
tree has gone another way than predicted, and `live_target` corrects the reading to set by it.

What the plan cannot know is drawn: readings, losses, exponent, and the reading by which each damper is set.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from .distributions import COVERAGE, coverage_factor
from .errors import Refused, finite, positive
from .method import Code, Estimate, Remark
from .network import Network, Round, Standing, Tree, check_round, lay_out
from .network_aims import Aims, aims
from .network_model import Identified, Loss, identify
from .network_shares import Shares, shares
from .network_state import Array
from .network_steps import Settings, Step
from .network_walk import Walk, deepest, estimate
from .records import digest
from .version import CALCULATION_VERSION


@dataclass(frozen=True, slots=True)
class Predicted:
    """An outlet after all steps. flow: m3/s. share: of design. relative: over the whole tree's share.

    u of relative leaves out what the instrument does alike to all readings; u of flow and share of another
    reading by the same instrument too, u_share of a true share has it in.
    """

    tag: str
    flow: Estimate
    share: Estimate | None
    relative: Estimate | None
    u_share: float | None


@dataclass(frozen=True, slots=True)
class Plan:
    """The adjustments of one round and what they should lead to.

    level: share of design at which the tree will stand; the fan then makes it 1. chance: that all relative
    shares are within the tolerance afterwards. references: of each branch and of the trunk (""), the outlet
    that stays open. losses: what was assumed of the branches, and what earlier responses made of it.
    """

    shares: Shares
    steps: tuple[Step, ...]
    predicted: tuple[Predicted, ...]
    level: Estimate
    chance: float
    references: tuple[tuple[str, str], ...]
    losses: tuple[Loss, ...]
    exponent: Estimate
    remarks: tuple[Remark, ...]
    settings: Settings
    digest: str
    calculation_version: str = CALCULATION_VERSION

    def step(self, tag: str) -> Step | None:
        """The adjustment of a damper, if there is one."""
        return next((s for s in self.steps if s.tag == tag), None)


def make_plan(network: Network, rounds: Sequence[Round], settings: Settings | None = None) -> Plan:
    """Plan the adjustments that follow the last round. Earlier rounds refit the model.

    Errors: Refused as `network.lay_out`, `network.check_round`, `network_model.identify`, and for settings.
    """
    chosen = settings or Settings()
    _check(chosen)
    rng = np.random.default_rng(chosen.seed)
    found = identify(network, rounds, chosen.draws, rng)
    wanted = aims(found.state, found.g_open, found.r_open)
    seen = shares(network, rounds[-1])
    walk = Walk(found, wanted, chosen, rng)
    steps = tuple(walk.steps())
    flows = walk.flows()
    relative, level = _relative(found.tree, flows, seen)
    predicted = tuple(_predicted(found, flows, relative, level))
    inside = np.all(np.abs(relative[:, 1:] - 1.0) <= chosen.tolerance, axis=0)
    references = tuple(
        (found.tree.tag(b), found.tree.tag(deepest(found.tree, wanted, b))) for b in found.tree.order
    )
    return Plan(
        seen,
        steps,
        predicted,
        estimate(level, found.common),
        float(inside.mean()),
        references,
        found.losses,
        found.exponent,
        (*seen.remarks, *_remarks(found, wanted, predicted, chosen, len(rounds))),
        chosen,
        digest("network_plan", network, list(rounds), chosen, CALCULATION_VERSION),
    )


def _normal(seen: Shares) -> list[int]:
    return [i for i, row in enumerate(seen.outlets) if row.standing is Standing.NORMAL]


def _relative(tree: Tree, flows: Array, seen: Shares) -> tuple[Array, Array]:
    """Shares of the outlets that have one over the share of the whole tree; and that."""
    design = np.array([[o.design] for o in tree.network.outlets])
    level = flows.sum(axis=0) / design.sum()
    normal = _normal(seen)
    return flows[normal] / design[normal] / level, level


def _predicted(found: Identified, flows: Array, relative: Array, level: Array) -> Iterator[Predicted]:
    rows = iter(relative)
    for number, outlet in enumerate(found.tree.network.outlets):
        flow = estimate(flows[number])
        if outlet.design <= 0.0 or flow.value <= 0.0:
            yield Predicted(outlet.tag, flow, None, None, None)
            continue
        share = Estimate(flow.value / outlet.design, flow.u / outlet.design)
        whole = math.hypot(share.u, found.common * share.value)
        yield Predicted(outlet.tag, flow, share, estimate(next(rows)), whole)


def _remarks(
    found: Identified, wanted: Aims, predicted: Sequence[Predicted], settings: Settings, rounds: int
) -> Iterator[Remark]:
    for outlet, after in zip(found.tree.network.outlets, predicted, strict=True):
        relative = after.relative.value if after.relative else 1.0
        numbers = {"relative": relative, "tolerance": settings.tolerance}
        if relative > 1.0 + settings.tolerance:
            yield Remark(Code.CANNOT_THROTTLE, numbers, (outlet.tag,))
        elif relative < 1.0 - settings.tolerance:
            yield Remark(Code.CANNOT_REACH, numbers, (outlet.tag,))
    for branch in found.tree.order[1:]:
        if not wanted.reference[branch]:
            yield Remark(Code.BRANCH_DEAD, {}, (found.tree.tag(branch),))
    guessed = [loss for loss in found.losses if loss.assumed.u]
    if rounds == 1 and guessed:
        numbers = {
            "share": math.fsum(loss.assumed.value for loss in guessed) / len(guessed),
            "u": math.fsum(loss.assumed.u for loss in guessed) / len(guessed),
        }
        yield Remark(Code.LOSS_ASSUMED, numbers, tuple(loss.tag for loss in guessed))


def _check(settings: Settings) -> None:
    if not 0.0 <= finite("settings.leave", settings.leave) < 0.2:
        raise Refused("settings.leave", "must be from 0 to below 0.2", settings.leave)
    positive("settings.tolerance", settings.tolerance)
    positive("settings.witness", settings.witness)
    if not 50 <= settings.draws <= 10_000:
        raise Refused("settings.draws", "must be from 50 to 10000", settings.draws)


@dataclass(frozen=True, slots=True)
class Compared:
    """An outlet's prediction against what was then measured, m3/s, by the same instrument.

    U: expanded uncertainty of the difference. normalised: |difference| / U; above 1 the model was wrong
    there (or a damper slipped, or the reading).
    """

    tag: str
    predicted: Estimate
    measured: Estimate
    difference: float
    U: float
    normalised: float


@dataclass(frozen=True, slots=True)
class Comparison:
    """A plan's predictions against the next round. remarks: MODEL_MISSES names the outlets that disagree."""

    outlets: tuple[Compared, ...]
    remarks: tuple[Remark, ...]


def compare(network: Network, plan: Plan, survey: Round) -> Comparison:
    """Predicted against measured at the plan's speed, outlet by outlet.

    The next `make_plan` with this round refits the model. Errors: Refused, as `check_round`.
    """
    readings = check_round(lay_out(network), survey)
    k = coverage_factor(math.inf, COVERAGE)
    own = math.sqrt(1.0 - survey.correlation)
    rows = []
    for after, reading in zip(plan.predicted, readings, strict=True):
        U = k * math.hypot(after.flow.u, own * reading.u)
        difference = reading.flow - after.flow.value
        normalised = abs(difference) / U if U > 0.0 else (math.inf if difference else 0.0)
        rows.append(
            Compared(after.tag, after.flow, Estimate(reading.flow, reading.u), difference, U, normalised)
        )
    wrong = [r for r in rows if r.normalised > 1.0]
    if not wrong:
        return Comparison(tuple(rows), ())
    numbers = {"count": float(len(wrong)), "worst": max(r.normalised for r in wrong)}
    return Comparison(tuple(rows), (Remark(Code.MODEL_MISSES, numbers, tuple(r.tag for r in wrong)),))
