"""What README, DEVELOPERS and the examples tell others to send does what they say.

The webhook receiver's own commands are run by tests/journeys/test_webhooks.py, `make demo` by tests/journeys.
"""

import re
import subprocess
import uuid
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from django.test import Client

from tests.doors import walk
from tests.doors.examples import document, encoded, moved, requests, stand_for, told
from tests.factories import World

ROOT = Path(__file__).resolve().parents[2]
GUIDES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "examples").rglob("*.md"))]
BLOCK = re.compile(r"^```(\w*)\n(.*?)^```", re.M | re.S)
BASE = "http://flow.test"
FILES = {"schedule.csv": "schedule_import", "batch.json": "field_batch_post"}
"""Files that commands send: the example of which operation."""
END = "--end--"


@dataclass
class Command:
    """A curl command as the shell hands it over."""

    url: str = ""
    data: str | None = None
    headers: dict[str, str] = field(default_factory=dict)


def blocks(language: str) -> list[tuple[str, str]]:
    """Fenced blocks of a language, with the guide's name."""
    return [
        (guide.relative_to(ROOT).as_posix(), found[2])
        for guide in GUIDES
        for found in BLOCK.finditer(guide.read_text())
        if found[1] == language
    ]


CURL = [text for _, text in blocks("sh") if "curl " in text]


def commands(text: str, **variables: str) -> list[Command]:
    """The curl commands of a block, their words expanded by a real shell."""
    shell = (
        f"set -eu; curl() {{ printf '%s\\0' \"$@\" {END}; }}; uuidgen() {{ echo {uuid.uuid4()}; }}\n{text}"
    )
    done = subprocess.run(["bash", "-c", shell], env=variables, capture_output=True, text=True, check=True)
    return [read(part.split("\0")[:-1]) for part in done.stdout.split(f"{END}\0")[:-1]]


def read(words: list[str]) -> Command:
    """The options of curl that the guides use; another one fails here."""
    found, rest = Command(), iter(words)
    for word in rest:
        if word == "-H":
            name, _, value = next(rest).partition(": ")
            found.headers[name] = value
        elif word in ("-d", "--data-binary"):
            found.data = next(rest)
        else:
            assert word.startswith(BASE), word
            found.url = word
    return found


def body(given: str, known: dict[str, str]) -> bytes:
    """The data of a command, or the file that it names."""
    if not given.startswith("@"):
        return moved(given).encode()
    (one,) = (one for one in requests() if one.name == FILES[given[1:]])
    return encoded(one.kind, told(one.value, known), one.schema)[0]


def send(command: Command, known: dict[str, str]) -> Any:
    path = command.url.removeprefix(BASE)
    if command.data is None:
        return Client().get(path, headers=command.headers)
    kind = command.headers.pop("Content-Type")
    return Client().post(path, body(command.data, known), content_type=kind, headers=command.headers)


@pytest.mark.django_db
def test_each_request_of_the_guides_is_answered() -> None:
    world = walk.full_world("Guided")
    known = stand_for(world)
    variables = {
        "BASE": BASE, "KEY": world.key_text, "PERSON": world.technician_token, "SITE": str(world.site.id),
        "SYSTEM": str(world.system.id), "ETAG": etag(world), "PATH": "/usr/bin:/bin",
    }  # fmt: skip
    asked = [command for text in CURL for command in commands(text, **variables)]
    found = {}
    for command in asked:
        answer = send(command, known)
        assert answer.status_code in (200, 201, 304), (command, answer.content)
        found[command.url.removeprefix(BASE).partition("?")[0]] = answer
    assert len(asked) >= 6
    assert found["/api/v1/field/worklist"].status_code == 304
    assert found["/api/v1/jobs"].json()["title"] == "Reading rooms"
    outcomes = found["/api/v1/field/batches"].json()["outcomes"]
    assert [one["outcome"] for one in outcomes] == ["stored"]
    told_by_graphql = found["/graphql"].json()
    assert "errors" not in told_by_graphql
    assert "expandedUncertainty" in found["/graphql"].content.decode()


def etag(world: World) -> str:
    """Of the technician's worklist."""
    answer = Client().get(
        "/api/v1/field/worklist", headers={"Authorization": f"Bearer {world.technician_token}"}
    )
    return str(answer["ETag"])


def test_each_block_is_of_a_kind_that_is_tried() -> None:
    known = {"sh", "python", ""}
    for guide in GUIDES:
        assert {found[1] for found in BLOCK.finditer(guide.read_text())} <= known, guide
    for guide, text in blocks(""):
        assert "curl" not in text, guide
        assert "query" not in text, guide
    targets = set(re.findall(r"^([\w-]+):", (ROOT / "Makefile").read_text(), re.M))
    for guide, text in blocks("sh"):
        if text not in CURL:
            assert {line.split()[1] for line in text.splitlines() if line.startswith("make ")} <= targets, (
                guide
            )
            assert all(line.startswith("make ") for line in text.splitlines()), guide
    for guide, text in blocks("python"):
        compile(text, guide, "exec")


def test_each_address_that_the_guides_name_is_in_the_document() -> None:
    paths = [re.compile(re.sub(r"{\w+}", r"[^/]+", path) + "/?") for path in document()["paths"]]
    served_beside = {"/api/v1/", "/api/v1/openapi.yaml"}
    seen = 0
    for guide in GUIDES:
        for address in re.findall(r"/api/v1/[\w./$-]*", guide.read_text()):
            seen += 1
            assert address in served_beside or any(path.fullmatch(address) for path in paths), (
                guide,
                address,
            )
    assert seen > 10
