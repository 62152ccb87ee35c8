"""Receivers on loopback that behave well or badly, and count who connects."""

import socket
import ssl
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

from standardwebhooks import Webhook


@dataclass
class Got:
    """One request as it came."""

    headers: dict[str, str]
    body: bytes

    @property
    def id(self) -> str:
        return self.headers["webhook-id"]

    def verify(self, secret: str) -> Any:
        return Webhook(secret).verify(self.body, self.headers)


@dataclass
class Receiver:
    """An HTTP server on 127.0.0.x. `answer` says what it does with a request: a status, or what it writes."""

    answer: Callable[[Got], Any] = lambda got: 204
    got: list[Got] = field(default_factory=list)
    connections: int = 0
    url: str = ""


@contextmanager
def receiver(
    answer: Callable[[Got], Any] = lambda got: 204, host: str = "127.0.0.5", tls: Path | None = None
) -> Iterator[Receiver]:
    made = Receiver(answer)
    lock = threading.Lock()

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def setup(self) -> None:
            super().setup()
            self.connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            with lock:
                made.connections += 1

        def do_POST(self) -> None:
            length = int(self.headers["Content-Length"])
            got = Got({k.lower(): v for k, v in self.headers.items()}, self.rfile.read(length))
            with lock:
                made.got.append(got)
            done = made.answer(got)
            if isinstance(done, bytes):  # raw
                self.wfile.write(done)
                self.close_connection = True
                return
            if callable(done):
                done(self)
                self.close_connection = True
                return
            status, headers = done if isinstance(done, tuple) else (done, {})
            self.send_response_only(status)
            for name, value in headers.items():
                self.send_header(name, value)
            self.send_header("Content-Length", "0")
            self.end_headers()

        def log_message(self, *_: Any) -> None:
            pass

    class Server(ThreadingHTTPServer):
        daemon_threads = True
        request_queue_size = 64

        def handle_error(self, *_: Any) -> None:
            pass  # clients that leave are what these tests are about

    server = Server((host, 0), Handler)
    if tls is not None:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(tls)
        server.socket = context.wrap_socket(server.socket, server_side=True, do_handshake_on_connect=False)
    made.url = f"http://{host}:{server.server_address[1]}/hook"
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
    thread.start()
    try:
        yield made
    finally:
        server.shutdown()
        server.server_close()


@contextmanager
def listener(host: str = "127.0.0.1", family: int = socket.AF_INET) -> Iterator[tuple[int, list[Any]]]:
    """A port that counts connections and closes each: the port, and who came."""
    came: list[Any] = []
    with socket.socket(family) as server:
        server.bind((host, 0))
        server.listen(64)

        def accept() -> None:
            while True:
                try:
                    wire, who = server.accept()
                except OSError:
                    return
                came.append(who)
                wire.close()

        threading.Thread(target=accept, daemon=True).start()
        yield server.getsockname()[1], came
        server.shutdown(socket.SHUT_RDWR)
