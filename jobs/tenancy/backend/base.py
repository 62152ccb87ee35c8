"""The database wrapper: tells PostgreSQL the company when a transaction begins."""

from typing import Any

from django.conf import settings
from django.db.backends.postgresql import base
from django.db.transaction import TransactionManagementError

from ..context import company_or_none, set_company_sql
from .features import DatabaseFeatures
from .operations import DatabaseOperations
from .schema import DatabaseSchemaEditor


class DatabaseWrapper(base.DatabaseWrapper):
    """The stock PostgreSQL backend with the company in every transaction."""

    features_class = DatabaseFeatures
    ops_class = DatabaseOperations
    SchemaEditorClass = DatabaseSchemaEditor
    _connecting = False

    def _set_autocommit(self, autocommit: bool) -> None:
        """Begin a transaction with its company and time limits; or end one."""
        super()._set_autocommit(autocommit)  # type: ignore[misc]
        if not autocommit and (statements := self._transaction_settings()):
            with self.wrap_database_errors:
                self.connection.execute("; ".join(statements))

    def _transaction_settings(self) -> list[str]:
        """Return the SET LOCAL statements of a new transaction; they go out as one message.

        Limits in milliseconds. They are set here as well as by session, because a sharding database
        passes on only what is set inside the transaction. The owner, who migrates, has none.
        """
        statements = []
        if self.settings_dict["USER"] != settings.DATABASE_OWNER_ROLE:
            limits = (
                (name, int(getattr(settings, f"DATABASE_{name.upper()}", 0)))
                for name in ("lock_timeout", "statement_timeout")
            )
            statements = [f"SET LOCAL {name} = {limit}" for name, limit in limits if limit]
        if (company := company_or_none()) is not None:
            statements.append(set_company_sql(company))
        return statements

    def connect(self) -> None:
        """Connect; the statements of Django's own set-up need no company."""
        self._connecting = True
        try:
            super().connect()
        finally:
            self._connecting = False

    def _cursor(self, name: str | None = None) -> Any:
        """Open a cursor; refuse if a company is set that the database would not be told of."""
        if company_or_none() is not None and not self._connecting and not self._is_in_transaction():
            raise TransactionManagementError(
                "a company is set but no transaction is open, so row security would hide every row: "
                "use transaction.atomic(), jobs.tenancy.context.company(), after_commit() or stream()"
            )
        return super()._cursor(name)  # type: ignore[misc]

    def _is_in_transaction(self) -> bool:
        return self.in_atomic_block or (self.connection is not None and not self.autocommit)

    def check_constraints(self, table_names: Any = None) -> None:
        """Check foreign keys now. They are immediate, so only a loading of fixtures deferred them."""
        with self.cursor() as cursor:
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")

    def disable_constraint_checking(self) -> bool:
        """Defer foreign keys to the end of the transaction, for fixtures in any order."""
        if not self.in_atomic_block:
            return False
        with self.cursor() as cursor:
            cursor.execute("SET CONSTRAINTS ALL DEFERRED")
        return True

    def enable_constraint_checking(self) -> None:
        """Check foreign keys at once again."""
        self.check_constraints()
