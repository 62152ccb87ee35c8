"""A run: load, faults drawn from a seed, quiet, and the checker."""

import random
import tempfile
import time
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from tests.faults import checker, injected
from tests.faults.checker import Verdict, quantile
from tests.faults.stand import SERVE_S, Plan, Stand, started

Rounds = Sequence[tuple[str, random.Random]]
CI = ("F1", "F2", "F3", "F4", "F5-kill", "F8")


@dataclass
class Log:
    """What was done and how soon the service served again."""

    moments: list[float] = field(default_factory=list)
    serving: list[tuple[str, float]] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)
    done: Counter[str] = field(default_factory=Counter)
    skipped: dict[str, str] = field(default_factory=dict)


def schedule(seed: int, rounds: Mapping[str, int]) -> Rounds:
    """Which fault when, with what each draws from. rounds: how many of each fault."""
    draw = random.Random(seed)
    names = [name for name, number in rounds.items() for _ in range(number)]
    draw.shuffle(names)
    return [(name, random.Random(f"{seed}:{n}:{name}")) for n, name in enumerate(names)]


def one_round(stand: Stand, log: Log, name: str, draw: random.Random, most_wait_s: float) -> None:
    """Waits, harms, and asks how soon a batch sent after it is stored."""
    time.sleep(draw.uniform(0.5, most_wait_s))
    try:
        done = injected.FAULTS[name](stand, draw)
    except injected.Skipped as skipped:
        log.skipped[name] = str(skipped)
        return
    except AssertionError as broken:  # the rest is done and checked all the same
        log.faults.append(f"{name}: {broken}")
        return
    log.moments.append(done.since)
    took = stand.first_ack_after(done.since)
    log.done[name] += 1
    if took is None:
        log.faults.append(f"{name}: {done.words}; it did not serve again in {SERVE_S * stand.plan.slow:g} s")
        return
    log.serving.append((name, took))
    print(f"  {name:8} {done.words}; serving after {took:.2f} s", flush=True)


def wait_quiet(stand: Stand) -> str:
    """Until all due work is done or parked and all events are numbered. Words when it takes too long."""
    query = (
        b"select (select count(*) from jobs_duework where state <> 'parked'),"
        b" (select count(*) from jobs_unnumberedevent)"
    )
    limit_s = stand.plan.quiet_s * stand.plan.slow
    deadline, left = time.monotonic() + limit_s, (0, 0)
    while time.monotonic() < deadline:
        try:
            with stand.administrator() as connection:
                row = connection.execute(query).fetchone()
        except OSError:
            row = None
        left = (row[0], row[1]) if row else left
        if row and left == (0, 0):
            return ""
        time.sleep(0.3)
    return f"not quiet after {limit_s:g} s: {left[0]} pieces of work, {left[1]} events without number"


def run(
    plan: Plan, rounds: Rounds, *, more: Rounds = (), more_s: float = 0.0, most_wait_s: float = 5.0
) -> Verdict:
    """All rounds, then more of them until the load is `more_s` old.

    The verdict's faults are empty when every promise held.
    """
    log = Log()
    with started(plan) as stand:
        checker.remember_seed(stand)
        stand.start_clients()
        begun = time.time()
        if stand.first_ack_after(begun) is None:
            return Verdict(["no batch was stored before the first fault"])
        for name, draw in rounds:
            one_round(stand, log, name, draw, most_wait_s)
        for name, draw in more:
            if time.time() < begun + more_s:
                one_round(stand, log, name, draw, most_wait_s)
        load_s = time.time() - begun
        trouble = stand.stop_clients()
        if words := wait_quiet(stand):
            trouble.append(words)
        verdict = checker.check(stand, log.moments)
    verdict.faults = [*trouble, *log.faults, *verdict.faults]
    sum_up(verdict, log, load_s)
    return verdict


def sum_up(verdict: Verdict, log: Log, load_s: float) -> None:
    """The figures of serving again, by fault, and those above their limit."""
    times = sorted(took for _, took in log.serving)
    verdict.figures |= {
        "rounds": sum(log.done.values()), "load s": load_s,
        "P18 serving again p95 s": quantile(times, 0.95),
        "P18 serving again worst s": times[-1] if times else 0.0,
    }  # fmt: skip
    for name in sorted(log.done):
        own, limit = sorted(took for which, took in log.serving if which == name), injected.limit_of(name)
        verdict.told.append(
            f"{name}: {log.done[name]} rounds, serving again median {quantile(own, 0.5):.2f} s,"
            f" worst {own[-1] if own else float('nan'):.2f} s;"
            f" {sum(took <= limit for took in own)} within the {limit:g} s of the plan"
        )
    verdict.told += [f"{name} skipped: {words}" for name, words in sorted(log.skipped.items())]


def tell(verdict: Verdict, seed: int) -> None:
    """Figures as lines, then what does not hold."""
    for words in verdict.told:
        print(f"  {words}")
    for name, value in verdict.figures.items():
        print(f"figure: faults {name} = {value:.10g} (seed {seed})")
    for words in verdict.faults:
        print(f"FAULT: {words}")
    print(
        "every promise held" if not verdict.faults else f"{len(verdict.faults)} promises broken", flush=True
    )


def new_folder() -> Path:
    return Path(tempfile.mkdtemp(prefix="flowledger-faults-"))
