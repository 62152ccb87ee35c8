"""A process that lays out parts: imports the layout engine once, then forks a limited child for each part.

Run as `python -m reports.render.press FD…`. Each FD is a socket with somebody who works through parts one
after the other, served by a fork of its own: one JSON line in per part, one JSON line out. Each child has a
session of its own, limits on memory and processor time and a wall clock; it renders one part and ends, so
that no garbage outlives a part and a hostile one takes nothing with it. Only the report's own fonts load.
"""

import gc
import hashlib
import json
import logging
import os
import re
import resource
import signal
import socket
import sys
import tempfile
import time
import traceback
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NoReturn

import fontTools.subset
import fontTools.varLib.instancer  # noqa: F401
from weasyprint import HTML
from weasyprint.text.fonts import FontConfiguration
from weasyprint.urls import URLFetcher, URLFetcherResponse

from reports.render.fonts import font_urls
from reports.render.templating import PICTURE, part_html
from reports.render.tidy import tidy

VARIANT = "pdf/a-3a"
_POLL = 0.004  # s
_WITHOUT_GLYPH = "notdef"
JPEG = "image/jpeg"
_DIGEST = re.compile("[0-9a-f]{64}")


class FontsAndPrints(URLFetcher):  # type: ignore[misc]
    """Gives the report's fonts and the prints of its photos, and refuses every other address.

    A print is asked for by its SHA-256 and lies in `folder` under that name; nothing else may enter a report.
    """

    def __init__(self, folder: Path | None = None) -> None:
        super().__init__()
        self._folder = folder

    def fetch(self, url: str, headers: Any = None) -> URLFetcherResponse:
        """The font or print behind the address; ValueError for anything else."""
        if url.startswith(PICTURE):
            return URLFetcherResponse(url, self._print(url.removeprefix(PICTURE)), {"Content-Type": JPEG})
        path = font_urls().get(url)
        if path is None:
            raise ValueError(f"address refused: {url[:200]}")
        return URLFetcherResponse(url, path.read_bytes(), {"Content-Type": "font/ttf"})

    def _print(self, digest: str) -> bytes:
        if self._folder is None or not _DIGEST.fullmatch(digest):
            raise ValueError(f"picture refused: {digest[:80]}")
        data = (self._folder / digest).read_bytes()
        if hashlib.sha256(data).hexdigest() != digest:
            raise ValueError(f"picture altered: {digest}")
        return data


class _Complaints(logging.Handler):
    """Keeps what the engine complains about."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self.lines: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        """Remember a line."""
        self.lines.append(record.getMessage()[:300])


def render_part(html: str, target: Path, pictures: Path | None = None) -> dict[str, Any]:
    """Lay out one part and write it; returns pages, bookmarks, anchors and complaints.

    `pictures`: the folder of its prints.

    Bookmarks are (level, title, page, x, y, state) with points from the bottom, anchors {name: page}.
    Raises ValueError when a character has no glyph, since PDF/A and PDF/UA forbid it.
    """
    complaints = _Complaints()
    logger = logging.getLogger("weasyprint")
    logger.handlers[:] = [complaints]
    source = HTML(string=html, url_fetcher=FontsAndPrints(pictures))
    laid = source.render(font_config=FontConfiguration(), pdf_tags=True, pdf_variant=VARIANT)
    marks, anchors = [], {}
    for number, page in enumerate(laid.pages):
        for level, title, point, state in page.bookmarks:
            marks.append((level, title, number, point[0] * 0.75, (page.height - point[1]) * 0.75, state))
        anchors.update(dict.fromkeys(page.anchors, number))
    laid.write_pdf(target, finisher=tidy, pdf_tags=True, pdf_variant=VARIANT)
    lacking = [line for line in complaints.lines if _WITHOUT_GLYPH in line]
    if lacking:
        raise ValueError(f"a character has no glyph in the report's fonts: {lacking[0]}")
    unseen = [line for line in complaints.lines if PICTURE in line]
    if unseen:
        raise ValueError(f"a picture cannot be shown: {unseen[0]}")
    return {
        "pages": len(laid.pages),
        "bookmarks": marks,
        "anchors": anchors,
        "complaints": complaints.lines,
    }


def _limit(job: dict[str, Any]) -> None:
    """Own session, memory and processor limits of the child."""
    os.setsid()
    resource.setrlimit(resource.RLIMIT_AS, (job["memory"], job["memory"]))
    resource.setrlimit(resource.RLIMIT_CPU, (job["cpu"], job["cpu"] + 1))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def _child(job: dict[str, Any], scratch: str) -> NoReturn:
    """Render in the child and leave the result in a file beside the part."""
    code = 0
    try:
        _limit(job)
        tempfile.tempdir = scratch
        gc.disable()
        folder = Path(job["pictures"]) if job["pictures"] else None
        answer = render_part(Path(job["html"]).read_text(encoding="utf-8"), Path(job["pdf"]), folder)
    except BaseException as error:  # every way to fail must become a reason
        answer, code = {"reason": f"{type(error).__name__}: {error}"[:400]}, 3
    try:
        Path(job["result"]).write_text(json.dumps(answer), encoding="utf-8")
    finally:
        os._exit(code)


def _wait(pid: int, seconds: float) -> tuple[int, int, bool]:
    """Exit status, peak memory (kB) and whether the clock ran out and the child's session was killed."""
    end, killed = time.monotonic() + seconds, False
    while True:
        found, status, usage = os.wait4(pid, 0 if killed else os.WNOHANG)
        if found:
            return status, usage.ru_maxrss, killed
        if time.monotonic() > end:
            _kill(pid)
            killed = True
        else:
            time.sleep(_POLL)


def _kill(pid: int) -> None:
    """Kill the child's session, or the child itself if it had no time to make one."""
    try:
        os.killpg(pid, signal.SIGKILL)
    except ProcessLookupError:
        os.kill(pid, signal.SIGKILL)


def supervise(job: dict[str, Any]) -> dict[str, Any]:
    """Render one part in a child; the answer holds either pages or a `reason`.

    The layout engine leaves its copies of fonts behind when a process ends as this child does or is killed,
    so they lie in a folder that is removed here.
    """
    with tempfile.TemporaryDirectory(dir=Path(job["result"]).parent) as scratch:
        pid = os.fork()
        if pid == 0:
            _child(job, scratch)
        status, peak, late = _wait(pid, job["seconds"])
    answer: dict[str, Any] = {"peak_kb": peak}
    if late:
        return answer | {"reason": f"not done within {job['seconds']:g} s, stopped by the clock"}
    if os.WIFSIGNALED(status):
        name = signal.Signals(os.WTERMSIG(status)).name
        return answer | {"reason": f"the process ended by {name} (memory limit {job['memory'] >> 20} MB)"}
    try:
        found: dict[str, Any] = json.loads(Path(job["result"]).read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        return answer | {"reason": f"the process left no result: {error}"}
    return answer | found


def _warm() -> None:
    """Lay out a line once, so that no child has to load style sheets and libraries again.

    A child must not be forked while a library's thread holds a lock, so this waits until none is left.
    """
    with tempfile.TemporaryDirectory() as folder:
        html = part_html("Warm", "en", "A4", "", "<h1>Warm</h1><p>1</p>")
        render_part(html, Path(folder) / "warm.pdf")
    end, tasks = time.monotonic() + 2.0, Path("/proc/self/task")
    while tasks.is_dir() and len(list(tasks.iterdir())) > 1 and time.monotonic() < end:
        time.sleep(_POLL)


def _serve(own: int, sockets: Sequence[int]) -> NoReturn:
    """In a fork: work through the parts that come by one socket, until it is closed."""
    try:
        for other in sockets:
            if other != own:
                os.close(other)
        with socket.socket(fileno=own) as line, line.makefile("rw", encoding="utf-8") as jobs:
            for job in jobs:
                jobs.write(json.dumps(supervise(json.loads(job))) + "\n")
                jobs.flush()
        os._exit(0)
    except BaseException:
        traceback.print_exc()
        os._exit(1)


def main() -> None:
    """Serve parts until all sockets are closed."""
    sockets = [int(word) for word in sys.argv[1:]]
    _warm()
    gc.collect()
    gc.freeze()
    for own in sockets:
        if os.fork() == 0:
            _serve(own, sockets)
    for own in sockets:
        os.close(own)
    for _ in sockets:
        os.wait()


if __name__ == "__main__":
    main()
