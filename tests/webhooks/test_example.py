"""The example's receiver: takes what is signed, once, and refuses the rest."""

import importlib.util
import json
import threading
import urllib.error
import urllib.request
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from http.server import ThreadingHTTPServer
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from reports.outgoing import messages

PLACE = Path(__file__).resolve().parents[2] / "examples" / "webhook_receiver" / "receiver.py"
SECRET = messages.new_secret()
BODY = json.dumps(
    {"type": "job.planned", "timestamp": "2026-01-01T00:00:00Z", "data": {"number": 7}}
).encode()


def example() -> ModuleType:
    spec = importlib.util.spec_from_file_location("webhook_receiver", PLACE)
    assert spec is not None
    assert spec.loader is not None
    made = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(made)
    return made


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Any]:
    module = example()
    module.Handler.signer = module.Webhook(SECRET)
    module.Handler.store = module.Store(str(tmp_path / "events.sqlite"))
    made = ThreadingHTTPServer(("127.0.0.1", 0), module.Handler)
    threading.Thread(target=made.serve_forever, args=(0.02,), daemon=True).start()
    yield made
    made.shutdown()
    made.server_close()


def post(server: Any, body: bytes, headers: dict[str, str]) -> int:
    url = f"http://127.0.0.1:{server.server_address[1]}/"
    try:
        with urllib.request.urlopen(urllib.request.Request(url, body, headers), timeout=10) as answer:
            return int(answer.status)
    except urllib.error.HTTPError as error:
        return error.code


def signed(secret: str = SECRET, body: bytes = BODY, at: timedelta = timedelta()) -> dict[str, str]:
    return messages.headers("msg_1", body, [secret], datetime.now(UTC) + at)


def test_it_takes_an_event_once_and_answers_204_each_time(server: Any) -> None:
    assert [post(server, BODY, signed()) for _ in range(3)] == [204, 204, 204]
    rows = server.RequestHandlerClass.store.base.execute("SELECT id, number, kind FROM event").fetchall()
    assert rows == [("msg_1", 7, "job.planned")]


@pytest.mark.parametrize(
    ("body", "headers"),
    [
        (BODY.replace(b"7", b"8"), signed()),
        (BODY, signed(messages.new_secret())),
        (BODY, signed(at=timedelta(minutes=-60))),
        (BODY, signed(at=timedelta(minutes=60))),
        (BODY, {}),
        (BODY, signed() | {"webhook-id": "msg_2"}),
        (BODY, signed() | {"webhook-signature": "v1,AAAA"}),
        (BODY, signed() | {"webhook-signature": "nonsense"}),
    ],
    ids=["altered", "another secret", "old", "of the future", "unsigned", "another id", "forged", "nonsense"],
)
def test_it_takes_nothing_else(server: Any, body: bytes, headers: dict[str, str]) -> None:
    assert post(server, body, headers) == 400
    assert server.RequestHandlerClass.store.base.execute("SELECT count(*) FROM event").fetchone() == (0,)


def test_two_signatures_as_after_a_renewal_verify_under_either(server: Any) -> None:
    headers = messages.headers("msg_1", BODY, [messages.new_secret(), SECRET], datetime.now(UTC))
    assert post(server, BODY, headers) == 204
