"""Small wrong changes to a module: which there are, and which cannot matter.

The changes are those of the library cosmic-ray (comparison, arithmetic, constants, boolean, loops,
exceptions), and outside the arithmetic those of omissions.py; only text is edited here, nothing on disk is
touched. At every place one change of each family is taken, by a seed, so that a whole run stays affordable.

A module is named by its place (`jobs.due`); one of the arithmetic by its last word alone (`traverse`).
"""

from __future__ import annotations

import ast
import random
import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache, lru_cache
from pathlib import Path

from cosmic_ray.ast import ast_nodes, get_ast  # type: ignore[import-untyped]
from cosmic_ray.mutating import mutate_code  # type: ignore[import-untyped]
from cosmic_ray.plugins import get_operator, operator_names  # type: ignore[import-untyped]

from tests.mutation import omissions
from tests.mutation.explained import EXPLAINED

ROOT = Path(__file__).parents[2]
CALC = ROOT / "measurements" / "calc"
ARITHMETIC = {"Add", "Sub", "Mul", "Div", "FloorDiv", "Mod", "Pow"}
SAME = {"Is", "IsNot"}
LEFT_OUT = re.compile(r"/(Variable|RemoveDecorator|NoOp)")
"""Operators that need arguments, or that only take a cache off."""
FAMILY = re.compile(r"/(Replace(Binary|Comparison|Unary)Operator)_([A-Za-z]+)_([A-Za-z]+)$")


@dataclass(frozen=True, slots=True)
class Mutant:
    """One change: `before` and `after` are the stripped line. occurrence: the library's count of places."""

    module: str
    operator: str
    occurrence: int
    line: int
    before: str
    after: str

    def __str__(self) -> str:
        return f"{path_of(self.module).relative_to(ROOT)}:{self.line}: {self.before}  ->  {self.after}"

    @property
    def why(self) -> str:
        """Why no test can tell it from the original; empty when nothing is known."""
        return EXPLAINED.get((self.module, self.before, self.after), "")

    def source(self) -> str:
        """The whole changed module."""
        found = _changed(_source(self.module), self.operator, self.occurrence)
        if found is None:
            raise ValueError(f"no such place: {self}")
        return str(found)


def path_of(module: str) -> Path:
    """Where a module stands."""
    return ROOT / f"{module.replace('.', '/')}.py" if "." in module else CALC / f"{module}.py"


@cache
def _source(module: str) -> str:
    return path_of(module).read_text(encoding="utf-8")


def _changed(source: str, operator: str, occurrence: int) -> str | None:
    if operator.startswith(omissions.PREFIX):
        return omissions.omitted(source, operator, occurrence)
    try:
        changed: str | None = mutate_code(source, get_operator(operator)(), occurrence)
    except AttributeError:  # cosmic-ray cannot replace a dotted exception in a tuple
        return None
    return changed


def modules() -> list[str]:
    """Every module of the arithmetic with code to change."""
    return sorted(p.stem for p in CALC.glob("*.py") if p.stem not in ("__init__", "version"))


@dataclass(frozen=True, slots=True)
class Spot:
    """A place in a module and the changes of one family there, in the order in which they are to be tried."""

    module: str
    line: int
    choices: tuple[tuple[str, int], ...]


@cache
def spots(module: str, seed: int = 1) -> tuple[Spot, ...]:
    """Where a module can be changed, in the order of the text."""
    places: dict[tuple[tuple[int, int], str], list[tuple[str, int]]] = {}
    own = omissions.places(_source(module)) if "." in module else ()
    for operator, occurrence, start in (*_places(_source(module)), *own):
        family = FAMILY.search(operator)
        places.setdefault((start, family.group(1) if family else operator), []).append((operator, occurrence))
    found = []
    for (start, family_name), choices in sorted(places.items()):
        random.Random(f"{seed} {module} {start} {family_name}").shuffle(choices)
        found.append(Spot(module, start[0], tuple(choices)))
    return tuple(found)


def mutant_at(spot: Spot) -> Mutant | None:
    """The first change of a place that means something; None when there is none."""
    source = _source(spot.module)
    lines = source.splitlines()
    for operator, occurrence in spot.choices:
        changed = _changed(source, operator, occurrence)
        if changed is None or meaning(changed) in (None, meaning(source)):
            continue
        after = changed.splitlines()
        first = next(i for i in range(len(lines)) if i >= len(after) or lines[i] != after[i])
        shown = after[first].strip() if first < len(after) else ""
        return Mutant(spot.module, operator, occurrence, first + 1, lines[first].strip(), shown)
    return None


def mutants(module: str, seed: int = 1) -> list[Mutant]:
    """All changes of a module that mean something, in the order of the text."""
    return [m for m in map(mutant_at, spots(module, seed)) if m is not None]


def _places(source: str) -> Iterator[tuple[str, int, tuple[int, int]]]:
    """Operator, count of the place, and where it starts, as the library walks them."""
    nodes = list(ast_nodes(get_ast(source)))
    for name in sorted(operator_names()):
        if not _wanted(name):
            continue
        operator = get_operator(name)()
        count = 0
        for node in nodes:
            for start, _ in operator.mutation_positions(node):
                yield name, count, start
                count += 1


def _wanted(operator: str) -> bool:
    """Leave out what fails at once (bits of floats) and `is` for `==`: both would only flatter the score."""
    if LEFT_OUT.search(operator):
        return False
    family = FAMILY.search(operator)
    if family is None:
        return True
    _, kind, old, new = family.groups()
    if kind == "Binary":
        return {old, new} <= ARITHMETIC
    return new != "Invert" if kind == "Unary" else (old in SAME) == (new in SAME)


@lru_cache(maxsize=64)
def meaning(source: str) -> str | None:
    """What a module does, without what never acts: types, docstrings, caches, `frozen`, `slots`, `strict`,
    which arguments go by name.

    None when it is no Python.
    """
    try:
        tree = ast.parse(source)
    except SyntaxError:
        return None
    return ast.dump(_Bare().visit(tree))


SAME_AS: dict[type[ast.cmpop], type[ast.cmpop]] = {ast.Is: ast.Eq, ast.IsNot: ast.NotEq}


class _Bare(ast.NodeTransformer):
    def visit_FunctionDef(self, node: ast.FunctionDef) -> ast.AST:
        node.returns = None
        node.decorator_list = [d for d in node.decorator_list if "lru_cache" not in ast.dump(d)]
        self.generic_visit(node)
        return node

    def visit_ClassDef(self, node: ast.ClassDef) -> ast.AST:
        node.decorator_list = [
            d.func if isinstance(d, ast.Call) and "dataclass" in ast.dump(d.func) else d
            for d in node.decorator_list
        ]
        self.generic_visit(node)
        return node

    def visit_arg(self, node: ast.arg) -> ast.AST:
        node.annotation = None
        return node

    def visit_arguments(self, node: ast.arguments) -> ast.AST:
        node.args = [*node.posonlyargs, *node.args, *node.kwonlyargs]
        node.defaults = [*node.defaults, *(d for d in node.kw_defaults if d is not None)]
        node.posonlyargs, node.kwonlyargs, node.kw_defaults = [], [], []
        self.generic_visit(node)
        return node

    def visit_AnnAssign(self, node: ast.AnnAssign) -> ast.AST:
        node.annotation = ast.Constant(None)
        self.generic_visit(node)
        return node

    def visit_Assign(self, node: ast.Assign) -> ast.AST | None:
        value = node.value
        if isinstance(value, (ast.Subscript, ast.BinOp)) and _names_a_type(node.targets[0]):
            return None
        self.generic_visit(node)
        return node

    def visit_Compare(self, node: ast.Compare) -> ast.AST:
        node.ops = [SAME_AS.get(type(op), type(op))() for op in node.ops]
        self.generic_visit(node)
        return node

    def visit_Call(self, node: ast.Call) -> ast.AST:
        if isinstance(node.func, ast.Name) and node.func.id == "cast":
            return self.visit(node.args[1])
        node.keywords = [k for k in node.keywords if k.arg != "strict"]
        self.generic_visit(node)
        return node


def _names_a_type(target: ast.expr) -> bool:
    """Aliases of types are written like classes: Values, Formula."""
    return isinstance(target, ast.Name) and target.id[:1].isupper() and not target.id.isupper()
