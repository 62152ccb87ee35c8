"""Switches the application's own filters off, so that only the database's row security is left."""

from typing import Any

import pytest
from django.db.models import QuerySet

from jobs.tenancy.models import TenantManager


def patch(monkeypatch: pytest.MonkeyPatch) -> None:
    """Managers and queries no longer name the company: what is left is the database's own policy."""
    real = QuerySet.filter

    def unscoped(manager: Any) -> Any:
        queryset = super(TenantManager, manager).get_queryset()
        queryset.query.unscoped = True
        return queryset

    def without_company(self: Any, *args: Any, **lookups: Any) -> Any:
        lookups.pop("company_id", None)
        return real(self, *args, **lookups)

    monkeypatch.setattr(TenantManager, "get_queryset", unscoped)
    monkeypatch.setattr(QuerySet, "filter", without_company)
