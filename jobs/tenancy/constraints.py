"""Append-only tables."""

from collections.abc import Sequence
from typing import Any

from django.conf import settings
from django.db import models

from .backend.statements import Script
from .growth import partition_names

TRIGGERS = ("append_only_row", "append_only_all")


class AppendOnly(models.BaseConstraint):
    """Rows may be added, never changed or removed.

    Put it in `Meta.constraints`. The serving role may only SELECT and INSERT, and two triggers stop
    every other role, the owner included.
    """

    def constraint_sql(self, model: Any, schema_editor: Any) -> Any:
        """Run with the statements that follow CREATE TABLE; no text inside it."""
        partitions = [schema_editor.quote_name(name) for name in partition_names(model)]
        schema_editor.deferred_sql.append(_closing(model, schema_editor, partitions))

    def create_sql(self, model: Any, schema_editor: Any) -> Any:
        """Return the statements that close a table that is there."""
        return _closing(model, schema_editor, schema_editor.partitions(model._meta.db_table))

    def remove_sql(self, model: Any, schema_editor: Any) -> Any:
        """Return the statements that open the table again."""
        table, role = _names(model, schema_editor)
        drops = [f"DROP TRIGGER {name} ON {table}" for name in TRIGGERS]
        partitions = schema_editor.partitions(model._meta.db_table)
        drops += [f"DROP TRIGGER append_only_all ON {partition}" for partition in partitions]
        return Script(*drops, f"GRANT UPDATE, DELETE ON {table} TO {role}")

    def validate(self, *args: Any, **kwargs: Any) -> None:
        """Nothing to say about a single object."""

    def __eq__(self, other: object) -> bool:
        return isinstance(other, AppendOnly) and other.name == self.name

    def __hash__(self) -> int:
        return hash((AppendOnly, self.name))


def _closing(model: Any, schema_editor: Any, partitions: Sequence[str]) -> Script:
    """A partition gets the row trigger from its whole; TRUNCATE of it alone needs a trigger of its own."""
    table, role = _names(model, schema_editor)
    return Script(
        f"REVOKE ALL ON {table} FROM {role}",
        f"GRANT SELECT, INSERT ON {table} TO {role}",
        f"CREATE TRIGGER append_only_row BEFORE UPDATE OR DELETE ON {table} "
        "FOR EACH ROW EXECUTE FUNCTION append_only()",
        *(
            f"CREATE TRIGGER append_only_all BEFORE TRUNCATE ON {each} "
            "FOR EACH STATEMENT EXECUTE FUNCTION append_only()"
            for each in (table, *partitions)
        ),
    )


def _names(model: Any, schema_editor: Any) -> tuple[str, str]:
    quote = schema_editor.quote_name
    return quote(model._meta.db_table), quote(settings.DATABASE_APP_ROLE)
