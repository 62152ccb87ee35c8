"""Importing a design schedule as text."""

from typing import Annotated, Any

import strawberry
from strawberry.scalars import JSON

from config.graphql.changes.base import Asked, Outcome, Repeats, change
from config.graphql.changes.inputs import strictly
from jobs.access import Action
from jobs.rest.schedule import MOST_CHANGES, field_changes, read_matching
from jobs.schedule import Imported, import_schedule, preview

Text = Annotated[str, strawberry.argument(description="The table as CSV; a workbook is sent by REST.")]
Preview = Annotated[
    bool, strawberry.argument(description="true: only tell what would change; nothing is stored.")
]
Plan = Annotated[
    str,
    strawberry.argument(description="`plan` of a preview: import only if it is still what would change."),
]
Columns = Annotated[
    JSON | None,
    strawberry.argument(
        description="What columns mean, by their letters: "
        '{"columns": {"C": {"is": "design flow", "unit": "L/s"}}, "all_rows": {"kind": "outlet"},'
        ' "head_row": 3}.'
    ),
]


@strawberry.type
class ScheduleCounts:
    added: int
    changed: int
    unchanged: int


@strawberry.type
class ScheduleFieldChange:
    field: str
    before: JSON | None
    after: JSON | None


@strawberry.type(description="A system that is added or changed.")
class ScheduleSystemChange:
    tag: str
    added: bool
    values: list[ScheduleFieldChange]


@strawberry.type(description="A point that is added or changed. What was and what will be, SI.")
class SchedulePointChange:
    row: int
    system: str
    tag: str
    added: bool
    values: list[ScheduleFieldChange]


@strawberry.type(description="What one column of the file was taken for, and how that was known.")
class ScheduleColumn:
    column: str = strawberry.field(description="As spreadsheets name it, e.g. C.")
    head: str
    means: str = strawberry.field(description="Empty: the column was not read.")
    unit: str = strawberry.field(description="UCUM; empty: as the cells say.")
    known_by: str = strawberry.field(description="said, name, remembered, head or values.")


@strawberry.type(description="What an import did or, of a preview, would do.")
class ScheduleImport:
    stored: bool
    rows: int
    file_sha256: str
    plan: str = strawberry.field(description="Digest of all that changes; give it with the import.")
    systems: ScheduleCounts
    points: ScheduleCounts
    notes: list[str] = strawberry.field(description="What is worth a look.")
    columns: list[ScheduleColumn]
    system_changes: list[ScheduleSystemChange]
    point_changes: list[SchedulePointChange] = strawberry.field(
        description=f"The first {MOST_CHANGES} points added or changed."
    )


@strawberry.type
class ScheduleOutcome(Outcome):
    imported: ScheduleImport | None = None


@change(
    Action.PLAN,
    "site",
    repeats=Repeats.ANSWERED,
    text=Text,
    preview=(Preview, False),
    plan=(Plan, ""),
    columns=(Columns, None),
)
def schedule_import(asked: Asked) -> ScheduleOutcome:
    """Import a design schedule, all or nothing; `scheduleImport` of REST says what it may hold.

    Points are found by their tag, changed or left, never deleted. Faults name the cell, e.g. C7. At most
    2 MB, 10,000 rows and 60 columns.
    """
    file, told = strictly(asked.args["text"]).encode(), asked.args["columns"]
    said = read_matching({} if told is None else strictly(told))
    if asked.args["preview"]:
        found = preview(asked.actor, asked.at("site"), file, said)
    else:
        found = import_schedule(asked.actor, asked.at("site"), file, said, plan=asked.args["plan"])
    return ScheduleOutcome(imported=shown(found))


def shown(found: Imported) -> ScheduleImport:
    return ScheduleImport(
        stored=found.stored,
        rows=found.rows,
        file_sha256=found.digest,
        plan=found.plan,
        systems=_counts(found.systems),
        points=_counts(found.points),
        notes=list(found.notes),
        columns=[
            ScheduleColumn(
                column=one.letter,
                head=one.head,
                means=one.column or "",
                unit=one.unit.name if one.column and one.unit else "",
                known_by=one.source.value,
            )
            for one in found.columns
        ],
        system_changes=[
            ScheduleSystemChange(tag=one.tag, added=one.added, values=_values(one.fields))
            for one in found.system_changes
        ],
        point_changes=[
            SchedulePointChange(
                row=one.row, system=one.system, tag=one.tag, added=one.added, values=_values(one.fields)
            )
            for one in found.changes[:MOST_CHANGES]
        ],
    )


def _counts(found: Any) -> ScheduleCounts:
    return ScheduleCounts(added=found.added, changed=found.changed, unchanged=found.unchanged)


def _values(fields: Any) -> list[ScheduleFieldChange]:
    return [ScheduleFieldChange(**one) for one in field_changes(fields)]
