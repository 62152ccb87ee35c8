"""Base class of everything that belongs to a company."""

from collections.abc import Iterable
from typing import Any, ClassVar

from django.db import models
from django.db.models.expressions import Expression

from .context import WrongCompany, current_company
from .detect import COMPANY_FIELD, is_company
from .ids import uuid7


class CurrentCompany(Expression):
    """The current company as a value, taken when the statement is made and not before.

    So a queryset may be built at import, and answers for the company in whose name it runs.
    """

    output_field: Any = models.UUIDField()
    contains_aggregate = False
    contains_over_clause = False

    def as_sql(self, compiler: Any, connection: Any) -> tuple[str, Any]:
        """Return a placeholder and the company's id; raise NoCompany if none is set."""
        return "%s", [self.output_field.get_db_prep_value(current_company(), connection)]


class TenantManager(models.Manager[Any]):
    """Rows of the current company. Derive with `TenantManager.from_queryset(MyQuerySet)()`."""

    def get_queryset(self) -> models.QuerySet[Any]:
        """Return the rows of the company current when the queryset is evaluated."""
        column = "pk" if is_company(self.model) else COMPANY_FIELD
        return super().get_queryset().filter(**{column: CurrentCompany()})


class UnscopedManager(models.Manager[Any]):
    """Whatever row security lets through, without naming a company. For tests of row security."""

    def get_queryset(self) -> models.QuerySet[Any]:
        """Return a queryset whose statements are marked and left without the company's value."""
        queryset = super().get_queryset()
        queryset.query.unscoped = True  # type: ignore[attr-defined]  # read by backend/compiler.py
        return queryset


class TenantModel(models.Model):
    """A row of one company. In the database its key is (company_id, id)."""

    company = models.ForeignKey(
        "jobs.Company",
        models.PROTECT,
        related_name="+",
        editable=False,
        default=current_company,
        db_index=False,
    )
    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)

    objects: ClassVar[TenantManager] = TenantManager()
    unscoped: ClassVar[UnscopedManager] = UnscopedManager()

    class Meta:
        abstract = True
        base_manager_name = "objects"

    def validate_constraints(self, exclude: Iterable[str] | None = None) -> None:
        """Check constraints with the company's column, which forms leave out as not editable."""
        super().validate_constraints(exclude=set(exclude or ()) - {COMPANY_FIELD})

    def _do_update(self, base_qs: Any, using: Any, pk_val: Any, values: Any, *args: Any) -> Any:
        """Save a known row without writing its company, which is part of the key."""
        if self.company_id != current_company():
            raise WrongCompany(f"{self._meta.label}: the row belongs to another company")
        kept = [value for value in values if value[0].name != COMPANY_FIELD]
        return super()._do_update(base_qs, using, pk_val, kept, *args)
