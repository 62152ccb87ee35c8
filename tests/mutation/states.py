"""Changes to what keeps companies apart and moves work from state to state, tried against PostgreSQL.

Tests run once on the code as it stands, with a note at each statement, so that it is known which test
comes by which statement of which module; one that fails there tells nothing and is left out. A change is
then tried, in a process of its own, by the tests that come by its statement, the most telling first, on a
fresh copy of a migrated database; a change to what makes the tables gets one that it has migrated itself.
"""

from __future__ import annotations

import ast
import hashlib
import importlib
import json
import os
import re
import signal
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tests.mutation.changed import Changed
from tests.mutation.mutants import ROOT, Mutant, path_of
from tests.mutation.run import KILLED, NO_TESTS, SURVIVED, Outcome

MODULES = (
    *("jobs.tenancy.context", "reports.review", "jobs.http.idempotency", "jobs.due"),
    *("jobs.tenancy.backend.compiler", "measurements.intake", "reports.issue", "jobs.access"),
    *("jobs.tenancy.backend.base", "measurements.correct", "reports.reviewset", "jobs.signins"),
    *("jobs.tenancy.middleware", "measurements.evaluate", "reports.removal", "jobs.dispatch"),
    *("jobs.tenancy.backend.schema", "measurements.corrected", "reports.deliver", "jobs.bookings"),
    *("jobs.tenancy.models", "measurements.recall_decisions", "reports.signed", "jobs.queries"),
    *("jobs.tenancy.allowed", "measurements.current", "reports.webhook_queue", "jobs.factor"),
    *("jobs.tenancy.detect", "measurements.submit", "reports.before", "jobs.tokens"),
    *("jobs.tenancy.audit", "jobs.tenancy.audit_rules", "reports.signers", "jobs.people"),
    *("jobs.tenancy.checks", "jobs.tenancy.constraints", "jobs.tenancy.growth", "jobs.tenancy.fields"),
    *("jobs.tenancy.ids", "jobs.tenancy.migrations", "jobs.tenancy.startup", "jobs.tenancy.strawberry"),
    *("jobs.tenancy.backend.operations", "jobs.tenancy.backend.statements"),
)
"""In the order of what a fault would cost: a sample takes them in turn."""
FILES: Mapping[str, tuple[str, ...]] = {
    "tenancy": ("*",),
    "jobs": (
        *("access", "bookings", "dispatch", "due", "factor", "plan_doors", "poison", "reminders", "events"),
    ),
    "doors": (
        *("repeats", "signing_in", "people", "tokens", "allowed_in", "problems", "bad_input", "limits"),
        *("who_may", "foreign_ids", "stored_queries", "representations"),
    ),
    "measurements": (
        *("intake", "evaluate", "corrections", "correction_machine", "current", "recall", "doors"),
        *("strange_figures",),
    ),
    "reports": (
        *("review", "races", "looking", "deliver", "doors", "before", "corrected", "attacks", "recalled"),
        *("signature", "signing_doors", "evidence", "files", "photos"),
    ),
    "review": ("currency",),
    "archive": ("removal", "keeping"),
    "webhooks": ("queue", "doors"),
    "house": ("actions", "evidence", "rows", "rules"),
}
"""Test files that are asked, by folder."""
MAKES_TABLES = (
    *("jobs.tenancy.backend.schema", "jobs.tenancy.backend.statements", "jobs.tenancy.constraints"),
    *("jobs.tenancy.fields", "jobs.tenancy.growth", "jobs.tenancy.migrations", "jobs.tenancy.models"),
)
ONLY_LOADED = {"jobs.tenancy.audit_rules": "jobs.tenancy.audit"}
"""Modules without a function, and who uses them."""
MOST_SECONDS = 30.0
"""Of tests for one change, as measured on the code as it stands."""
NEAR = 8
"""Lines above and below a change that are looked at to tell which test is the most telling."""
OWN = 0.2
"""What it counts that a test stands in the module's folder."""
BATCH = 8
"""Test files that run together when it is taken down what they come by."""
TIME_LIMIT, TO_MIGRATE, WAIT_LIMIT = 15, 60, 400
"""Processor's seconds for one test, and to migrate; seconds of the clock for all of a change's.
One that never ends is noticed too.
"""
OPTIONS = (
    "-x",
    "-q",
    "--tb=short",
    "--reuse-db",
    "-p",
    "no:cacheprovider",
    "-p",
    "no:warnings",
    "-p",
    "no:xdist",
)
TEMPLATE = "mutation_template"
NOTES = ROOT / "var" / "mutation" / "reach.json"
STOCK = (
    *("pytest", "pytest_django.plugin", "hypothesis.strategies", "hypothesis.stateful", "celery.app.base"),
    *("psycopg", "measurements.calc", "django.contrib.postgres.fields"),
    *(
        "pyhanko.sign.signers",
        "pyhanko.sign.timestamps.aiohttp_client",
        "pyhanko.stamp",
        "pikepdf",
        "xlsxwriter",
    ),
    *("graphql", "strawberry.federation", "icalendar", "PIL.Image", "fontTools.ttLib", "segno", "lxml.etree"),
    *("requests_hardened", "standardwebhooks", "prometheus_client", "cryptography.x509", "msgspec", "yaml"),
)
"""What takes long to load and never changes."""


def files() -> list[str]:
    """The test files of FILES, as paths in the checkout."""
    return [
        str(path.relative_to(ROOT))
        for folder, names in FILES.items()
        for name in names
        for path in sorted((ROOT / "tests" / folder).glob(f"test_{name}.py"))
    ]


@dataclass(frozen=True, slots=True)
class Passing:
    """A test that passes on the code as it stands, and the statements (first lines) that it comes by."""

    name: str
    seconds: float
    lines: Mapping[str, frozenset[int]]

    @property
    def file(self) -> str:
        return self.name.partition("::")[0]


def chosen_tests(mutant: Mutant, known: Sequence[Passing], most: float = MOST_SECONDS) -> list[Passing]:
    """The tests that can notice a change, the most telling first, until their seconds are spent.

    What acts when the module is loaded is left to all tests that come by the module.
    """
    source = path_of(mutant.module).read_text(encoding="utf-8")
    line = statement_at(source, mutant.line)
    by = ONLY_LOADED.get(mutant.module, mutant.module)
    concerned = [t for t in known if by in t.lines and (not line or line in t.lines[by])]
    if mutant.module in MAKES_TABLES:
        concerned = [t for t in known if t in concerned or t.file.startswith("tests/tenancy/")]
    found: list[Passing] = []
    for test in sorted(concerned, key=_order(concerned, by, source, mutant.line)):
        if found and sum(t.seconds for t in found) + test.seconds > most:
            break
        found.append(test)
    return found


def _order(
    tests: Sequence[Passing], module: str, source: str, line: int
) -> Callable[[Passing], tuple[float, str]]:
    """By what a second of a test tells.

    It comes near the line by statements that few others come by, is named by words that stand there, or is of
    the module's own folder.
    """
    words = {word for text in source.splitlines()[max(0, line - 3) : line + 2] for word in _words(text)}
    marks = {
        test.name: {n for n in test.lines.get(module, ()) if abs(n - line) <= NEAR}
        | words & _words(test.name)
        for test in tests
    }
    count = Counter(mark for found in marks.values() for mark in found)
    room = {f"tests/{part}" for part in module.split(".")}

    def key(test: Passing) -> tuple[float, str]:
        told = sum(1.0 / count[mark] for mark in marks[test.name]) + OWN * (
            test.file.rpartition("/")[0] in room
        )
        return -told / (test.seconds + 0.5), test.name

    return key


def _words(text: str) -> set[Any]:
    return set(re.findall("[a-z]{4,}", text.lower()))


def statement_at(source: str, line: int) -> int:
    """First line of the innermost statement of a function that a line belongs to; 0 outside of functions."""
    spans = [
        (one.lineno, one.end_lineno or one.lineno) for body in _bodies(ast.parse(source)) for one in body
    ]
    return max((first for first, last in spans if first <= line <= last), default=0)


def _bodies(tree: ast.AST, inside: bool = False) -> Iterator[list[ast.stmt]]:
    """Every list of statements that runs when a function is called."""
    for node in ast.iter_child_nodes(tree):
        within = inside or isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef))
        if within and not isinstance(node, ast.ClassDef):
            for name in ("body", "orelse", "finalbody"):
                if isinstance(body := getattr(node, name, None), list):
                    yield body
        yield from _bodies(node, within and not isinstance(node, ast.ClassDef))


def noted(source: str) -> ast.Module:
    """The module with a call `__seen__(line)` before each statement of its functions."""
    tree = ast.parse(source)
    for body in list(_bodies(tree)):
        start = 1 if ast.get_docstring(ast.Module(body, []), clean=False) is not None else 0
        body[start:] = [part for one in body[start:] for part in (_note(one), one)]
    return ast.fix_missing_locations(tree)


def _note(statement: ast.stmt) -> ast.stmt:
    call = ast.Call(ast.Name("__seen__", ast.Load()), [ast.Constant(statement.lineno)], [])
    return ast.copy_location(ast.Expr(call), statement)


# In the forked process


class _Databases:
    """Makes pytest's database the given one, which is there already."""

    def __init__(self, name: str, made: bool) -> None:
        self.name, self.made = name, made

    def pytest_configure(self) -> None:
        from django.conf import settings
        from django.db import connection

        if not self.made:
            settings.DATABASES["default"]["TEST"] = connection.settings_dict["TEST"] | {"NAME": self.name}
            connection.settings_dict["TEST"]["NAME"] = self.name
            return

        def take(**kwargs: Any) -> str:
            connection.close()
            settings.DATABASES["default"]["NAME"] = connection.settings_dict["NAME"] = self.name
            return self.name

        connection.creation.create_test_db = take  # type: ignore[method-assign,assignment]


class _Only:
    """Keeps the given tests in their order; those that empty the tables stay last."""

    def __init__(self, names: Sequence[str], made: bool) -> None:
        self.rank = {name: place for place, name in enumerate(names)}
        self.limit = TIME_LIMIT if made else TIME_LIMIT + TO_MIGRATE

    def pytest_collection_modifyitems(self, items: list[Any]) -> None:
        items[:] = [one for one in items if one.nodeid in self.rank]
        items.sort(key=lambda one: (_empties(one), self.rank[one.nodeid]))

    def pytest_runtest_logstart(self, nodeid: str) -> None:
        signal.setitimer(signal.ITIMER_PROF, self.limit)
        self.limit = TIME_LIMIT


def _empties(item: Any) -> bool:
    mark = item.get_closest_marker("django_db")
    return "transactional_db" in item.fixturenames or bool(mark and mark.kwargs.get("transaction"))


@dataclass(eq=False)
class _Reach:
    """Takes down which statements each test comes by, and how long it takes."""

    seen: dict[str, set[int]] = field(default_factory=dict)
    tests: dict[str, dict[str, Any]] = field(default_factory=dict)

    def pytest_runtest_logstart(self, nodeid: str) -> None:
        for lines in self.seen.values():
            lines.clear()
        self.tests[nodeid] = {"seconds": 0.0, "passed": True}

    def pytest_runtest_logreport(self, report: Any) -> None:
        one = self.tests[report.nodeid]
        one["seconds"] = round(one["seconds"] + report.duration, 3)
        one["passed"] = one["passed"] and report.passed

    def pytest_runtest_logfinish(self, nodeid: str) -> None:
        self.tests[nodeid]["lines"] = {name: sorted(lines) for name, lines in self.seen.items() if lines}


def _fork(work: Any, output: Path) -> int:
    """Does a piece of work in a forked process, whose exit code is what it gives; the process's number."""
    sys.stdout.flush()
    sys.stderr.flush()
    child = os.fork()
    if child:
        return child
    code = 1
    try:
        os.setsid()
        log = os.open(output, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o644)
        os.dup2(log, 1)
        os.dup2(log, 2)
        code = int(work())
    finally:
        sys.stdout.flush()
        os._exit(code)


def _make_template() -> int:
    """Migrate a database that all others are copied from."""
    import django

    django.setup()
    from django.db import connection

    from tests.database import become_owner

    become_owner()
    connection.settings_dict["TEST"]["NAME"] = TEMPLATE
    connection.creation.create_test_db(verbosity=0, autoclobber=True, serialize=False)
    connection.close()
    return 0


def _note_reach(database: str, wanted: Sequence[str], target: Path) -> int:
    """Run test files on the code as it stands and write what each test comes by."""
    import pytest

    reach = _Reach()
    for module in MODULES:
        path = path_of(module)
        code = compile(noted(path.read_text(encoding="utf-8")), str(path), "exec")
        seen = reach.seen.setdefault(module, set())
        sys.meta_path.insert(0, Changed(module, code, path, {"__seen__": seen.add}))
    options = [one for one in OPTIONS if one != "-x"]
    end = pytest.main([*options, *wanted], plugins=[_Databases(database, made=True), reach])
    if end not in (pytest.ExitCode.OK, pytest.ExitCode.TESTS_FAILED):
        return int(end)
    target.write_text(json.dumps(reach.tests), encoding="utf-8")
    return 0


def _try(mutant: Mutant, source: str, database: str, tests: Sequence[Passing]) -> int:
    """Run the tests on the changed module; pytest's exit code."""
    import pytest

    path = path_of(mutant.module)
    sys.meta_path.insert(0, Changed(mutant.module, compile(source, str(path), "exec"), path))
    signal.alarm(WAIT_LIMIT)
    made = mutant.module not in MAKES_TABLES
    plugins = [_Databases(database, made), _Only([t.name for t in tests], made)]
    return int(pytest.main([*OPTIONS, *dict.fromkeys(t.file for t in tests)], plugins=plugins))


# In the first process


@contextmanager
def servers() -> Iterator[None]:
    """PostgreSQL and Valkey for the run, and a migrated database to copy."""
    from config.local.stack import test_services

    with test_services() as stack:
        os.environ.update(stack.for_command())
        os.environ["DJANGO_SETTINGS_MODULE"] = "tests.settings"
        load()
        if not _exists(TEMPLATE):
            _finish(_fork(_make_template, _log("template")), _log("template"))
        yield


def load() -> None:
    """Import what takes long and never changes, once, before the forks."""
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    for name in STOCK:
        importlib.import_module(name)
    if loaded := sorted({*MODULES} & sys.modules.keys()):
        raise RuntimeError(f"{', '.join(loaded)}: loaded already, so changes would not be seen")


def _log(name: str) -> Path:
    NOTES.parent.mkdir(parents=True, exist_ok=True)
    return NOTES.with_name(f"{name}.txt")


def _finish(child: int, log: Path) -> None:
    _, status = os.waitpid(child, 0)
    if status:
        raise RuntimeError(f"this was to succeed: {log}\n{log.read_text(encoding='utf-8')[-2000:]}")


def _owner(statement: str) -> list[tuple[Any, ...]]:
    import psycopg

    url = os.environ["DATABASE_OWNER_URL"]
    with psycopg.connect(url, dbname="postgres", autocommit=True) as connection:
        cursor = connection.execute(statement.encode())
        return cursor.fetchall() if cursor.description else []


def _exists(name: str) -> bool:
    return bool(_owner(f"SELECT 1 FROM pg_database WHERE datname = '{name}'"))


def drop(database: str) -> None:
    """Drop a copy although its process may have left connections."""
    _owner(f'DROP DATABASE IF EXISTS "{database}" WITH (FORCE)')


def copy(database: str) -> None:
    """Make a copy of the migrated database."""
    drop(database)
    _owner(f'CREATE DATABASE "{database}" TEMPLATE "{TEMPLATE}" STRATEGY FILE_COPY')


def reach(wanted: Sequence[str]) -> list[Passing]:
    """The tests of the files with what they come by; run anew where a file or a module has changed."""
    kept: dict[str, Any] = json.loads(NOTES.read_text(encoding="utf-8")) if NOTES.exists() else {}
    of_modules = "".join(path_of(module).read_text(encoding="utf-8") for module in MODULES)
    digests = {
        file: hashlib.sha256((of_modules + (ROOT / file).read_text(encoding="utf-8")).encode()).hexdigest()
        for file in wanted
    }
    stale = [file for file in wanted if kept.get(file, {}).get("digest") != digests[file]]
    while stale:
        batch, stale = stale[:BATCH], stale[BATCH:]
        tests = _reach_of(batch)
        for file in batch:
            own = {name: one for name, one in tests.items() if name.partition("::")[0] == file}
            kept[file] = {"digest": digests[file], "tests": own}
        NOTES.write_text(json.dumps(kept), encoding="utf-8")  # a run that is broken off loses little
    return list(_tests({file: kept[file]["tests"] for file in wanted}))


def _reach_of(batch: Sequence[str]) -> dict[str, Any]:
    fresh, log = NOTES.with_suffix(".new"), _log("reach")
    copy("mutation_reach")
    _finish(_fork(lambda: _note_reach("mutation_reach", batch, fresh), log), log)
    drop("mutation_reach")
    found: dict[str, Any] = json.loads(fresh.read_text(encoding="utf-8"))
    return found


def _tests(by_file: Mapping[str, Mapping[str, Any]]) -> Iterator[Passing]:
    for tests in by_file.values():
        for name, one in tests.items():
            if one["passed"]:
                lines = {module: frozenset(seen) for module, seen in one["lines"].items()}
                yield Passing(name, one["seconds"], lines)
            else:
                print(f"left out, for it does not pass on the code as it stands: {name}", flush=True)


class Bench:
    """Tries changes, so many at once, each on a database of its own."""

    def __init__(self, known: Sequence[Passing], processes: int = 1) -> None:
        self.known = known
        self._free = [f"mutation_{number}" for number in range(processes)]
        self._running: dict[int, tuple[Mutant, str, float]] = {}

    def trial(self, chosen: Iterable[Mutant]) -> Iterator[Outcome]:
        """Outcomes as they come."""
        for mutant in chosen:
            tests = chosen_tests(mutant, self.known)
            if not tests:
                _keep(untried := Outcome(mutant, NO_TESTS, 0.0), "")
                yield untried
                continue
            if not self._free:
                yield self._wait()
            self._start(mutant, tests)
        while self._running:
            yield self._wait()

    def _start(self, mutant: Mutant, tests: Sequence[Passing]) -> None:
        database, began, source = self._free.pop(), time.monotonic(), mutant.source()
        (drop if mutant.module in MAKES_TABLES else copy)(database)
        child = _fork(lambda: _try(mutant, source, database, tests), _log(database))
        self._running[child] = (mutant, database, began)

    def _wait(self) -> Outcome:
        child, status = os.waitpid(-1, 0)
        with suppress(ProcessLookupError):
            os.killpg(child, signal.SIGKILL)  # what its tests have started
        mutant, database, began = self._running.pop(child)
        drop(database)
        self._free.append(database)
        word = {0: SURVIVED, NOTHING_RUN: NO_TESTS}.get(os.waitstatus_to_exitcode(status), KILLED)
        outcome = Outcome(mutant, word, time.monotonic() - began)
        _keep(outcome, _log(database).read_text(encoding="utf-8", errors="replace"))
        return outcome


NOTHING_RUN = 5
"""pytest's exit code when no test was left."""


def _keep(outcome: Outcome, output: str) -> None:
    """Note for the person who looks: what became of a change, and the test that noticed it."""
    told = [line for line in output.splitlines() if line.startswith(("FAILED tests/", "ERROR tests/"))]
    with _log("tried").open("a", encoding="utf-8") as log:
        log.write(f"{outcome.word} {outcome.seconds:.1f} s: {outcome.mutant} [{outcome.mutant.operator}]\n")
        log.writelines(f"    {line[:200]}\n" for line in told[:1] or output.splitlines()[-2:])
