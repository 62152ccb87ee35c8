"""Trace a formula once, then run it as straight-line code with all its sensitivities.

A measurement model is a plain Python function over floats. `trace` calls it once with recording
numbers, which yields a graph of elementary operations with equal subexpressions shared. `forward`
and `reverse` write that graph as Python source: values first, then one backward sweep that gives
the exact derivative by every input (reverse mode of algorithmic differentiation). The same source
runs on floats and on numpy arrays, whichever functions it is given.

A formula may use + - * / ** and the functions of this module. It must not branch on a value: the
choice between formulas is made before tracing.
"""

from __future__ import annotations

import inspect
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, NoReturn, TypeAlias, cast

from .errors import ModelError

# operation -> (value, derivative by each operand); g: adjoint of the result, half: half of it, v: value
_RULES: dict[str, tuple[str, tuple[str, ...]]] = {
    "add": ("{a} + {b}", ("{g}", "{g}")),
    "sub": ("{a} - {b}", ("{g}", "-{g}")),
    "mul": ("{a} * {b}", ("{g} * {b}", "{g} * {a}")),
    "div": ("{a} / {b}", ("{g} / {b}", "-{g} * {v} / {b}")),
    "neg": ("-{a}", ("-{g}",)),
    "pow": ("{a} ** {b}", ("{g} * {b} * {a} ** ({b} - 1.0)", "{g} * {v} * log({a})")),
    "exp": ("exp({a})", ("{g} * {v}",)),
    "log": ("log({a})", ("{g} / {a}",)),
    "sqrt": ("sqrt({a})", ("{half} / {v}",)),
    "sin": ("sin({a})", ("{g} * cos({a})",)),
    "cos": ("cos({a})", ("-{g} * sin({a})",)),
}
_FUNCTIONS = ("exp", "log", "sqrt", "sin", "cos")

Formula: TypeAlias = Callable[..., Any]


@dataclass(slots=True)
class Graph:
    """Operations in the order of computing; operand: name of an earlier value, or a literal."""

    inputs: list[str] = field(default_factory=list)
    steps: list[tuple[str, str, tuple[str, ...]]] = field(default_factory=list)
    known: dict[tuple[str, tuple[str, ...]], Node] = field(default_factory=dict)

    def add(self, operation: str, *operands: Node | float) -> Node:
        """Record one operation, or return the equal one recorded before."""
        names = tuple(o.name if isinstance(o, Node) else f"({float(o)!r})" for o in operands)
        found = self.known.get((operation, names))
        if found is None:
            found = Node(self, f"v{len(self.steps)}")
            self.steps.append((found.name, operation, names))
            self.known[operation, names] = found
        return found


class Node:
    """A recording number: does the arithmetic of a float and writes down each step."""

    __slots__ = ("graph", "name")

    def __init__(self, graph: Graph, name: str) -> None:
        self.graph = graph
        self.name = name

    def __add__(self, other: Node | float) -> Node:
        if not isinstance(other, Node) and other == 0:
            return self
        return self.graph.add("add", self, other)

    def __radd__(self, other: float) -> Node:
        return self if other == 0 else self.graph.add("add", other, self)

    def __sub__(self, other: Node | float) -> Node:
        return self.graph.add("sub", self, other)

    def __rsub__(self, other: float) -> Node:
        return self.graph.add("sub", other, self)

    def __mul__(self, other: Node | float) -> Node:
        return self.graph.add("mul", self, other)

    def __rmul__(self, other: float) -> Node:
        return self.graph.add("mul", other, self)

    def __truediv__(self, other: Node | float) -> Node:
        return self.graph.add("div", self, other)

    def __rtruediv__(self, other: float) -> Node:
        return self.graph.add("div", other, self)

    def __pow__(self, other: Node | float) -> Node:
        return self.graph.add("pow", self, other)

    def __rpow__(self, other: float) -> Node:
        return self.graph.add("pow", other, self)

    def __neg__(self) -> Node:
        return self.graph.add("neg", self)

    def __pos__(self) -> Node:
        return self

    def _no_branch(self, *_: object) -> NoReturn:
        raise ModelError("formula", "branches on an input; choose between formulas before tracing")

    __bool__ = __lt__ = __le__ = __gt__ = __ge__ = __float__ = __int__ = __abs__ = _no_branch


def _elementary(name: str) -> Callable[[float], float]:
    plain = cast(Callable[[float], float], getattr(math, name))

    def function(x: float) -> float:
        recorded: object = x
        return cast(float, recorded.graph.add(name, recorded)) if isinstance(recorded, Node) else plain(x)

    function.__name__ = name
    function.__doc__ = f"{name}(x) of a float, or recorded when a formula is being traced."
    return function


exp = _elementary("exp")
log = _elementary("log")
sqrt = _elementary("sqrt")
sin = _elementary("sin")
cos = _elementary("cos")


@dataclass(frozen=True, slots=True)
class Traced:
    """A recorded formula: `inputs[name]` are the flat places of that input's members.

    sizes: what it was traced with.
    """

    graph: Graph
    inputs: Mapping[str, tuple[int, ...]]
    outputs: Mapping[str, str]
    sizes: tuple[tuple[str, int], ...] = ()

    def output(self, name: str | None) -> str:
        """Name of the value that holds the output `name` (the only one when None)."""
        if name is None and len(self.outputs) == 1:
            return next(iter(self.outputs.values()))
        if name is None or name not in self.outputs:
            raise ModelError("output", f"choose one of {', '.join(self.outputs)}", name)
        return self.outputs[name]


@lru_cache(maxsize=256)
def trace(function: Formula, sizes: tuple[tuple[str, int], ...] = ()) -> Traced:
    """Record `function` once for inputs of the given sizes.

    sizes: (parameter, length) of those parameters that are sequences; the others are scalars.
    The function returns a number or a named tuple of numbers.
    Errors: ModelError when a size names no parameter or the formula branches on an input.
    """
    graph, lengths = Graph(), dict(sizes)
    parameters = list(inspect.signature(function).parameters)
    for name in lengths:
        if name not in parameters:
            raise ModelError(name, f"is not an input of {function.__name__}")
    arguments: dict[str, Node | tuple[Node, ...]] = {}
    places: dict[str, tuple[int, ...]] = {}
    for name in parameters:
        first = len(graph.inputs)
        nodes = tuple(Node(graph, f"x{first + i}") for i in range(lengths.get(name, 1)))
        graph.inputs += [n.name for n in nodes]
        places[name] = tuple(range(first, first + len(nodes)))
        arguments[name] = nodes if name in lengths else nodes[0]
    return Traced(graph, places, _named_outputs(graph, function(**arguments)), sizes)


def _named_outputs(graph: Graph, answer: Any) -> dict[str, str]:
    fields: Sequence[str] = getattr(answer, "_fields", ("value",))
    values: Sequence[Any] = answer if hasattr(answer, "_fields") else (answer,)
    return {
        f: v.name if isinstance(v, Node) else f"({float(v)!r})" for f, v in zip(fields, values, strict=True)
    }


def needed(graph: Graph, outputs: Iterable[str]) -> list[tuple[str, str, tuple[str, ...]]]:
    """The steps that the outputs depend on, in order."""
    wanted, kept = set(outputs), []
    for step in reversed(graph.steps):
        if step[0] in wanted:
            kept.append(step)
            wanted.update(step[2])
    return kept[::-1]


def forward(steps: Iterable[tuple[str, str, tuple[str, ...]]]) -> list[str]:
    """Source lines that compute each step."""
    return [f"{name} = {_fill(_RULES[op][0], operands)}" for name, op, operands in steps]


def reverse(
    steps: Sequence[tuple[str, str, tuple[str, ...]]], output: str, wanted: Iterable[str]
) -> tuple[list[str], dict[str, str]]:
    """Source lines of the backward sweep, and for each wanted input the text of its derivative.

    Every line assigns a new name, so arrays are never changed in place. Steps that lead to no wanted
    input are left out. A derivative is summed when all its terms are known.
    """
    active = set(wanted)
    for name, _, operands in steps:
        if active.intersection(operands):
            active.add(name)
    lines: list[str] = []
    halves: dict[str, str] = {}
    terms: dict[str, list[str]] = {output: ["1.0"]}
    for name, op, operands in reversed(steps):
        if name not in terms or name not in active:
            continue
        g = _sum_up(lines, terms[name])
        for rule, operand in zip(_RULES[op][1], operands, strict=True):
            if operand not in active:
                continue
            if "{half}" in rule and g not in halves:
                lines.append(f"h{len(lines)} = 0.5 * {g}")
                halves[g] = f"h{len(lines) - 1}"
            term = _tidy(_fill(rule, operands, g, name, halves.get(g, "")))
            terms.setdefault(operand, []).append(term)
    return lines, {name: _sum_up(lines, terms.get(name, ["0.0"])) for name in wanted}


def _sum_up(lines: list[str], terms: list[str]) -> str:
    """Name of the sum of the terms, written down unless it is a name or number already."""
    total = " + ".join(terms)
    if total.isidentifier() or total in ("0.0", "1.0"):
        return total
    lines.append(f"g{len(lines)} = {total}")
    return f"g{len(lines) - 1}"


def _fill(rule: str, operands: Sequence[str], g: str = "", v: str = "", half: str = "") -> str:
    return rule.format(a=operands[0], b=operands[-1], g=g, v=v, half=half)


def _tidy(term: str) -> str:
    """Drop a leading factor of one."""
    return term.removeprefix("1.0 * ") if term.startswith("1.0 * ") else term


def assemble(name: str, arguments: str, lines: Iterable[str], functions: object) -> Callable[..., Any]:
    """Make the function from source lines; `functions` has exp, log, sqrt, sin, cos (math or numpy)."""
    source = "\n ".join([f"def {name}({arguments}):", *lines])
    space: dict[str, Any] = {f: getattr(functions, f) for f in _FUNCTIONS}
    space["larger"] = getattr(functions, "maximum", max)
    exec(compile(source, f"<traced {name}>", "exec"), space)  # noqa: S102 - own generated source only
    return cast(Callable[..., Any], space[name])
