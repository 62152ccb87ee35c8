"""Input types, as strict as the shapes of REST that they are read by.

Fields, what must be there, choices and bounds are said once, in the shape; a GraphQL input is that shape with
GraphQL's types, so the two doors take and refuse the same with the same words.
"""

import base64
import binascii
import enum
import json
from datetime import date, datetime, time
from functools import cache
from typing import Any, NewType
from uuid import UUID

import strawberry
from django.core.exceptions import ImproperlyConfigured
from django.db.models import TextChoices
from graphql import FloatValueNode, IntValueNode, StringValueNode, ValueNode
from rest_framework import serializers
from strawberry.scalars import JSON
from strawberry.types.scalar import ScalarDefinition

from jobs import models as jobs
from jobs.access import SCOPES
from jobs.errors import Fault, Invalid
from jobs.http.door import Strict
from jobs.http.parsing import read_json
from jobs.rest.fields import DesignField, FigureField, QuantityField
from jobs.units import DESIGNED_IN
from measurements import models as measurements
from measurements.models import AnswerKind
from measurements.rest.photos import NewId
from reports import models as reports
from reports.before import TITLES

MOST_ITEMS = 1000
"""Of any list in an input whose shape says no less."""


def _digits(value: object) -> object:
    if isinstance(value, bool) or not isinstance(value, str | int | float):
        raise ValueError("Give a number, or a text such as '13.10'.")
    return value


def _digits_literal(node: ValueNode, variables: Any = None) -> object:
    if not isinstance(node, StringValueNode | IntValueNode | FloatValueNode):
        raise ValueError("Give a number, or a text such as '13.10'.")
    return node.value


Digits = NewType("Digits", object)
SCALARS: dict[object, ScalarDefinition] = {
    Digits: strawberry.scalar(
        name="Digits",
        description="A decimal number with a point; as text, such as '13.10', the digits shown are kept.",
        serialize=str,
        parse_value=_digits,
        parse_literal=_digits_literal,
    )
}
"""For the schema's configuration."""


@strawberry.input(description="A figure with its unit: a UCUM code or the trade's symbol.")
class QuantityInput:
    value: Digits
    unit: str


_ENUMS: dict[tuple[str, ...], Any] = {}


def _named(name: str, *values: str) -> None:
    """An enumeration whose names are the values, as answers and REST have them."""
    made = enum.Enum(name, {value: value for value in values}, module=__name__)  # type: ignore[misc]
    _ENUMS[values] = strawberry.enum(made, name=name)


def _known(*found: type[TextChoices]) -> None:
    for one in found:
        _named(one.__name__, *one.values)


_known(
    jobs.DecisionRule,
    jobs.DensityBasis,
    jobs.FanStatic,
    jobs.InstrumentKind,
    jobs.Lapse,
    jobs.PointKind,
    jobs.Quantity,
    jobs.Role,
    jobs.SystemKind,
    jobs.UnitSystem,
    measurements.CheckKind,
    measurements.PhotoKind,
    measurements.PhotoSubject,
    measurements.RecallDecisionKind,
    measurements.Severity,
    reports.Season,
)
_named("FlagDecision", AnswerKind.ACCEPT.value, AnswerKind.REMEASURE.value)
_named("Paper", "A4", "Letter")
_named("PlainDocument", *(kind.value for kind in TITLES))
_named("Scope", *SCOPES)
_named("Designed", *(one.value for one in DESIGNED_IN))


@strawberry.input(
    description="Design of something else than a flow. `unit` is that of all three; '1' for shares.",
)
class DesignInput:
    of: _ENUMS[tuple(one.value for one in DESIGNED_IN)]  # type: ignore[valid-type]
    unit: str
    value: Digits | None = strawberry.UNSET
    low: Digits | None = strawberry.UNSET
    high: Digits | None = strawberry.UNSET


_SIMPLE: list[tuple[type[serializers.Field], Any]] = [
    (FigureField, Digits),
    (QuantityField, QuantityInput),
    (DesignField, DesignInput),
    (NewId, UUID),
    (serializers.UUIDField, strawberry.ID),
    (serializers.BooleanField, bool),
    (serializers.IntegerField, int),
    (serializers.FloatField, float),
    (serializers.DateTimeField, datetime),
    (serializers.DateField, date),
    (serializers.TimeField, time),
    (serializers.JSONField, JSON),
    (serializers.CharField, str),
]


def _type_of(field: serializers.Field, at: str) -> Any:
    """The GraphQL type of a shape's field, without saying whether it may be null."""
    if isinstance(field, serializers.ListSerializer):
        return list[input_of(type(field.child))]  # type: ignore[misc,arg-type]
    if isinstance(field, serializers.ListField):
        return list[_type_of(field.child, at)]  # type: ignore[misc]
    if isinstance(field, Strict):
        return input_of(type(field))
    if isinstance(field, serializers.ChoiceField):
        names = [str(one) for one in field.choices]
        plain = all(one.isidentifier() for one in names) and not field.allow_blank
        return _ENUMS.get(tuple(names), str) if plain else str
    for kind, found in _SIMPLE:
        if isinstance(field, kind):
            return found
    raise ImproperlyConfigured(f"no GraphQL type for {type(field).__name__} of {at}")


@cache
def input_of(shape: type[Strict], part: bool = False) -> type[Any]:
    """The input type that is read by a shape; of a `part` every field may be left out."""
    name = _name(shape, part)
    hints: dict[str, Any] = {}
    values: dict[str, Any] = {}
    for key, field in shape().fields.items():
        kind = _type_of(field, f"{name}.{key}")
        wanted = field.required and not part
        hints[key] = kind if wanted and not field.allow_null else kind | None
        told = str(field.help_text) if field.help_text else None
        values[key] = strawberry.field(description=told, **({} if wanted else {"default": strawberry.UNSET}))
    made = type(name, (), {"__annotations__": hints, "__module__": __name__, **values})
    words = (shape.__doc__ or "").strip().partition("\n\n")[0]
    return strawberry.input(made, name=name, description=words or None)


def _name(shape: type[Strict], part: bool) -> str:
    name = getattr(getattr(shape, "Meta", None), "ref_name", None) or shape.__name__
    stem = name.removesuffix("Input").removesuffix("In")
    return f"{stem}ChangeInput" if part and not stem.endswith("Change") else f"{stem}Input"


# From GraphQL's objects to the JSON that a shape reads


def read_ref(text: str) -> str:
    """The key that an id of the schema holds; anything else as it stands, to be refused by who reads it."""
    try:
        key = base64.b64decode(text[:200].encode("ascii"), validate=True).decode("ascii").partition(":")[2]
        return str(UUID(key)) if len(key) == 36 else text
    except (binascii.Error, UnicodeError, ValueError):
        return text


def plain(value: Any, field: serializers.Field | None = None) -> Any:
    """An argument as the JSON that REST would have been sent, with what was left out left out."""
    if isinstance(field, serializers.ListField | serializers.ListSerializer) and isinstance(value, list):
        return [plain(one, field.child) for one in value]
    if isinstance(value, enum.Enum):
        return value.value
    if isinstance(value, datetime | date | time):
        return value.isoformat()
    if isinstance(value, UUID):
        return str(value)
    if hasattr(type(value), "__strawberry_definition__"):
        inner = field.fields if isinstance(field, serializers.Serializer) else {}
        given = {name: at for name, at in vars(value).items() if at is not strawberry.UNSET}
        return {name: plain(at, inner.get(name)) for name, at in given.items()}
    return read_ref(value) if isinstance(field, serializers.UUIDField) and isinstance(value, str) else value


def strictly(value: Any) -> Any:
    """The same, read as strictly as a body of REST. Raises BadJson, and Invalid for a long list."""
    found = read_json(json.dumps(value).encode())
    _check_lengths(found, "")
    return found


def _check_lengths(value: Any, at: str) -> None:
    if isinstance(value, list) and len(value) > MOST_ITEMS:
        raise Invalid("A list is too long.", [Fault(at or "/", f"at most {MOST_ITEMS} items")])
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for name, inner in items:
        _check_lengths(inner, f"{at}/{name}")
