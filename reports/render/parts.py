"""Lays out parts in several presses at once and collects what the join needs to know of each."""

import json
import os
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Any

import reports

# The subsetter stamps its fonts with the time and orders by hash: both are fixed, so that bytes repeat.
_REPEATABLE = {"SOURCE_DATE_EPOCH": "0", "PYTHONHASHSEED": "0"}
_BARE = {"DJANGO_SETTINGS_MODULE": "reports.render.bare"}
_NEEDED = frozenset({"PATH", "HOME", "LANG", "TMPDIR", "LD_LIBRARY_PATH"})
_NEEDED_OF = ("LC_", "FONTCONFIG_", "XDG_", "DYLD_")
"""Names in a press's environment, and how others begin. Text from outside is laid out there: no secret goes
along."""


class RenderFailed(Exception):
    """A report could not be rendered; the message names the part and the reason."""


class PressGone(RenderFailed):
    """The process that lays out ended, or was ended, in the middle of it."""


@dataclass(frozen=True, slots=True)
class Limits:
    """What one part may use: bytes of address space, seconds of processor, seconds of wall clock."""

    memory: int = 1_500 << 20
    cpu: int = 60
    seconds: float = 90.0


@dataclass(frozen=True, slots=True)
class Part:
    """A rendered part: file, pages, bookmarks (level, title, page, x, y, state), anchors {name: page}."""

    path: Path
    pages: int
    bookmarks: tuple[tuple[int, str, int, float, float, str], ...] = ()
    anchors: dict[str, int] = field(default_factory=dict)
    peak_mb: float = 0.0


def needed() -> dict[str, str]:
    """What of this process's environment a press gets."""
    known = os.environ.items()
    return {name: value for name, value in known if name in _NEEDED or name.startswith(_NEEDED_OF)}


def _started(lines: Sequence[socket.socket]) -> "subprocess.Popen[bytes]":
    """The press process, with a fork for each line to it."""
    root = str(Path(reports.__file__).resolve().parent.parent)
    paths = [root, *filter(None, [os.environ.get("PYTHONPATH")])]
    numbers = [line.fileno() for line in lines]
    return subprocess.Popen(
        [sys.executable, "-m", "reports.render.press", *map(str, numbers)],
        stdin=subprocess.DEVNULL,
        pass_fds=numbers,
        cwd=root,
        env=needed() | {"PYTHONPATH": os.pathsep.join(paths), **_REPEATABLE, **_BARE},
        start_new_session=True,
    )


class Press:
    """A line to the press process; `render` may be called by one thread at a time."""

    def __init__(self, line: socket.socket) -> None:
        self._line, self._jobs = line, line.makefile("rw", encoding="utf-8")

    def render(self, html: str, target: Path, limits: Limits, pictures: Path | None = None) -> Part:
        """Render one part into `target`; raises RenderFailed with the reason.

        `pictures`: a folder with the prints it may show, each under its SHA-256.
        """
        source, result = target.with_suffix(".html"), target.with_suffix(".json")
        source.write_text(html, encoding="utf-8")
        job = {"html": str(source), "pdf": str(target), "result": str(result)}
        job["pictures"] = str(pictures or "")
        job |= {"memory": limits.memory, "cpu": limits.cpu, "seconds": limits.seconds}  # type: ignore[dict-item]
        answer = self._ask(job)
        source.unlink()
        result.unlink(missing_ok=True)
        if "reason" in answer:
            target.unlink(missing_ok=True)
            raise RenderFailed(f"part {target.stem} could not be rendered: {answer['reason']}")
        marks = tuple((a, b, c, d, e, f) for a, b, c, d, e, f in answer["bookmarks"])
        return Part(target, answer["pages"], marks, answer["anchors"], answer["peak_kb"] / 1024)

    def _ask(self, job: dict[str, Any]) -> dict[str, Any]:
        try:
            self._jobs.write(json.dumps(job) + "\n")
            self._jobs.flush()
            line = self._jobs.readline()
        except OSError as error:
            raise PressGone(f"the press is gone: {error}") from error
        if not line:
            raise PressGone("the press ended")
        answer: dict[str, Any] = json.loads(line)
        return answer

    def close(self) -> None:
        """Lets the press know that nothing more comes."""
        with suppress(OSError):  # what a press that is gone did not take
            self._jobs.close()
        self._line.close()


class Presses:
    """Some presses, forks of one process; it starts at once and ends at the end of the `with` block."""

    def __init__(self, count: int, limits: Limits, pictures: Path | None = None) -> None:
        pairs = [socket.socketpair() for _ in range(max(1, count))]
        self._process = _started([theirs for _, theirs in pairs])
        for _, theirs in pairs:
            theirs.close()
        self._presses = [Press(ours) for ours, _ in pairs]
        self._limits, self._pictures = limits, pictures

    def __enter__(self) -> "Presses":
        return self

    def __exit__(self, *_: object) -> None:
        for press in self._presses:
            press.close()
        try:
            self._process.wait(timeout=5)
        except subprocess.TimeoutExpired:
            os.killpg(self._process.pid, signal.SIGKILL)
            self._process.wait()

    def __getitem__(self, number: int) -> Press:
        return self._presses[number]

    def render(self, jobs: Sequence[tuple[str, Path]]) -> list[Part]:
        """Render (html, target) pairs; results in the same order. The first failure stops the rest."""
        waiting: SimpleQueue[int] = SimpleQueue()
        for number in range(len(jobs)):
            waiting.put(number)
        done: dict[int, Part] = {}
        failures: list[Exception] = []
        threads = [
            threading.Thread(target=self._work, args=(press, jobs, waiting, done, failures))
            for press in self._presses[: len(jobs)]
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        if failures:
            raise failures[0]
        return [done[k] for k in range(len(jobs))]

    def _work(
        self,
        press: Press,
        jobs: Sequence[tuple[str, Path]],
        waiting: "SimpleQueue[int]",
        done: dict[int, Part],
        failures: list[Exception],
    ) -> None:
        while not failures:
            try:
                number = waiting.get_nowait()
            except Empty:
                return
            html, target = jobs[number]
            try:
                done[number] = press.render(html, target, self._limits, self._pictures)
            except Exception as error:  # handed to the caller's thread
                failures.append(error)
