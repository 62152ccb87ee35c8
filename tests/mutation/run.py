"""Runs tests on changed modules and counts how many changes they notice.

Here stands how the arithmetic is tried; `--of states` is tried by states.py. Every change is tried in a
process of its own, forked from one that has the libraries loaded already; there the changed text stands for
the module, so files, caches and other test runs are never touched. Only the tests that use the module run,
the most concerned first, up to the first that fails. Generated cases are fewer here.
"""

from __future__ import annotations

import argparse
import ast
import importlib
import os
import random
import signal
import sys
import time
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from pathlib import Path

from tests.mutation.changed import Changed
from tests.mutation.mutants import CALC, ROOT, Mutant, modules, mutant_at, spots

PACKAGE = "measurements.calc"
CORE = ("uncertainty", "instrument", "conformity", "distributions", "units", "air", "plan", "variance")
"""What all other figures rest on: the sample of every test run is taken from these."""
MOST_FILES = 10
TIME_LIMIT = 60
"""Processor's seconds for one file: a change that never ends is noticed too, a busy machine fakes nothing."""
CASES = 8
"""Generated cases of each property."""
NEVER = ("test_mutation.py", "test_records.py")
HEAVY = (
    *("numpy", "scipy.stats", "scipy.optimize", "scipy.interpolate", "scipy.integrate"),
    *("hypothesis.strategies", "GTC", "uncertainties.umath", "fluids", "fluids.atmosphere", "psychrolib"),
    *("CoolProp.CoolProp", "CoolProp.HumidAirProp"),
)
SURVIVED, KILLED, NO_TESTS = "survived", "killed", "no tests"


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a change."""

    mutant: Mutant
    word: str
    seconds: float


@cache
def files_for(module: str) -> tuple[str, ...]:
    """Test files that use a module, the most concerned first: by name, imports, imports of importers."""
    wanted = []
    for file, used in _test_imports().items():
        named = f"{Path(file).stem}_".startswith(f"test_{module}_")
        near = used.get(module, 0)
        through = sum(n for m, n in used.items() if module in _module_imports().get(m, ()))
        if named or near or through:
            wanted.append((not named, -near, -through, file))
    return tuple(file for *_, file in sorted(wanted)[:MOST_FILES])


@lru_cache(maxsize=1)
def _test_imports() -> dict[str, Counter[str]]:
    """How many names of each module of the arithmetic a test file takes."""
    public = _public_names()
    found = {}
    for folder in ("calc", "standards"):
        for path in sorted((ROOT / "tests" / folder).glob("test_*.py")):
            if path.name not in NEVER:
                found[str(path.relative_to(ROOT))] = _imports(path, public)
    return found


@lru_cache(maxsize=1)
def _module_imports() -> dict[str, Counter[str]]:
    return {m: _imports(CALC / f"{m}.py", {}) for m in modules()}


def _public_names() -> dict[str, str]:
    """Which module each name of the package comes from."""
    tree = ast.parse((CALC / "__init__.py").read_text(encoding="utf-8"))
    froms = [n for n in tree.body if isinstance(n, ast.ImportFrom) and n.level == 1 and n.module]
    return {alias.asname or alias.name: n.module or "" for n in froms for alias in n.names}


def _imports(path: Path, public: dict[str, str]) -> Counter[str]:
    """How many names of each module a file takes, by `from ... import` or as an attribute of the package."""
    found: Counter[str] = Counter()
    tree = ast.parse(path.read_text(encoding="utf-8"))
    taken = {n.attr for n in ast.walk(tree) if isinstance(n, ast.Attribute) and _is_package(n.value)}
    found.update(public[name] for name in taken & public.keys())
    for node in ast.walk(tree):
        if not isinstance(node, ast.ImportFrom):
            continue
        names = [alias.name for alias in node.names]
        if node.module == PACKAGE or (node.level == 1 and not node.module):
            found.update(public.get(name, name) for name in names)
        elif node.module and node.module.startswith(f"{PACKAGE}."):
            found[node.module.rpartition(".")[2]] += len(names)
        elif node.module and node.level == 1:
            found[node.module] += len(names)
    return found


def _is_package(node: ast.expr) -> bool:
    """Whether an expression is the package itself, as `from measurements import calc` gives it."""
    return isinstance(node, ast.Name) and node.id == PACKAGE.rpartition(".")[2]


def load() -> None:
    """Import what takes long and never changes, once, before the forks; never the package itself."""
    if any(name.startswith(PACKAGE) for name in sys.modules):
        raise RuntimeError(f"{PACKAGE} is loaded already: its changes would not be seen")
    os.environ["PYTEST_DISABLE_PLUGIN_AUTOLOAD"] = "1"
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    for name in ("pytest", *HEAVY):
        importlib.import_module(name)
    from hypothesis import Phase, settings

    settings.register_profile(
        "mutants",
        derandomize=True,
        deadline=None,
        database=None,
        max_examples=CASES,
        phases=[Phase.explicit, Phase.generate],
    )
    settings.load_profile("mutants")


OPTIONS = (
    *("-x", "-q", "--tb=no", "--noconftest", "-o", "addopts="),
    *("-p", "no:cacheprovider", "-p", "no:warnings"),
)
NOTICED = 10
"""Exit code of a process whose first file noticed; the next file's is one more."""


def _child(module: str, source: str | None, files: Sequence[str]) -> int:
    """Run the files one after the other, with `source` as the module; which one failed, or 0."""
    import pytest

    null = os.open(os.devnull, os.O_WRONLY)
    os.dup2(null, 1)
    os.dup2(null, 2)
    sys.dont_write_bytecode = True
    if source is not None:
        path = CALC / f"{module}.py"
        sys.meta_path.insert(0, Changed(f"{PACKAGE}.{module}", compile(source, str(path), "exec"), path))
    for place, file in enumerate(files):
        signal.setitimer(signal.ITIMER_PROF, TIME_LIMIT)
        if pytest.main([*OPTIONS, file]) not in (pytest.ExitCode.OK, pytest.ExitCode.NO_TESTS_COLLECTED):
            return NOTICED + place
    return 0


def start(module: str, source: str | None, files: Sequence[str]) -> int:
    """Fork a process that tries a source (None: the module as it stands); its number."""
    sys.stdout.flush()
    sys.stderr.flush()
    child = os.fork()
    if child:
        return child
    code = NOTICED
    try:
        code = _child(module, source, files)
    finally:
        os._exit(code)


class Bench:
    """Tries changes, so many at once. red: test files that fail on the code as it stands, so tell nothing."""

    def __init__(self, processes: int = 1) -> None:
        self.processes = processes
        self.red: set[str] = set()
        self.green: set[str] = set()
        self._running: dict[int, tuple[Mutant, Sequence[str], float]] = {}

    def trial(self, chosen: Iterable[Mutant]) -> Iterator[Outcome]:
        """Outcomes as they come."""
        for mutant in chosen:
            while len(self._running) >= self.processes:
                yield from self._wait()
            yield from self._start(mutant)
        while self._running:
            yield from self._wait()

    def _start(self, mutant: Mutant) -> Iterator[Outcome]:
        files = [f for f in files_for(mutant.module) if f not in self.red]
        if files:
            child = start(mutant.module, mutant.source(), files)
            self._running[child] = (mutant, files, time.monotonic())
        else:
            yield Outcome(mutant, NO_TESTS, 0.0)

    def _wait(self) -> Iterator[Outcome]:
        child, status = os.waitpid(-1, 0)
        mutant, files, began = self._running.pop(child)
        seconds = time.monotonic() - began
        code = os.WEXITSTATUS(status) if os.WIFEXITED(status) else None
        if code == 0:
            yield Outcome(mutant, SURVIVED, seconds)
        elif code is None or self._passes(files[code - NOTICED]):
            yield Outcome(mutant, KILLED, seconds)
        else:
            yield from self._start(mutant)

    def _passes(self, file: str) -> bool:
        """Whether a file that noticed something passes on the code as it stands."""
        if file not in self.red | self.green:
            _, status = os.waitpid(start("", None, [file]), 0)
            (self.red if status else self.green).add(file)
        return file in self.green


def sample(names: Sequence[str], count: int, seed: int) -> list[Mutant]:
    """So many changes (0: all), taken evenly from the modules by a seed; explained ones are left out."""
    piles = [_pile(name, seed) for name in names]
    found: list[Mutant] = []
    while piles and not 0 < count <= len(found):
        pile = piles.pop(0)
        taken = next(pile, None)
        if taken is not None:
            found.append(taken)
            piles.append(pile)
    return found


def _pile(module: str, seed: int) -> Iterator[Mutant]:
    """A module's changes in an order of the seed's, each made only when it is asked for."""
    places = list(spots(module, seed))
    random.Random(f"{seed} {module}").shuffle(places)
    return (m for m in map(mutant_at, places) if m is not None and not m.why)


def main(arguments: Sequence[str] | None = None) -> int:
    """Command line; 2 when the score is below --least."""
    options = _options(arguments)
    return _try_states(options) if options.of == "states" else _try_calc(options)


def _try_calc(options: argparse.Namespace) -> int:
    names = options.modules or (CORE if options.core else modules())
    load()
    bench, began = Bench(options.processes), time.monotonic()
    outcomes = _shown(bench.trial(sample(names, options.sample, options.seed)))
    for file in sorted(bench.red):
        print(f"left out, for it fails on the code as it stands: {file}")
    return _report(outcomes, time.monotonic() - began, options.least)


def _try_states(options: argparse.Namespace) -> int:
    from tests.mutation import states

    chosen = sample(options.modules or states.MODULES, options.sample, options.seed)
    with states.servers():
        bench, began = states.Bench(states.reach(states.files()), options.processes), time.monotonic()
        outcomes = _shown(bench.trial(chosen[options.skip :]))
    return _report(outcomes, time.monotonic() - began, options.least)


def _shown(outcomes: Iterable[Outcome]) -> list[Outcome]:
    """The outcomes, with a word on each change that was not noticed as it comes."""
    found = []
    for outcome in outcomes:
        found.append(outcome)
        if outcome.word != KILLED:
            print(f"{outcome.word}: {outcome.mutant} [{outcome.mutant.operator}]", flush=True)
    return found


def _report(outcomes: Sequence[Outcome], seconds: float, least: float) -> int:
    by_module: dict[str, list[bool]] = {}
    for o in outcomes:
        by_module.setdefault(o.mutant.module, []).append(o.word == KILLED)
    for name, noticed in sorted(by_module.items()):
        print(f"{name}: {sum(noticed)} of {len(noticed)}")
    count = len(outcomes)
    score = 100.0 * sum(o.word == KILLED for o in outcomes) / count if count else 100.0
    print(f"{count} changes tried in {seconds:.0f} s")
    print(f"figure: mutation score = {score:.1f} %")
    return 2 if score < least else 0


def _options(arguments: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.mutation", description=__doc__)
    parser.add_argument("modules", nargs="*", help="modules, as `traverse` or `jobs.due` (all)")
    parser.add_argument(
        "--of",
        choices=("calc", "states"),
        default="calc",
        help="the arithmetic, or tenancy and state machines",
    )
    parser.add_argument("--core", action="store_true", help="only what all figures rest on (calc)")
    parser.add_argument("--sample", type=int, default=0, help="so many changes instead of all")
    parser.add_argument("--seed", type=int, default=1, help="of the choice")
    parser.add_argument("--skip", type=int, default=0, help="so many of the choice are done already (states)")
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--least", type=float, default=0.0, help="score in %% below which the command fails")
    return parser.parse_args(arguments)
