"""A branch tree of ducts or pipes to be balanced: what it is made of, and one round of readings.

A tree hangs from its trunk (the fan or pump side, tag ""). Branches hang from the trunk or from branches,
outlets (terminals; with water: circuits) hang from any of these. Shares are measured over design flow.

Order of work common in the trade, no source: in every branch the outlet with the lowest share is the
reference, its damper stays open, the others are brought to its share; then the branches to each other by
their own dampers; then the fan brings the total to design. A branch without a damper has no say of its own:
its outlets count with those of the branch above.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from functools import cached_property

from .errors import Refused, finite, not_negative, positive
from .method import Estimate

TRUNK = ""
"""Tag of the trunk, as a parent."""
USUAL_LOSS = Estimate(0.3, 0.15)
"""Share of the pressure at a branch's start that is lost in the branch's own duct (this project's own)."""


NO_LOSS = Estimate(0.0, 0.0)
SQUARE_LAW = Estimate(2.0, 0.05)
"""Exponent of turbulent flow, and how far ducts and filters stray from it (common practice)."""


class Damper(StrEnum):
    """What can be adjusted at an outlet or a branch, as it stood at the first round."""

    NONE = "none"
    OPEN = "open"
    """There is one, fully open: it can only be closed."""
    SET = "set"
    """There is one, partly closed: it may be opened as well, how far is not known."""


class SupplyKind(StrEnum):
    """What drives the tree."""

    CONSTANT_PRESSURE = "constant_pressure"
    """Static pressure (pump: head) at the start of the tree is held, by a control or a flat curve."""
    CURVE = "curve"
    """A fan or pump on its curve, which is given."""
    UNKNOWN = "unknown"
    """Somewhere between the two: a share of the shut-off pressure is lost before the tree, 0.3 +- 0.2."""


class Standing(StrEnum):
    """What an outlet's reading allows."""

    NORMAL = "normal"
    NO_FLOW = "no_flow"
    REVERSED = "reversed"
    NO_DESIGN = "no_design"
    """Its design flow is zero: it is meant to be shut."""


@dataclass(frozen=True, slots=True)
class Supply:
    """Fan or pump. curve: flow (m3/s) and pressure (Pa) of at least three points, flows rising.

    trunk: share of the fan's pressure lost in the trunk before the first branching.
    """

    kind: SupplyKind = SupplyKind.CONSTANT_PRESSURE
    curve: tuple[tuple[float, float], ...] = ()
    trunk: Estimate = NO_LOSS


@dataclass(frozen=True, slots=True)
class Branch:
    """A duct that carries outlets or further branches.

    loss: share of the pressure at its start that its duct and open damper take, as found (None: usual).
    meter_u: relative standard uncertainty of a reading of its own flow (a balancing valve's or a flow
    station's); None: not read there, its damper is set by a reading at its reference outlet.
    """

    tag: str
    parent: str = TRUNK
    damper: Damper = Damper.NONE
    loss: Estimate | None = None
    meter_u: float | None = None


@dataclass(frozen=True, slots=True)
class Outlet:
    """An outlet or a water circuit. design: m3/s; zero where it is meant to be shut."""

    tag: str
    parent: str
    design: float
    damper: Damper = Damper.OPEN


@dataclass(frozen=True, slots=True)
class Reading:
    """Flow at an outlet, m3/s, with its standard uncertainty (negative: against the design's direction)."""

    tag: str
    flow: float
    u: float


@dataclass(frozen=True, slots=True)
class Round:
    """One survey: every outlet once, nothing touched meanwhile.

    adjusted: tags of the outlets and branches whose dampers were moved since the earlier survey.
    correlation: between the readings' errors, 0 to 1. What one instrument does alike to all readings
    leaves the shares' equality alone; the rest of u does not. speed: of the fan or pump over its speed in the
    first round (at a held pressure: the root of the set points' ratio); flows follow it (fan laws).
    """

    readings: tuple[Reading, ...]
    adjusted: tuple[str, ...] = ()
    correlation: float = 0.0
    speed: float = 1.0


@dataclass(frozen=True, slots=True)
class Network:
    """A tree to balance. exponent: n of dp = R q**n (2: square law)."""

    outlets: tuple[Outlet, ...]
    branches: tuple[Branch, ...] = ()
    supply: Supply = field(default_factory=Supply)
    exponent: Estimate = SQUARE_LAW


@dataclass(frozen=True)
class Tree:
    """A checked network by number: 0 the trunk, then branches, then outlets.

    parent: of every node. order: branches (and trunk), each after its parent.
    """

    network: Network
    index: dict[str, int]
    parent: tuple[int, ...]
    order: tuple[int, ...]

    @property
    def first(self) -> int:
        """Number of the first outlet."""
        return len(self.network.branches) + 1

    @cached_property
    def children(self) -> tuple[tuple[int, ...], ...]:
        """Of the trunk and every branch."""
        found: list[list[int]] = [[] for _ in range(self.first)]
        for node, above in enumerate(self.parent[1:], 1):
            found[above].append(node)
        return tuple(map(tuple, found))

    def tag(self, node: int) -> str:
        """Tag of a node."""
        if node == 0:
            return TRUNK
        first = self.first
        return (
            self.network.outlets[node - first].tag if node >= first else self.network.branches[node - 1].tag
        )

    def damper(self, node: int) -> Damper:
        """Damper of a node; the trunk has none."""
        if node == 0:
            return Damper.NONE
        first = self.first
        parts: Sequence[Outlet | Branch] = self.network.outlets if node >= first else self.network.branches
        return parts[node - (first if node >= first else 1)].damper

    def up(self, node: int) -> Iterator[int]:
        """The branches above a node, to the trunk."""
        while node:
            node = self.parent[node]
            yield node


def lay_out(network: Network) -> Tree:
    """Number and check a tree. Errors: Refused, naming the outlet or branch (doubled tag, unknown parent,
    an outlet as parent, a loop, a design flow that is negative, shares outside 0 to 1).
    """
    parts: list[Outlet | Branch] = [*network.branches, *network.outlets]
    if not network.outlets:
        raise Refused("outlets", "need at least one")
    index = {TRUNK: 0}
    for number, part in enumerate(parts, 1):
        if part.tag in index:
            raise Refused(_name(part), "has the tag of another part, or none", part.tag)
        index[part.tag] = number
    for part in parts:
        if index.get(part.parent, len(parts)) > len(network.branches):
            raise Refused(f"{_name(part)}.parent", "is not a branch of this tree", part.parent)
    parent = (0, *(index[part.parent] for part in parts))
    _check_figures(network)
    return Tree(network, index, parent, _ordered(network, parent))


def _name(part: Outlet | Branch) -> str:
    return f"{'outlets' if isinstance(part, Outlet) else 'branches'}[{part.tag}]"


def _check_figures(network: Network) -> None:
    for outlet in network.outlets:
        not_negative(f"{_name(outlet)}.design", outlet.design)
    if not any(outlet.design for outlet in network.outlets):
        raise Refused("outlets", "need a design flow above zero")
    shares = [(f"{_name(b)}.loss", b.loss) for b in network.branches if b.loss is not None]
    for name, share in [*shares, ("supply.trunk", network.supply.trunk)]:
        not_negative(f"{name}.u", share.u)
        if not 0.0 <= finite(name, share.value) < 1.0:
            raise Refused(name, "is a share of the pressure: from 0 to below 1", share.value)
    for branch in network.branches:
        if branch.meter_u is not None:
            not_negative(f"{_name(branch)}.meter_u", branch.meter_u)
    not_negative("exponent.u", network.exponent.u)
    if not 1.0 <= finite("exponent", network.exponent.value) <= 2.5:
        raise Refused("exponent", "must be from 1 (laminar) to 2.5", network.exponent.value)


def _ordered(network: Network, parent: Sequence[int]) -> tuple[int, ...]:
    """Branches after their parents, found level by level; what is left over hangs in a loop."""
    below: dict[int, list[int]] = {}
    for branch in range(1, len(network.branches) + 1):
        below.setdefault(parent[branch], []).append(branch)
    order = [0]
    for branch in order:
        order += below.get(branch, ())
    if len(order) <= len(network.branches):
        known = set(order)
        lost = [
            o
            for o, p in zip(network.outlets, parent[1 + len(network.branches) :], strict=True)
            if p not in known
        ]
        parts: Sequence[Outlet | Branch] = lost or [
            b for n, b in enumerate(network.branches, 1) if n not in known
        ]
        raise Refused(f"{_name(parts[0])}.parent", "leads into a loop, never to the trunk", parts[0].parent)
    return tuple(order)


def check_round(tree: Tree, survey: Round, name: str = "round") -> tuple[Reading, ...]:
    """The readings in the order of the tree's outlets.

    Errors: Refused (a reading missing, doubled or of no outlet; not finite; negative u; unknown tag in
    `adjusted`; correlation outside 0 to 1; no outlet with any flow).
    """
    if not 0.0 <= finite(f"{name}.correlation", survey.correlation) <= 1.0:
        raise Refused(f"{name}.correlation", "must be from 0 to 1", survey.correlation)
    positive(f"{name}.speed", survey.speed)
    found: dict[str, Reading] = {}
    for reading in survey.readings:
        place = f"{name}.readings[{reading.tag}]"
        if tree.index.get(reading.tag, 0) < tree.first:
            raise Refused(place, "is of no outlet of this tree", reading.tag)
        if reading.tag in found:
            raise Refused(place, "is there twice", reading.tag)
        finite(place, reading.flow)
        not_negative(f"{place}.u", reading.u)
        found[reading.tag] = reading
    for outlet in tree.network.outlets:
        if outlet.tag not in found:
            raise Refused(f"{name}.readings[{outlet.tag}]", "is missing: a round reads every outlet")
    for tag in survey.adjusted:
        if not tree.index.get(tag, 0):
            raise Refused(f"{name}.adjusted", "names no part of this tree", tag)
    if not any(r.flow > 0.0 for r in found.values()):
        raise Refused(f"{name}.readings", "show no flow at all")
    return tuple(found[outlet.tag] for outlet in tree.network.outlets)
