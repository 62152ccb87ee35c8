"""All figures on one page, with the goals that were set beforehand beside them.

Run: python -m tests.benchmarks.goals [--only intake,work] [--out tests/benchmarks/FIGURES.md]. Each
tests/benchmarks/*_figures.py runs in a process of its own, one after the other; their lines
("figure: NAME = VALUE UNIT") are printed as they come. Some alone replace their sections of a page that is
there. Goals are ratios to what was measured in the same run; one that is missed stands on the page with its
reason.
"""

import argparse
import os
import re
import subprocess
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

HERE = Path(__file__).parent
LEFT_OUT = ("restore_figures",)
"""The drill has a command of its own and takes minutes."""
SECTION = re.compile(r"## `python -m tests\.benchmarks\.(?P<source>\w+)`, (?P<day>.+)")
ROW = re.compile(r"\| (?P<name>.+) \| (?P<value>-?[\d.]+(?:e[+-]?\d+)?) (?P<unit>.*) \|")
LINE = re.compile(r"figure: (?P<name>.+?) = (?P<value>-?[\d.]+(?:e[+-]?\d+)?)\s*(?P<unit>.*)")


@dataclass(frozen=True)
class Goal:
    """What a figure is to reach. name: of the figure, a pattern; of several the worst counts.

    why: what stands on the page while the goal is missed.
    """

    words: str
    name: str
    least: float | None = None
    most: float | None = None
    why: str = ""

    def worst(self, found: Sequence["Found"]) -> "Found | None":
        mine = [one for one in found if re.fullmatch(self.name, one.name)]
        by_value = sorted(mine, key=lambda one: one.value)
        return (by_value[0] if self.least is not None else by_value[-1]) if mine else None

    def holds(self, value: float) -> bool:
        return value >= self.least if self.least is not None else value <= (self.most or 0.0)

    @property
    def limit(self) -> str:
        return f"at least {self.least:g}" if self.least is not None else f"at most {self.most:g}"


@dataclass(frozen=True)
class Found:
    """A figure of a file, and on which day it was measured."""

    source: str
    name: str
    value: float
    unit: str
    day: str = ""


INTAKE = "intake http"
NESTED = "nested read, "
GOALS = (
    Goal("intake over HTTP of a list serializer with bulk_create", f"{INTAKE} of drf bulk_create http", 4),
    Goal(
        "intake over HTTP of COPY on one connection",
        f"{INTAKE} of copy",
        0.8,
        why="Half of a batch's time is the database's (share_figures below): readings, 20 sessions, events,"
        " due work, the body as it came, in two messages. Most of the rest reads and checks the body. COPY"
        " stores readings alone, of one table, and checks nothing.",
    ),
    Goal(
        "intake, one reading a request, of one-row commits",
        f"{INTAKE}, one reading a request of one-row commits",
        0.1,
        why="Such a request is a whole batch: who asks, job, point, tablet and instruments are looked up,"
        " then a batch, a session, a reading, two events, due work and the answer for a repeat are stored.",
    ),
    Goal("a known batch again, of its first send", "repeat of intake", 2),
    Goal("a traverse with budget against uncertainties", "one traverse, speed against uncertainties", 30),
    Goal("the same against GTC", "one traverse, speed against GTC", 40),
    Goal("the same over the closed form by hand", "one traverse, time over closed form", most=1.5),
    Goal("10,000 traverses over NumPy by hand", "10000 traverses, time over numpy by hand", most=2.5),
    Goal("Monte Carlo of 100,000 over drawing its normals", "Monte Carlo, time over drawing", most=2),
    Goal("4,000 sessions of a recall, seconds", r"recompute, \d+ workers", most=10),
    Goal(
        "report of 100 pages against one plain document",
        "render_against_plain",
        2.2,
        why="A page costs as much of a processor either way, and parts share what cores there are: two cores"
        " give less than twice, as joining and checking come after the last part.",
    ),
    Goal("largest process of a report of 300 pages, MB", r"report_3[01]\d_pages_peak_\w+", most=350),
    Goal(
        "nested read by REST over json_agg",
        f"{NESTED}REST / json_agg",
        most=1.5,
        why="It tells of each point every figure of its newest result, its flags and its state (19 KB against"
        " 7) by seven statements of the ORM, whose number does not grow with the job. The database and making"
        " their SQL take two thirds (share_figures below), planning among it: the limit's one statement is"
        " planned once.",
    ),
    Goal("nested read by GraphQL over json_agg", f"{NESTED}GraphQL / json_agg", most=6),
    Goal(
        "the same with series",
        f"{NESTED}GraphQL with readings / json_agg with readings",
        most=3,
        why="Most of it is what the read without series takes too: parsing and pricing the query, making SQL,"
        " checked types out of rows (share_figures below).",
    ),
    Goal("a page of 100 at any depth over the first", r"page of 100 at depth \d+ over the first", most=2.5),
    Goal("due work with rows in the database, of Celery alone", "due work of Celery alone", 0.6),
    Goal(
        "its queueing, p95, over Celery alone",
        "queueing p95 over Celery alone",
        most=1.5,
        why="It is counted from before the transaction that promises the work; that one and claiming are"
        " transactions that a bare task has not.",
    ),
    Goal(
        "a picture, ms",
        r"chart_\w+_time",
        most=0.1,
        why="The map of a swept traverse, with a band for each line and its scale; eight of ten stay below.",
    ),
    Goal("a picture, bytes", r"chart_\w+_size", most=6000),
    Goal("approvals of a set that was not seen, of ten thousand races", "approvals of a set .+", most=0),
    Goal("flips of a byte that nothing told, of a thousand", "flips .*did not tell", most=0),
)


def modules(only: Sequence[str]) -> list[str]:
    """Names of the files of figures, those asked for or all."""
    names = sorted(path.stem for path in HERE.glob("*_figures.py"))
    if only:
        return [name for name in names if name.removesuffix("_figures") in only]
    return [name for name in names if name not in LEFT_OUT]


def run(module: str) -> Iterator[Found]:
    """What a file of figures finds; its lines are passed on as they come."""
    command = [sys.executable, "-m", f"tests.benchmarks.{module}"]
    today = f"{datetime.now(UTC):%-d %B %Y}"
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        for line in process.stdout:
            print(line, end="", flush=True)
            if told := LINE.fullmatch(line.strip()):
                yield Found(module, told["name"], float(told["value"]), told["unit"], today)
    if process.returncode:
        raise SystemExit(f"{module} ended with {process.returncode}")


def page(found: Sequence[Found]) -> str:
    """The page, in Markdown."""
    lines = [
        "# Figures",
        "",
        f"Written by `tests/benchmarks/goals.py`; measured, not edited; {os.cpu_count()} cores.",
        "Each section is a run of its own; files without one were not run.",
        "Each goal is a ratio to what the same run measured beside it, or a bound of its own; milliseconds",
        "belong to this machine. Requests among many companies: `SCALE.md`.",
        "",
        "| figure | goal | measured | |",
        "| --- | --- | ---: | --- |",
    ]  # fmt: skip
    missed = []
    for goal in GOALS:
        one = goal.worst(found)
        if one is None:
            continue
        holds = goal.holds(one.value)
        lines.append(f"| {goal.words} | {goal.limit} | {one.value:g} | {'' if holds else 'missed'} |")
        if not holds:
            missed.append(f"* **{goal.words}**: {goal.why or 'no reason is known.'}")
    if missed:
        lines += ["", "## Missed, and why", "", *missed]
    for source, day in dict.fromkeys((one.source, one.day) for one in found):
        lines += [
            "",
            f"## `python -m tests.benchmarks.{source}`, {day}",
            "",
            "| figure | measured |",
            "| --- | ---: |",
        ]
        lines += [f"| {f.name} | {f.value:g} {f.unit} |" for f in found if f.source == source]
    return "\n".join(lines) + "\n"


def standing(text: str) -> Iterator[Found]:
    """The figures of a page."""
    source = day = ""
    for line in text.splitlines():
        if head := SECTION.fullmatch(line):
            source, day = head["source"], head["day"]
        elif source and (row := ROW.fullmatch(line)):
            yield Found(source, row["name"], float(row["value"]), row["unit"], day)


def main() -> None:
    """Run the figures; print which goals are missed; write the page."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only", default="", help="some, by comma: intake,work")
    parser.add_argument("--out", type=Path, help="Markdown file for the page")
    given = parser.parse_args()
    only = [name for name in given.only.split(",") if name]
    found = [one for module in modules(only) for one in run(module)]
    if only and given.out and given.out.exists():
        anew = {one.source for one in found}
        found += [one for one in standing(given.out.read_text("utf-8")) if one.source not in anew]
        found.sort(key=lambda one: one.source)
    judged = [(goal, one) for goal in GOALS if (one := goal.worst(found))]
    for goal, one in judged:
        if not goal.holds(one.value):
            print(f"missed: {goal.words}: {one.value:g}, {goal.limit}")
    print(f"figure: goals that are missed = {sum(not g.holds(f.value) for g, f in judged)} of {len(judged)}")
    if given.out:
        given.out.write_text(page(found), encoding="utf-8")


if __name__ == "__main__":
    main()
