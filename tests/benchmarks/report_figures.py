"""Figures of signed reports by length: pages a second, peak memory, conformance at 10, 100 and 300 pages.

Run: python -m tests.benchmarks.report_figures [--sheets 3,48,148] [--outlets 2000]. Each is rendered in
a process of its own, so that its peak is its own: the largest part, and the process that joins (and signs).
The last length also gets a table of outlets. Judges: the structure checker of the tests, and page-validation
for PDF/A-3A and PDF/UA-1, its reading of stream lengths forgiven after a scan of our own. Pages a second are
by the wall clock: of a quiet machine only.
"""

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import django
import msgspec
from msgspec.structs import replace

from reports.render import render_report
from tests.benchmarks.render_figures import figure, long_document
from tests.render.sample import READINGS, issue, outlets
from tests.render.structure import check, wrong_lengths


def one(sheets: int, count: int, folder: Path) -> dict[str, float]:
    """Render and sign one report: pages, seconds, MB of the largest part and of this process."""
    document = long_document(sheets)
    if count:
        first, *rest = document.systems
        document = replace(document, systems=(replace(first, outlets=outlets("S", count)), *rest))
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    os.environ.setdefault("DEBUG", "1")
    django.setup()
    from reports.sign import sign_file  # needs the settings
    from tests.reports.certificates import identity

    signer, started = identity(), time.perf_counter()
    frozen = msgspec.structs.replace(issue(), to_be_signed=True)
    made = render_report(document, frozen, workdir=folder, readings_csv=READINGS)
    sign_file(made.path, signer)
    seconds = time.perf_counter() - started
    peak = _peak()
    return {
        "pages": made.pages,
        "seconds": seconds,
        "part": made.peak_mb,
        "joiner": peak,
        "bytes": made.path.stat().st_size,
    }


def _peak() -> float:
    """MB of this program at its largest; getrusage would also count what it was forked from."""
    lines = Path("/proc/self/status").read_text(encoding="ascii").splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmHWM")) / 1024


def judged(path: Path) -> dict[str, int]:
    """Faults by judge."""
    import page  # the validator; only here, since it is large

    found = {"structure": len(check(path).faults), "lengths": len(wrong_lengths(path))}
    for profile in ("3a", "ua1"):
        report = page.validate_pdf(path, profile=profile)
        found[profile] = sum("STREAM-LENGTH" not in failure.rule_id for failure in report.failures)
    return found


def main() -> None:
    """Every length in turn."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sheets", default="3,48,148", help="traverse sheets of each report, two pages each")
    parser.add_argument("--outlets", type=int, default=2000, help="rows of the last report's outlet tables")
    parser.add_argument("--one", default="", help="render one: sheets,outlets,folder")
    given = parser.parse_args()
    if given.one:
        sheets, count, folder = given.one.split(",", 2)
        print(json.dumps(one(int(sheets), int(count), Path(folder))))
        return
    lengths = [int(text) for text in given.sheets.split(",")]
    runs = [(sheets, 0) for sheets in lengths] + [(lengths[-1], given.outlets)]
    for sheets, count in runs:
        with tempfile.TemporaryDirectory() as name:
            command = [sys.executable, "-m", "tests.benchmarks.report_figures", "--one"]
            done = subprocess.run(
                [*command, f"{sheets},{count},{name}"], check=True, capture_output=True, text=True
            )
            made = json.loads(done.stdout)
            label = f"report_{made['pages']:.0f}_pages" + (f"_{count}_outlets" if count else "")
            figure(f"{label}_per_second", made["pages"] / made["seconds"], "pages/s")
            figure(f"{label}_peak_part", made["part"], "MB")
            figure(f"{label}_peak_joiner", made["joiner"], "MB")
            figure(f"{label}_bytes_per_page", made["bytes"] / made["pages"] / 1000, "kB")
            for judge, faults in judged(Path(name) / "report.pdf").items():
                figure(f"{label}_faults_{judge}", faults, "faults")


if __name__ == "__main__":
    main()
