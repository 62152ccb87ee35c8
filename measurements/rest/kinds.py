"""The session of each method as JSON Schema, from the table that intake checks by.

The batch's schema is discriminated by `method`: for each it says which places are read with which quantity,
what must be told, and whether the air and the plane are needed. A hook puts it into the OpenAPI document.
"""

from typing import Any

import msgspec
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from jobs.access import Action
from jobs.http.door import Door
from jobs.models import Quantity
from jobs.units import units_of as units_of_quantity
from measurements import batch
from measurements.calc.units import Kind, units_of
from measurements.methods import METHODS, MethodKind, Place, Told
from measurements.methods.described import described

Schema = dict[str, Any]
REF = "#/components/schemas/"
BATCHES = "/api/v1/field/batches"
FIGURE: Schema = {
    "oneOf": [{"type": "string", "example": "13.10"}, {"type": "number"}],
    "description": "As text the digits shown are kept.",
}
SHARED = (
    "Supersedes",
    "AdjustmentIn",
    "TurnedIn",
    "ZeroCheckIn",
    "PlaneIn",
    "Conditions",
    "Amount",
    "SweepIn",
)
NAMES = {name: name.removesuffix("In") for name in SHARED} | {"PlaneIn": "MeasuringPlane"}


def name_of(kind: MethodKind) -> str:
    """PitotTraverseSession"""
    return "".join(part.capitalize() for part in kind.method.value.split("_")) + "Session"


def components() -> dict[str, Schema]:
    """Every schema that a batch needs, by name."""
    shared_types = [
        batch.Supersedes,
        batch.AdjustmentIn,
        batch.TurnedIn,
        batch.ZeroCheckIn,
        batch.PlaneIn,
        batch.Conditions,
    ]
    _, parts = msgspec.json.schema_components([*shared_types, batch.SweepIn], ref_template=REF + "{name}")
    shared = {f"Batch{NAMES[name]}": _renamed(parts[name]) for name in SHARED}
    kinds = {name_of(kind): session_schema(kind) for kind in METHODS.values()}
    mapping = {kind.method.value: REF + name_of(kind) for kind in METHODS.values()}
    batch_schema = {
        "type": "object",
        "additionalProperties": False,
        "required": ["sent_at", "sessions"],
        "properties": {
            "sent_at": {"type": "string", "format": "date-time", "description": "The tablet's clock."},
            "sessions": {
                "type": "array",
                "minItems": 1,
                "maxItems": batch.MOST_SESSIONS,
                "items": {
                    "oneOf": [{"$ref": ref} for ref in mapping.values()],
                    "discriminator": {"propertyName": "method", "mapping": mapping},
                },
            },
        },
    }
    told = {told.kind for kind in METHODS.values() for told in kind.told if told.kind}
    return {
        **shared,
        "BatchInstrument": {"type": "string", "format": "uuid", "description": "Id of an instrument."},
        "BatchReading": _plain_reading(),
        **{_told_name(kind): _told_figure(kind) for kind in sorted(told)},
        **kinds,
        "SessionBatch": batch_schema,
    }


def _renamed(schema: Any) -> Any:
    """References to the shared parts by the names they have here."""
    if isinstance(schema, dict):
        return {k: _ref(v) if k == "$ref" else _renamed(v) for k, v in schema.items() if k != "title"}
    return [_renamed(one) for one in schema] if isinstance(schema, list) else schema


def _ref(ref: str) -> str:
    name = ref.removeprefix(REF)
    return f"{REF}Batch{NAMES[name]}"


def session_schema(kind: MethodKind) -> Schema:
    """What a session of this method holds."""
    required = ["id", "job", "test_point", "method", "started_at", "finished_at", "instruments"]
    properties: dict[str, Schema] = {
        "id": {"type": "string", "format": "uuid", "description": "Made by the tablet; UUIDv7 is best."},
        "job": {"type": "string", "format": "uuid"},
        "test_point": {"type": "string", "format": "uuid"},
        "method": {"type": "string", "const": kind.method.value},
        "started_at": {"type": "string", "format": "date-time"},
        "finished_at": {"type": "string", "format": "date-time"},
        "conditions": {"$ref": f"{REF}BatchConditions"},
        "instruments": _instruments(kind),
        "zero_checks": {"type": "array", "items": {"$ref": f"{REF}BatchZeroCheck"}, "maxItems": 50},
        "adjustment": {"oneOf": [{"$ref": f"{REF}BatchAdjustment"}, {"type": "null"}]},
        "turned": {"type": "array", "items": {"$ref": f"{REF}BatchTurned"}, "maxItems": 20},
        "supersedes": {"oneOf": [{"$ref": f"{REF}BatchSupersedes"}, {"type": "null"}]},
        "note": {"type": "string", "maxLength": 20000},
    }
    if kind.air:
        required.append("conditions")
    if kind.plane:
        required.append("plane")
        properties["plane"] = {"$ref": f"{REF}BatchMeasuringPlane"}
    if kind.told:
        needed = [told.name for told in kind.told if told.needed]
        required += ["told"] if needed else []
        properties["told"] = _object({told.name: told_schema(told) for told in kind.told}, needed)
    part = "sweeps" if kind.swept else "readings"
    required.append(part)
    items = {"$ref": f"{REF}BatchSweep"} if kind.swept else _reading(kind)
    properties[part] = {"type": "array", "minItems": 1, "items": items}
    return {**_object(properties, required), "description": _words(kind)}


def _object(properties: dict[str, Schema], required: list[str]) -> Schema:
    needed = {"required": required} if required else {}
    return {"type": "object", "additionalProperties": False, **needed, "properties": properties}


def _words(kind: MethodKind) -> str:
    least = [f"{place.name} ({place.least})" for place in kind.places if place.least]
    asked = f" Readings at the least: {', '.join(least)}." if least else ""
    return f"{kind.method.label}. Finds: {kind.measurand.label}.{asked}"


def _instruments(kind: MethodKind) -> Schema:
    uses = {use: {"$ref": f"{REF}BatchInstrument"} for use in sorted(kind.uses)}
    needed = sorted({place.use for place in kind.places if place.least})
    return _object(uses, needed)


def _reading(kind: MethodKind) -> Schema:
    """One reading: of one of the method's places, each with its quantity."""
    by_quantity: dict[Quantity, list[Place]] = {}
    for place in kind.places:
        by_quantity.setdefault(place.quantity, []).append(place)
    first = kind.places[0]
    choices = [_of_quantity(quantity, places, first) for quantity, places in by_quantity.items()]
    which = choices[0] if len(choices) == 1 else {"oneOf": choices}
    return {"allOf": [{"$ref": f"{REF}BatchReading"}, which]}


def _of_quantity(quantity: Quantity, places: list[Place], first: Place) -> Schema:
    names = [place.name for place in places]
    whole = first in places
    words = "; ".join(f"{place.name}: {place.words}" for place in places)
    units = ", ".join(unit.name for unit in units_of_quantity(quantity))
    return {
        "properties": {
            "place": {"type": "string", "enum": names + [""] * whole, "description": words},
            "quantity": {"type": "string", "const": quantity.value},
            "unit": {"type": "string", "description": f"{units}, or the trade's symbol."},
        },
        "required": [] if whole else ["place"],
    }


def _plain_reading() -> Schema:
    """What every reading has."""
    number = {"type": "integer", "minimum": 1}
    properties: dict[str, Schema] = {
        "place": {"type": "string", "description": "Empty or left out: the method's first place."},
        "run": {**number, "maximum": 99},
        "line": {**number, "maximum": 200},
        "point": {**number, "maximum": 200},
        "quantity": {"type": "string", "enum": [one.value for one in Quantity]},
        "value": FIGURE,
        "unit": {"type": "string"},
        "taken_at": {"type": "string", "format": "date-time"},
        "id": {"type": ["string", "null"], "format": "uuid"},
    }
    return _object(properties, ["run", "line", "point", "quantity", "value", "unit", "taken_at"])


def _told_name(kind: Kind) -> str:
    return "BatchTold" + "".join(part.capitalize() for part in kind.value.split("_"))


def told_schema(told: Told) -> Schema:
    """A figure with its unit, one of the choices, or a list of those."""
    one = {"$ref": REF + _told_name(told.kind)} if told.kind else _told_text(told)
    if told.many:
        return {"type": "array", "items": {"oneOf": [one, {"type": "null"}]}, "description": told.words}
    return {**one, "description": told.words}


def _told_text(told: Told) -> Schema:
    return {"type": "string", "enum": list(told.choices)} if told.choices else {"type": "string"}


def _told_figure(kind: Kind) -> Schema:
    units = ", ".join(unit.ucum for unit in units_of(kind))
    properties: dict[str, Schema] = {
        "value": FIGURE,
        "unit": {"type": "string", "description": f"{units}, or the trade's symbol."},
        "expanded_uncertainty": {
            "oneOf": [*FIGURE["oneOf"], {"type": "null"}],
            "description": "U at k = 2, in the same unit.",
        },
    }
    return _object(properties, ["value", "unit"])


def add_session_kinds(result: Schema, generator: Any, request: Any, public: bool) -> Schema:
    """Puts the batch's schema into the OpenAPI document."""
    result["components"]["schemas"] |= components()
    content = result["paths"][BATCHES]["post"]["requestBody"]["content"]["application/json"]
    content["schema"] = {"$ref": f"{REF}SessionBatch"}
    return result


class PlaceOut(serializers.Serializer):
    name = serializers.CharField(help_text="Empty in a reading: the first place.")
    words = serializers.CharField()
    quantity = serializers.CharField()
    units = serializers.ListField(child=serializers.CharField())
    use = serializers.CharField(help_text="Under which the instrument is named.")
    least = serializers.IntegerField(help_text="Readings at the least; 0: may be left out.")
    line = serializers.CharField(help_text="What the line number counts.")

    class Meta:
        ref_name = "MethodPlace"


class ToldOut(serializers.Serializer):
    name = serializers.CharField()
    words = serializers.CharField()
    quantity = serializers.CharField(allow_null=True, help_text="Null: one of the choices, or a text.")
    units = serializers.ListField(child=serializers.CharField())
    choices = serializers.ListField(child=serializers.CharField())
    needed = serializers.BooleanField()
    many = serializers.BooleanField()  # type: ignore[assignment]  # a declared field
    uncertain = serializers.BooleanField(help_text="Whether its uncertainty enters the budget.")

    class Meta:
        ref_name = "MethodTold"


class MethodOut(serializers.Serializer):
    """A way of measuring: what is read where, what is told, what comes of it."""

    method = serializers.CharField()
    words = serializers.CharField()
    measurand = serializers.CharField(help_text="What the verdict is about.")
    unit = serializers.CharField(help_text="SI unit of the measurand.")
    points = serializers.ListField(child=serializers.CharField(), help_text="Kinds of test points it suits.")
    air = serializers.BooleanField(help_text="Whether the state of the air is needed.")
    plane = serializers.BooleanField(help_text="Whether the duct as found is needed.")
    swept = serializers.BooleanField(help_text="Whether sweeps are posted and not readings.")
    places = PlaceOut(many=True)
    told = ToldOut(many=True)
    uses = serializers.ListField(child=serializers.CharField())
    cautions = serializers.ListField(child=serializers.CharField())

    class Meta:
        ref_name = "MeasuringMethod"


class MethodsOut(serializers.Serializer):
    methods = MethodOut(many=True)

    class Meta:
        ref_name = "MeasuringMethods"


class Methods(Door):
    """What each way of measuring takes."""

    needs = {"GET": Action.READ}
    serializer_class = MethodsOut

    @extend_schema(operation_id="method_list", tags=["measurements"], responses={200: MethodsOut})
    def get(self, request: Request) -> Response:
        """Every way of measuring: places to read with quantity and units, what to tell, cautions."""
        return Response({"methods": [described(kind) for kind in METHODS.values()]})
