"""The demo against real processes: it ends well, and what it leaves is what it tells."""

import hashlib
import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from config.local.demo import scenario
from config.local.stack import Stack
from tests.journeys.conftest import ROOT

pytestmark = pytest.mark.journey


def test_demo_ends_well_and_leaves_the_report_it_tells_of(
    interrupted: Any, stack: Stack, tmp_path: Path
) -> None:
    """Played while another company's interrupted work waits to be taken up again."""
    done = subprocess.run(
        [sys.executable, "-m", "config.local.demo", "--out", str(tmp_path)],
        cwd=ROOT, env=stack.for_command(), capture_output=True, text=True, timeout=120,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    summary = json.loads((tmp_path / "summary.json").read_text())
    told = summary["report"]
    pdf = Path(told["pdf"]).read_bytes()
    assert pdf.startswith(b"%PDF-")
    assert hashlib.sha256(pdf).hexdigest() == told["sha256"]
    assert told["number"] in done.stdout
    assert len(summary["snapshot_digest"]) == 64
    assert summary["foreign_requests_refused"] > 20
    figures = summary["figures"]
    flows = {tag for tag, *_ in scenario.OUTLETS} | {"MD-1", "BD-1", "OP-1"}
    assert set(figures) == flows | {tag for tag, *_ in scenario.POINTS}
    short = [tag for tag, one in figures.items() if one["verdict"].startswith("fail")]
    assert short == [scenario.SHORT_OUTLET]
    for tag in flows:
        one = figures[tag]
        assert abs(one["flow_m3_s"] - scenario.carried(tag)) <= 2 * one["flow_expanded_m3_s"]
    stack.manage("verify_evidence")
