"""Which changes of an OpenAPI 3.1 document break somebody who built on the former one.

What is sent to the service has to be taken as before; what it answers, and sends to webhooks, has to be what
was promised. Further properties of an answer are no break: who reads it passes over what it does not know. A
further value of an enumeration is one, since an enumeration is a promise of all values, unless the schema
says `x-may-grow: true`.
"""

import json
from collections.abc import Iterator, Mapping
from typing import Any, Literal

from config.local.openapi_shapes import (
    AT_LEAST,
    AT_MOST,
    NAME,
    Json,
    at,
    checks,
    component,
    components,
    meet,
    operations,
    pointed,
    references,
    said,
    shapes,
    tags,
    unchanged,
)

Breaks = tuple[str, ...]
Way = Literal["request", "answer"]
_OTHER = {"request": "is no longer taken", "answer": "is new"}


def breaking_changes(old: Json, new: Json) -> list[str]:
    """What breaks, one line each, e.g. `answer JobOut/status: gone`. Both documents as parsed, whole."""
    return sorted(set(_Comparison(old, new).run()))


class _Comparison:
    def __init__(self, old: Json, new: Json) -> None:
        self.old, self.new = old, new
        self.same = unchanged(components(old), components(new))
        self.known: dict[tuple[str, ...], Breaks] = {}

    def run(self) -> Iterator[str]:
        yield from self._schemes()
        yield from self._servers()
        yield from self._operations(operations(self.old, "paths"), operations(self.new, "paths"), "")
        hooks = operations(self.old, "webhooks"), operations(self.new, "webhooks")
        yield from self._operations(*hooks, "webhook ")

    # The document

    def _schemes(self) -> Iterator[str]:
        before, now = (d.get("components", {}).get("securitySchemes", {}) for d in (self.old, self.new))
        for name, scheme in before.items():
            if name not in now:
                yield f"security {name}: gone"
            elif _without_words(scheme) != _without_words(now[name]):
                yield f"security {name}: asks for something else"

    def _servers(self) -> Iterator[str]:
        now = {server["url"] for server in self.new.get("servers", ())}
        for server in self.old.get("servers", ()):
            if server["url"] not in now:
                yield f"server {server['url']}: gone"

    def _operations(self, before: Mapping[str, Json], now: Mapping[str, Json], kind: str) -> Iterator[str]:
        for address, old in before.items():
            place = f"{kind}{old['place']}"
            if address not in now:
                yield f"{place}: gone"
            elif kind:
                yield from self._operation(old, now[address], place, sent="answer", back="request")
            else:
                yield from self._operation(old, now[address], place, sent="request", back="answer")

    # One operation

    def _operation(self, old: Json, new: Json, place: str, *, sent: Way, back: Way) -> Iterator[str]:
        if old == new and self._untouched(old):
            return
        before, now = old["operation"], new["operation"]
        if before.get("operationId") != now.get("operationId"):
            yield f"{place}: operationId is no longer {before.get('operationId')}"
        yield from self._security(old["security"], new["security"], place)
        yield from self._parameters(old["parameters"], new["parameters"], place, sent)
        yield from self._body(before.get("requestBody"), now.get("requestBody"), place, sent)
        yield from self._answers(before.get("responses", {}), now.get("responses", {}), place, back)

    def _security(self, old: list[Json], new: list[Json], place: str) -> Iterator[str]:
        """Each set of proofs that sufficed has to suffice."""
        for proofs in old or [{}]:
            if not any(_asks_no_more(other, proofs) for other in new or [{}]):
                yield f"{place}: security {' with '.join(sorted(proofs)) or 'none'} is no longer enough"

    def _parameters(
        self, old: Mapping[str, Json], new: Mapping[str, Json], place: str, sent: Way
    ) -> Iterator[str]:
        for name, parameter in new.items():
            if name not in old and parameter.get("required") and sent == "request":
                yield f"{sent} {place} {name}: required now"
        for name, before in old.items():
            if name not in new:
                yield f"{sent} {place} {name}: gone"
                continue
            now = new[name]
            if sent == "request" and now.get("required") and not before.get("required"):
                yield f"{sent} {place} {name}: required now"
            if sent == "answer" and before.get("required") and not now.get("required"):
                yield f"{sent} {place} {name}: may be missing now"
            if _form(before) != _form(now):
                yield f"{sent} {place} {name}: is written in another way"
            yield from self.schemas(before.get("schema", {}), now.get("schema", {}), f"{place} {name}", sent)
            yield from self._media(before.get("content", {}), now.get("content", {}), f"{place} {name}", sent)

    def _body(self, old: Json | None, new: Json | None, place: str, sent: Way) -> Iterator[str]:
        old, new = at(self.old, old), at(self.new, new)
        if old and not new:
            yield f"{sent} {place} body: gone"
        elif new and sent == "request" and new.get("required") and not old.get("required"):
            yield f"{sent} {place} body: required now"
        elif old and sent == "answer" and old.get("required") and not new.get("required"):
            yield f"{sent} {place} body: may be missing now"
        if old and new:
            yield from self._media(old.get("content", {}), new.get("content", {}), f"{place} body", sent)

    def _answers(self, old: Json, new: Json, place: str, back: Way) -> Iterator[str]:
        for status, before in old.items():
            if status not in new:
                if not status.startswith(("4", "5", "default")):
                    yield f"{back} {place} {status}: gone"
                continue
            before, now = at(self.old, before), at(self.new, new[status])
            yield from self._media(
                before.get("content", {}), now.get("content", {}), f"{place} {status}", back
            )
            yield from self._headers(
                before.get("headers", {}), now.get("headers", {}), f"{place} {status}", back
            )

    def _headers(self, old: Json, new: Json, place: str, back: Way) -> Iterator[str]:
        now = {name.lower(): at(self.new, header) for name, header in new.items()}
        for name, header in old.items():
            before, after = at(self.old, header), now.get(name.lower())
            if after is None:
                yield f"{back} {place} {name}: gone"
                continue
            if before.get("required") and not after.get("required"):
                yield f"{back} {place} {name}: may be missing now"
            yield from self.schemas(
                before.get("schema", {}), after.get("schema", {}), f"{place} {name}", back
            )

    def _media(self, old: Json, new: Json, place: str, way: Way) -> Iterator[str]:
        for kind, before in old.items():
            if kind not in new:
                yield f"{way} {place} {kind}: gone"
                continue
            yield from self.schemas(
                before.get("schema", {}), new[kind].get("schema", {}), f"{place} {kind}", way
            )
            if before.get("encoding") != new[kind].get("encoding"):
                yield f"{way} {place} {kind}: is written in another way"

    # Schemas

    def _untouched(self, node: Any) -> bool:
        return all(name in self.same for name in references(node))

    def schemas(self, old: Any, new: Any, place: str, way: Way) -> Breaks:
        """What breaks between two schemas at one place."""
        if old == new and self._untouched(old):
            return ()
        place = component(old) or place
        key = (way, place, json.dumps(old, sort_keys=True), json.dumps(new, sort_keys=True))
        if key not in self.known:
            self.known[key] = ()  # a schema within itself: what holds it is being compared already
            self.known[key] = tuple(dict.fromkeys(self._alternatives(old, new, place, way)))
        return self.known[key]

    def _alternatives(self, old: Any, new: Any, place: str, way: Way) -> Iterator[str]:
        """Each alternative on the one side finds one on the other: the one with the fewest breaks."""
        before, now = shapes(self.old, old), shapes(self.new, new)
        for shape in before if way == "request" else now:
            against = [other for other in (now if way == "request" else before) if meet(shape, other)]
            pairs = [(shape, other) if way == "request" else (other, shape) for other in against]
            found = [tuple(self._shape(a, b, place, way)) for a, b in pairs if not self._apart(a, b)]
            if found:
                yield from min(found, key=len)
            else:
                yield f"{way} {place}: {said(shape)} {_OTHER[way]}"

    def _apart(self, old: Json, new: Json) -> bool:
        """True if the two differ in a property that tells alternatives apart."""
        both = old.get("properties", {}).keys() & new.get("properties", {}).keys()
        for name in both & set(old.get("required", ())) & set(new.get("required", ())):
            told = [
                tags(shapes(document, shape["properties"][name]))
                for document, shape in ((self.old, old), (self.new, new))
            ]
            if all(told) and not told[0] & told[1]:
                return True
        return False

    def _shape(self, old: Json, new: Json, place: str, way: Way) -> Iterator[str]:
        yield from _default(old, new, place, way)
        place = old.get(NAME) or place
        narrow, wide = (old, new) if way == "request" else (new, old)
        if "type" in wide and narrow.get("type") not in (wide["type"], "integer"):
            yield f"{way} {place}: {narrow.get('type') or 'any value'} {_OTHER[way]}"
            return
        yield from _values(old, new, place, way)
        yield from _bounds(old, new, place, way)
        if "items" in old or "items" in new:
            yield from self.schemas(old.get("items", {}), new.get("items", {}), f"{place}/*", way)
        yield from self._properties(old, new, place, way)
        yield from self._further(old, new, place, way)

    def _properties(self, old: Json, new: Json, place: str, way: Way) -> Iterator[str]:
        before, now = _seen(self.old, old, way), _seen(self.new, new, way)
        for name, schema in before.items():
            if name not in now:
                yield f"{way} {place}/{name}: gone"
            else:
                yield from self.schemas(schema, now[name], f"{place}/{name}", way)
        must_before, must_now = set(old.get("required", ())), set(new.get("required", ()))
        if way == "request":
            unseen = new.get("properties", {}).keys() - now.keys()
            yield from (f"{way} {place}/{name}: required now" for name in must_now - must_before - unseen)
        else:
            less = (must_before - must_now) & before.keys() & now.keys()
            yield from (f"{way} {place}/{name}: may be missing now" for name in less)

    def _further(self, old: Json, new: Json, place: str, way: Way) -> Iterator[str]:
        """Properties without a name of their own: refused, any, or of one schema."""
        before, now = _open(old), _open(new)
        if way == "request" and before is not False and now is False:
            yield f"{way} {place}: further properties are no longer taken"
        elif isinstance(before, dict) and now is not False:
            yield from self.schemas(before, {} if now is True else now, f"{place}/{{}}", way)
        elif isinstance(now, dict) and before is True and way == "request":
            yield from self.schemas({}, now, f"{place}/{{}}", way)


# Comparing shapes


def _seen(document: Json, shape: Json, way: Way) -> Json:
    """Properties that go this way."""
    other = "readOnly" if way == "request" else "writeOnly"
    return {
        name: schema
        for name, schema in shape.get("properties", {}).items()
        if not (isinstance(schema, dict) and (schema.get(other) or _pointed_flag(document, schema, other)))
    }


def _open(shape: Json) -> Any:
    """Schema of properties without a name of their own; True for any, False for none."""
    further = shape.get("additionalProperties", True)
    return True if further == {} else further


def _pointed_flag(document: Json, schema: Json, flag: str) -> bool:
    return "$ref" in schema and bool(pointed(document, schema["$ref"]).get(flag))


def _values(old: Json, new: Json, place: str, way: Way) -> Iterator[str]:
    """Values of an enumeration."""
    narrow, wide = (old, new) if way == "request" else (new, old)
    if way == "answer" and new.get("x-may-grow"):
        if "enum" in old and not old.get("x-may-grow"):
            yield f"{way} {place}: further values may come now"
        return
    if "enum" not in wide:
        return
    if "enum" not in narrow:
        yield f"{way} {place}: is {'now' if way == 'request' else 'no longer'} one of a list"
        return
    for value in narrow["enum"]:
        if value not in wide["enum"]:
            yield f"{way} {place}: value {json.dumps(value)} {_OTHER[way]}"


def _bounds(old: Json, new: Json, place: str, way: Way) -> Iterator[str]:
    """Lengths, limits, formats, patterns: no narrower in a request, no wider in an answer."""
    narrow, wide = (old, new) if way == "request" else (new, old)
    for key in sorted(checks(wide)):
        if _implied(key, narrow.get(key), wide[key], narrow):
            continue
        if way == "request":
            yield f"{way} {place}: {key} is {json.dumps(wide[key])} now"
        else:
            yield f"{way} {place}: {key} is no longer {json.dumps(wide[key])}"


def _implied(key: str, inner: Any, outer: Any, narrow: Json) -> bool:
    if "enum" in narrow and key in ("format", "pattern", *AT_LEAST, *AT_MOST):
        return True  # each value was compared
    if inner is None or inner == outer:
        return bool(inner == outer)
    if key in AT_LEAST:
        return bool(inner >= outer)
    if key in AT_MOST:
        return bool(inner <= outer)
    return key == "multipleOf" and bool(inner % outer == 0)


def _default(old: Json, new: Json, place: str, way: Way) -> Iterator[str]:
    """What a request means that leaves it out."""
    if way == "request" and "default" in old and old["default"] != new.get("default"):
        yield f"{way} {place}: default is no longer {json.dumps(old['default'])}"


def _asks_no_more(new: Json, old: Json) -> bool:
    return all(name in old and set(scopes) <= set(old[name]) for name, scopes in new.items())


def _form(parameter: Json) -> tuple[Any, ...]:
    where = parameter["in"]
    style = parameter.get("style", "form" if where in ("query", "cookie") else "simple")
    return style, parameter.get("explode", style == "form"), parameter.get("allowReserved", False)


def _without_words(scheme: Json) -> Json:
    return {key: value for key, value in scheme.items() if key != "description"}
