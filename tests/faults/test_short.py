"""The short set of faults: three rounds each, two from a fixed seed and one from a drawn one that is printed.

A red run is no "flaky" one: its seed and its folder are printed, and `make faults SEED=…` draws the same.
"""

import secrets
import shutil

import pytest

from tests.faults.run import CI, new_folder, run, schedule, tell
from tests.faults.stand import Plan

pytestmark = [pytest.mark.journey, pytest.mark.fault]
FIXED = 20261126


def test_F1_F2_F3_F4_F5_F8_what_was_acknowledged_is_there_once_and_all_work_is_done() -> None:
    drawn = secrets.randbelow(10**6) + 1
    print(f"fixed seed {FIXED}, drawn seed {drawn}")
    rounds = schedule(FIXED, CI, 2) + schedule(drawn, CI, 1)
    folder = new_folder()
    verdict = run(Plan(seed=drawn, folder=folder, sweep_s=2, traverses=0.2), rounds, most_wait_s=1.5)
    tell(verdict, drawn)
    assert not verdict.faults, f"seed {drawn}, left in {folder}"
    assert verdict.figures["P1 acked readings"] > 0
    assert verdict.figures["P11 tasks"] > 0
    assert verdict.figures["rounds"] == len(rounds)
    shutil.rmtree(folder)
