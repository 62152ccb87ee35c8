"""Rules of the house that no linter knows. Each stands for a way in which such services went wrong."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
APPS = ("jobs", "measurements", "reports")
FILES = [path for app in (*APPS, "config") for path in sorted((ROOT / app).rglob("*.py"))]
CODE = [path for path in FILES if "migrations" not in path.parts]


def calls(path: Path) -> Iterator[tuple[int, str]]:
    """Line and dotted name of each call in a file."""
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Call):
            yield node.lineno, ast.unparse(node.func)


def where(path: Path, line: int) -> str:
    return f"{path.relative_to(ROOT)}:{line}"


def test_there_is_something_to_check() -> None:
    assert len(CODE) > 60


def test_no_signals() -> None:
    """Behaviour attached to saving is unseen by set-based writes and runs in an order nobody wrote."""
    found = [
        where(path, node.lineno)
        for path in CODE
        for node in ast.walk(ast.parse(path.read_text()))
        if isinstance(node, ast.ImportFrom) and node.module in ("django.db.models.signals", "django.dispatch")
    ]
    assert not found


def test_no_sql_made_of_text() -> None:
    """Row security is a net for forgotten filters, not for injected SQL."""
    banned = ("RawSQL", ".extra", ".raw")
    found = [where(path, line) for path in CODE for line, name in calls(path) if name.endswith(banned)]
    assert not found


def test_the_company_is_told_to_the_database_in_one_place() -> None:
    told = [path for path in CODE if "SET LOCAL app.company" in path.read_text()]
    assert [path.relative_to(ROOT).as_posix() for path in told] == ["jobs/tenancy/context.py"]
    assert not [path for path in CODE if "set_config(" in path.read_text().replace("not\nset_config()", "")
                and path.name != "context.py"]  # fmt: skip


def test_unscoped_is_for_tests() -> None:
    """The manager that looks past the company's filter is named so that its use can be found."""
    found = [
        where(path, number)
        for path in CODE
        if path.parent.name not in ("tenancy", "backend")
        for number, text in enumerate(path.read_text().splitlines(), 1)
        if ".unscoped." in text
    ]
    assert not found


def test_no_model_saves_with_logic() -> None:
    found = [
        where(path, node.lineno)
        for path in CODE
        if "models" in path.parts
        for node in ast.walk(ast.parse(path.read_text()))
        if isinstance(node, ast.FunctionDef) and node.name in ("save", "delete")
    ]
    assert not found


def test_doors_do_not_write() -> None:
    """REST views, pages and GraphQL call actions; they never create, change or delete rows themselves."""
    writing = (".objects.create", ".bulk_create", ".save", ".get_or_create", ".update_or_create")
    found = [
        f"{where(path, line)} {name}"
        for path in CODE
        if {"rest", "pages", "graphql"} & set(path.parts) or path.name == "graphql.py"
        for line, name in calls(path)
        if name.endswith(writing)
    ]
    assert not found


@pytest.mark.parametrize("app", APPS)
def test_comments_promise_nothing(app: str) -> None:
    words = ("TO" + "DO", "FIX" + "ME", "X" + "XX")
    found = [
        where(path, number)
        for path in CODE
        if path.is_relative_to(ROOT / app)
        for number, text in enumerate(path.read_text().splitlines(), 1)
        if any(word in text for word in words)
    ]
    assert not found
