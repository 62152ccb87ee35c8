"""Propagation of uncertainty to a typed result with its budget.

`propagate` takes a measurement model (a plain function, see trace.py), the value of every input, and the
effects that make them uncertain. One input may have many members (25 pressures) and several effects
(calibration, resolution, fluctuation); an effect is one line of the budget however many members it has.

Sources: JCGM 100:2008 (GUM) 5.1, 5.2, 6.2, 7.2.6, G.4.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, ROUND_UP, Decimal

from .brief import is_brief
from .distributions import COVERAGE, Distribution, bounded_share_factor, coverage_factor
from .errors import CalcError, ModelError, Refused, all_finite, finite, not_negative
from .plan import Part, Plan, Propagation, Sharing, make_plan
from .records import digest as digest_of
from .trace import Formula
from .version import CALCULATION_VERSION

Values = Mapping[str, "float | Sequence[float]"]


@dataclass(frozen=True, slots=True)
class Effect:
    """One cause of uncertainty of one input.

    on: the input's name. u: standard uncertainty, one for each member or one for all (the input's unit).
    dof: degrees of freedom behind u. See `Sharing` for members. distribution: used by Monte Carlo.
    """

    name: str
    on: str
    u: float | tuple[float, ...]
    sharing: Sharing = Sharing.INDEPENDENT
    dof: float = math.inf
    distribution: Distribution = Distribution.NORMAL


@dataclass(frozen=True, slots=True)
class Correlation:
    """Correlation coefficient between two effects, by their names."""

    first: str
    second: str
    r: float


@dataclass(frozen=True, slots=True)
class BudgetRow:
    """One line of an uncertainty budget.

    value, unit: of the input (the mean over its members). u: standard uncertainty (root mean square over
    members). sensitivity: d(result)/d(input), summed over members as the effect acts on them.
    contribution: to the result's standard uncertainty, in the result's unit. share: of the variance; all
    shares add to 1 (half of every covariance goes to each of its two effects).
    """

    name: str
    input: str
    value: float
    unit: str
    u: float
    dof: float
    distribution: Distribution
    sensitivity: float
    contribution: float
    share: float
    members: int


@dataclass(frozen=True, slots=True)
class Result:
    """A value with its uncertainty: U = k u at the coverage probability stated."""

    name: str
    unit: str
    value: float
    u: float
    U: float
    k: float
    dof: float
    coverage: float
    budget: tuple[BudgetRow, ...]
    digest: str
    calculation_version: str = CALCULATION_VERSION

    @property
    def relative_U(self) -> float:
        """U divided by the value's magnitude; infinite at zero."""
        return self.U / abs(self.value) if self.value else math.inf

    @property
    def interval(self) -> tuple[float, float]:
        """Coverage interval value -+ U."""
        return self.value - self.U, self.value + self.U


@dataclass(frozen=True, slots=True)
class Quantity:
    """A scalar input with one cause of uncertainty; members of one `group` are fully correlated."""

    name: str
    value: float
    u: float = 0.0
    dof: float = math.inf
    distribution: Distribution = Distribution.NORMAL
    unit: str = "1"
    group: str | None = None


@dataclass(frozen=True, slots=True)
class Problem:
    """A model with flat numbers, ready to propagate, to simulate or to stack into a batch."""

    plan: Plan
    effects: tuple[Effect, ...]
    x: tuple[float, ...]
    u: tuple[float, ...]
    w: tuple[float, ...]
    r: tuple[float, ...]

    def solve(self) -> Propagation:
        """First-order propagation. Errors: Refused where the model has no value (a root of a negative)."""
        try:
            return self.plan.evaluate(self.x, self.u, self.w, self.r)
        except (ValueError, ZeroDivisionError, OverflowError) as error:
            raise Refused("inputs", f"the model has no value or slope here: {error}") from error


def problem(
    function: Formula,
    values: Values,
    effects: Sequence[Effect],
    *,
    output: str | None = None,
    correlations: Sequence[Correlation] = (),
) -> Problem:
    """Check a model's inputs and lay them out flat.

    Errors: ModelError (unknown input or effect, wrong number of members), Refused (not finite, negative
    u, correlations that cannot be).
    """
    sizes = tuple((name, len(v)) for name, v in values.items() if not isinstance(v, (int, float)))
    parts, u = _parts(function, values, effects)
    pairs, r = pair_up([e.name for e in effects], correlations)
    plan = make_plan(function, sizes, output, parts, pairs)
    if set(values) != set(plan.traced.inputs):
        raise ModelError("values", f"must name exactly {', '.join(plan.traced.inputs)}", sorted(values))
    x = _flat(values, plan.traced.inputs)
    w = tuple(1.0 / e.dof for e in effects)
    return Problem(plan, tuple(effects), x, u, w, r)


def propagate(
    function: Formula,
    values: Values,
    effects: Sequence[Effect],
    *,
    name: str,
    unit: str,
    output: str | None = None,
    correlations: Sequence[Correlation] = (),
    units: Mapping[str, str] | None = None,
    coverage: float = COVERAGE,
    digest: str | None = None,
    bounded: bool = False,
) -> Result:
    """First-order result of `function` with its budget.

    output: which field when the function returns a named tuple. units: of the inputs, for the budget.
    digest: of what the values came from (by default, of these inputs themselves). bounded: k allows for
    errors that have limits (rectangular effects that are one error for all members), as a Monte Carlo of the
    same effects does; else k is that of a normal or t distribution.
    """
    flat = problem(function, values, effects, output=output, correlations=correlations)
    answer = flat.solve()
    u = answer.u
    k = coverage_factor(answer.dof, coverage)
    if bounded:
        k *= bounded_share_factor(_bounded_share(flat, answer), coverage)
    inputs = digest or digest_of(
        function.__qualname__, output, values, effects, correlations, CALCULATION_VERSION
    )
    rows = () if is_brief() else _rows(flat, answer, units or {})
    return Result(name, unit, float(answer.value), u, k * u, k, answer.dof, coverage, rows, inputs)


def evaluate(
    function: Formula,
    quantities: Sequence[Quantity],
    *,
    name: str = "result",
    unit: str = "1",
    output: str | None = None,
    correlations: Sequence[Correlation] = (),
    coverage: float = COVERAGE,
) -> Result:
    """`propagate` for scalar inputs that carry one uncertainty each; correlations are by their names."""
    effects = [Effect(q.name, q.name, q.u, Sharing.COMMON, q.dof, q.distribution) for q in quantities]
    return propagate(
        function,
        {q.name: q.value for q in quantities},
        effects,
        name=name,
        unit=unit,
        output=output,
        correlations=[*correlations, *_grouped(quantities)],
        units={q.name: q.unit for q in quantities},
        coverage=coverage,
    )


def rounded(value: float, U: float, digits: int = 2) -> tuple[str, str]:
    """Value and expanded uncertainty as text for display (GUM 7.2.6).

    U gets `digits` significant digits, rounded up when rounding down would take away more than 5 % of
    it; the value is rounded to the same decimal place. With U zero the value is shown in full.
    Only for display: decisions use unrounded numbers.
    """
    finite("value", value)
    if not_negative("U", U) == 0.0:
        return f"{value!r}", "0"
    exact = Decimal(repr(float(U)))
    step = Decimal(1).scaleb(exact.adjusted() - digits + 1)
    near = exact.quantize(step, ROUND_HALF_EVEN)
    shown = exact.quantize(step, ROUND_UP) if near < exact * Decimal("0.95") else near
    place = Decimal(1).scaleb(max(shown.adjusted() - digits + 1, step.adjusted()))
    shown = shown.quantize(place, ROUND_HALF_EVEN)
    number = Decimal(repr(float(value))).quantize(place, ROUND_HALF_EVEN)
    return f"{abs(number) if number == 0 else number:f}", f"{shown:f}"


def _flat(values: Values, order: Iterable[str]) -> tuple[float, ...]:
    flat: list[float] = []
    for name in order:
        member = values[name]
        if isinstance(member, (int, float)):
            flat.append(finite(name, member))
        else:
            all_finite(name, member)
            flat += member
    return tuple(flat)


def _parts(
    function: Formula, values: Values, effects: Sequence[Effect]
) -> tuple[tuple[Part, ...], tuple[float, ...]]:
    places, first = {}, 0
    for name in _parameters(function):
        member = values.get(name, 0.0)
        size = 1 if isinstance(member, (int, float)) else len(member)
        places[name] = tuple(range(first, first + size))
        first += size
    parts: list[Part] = []
    u: list[float] = []
    for effect in effects:
        if effect.on not in places:
            raise ModelError(effect.name, "acts on an input that the model does not have", effect.on)
        members = places[effect.on]
        sizes = _member_u(effect, len(members))
        if not effect.dof > 0.0:
            raise Refused(f"{effect.name}.dof", "must be above zero", effect.dof)
        parts.append(Part(members, effect.sharing, not math.isinf(effect.dof)))
        u += sizes
    return tuple(parts), tuple(u)


def _parameters(function: Formula) -> tuple[str, ...]:
    code = function.__code__
    return tuple(code.co_varnames[: code.co_argcount])


def _member_u(effect: Effect, count: int) -> Sequence[float]:
    if isinstance(effect.u, (int, float)):
        return (not_negative(f"{effect.name}.u", effect.u),) * count
    if len(effect.u) != count:
        raise ModelError(effect.name, f"needs {count} standard uncertainties", len(effect.u))
    all_finite(f"{effect.name}.u", effect.u)
    if effect.u and min(effect.u) < 0.0:
        raise Refused(f"{effect.name}.u", "must not be negative", min(effect.u))
    return effect.u


def _grouped(quantities: Sequence[Quantity]) -> list[Correlation]:
    groups: dict[str, list[str]] = {}
    for q in quantities:
        if q.group is not None:
            groups.setdefault(q.group, []).append(q.name)
    return [
        Correlation(a, b, 1.0)
        for names in groups.values()
        for i, a in enumerate(names)
        for b in names[i + 1 :]
    ]


def pair_up(
    names: Sequence[str], correlations: Sequence[Correlation]
) -> tuple[tuple[tuple[int, int], ...], tuple[float, ...]]:
    """Index pairs of correlated effects and their coefficients.

    Errors: ModelError (unknown name), Refused (impossible coefficients).
    """
    if not correlations:
        return (), ()
    index = {name: i for i, name in enumerate(names)}
    found: dict[tuple[int, int], float] = {}
    for c in correlations:
        for end in (c.first, c.second):
            if end not in index:
                raise ModelError("correlations", "names an unknown effect", end)
        pair = tuple(sorted((index[c.first], index[c.second])))
        if pair[0] == pair[1] or not -1.0 <= c.r <= 1.0 or pair in found:
            raise Refused("correlations", "need two different effects, once, and -1 <= r <= 1", c)
        found[pair[0], pair[1]] = finite("r", c.r)
    _check_possible(found)
    return tuple(found), tuple(found.values())


def _check_possible(r: Mapping[tuple[int, int], float]) -> None:
    """Refuse a correlation matrix with a negative eigenvalue (Cholesky, zero pivots allowed)."""
    names = sorted({i for pair in r for i in pair})
    try:
        cholesky([[1.0 if a == b else r.get((min(a, b), max(a, b)), 0.0) for b in names] for a in names])
    except CalcError as error:
        raise Refused(
            "correlations", "contradict each other (the matrix is not positive)", dict(r)
        ) from error


def cholesky(matrix: Sequence[Sequence[float]]) -> list[list[float]]:
    """Lower triangle L with L L' = matrix, for a symmetric matrix without negative eigenvalues."""
    n = len(matrix)
    low = [[0.0] * n for _ in range(n)]
    for i in range(n):
        for j in range(i + 1):
            rest = matrix[i][j] - math.fsum(low[i][m] * low[j][m] for m in range(j))
            if i == j:
                if rest < -1e-9:
                    raise Refused("matrix", "is not positive", matrix)
                low[i][i] = math.sqrt(max(rest, 0.0)) if rest > 1e-12 else 0.0
            elif low[j][j] > 0.0:
                low[i][j] = rest / low[j][j]
            elif abs(rest) > 1e-6:
                raise Refused("matrix", "is not positive", matrix)
    return low


def _rows(flat: Problem, answer: Propagation, units: Mapping[str, str]) -> tuple[BudgetRow, ...]:
    slopes = dict(zip(flat.plan.uncertain, answer.sensitivities, strict=True))
    squares = _shares(flat, answer)
    rows, first = [], 0
    for effect, part, contribution, square in zip(
        flat.effects, flat.plan.parts, answer.contributions, squares, strict=True
    ):
        count = len(part.places)
        u = flat.u[first : first + count]
        first += count
        signed = part.sharing is Sharing.COMMON or count == 1
        members = [slopes[i] for i in part.places]
        rows.append(
            BudgetRow(
                name=effect.name,
                input=effect.on,
                value=math.fsum(flat.x[i] for i in part.places) / count if count else 0.0,
                unit=units.get(effect.on, "1"),
                u=math.sqrt(math.fsum(v * v for v in u) / count) if count else 0.0,
                dof=effect.dof,
                distribution=effect.distribution,
                sensitivity=math.fsum(members) if signed else math.sqrt(math.fsum(c * c for c in members)),
                contribution=abs(contribution) if signed else math.sqrt(contribution),
                share=square / answer.variance if answer.variance > 0.0 else 0.0,
                members=count,
            )
        )
    return tuple(rows)


def _bounded_share(flat: Problem, answer: Propagation) -> float:
    """Share of the variance of one rectangular error that has the fourth cumulant of all of them together."""
    if answer.variance <= 0.0:
        return 0.0
    squares = [
        c**4
        for e, p, c in zip(flat.effects, flat.plan.parts, answer.contributions, strict=True)
        if e.distribution is Distribution.RECTANGULAR and (p.sharing is Sharing.COMMON or len(p.places) == 1)
    ]
    return min(math.sqrt(math.fsum(squares)) / float(answer.variance), 1.0)


def _shares(flat: Problem, answer: Propagation) -> list[float]:
    """Every effect's part of the variance, with half of each covariance."""
    parts = flat.plan.parts
    squares = [
        c * c if p.sharing is Sharing.COMMON or len(p.places) == 1 else c
        for c, p in zip(answer.contributions, parts, strict=True)
    ]
    for (a, b), r in zip(flat.plan.pairs, flat.r, strict=True):
        both = r * answer.contributions[a] * answer.contributions[b]
        squares[a] += both
        squares[b] += both
    return squares
