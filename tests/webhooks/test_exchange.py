"""Receivers that behave badly: nothing is followed, nothing is read beyond its bound, nobody is held."""

import gzip
import ssl
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from reports.models import Outcome
from reports.outgoing import exchange
from reports.outgoing.exchange import Answer, Line
from tests.webhooks.receivers import Receiver, listener, receiver

pytestmark = pytest.mark.usefixtures("loopback")


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same bounds in a twentieth of the time."""
    monkeypatch.setattr(exchange, "SILENT_SECONDS", 0.5)
    monkeypatch.setattr(exchange, "WHOLE_SECONDS", 0.75)


def post(there: Receiver) -> Answer:
    with Line() as line:
        return line.post(there.url, b'{"a": 1}', {"webhook-id": "msg_1"})


def test_the_real_bounds() -> None:
    assert exchange.CONNECT_SECONDS <= 3
    assert 10 <= exchange.WHOLE_SECONDS <= 15
    assert exchange.MOST_BODY <= 64 * 1024


@pytest.mark.parametrize("status", [301, 302, 303, 307, 308])
def test_W4_a_redirect_is_not_followed(status: int) -> None:
    with listener("127.0.0.6") as (port, came):
        for place in (f"http://127.0.0.6:{port}/", "http://169.254.169.254/latest/", "file:///etc/passwd"):
            with receiver(lambda got, to=place: (status, {"Location": to})) as there:
                answer = post(there)
            assert (answer.outcome, answer.status) == (Outcome.REDIRECTED, status)
            assert len(there.got) == 1
    assert not came


@pytest.mark.parametrize("status", [200, 201, 202, 204, 299])
def test_every_2xx_is_good(status: int) -> None:
    with receiver(lambda got: status) as there:
        assert post(there).is_good


@pytest.mark.parametrize(
    ("status", "outcome"),
    [(400, "refused"), (404, "refused"), (410, "gone"), (429, "busy"), (500, "failed"), (503, "busy")],
)
def test_W5_other_statuses_by_their_kind(status: int, outcome: str) -> None:
    with receiver(lambda got: status) as there:
        answer = post(there)
    assert (answer.outcome, answer.status) == (outcome, status)


def drip(piece: bytes, pause: float, head: bytes = b"") -> Any:
    """Writes a piece again and again until the other side has enough."""

    def write(handler: Any) -> None:
        try:
            handler.wfile.write(head)
            for _ in range(2000):
                handler.wfile.write(piece)
                time.sleep(pause)
        except OSError:
            pass

    return write


OK = b"HTTP/1.1 200 OK\r\n"


@pytest.mark.usefixtures("quick")
@pytest.mark.parametrize(
    ("name", "written"),
    [
        ("nothing", lambda handler: time.sleep(3)),
        ("status dripped", drip(b"H", 0.1)),
        ("head dripped", drip(b"X", 0.1, OK + b"A: ")),
        ("lines dripped", drip(b"X: y\r\n", 0.1, OK)),
        ("continue for ever", drip(b"HTTP/1.1 100 Continue\r\n\r\n", 0.1)),
    ],
)
def test_W4_who_answers_slowly_is_left_in_time(name: str, written: Any) -> None:
    with receiver(lambda got: written) as there:
        started = time.monotonic()
        answer = post(there)
        took = time.monotonic() - started
    assert answer.outcome is Outcome.TIMEOUT, name
    assert took < 2


@pytest.mark.usefixtures("quick")
@pytest.mark.parametrize("head", [OK + b"\r\n", OK + b"Transfer-Encoding: chunked\r\n\r\n"])
def test_W4_a_body_that_drips_does_not_hold_anybody_and_its_status_counts(head: bytes) -> None:
    with receiver(lambda got: drip(b"1\r\nx\r\n", 0.1, head)) as there:
        started = time.monotonic()
        answer = post(there)
        took = time.monotonic() - started
    assert (answer.outcome, answer.status) == (Outcome.DELIVERED, 200)
    assert took < 2


@pytest.mark.parametrize("framing", [b"", b"Content-Length: 1000000000\r\n"])
def test_W4_of_an_endless_body_64_kib_are_read(monkeypatch: pytest.MonkeyPatch, framing: bytes) -> None:
    read = []
    real = exchange._beginning

    def beginning(answer: Any) -> str:
        inner = answer.raw.read
        answer.raw.read = lambda *a, **k: (piece := inner(*a, **k), read.append(len(piece)))[0]
        return real(answer)

    monkeypatch.setattr(exchange, "_beginning", beginning)
    with receiver(lambda got: drip(b"x" * 65536, 0, OK + framing + b"\r\n")) as there:
        started = time.monotonic()
        answer = post(there)
    assert answer.is_good
    assert sum(read) <= exchange.MOST_BODY
    assert len(answer.text) == exchange.KEPT
    assert time.monotonic() - started < 5


@pytest.mark.parametrize(
    ("name", "raw"),
    [
        ("one line of 10 MB", OK + b"X: " + b"x" * 10_000_000 + b"\r\n\r\n"),
        ("10 MB of lines", OK + b"X: yyyyyyyyyyyyyyy\r\n" * 500_000 + b"\r\n"),
        ("90 long lines", OK + (b"X: " + b"y" * 60_000 + b"\r\n") * 90 + b"\r\n"),
        ("many continues", b"HTTP/1.1 100 Continue\r\nX: y\r\n\r\n" * 100_000 + OK + b"\r\n"),
        ("no HTTP", b"SSH-2.0-OpenSSH_9.2p1\r\n" * 3),
        ("a status of words", b"HTTP/1.1 fine\r\n\r\n"),
    ],
)
def test_W4_a_head_without_measure_or_sense_is_refused(name: str, raw: bytes) -> None:
    with receiver(lambda got: raw) as there:
        started = time.monotonic()
        answer = post(there)
    assert answer.outcome in (Outcome.GARBLED, Outcome.UNREACHABLE), name
    assert answer.status is None
    assert time.monotonic() - started < 5


def test_W4_a_gzip_bomb_is_not_unpacked() -> None:
    bomb = gzip.compress(b"\0" * 50_000_000)
    head = OK + b"Content-Encoding: gzip\r\nContent-Length: %d\r\n\r\n" % len(bomb)
    with receiver(lambda got: head + bomb) as there:
        answer = post(there)
    assert answer.is_good
    assert answer.text == ""


def test_what_an_answer_says_is_kept_as_harmless_text() -> None:
    body = "no\0\x1b[31m <script>\u202e é".encode() + b"\xff"
    head = b"HTTP/1.1 400 Bad\r\nContent-Length: %d\r\n\r\n" % len(body)
    with receiver(lambda got: head + body) as there:
        text = post(there).text
    assert "<script>" in text
    assert "é" in text
    assert not {"\0", "\x1b", "\u202e"} & set(text)


def test_a_receiver_that_hangs_up_and_one_that_is_not_there() -> None:
    with receiver(lambda got: b"") as there:
        assert post(there).outcome is Outcome.UNREACHABLE
    assert post(there).outcome is Outcome.UNREACHABLE


def test_connections_are_kept_and_cookies_are_not() -> None:
    with receiver(lambda got: (204, {"Set-Cookie": "a=b; Path=/"})) as there, Line() as line:
        for _ in range(5):
            assert line.post(there.url, b"{}", {}).is_good
    assert there.connections == 1
    assert all("cookie" not in got.headers for got in there.got)


@pytest.mark.usefixtures("quick")
def test_a_kept_connection_is_under_the_deadline_too() -> None:
    with receiver() as there, Line() as line:
        assert line.post(there.url, b"{}", {}).is_good
        there.answer = lambda got: drip(b"H", 0.1)
        started = time.monotonic()
        assert line.post(there.url, b"{}", {}).outcome is Outcome.TIMEOUT
        assert time.monotonic() - started < 2


def test_no_watchman_is_left_behind() -> None:
    with receiver() as there, Line() as line:
        before = threading.active_count()
        for _ in range(20):
            line.post(there.url, b"{}", {})
        time.sleep(0.1)
        assert threading.active_count() <= before + 2


# TLS


def certificate(folder: Path, host: str, days: int) -> Path:
    """A self-signed certificate with its key; `days` from now to its end."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, host)])
    now = datetime.now(UTC)
    made = (
        x509.CertificateBuilder().subject_name(name).issuer_name(name).public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=90)).not_valid_after(now + timedelta(days=days))
        .add_extension(x509.SubjectAlternativeName([x509.DNSName(host)]), critical=False)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .sign(key, hashes.SHA256())
    )  # fmt: skip
    place = folder / f"{host}.pem"
    private = key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    place.write_bytes(private + made.public_bytes(serialization.Encoding.PEM))
    return place


@contextmanager
def tls(place: Path, answer: Any = lambda got: 204) -> Iterator[Receiver]:
    with receiver(answer, tls=place) as there:
        yield there


def trusting(line: Line, place: Path) -> Line:
    line._session.verify = str(place)
    return line


def named(monkeypatch: pytest.MonkeyPatch, there: Receiver) -> str:
    """The receiver's address by a name that leads to it."""
    from tests.webhooks.test_addresses import answers

    answers(monkeypatch, ["127.0.0.5"])
    return there.url.replace("http://127.0.0.5", "https://hooks.harbour-air.com")


def test_tls_with_a_trusted_certificate_for_the_name(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    place = certificate(tmp_path, "hooks.harbour-air.com", 30)
    with tls(place) as there, Line() as line:
        assert trusting(line, place).post(named(monkeypatch, there), b"{}", {}).is_good
    assert there.got[0].headers["host"].startswith("hooks.harbour-air.com")


@pytest.mark.parametrize(
    ("host", "days", "trusted"),
    [
        ("hooks.harbour-air.com", 30, False),
        ("hooks.harbour-air.com", -3, True),
        ("other.harbour-air.com", 30, True),
    ],
    ids=["self-signed", "expired", "of another name"],
)
def test_W5_a_bad_certificate_fails_and_nothing_is_sent(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, host: str, days: int, trusted: bool
) -> None:
    place = certificate(tmp_path, host, days)
    with tls(place) as there, Line() as line:
        if trusted:
            trusting(line, place)
        assert line.post(named(monkeypatch, there), b"{}", {}).outcome is Outcome.CERTIFICATE
    assert there.got == []


@pytest.mark.usefixtures("quick")
def test_W4_over_tls_the_deadline_holds_in_handshake_and_answer(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    place = certificate(tmp_path, "hooks.harbour-air.com", 30)
    with tls(place, lambda got: drip(b"H", 0.1)) as there, Line() as line:
        started = time.monotonic()
        assert trusting(line, place).post(named(monkeypatch, there), b"{}", {}).outcome is Outcome.TIMEOUT
        assert time.monotonic() - started < 2
    with listener_that_drips() as port, Line() as line:
        started = time.monotonic()
        answer = line.post(f"https://hooks.harbour-air.com:{port}/", b"{}", {})
        assert answer.outcome is Outcome.TIMEOUT
        assert time.monotonic() - started < 2.5


@contextmanager
def listener_that_drips() -> Iterator[int]:
    """A server whose TLS handshake never ends: a record header that promises much, then byte by byte."""
    import socket

    with socket.create_server(("127.0.0.5", 0)) as server:

        def serve() -> None:
            wire, _ = server.accept()
            with wire:
                try:
                    wire.sendall(b"\x16\x03\x03\x3f\xff")
                    for _ in range(100):
                        wire.sendall(b"\x02")
                        time.sleep(0.1)
                except OSError:
                    pass

        threading.Thread(target=serve, daemon=True).start()
        yield server.getsockname()[1]


def test_tls_is_1_2_or_newer() -> None:
    """Whatever the system's own configuration of OpenSSL allows."""
    with Line() as line:
        known = line._session.get_adapter("https://receiver.example").poolmanager.connection_pool_kw
        assert known["ssl_minimum_version"] == ssl.TLSVersion.TLSv1_2
