"""Small wrong changes to the arithmetic are noticed by its tests: a sample of them, the same each time.

The whole: `python -m tests.mutation` (see tests/mutation/run.py).
"""

import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests.mutation import mutants
from tests.mutation.explained import EXPLAINED
from tests.mutation.mutants import CALC, Spot, meaning, modules, mutant_at, path_of, spots
from tests.mutation.run import CORE, files_for, sample

ROOT = Path(__file__).parents[2]
LEAST = 85
"""Score in % that the sample must reach. Survivors are printed: kill them by a test, or explain them."""


def python(*arguments: str) -> subprocess.CompletedProcess[str]:
    """A process of its own: what is loaded here already could not be changed."""
    return subprocess.run(
        [sys.executable, *arguments], cwd=ROOT, capture_output=True, text=True, timeout=600, check=False
    )


def test_a_sample_of_changes_is_noticed() -> None:
    done = python("-m", "tests.mutation", "--core", "--sample", "20", "--least", str(LEAST))
    print(done.stdout)
    assert done.returncode == 0, done.stdout + done.stderr
    assert re.search(
        r"^20 changes tried in \d+ s\nfigure: mutation score = [\d.]+ %$", done.stdout, re.MULTILINE
    )


def test_what_becomes_of_changes_with_good_with_idle_and_with_red_tests(tmp_path: Path) -> None:
    """The same two changes against a test that looks, one that does not, one that fails anyway, and none."""
    bodies = {
        "looks": "from measurements.calc.units import to_si\n\n"
        "def test_it():\n    assert abs(to_si(3.6, 'km/h', 'velocity') - 1.0) < 1e-9\n",
        "idle": "def test_it():\n    assert True\n",
        "red": "def test_it():\n    assert False\n",
        "broken": "import no_such_module\n",
        "endless": "def test_it():\n    while True:\n        pass\n",
    }
    for name, body in bodies.items():
        (tmp_path / f"test_{name}.py").write_text(body, encoding="utf-8")
    code = f"""
from tests.mutation import run
run.HEAVY, run.TIME_LIMIT = (), 4
run.load()
lines = open("measurements/calc/units.py", encoding="utf-8").read().splitlines()
chosen = [run.mutant_at(s) for s in run.spots("units", 1) if "km/h" in lines[s.line - 1]][:2]
ways = ["looks"], ["idle", "looks"], ["idle"], ["red", "idle"], ["broken", "looks"], ["red"], [], ["endless"]
for names in ways:
    run.files_for = lambda module: tuple({str(tmp_path)!r} + f"/test_{{name}}.py" for name in names)
    bench = run.Bench(2)
    print(*names, [outcome.word for outcome in bench.trial(chosen)], len(bench.red))
"""
    done = python("-c", code)
    assert done.stdout.splitlines() == [
        "looks ['killed', 'killed'] 0",
        "idle looks ['killed', 'killed'] 0",
        "idle ['survived', 'survived'] 0",
        "red idle ['survived', 'survived'] 1",
        "broken looks ['killed', 'killed'] 1",
        "red ['no tests', 'no tests'] 1",
        "['no tests', 'no tests'] 0",
        "endless ['killed', 'killed'] 0",
    ], done.stdout + done.stderr


def test_what_is_loaded_already_cannot_be_changed() -> None:
    done = python("-c", "import measurements.calc; from tests.mutation import run; run.load()")
    assert done.returncode == 1
    assert "its changes would not be seen" in done.stderr


@pytest.mark.parametrize(
    ("one", "other"),
    [
        (
            "def f(a: int | None = 1) -> int | None: return a",
            "def f(a: int - None = 1) -> int & None: return a",
        ),
        ("def f(a, *, b=1): return a", "def f(a, /, b=1): return a"),
        ("@lru_cache(maxsize=64)\ndef f(): return 1", "@lru_cache(maxsize=65)\ndef f(): return 1"),
        ("@dataclass(frozen=True)\nclass A: x: int", "@dataclass(frozen=False)\nclass A: x: str"),
        ("zip(a, b, strict=True)", "zip(a, b, strict=False)"),
        ("a is None", "a == None"),
        ("Values = A | B", "Values = A - B"),
        ("cast(A | B, x)", "cast(A - B, x)"),
    ],
)
def test_changes_that_never_act_are_none(one: str, other: str) -> None:
    assert meaning(one) == meaning(other)


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("x = 1", "x = 2"),
        ("x = a | b", "x = a - b"),
        ("X = 60.0 * Y", "X = 60.0 / Y"),
        ("a is None", "a is not None"),
        ("f(a, b)", "f(b, a)"),
        ("x: float = 1.0", "x: float = 2.0"),
        ("def f(a=1): return a", "def f(a=2): return a"),
        ("a < b", "a <= b"),
    ],
)
def test_changes_that_act_are_some(one: str, other: str) -> None:
    assert meaning(one) != meaning(other)


def test_text_that_is_no_python_means_nothing() -> None:
    assert meaning("x = ") is None


def test_mutants_are_one_line_off_and_always_the_same() -> None:
    source = (CALC / "line.py").read_text(encoding="utf-8")
    found = [m for m in map(mutant_at, spots("line", 3)) if m is not None]
    assert len(found) > 30
    assert found == [m for m in map(mutant_at, spots("line", 3)) if m is not None]
    for m in found:
        changed = m.source()
        assert meaning(changed) not in (None, meaning(source))
        lines = zip(source.splitlines(), changed.splitlines(), strict=False)
        assert next(i for i, (a, b) in enumerate(lines, 1) if a != b) == m.line
        assert source.splitlines()[m.line - 1].strip() == m.before
    kinds = {m.operator.partition("/")[2].split("_")[0] for m in found}
    assert {"NumberReplacer", "ReplaceBinaryOperator", "ReplaceComparisonOperator"} <= kinds
    with pytest.raises(ValueError, match="no such place"):
        mutants.Mutant("line", "core/NumberReplacer", 10_000, 1, "", "").source()


def test_a_spot_without_a_meaningful_change_gives_none() -> None:
    assert mutant_at(Spot("line", 1, ())) is None


def test_the_sample_is_spread_over_the_modules() -> None:
    names = ("line", "system", "duct")
    chosen = sample(names, 6, 1)
    assert [m.module for m in chosen] == [*names, *names]
    assert chosen == sample(names, 6, 1) != sample(names, 6, 2)
    assert not any(m.why for m in chosen)


def test_tests_of_a_module_begin_with_its_own() -> None:
    own = ("tests/calc/test_air.py", "tests/calc/test_air_limits.py", "tests/standards/test_air.py")
    assert set(files_for("air")[:3]) == set(own)
    assert set(files_for("uncertainty")[:2]) == {
        "tests/calc/test_uncertainty.py",
        "tests/standards/test_uncertainty.py",
    }
    assert "tests/calc/test_swept.py" in files_for("sweeps")
    assert "tests/calc/test_golden.py" in files_for("valve")  # takes `calc.valve_flow`
    assert set(CORE) <= set(modules())


def test_explained_changes_are_still_there() -> None:
    for (module, before, after), why in EXPLAINED.items():
        lines = {line.strip() for line in path_of(module).read_text(encoding="utf-8").splitlines()}
        assert before in lines, (module, before)
        assert before != after
        assert why
