"""A client that speaks JSON for one token or one person."""

import json
import time
import uuid
from dataclasses import dataclass, field
from typing import Any

from django.test import Client

from jobs.signins import PROVEN_KEY
from jobs.tenancy.middleware import SESSION_KEY
from tests import factories

API = "/api/v1"


@dataclass
class Caller:
    """Calls the API with a token's header, a session, or neither."""

    headers: dict[str, str] = field(default_factory=dict)
    client: Client = field(default_factory=Client)

    def get(self, path: str, **headers: str) -> Any:
        return self.client.get(API + path, headers={**self.headers, **headers})

    def post(self, path: str, body: Any = None, *, key: str | None = "", **headers: str) -> Any:
        """`key`: the Idempotency-Key; a new one unless given, none with None."""
        more = {} if key is None else {"Idempotency-Key": key or str(uuid.uuid4())}
        return self.send("POST", path, body, **more, **headers)

    def patch(self, path: str, body: Any, version: int | str | None) -> Any:
        more = {} if version is None else {"If-Match": f'"{version}"'}
        return self.send("PATCH", path, body, **more)

    def delete(self, path: str) -> Any:
        return self.client.delete(API + path, headers=self.headers)

    def send(self, method: str, path: str, body: Any, **headers: str) -> Any:
        data = body if isinstance(body, bytes) else json.dumps(body).encode()
        return self.client.generic(
            method, API + path, data, content_type="application/json", headers={**self.headers, **headers}
        )


def with_token(text: str) -> Caller:
    return Caller(factories.bearer(text))


def with_key(world: factories.World) -> Caller:
    return Caller(world.bearer)


def signed_in(world: factories.World, role: str = "owner", **options: Any) -> Caller:
    """A person signed in on the pages just now, or within the next hour, in their company."""
    client = Client(**options)
    client.force_login(world.users[role])
    session = client.session
    session[SESSION_KEY] = str(world.id)
    session[PROVEN_KEY] = time.time() + 3600  # as long as a walk may take
    session.save()
    return Caller(client=client)


def pointers(response: Any) -> list[str]:
    """Where a problem's faults lie."""
    return [fault["pointer"] for fault in response.json().get("errors", [])]


def assert_problem(response: Any, status: int, code: str = "") -> dict[str, Any]:
    """The answer is a problem of this status, in the standard's form, with the request's id."""
    assert response.status_code == status, response.content
    assert response["Content-Type"] == "application/problem+json"
    body: dict[str, Any] = response.json()
    assert body["status"] == status
    assert body["title"]
    assert body["detail"]
    assert body["instance"] == f"urn:request:{response['X-Request-ID']}"
    assert body["type"].startswith("/problems/")
    if code:
        assert body["type"] == f"/problems/{code}"
    return body
