"""Fields of the jobs doors: figures, quantities with units, filters. Conversion happens here only."""

import math
import re
from collections.abc import Callable, Mapping
from datetime import UTC, date, datetime
from typing import Any, NamedTuple, TypeVar
from uuid import UUID

from django.db.models import Model, QuerySet
from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from jobs.errors import Fault, Invalid
from jobs.models import Measurand, Quantity
from jobs.units import DESIGNED_IN, Figure, Unit, UnknownUnit, find_unit, units_of

M = TypeVar("M", bound=Model)
Known = Mapping[str, tuple[str, Callable[[str], Any]]]
"""Filters of a list: by query parameter the lookup and what reads its text."""
_NUMBER = re.compile(r"[+-]?[0-9]{1,15}(?:\.[0-9]{1,15})?(?:[eE][+-]?[0-9]{1,2})?")
NUMBER_SCHEMA = {
    "oneOf": [{"type": "string", "example": "13.10"}, {"type": "number"}],
    "description": "A decimal number with a point; as text the digits shown are kept.",
}
SI = {quantity: units_of(quantity)[0].name for quantity in Quantity}


def read_figure(data: Any) -> Figure:
    """A JSON number or a text of one, e.g. "13.10". Raises DRF's ValidationError."""
    if isinstance(data, bool) or not isinstance(data, (str, int, float)):
        raise serializers.ValidationError("Give a number, or a text such as '13.10'.")
    text = data.strip() if isinstance(data, str) else repr(data)
    if isinstance(data, str) and not _NUMBER.fullmatch(text):
        raise serializers.ValidationError("Not a number; write digits with a decimal point, e.g. '13.10'.")
    value = float(text)
    if not math.isfinite(value):
        raise serializers.ValidationError("Not a finite number.")
    return Figure(value, text)


@extend_schema_field({"anyOf": [{}]})
class AnyJson(serializers.JSONField):
    """Any JSON. Where null may stand the document says `anyOf`: in a `oneOf` null would fit twice."""


@extend_schema_field(NUMBER_SCHEMA)
class FigureField(serializers.Field):
    """A bare number whose unit stands beside it."""

    def to_internal_value(self, data: Any) -> Figure:
        return read_figure(data)

    def to_representation(self, value: Any) -> Any:
        return value


class Measure(NamedTuple):
    """A quantity: SI value and as entered, with unit."""

    si: float
    entered: str


def quantity_schema(quantity: Quantity) -> dict[str, Any]:
    units = [unit.name for unit in units_of(quantity)]
    return {
        "type": "object",
        "required": ["value", "unit"],
        "additionalProperties": False,
        "properties": {
            "value": NUMBER_SCHEMA,
            "unit": {
                "type": "string",
                "example": units[0],
                "description": f"{', '.join(units)}, or the trade's symbol of it.",
            },
        },
    }


class QuantityField(serializers.Field):
    """{"value": "500", "unit": "mm"} in; Measure inside; out in SI with its unit."""

    quantity: Quantity

    def to_internal_value(self, data: Any) -> Measure:
        if not isinstance(data, Mapping) or set(data) != {"value", "unit"}:
            raise serializers.ValidationError('Give {"value": …, "unit": …}.')
        figure, unit = read_figure(data["value"]), read_unit(data["unit"], self.quantity)
        return Measure(unit.to_si(figure.value), f"{figure.text} {unit.symbol}"[:40])

    def to_representation(self, value: float) -> dict[str, Any]:
        return {"value": value, "unit": SI[self.quantity]}


@extend_schema_field(quantity_schema(Quantity.LENGTH))
class LengthField(QuantityField):
    quantity = Quantity.LENGTH


@extend_schema_field(quantity_schema(Quantity.FLOW))
class FlowField(QuantityField):
    quantity = Quantity.FLOW


class Design(NamedTuple):
    """Design of something else than a flow: what of, value and limits in SI."""

    of: str
    value: float | None
    low: float | None
    high: float | None


DESIGN_NAMES = {"of", "unit", "value", "low", "high"}
DESIGN_SCHEMA = {
    "type": "object",
    "nullable": True,
    "required": ["of", "unit"],
    "additionalProperties": False,
    "properties": {
        "of": {"type": "string", "enum": [one.value for one in DESIGNED_IN]},
        "unit": {"type": "string", "example": "Pa", "description": "For all three figures; '1' for shares."},
        "value": NUMBER_SCHEMA,
        "low": NUMBER_SCHEMA,
        "high": NUMBER_SCHEMA,
    },
    "example": {"of": "pressure", "unit": "Pa", "value": "15", "low": "10"},
}


@extend_schema_field(DESIGN_SCHEMA)
class DesignField(serializers.Field):
    """{"of": "pressure", "unit": "Pa", "value": "15", "low": "10", "high": null} in; Design inside; SI out.

    Limits win over tolerances; one limit alone is a one-sided tolerance.
    """

    def get_attribute(self, instance: Any) -> Any:
        return instance

    def to_internal_value(self, data: Any) -> Design:
        if not isinstance(data, Mapping) or not {"of", "unit"} <= set(data) <= DESIGN_NAMES:
            raise serializers.ValidationError('Give {"of": …, "unit": …, "value": …, "low": …, "high": …}.')
        if data["of"] not in DESIGNED_IN:
            known = ", ".join(one.value for one in DESIGNED_IN)
            raise serializers.ValidationError(f"'of' is one of {known}.")
        unit = read_unit(data["unit"], DESIGNED_IN[Measurand(data["of"])])
        figures = (data.get(name) for name in ("value", "low", "high"))
        return Design(
            str(data["of"]), *(None if one is None else unit.to_si(read_figure(one).value) for one in figures)
        )

    def to_representation(self, row: Any) -> dict[str, Any] | None:
        if not row.design_of:
            return None
        unit = SI[DESIGNED_IN[row.design_of]]
        figures = {"value": row.design_value, "low": row.limit_low, "high": row.limit_high}
        return {"of": row.design_of, "unit": unit, **figures}


def read_unit(data: Any, quantity: Quantity) -> Unit:
    """A unit by its name. Raises DRF's ValidationError."""
    try:
        return find_unit(str(data)[:40], quantity)
    except UnknownUnit as error:
        raise serializers.ValidationError({"unit": [str(error)]}) from None


def si(measure: Measure | None) -> float | None:
    """The SI value, or None where null was given."""
    return None if measure is None else measure.si


def matching(rows: QuerySet[M], given: Mapping[str, str], known: Known) -> QuerySet[M]:
    """Rows by query parameters; `known` gives the lookup and the reader of each. Raises Invalid."""
    faults, lookups = [], {}
    for name, text in given.items():
        lookup, reader = known[name]
        try:
            lookups[lookup] = reader(text)
        except (ValueError, KeyError):
            faults.append(Fault(f"query:{name}", f"'{text[:60]}' does not fit; see the API's description."))
    if faults:
        raise Invalid("A filter has a value that does not fit.", faults)
    return rows.filter(**lookups)


def one_of(values: type[Any]) -> Callable[[str], str]:
    """A reader that takes the values of an enumeration."""
    return lambda text: str(values(text).value)


def yes_or_no(text: str) -> bool:
    return {"true": True, "false": False}[text]


def text(given: str) -> str:
    """A reader of a name as it stands, whole."""
    if not 1 <= len(given) <= 200:
        raise ValueError(given)
    return given


def whole_number(given: str) -> int:
    if not (given.isascii() and given.isdigit() and len(given) <= 9):
        raise ValueError(given)
    return int(given)


def day(given: str) -> date:
    """A reader of a day, e.g. 2026-03-02."""
    if len(given) != len("2026-03-02"):
        raise ValueError(given)
    return date.fromisoformat(given)


def moment(given: str) -> datetime:
    """A reader of a moment with its offset, e.g. 2026-03-02T08:00:00Z."""
    found = datetime.fromisoformat(given.replace(" ", "+"))  # a plus sign that an address made a space
    if found.tzinfo is None or "T" not in given:
        raise ValueError(given)
    return found.astimezone(UTC)


uuid = UUID
