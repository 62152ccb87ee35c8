"""Lays out parts in several presses at once and collects what the join needs to know of each."""

import json
import os
import subprocess
import sys
import threading
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Any

import reports

# The subsetter stamps its fonts with the time and orders by hash: both are fixed, so that bytes repeat.
_REPEATABLE = {"SOURCE_DATE_EPOCH": "0", "PYTHONHASHSEED": "0"}
_BARE = {"DJANGO_SETTINGS_MODULE": "reports.render.bare"}
_NEEDED = ("PATH", "HOME", "LANG", "LC_", "TMPDIR", "FONTCONFIG_", "XDG_", "LD_LIBRARY_PATH", "DYLD_")
"""How names in a press's environment begin. Text from outside is laid out there: no secret goes along."""


class RenderFailed(Exception):
    """A report could not be rendered; the message names the part and the reason."""


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
    return {name: value for name, value in os.environ.items() if name.startswith(_NEEDED)}


class Press:
    """One press process; `render` may be called by one thread at a time."""

    def __init__(self) -> None:
        root = str(Path(reports.__file__).resolve().parent.parent)
        paths = [root, *filter(None, [os.environ.get("PYTHONPATH")])]
        self._process = subprocess.Popen(
            [sys.executable, "-m", "reports.render.press"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            cwd=root,
            env=needed() | {"PYTHONPATH": os.pathsep.join(paths), **_REPEATABLE, **_BARE},
            start_new_session=True,
            text=True,
        )

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
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        try:
            self._process.stdin.write(json.dumps(job) + "\n")
            self._process.stdin.flush()
            line = self._process.stdout.readline()
        except OSError as error:
            raise RenderFailed(f"the press is gone: {error}") from error
        if not line:
            raise RenderFailed(f"the press ended with code {self._process.wait()}")
        answer: dict[str, Any] = json.loads(line)
        return answer

    def close(self) -> None:
        """Let the press end; kill it if it does not."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        try:
            self._process.stdin.close()
            self._process.wait(timeout=5)
        except (OSError, subprocess.TimeoutExpired):
            self._process.kill()
            self._process.wait()
        self._process.stdout.close()


class Presses:
    """A few presses; starts them at once, closes them at the end of the `with` block."""

    def __init__(self, count: int, limits: Limits, pictures: Path | None = None) -> None:
        self._presses = [Press() for _ in range(max(1, count))]
        self._limits, self._pictures = limits, pictures

    def __enter__(self) -> "Presses":
        return self

    def __exit__(self, *_: object) -> None:
        for press in self._presses:
            press.close()

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
