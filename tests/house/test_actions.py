"""Each action asks by itself whether the caller may, whatever door is before it: `actions.txt` says for what.

An action that no longer asks, asks for something else or is missing in the table fails.
"""

import ast
import inspect
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest

from jobs.access import Action, Actor
from jobs.errors import Forbidden
from jobs.tenancy.context import company
from jobs.tenancy.ids import uuid7

ROOT = Path(__file__).parents[2]
TABLE = dict(
    line.split() for line in Path(__file__).with_name("actions.txt").read_text(encoding="utf-8").splitlines()
)
ASKS = ("require", "require_proven")
FIRST = 3  # statements of a function, with its docstring, in which it has to ask


def asking() -> Iterator[tuple[str, str]]:
    """Public functions of an actor that ask `require(actor, Action.X)` at their beginning, and X's value."""
    for room in ("jobs", "measurements", "reports"):
        for path in sorted((ROOT / room).rglob("*.py")):
            module = ".".join(path.relative_to(ROOT).with_suffix("").parts)
            for one in ast.parse(path.read_text(encoding="utf-8")).body:
                if (
                    isinstance(one, ast.FunctionDef)
                    and not one.name.startswith("_")
                    and _first(one) == "actor"
                ):
                    yield from ((f"{module}.{one.name}", action) for action in _asked(one))


def _first(function: ast.FunctionDef) -> str:
    return function.args.args[0].arg if function.args.args else ""


def _asked(function: ast.FunctionDef) -> Iterator[str]:
    plain = [one for one in function.body[:FIRST] if isinstance(one, (ast.Expr, ast.Assign, ast.Return))]
    for call in (node for one in plain for node in ast.walk(one)):
        if isinstance(call, ast.Call) and getattr(call.func, "id", "") in ASKS:
            what = ast.unparse(call.args[1])
            if what.startswith("Action."):
                yield Action[what.removeprefix("Action.")].value


def test_the_table_says_what_each_action_asks_for() -> None:
    assert dict(asking()) == TABLE


def arguments(function: Any) -> dict[str, Any]:
    """Something for each argument that must be given: it is not looked at before the caller is."""
    return {
        name: uuid7() if one.annotation in ("UUID", "uuid.UUID") or "UUID" in str(one.annotation) else None
        for name, one in list(inspect.signature(function).parameters.items())[1:]
        if one.default is inspect.Parameter.empty
    }


@pytest.mark.parametrize("name", sorted(TABLE))
def test_who_has_no_role_is_refused_by_the_action_itself(db: None, name: str) -> None:
    module, _, word = name.rpartition(".")
    action = getattr(import_module(module), word)
    nobody = Actor(company_id=uuid7(), member_id=uuid7(), name="Nobody")
    with company(nobody.company_id), pytest.raises(Forbidden) as refused:
        found = action(nobody, **arguments(action))
        if inspect.isgenerator(found):
            next(found)
    assert f"({TABLE[name]})" in str(refused.value)
