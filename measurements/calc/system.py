"""Does the sum of a system's outlets agree with the traverse of its main duct?

The normalised difference E = |sum - main| / sqrt(U_sum^2 + U_main^2 - shared part) is the E_n number of
ISO 13528 and ISO/IEC 17043: up to 1 the two agree within their uncertainty.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from .errors import Refused, finite, not_negative
from .uncertainty import Result

CERTAIN_DIFFERENCE = 1e-9


@dataclass(frozen=True, slots=True)
class SystemBalance:
    """Sum of outlets against the main duct; flows in m3/s on one density basis.

    difference: sum - main. U: expanded uncertainty of the difference. normalised: |difference| / U.
    """

    outlet_sum: float
    outlet_U: float
    main: float
    main_U: float
    difference: float
    relative_difference: float
    U: float
    normalised: float
    agrees: bool


def balance(
    outlets: Sequence[Result], main: Result, *, common: float = 1.0, leakage_allowed: float = 0.0
) -> SystemBalance:
    """Compare the sum of outlet flows with the flow of the main duct.

    common: correlation between the outlets' errors, 0 to 1. The same hood at all of them makes most of
    each error common, so 1 (uncertainties add) is the cautious choice. leakage_allowed: fraction of the main
    flow that the duct between may lose (supply); it widens the comparison on that side only.
    """
    if not outlets:
        raise Refused("outlets", "need at least one")
    if not 0.0 <= finite("common", common) <= 1.0:
        raise Refused("common", "must be from 0 to 1", common)
    total = math.fsum(abs(o.value) for o in outlets)
    added = math.fsum(o.U for o in outlets)
    outlet_U = math.sqrt(common * added**2 + (1.0 - common) * math.fsum(o.U**2 for o in outlets))
    flow = abs(main.value)
    difference = total - flow
    lost = not_negative("leakage_allowed", leakage_allowed) * flow
    beyond = max(abs(difference) - (lost if difference < 0.0 else 0.0), 0.0)
    U = math.hypot(outlet_U, main.U)
    normalised = beyond / U if U > 0.0 else (0.0 if beyond <= CERTAIN_DIFFERENCE * flow else math.inf)
    relative = difference / flow if flow else math.inf
    return SystemBalance(
        total, outlet_U, flow, main.U, difference, relative, U, normalised, normalised <= 1.0
    )
