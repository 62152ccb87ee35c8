"""One supervised process: started in its own group, watched until ready, ended with all it started.

Only processes started here are ever signalled. If this program is killed outright, the kernel signals the
service for it (Linux parent-death signal), so nothing is left behind.
"""

import ctypes
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO

PR_SET_PDEATHSIG = 1
_libc = ctypes.CDLL(None, use_errno=True) if sys.platform == "linux" else None


class StartFailed(Exception):
    """A service did not come up; the message holds the end of its log."""


def die_with_parent(number: signal.Signals) -> None:
    """Asks the kernel to send this process the signal when its parent ends (Linux; elsewhere nothing)."""
    if _libc is not None:
        _libc.prctl(PR_SET_PDEATHSIG, int(number), 0, 0, 0)


def tail(path: Path, lines: int = 15) -> str:
    """The last lines of a log, or a note that there is none."""
    if not path.exists():
        return "(no log)"
    return "\n".join(path.read_text(errors="replace").splitlines()[-lines:])


@dataclass
class Account:
    """The system user a process runs as."""

    name: str
    uid: int
    gid: int


@dataclass
class Service:
    """A process with a name, a command, a log and a question that tells when it is ready."""

    name: str
    command: Sequence[str]
    log: Path
    environment: Mapping[str, str]
    is_ready: Callable[[], bool]
    folder: Path | None = None
    account: Account | None = None
    stop_signal: signal.Signals = signal.SIGTERM
    stop_seconds: float = 20
    start_seconds: float = 60
    process: "subprocess.Popen[bytes] | None" = field(default=None, init=False)

    def start(self) -> None:
        """Starts the process; its output goes to the log."""
        self.log.parent.mkdir(parents=True, exist_ok=True)
        with self.log.open("ab") as log:
            self.process = self._spawn(log)

    def _spawn(self, log: IO[bytes]) -> "subprocess.Popen[bytes]":
        account = self.account
        return subprocess.Popen(
            list(self.command),
            stdin=subprocess.DEVNULL,
            stdout=log,
            stderr=log,
            cwd=self.folder,
            env=dict(self.environment),
            start_new_session=True,
            user=account.uid if account else None,
            group=account.gid if account else None,
            extra_groups=[] if account else None,
            # Runs after the change of user, which would clear it.
            preexec_fn=lambda: die_with_parent(self.stop_signal),
        )

    def wait_ready(self) -> None:
        """Waits until it answers.

        Raises:
            StartFailed: it ended, or did not answer in time.
        """
        deadline, pause = time.monotonic() + self.start_seconds, 0.02
        while not self.is_ready():
            if not self.alive():
                raise StartFailed(f"{self.name} ended while starting ({self.ending()}). {self.evidence()}")
            if time.monotonic() > deadline:
                raise StartFailed(
                    f"{self.name} was not ready after {self.start_seconds:g} s. {self.evidence()}"
                )
            time.sleep(pause)
            pause = min(pause * 1.3, 0.5)  # asking costs time that the service needs to start

    def alive(self) -> bool:
        """Whether the process runs."""
        return self.process is not None and self.process.poll() is None

    def ending(self) -> str:
        """How the process ended, in words."""
        code = self.process.returncode if self.process else None
        if code is None:
            return "not started"
        return f"signal {signal.Signals(-code).name}" if code < 0 else f"exit code {code}"

    def evidence(self) -> str:
        """Where the log is, and its end."""
        return f"Its log {self.log} ends:\n{tail(self.log)}"

    def stop(self) -> None:
        """Ends it politely, then firmly, and then whatever is left of its group."""
        if self.process is None:
            return
        if self.alive():
            self._signal_and_wait()
        self._end_group()
        self.process.wait()
        self.process = None

    def _signal_and_wait(self) -> None:
        assert self.process is not None
        self.process.send_signal(self.stop_signal)
        try:
            self.process.wait(self.stop_seconds)
        except subprocess.TimeoutExpired:
            print(
                f"{self.name} did not stop within {self.stop_seconds:g} s: ending it by force",
                file=sys.stderr,
            )

    def _end_group(self) -> None:
        assert self.process is not None
        try:
            os.killpg(self.process.pid, signal.SIGKILL)
        except ProcessLookupError:
            return
