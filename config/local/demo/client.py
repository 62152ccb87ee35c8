"""A plain HTTP client for the demo: JSON in and out, every answer checked."""

import json
import uuid
from dataclasses import dataclass, field
from email.message import Message
from http.cookiejar import CookieJar
from typing import Any
from urllib.error import HTTPError
from urllib.parse import urlencode
from urllib.request import HTTPCookieProcessor, HTTPRedirectHandler, Request, build_opener


class Surprise(Exception):
    """The service answered otherwise than the story expects."""


class _NoRedirect(HTTPRedirectHandler):
    def redirect_request(self, *_: Any, **__: Any) -> None:
        return None


@dataclass(frozen=True)
class Answer:
    """Status, headers and body of an answer."""

    status: int
    headers: Message
    body: bytes

    @property
    def json(self) -> Any:
        return json.loads(self.body)


@dataclass
class Client:
    """Speaks for one token, for a person signed in on the pages, or for nobody.

    `seen` gathers the addresses of single things that were read, for the other company to try.
    """

    base_url: str
    token: str = ""
    seen: set[str] = field(default_factory=set)
    cookies: CookieJar = field(default_factory=CookieJar)

    def sign_in(self, email: str, password: str) -> None:
        """Signs a person in as the page does: form, CSRF token, cookie."""
        self.call("GET", "/signin")
        form = {"email": email, "password": password, "csrfmiddlewaretoken": self.csrf()}
        self.form("/signin", form)

    def form(self, path: str, fields: dict[str, str]) -> Answer:
        """Sends a page's form; the answer must lead on to another page."""
        headers = {"Content-Type": "application/x-www-form-urlencoded", "Referer": self.base_url + path}
        return self.call("POST", path, urlencode(fields).encode(), headers=headers, expect=302)

    def csrf(self) -> str:
        return next((c.value or "" for c in self.cookies if c.name == "csrftoken"), "")

    def call(
        self,
        method: str,
        path: str,
        body: Any = None,
        *,
        expect: int | tuple[int, ...] = (200, 201, 202),
        headers: dict[str, str] | None = None,
        key: str | None = None,
    ) -> Answer:
        """One request. Raises Surprise when the status is not the expected one."""
        answer = self.send(method, path, body, headers=headers or {}, key=key)
        wanted = (expect,) if isinstance(expect, int) else expect
        if answer.status not in wanted:
            raise Surprise(f"{method} {path} answered {answer.status}, not {wanted}: {answer.body[:2000]!r}")
        return answer

    def send(self, method: str, path: str, body: Any, *, headers: dict[str, str], key: str | None) -> Answer:
        data = body if isinstance(body, bytes) or body is None else json.dumps(body).encode()
        request = Request(self.base_url + path, data=data, method=method)  # noqa: S310 - loopback only
        request.add_header("Accept", "application/json")
        if data is not None:
            request.add_header("Content-Type", "application/json")
        if self.token:
            request.add_header("Authorization", f"Bearer {self.token}")
        if method in ("POST", "PATCH", "DELETE"):
            request.add_header("Idempotency-Key", key or str(uuid.uuid4()))
            request.add_header("X-CSRFToken", self.csrf())
        for name, value in headers.items():
            request.add_header(name, value)
        opener = build_opener(_NoRedirect, HTTPCookieProcessor(self.cookies))
        try:
            with opener.open(request, timeout=60) as response:
                return Answer(response.status, response.headers, response.read())
        except HTTPError as error:
            return Answer(error.code, error.headers, error.read())

    def get(self, path: str, **options: Any) -> Any:
        if path.count("/") > 3 and "?" not in path:
            self.seen.add(path)
        return self.call("GET", path, **options).json

    def post(self, path: str, body: Any = None, **options: Any) -> Any:
        return self.call("POST", path, {} if body is None else body, **options).json

    def all(self, path: str) -> list[Any]:
        """All items of a list, page by page."""
        items: list[Any] = []
        next_page: str | None = path
        while next_page:
            page = self.get(next_page)
            items += page["items"]
            next_page = page["next"]
        return items
