"""System checks: what a model of a company must and must not have."""

from collections.abc import Callable, Iterator, Sequence
from typing import Any

from django.apps import AppConfig, apps
from django.contrib.postgres.constraints import ExclusionConstraint
from django.core.checks import CheckMessage, Error
from django.db import models

from .allowed import REFERENCE_MODELS
from .audit import unlisted_models
from .constraints import AppendOnly
from .detect import COMPANY_FIELD, is_company, is_tenant, is_tenant_link
from .fields import TenantForeignKey
from .models import TenantManager

LONGEST_NAME = 55
QUIET_DELETES = (models.PROTECT, models.RESTRICT, models.DO_NOTHING)


def check_tenancy(app_configs: Sequence[AppConfig] | None, **kwargs: Any) -> list[CheckMessage]:
    """Return an error for every rule that a model breaks."""
    labels = {config.label for config in app_configs or apps.get_app_configs()}
    every = apps.get_models(include_auto_created=True)
    errors: list[CheckMessage] = [
        _error("E001", model, "belongs to no company and is not listed in jobs/tenancy/allowed.py")
        for model in unlisted_models()
        if model._meta.app_label in labels
    ]
    for model in every:
        if model._meta.app_label in labels and is_tenant(model):
            errors.extend(error for rule in MODEL_RULES for error in rule(model))
    return errors


def _error(number: str, subject: Any, text: str, hint: str | None = None) -> CheckMessage:
    name = subject._meta.label if hasattr(subject, "_meta") else str(subject)
    return Error(f"{name} {text}.", hint=hint, obj=subject, id=f"tenancy.{number}")


def _local_keys(model: Any) -> list[Any]:
    return [
        f for f in model._meta.local_fields if f.name != COMPANY_FIELD and isinstance(f, models.ForeignKey)
    ]


def _key(model: Any) -> Iterator[CheckMessage]:
    if model._meta.pk.name != "id" or not isinstance(model._meta.pk, models.UUIDField):
        yield _error("E002", model, "must have the primary key id of TenantModel")


def _unique_fields(model: Any) -> Iterator[CheckMessage]:
    hint = 'Use UniqueConstraint(fields=["company", …]).'
    for field in model._meta.local_fields:
        if isinstance(field, models.OneToOneField):
            yield _error("E003", field, "is one-to-one, so unique over all companies", hint)
        elif field.unique and not field.primary_key:
            yield _error("E004", field, "is unique over all companies", hint)


def _many_to_many(model: Any) -> Iterator[CheckMessage]:
    for field in model._meta.local_many_to_many:
        if not is_tenant(field.remote_field.through):
            yield _error("E005", field, "needs a `through` model that is a TenantModel")


def _uniques(model: Any) -> Iterator[CheckMessage]:
    groups: list[tuple[str, Sequence[str]]] = [
        ("unique_together", tuple(names)) for names in model._meta.unique_together
    ]
    groups.extend(
        (constraint.name, constraint.fields or _first_names(constraint))
        for constraint in model._meta.constraints
        if isinstance(constraint, models.UniqueConstraint)
    )
    groups.extend(
        (constraint.name, _first_equal(constraint))
        for constraint in model._meta.constraints
        if isinstance(constraint, ExclusionConstraint)
    )
    for name, fields in groups:
        if not fields or fields[0] != COMPANY_FIELD:
            yield _error("E006", model, f"has the constraint {name}, which does not begin with company")


def _first_names(constraint: Any) -> tuple[str, ...]:
    """Return the name of the first expression of a unique constraint, if it is a plain field."""
    first: Any = constraint.expressions[0] if constraint.expressions else None
    name = getattr(first, "name", None)  # of models.F
    return (name,) if name else ()


def _first_equal(constraint: ExclusionConstraint) -> tuple[str, ...]:
    """Return the first field of an exclusion constraint, if it is compared by equality."""
    first, operator = constraint.expressions[0]
    name = first if isinstance(first, str) else getattr(first, "name", None)
    return (name,) if name and operator == "=" else ()


def _links(model: Any) -> Iterator[CheckMessage]:
    for field in _local_keys(model):
        target = field.remote_field.model
        if isinstance(target, str):
            continue  # not resolved; Django's own checks say so
        if is_tenant_link(model, field):
            if not isinstance(field, TenantForeignKey):
                yield _error("E007", field, "must be a TenantForeignKey")
        elif is_company(target):
            yield _error("E008", field, "points at a company; only the field company may")
        elif field.db_constraint and target._meta.label_lower not in REFERENCE_MODELS:
            yield _error(
                "E009", field, "points from a company's table to a shared one", "Keep the id as a value."
            )


def _names(model: Any) -> Iterator[CheckMessage]:
    for item in (*model._meta.constraints, *model._meta.indexes):
        if len(item.name) > LONGEST_NAME:
            yield _error("E010", model, f"has the name {item.name}, longer than {LONGEST_NAME} characters")


def _managers(model: Any) -> Iterator[CheckMessage]:
    for name in ("_default_manager", "_base_manager"):
        if not isinstance(getattr(model, name), TenantManager):
            yield _error("E011", model, f"has a {name} that is not a TenantManager")


def _append_only(model: Any) -> Iterator[CheckMessage]:
    if not any(isinstance(constraint, AppendOnly) for constraint in model._meta.constraints):
        return
    for field in _local_keys(model):
        if field.remote_field.on_delete not in QUIET_DELETES:
            yield _error("E012", field, "would change or delete rows of an append-only table", "Use PROTECT.")


MODEL_RULES: tuple[Callable[[Any], Iterator[CheckMessage]], ...] = (
    _key,
    _unique_fields,
    _many_to_many,
    _uniques,
    _links,
    _names,
    _managers,
    _append_only,
)
