"""Every kind of event can be chosen for a webhook."""

import ast
from collections.abc import Iterator
from pathlib import Path

from reports.outgoing.kinds import SAMPLE, VERBS

ROOT = Path(__file__).resolve().parents[2]
CALLS = {"record", "record_many", "record_statements", "_tell"}


def recorded() -> Iterator[str]:
    """Verbs written out where events are recorded."""
    for room in ("jobs", "measurements", "reports"):
        for file in (ROOT / room).rglob("*.py"):
            for node in ast.walk(ast.parse(file.read_text())):
                if isinstance(node, ast.Call) and len(node.args) > 1:
                    name = getattr(node.func, "attr", getattr(node.func, "id", ""))
                    if name in CALLS:
                        yield from (
                            one.value
                            for one in ast.walk(node.args[1])
                            if isinstance(one, ast.Constant) and isinstance(one.value, str)
                        )


def test_every_verb_of_the_log_is_a_kind_of_event() -> None:
    """A new verb needs a word in reports/outgoing/kinds.py, or nobody can ask for it alone."""
    found = {verb for verb in recorded() if verb.replace("_", "").replace(".", "").isalpha() and "." in verb}
    assert len(found) > 40
    assert found - {"test_", ".changed"} <= set(VERBS)


def test_the_list_is_in_order_and_once() -> None:
    assert list(VERBS) == sorted(set(VERBS))
    assert SAMPLE not in VERBS
