"""What the backend, the checks and the audit need to know about a model.

Historical models in migrations lose their base classes, so a tenant model is known by its field.
"""

from typing import Any

from django.core.exceptions import FieldDoesNotExist
from django.db.models import Field, ForeignKey, Model

COMPANY_FIELD = "company"
COMPANY_MODEL = "jobs.company"


def _label(model: Any) -> str:
    """Return the lower-case label of a model class or of a reference not yet resolved."""
    return (model if isinstance(model, str) else str(model._meta.label)).lower()


def is_company(model: type[Model]) -> bool:
    """Tell whether this is the model of the companies themselves."""
    return _label(model) == COMPANY_MODEL


def is_tenant(model: type[Model]) -> bool:
    """Tell whether the rows of this model belong to a company."""
    try:
        field = model._meta.get_field(COMPANY_FIELD)
    except FieldDoesNotExist:
        return False
    return isinstance(field, ForeignKey) and _label(field.remote_field.model) == COMPANY_MODEL


def company_column(model: type[Model]) -> str | None:
    """Return the column that holds the company, or None for a table shared by all companies."""
    if is_company(model):
        return "id"
    return "company_id" if is_tenant(model) else None


def is_tenant_link(model: type[Model], field: "Field[Any, Any]") -> bool:
    """Tell whether `field` is a foreign key from one tenant table to another."""
    if not isinstance(field, ForeignKey) or field.name == COMPANY_FIELD or not is_tenant(model):
        return False
    target: Any = field.remote_field.model  # a text while not resolved
    return not isinstance(target, str) and is_tenant(target)
