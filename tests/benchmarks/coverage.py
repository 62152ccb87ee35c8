"""Do the intervals hold the true flow? Invented ducts, measured by every traverse method, counted.

Run: python -m tests.benchmarks.coverage [--sessions N] [--quick] [--processes N] [--out FILE]. Every session
is drawn by `ducts` and `sessions` and computed by `measurements.calc`. Printed for each method and class of
plane: the share of 95.45 % intervals that hold the true flow, its sampling error, and how wide the intervals
are against the errors: mean U over the 95.45 % quantile of |error|. Then the wrong decisions of each decision
rule, counted and predicted.
"""

from __future__ import annotations

import argparse
import math
import multiprocessing
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from measurements.calc.conformity import DecisionRule, Rule, Tolerance, judge_value, tolerance_of
from measurements.calc.distributions import COVERAGE
from measurements.calc.risk import global_risk

from . import ducts
from .ducts import Array, PlaneClass
from .sessions import PLAIN, Cell, cells, draw_setting

SEED = 13
"""Of the page: no size was chosen while looking at it."""
CHOSEN_AT = 20_200
"""Seed that sizes of the budgets were chosen at."""
GOOD_SHARE = (0.945, 0.97)
WIDEST = 1.3
MANY_DOF = 10.0


@dataclass(frozen=True)
class Outcome:
    """What S sessions gave, each (S,): relative error, and relative u, k, degrees of freedom of the flow."""

    error: Array
    u: Array
    k: Array
    dof: Array

    @property
    def U(self) -> Array:
        """Expanded uncertainty, relative to the true flow."""
        return self.k * self.u


def measure(cell: Cell, index: int, duct_index: int, size: int, seed: int = SEED) -> Outcome:
    """Draw and compute the sessions of a cell at one of its ducts."""
    draw = np.random.default_rng([seed, index, duct_index])
    setting = draw_setting(draw, cell, ducts.DUCTS[cell.shape][duct_index], size)
    flows = [r.flow for r in cell.measure(draw, cell, setting)]
    return Outcome(
        np.array([f.value for f in flows]) / setting.flow - 1.0,
        np.array([f.u for f in flows]) / setting.flow,
        np.array([f.k for f in flows]),
        np.array([f.dof for f in flows]),
    )


def joined(outcomes: Sequence[Outcome]) -> Outcome:
    """The outcomes of several ducts as one."""
    return Outcome(*(np.concatenate([getattr(o, n) for o in outcomes]) for n in ("error", "u", "k", "dof")))


@dataclass(frozen=True)
class Figure:
    """One row: share of intervals that hold the truth, its sampling error, widths and degrees of freedom.

    bias: mean relative error. needed: 95.45 % quantile of |error|, what U would be if all sessions had the
    same. mean_U: mean relative U. dof: the median.
    """

    cell: Cell
    sessions: int
    share: float
    sampling: float
    bias: float
    needed: float
    mean_U: float
    dof: float

    @property
    def width(self) -> float:
        """Mean U over what the errors need."""
        return self.mean_U / self.needed

    @property
    def few(self) -> bool:
        """Few degrees of freedom or a screening figure: wide by design, only the lower bound counts."""
        return self.dof < MANY_DOF or self.cell.screening

    def misses(self) -> tuple[str, ...]:
        """Goals that are missed by more than twice the sampling error; none for a row of comparison."""
        if self.cell.compared:
            return ()
        low, high = GOOD_SHARE
        found = []
        if self.share < low - 2.0 * self.sampling:
            found.append("too few")
        if self.cell.plane is PlaneClass.GOOD and not self.few and self.share > high + 2.0 * self.sampling:
            found.append("more than needed")
        if self.width > WIDEST and not self.few:
            found.append("wide")
        return tuple(found)


def figure_of(cell: Cell, outcome: Outcome) -> Figure:
    """The row of a cell."""
    error, count = np.abs(outcome.error), len(outcome.error)
    share = float((error <= outcome.U).mean())
    sampling = math.sqrt(max(share * (1.0 - share), 1.0 / count) / count)
    needed = float(np.quantile(error, COVERAGE))
    bias, mean_U = float(outcome.error.mean()), float(outcome.U.mean())
    return Figure(cell, count, share, sampling, bias, needed, mean_U, float(np.median(outcome.dof)))


TRUE_SPREAD = 0.08
"""Standard deviation of true flows about design before acceptance, as a share of it (practice: balanced
systems as they are found at a check)."""
TOLERANCE = 0.10
REPEATS = 5
RULES = {
    "simple acceptance": Rule(),
    "guarded by U": Rule(DecisionRule.GUARDED),
    "guarded by U / 2": Rule(DecisionRule.GUARDED, guard=0.5),
    "probability of 95 %": Rule(DecisionRule.PROBABILITY, threshold=0.95),
}


@dataclass(frozen=True)
class RiskFigure:
    """Wrong decisions of a rule as shares of all: counted (with sampling error) and predicted."""

    plane: PlaneClass
    rule: str
    accepts: float
    accepts_sampling: float
    predicted_accepts: float
    rejects: float
    rejects_sampling: float
    predicted_rejects: float


def risks_of(plane: PlaneClass, outcome: Outcome, seed: int = SEED) -> list[RiskFigure]:
    """Judge every session's error at true flows drawn about design, and predict by `global_risk`.

    True flows: normal about design with TRUE_SPREAD, tolerance 10 % of design. The prediction knows only the
    standard uncertainties: it is averaged over their distribution (40 quantiles).
    """
    draw = np.random.default_rng([seed, 99])
    tolerance = tolerance_of(1.0, -TOLERANCE, TOLERANCE)
    true = draw.normal(1.0, TRUE_SPREAD, (len(outcome.error), REPEATS))
    conforms = np.abs(true - 1.0) <= TOLERANCE
    levels = np.quantile(outcome.u, (np.arange(40) + 0.5) / 40)
    found = []
    for name, rule in RULES.items():
        accepted = np.array(
            [[_accepts(float(t), outcome, i, tolerance, rule) for t in row] for i, row in enumerate(true)]
        )
        predicted = [global_risk(1.0, TRUE_SPREAD, float(u), tolerance, rule) for u in levels]
        wrong_accepts = (accepted & ~conforms).mean(axis=1)
        wrong_rejects = (~accepted & conforms).mean(axis=1)
        root = math.sqrt(len(true))
        found.append(
            RiskFigure(
                plane,
                name,
                float(wrong_accepts.mean()),
                float(wrong_accepts.std(ddof=1)) / root,
                float(np.mean([p.consumer for p in predicted])),
                float(wrong_rejects.mean()),
                float(wrong_rejects.std(ddof=1)) / root,
                float(np.mean([p.producer for p in predicted])),
            )
        )
    return found


def _accepts(true: float, outcome: Outcome, i: int, tolerance: Tolerance, rule: Rule) -> bool:
    value = true * (1.0 + float(outcome.error[i]))
    k, dof = float(outcome.k[i]), float(outcome.dof[i])
    return judge_value(value, true * float(outcome.u[i]), tolerance, k=k, dof=dof, rule=rule).accepted


RISK_METHOD = "pitot, rectangular, log-Tchebycheff, 2 runs"


def show(figures: Sequence[Figure], risks: Sequence[RiskFigure], seed: int) -> str:
    """The Markdown table."""
    lines = [
        INTRODUCTION.format(seed=seed, chosen=CHOSEN_AT, page=SEED, widest=WIDEST, dof=MANY_DOF, plain=PLAIN)
    ]
    lines += [_row(f) for f in figures]
    lines.append(DECISIONS.format(method=RISK_METHOD, spread=100 * TRUE_SPREAD, tolerance=100 * TOLERANCE))
    lines += [_risk_row(r) for r in risks]
    return "\n".join(lines) + "\n"


INTRODUCTION = """# Do the intervals hold the true flow?

Made by `make coverage` (`python -m tests.benchmarks.coverage`); not edited by hand. Sessions are drawn by
`tests/benchmarks/ducts.py` and `sessions.py`, which say why each range is what it is, and computed by
`measurements/calc` like a tablet's. Seed {seed}. Sizes of the budgets were chosen while looking at seed
{chosen} alone, and the whole was then run once at a seed that nobody had looked at: {page}.

Share: of the 95.45 % intervals that hold the true flow, with its sampling error (one standard deviation,
binomial). Needed: the 95.45 % quantile of |error|. Width: mean U over needed. Goals: 94.5 to 97 % in good
planes, never under 94.5 % in others, width at most {widest}; below {dof:g} effective degrees of freedom, and
for screening, only the lower bound counts. A share misses when it is off by more than twice its sampling
error. The known bias of the places is taken off, as the house does unless a company says otherwise; rows
named "{plain}" are for comparison and have no goal.

| method | plane | sessions | share % | mean error % | needed % | mean U % | width | dof | missed |
| --- | --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: | --- |"""

DECISIONS = """
## Wrong decisions

Method: {method}. True flows normal about design with {spread:g} %, tolerance {tolerance:g} %; shares of all
decisions, counted against predicted from the standard uncertainties alone (JCGM 106 clause 9, `global_risk`).

| plane | rule | false accepts % | predicted % | false rejects % | predicted % |
| --- | --- | ---: | ---: | ---: | ---: |"""


def _row(f: Figure) -> str:
    dof = "many" if f.dof > 200.0 else f"{f.dof:.0f}"
    numbers = f"{100 * f.bias:+.2f} | {100 * f.needed:.2f} | {100 * f.mean_U:.2f} | {f.width:.2f} | {dof}"
    share = f"{100 * f.share:.1f} ± {100 * f.sampling:.1f}"
    names = f"{f.cell.method} | {f.cell.plane.value} | {f.sessions}"
    return f"| {names} | {share} | {numbers} | {', '.join(f.misses())} |"


def _risk_row(r: RiskFigure) -> str:
    accepts = f"{100 * r.accepts:.2f} ± {100 * r.accepts_sampling:.2f} | {100 * r.predicted_accepts:.2f}"
    rejects = f"{100 * r.rejects:.2f} ± {100 * r.rejects_sampling:.2f} | {100 * r.predicted_rejects:.2f}"
    return f"| {r.plane.value} | {r.rule} | {accepts} | {rejects} |"


def print_figure(f: Figure) -> None:
    """Lines for the log of figures."""
    print(
        f"figure: coverage, {f.cell.name} = {100 * f.share:.2f} % (sampling error {100 * f.sampling:.2f} %)"
    )
    print(f"figure: width of intervals, {f.cell.name} = {f.width:.3f} x needed (goal {WIDEST})", flush=True)


def print_risk(r: RiskFigure) -> None:
    """Lines for the log of figures."""
    for name, counted, sampling, predicted in (
        ("false accepts", r.accepts, r.accepts_sampling, r.predicted_accepts),
        ("false rejects", r.rejects, r.rejects_sampling, r.predicted_rejects),
    ):
        note = f"(sampling error {100 * sampling:.2f} %, predicted {100 * predicted:.2f} %)"
        print(f"figure: {name}, {r.rule}, {r.plane.value} = {100 * counted:.2f} % {note}")


QUICK = (
    "pitot, rectangular, log-Tchebycheff, 2 runs, good",
    "pitot, round, log-linear, 2 runs, poor",
    "thermal, round, log-linear, 2 runs, fair",
    "swept, rectangular, means, 2 runs, good",
)


def run(
    sessions: int, processes: int, chosen: Sequence[str] | None = None, seed: int = SEED, *, only: str = ""
) -> tuple[list[Figure], list[RiskFigure]]:
    """All cells, or those chosen by name or with `only` in it; `sessions` each, over their ducts."""
    rows = [(i, c) for i, c in enumerate(cells()) if (chosen is None or c.name in chosen) and only in c.name]
    figures, risks = [], []
    many = -(-sessions // 8)
    tasks = [(c, i, d, many, seed) for i, c in rows for d in range(len(ducts.DUCTS[c.shape]))]
    for (_, cell), outcome in zip(rows, _outcomes(tasks, len(rows), processes), strict=True):
        figures.append(figure_of(cell, outcome))
        print_figure(figures[-1])
        if cell.method == RISK_METHOD:
            risks += risks_of(cell.plane, outcome, seed)
    return figures, risks


Task = tuple[Cell, int, int, int, int]


def _measure(task: Task) -> Outcome:
    return measure(*task)


def _outcomes(tasks: Sequence[Task], rows: int, processes: int) -> Iterator[Outcome]:
    """One outcome for each cell in order, from the ducts of each."""
    each = len(tasks) // rows
    if processes < 2:
        yield from _rows(map(_measure, tasks), rows, each)
        return
    with multiprocessing.Pool(processes) as pool:
        yield from _rows(pool.imap(_measure, tasks), rows, each)


def _rows(parts: Iterator[Outcome], rows: int, each: int) -> Iterator[Outcome]:
    for _ in range(rows):
        yield joined([next(parts) for _ in range(each)])


def main() -> None:
    """Print every figure; write the table where asked."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0] if __doc__ else None)
    parser.add_argument("--sessions", type=int, default=4000, help="of each cell")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--quick", action="store_true", help="300 sessions of four cells")
    parser.add_argument("--only", default="", help="cells whose name holds this; no table is written")
    parser.add_argument("--out", type=Path, help="Markdown file for the table")
    asked = parser.parse_args()
    figures, risks = run(
        300 if asked.quick else asked.sessions,
        asked.processes,
        QUICK if asked.quick else None,
        asked.seed,
        only=asked.only,
    )
    for risk in risks:
        print_risk(risk)
    goals = [f for f in figures if not f.cell.compared]
    missed = [f"{f.cell.name}: {', '.join(f.misses())}" for f in goals if f.misses()]
    print(f"figure: cells that miss a goal = {len(missed)} of {len(goals)}")
    print("\n".join(missed))
    if asked.out and not asked.only:
        asked.out.write_text(show(figures, risks, asked.seed), encoding="utf-8")


if __name__ == "__main__":
    main()
