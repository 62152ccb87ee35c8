"""The schema editor: composite keys and row security in ordinary migrations."""

from typing import Any

from django.conf import settings
from django.db import NotSupportedError
from django.db.backends.ddl_references import Columns
from django.db.backends.postgresql import schema

from ..detect import COMPANY_FIELD, COMPANY_MODEL, company_column, is_tenant, is_tenant_link
from ..growth import distribution, partition_names, partitions_of, policy
from .statements import Script, UnforcedStatement


class DatabaseSchemaEditor(schema.DatabaseSchemaEditor):
    """Writes tenant tables with the key (company_id, id), composite foreign keys and a policy."""

    # Always as a statement of its own: an inline key could not be composite.
    sql_create_column_inline_fk: Any = None
    # Constraints are immediate (operations.py), so there is no deferred check to bring forward.
    sql_delete_fk = "ALTER TABLE %(table)s DROP CONSTRAINT %(name)s"

    def execute(self, sql: Any, params: Any = ()) -> None:
        """Execute one statement, or the statements of a script one by one."""
        if isinstance(sql, Script | UnforcedStatement):
            for statement in sql:
                super().execute(statement, None)
            return
        super().execute(sql, params)

    def table_sql(self, model: Any) -> tuple[str, list[Any]]:
        """Return CREATE TABLE with the composite primary key."""
        sql, params = super().table_sql(model)
        if not is_tenant(model):
            return sql, params
        if sql.count(" PRIMARY KEY") != 1 or not sql.endswith(")"):
            raise NotSupportedError(f"{model._meta.label}: a tenant model has one primary key, the field id")
        body = sql.replace(" PRIMARY KEY", "")[:-1]
        spread = ' PARTITION BY HASH ("company_id")' if partitions_of(model) else ""
        return f'{body}, PRIMARY KEY ("company_id", "id")){spread}', params

    def create_model(self, model: Any) -> None:
        """Create the table, with its partitions and shards, and put all under forced row security."""
        super().create_model(model)
        if (column := company_column(model)) is None:
            return
        rule = policy(column)
        names = partition_names(model)
        for number, name in enumerate(names):
            self._create_partition(model, name, number, len(names))
        for table in map(self.quote_name, (model._meta.db_table, *names)):
            self.execute(f"ALTER TABLE {table} ENABLE ROW LEVEL SECURITY, FORCE ROW LEVEL SECURITY", None)
            self.execute(f"CREATE POLICY tenant ON {table} USING {rule} WITH CHECK {rule}", None)
        company_table = model._meta.apps.get_model(COMPANY_MODEL)._meta.db_table
        for statement in distribution(model, company_table):
            self.execute(statement, None)

    def _create_partition(self, model: Any, name: str, number: int, count: int) -> None:
        """Create one partition; rows are reached through the whole table only."""
        table, whole = self.quote_name(name), self.quote_name(model._meta.db_table)
        bound = f"FOR VALUES WITH (MODULUS {count}, REMAINDER {number})"
        self.execute(f"CREATE TABLE {table} PARTITION OF {whole} {bound}", None)
        self.execute(f"REVOKE ALL ON {table} FROM {self.quote_name(settings.DATABASE_APP_ROLE)}", None)

    def partitions(self, table: str) -> list[str]:
        """Return the quoted names of a table's partitions as they stand in the database."""
        with self.connection.cursor() as cursor:
            cursor.execute(
                "SELECT c.relname FROM pg_inherits i JOIN pg_class c ON c.oid = i.inhrelid"
                " WHERE i.inhparent = to_regclass(%s) AND c.relispartition ORDER BY c.relname",
                [self.quote_name(table)],
            )
            return [self.quote_name(name) for (name,) in cursor.fetchall()]

    def add_field(self, model: Any, field: Any) -> None:
        """Add a column; refuse to turn a shared table into a tenant table, or back."""
        if field.name == COMPANY_FIELD and is_tenant(model):
            raise NotSupportedError(f"{model._meta.label}: make a new table to give rows to a company")
        super().add_field(model, field)

    def remove_field(self, model: Any, field: Any) -> None:
        """Remove a column; the company's column is part of the key and stays."""
        if field.name == COMPANY_FIELD and is_tenant(model):
            raise NotSupportedError(f"{model._meta.label}: a tenant table keeps its company_id")
        super().remove_field(model, field)

    def _create_fk_sql(self, model: Any, field: Any, suffix: str) -> Any:
        """Return the foreign key, composite between tenant tables."""
        statement = super()._create_fk_sql(model, field, suffix)  # type: ignore[misc]
        target = field.target_field.model
        if is_tenant_link(model, field):
            for key, owner, column in (
                ("column", model, field.column),
                ("to_column", target, field.target_field.column),
            ):
                statement.parts[key] = Columns(owner._meta.db_table, ["company_id", column], self.quote_name)
        secured = tuple(key for key, m in (("to_table", target), ("table", model)) if company_column(m))
        return UnforcedStatement(statement.template, secured, self._own_partitions(model), **statement.parts)

    def _own_partitions(self, model: Any) -> tuple[str, ...]:
        """Return the partitions whose rows a new foreign key of the model's table is checked against."""
        return () if self.collect_sql else tuple(self.partitions(model._meta.db_table))

    def _constraint_names(self, model: Any, column_names: Any = None, **kwargs: Any) -> list[str]:
        """Find constraints; a foreign key of a tenant table stands on two columns."""
        names: list[str] = super()._constraint_names(model, column_names, **kwargs)  # type: ignore[misc]
        if not (kwargs.get("foreign_key") and is_tenant(model)):
            return names
        if column_names and not names:
            names = super()._constraint_names(model, ["company_id", *column_names], **kwargs)  # type: ignore[misc]
        return [name for name in names if name not in self._inherited_constraints(model)]

    def _inherited_constraints(self, model: Any) -> set[str]:
        """Return the rows that a foreign key to a partitioned table has for each partition."""
        with self.connection.cursor() as cursor:
            cursor.execute(
                "SELECT conname FROM pg_constraint WHERE conrelid = %s::regclass AND conparentid <> 0",
                [self.quote_name(model._meta.db_table)],
            )
            return {name for (name,) in cursor.fetchall()}

    def _alter_field(self, model: Any, *args: Any, **kwargs: Any) -> None:
        """Alter a column with FORCE lifted, so that filling in a default reaches all rows."""
        if company_column(model) is None:
            super()._alter_field(model, *args, **kwargs)  # type: ignore[misc]
            return
        table = self.quote_name(model._meta.db_table)
        self.execute(f"ALTER TABLE {table} NO FORCE ROW LEVEL SECURITY", None)
        super()._alter_field(model, *args, **kwargs)  # type: ignore[misc]
        self.execute(f"ALTER TABLE {table} FORCE ROW LEVEL SECURITY", None)
