"""One table says who may, and every door is held to it: REST, GraphQL and pages, for every kind of caller.

A door that is missing in `who_may.txt` fails, and so does one that lets in more or fewer than it says.
Lines of REST and GraphQL were taken from the code once and read; a right that changes shows in a diff.
"""

import json
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from django.db import transaction
from django.test import Client

from config.graphql.changes import CHANGES
from jobs.access import Action
from jobs.models import Role
from tests.doors import addresses, walk
from tests.doors.client import Caller
from tests.doors.test_routes import callers
from tests.factories import World
from tests.soak.probes import GRAPH, _literal, _selection

ROLES = {role.value for role in Role}
TABLE = Path(__file__).with_name("who_may.txt")
NO_ACTION = {"public", "tablet", "person", "session"}


@cache
def table() -> dict[str, str]:
    """The action by door, e.g. by `PAGE GET job`."""
    rows = [line.rpartition(" ") for line in TABLE.read_text().splitlines() if not line.startswith("#")]
    return {door: action for door, _, action in rows}


def graph_fields() -> Iterator[tuple[str, str]]:
    for word, root in (("query", GRAPH.query_type), ("mutation", GRAPH.mutation_type)):
        for name in root.fields if root else ():
            yield word, name


def test_the_table_names_actions_that_there_are() -> None:
    assert set(table().values()) <= {a.value for a in Action} | NO_ACTION


def test_every_rest_door_stands_in_the_table_and_asks_for_what_it_says() -> None:
    found = {f"REST {m} {r.template}": a.value if a else "tablet" for r, m, a in walk.doors()}
    told = {door: action for door, action in table().items() if door.startswith("REST ")}
    assert {d: a for d, a in told.items() if a != "public"} == found
    public = {door.split()[2] for door, action in told.items() if action == "public"}
    assert public == {r.template for r in walk.routes() if not r.is_door}


def test_every_page_and_graphql_field_stands_in_the_table() -> None:
    pages = {door.split()[2] for door in table() if door.startswith("PAGE ")}
    assert pages == {page.name for page in addresses.pages()}
    assert {door for door in table() if door.startswith("GRAPHQL ")} == {
        f"GRAPHQL {word} {name}" for word, name in graph_fields()
    }


def everybody(world: World) -> dict[str, tuple[Caller, frozenset[Action]]]:
    return callers(world) | {"nobody": (Caller(), frozenset())}


def ask(caller: Caller, page: addresses.Page, method: str) -> Any:
    path = page.path(walk.unknown_ids(page.ids))
    client: Client = caller.client
    return (client.get if method == "GET" else client.post)(path, headers=caller.headers)


def faulty(action: str, allowed: frozenset[Action], name: str, served: bool, answer: Any) -> bool:
    """Whether an answer of a page is not what the table says."""
    status = answer.status_code
    if status >= 500:
        return True
    if not served:
        return status not in (302, 403, 404, 405)
    if action == "public":
        return status == 403 or "signin?" in answer.get("Location", "")
    if name == "nobody" and action != "session":
        return status != 302 or not answer["Location"].startswith(("/signin", "/companies"))
    if action == "session":
        return (name in ROLES) is answer.get("Location", "").startswith("/signin")
    if action == "person" and name == "tablet:technician":
        return status not in (200, 302, 403, 404, 422)  # a person too, but not at a browser
    if name in ROLES if action == "person" else Action(action) in allowed:
        return status in (403, 405) or answer.get("Location", "").startswith("/signin")
    return status != 403


ENDS_A_SESSION = {"signout", "signin", "sign-ins-others", "metrics", "readyz", "healthz"}
"""Doors that change who the caller is, or answer by the state of the machine; tried elsewhere."""


def test_P4_each_caller_gets_the_pages_of_what_they_may_and_403_at_all_others(company_a: World) -> None:
    wrong = []
    for name, (caller, allowed) in everybody(company_a).items():
        for page in addresses.pages():
            for method in ("GET", "POST"):
                if page.name in ENDS_A_SESSION:
                    continue
                door = f"PAGE {method} {page.name}"
                answer = ask(caller, page, method)
                if faulty(table().get(door, "public"), allowed, name, door in table(), answer):
                    wrong.append(f"{name}: {door} {answer.status_code} {answer.get('Location', '')}")
    assert not wrong, "\n".join(wrong)


def document(word: str, name: str) -> str:
    """A field with the least that it takes."""
    root = GRAPH.query_type if word == "query" else GRAPH.mutation_type
    assert root
    asked = root.fields[name]
    given = [
        f"{arg}: {_literal(told.type, (arg,), ())}"
        for arg, told in asked.args.items()
        if str(told.type).endswith("!")
    ]
    text = f"({', '.join(given)})" if given else ""
    return f"{word} {{ {name}{text} {_selection(asked.type, 1)} }}".replace("$PUT$", str(walk.uuid7()))


def refused(answer: Any) -> str:
    """Whether GraphQL told the caller to sign in or that they may not: its code, or nothing."""
    content = answer.content.decode()
    return next((one for one in ("not-signed-in", "forbidden") if one in content), "")


BY_CALLER = {"storedQueryForget", "signInEndOthers"}
"""Asked by anybody who reads, but for what is one's own; test_mutations_like_rest.py holds them to REST."""


@pytest.mark.parametrize("word", ["query", "mutation"])
def test_P4_each_caller_gets_the_graphql_fields_of_what_they_may(company_a: World, word: str) -> None:
    wrong = []
    fields = [name for kind, name in graph_fields() if kind == word]
    for name, (caller, allowed) in everybody(company_a).items():
        for one in fields:
            action = table()[f"GRAPHQL {word} {one}"]
            may = Action.READ in allowed and (action in NO_ACTION or Action(action) in allowed)
            if action == "person":
                may = name in ROLES or name == "tablet:technician"
            if one in BY_CALLER:
                continue
            body = json.dumps({"query": document(word, one)})
            with transaction.atomic():  # some end the sign-in that asks
                answer = caller.client.post(
                    "/graphql", body, content_type="application/json",
                    headers={**caller.headers, "Idempotency-Key": f"{name}-{one}"},
                )  # fmt: skip
                transaction.set_rollback(True)
            if answer.status_code >= 500 or bool(refused(answer)) is may:
                wrong.append(f"{name}: {one} {answer.status_code} {answer.content[:160]!r}")
    assert not wrong, "\n".join(wrong[:40])
    assert fields


def test_every_change_of_graphql_says_what_it_needs() -> None:
    found = {one.name: one.needs.value if one.needs else "tablet" for one in CHANGES.values()}
    told = {d.split()[2]: a for d, a in table().items() if d.startswith("GRAPHQL mutation ")}
    assert sorted(found.values()) == sorted(told.values())
    assert len(found) == len(told)
