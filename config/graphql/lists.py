"""Lists of the schema: Relay connections by keyset, both ways, with the filters that REST has."""

import inspect
from collections import defaultdict
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date
from functools import partial
from typing import Annotated, Any, Generic, TypeVar
from uuid import UUID

import strawberry
from django.core.exceptions import ImproperlyConfigured
from django.db.models import F, Model, QuerySet, Window
from django.db.models.functions import RowNumber
from strawberry.relay import PageInfo

from config.graphql.rows import KINDS, Rows, for_all, read_id, together
from jobs.access import Action, Actor, require
from jobs.errors import Fault, Invalid
from jobs.http.graphql import actor_of
from jobs.http.graphql_limits import MOST_A_PAGE, PAGE
from jobs.http.paging import read_number
from jobs.rest.fields import Known, matching
from jobs.tenancy.ids import parse_id, short_id

T = TypeVar("T")
PARENT, PLACE = "_parent", "_place"
PAGING = ("first", "after", "last", "before")


@dataclass(frozen=True)
class Filters:
    """Arguments that narrow a list, with the names and the meaning that REST gives them.

    `told`: by name the type (a table, for the id of one of its rows) and what it is for. `narrow` takes rows
    and texts by name, and raises Invalid.
    """

    told: Mapping[str, tuple[Any, str]]
    narrow: Callable[["QuerySet[Any]", Mapping[str, str]], "QuerySet[Any]"]

    def but(self, *names: str) -> "Filters":
        """Without those that the place of a list says already."""
        return Filters({name: one for name, one in self.told.items() if name not in names}, self.narrow)

    def apply(self, rows: "QuerySet[Any]", given: Mapping[str, Any]) -> "QuerySet[Any]":
        """Raises Invalid."""
        texts = {
            name: _text(value, self.told[name][0], name) for name, value in given.items() if value is not None
        }
        return self.narrow(rows, texts) if texts else rows


def filters(known: Known, **told: tuple[Any, str]) -> Filters:
    """Of a list of REST whose filters are `known`. Every one of them is told of."""
    if set(told) != set(known):
        raise ImproperlyConfigured(f"not the filters of REST: {sorted(set(told) ^ set(known))}")
    return Filters(told, lambda rows, given: matching(rows, given, known))


NO_FILTERS = Filters({}, lambda rows, given: rows)


@strawberry.type(description="One item of a list.")
class Edge(Generic[T]):
    cursor: str = strawberry.field(description="Where it stands; go on from here with `after` or `before`.")
    node: T


@strawberry.type(description="A part of a list.")
class Connection(Generic[T]):
    page_info: PageInfo
    edges: list[Edge[T]]


@dataclass(frozen=True, slots=True)
class At:
    """An item with the column that its list is ordered by."""

    node: Any
    key: str

    @property
    def cursor(self) -> str:
        value = getattr(self.node, self.key)
        return short_id(value) if isinstance(value, UUID) else str(value)


@dataclass(frozen=True, slots=True)
class Part:
    """Rows of one page, in the list's order, and whether more stand beyond its end."""

    rows: list[Any]
    more: bool
    asked: "Asked"
    key: str

    @property
    def edges(self) -> list[At]:
        return [At(row, self.key) for row in self.rows]

    @property
    def page_info(self) -> PageInfo:
        asked, ends = self.asked, [At(row, self.key).cursor for row in (*self.rows[:1], *self.rows[-1:])]
        return PageInfo(
            has_next_page=asked.before is not None if asked.backwards else self.more,
            has_previous_page=self.more if asked.backwards else asked.after is not None,
            start_cursor=ends[0] if ends else None,
            end_cursor=ends[-1] if ends else None,
        )


@dataclass(frozen=True, slots=True)
class Asked:
    """Which part of a list was asked for: how many, from which end, between which keys."""

    count: int
    backwards: bool = False
    after: Any = None
    before: Any = None


def read_asked(
    read: Callable[[str], Any],
    first: int | None = None,
    after: str | None = None,
    last: int | None = None,
    before: str | None = None,
) -> Asked:
    """Raises Invalid."""
    if first is not None and last is not None:
        raise Invalid(
            "Ask for the first or for the last, not for both.", [Fault("last", "stands beside first")]
        )
    name, count = ("last", last) if last is not None else ("first", first)
    if count is not None and not 1 <= count <= MOST_A_PAGE:
        raise Invalid(f"'{name}' must be from 1 to {MOST_A_PAGE}.", [Fault(name, "out of range")])
    ends = {"after": after, "before": before}
    return Asked(
        PAGE if count is None else count,
        last is not None,
        **{end: None if text is None else _cursor(read, text, end) for end, text in ends.items()},
    )


def _cursor(read: Callable[[str], Any], text: str, name: str) -> Any:
    try:
        return read(text)
    except ValueError:
        raise Invalid(f"'{name}' must be a cursor of this list.", [Fault(name, "no cursor")]) from None


@dataclass(frozen=True)
class Order:
    """The column of a list's keyset, and whether its greatest stands first."""

    key: str = "id"
    descending: bool = False

    @property
    def read(self) -> Callable[[str], Any]:
        return parse_id if self.key == "id" else read_number

    def part(self, rows: "QuerySet[Any]", asked: Asked) -> "QuerySet[Any]":
        """The rows between the asked keys, from the asked end."""
        greater, less = ("lt", "gt") if self.descending else ("gt", "lt")
        if asked.after is not None:
            rows = rows.filter(**{f"{self.key}__{greater}": asked.after})
        if asked.before is not None:
            rows = rows.filter(**{f"{self.key}__{less}": asked.before})
        return rows.order_by(self.by(asked))

    def by(self, asked: Asked) -> str:
        return f"-{self.key}" if self.descending != asked.backwards else self.key

    def whole(self, found: list[Any], asked: Asked) -> Part:
        """Of so many rows and one, in the order they were asked for."""
        rows = found[: asked.count]
        return Part(rows[::-1] if asked.backwards else rows, len(found) > asked.count, asked, self.key)


OLDEST_FIRST, NEWEST_FIRST = Order(), Order(descending=True)
BY_NUMBER = Order("number")


def listed(
    model: type[Model],
    description: str,
    *,
    order: Order = OLDEST_FIRST,
    narrowed: Filters = NO_FILTERS,
    rows: Rows | None = None,
    needs: Action = Action.READ,
) -> Any:
    """A field of the root: what the actor may see of a table."""

    def resolve(root: Any, info: strawberry.Info, **given: Any) -> Part:
        actor = require(actor_of(info), needs)
        asked = read_asked(order.read, **{name: given.pop(name, None) for name in PAGING})
        found = narrowed.apply((rows or KINDS[model].rows)(actor), given)
        return order.whole(together(order.part(found, asked)[: asked.count + 1]), asked)

    return strawberry.field(resolver=_with_arguments(resolve, narrowed), description=description)


def many(
    model: type[Model],
    by: str,
    description: str | None = None,
    *,
    order: Order = OLDEST_FIRST,
    narrowed: Filters = NO_FILTERS,
    rows: Rows | None = None,
) -> Any:
    """A field: the rows of a table that lead to this one by the lookup `by`."""
    source = _Source(model, by, order, narrowed, rows)

    def resolve(root: Any, info: strawberry.Info, **given: Any) -> Part:
        asked = read_asked(order.read, **{name: given.pop(name, None) for name in PAGING})
        chosen = tuple(sorted((name, value) for name, value in given.items() if value is not None))
        load = partial(source.parts, asked, dict(chosen), actor_of(info))
        return for_all(root, (source, asked, chosen), load) or order.whole([], asked)

    return strawberry.field(resolver=_with_arguments(resolve, narrowed), description=description)


@dataclass(frozen=True, eq=False)
class _Source:
    """Where the rows of a nested list come from."""

    model: type[Model]
    by: str
    order: Order
    narrowed: Filters
    rows: Rows | None

    def parts(
        self, asked: Asked, given: Mapping[str, Any], actor: Actor, parents: list[Any]
    ) -> dict[Any, Part]:
        """A page for each parent, in one statement."""
        order, keys = self.order, list({parent.pk for parent in parents})
        found = self.narrowed.apply((self.rows or KINDS[self.model].rows)(actor), given)
        found = order.part(found.filter(**{f"{self.by}__in": keys}).annotate(**{PARENT: F(self.by)}), asked)
        if len(keys) == 1:
            found = found[: asked.count + 1]
        else:
            place = Window(RowNumber(), partition_by=F(self.by), order_by=order.by(asked))
            found = found.annotate(**{PLACE: place}).filter(**{f"{PLACE}__lte": asked.count + 1})
        held: dict[Any, list[Any]] = defaultdict(list)
        for row in together(found):
            held[getattr(row, PARENT)].append(row)
        return {key: order.whole(held[key], asked) for key in keys}


def _text(value: Any, kind: Any, name: str) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, date):
        return value.isoformat()
    if _is_table(kind):
        return str(read_id(value, kind, name))
    if "\0" in str(value):
        raise Invalid("The character NUL is in no text here.", [Fault(name, "has the character NUL")])
    return str(value)


def _is_table(kind: Any) -> bool:
    return isinstance(kind, type) and issubclass(kind, Model)


def _with_arguments(resolve: Callable[..., Any], narrowed: Filters) -> Callable[..., Any]:
    """The resolver with a signature that tells of its arguments."""
    told = {
        name: (strawberry.ID if _is_table(kind) else kind, words)
        for name, (kind, words) in narrowed.told.items()
    }
    parameters = [
        inspect.Parameter("root", inspect.Parameter.POSITIONAL_OR_KEYWORD, annotation=Any),
        inspect.Parameter("info", inspect.Parameter.POSITIONAL_OR_KEYWORD, annotation=strawberry.Info),
        *(_argument(name, *one) for name, one in (_PAGING | told).items()),
    ]
    resolve.__signature__ = inspect.Signature(parameters)  # type: ignore[attr-defined]
    resolve.__annotations__ = {one.name: one.annotation for one in parameters}
    return resolve


def _argument(name: str, kind: Any, words: str) -> inspect.Parameter:
    note = Annotated[kind | None, strawberry.argument(description=words)]
    return inspect.Parameter(name, inspect.Parameter.KEYWORD_ONLY, default=None, annotation=note)


_PAGING: dict[str, tuple[Any, str]] = {
    "first": (int, f"So many from the start, at most {MOST_A_PAGE}; {PAGE} unless told."),
    "after": (str, "Only what comes after this cursor."),
    "last": (int, "So many from the end, instead of from the start."),
    "before": (str, "Only what comes before this cursor."),
}
