"""One round of readings in shares of design: the reference outlets, and what stands in the way."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from .method import Code, Estimate, Remark
from .network import Damper, Network, Outlet, Reading, Round, Standing, Tree, check_round, lay_out

LOW_REFERENCE = 0.6
"""A reference outlet below this part of its branch's share is remarked (this project's own)."""


@dataclass(frozen=True, slots=True)
class OutletShare:
    """flow: m3/s. share: of design (None without a design). relative: share over the whole tree's share,
    without what the instrument did alike to all; 1 everywhere when balanced. reference: of its branch.
    """

    tag: str
    branch: str
    standing: Standing
    flow: Estimate
    design: float
    share: Estimate | None
    relative: Estimate | None
    reference: bool


@dataclass(frozen=True, slots=True)
class BranchShare:
    """Sum of a branch's outlets. reference: the outlet in it with the lowest share ("" when none has one)."""

    tag: str
    flow: float
    design: float
    share: float | None
    reference: str


@dataclass(frozen=True, slots=True)
class Shares:
    """One round in shares. total: share of design of the whole tree, with what is common to all readings."""

    outlets: tuple[OutletShare, ...]
    branches: tuple[BranchShare, ...]
    total: Estimate
    remarks: tuple[Remark, ...]


def standing(outlet: Outlet, reading: Reading) -> Standing:
    """What this reading allows."""
    if reading.flow < 0.0:
        return Standing.REVERSED
    if reading.flow == 0.0 and outlet.design > 0.0:
        return Standing.NO_FLOW
    return Standing.NORMAL if outlet.design > 0.0 else Standing.NO_DESIGN


def shares(network: Network, survey: Round) -> Shares:
    """Shares of design, the reference outlet of each branch, and what stands in the way of balancing.

    Uncertainties are first order: a share's from its reading, a relative share's from all readings, the
    common part left out. Errors: as `lay_out` and `check_round`.
    """
    tree = lay_out(network)
    readings = check_round(tree, survey)
    words = [standing(o, r) for o, r in zip(network.outlets, readings, strict=True)]
    flow = [max(r.flow, 0.0) for r in readings]
    design = [o.design for o in network.outlets]
    whole, wanted = math.fsum(flow), math.fsum(design)
    sums = _sums(tree, flow, design, words)
    own, common = 1.0 - survey.correlation, survey.correlation
    u_own = math.sqrt(own * math.fsum(r.u**2 for r in readings))
    u_common = math.sqrt(common) * math.fsum(r.u for r in readings)
    references = {reference for _, _, reference in sums.values()}
    rows = []
    for number, (outlet, reading, word) in enumerate(zip(network.outlets, readings, words, strict=True)):
        share = relative = None
        if outlet.design > 0.0:
            share = Estimate(reading.flow / outlet.design, reading.u / outlet.design)
            level = whole / wanted
            part = max(reading.flow, 0.0) / whole
            rest = part * part * max(u_own * u_own - own * reading.u**2, 0.0)
            u = math.sqrt((1.0 - part) ** 2 * own * reading.u**2 + rest) / (outlet.design * level)
            relative = Estimate(share.value / level, u)
        above = tree.tag(tree.parent[tree.first + number])
        rows.append(
            OutletShare(
                outlet.tag,
                above,
                word,
                Estimate(reading.flow, reading.u),
                outlet.design,
                share,
                relative,
                tree.first + number in references,
            )
        )
    branches = tuple(
        BranchShare(tree.tag(b), q, d, q / d if d else None, tree.tag(ref) if ref else "")
        for b, (q, d, ref) in sorted(sums.items())
    )
    total = Estimate(whole / wanted, math.hypot(u_own, u_common) / wanted)
    return Shares(tuple(rows), branches, total, tuple(_remarks(tree, rows, branches)))


def _sums(
    tree: Tree, flow: Sequence[float], design: Sequence[float], words: Sequence[Standing]
) -> dict[int, tuple[float, float, int]]:
    """Flow, design flow and reference (0: none) of the trunk and of every branch."""
    q, d, ref = [0.0] * tree.first, [0.0] * tree.first, [0] * tree.first

    def lower(one: int, other: int) -> int:
        if not one or not other:
            return one or other
        a, b = one - tree.first, other - tree.first
        return other if flow[b] / design[b] < flow[a] / design[a] else one

    for number, word in enumerate(words):
        above = tree.parent[tree.first + number]
        q[above] += flow[number]
        d[above] += design[number]
        if word is Standing.NORMAL:
            ref[above] = lower(ref[above], tree.first + number)
    for branch in reversed(tree.order[1:]):
        above = tree.parent[branch]
        q[above] += q[branch]
        d[above] += d[branch]
        ref[above] = lower(ref[above], ref[branch])
    return {branch: (q[branch], d[branch], ref[branch]) for branch in tree.order}


_STANDINGS = {
    Standing.NO_FLOW: Code.OUTLET_NO_FLOW,
    Standing.REVERSED: Code.OUTLET_REVERSED,
    Standing.NO_DESIGN: Code.OUTLET_NO_DESIGN,
}


def _remarks(tree: Tree, rows: Sequence[OutletShare], branches: Sequence[BranchShare]) -> Iterator[Remark]:
    for row in rows:
        if row.standing in _STANDINGS:
            yield Remark(_STANDINGS[row.standing], {"flow": row.flow.value}, (row.tag,))
        elif row.reference and tree.damper(tree.index[row.tag]) is Damper.SET:
            yield Remark(Code.REFERENCE_NOT_OPEN, {}, (row.tag,))
    level = {b.tag: b.share for b in branches}
    for row in rows:
        of_branch = level[row.branch]
        if not row.reference or row.share is None or not of_branch:
            continue
        if row.share.value < LOW_REFERENCE * of_branch:
            numbers = {"share": row.share.value, "branch_share": of_branch}
            yield Remark(Code.REFERENCE_LOW, numbers, (row.tag,))
