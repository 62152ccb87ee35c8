"""Which branches the tests come by, where companies are kept apart, flows counted and evidence kept.

Tests run under the library coverage, in as many processes as asked for. What nobody came by is listed, a
branch as "from line -> to line".
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import coverage

from tests.mutation.mutants import CALC, ROOT, path_of
from tests.mutation.states import MODULES

EVIDENCE = ("jobs.anchors", "jobs.events", "reports.evidence", "reports.recomputed", "reports.verify")
FOLDERS = (
    *("archive", "building", "calc", "doors", "field", "house", "jobs", "measurements", "reports"),
    *("review", "standards", "tenancy", "upgrade", "webhooks"),
)
"""Of tests; those of pages, journeys and pictures come by the same actions."""
LEFT_OUT = ("tests/calc/test_mutation.py",)
PLACE = ROOT / "var" / "branches"
RULES = """
[run]
branch = true
parallel = true
patch = subprocess
data_file = {place}/data
include = {include}

[report]
exclude_also =
    if TYPE_CHECKING:
    assert_never
    class .*\\(Protocol
"""


def paths() -> list[Path]:
    """The files that are looked at."""
    return [path_of(name) for name in (*MODULES, *EVIDENCE)] + sorted(CALC.rglob("*.py"))


@dataclass(frozen=True, slots=True)
class Looked:
    """A file: how many branches it has, and those that nobody came by."""

    file: str
    branches: int
    missing: tuple[tuple[int, int], ...]
    lines: tuple[int, ...]

    def __str__(self) -> str:
        gaps = [f"{start} -> {end if end > 0 else 'end'}" for start, end in self.missing]
        return f"{self.file}: " + ", ".join(gaps or [f"line {line}" for line in self.lines])


def looked(report: Any) -> Iterator[Looked]:
    """What coverage's report as JSON tells, by file."""
    for file, one in sorted(report["files"].items()):
        gaps = tuple((start, end) for start, end in one["missing_branches"])
        yield Looked(file, one["summary"]["num_branches"], gaps, tuple(one["missing_lines"]))


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="make branches", description=__doc__)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("tests", nargs="*", default=[f"tests/{folder}" for folder in FOLDERS])
    told = parser.parse_args(arguments)

    PLACE.mkdir(parents=True, exist_ok=True)
    for old in PLACE.iterdir():
        old.unlink()
    rules = PLACE / "rules"
    rules.write_text(RULES.format(place=PLACE, include="\n    ".join(map(str, paths()))), encoding="utf-8")
    run = [sys.executable, "-m", "coverage", "run", f"--rcfile={rules}", "-m", "pytest", "-q", "--tb=short"]
    run += [
        "-p",
        "no:cacheprovider",
        "-n",
        str(told.processes),
        "--dist",
        "loadfile",
        "--no-loadscope-reorder",
    ]
    run += [f"--ignore={one}" for one in LEFT_OUT]
    passed = subprocess.run([*run, *told.tests], cwd=ROOT, check=False)

    taken = coverage.Coverage(config_file=str(rules))
    taken.combine()
    taken.json_report(outfile=str(PLACE / "report.json"))
    files = list(looked(json.loads((PLACE / "report.json").read_text(encoding="utf-8"))))
    unloaded = {str(path.relative_to(ROOT)) for path in paths()} - {one.file for one in files}
    for file in sorted(unloaded):
        print(f"{file}: no test loads it")
    for one in files:
        if one.missing or one.lines:
            print(one)
    branches, missing = sum(one.branches for one in files), sum(len(one.missing) for one in files)
    print(f"figure: branches come by = {100 * (1 - missing / branches):.2f} % of {branches}")
    print(f"figure: branches nobody came by = {missing}")
    return passed.returncode or int(bool(unloaded))


if __name__ == "__main__":
    sys.exit(main())
