"""What every action on a row does alike: find and lock it, compare versions, check fields."""

from collections.abc import Iterable, Mapping
from typing import Any, TypeVar
from uuid import UUID

from django.core.exceptions import ValidationError
from django.db.models import Model, QuerySet
from django.utils.translation import gettext

from jobs.access import Actor
from jobs.errors import Conflict, Fault, Invalid, NotFound, PreconditionFailed
from jobs.queries import visible

M = TypeVar("M", bound=Model)
NOTHING = "There is nothing by that id."


def locked(rows: QuerySet[M], actor: Actor, row_id: UUID) -> M:
    """The row for changing, locked until the transaction ends. Raises NotFound."""
    found = visible(rows.select_for_update(of=("self",)), actor).filter(id=row_id).first()
    if found is None:
        raise NotFound()
    return found


def related(rows: QuerySet[M], actor: Actor, row_id: UUID, pointer: str) -> M:
    """A row that the input names. Raises Invalid, alike for unknown ids and other companies'."""
    found = visible(rows, actor).filter(id=row_id).first()
    if found is None:
        raise Invalid(gettext("An id in the input leads to nothing."), [Fault(pointer, NOTHING)])
    return found


def seen_as(row: Any, version: int) -> None:
    """Raises PreconditionFailed when the row changed since the caller looked."""
    if row.version != version:
        raise PreconditionFailed(
            gettext("It changed since you looked; fetch it again and repeat your change.")
        )


def check(row: Model, faults: Iterable[Fault] = ()) -> None:
    """Field by field: lengths, choices, bounds; then what the caller found. Raises Invalid with all of it."""
    found = list(faults)
    keys = {field.name for field in row._meta.concrete_fields if field.is_relation}
    try:
        row.full_clean(exclude=keys, validate_unique=False, validate_constraints=False)
    except ValidationError as error:
        found += [Fault(f"/{name}", text) for name, texts in error.message_dict.items() for text in texts]
    if found:
        raise Invalid(gettext("Some fields are not valid; see 'errors'."), found)


def check_single(row: Model, pointer: str, *names: str) -> None:
    """Raises Conflict when another row of the company has the same values in these fields."""
    same = type(row).objects.filter(**{name: getattr(row, name) for name in names})  # type: ignore[attr-defined]
    if same.exclude(pk=row.pk).exists():
        kind = row._meta.verbose_name
        raise Conflict(
            gettext("There is already a %(kind)s with this %(names)s.") % {"kind": kind, "names": names[-1]},
            [Fault(pointer, gettext("is taken already"))],
        )


def apply(row: Any, changes: Mapping[str, Any]) -> dict[str, tuple[Any, Any]]:
    """Sets fields and returns those that differ, as (before, after). The version counts up when any does."""
    differing = {
        name: (getattr(row, name), value) for name, value in changes.items() if getattr(row, name) != value
    }
    for name, (_, value) in differing.items():
        setattr(row, name, value)
    row.version += bool(differing)
    return differing


def save(row: Model, differing: Mapping[str, Any]) -> None:
    """Writes the fields that `apply` set."""
    if differing:
        row.save(update_fields=[*differing, "version"])
