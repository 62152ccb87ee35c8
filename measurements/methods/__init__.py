"""What each way of measuring takes: what is read where with what, what is told, and for which points.

One table. Intake checks sessions by it, the published schemas describe each session kind from it, the tablet
learns from it what to ask for, and the inputs of the calculation are built from it by name: every place and
every told figure is a field of the method's input in `measurements.calc`.
"""

from measurements.methods import air, fans, pressures, traverses, water
from measurements.methods.base import GRID, MethodKind, Place, Told

__all__ = ["GRID", "METHODS", "MethodKind", "Place", "Told"]

METHODS: dict[str, MethodKind] = {
    kind.method.value: kind
    for kind in (*traverses.KINDS, *air.KINDS, *pressures.KINDS, *fans.KINDS, *water.KINDS)
}
"""By the method's name in the API."""
