"""Rows of the database as objects of the schema, and what hangs on them.

Rows that one statement brought stay together: what is asked of one of them is fetched for all of them at
once. So the number of statements follows from the shape of a query and never from how many rows there are,
whatever is nested in whatever, under any alias and with any arguments.
"""

import base64
import binascii
from collections.abc import Callable, Hashable, Iterable, Mapping
from dataclasses import dataclass, field
from functools import reduce
from typing import Any, TypeVar, dataclass_transform
from uuid import UUID

import strawberry
import strawberry_django
from django.db.models import Model, QuerySet

from jobs.access import Actor
from jobs.errors import Fault, Forbidden, Invalid
from jobs.http.graphql import actor_of
from jobs.queries import visible
from jobs.tenancy.strawberry import register

R = TypeVar("R")
T = TypeVar("T")
Rows = Callable[[Actor], "QuerySet[Any]"]
_MARK = "_together"

register()


@strawberry.interface(description="Anything with an id of its own.")
class Node:
    @strawberry.field(description="Opaque; leads back here by `node`.")
    def id(root: Any) -> strawberry.ID:
        return strawberry.ID(global_id(root))

    @strawberry.field(description="As REST, events and file addresses name it.")
    def uuid(root: Any) -> UUID:
        key: UUID = root.pk
        return key


@dataclass(frozen=True)
class Kind:
    """A type of the schema with the table behind it, and the rows of it that somebody may see."""

    shape: type[Any]
    model: type[Model]
    rows: Rows

    @property
    def name(self) -> str:
        return self.shape.__name__


KINDS: dict[type[Model], Kind] = {}
"""By table. Every relation and every id is read through here."""


@dataclass_transform(kw_only_default=True)
def node(model: type[Any], description: str, rows: Rows | None = None) -> Callable[[type[T]], type[T]]:
    """Makes a class the schema's type of a table's rows; `rows` are those that an actor may see."""

    def made(cls: type[T]) -> type[T]:
        cls.is_type_of = staticmethod(lambda row, info: isinstance(row, model))  # type: ignore[attr-defined]
        kind = strawberry_django.type(model, description=description)(cls)
        KINDS[model] = Kind(kind, model, rows or (lambda actor: visible(model.objects.all(), actor)))
        return kind

    return made


def global_id(row: Any) -> str:
    """What names a row everywhere in the schema."""
    return base64.b64encode(f"{KINDS[type(row)].name}:{row.pk}".encode()).decode()


def read_id(text: str, model: type[Model], name: str = "id") -> UUID:
    """The key of a row, from its id in the schema or as REST names it. Raises Invalid."""
    try:
        return UUID(text) if len(text) == 36 else parse_global_id(text)[1][model]
    except (ValueError, KeyError):
        wanted = f"must be the id of a {KINDS[model].name}"
        raise Invalid(f"'{name}' {wanted}.", [Fault(name, wanted)]) from None


def parse_global_id(text: str) -> tuple[Kind, dict[type[Model], UUID]]:
    """The kind that an id names, and its key by the table of that kind. Raises ValueError."""
    try:
        name, _, key = (
            base64.b64decode(text[:200].encode("ascii"), validate=True).decode("ascii").partition(":")
        )
    except (binascii.Error, UnicodeError) as error:
        raise ValueError("not an id") from error
    kind = next((one for one in KINDS.values() if one.name == name), None)
    if kind is None or len(key) != 36:
        raise ValueError("not an id")
    return kind, {kind.model: UUID(key)}


@dataclass
class Together:
    """Rows that one statement brought, with what was fetched for them since, by what it is."""

    rows: list[Any]
    known: dict[Hashable, Mapping[Any, Any]] = field(default_factory=dict)


def together(rows: Iterable[R]) -> list[R]:
    """The rows as a list; from now on what hangs on one is fetched for all of them."""
    found = list(rows)
    group = Together(found)
    for row in found:
        row.__dict__[_MARK] = group
    return found


def for_all(row: Any, what: Hashable, load: Callable[[list[Any]], Mapping[Any, T]]) -> T | None:
    """What `load` gives for this row by its key; it is called once for all rows that came together."""
    group: Together | None = row.__dict__.get(_MARK)
    if group is None:
        group = Together([row])
        row.__dict__[_MARK] = group
    if what not in group.known:
        group.known[what] = load(group.rows)
    return group.known[what].get(row.pk)


def one(name: str, description: str | None = None) -> Any:
    """A field: the row that a foreign key names. Null where there is none, or none that the actor may see."""

    def resolve(root: Any, info: strawberry.Info) -> Any:
        return for_all(root, name, lambda rows: _referred(rows, name, actor_of(info)))

    return strawberry.field(resolver=resolve, description=description)


def told(path: str, description: str | None = None) -> Any:
    """A field: an attribute of an attribute, as `job.site.name`; null where one of them is."""
    names = path.split(".")

    def resolve(root: Any) -> Any:
        for name in names:
            root = None if root is None else getattr(root, name)
        return root

    return strawberry.field(resolver=resolve, description=description)


def rows_of(model: type[Model], actor: Actor) -> "QuerySet[Any]":
    """The rows that an actor may see; none where they may see none at all."""
    try:
        return KINDS[model].rows(actor)
    except Forbidden:
        return model._default_manager.none()


def seen_ones(model: type[Model], keys: Mapping[Any, Any], actor: Actor) -> dict[Any, Any]:
    """By the same names, the rows that keys lead to; they are kept together."""
    found = by_key(rows_of(model, actor), {key for key in keys.values() if key is not None})
    return {name: found.get(key) for name, key in keys.items()}


def _referred(rows: list[Any], name: str, actor: Actor) -> dict[Any, Any]:
    relation = rows[0]._meta.get_field(name)
    named = {row.pk: getattr(row, relation.attname) for row in rows}
    return seen_ones(relation.related_model, named, actor)


def one_back(model: type[Any], by: str, description: str | None = None) -> Any:
    """A field: the row of a table that leads here by `by`, where there is at most one."""

    def resolve(root: Any, info: strawberry.Info) -> Any:
        return for_all(root, (model, by), lambda rows: _leading(rows, model, by, actor_of(info)))

    return strawberry.field(resolver=resolve, description=description)


def _leading(rows: list[Any], model: type[Any], by: str, actor: Actor) -> dict[Any, Any]:
    found = rows_of(model, actor).filter(**{f"{by}__in": [row.pk for row in rows]})
    return {getattr(row, f"{by}_id"): row for row in together(found)}


@strawberry.type(description="Somebody or something, as far as others need to know.")
class Named:
    uuid: UUID
    name: str


def name_of(name: str, description: str | None = None) -> Any:
    """A field: id and name of the row that a foreign key names, as REST tells them whoever may read."""

    def resolve(root: Any, info: strawberry.Info) -> Any:
        return for_all(root, ("name", name), lambda rows: _names(rows, name, actor_of(info)))

    return strawberry.field(resolver=resolve, description=description)


def _names(rows: list[Any], path: str, actor: Actor) -> dict[Any, Named | None]:
    *through, name = path.split(".")
    holders = {row.pk: reduce(getattr, through, row) for row in rows}
    relation = next(iter(holders.values()))._meta.get_field(name)
    named = {key: getattr(holder, relation.attname) for key, holder in holders.items()}
    wanted = set(named.values()) - {None}
    there = visible(relation.related_model.objects.filter(pk__in=wanted), actor).values_list("pk", "name")
    found = dict(there) if wanted else {}
    return {
        key: Named(uuid=other, name=found[other]) if other in found else None for key, other in named.items()
    }


def by_key(rows: "QuerySet[Any]", keys: Iterable[Any]) -> dict[Any, Any]:
    """Rows with these keys, kept together."""
    wanted = list(keys)
    return {row.pk: row for row in together(rows.filter(pk__in=wanted))} if wanted else {}


def heavy(name: str, description: str | None = None) -> Any:
    """A field: a column that is left out of the rows until it is asked for."""

    def resolve(root: Any, info: strawberry.Info) -> Any:
        return for_all(root, name, lambda rows: _column(rows, name))

    return strawberry.field(resolver=resolve, description=description)


def _column(rows: list[Any], name: str) -> dict[Any, Any]:
    model = type(rows[0])
    return dict(model.objects.filter(pk__in=[row.pk for row in rows]).values_list("pk", name))


def computed(
    load: Callable[[list[Any], Actor], Mapping[Any, Any]],
    *,
    description: str | None = None,
    price: int = 0,
) -> Any:
    """A field: what `load` finds for all rows that came together, by key. `price`: how many objects it is."""

    def resolve(root: Any, info: strawberry.Info) -> Any:
        return for_all(root, load, lambda rows: load(rows, actor_of(info)))

    return strawberry.field(resolver=resolve, description=description, metadata={"price": price})
