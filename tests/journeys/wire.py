"""Requests over a socket that can be cut at the worst moment."""

import socket
import struct
import threading
from urllib.parse import urlsplit

RESET_ON_CLOSE = struct.pack("ii", 1, 0)  # SO_LINGER of 0 s: closing sends a reset


def request(base_url: str, token: str, path: str, body: bytes, key: str) -> bytes:
    """A whole POST as bytes."""
    head = (
        f"POST {path} HTTP/1.1\r\nHost: {urlsplit(base_url).netloc}\r\nAuthorization: Bearer {token}\r\n"
        f"Content-Type: application/json\r\nIdempotency-Key: {key}\r\nContent-Length: {len(body)}\r\n"
        "Connection: close\r\n\r\n"
    )
    return head.encode() + body


def connect(base_url: str) -> socket.socket:
    place = urlsplit(base_url)
    return socket.create_connection((place.hostname or "", place.port or 80), timeout=30)


def send_and_vanish(base_url: str, data: bytes) -> None:
    """Sends a request whole and resets the connection without waiting for the answer."""
    with connect(base_url) as wire:
        wire.sendall(data)
        wire.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, RESET_ON_CLOSE)


class Cutter:
    """A proxy on 127.0.0.1 for one request. It keeps the answer and resets the client's connection."""

    def __init__(self, base_url: str) -> None:
        self.upstream = base_url
        self.answer = b""
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.base_url = f"http://127.0.0.1:{self.listener.getsockname()[1]}"
        self.thread = threading.Thread(target=self._serve, daemon=True)

    def __enter__(self) -> "Cutter":
        self.thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.thread.join(30)
        self.listener.close()

    def _serve(self) -> None:
        client, _ = self.listener.accept()
        with client, connect(self.upstream) as server:
            server.sendall(read_request(client))
            while piece := server.recv(65536):
                self.answer += piece
            client.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, RESET_ON_CLOSE)


def read_request(wire: socket.socket) -> bytes:
    """Reads a request to its end, by its Content-Length."""
    data = b""
    while b"\r\n\r\n" not in data:
        data += wire.recv(65536)
    head, _, rest = data.partition(b"\r\n\r\n")
    lines = dict(line.lower().split(b": ", 1) for line in head.split(b"\r\n")[1:])
    while len(rest) < int(lines[b"content-length"]):
        rest += wire.recv(65536)
    return head + b"\r\n\r\n" + rest
