"""Statements that run one by one, in place of one text with semicolons.

A sharding database and server-side binding both refuse several commands in one statement.
"""

from collections.abc import Iterator
from typing import Any

from django.db.backends.ddl_references import Statement


class Script:
    """SQL texts to be executed one after the other."""

    def __init__(self, *statements: str) -> None:
        self.statements = statements

    def __iter__(self) -> Iterator[str]:
        return iter(self.statements)

    def __str__(self) -> str:
        return ";\n".join(self.statements)


class UnforcedStatement(Statement):
    """ADD CONSTRAINT … FOREIGN KEY where one of the tables is under forced row security.

    PostgreSQL checks the rows present by a query as the owner. Forced row security hides them from
    it, so a broken row would be accepted, or a sound one refused. FORCE is lifted meanwhile, on the
    partitions too: each is checked by itself.
    """

    def __init__(
        self, template: str, secured: tuple[str, ...], partitions: tuple[str, ...] = (), **parts: Any
    ) -> None:
        super().__init__(template, **parts)
        self.secured = secured
        self.partitions = partitions

    def __iter__(self) -> Iterator[str]:
        tables = [*dict.fromkeys(str(self.parts[key]) for key in self.secured), *self.partitions]
        for table in tables:
            yield f"ALTER TABLE {table} NO FORCE ROW LEVEL SECURITY"
        yield str(self)
        for table in tables:
            yield f"ALTER TABLE {table} FORCE ROW LEVEL SECURITY"
