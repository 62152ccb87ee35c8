"""Reading an OpenAPI 3.1 document: its operations, and each schema as alternatives of one type."""

import re
from collections.abc import Callable, Iterable, Iterator
from itertools import product
from typing import Any

Json = dict[str, Any]

METHODS = ("get", "put", "post", "delete", "options", "head", "patch", "trace")
TYPES = ("null", "boolean", "integer", "number", "string", "array", "object")
_COMBINED = {"$ref", "allOf", "oneOf", "anyOf", "discriminator"}
NAME = "x-component"
# Words for people, and what is compared by itself.
_ASIDE = {
    "title", "description", "example", "examples", "deprecated", "readOnly", "writeOnly", "externalDocs",
    "xml", "$comment", "type", "enum", "const", "properties", "required", "items", "additionalProperties",
    "default", NAME,
}  # fmt: skip
AT_LEAST = {"minimum", "exclusiveMinimum", "minLength", "minItems", "minProperties", "minContains"}
AT_MOST = {"maximum", "exclusiveMaximum", "maxLength", "maxItems", "maxProperties", "maxContains"}


def components(document: Json) -> Json:
    found: Json = document.get("components", {}).get("schemas", {})
    return found


def at(document: Json, node: Any) -> Json:
    """What stands at a reference, or the node itself; empty for none."""
    while node and "$ref" in node:
        node = pointed(document, node["$ref"])
    return node or {}


def pointed(document: Json, reference: str) -> Any:
    if not reference.startswith("#/"):
        raise ValueError(f"{reference} lies outside of the document")
    node: Any = document
    for step in reference[2:].split("/"):
        node = node[step.replace("~1", "/").replace("~0", "~")]
    return node


def operations(document: Json, where: str) -> dict[str, Json]:
    """Each operation by method and address, without the names of what stands in the address."""
    found: dict[str, Json] = {}
    for path, entry in document.get(where, {}).items():
        for method in METHODS:
            if method in entry:
                operation = entry[method]
                found[f"{method} {re.sub(r'{[^}]*}', '{}', path)}"] = {
                    "place": f"{method.upper()} {path}",
                    "operation": operation,
                    "security": operation.get("security", document.get("security", [])),
                    "parameters": dict(_named(document, path, entry, operation)),
                }
    return found


def _named(document: Json, path: str, entry: Json, operation: Json) -> Iterator[tuple[str, Json]]:
    """Parameters by place and name; those of the address by their turn, since their names are never sent."""
    turns = re.findall(r"{([^}]*)}", path)
    for parameter in (*entry.get("parameters", ()), *operation.get("parameters", ())):
        found = at(document, parameter)
        name = found["name"].lower() if found["in"] == "header" else found["name"]
        if found["in"] == "path" and name in turns:
            name = str(turns.index(name) + 1)
        yield f"{found['in']} {name}", found


def references(node: Any) -> Iterator[str]:
    if isinstance(node, dict):
        if isinstance(node.get("$ref"), str):
            yield node["$ref"].rpartition("/")[2]
        for value in node.values():
            yield from references(value)
    elif isinstance(node, list):
        for value in node:
            yield from references(value)


def unchanged(old: Json, new: Json) -> set[str]:
    """Components that say the same in both, with all they refer to."""
    used = {name: set(references(schema)) for name, schema in old.items()}
    same = {name for name, schema in old.items() if name in new and schema == new[name]}
    while changed := {name for name in same if not used[name] <= same}:
        same -= changed
    return same


def component(schema: Any) -> str:
    """Name of the component that a schema is, alone or with words beside it; empty if it is none."""
    if not isinstance(schema, dict) or "default" in schema:
        return ""
    if len(schema.get("allOf", ())) == 1 and "$ref" not in schema:
        schema = schema["allOf"][0]
    reference: str = schema.get("$ref", "")
    return reference.rpartition("/")[2] if reference.startswith("#/components/schemas/") else ""


def shapes(document: Json, schema: Any, within: tuple[str, ...] = ()) -> list[Json]:
    """The alternatives of a schema: each of one type, without $ref, allOf, oneOf and anyOf at its top."""
    if schema is False:
        return []
    schema = {} if schema is True else schema
    parts = [_typed({key: value for key, value in schema.items() if key not in _COMBINED})]
    if reference := schema.get("$ref"):
        if reference in within:
            raise ValueError(f"{reference} is nothing but itself")
        within = (*within, reference)
        named = {NAME: reference.rpartition("/")[2]}
        parts.append([named | shape for shape in shapes(document, pointed(document, reference), within)])
    whole = [shapes(document, part, within) for part in schema.get("allOf", ())]
    parts += whole if len(whole) == 1 else [[_nameless(shape) for shape in part] for part in whole]
    for kind in ("oneOf", "anyOf"):
        if kind in schema:
            asked = _mapping(schema.get("discriminator", {}))
            parts.append(
                [
                    shape
                    for part in schema[kind]
                    for one in shapes(document, part, within)
                    if (shape := _merged((one, asked.get(part.get("$ref", ""), {})))) is not None
                ]
            )
    merged = (_merged(combination) for combination in product(*parts))
    return _joined([shape for shape in merged if shape is not None])


def _nameless(shape: Json) -> Json:
    return {key: value for key, value in shape.items() if key != NAME}


def _mapping(discriminator: Json) -> dict[str, Json]:
    """What the discriminator asks of the component that a reference names."""
    values: dict[str, list[str]] = {}
    for value, reference in discriminator.get("mapping", {}).items():
        values.setdefault(reference, []).append(value)
    name = discriminator.get("propertyName", "")
    return {
        reference: {"properties": {name: {"type": "string", "enum": told}}, "required": [name]}
        for reference, told in values.items()
    }


def _typed(schema: Json) -> list[Json]:
    """The schema once for each type it allows; once without a type if it allows any."""
    values = schema.get("enum", [schema["const"]] if "const" in schema else None)
    types = schema.get("type") or _types_of(schema, values)
    if not types:
        return [schema]
    found = []
    for one in [types] if isinstance(types, str) else types:
        shape = {key: value for key, value in schema.items() if key != "const"} | {"type": one}
        if values is not None:
            shape["enum"] = [value for value in values if _is(value, one)]
        if values is None or shape["enum"]:
            found.append(shape)
    return found


def _types_of(schema: Json, values: list[Any] | None) -> list[str]:
    if values is not None:
        return list(dict.fromkeys(_type_of(value) for value in values))
    if "properties" in schema or "required" in schema:
        return ["object"]
    return ["array"] if "items" in schema else []


def _type_of(value: Any) -> str:
    return next(one for one in TYPES if _is(value, one))


def _is(value: Any, kind: str) -> bool:
    if isinstance(value, bool) or value is None:
        return kind == ("null" if value is None else "boolean")
    known: dict[str, type | tuple[type, ...]] = {
        "integer": int, "number": (int, float), "string": str, "array": list, "object": dict,
    }  # fmt: skip
    return kind in known and isinstance(value, known[kind])


def _merged(together: Iterable[Json]) -> Json | None:
    """What holds for all of them at once; None if nothing can."""
    made: Json = {}
    for shape in together:
        if made.get("type") and shape.get("type") and not meet(made, shape):
            return None
        made = made | shape | {key: _both(key, made[key], shape[key]) for key in made.keys() & shape.keys()}
    return made


def _both(key: str, one: Any, other: Any) -> Any:
    """A keyword of two schemas that both hold."""
    rules: dict[str, Callable[[], Any]] = {
        "type": lambda: "integer" if "integer" in (one, other) else one,
        "properties": lambda: (
            one | other | {k: {"allOf": [one[k], other[k]]} for k in one.keys() & other.keys()}
        ),
        "required": lambda: [*dict.fromkeys([*one, *other])],
        "enum": lambda: [value for value in one if value in other],
        "items": lambda: {"allOf": [one, other]},
        "additionalProperties": lambda: (
            False if one is False or other is False else other if one is True else one
        ),
        **{name: lambda: max(one, other) for name in AT_LEAST},
        **{name: lambda: min(one, other) for name in AT_MOST},
    }
    return rules[key]() if key in rules and one != other else other


def _joined(alternatives: list[Json]) -> list[Json]:
    """Alternatives of one type that only list values, as one list."""
    made: list[Json] = []
    for shape in alternatives:
        plain = "enum" in shape and not checks(shape)
        before = next(
            (s for s in made if plain and "enum" in s and s["type"] == shape["type"] and not checks(s)), None
        )
        if before:
            before.pop(NAME, None)
            before["enum"] = [
                *before["enum"],
                *(value for value in shape["enum"] if value not in before["enum"]),
            ]
        else:
            made.append(dict(shape))
    return made


def checks(shape: Json) -> set[str]:
    """Keywords that are compared as they stand."""
    return {key for key in shape if key not in _ASIDE and not key.startswith("x-")}


def meet(one: Json, other: Json) -> bool:
    """True if something may be of both types."""
    kinds = one.get("type"), other.get("type")
    return None in kinds or kinds[0] == kinds[1] or set(kinds) == {"integer", "number"}


def said(shape: Json) -> str:
    return str(shape.get(NAME) or shape.get("type") or "any value")


def tags(alternatives: list[Json]) -> set[str]:
    """The values of a property that can hold nothing but a few words; empty for another."""
    if any(shape.get("type") != "string" or "enum" not in shape for shape in alternatives):
        return set()
    return {value for shape in alternatives for value in shape["enum"]}
