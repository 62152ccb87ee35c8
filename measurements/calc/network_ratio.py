"""The proportional (ratio) method of field practice: the order in which outlets are set against each other.

Practice of the trade, no source: in every branch start at the outlet with the lowest share of design, leave
its damper open, take the outlet with the next higher share and close it until both show the same share
(both are read at the moment: closing one raises the other), go on in adjacent pairs upwards. What hangs on
one duct keeps its proportions whatever happens upstream. Then the branches in the same way by their own
dampers, each read at its reference outlet, the lowest first. It needs no model and reads two outlets at
each step. `network_plan` takes as many readings, says each of them beforehand with its uncertainty, and
leaves fewer systems unfinished after two rounds (tests/benchmarks/balancing_figures.py compares them).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

from .network import Damper, Network, Round, Standing, Tree, check_round, lay_out
from .network_shares import standing


@dataclass(frozen=True, slots=True)
class RatioStep:
    """Turn the damper of `tag` until `read_at` shows the same share of design as `against`, both read now.

    read_at: the outlet itself, or a branch's reference outlet.
    """

    number: int
    tag: str
    read_at: str
    against: str


def ratio_order(network: Network, survey: Round) -> tuple[RatioStep, ...]:
    """Order of the proportional method after one round. Branches before the branch above them.

    Outlets without flow, with flow reversed or without a design flow are left out, those without a damper
    are never turned. Errors: Refused, as `lay_out` and `check_round`.
    """
    tree = lay_out(network)
    readings = check_round(tree, survey)
    share: dict[int, float] = {}
    for number, (outlet, reading) in enumerate(zip(network.outlets, readings, strict=True)):
        if standing(outlet, reading) is Standing.NORMAL:
            share[tree.first + number] = reading.flow / outlet.design
    reference: dict[int, int] = {}
    pairs: list[tuple[int, int, int]] = []
    for branch in reversed(tree.order):
        if branch and tree.damper(branch) is Damper.NONE:
            continue
        members = sorted((share[at], node, at) for node, at in _members(tree, branch, share, reference))
        if members:
            reference[branch] = members[0][2]
        for (_, _, against), (_, node, at) in pairwise(members):
            if tree.damper(node) is not Damper.NONE:
                pairs.append((node, at, against))
    return tuple(
        RatioStep(n, tree.tag(node), tree.tag(at), tree.tag(against))
        for n, (node, at, against) in enumerate(pairs, 1)
    )


def _members(
    tree: Tree, branch: int, share: dict[int, float], reference: dict[int, int]
) -> list[tuple[int, int]]:
    """What is balanced against each other below a branch: (part, the outlet where it is read)."""
    found, stack = [], list(tree.children[branch])
    while stack:
        node = stack.pop()
        if node >= tree.first:
            if node in share:
                found.append((node, node))
        elif tree.damper(node) is Damper.NONE:
            stack += tree.children[node]
        elif node in reference:
            found.append((node, reference[node]))
    return found
