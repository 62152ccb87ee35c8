"""The short set of faults: one round of each from a fixed seed, then drawn ones as long as there is time.

A red run is no "flaky" one: its seed and its folder are printed, and `make faults SEED=…` draws the same.
How soon it serves again is a figure here, not an assertion: everything may take five times as long as in
`make faults` before it counts as never.
"""

import secrets
import shutil

import pytest

from tests.faults.run import CI, new_folder, run, schedule, tell
from tests.faults.stand import Plan

pytestmark = [pytest.mark.journey, pytest.mark.fault]
FIXED = 20261126


def test_F1_F2_F3_F4_F5_F8_what_was_acknowledged_is_there_once_and_all_work_is_done() -> None:
    drawn, once = secrets.randbelow(10**6) + 1, dict.fromkeys(CI, 1)
    print(f"fixed seed {FIXED}, drawn seed {drawn}")
    folder = new_folder()
    plan = Plan(seed=drawn, folder=folder, sweep_s=2, pause_s=0.1, traverses=0.2, slow=5)
    verdict = run(plan, schedule(FIXED, once), more=schedule(drawn, once), more_s=45, most_wait_s=1.5)
    tell(verdict, drawn)
    assert not verdict.faults, f"seed {drawn}, left in {folder}"
    assert verdict.figures["P1 acked readings"] > 0
    assert verdict.figures["P11 tasks"] > 0
    assert verdict.figures["rounds"] >= len(CI)
    shutil.rmtree(folder)
