"""One bounded POST to an address that others chose.

No redirects, no proxies, no cookies, one look at the name, and the address it gives is checked before it is
connected to. Connecting takes 3 s at most, silence 10 s, all of it 15 s, however the other side drips. Of the
answer 16 KiB of head and 64 KiB of body are read, never decompressed, and its first characters are kept.
"""

import contextlib
import email.utils
import http.client
import os
import socket
import ssl
import threading
import time
from dataclasses import dataclass
from datetime import UTC, datetime
from http.cookiejar import DefaultCookiePolicy
from typing import Any

import requests
from django.conf import settings
from requests_hardened import Config, HTTPSession
from requests_hardened.ip_filter import InvalidIPAddress
from requests_hardened.ip_filter_adapter import IPFilterAdapter
from urllib3.connection import HTTPConnection, HTTPSConnection
from urllib3.connectionpool import HTTPConnectionPool, HTTPSConnectionPool

from reports.models import Outcome
from reports.outgoing.addresses import NotPublic, check_public

CONNECT_SECONDS, SILENT_SECONDS, WHOLE_SECONDS = 3.0, 10.0, 15.0
MOST_HEAD, MOST_BODY, KEPT = 16 * 1024, 64 * 1024, 1000
AGENT = "Flowledger-Webhooks/1"
LONGEST_WAIT = 24 * 3600.0
"""Seconds that a receiver may ask to wait."""
FAILURES = (requests.RequestException, OSError, http.client.HTTPException, ValueError, NotPublic)
"""What the other side, the network or the guard can make of a try."""


@dataclass(frozen=True)
class Answer:
    """What came of one try. `wait`: seconds that the receiver asked for."""

    outcome: Outcome
    seconds: float
    status: int | None = None
    text: str = ""
    wait: float = 0.0

    @property
    def is_good(self) -> bool:
        return self.outcome is Outcome.DELIVERED


class Deadline:
    """Cuts the connection in use when its time is over. One at a time in a thread."""

    _running = threading.local()

    def __init__(self, seconds: float) -> None:
        self.passed = False
        self._twin: socket.socket | None = None
        self._lock = threading.Lock()
        self._timer = threading.Timer(seconds, self._cut)
        self._timer.daemon = True

    def __enter__(self) -> "Deadline":
        Deadline._running.now = self
        self._timer.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._timer.cancel()
        Deadline._running.now = None
        with self._lock:
            self._let_go()

    @staticmethod
    def watch(wire: Any) -> None:
        """Watches a connection for whoever runs in this thread."""
        now: Deadline | None = getattr(Deadline._running, "now", None)
        if now is not None:
            now._take(wire)

    def _take(self, wire: Any) -> None:
        """A twin of its own: TLS takes the socket away from who opened it."""
        with self._lock:
            self._let_go()
            self._twin = socket.socket(fileno=os.dup(wire.fileno()))
            if self.passed:
                _shut(self._twin)

    def _cut(self) -> None:
        with self._lock:
            self.passed = True
            if self._twin is not None:
                _shut(self._twin)

    def _let_go(self) -> None:
        if self._twin is not None:
            self._twin.close()
            self._twin = None


def _shut(wire: socket.socket) -> None:
    with contextlib.suppress(OSError):  # it ended by itself
        wire.shutdown(socket.SHUT_RDWR)


class _Counted:
    """Reads lines of an answer's head, not more than so many bytes of them, and to its end."""

    def __init__(self, whole: Any) -> None:
        self.whole, self.left = whole, MOST_HEAD

    def readline(self, size: int = -1) -> bytes:
        line: bytes = self.whole.readline(self.left + 1 if size < 0 else min(size, self.left + 1))
        if not line and self.left < MOST_HEAD:
            raise http.client.IncompleteRead(b"")  # else a head cut short would count as a whole one
        self.left -= len(line)
        if self.left < 0:
            raise http.client.LineTooLong("head")
        return line

    def __getattr__(self, name: str) -> Any:
        return getattr(self.whole, name)


class _ShortHead(http.client.HTTPResponse):
    """An answer whose head is bounded as a whole."""

    def begin(self) -> None:
        whole: Any = self.fp
        self.fp: Any = _Counted(whole)
        try:
            super().begin()
        finally:
            if self.fp is not None:
                self.fp = whole


class _Watched:
    """A connection under the thread's deadline, whether new or kept."""

    sock: Any

    def _new_conn(self) -> Any:
        wire = super()._new_conn()  # type: ignore[misc]
        Deadline.watch(wire)
        return wire

    def request(self, *args: Any, **kwargs: Any) -> None:
        if self.sock is not None:
            Deadline.watch(self.sock)
        super().request(*args, **kwargs)  # type: ignore[misc]


class _Http(_Watched, HTTPConnection):
    response_class: Any = _ShortHead


class _Https(_Watched, HTTPSConnection):
    response_class: Any = _ShortHead


class _HttpPool(HTTPConnectionPool):
    ConnectionCls: Any = _Http


class _HttpsPool(HTTPSConnectionPool):
    ConnectionCls: Any = _Https


class _Adapter(IPFilterAdapter):  # type: ignore[misc]  # the package has no types
    """The hardened adapter, with a check of our own on the address it is about to connect to."""

    def init_poolmanager(self, *args: Any, **kwargs: Any) -> None:
        super().init_poolmanager(*args, ssl_minimum_version=ssl.TLSVersion.TLSv1_2, **kwargs)
        self.poolmanager.pool_classes_by_scheme = {"http": _HttpPool, "https": _HttpsPool}

    def build_connection_pool_key_attributes(self, request: Any, verify: Any, cert: Any = None) -> Any:
        found = super().build_connection_pool_key_attributes(request, verify, cert)
        check_public(found[0]["host"])
        return found


class Line:
    """Keeps connections to one receiver; used by one thread."""

    def __init__(self) -> None:
        for_tests = bool(settings.WEBHOOK_TEST_NETWORKS)
        timeout = (CONNECT_SECONDS, SILENT_SECONDS)
        session = HTTPSession(
            Config(
                ip_filter_enable=True,
                ip_filter_allow_loopback_ips=for_tests,  # our own check allows the test's networks only
                never_redirect=True,
                default_timeout=timeout,
                user_agent_override=AGENT,
            )
        )
        session.trust_env = False
        session.cookies.set_policy(DefaultCookiePolicy(allowed_domains=[]))
        session.mount("https://", _Adapter(is_https_proto=True, allow_loopback=for_tests))
        session.mount("http://", _Adapter(is_https_proto=False, allow_loopback=for_tests))
        self._session = session

    def __enter__(self) -> "Line":
        return self

    def __exit__(self, *_: object) -> None:
        self._session.close()

    def post(self, url: str, body: bytes, headers: dict[str, str]) -> Answer:
        """Sends it once. Never raises for what the other side does."""
        started = time.monotonic()
        with Deadline(WHOLE_SECONDS) as deadline:
            try:
                answer = self._post(url, body, headers)
                status, text, wait = answer.status_code, _beginning(answer), _wait(answer)
                outcome = _outcome(status)
            except FAILURES as error:
                status, text, wait = None, "", 0.0
                outcome = Outcome.TIMEOUT if deadline.passed else _failure(error)
        return Answer(outcome, time.monotonic() - started, status, text, wait)

    def _post(self, url: str, body: bytes, headers: dict[str, str]) -> requests.Response:
        sent = {"Content-Type": "application/json", "Accept": "*/*", "Accept-Encoding": "identity", **headers}
        answer: requests.Response = self._session.post(
            url, data=body, headers=sent, stream=True, allow_redirects=False
        )
        return answer


def _beginning(answer: requests.Response) -> str:
    """The first characters of the body, of which 64 KiB are read at most. Its end may be missing."""
    pieces, left = [], MOST_BODY
    try:
        while left > 0 and (piece := answer.raw.read(min(8192, left), decode_content=False)):
            pieces.append(piece)
            left -= len(piece)
    except Exception:  # the status came, and that counts; whatever the rest does
        left = 0
    if left <= 0:
        answer.raw.close()
    answer.close()
    if answer.headers.get("Content-Encoding", "identity").lower() != "identity":
        return ""
    text = b"".join(pieces)[: 4 * KEPT].decode("utf-8", "replace")[:KEPT]
    return "".join(letter if letter.isprintable() or letter == "\n" else "\ufffd" for letter in text)


def _outcome(status: int) -> Outcome:
    if 200 <= status < 300:
        return Outcome.DELIVERED
    if 300 <= status < 400:
        return Outcome.REDIRECTED
    named = {410: Outcome.GONE, 429: Outcome.BUSY, 503: Outcome.BUSY}
    return named.get(status, Outcome.FAILED if status >= 500 else Outcome.REFUSED)


def _wait(answer: requests.Response) -> float:
    """Seconds of a Retry-After, as a number or a date; 0 without a good one."""
    text = answer.headers.get("Retry-After", "").strip()
    if text.isascii() and text.isdigit() and len(text) <= 9:
        return min(float(text), LONGEST_WAIT)
    try:
        until = email.utils.parsedate_to_datetime(text)
    except (TypeError, ValueError):
        return 0.0
    until = until if until.tzinfo else until.replace(tzinfo=UTC)
    return min(max((until - datetime.now(UTC)).total_seconds(), 0.0), LONGEST_WAIT)


def _failure(error: Exception) -> Outcome:
    """Which kind of failure an error is. Its text is not kept: it may name the address."""
    if isinstance(error, InvalidIPAddress | NotPublic):
        return Outcome.ADDRESS
    if isinstance(error, requests.exceptions.SSLError):
        return Outcome.CERTIFICATE
    if isinstance(error, requests.exceptions.ConnectTimeout | requests.exceptions.ReadTimeout):
        return Outcome.TIMEOUT
    if isinstance(error, requests.ConnectionError):
        return _kind_of_connection_error(error)
    return Outcome.GARBLED


def _kind_of_connection_error(error: requests.ConnectionError) -> Outcome:
    if isinstance(error.__cause__, socket.gaierror):
        return Outcome.NAME
    inner = error.args[0] if error.args else None
    reason = getattr(inner, "reason", inner)
    if isinstance(reason, Exception) and "Protocol" in type(reason).__name__:
        told = reason.args[1] if len(reason.args) > 1 else None
        return (
            Outcome.GARBLED
            if isinstance(told, http.client.HTTPException)
            and not isinstance(told, http.client.RemoteDisconnected)
            else Outcome.UNREACHABLE
        )
    return Outcome.UNREACHABLE
