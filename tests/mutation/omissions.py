"""Changes that leave something out: what forgetful hands do to tenancy and to the actions.

A statement that only calls, a refusal, a lock, a condition of a query, the narrowing to what a person sees.
cosmic-ray has none of these; they are named and counted as its operators are.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass

PREFIX = "omit/"
QUIET = ("logger", "log")
"""What is only said to the log is nobody's figure."""
NARROWING = ("filter", "exclude", "get")
CONDITION = re.compile(
    r"\b(?:WHERE|AND)\s+((?:\w+\.)?\w+ (?:=|<>|<=|>=|<|>) (?:%[bst]|(?:\w+\.)?\w+))", re.IGNORECASE
)
ROW_LOCK = re.compile(r"\sFOR (?:NO KEY )?UPDATE(?: OF \w+)?(?: SKIP LOCKED)?", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Edit:
    """Bytes from `begin` to `end` of the source become `text`; start: line and column of the place."""

    start: tuple[int, int]
    begin: int
    end: int
    text: str


class _Text:
    """A source with the byte offsets of its nodes."""

    def __init__(self, source: str) -> None:
        self.bytes = source.encode()
        self.lines = [0]
        for line in self.bytes.splitlines(keepends=True):
            self.lines.append(self.lines[-1] + len(line))

    def begin(self, node: ast.expr | ast.stmt) -> int:
        return self.lines[node.lineno - 1] + node.col_offset

    def end(self, node: ast.expr | ast.stmt) -> int:
        return self.lines[(node.end_lineno or node.lineno) - 1] + (node.end_col_offset or 0)

    def of(self, node: ast.expr) -> str:
        return self.bytes[self.begin(node) : self.end(node)].decode()

    def edit(self, node: ast.expr | ast.stmt, text: str) -> Edit:
        return Edit((node.lineno, node.col_offset), self.begin(node), self.end(node), text)


def _calls(text: _Text, tree: ast.AST) -> Iterator[Edit]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Call) and not _is_quiet(node.value):
            yield text.edit(node, "pass")


def _is_quiet(call: ast.Call) -> bool:
    """Words for the log, and the words of an exception."""
    return _method(call) == "__init__" or getattr(getattr(call.func, "value", None), "id", "") in QUIET


def _refusals(text: _Text, tree: ast.AST) -> Iterator[Edit]:
    for node in ast.walk(tree):
        if isinstance(node, ast.If) and any(isinstance(one, ast.Raise) for one in node.body):
            yield text.edit(node.test, "False")


def _locks(text: _Text, tree: ast.AST) -> Iterator[Edit]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and _method(node) == "select_for_update":
            assert isinstance(node.func, ast.Attribute)
            yield text.edit(node, f"{text.of(node.func.value)}.all()")
    yield from _in_sql(text, tree, ROW_LOCK, lambda match: (match.start(), match.end(), ""))


def _conditions(text: _Text, tree: ast.AST) -> Iterator[Edit]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and _method(node) in NARROWING:
            given = [*node.args, *(k.value for k in node.keywords if k.arg)]
            if _method(node) == "get" and node.args:
                continue  # of a dictionary
            for place, one in enumerate(given):
                kept = [text.of(a) for a in node.args[:place] + node.args[place + 1 :]]
                kept += [
                    f"{k.arg}={text.of(k.value)}" if k.arg else f"**{text.of(k.value)}"
                    for k in node.keywords
                    if k.value is not one
                ]
                yield text.edit(node, f"{text.of(node.func)}({', '.join(kept)})")
    yield from _in_sql(
        text, tree, CONDITION, lambda match: (match.start(1), match.end(1), f"({match[1]} OR TRUE)")
    )


def _views(text: _Text, tree: ast.AST) -> Iterator[Edit]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and len(node.args) >= 2 and getattr(node.func, "id", "") == "visible":
            yield text.edit(node, text.of(node.args[0]))


def _method(call: ast.Call) -> str:
    return call.func.attr if isinstance(call.func, ast.Attribute) else ""


def _in_sql(
    text: _Text,
    tree: ast.AST,
    wanted: re.Pattern[str],
    change: Callable[[re.Match[str]], tuple[int, int, str]],
) -> Iterator[Edit]:
    """Edits inside plain strings, found in the text itself so that escapes stay as they are."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and " " in node.value:
            raw, begin = text.of(node), text.begin(node)
            for match in wanted.finditer(raw):
                first, last, new = change(match)
                at = begin + len(raw[:first].encode())
                yield Edit((node.lineno, node.col_offset), at, at + len(raw[first:last].encode()), new)


FORGOTTEN: dict[str, Callable[[_Text, ast.AST], Iterator[Edit]]] = {
    "Call": _calls,
    "Refusal": _refusals,
    "Lock": _locks,
    "Condition": _conditions,
    "View": _views,
}


def places(source: str) -> Iterator[tuple[str, int, tuple[int, int]]]:
    """Operator, count of the place and where it starts, as for the operators of the library."""
    text, tree = _Text(source), ast.parse(source)
    for name, finder in FORGOTTEN.items():
        for count, edit in enumerate(finder(text, tree)):
            yield PREFIX + name, count, edit.start


def omitted(source: str, operator: str, occurrence: int) -> str | None:
    """The source without one thing; None where there is no such place."""
    text = _Text(source)
    for count, edit in enumerate(FORGOTTEN[operator.removeprefix(PREFIX)](text, ast.parse(source))):
        if count == occurrence:
            return (text.bytes[: edit.begin] + edit.text.encode() + text.bytes[edit.end :]).decode()
    return None
