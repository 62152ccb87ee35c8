"""How long a search runs, by which seed, and how its figures are told."""

import os

LONG = os.environ.get("SOAK") == "1"
SEED = int(os.environ.get("SOAK_SEED", "1"))
SHARE = float(os.environ.get("SOAK_SHARE", "1"))
"""A part of the long run, where a machine has less time."""


def amount(short: int, long: int) -> int:
    """So many cases: few within all tests, many by `make soak`."""
    return max(1, int(long * SHARE)) if LONG else short


def tell(name: str, value: object, unit: str = "") -> None:
    """Prints one figure of a run, in the form that the figures of benchmarks have."""
    print(f"\nfigure: {name} = {value} {unit} (seed {SEED})".replace("  ", " "))
