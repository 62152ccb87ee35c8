"""What columns of a customer's schedules mean: remembered by their heads when somebody said so.

Our own heads mean what they say and are not remembered otherwise, so that a file made from the template, or
an export, is read alike at all times.
"""

from uuid import UUID

from jobs.models import ScheduleHead
from jobs.schedule_columns import QUANTITIES, Column, Heads, Matching, Said
from jobs.schedule_guess import read_head
from jobs.schedule_match import Remembered, head_keys
from jobs.units import Unit, UnknownUnit, find_unit


def recall(customer_id: UUID) -> Remembered:
    """What is remembered of a customer, by head; a column that is known no more is forgotten."""
    found = {}
    for row in ScheduleHead.objects.filter(customer_id=customer_id):
        if not row.column:
            found[row.head] = Said(None)
        elif row.column in list(Column):
            found[row.head] = Said(Column(row.column), _unit(Column(row.column), row.unit))
    return found


def _unit(column: Column, name: str) -> Unit | None:
    if not name or column not in QUANTITIES:
        return None
    try:
        return find_unit(name, QUANTITIES[column])
    except UnknownUnit:
        return None


def remember(customer_id: UUID, said: Matching, heads: Heads) -> None:
    """Keeps what was said of each column, in the caller's transaction."""
    keys = head_keys({one.place: one.head for one in heads.matches})
    titles = {one.place: one.head for one in heads.matches}
    rows = [
        ScheduleHead(
            customer_id=customer_id,
            head=keys[place],
            column=told.column or "",
            unit=told.unit.name if told.unit else "",
        )
        for place, told in said.columns.items()
        if titles.get(place) and read_head(titles[place])[0] is None
    ]
    ScheduleHead.objects.bulk_create(
        rows,
        update_conflicts=True,
        unique_fields=["company", "customer", "head"],
        update_fields=["column", "unit", "said_at"],
    )
