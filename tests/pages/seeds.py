"""Makes data beside a running stack: modules whose `make()` returns what a browser or tablet must know.

Starting Django takes seconds of processor time, planting a company far less. So one process beside the stack
has all imported, with the stack's own environment, and forks for each company that is asked for.
"""

import gc
import importlib
import json
import os
import subprocess
import sys
import tempfile
import traceback
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, NoReturn, TextIO

import django
import pytest

from config.local.stack import Stack

IMPORTED = (
    "tests.factories",
    "tests.measurements.methods",
    "tests.measurements.recalls",
    "tests.reports.scene",
)
_beside: dict[str, subprocess.Popen[str]] = {}  # by the stack's address


@contextmanager
def planter(stack: Stack) -> Iterator[subprocess.Popen[str]]:
    """The process that plants in this stack, until the end of the block."""
    command = [sys.executable, "-m", "tests.pages.seeds"]
    pipe = subprocess.PIPE
    with subprocess.Popen(command, env=stack.environment, stdin=pipe, stdout=pipe, text=True) as process:
        _beside[stack.base_url] = process
        try:
            yield process
        finally:
            del _beside[stack.base_url]


def planted(stack: Stack, module: str) -> dict[str, Any]:
    """What `make()` of the module returns in the stack's database. Fails the test with all that it said."""
    process = _beside.get(stack.base_url)
    if process is None:
        with planter(stack):
            return planted(stack, module)
    assert process.stdin
    assert process.stdout
    process.stdin.write(f"{module}\n")
    process.stdin.flush()
    line = process.stdout.readline()
    if not line:
        pytest.fail(f"the process that plants ended with {process.wait()}")
    answer: dict[str, Any] = json.loads(line)
    if "made" not in answer:
        pytest.fail(f"{module} ended with {answer['status']}:\n{answer['said']}")
    made: dict[str, Any] = answer["made"]
    return made


# The process beside the stack


def main() -> None:
    """One name of a module in by line, one JSON line out, until the input ends."""
    django.setup()
    for name in IMPORTED:
        importlib.import_module(name)
    gc.freeze()  # so that a fork shares what is imported
    for line in sys.stdin:
        print(json.dumps(answer(line.strip())), flush=True)


def answer(module: str) -> dict[str, Any]:
    """What a forked child made, or its exit status and all that it said."""
    with tempfile.TemporaryFile("w+") as made, tempfile.TemporaryFile("w+") as said:
        child = os.fork()
        if child == 0:
            plant(module, made, said)
        status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        made.seek(0)
        said.seek(0)
        return {"made": json.load(made)} if status == 0 else {"status": status, "said": said.read()[-8000:]}


def plant(module: str, made: TextIO, said: TextIO) -> NoReturn:
    """In the child: what is printed, and why it fails, goes to `said`."""
    os.dup2(said.fileno(), 1)
    os.dup2(said.fileno(), 2)
    try:
        json.dump(importlib.import_module(module).make(), made)
        made.flush()
        os._exit(0)
    except BaseException:
        traceback.print_exc()
        sys.stderr.flush()
        os._exit(1)


if __name__ == "__main__":
    main()
