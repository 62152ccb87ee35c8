"""Probes of another company's rows, made from what the service says of itself: URL confs, OpenAPI, GraphQL.

A probe asks one door for one id of another company, and once more for an id of nothing. The two answers must
be alike to the byte, and hold nothing that belongs to the other company.
"""

import json
import random
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any
from uuid import UUID

from django.apps import apps
from django.db import models, transaction
from graphql import (
    GraphQLEnumType,
    GraphQLInputObjectType,
    GraphQLList,
    GraphQLNonNull,
    GraphQLObjectType,
    GraphQLSchema,
    get_named_type,
)
from strawberry.relay import to_base64

from config.graphql import schema as service_schema
from jobs.access import Action
from jobs.tenancy.context import company
from jobs.tenancy.ids import short_id
from jobs.tenancy.models import TenantModel
from tests.doors import addresses, walk
from tests.doors.client import Caller, signed_in, with_key, with_token
from tests.doors.test_foreign_ids import body_for
from tests.factories import World

GRAPH: GraphQLSchema = service_schema._schema
_UUID = re.compile(rb"[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}")
_WORD = re.compile(rb"[A-Za-z0-9.@_=+-]{16,}")
FORMS = {"tag": "X-1", "name": "A name", "reason": "Because it was so on site.", "email": "a@example.org"}


@dataclass(frozen=True)
class Probe:
    """One door asked for one id. `send(id)` asks; the id stands in the answer where it was said."""

    door: str
    place: str
    who: str
    kind: str
    foreign: UUID
    send: Callable[[UUID], Any]

    def __str__(self) -> str:
        return f"{self.door} [{self.place}] as {self.who} with the other company's {self.kind}"


@dataclass
class Tally:
    """What a run of probes found."""

    probes: int = 0
    leaks: list[str] = field(default_factory=list)
    failures: list[str] = field(default_factory=list)
    doors: set[str] = field(default_factory=set)
    answers: dict[int, int] = field(default_factory=dict)


def secrets_of(world: World) -> set[bytes]:
    """All that must never be told to another company: ids in each spelling, addresses, serials, digests."""
    found: set[str] = set()
    with company(world.id):
        for model in apps.get_models():
            if issubclass(model, TenantModel):
                names = [f.attname for f in model._meta.concrete_fields if isinstance(f, _TELLING)]
                for row in model.objects.values_list(*names):
                    found.update(map(str, filter(None, row)))
                    found.update(short_id(one) for one in row if isinstance(one, UUID))
    return {one.encode() for one in found if len(one) >= 16}


_TELLING = (models.UUIDField, models.EmailField, models.ForeignKey)


def ids_by_kind(world: World, most: int) -> dict[str, list[UUID]]:
    """Ids of rows of every table of a company, a few a table."""
    with company(world.id):
        return {
            model._meta.label: list(model.objects.order_by("id").values_list("id", flat=True)[:most])
            for model in apps.get_models()
            if issubclass(model, TenantModel)
        }


class Prober:
    """Asks as `ours` for what is `theirs`."""

    def __init__(self, theirs: World, ours: World, *, ids_a_kind: int = 2) -> None:
        self.ours = ours
        self.own = addresses.ids_of(ours)
        addresses.ids_of(theirs)  # makes what is missing
        self.others = [(k, i) for k, found in ids_by_kind(theirs, ids_a_kind).items() for i in found]
        self.named = addresses.ids_of(theirs)
        self.nothing: dict[tuple[str, str, str], Any] = {}
        self.secrets = secrets_of(theirs) - secrets_of(ours)
        self.callers = {
            "owner": signed_in(ours, "owner"),
            "supervisor": signed_in(ours, "supervisor"),
            "dispatcher": signed_in(ours, "dispatcher"),
            "key": with_key(ours),
            "technician": with_token(ours.technician_token),
        }

    def all(self) -> list[Probe]:
        """Every door with every foreign id in every place."""
        return [*self.rest(), *self.filters(), *self.pages(), *self.graph()]

    def _foreign(self, name: str) -> list[tuple[str, UUID]]:
        mine = [(name, self.named[name])] if name in self.named else []
        return mine + self.others

    def rest(self) -> Iterator[Probe]:
        for route, method, action in walk.doors():
            body = body_for(self.ours, method, route)
            who, caller = self._who(action)
            for name in route.names:
                for kind, foreign in self._foreign(name):

                    def send(i: UUID, r: Any = route, m: str = method, n: str = name, b: Any = body,
                             c: Caller = caller) -> Any:  # fmt: skip
                        return walk.call(c, m, r.path({**self.own, n: i}), b)

                    yield Probe(f"{method} {route.template}", name, who, kind, foreign, send)

    def _who(self, action: Action | None) -> tuple[str, Caller]:
        name = action.value if action else "tablet"
        if name not in self.callers:
            self.callers[name] = walk.caller_for(self.ours, action)
        return name, self.callers[name]

    def filters(self) -> Iterator[Probe]:
        for route, method, action in walk.doors():
            if method != "GET":
                continue
            who, caller = self._who(action)
            for told in walk.operation(route, "GET").get("parameters", []):
                if told["in"] != "query":
                    continue
                for kind, foreign in self._foreign(""):

                    def send(i: UUID, r: Any = route, n: str = told["name"], c: Caller = caller) -> Any:
                        return c.get(f"{r.path(self.own)}?{n}={i}", **{"X-Request-ID": walk.PROBLEM_ID})

                    yield Probe(f"GET {route.template}", f"?{told['name']}", who, kind, foreign, send)

    def pages(self) -> Iterator[Probe]:
        for page in addresses.pages():
            for who in ("owner", "supervisor", "dispatcher"):
                client = self.callers[who].client
                for name in page.ids:
                    for kind, foreign in self._foreign(name):
                        for method in ("GET", "POST"):

                            def send(i: UUID, p: Any = page, n: str = name, m: str = method,
                                     c: Any = client) -> Any:  # fmt: skip
                                path = p.path({**self.own, n: i})
                                told = {"X-Request-ID": walk.PROBLEM_ID}
                                form = {} if m == "GET" else FORMS
                                return (c.get if m == "GET" else c.post)(path, form, headers=told)

                            yield Probe(f"{method} page {page.name}", name, who, kind, foreign, send)

    def graph(self) -> Iterator[Probe]:
        for root in (GRAPH.query_type, GRAPH.mutation_type):
            for name, asked in (root.fields if root else {}).items():
                for place, document in documents(root, name, asked):
                    for who in ("key", "supervisor", "owner"):
                        for kind, foreign in self._foreign(""):
                            yield Probe(
                                f"GraphQL {name}", place, who, kind, foreign,
                                self._asking(document, self.callers[who], kind),
                            )  # fmt: skip

    def _asking(self, document: str, caller: Caller, kind: str) -> Callable[[UUID], Any]:
        def send(i: UUID) -> Any:
            text = document
            for type_name in set(re.findall(r"\$ID:(\w+)\$", text)):
                text = text.replace(f"$ID:{type_name}$", to_base64(type_name, str(i)))
            body = json.dumps({"query": text.replace("$ID$", str(i)), "variables": {}})
            return caller.client.post(
                "/graphql", body, content_type="application/json",
                headers={**caller.headers, "X-Request-ID": walk.PROBLEM_ID, "Idempotency-Key": "a-probe"},
            )  # fmt: skip

        return send

    def run(self, chosen: list[Probe]) -> Tally:
        """Sends each probe for the foreign id and for an unknown one, and undoes what it did."""
        tally = Tally()
        for probe in chosen:
            one, first = self._ask(probe, probe.foreign)
            two, second = self._unknown(probe)
            told = self._told(one[2], probe.foreign)
            if (
                first != second
            ):  # the clock on a page may have moved on: both asked again, one after the other
                one, first = self._ask(probe, probe.foreign)
                two, second = self._unknown(probe, anew=True)
                told += self._told(one[2], probe.foreign)
            tally.probes += 1
            tally.doors.add(probe.door)
            tally.answers[one[0]] = tally.answers.get(one[0], 0) + 1
            if told or first != second:
                tally.leaks.append(f"{probe}: {f'told {told}' if told else difference(first, second)}")
            if one[0] >= 500 or two[0] >= 500:
                tally.failures.append(f"{probe}: {one[0]}, {two[0]}")
        return tally

    def _unknown(self, probe: Probe, *, anew: bool = False) -> tuple[tuple[int, Any, bytes], Any]:
        """The answer for an id of nothing; asked once for each door, but where ids are places in a list."""
        door = (probe.door, probe.place, probe.who)
        if anew or probe.place in ("?after", "after", "before") or door not in self.nothing:
            beside = UUID(int=probe.foreign.int ^ 1)  # next to it in every order
            self.nothing[door] = self._ask(probe, beside)
        return self.nothing[door]

    def _ask(self, probe: Probe, asked: UUID) -> tuple[tuple[int, Any, bytes], Any]:
        with transaction.atomic():
            answer = probe.send(asked)
            content = b"".join(answer.streaming_content) if answer.streaming else answer.content
            transaction.set_rollback(True)
        whole = (answer.status_code, dict(answer.headers), content)
        return whole, without_the_moment(whole, asked, self.secrets)

    def _told(self, content: bytes, asked: UUID) -> list[bytes]:
        """Secrets of the other company in an answer, but for what was asked with."""
        said = {str(asked).encode(), short_id(asked).encode()}
        words = {*_UUID.findall(content), *_WORD.findall(content)}
        return sorted((words & self.secrets) - said)


_OF_THE_MOMENT = {"ETag", "Expires", "Last-Modified", "Content-Length"}
"""Headers of which only that they are there is compared: their values follow the clock or the body."""
_HEADER = re.compile(r"'nonce-[\w+/=-]+'")
_CHANGING = re.compile(
    rb'name="csrfmiddlewaretoken" value="\w+"|"csrfToken": "\w+"|data-csrf="\w+"|nonce[-="]+[\w+/=-]+'
    rb'|"instance": ?"urn:request:[^"]*"|urn:request:[\w.-]+|value="[0-9a-f-]{36}" name="once"'
    rb"|[0-9a-f]{8}-[0-9a-f]{4}-7[0-9a-f]{3}-[0-9a-f]{4}-[0-9a-f]{12}"
)
"""Tokens and nonces of a form, ids of requests, and ids made for the answer itself."""


def without_the_moment(whole: tuple[int, Any, bytes], asked: UUID, secrets: set[bytes]) -> Any:
    """An answer less what differs from request to request, and less the id that was asked for.

    What holds one of the secrets stays, wherever it stands.
    """
    status, headers, content = whole
    headers = {k: "" if k in _OF_THE_MOMENT else _HEADER.sub("nonce", str(v)) for k, v in headers.items()}
    named = (to_base64(name, str(asked)) for name in NODES)
    for text in (str(asked), asked.hex, short_id(asked), *named):
        content = content.replace(text.encode(), b"ID")
        headers = {k: v.replace(text, "ID") for k, v in headers.items()}

    def kept(found: re.Match[bytes]) -> bytes:
        told = {*_UUID.findall(found.group()), *_WORD.findall(found.group())} & secrets
        return b" ".join(sorted(told))

    return status, headers, _CHANGING.sub(kept, content)


def difference(one: Any, two: Any) -> str:
    """Where two answers part."""
    if one[:2] != two[:2]:
        return f"{one[:2]} is not {two[:2]}"
    at = next((n for n, (a, b) in enumerate(zip(one[2], two[2], strict=False)) if a != b), -1)
    return f"{one[2][max(at - 60, 0) : at + 60]!r} is not {two[2][max(at - 60, 0) : at + 60]!r}"


# GraphQL documents made from the schema


def documents(root: Any, name: str, asked: Any) -> Iterator[tuple[str, str]]:
    """For each place of a root field that takes an id: a document with $ID$ there."""
    word = "mutation" if root is GRAPH.mutation_type else "query"
    places = [(*at,) for arg, told in asked.args.items() for at in _id_places(told.type, (arg,))]
    chosen = _selection(asked.type, 2)
    for place in places:
        given = ", ".join(
            f"{arg}: {_literal(told.type, (arg,), place)}"
            for arg, told in asked.args.items()
            if arg == place[0] or isinstance(told.type, GraphQLNonNull)
        )
        for shape in ("$ID$", *(f"$ID:{t}$" for t in NODES)) if name == "node" else _shapes(place):
            yield (
                f"{'.'.join(place)} {shape}",
                f"{word} {{ {name}({given.replace('$PUT$', shape)}) {chosen} }}",
            )


NODES = sorted(
    t.name
    for t in GRAPH.type_map.values()
    if isinstance(t, GraphQLObjectType) and any(i.name == "Node" for i in t.interfaces)
)


def _shapes(place: tuple[str, ...]) -> list[str]:
    """A plain id, and one that names the type whose name the place has."""
    stem = place[-1].lower().removesuffix("id").removesuffix("s")
    return ["$ID$", *(f"$ID:{t}$" for t in NODES if stem and stem in t.lower())]


def _id_places(kind: Any, at: tuple[str, ...], depth: int = 3) -> Iterator[tuple[str, ...]]:
    named = get_named_type(kind)
    if named.name in ("ID", "UUID", "GlobalID"):
        yield at
    elif isinstance(named, GraphQLInputObjectType) and depth:
        for name, told in named.fields.items():
            yield from _id_places(told.type, (*at, name), depth - 1)
    elif named.name == "String" and at[-1] in ("before", "after", "search"):
        yield at


_PLAIN = {
    "String": '"Some words of text"', "Int": "1", "Float": "1.0", "Boolean": "true", "JSON": "{}",
    "Date": '"2030-01-02"', "DateTime": '"2030-01-02T10:00:00+00:00"', "Decimal": '"1"',
}  # fmt: skip


def _literal(kind: Any, at: tuple[str, ...], put: tuple[str, ...]) -> str:
    """A value of a type, with the place of the id filled in."""
    if isinstance(kind, GraphQLNonNull):
        return _literal(kind.of_type, at, put)
    if isinstance(kind, GraphQLList):
        return f"[{_literal(kind.of_type, at, put)}]"
    if at == put:
        return '"$PUT$"'
    if isinstance(kind, GraphQLInputObjectType):
        inner = [
            f"{name}: {_literal(told.type, (*at, name), put)}"
            for name, told in kind.fields.items()
            if put[: len(at) + 1] == (*at, name) or isinstance(told.type, GraphQLNonNull)
        ]
        return "{" + ", ".join(inner) + "}"
    if isinstance(kind, GraphQLEnumType):
        return next(iter(kind.values))
    return _PLAIN.get(kind.name, '"$PUT$"' if kind.name in {"ID", "UUID"} else '"x"')


def _selection(kind: Any, depth: int) -> str:
    """All plain fields, and those of objects so deep."""
    named = get_named_type(kind)
    if not hasattr(named, "fields"):
        return "" if not hasattr(named, "types") else "{ __typename }"
    inner = ["__typename"]
    for name, told in named.fields.items():
        if any(isinstance(a.type, GraphQLNonNull) for a in told.args.values()):
            continue
        leaf = get_named_type(told.type)
        if not hasattr(leaf, "fields") and not hasattr(leaf, "types"):
            inner.append(name)
        elif depth and name not in ("pageInfo",) and len(inner) < 12:
            inner.append(f"{name} {_selection(told.type, depth - 1)}")
    return "{ " + " ".join(inner) + " }"


def drawn(every: list[Probe], count: int, seed: int) -> list[Probe]:
    """So many of them by a seed, each door at least once while there is room."""
    rng = random.Random(seed)
    mixed = rng.sample(every, len(every))
    first: dict[str, Probe] = {}
    for one in mixed:
        first.setdefault(one.door, one)
    rest = [one for one in mixed if first[one.door] is not one]
    return [*first.values(), *rest][:count]
