"""Runs a program that makes data beside a running stack, and hands on what it printed."""

import json
import subprocess
import sys
from typing import Any

import pytest

from config.local.stack import Stack


def planted(stack: Stack, module: str) -> dict[str, Any]:
    """What `python -m MODULE` prints as JSON on its last line. Fails the test with all that it said."""
    command = [sys.executable, "-m", module]
    made = subprocess.run(command, env=stack.environment, capture_output=True, text=True, check=False)
    if made.returncode:
        pytest.fail(f"{module} ended with {made.returncode}:\n{made.stdout[-2000:]}\n{made.stderr[-6000:]}")
    found: dict[str, Any] = json.loads(made.stdout.splitlines()[-1])
    return found
