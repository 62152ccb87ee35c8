"""How this backend words SQL, where it differs from the stock one."""

from django.db.backends.postgresql import operations


class DatabaseOperations(operations.DatabaseOperations):
    """Own compilers, immediate foreign keys and names that leave room for a shard's number."""

    compiler_module = "jobs.tenancy.backend.compiler"

    def deferrable_sql(self) -> str:
        """Return the clause of a foreign key.

        Checked at once: a deferred check fails at COMMIT, where it is too late for a clear answer,
        and does not travel to the nodes of a sharding database.
        """
        return " DEFERRABLE INITIALLY IMMEDIATE"

    def max_name_length(self) -> int:
        """Return the longest name; PostgreSQL's 63 less what a sharding database appends."""
        return 55
