"""Operations for migrations that change rows of tenant tables."""

from collections.abc import Callable, Sequence
from typing import Any

from django.db import migrations

from .context import across_companies


class RunPythonUnforced(migrations.RunPython):
    """RunPython that sees the rows of all companies in the named tables.

    Migrations run as the owner, whom forced row security shows nothing: a plain RunPython would
    change no row and say so to nobody.
    """

    def __init__(
        self,
        tables: Sequence[str],
        code: Callable[..., Any],
        reverse_code: Callable[..., Any] | None = None,
        **kwargs: Any,
    ) -> None:
        self.tables = tuple(tables)
        super().__init__(code, reverse_code, **kwargs)

    def deconstruct(self) -> Any:
        """Return what the migration writer needs."""
        name, args, kwargs = super().deconstruct()
        return name, args, {"tables": self.tables, **kwargs}

    def database_forwards(self, app_label: str, schema_editor: Any, from_state: Any, to_state: Any) -> None:
        """Run the code with FORCE lifted, in the migration's transaction."""
        self._force(schema_editor, "NO FORCE")
        with across_companies():
            super().database_forwards(app_label, schema_editor, from_state, to_state)
        self._force(schema_editor, "FORCE")

    def database_backwards(self, app_label: str, schema_editor: Any, from_state: Any, to_state: Any) -> None:
        """Run the reverse code the same way."""
        self._force(schema_editor, "NO FORCE")
        with across_companies():
            super().database_backwards(app_label, schema_editor, from_state, to_state)
        self._force(schema_editor, "FORCE")

    def _force(self, schema_editor: Any, word: str) -> None:
        for table in self.tables:
            schema_editor.execute(
                f"ALTER TABLE {schema_editor.quote_name(table)} {word} ROW LEVEL SECURITY", None
            )
