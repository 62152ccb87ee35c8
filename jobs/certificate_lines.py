"""A line of a certificate in the units it is printed in, and the point in SI that it becomes."""

from jobs.instruments import Point
from jobs.models import Quantity
from jobs.units import Figure, Unit

LONGEST = 160


def line_point(
    quantity: Quantity,
    unit: Unit,
    *,
    reference: Figure,
    as_left: Figure,
    expanded_uncertainty: Figure,
    coverage_factor: float = 2.0,
    as_found: Figure | None = None,
) -> Point:
    """The point of one line; the uncertainty is a difference in the same unit."""
    return Point(
        quantity=quantity,
        reference=unit.to_si(reference.value),
        as_found=None if as_found is None else unit.to_si(as_found.value),
        as_left=unit.to_si(as_left.value),
        expanded_uncertainty=unit.difference_to_si(expanded_uncertainty.value),
        coverage_factor=coverage_factor,
        entered=_printed(unit, reference, as_found, as_left, expanded_uncertainty),
    )


def _printed(unit: Unit, reference: Figure, as_found: Figure | None, as_left: Figure, u: Figure) -> str:
    """The figures as the certificate prints them."""
    found = f", found {as_found.text}" if as_found else ""
    return f"{reference.text} {unit.symbol}{found}, left {as_left.text}, U {u.text}"[:LONGEST]
