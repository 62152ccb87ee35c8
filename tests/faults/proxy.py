"""A TCP proxy on 127.0.0.1 between the clients and the web server: slow, thin, cut, or deaf as told."""

import asyncio
import random
import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any


@dataclass
class Line:
    """How the line is at present; changed while it runs."""

    delay_s: float = 0.0
    jitter_s: float = 0.0
    bytes_per_s: float = 0.0
    cut: float = 0.0
    """Share of answers that are cut off after the server has given them."""
    is_deaf: bool = False
    """Accepts and passes nothing on, like a line whose other end went away."""


@dataclass
class Proxy(threading.Thread):
    """Listens from `start()` until `stop()`."""

    target: int
    seed: int
    line: Line = field(default_factory=Line)

    def __post_init__(self) -> None:
        super().__init__(daemon=True, name="proxy")
        self.random, self.loop, self.port = random.Random(self.seed), asyncio.new_event_loop(), 0
        self.listens, self.tasks = threading.Event(), set[Any]()

    __hash__ = threading.Thread.__hash__

    def start(self) -> None:
        super().start()
        assert self.listens.wait(60)

    def stop(self) -> None:
        self.loop.call_soon_threadsafe(self.loop.stop)
        self.join(10)

    def run(self) -> None:
        asyncio.set_event_loop(self.loop)
        server = self.loop.run_until_complete(asyncio.start_server(self.serve, "127.0.0.1", 0))
        self.port = server.sockets[0].getsockname()[1]
        self.listens.set()
        self.loop.run_forever()
        server.close()

    async def serve(self, near: asyncio.StreamReader, to_near: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        self.tasks.add(task)  # the loop itself keeps none of them
        try:
            await self.relay(near, to_near)
        finally:
            self.tasks.discard(task)

    async def relay(self, near: asyncio.StreamReader, to_near: asyncio.StreamWriter) -> None:
        while self.line.is_deaf:
            await asyncio.sleep(0.1)
        try:
            far, to_far = await asyncio.open_connection("127.0.0.1", self.target)
        except OSError:
            to_near.transport.abort()
            return
        cut = self.random.random() < self.line.cut
        ways = [self.pass_on(near, to_far, lambda: False), self.pass_on(far, to_near, lambda: cut)]
        try:
            await asyncio.gather(*ways)
        except OSError:
            to_near.transport.abort()
        for writer in (to_near, to_far):
            with suppress(OSError):
                writer.close()

    async def pass_on(
        self, source: asyncio.StreamReader, sink: asyncio.StreamWriter, is_cut: Callable[[], bool]
    ) -> None:
        while piece := await source.read(16384):
            if is_cut():
                sink.transport.abort()
                raise ConnectionResetError
            line = self.line
            wait = line.delay_s + self.random.uniform(-1, 1) * line.jitter_s
            if line.bytes_per_s:
                wait += len(piece) / line.bytes_per_s
            if wait > 0:
                await asyncio.sleep(wait)
            sink.write(piece)
            await sink.drain()
        with suppress(OSError):
            sink.write_eof()
