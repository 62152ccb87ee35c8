"""Frozen dataclasses to plain JSON data and back, and a digest of them.

Every method's input can be stored as JSON, read back years later and computed again to the same digits:
floats are written in full, infinity as the text "inf", enumerations by value.
"""

from __future__ import annotations

import hashlib
import json
import math
import types
from collections.abc import Callable, Mapping
from dataclasses import fields, is_dataclass
from enum import Enum
from functools import lru_cache
from typing import Any, TypeVar, Union, cast, get_args, get_origin, get_type_hints

from .brief import is_brief
from .errors import Refused

T = TypeVar("T")


def to_plain(value: Any) -> Any:
    """Turn dataclasses, enumerations, tuples and mappings into dictionaries, lists, numbers and text."""
    return _plain(value, int)


def _plain(value: Any, whole: Callable[[int], int | float]) -> Any:
    kind = type(value)
    if kind is float:
        return value if math.isfinite(value) else repr(value)
    if kind is int:
        return whole(value)
    if kind is str or kind is bool or value is None:
        return value
    if isinstance(value, Enum):
        return value.value
    if is_dataclass(kind):
        return {name: _plain(getattr(value, name), whole) for name in _names(kind)}
    if isinstance(value, Mapping):
        return {str(k): _plain(v, whole) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(v, whole) for v in value]
    return value


def from_plain(kind: type[T], data: Any, name: str = "inputs") -> T:
    """Build the dataclass `kind` from what `to_plain` gave. Errors: Refused, naming the place."""
    return cast(T, _build(kind, data, name))


def digest(*values: Any) -> str:
    """SHA-256 (hexadecimal) of the values as canonical JSON: sorted keys, no spaces, full floats.

    A whole number gives the same digest whether it was entered as 60 or 60.0. Empty in a computation
    `without_budgets`.
    """
    if is_brief():
        return ""
    text = json.dumps(_plain(values, float), sort_keys=True, separators=(",", ":"), ensure_ascii=True)
    return hashlib.sha256(text.encode()).hexdigest()


@lru_cache(maxsize=256)
def _names(kind: type) -> tuple[str, ...]:
    return tuple(f.name for f in fields(kind))


def _build(kind: Any, data: Any, name: str) -> Any:
    origin = get_origin(kind)
    if origin in (Union, types.UnionType):
        return _build_union(kind, data, name)
    if origin is tuple:
        return _build_tuple(kind, data, name)
    if isinstance(kind, type) and is_dataclass(kind):
        return _build_dataclass(kind, data, name)
    if isinstance(kind, type) and issubclass(kind, Enum):
        return _build_enum(kind, data, name)
    return _build_plain(kind, data, name)


def _build_union(kind: Any, data: Any, name: str) -> Any:
    options = [k for k in get_args(kind) if k is not types.NoneType]
    if data is None and len(options) < len(get_args(kind)):
        return None
    return _build(options[0], data, name)


def _build_tuple(kind: Any, data: Any, name: str) -> Any:
    if not isinstance(data, (list, tuple)):
        raise Refused(name, "must be a list", data)
    inner = get_args(kind)
    if Ellipsis in inner:
        return tuple(_build(inner[0], v, f"{name}[{i}]") for i, v in enumerate(data))
    if len(inner) != len(data):
        raise Refused(name, f"must have {len(inner)} entries", data)
    return tuple(_build(k, v, f"{name}[{i}]") for i, (k, v) in enumerate(zip(inner, data, strict=True)))


def _build_dataclass(kind: type, data: Any, name: str) -> Any:
    if isinstance(data, kind):
        return data
    hints, plain = _fields_of(kind)
    if not isinstance(data, Mapping) or not data.keys() <= hints.keys():
        raise Refused(name, f"must be an object with the fields {', '.join(sorted(hints))}", data)
    built = {k: v if type(v) is plain.get(k) else _build(hints[k], v, f"{name}.{k}") for k, v in data.items()}
    try:
        return kind(**built)
    except TypeError as error:
        raise Refused(name, f"is incomplete: {error}") from error


@lru_cache(maxsize=256)
def _fields_of(kind: type) -> tuple[dict[str, Any], dict[str, type]]:
    """Types of the fields by name, and of those whose values need no building if they have that type."""
    hints = {name: hint for name, hint in get_type_hints(kind).items() if name in set(_names(kind))}
    plain = {name: _required(hint) for name, hint in hints.items()}
    return hints, {name: hint for name, hint in plain.items() if hint in (float, int, str, bool)}


def _required(hint: Any) -> Any:
    """The one type of an optional field, else the type itself."""
    if get_origin(hint) not in (Union, types.UnionType):
        return hint
    options = [one for one in get_args(hint) if one is not types.NoneType]
    return options[0] if len(options) == 1 else None


def _build_enum(kind: type[Enum], data: Any, name: str) -> Enum:
    try:
        return kind(data)
    except ValueError as error:
        raise Refused(name, f"must be one of {', '.join(str(m.value) for m in kind)}", data) from error


def _build_plain(kind: Any, data: Any, name: str) -> Any:
    if kind is float:
        if isinstance(data, str) and data in ("inf", "-inf", "nan"):
            return float(data)
        if isinstance(data, (int, float)) and not isinstance(data, bool):
            return float(data)
    elif isinstance(data, kind) and not (kind is int and isinstance(data, bool)):
        return data
    raise Refused(name, f"must be {kind.__name__}", data)
