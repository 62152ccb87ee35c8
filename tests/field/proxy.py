"""A thin server between tablet and service that behaves badly on demand: loses answers, changes the page."""

import http.client
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from urllib.parse import urlsplit

HOP = {"connection", "keep-alive", "transfer-encoding", "content-length"}


@dataclass(frozen=True)
class Held:
    """Answers to one path that are kept back: `reached` when the service has given one, until `free`."""

    ending: str
    reached: threading.Event = field(default_factory=threading.Event)
    free: threading.Event = field(default_factory=threading.Event)


class Between:
    """`lose`: how many answers to posted batches are still to be lost after the service has acted on them.
    `newer`: appended to the page's worker, as a new version of the page would differ."""

    def __init__(self, base: str) -> None:
        self.target = urlsplit(base)
        self.lose = 0
        self.lost = 0
        self.newer = ""
        self.skew = ""
        self.base = ""
        self.holding: list[Held] = []

    @property
    def base_url(self) -> str:
        return self.base

    @contextmanager
    def held(self, ending: str) -> Iterator[Held]:
        """Keeps back answers to paths that end so, on which the service has acted, until the block ends."""
        one = Held(ending)
        self.holding.append(one)
        try:
            yield one
        finally:
            one.free.set()

    def wait(self, path: str) -> None:
        for one in self.holding:
            if path.endswith(one.ending):
                one.reached.set()
                one.free.wait(60)


def _handler(between: Between) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def forward(self) -> None:
            length = int(self.headers.get("Content-Length", 0))
            body = self.rfile.read(length) if length else None
            head = {name: value for name, value in self.headers.items() if name.lower() != "host"}
            there = http.client.HTTPConnection(between.target.hostname or "", between.target.port, timeout=60)
            there.request(self.command, self.path, body, {**head, "Host": between.target.netloc})
            answer = there.getresponse()
            content = answer.read()
            there.close()
            between.wait(self.path)
            if self.path.endswith("field/batches") and between.lose > 0:
                between.lose -= 1
                between.lost += 1
                self.close_connection = True
                self.connection.close()
                return
            if self.path == "/field/worker.js":
                content += between.newer.encode()
            self.send_response_only(answer.status)
            for name, value in answer.getheaders():
                if name.lower() not in HOP:
                    self.send_header(name, between.skew if name == "date" and between.skew else value)
            self.send_header("Content-Length", str(len(content)))
            self.end_headers()
            if self.command != "HEAD":
                self.wfile.write(content)

        do_GET = do_POST = do_PATCH = do_HEAD = do_DELETE = do_PUT = forward

        def log_message(self, format: str, *args: object) -> None:
            """Says nothing."""

    return Handler


@contextmanager
def between(base: str) -> Iterator[Between]:
    """Runs on a loopback port of its own until the end."""
    made = Between(base)
    server = ThreadingHTTPServer(("127.0.0.1", 0), _handler(made))
    made.base = f"http://127.0.0.1:{server.server_address[1]}"
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield made
    finally:
        server.shutdown()
        server.server_close()
