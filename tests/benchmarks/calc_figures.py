"""Figures of the calculation, each beside its peers in the same interleaved run.

Run: python -m tests.benchmarks.calc_figures. The case: a 25-point pitot traverse of a rectangular duct with
34 uncertain inputs (25 pressures; probe, gain and offset common to all points; temperature, pressure,
humidity; two sides measured with one tape, r = 0.8; integration), full first-order budget.
"""

from __future__ import annotations

import gc
import math
import statistics
import time
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from measurements.calc.batch import BatchEffect, propagate_batch
from measurements.calc.plan import Part, Sharing, make_plan
from measurements.calc.simulate import monte_carlo
from measurements.calc.trace import exp, sqrt
from measurements.calc.uncertainty import Correlation, Effect

POINTS = 25
SCALARS = ("probe", "gain", "offset", "temperature", "pressure", "humidity", "width", "height", "integration")
NAMES = [f"dp{i + 1}" for i in range(POINTS)] + list(SCALARS)
R_SIDES = 0.8


def example(seed: int = 1) -> dict[str, Any]:
    """Values, standard uncertainties and degrees of freedom of the 34 inputs."""
    generator = np.random.default_rng(seed)
    x = [float(v) for v in np.round(60.0 + 25.0 * generator.standard_normal(POINTS).clip(-1.8, 1.8), 1)]
    u = [max(0.5, 0.015 * v) for v in x]
    x += [0.998, 1.0, 0.0, 294.15, 98700.0, 0.45, 0.6, 0.4, 1.0]
    u += [0.004, 0.005, 0.25, 0.3, 60.0, 0.025, 0.0008, 0.0008, 0.01]
    df = [4.0] * POINTS + [50.0, 50.0, 50.0, 30.0, 50.0, 20.0, math.inf, math.inf, 12.0]
    return {"names": NAMES, "x": x, "u": u, "df": df, "r": {("width", "height"): R_SIDES}}


def model(
    dp: Sequence[Any],
    probe: Any,
    gain: Any,
    offset: Any,
    temperature: Any,
    pressure: Any,
    humidity: Any,
    width: Any,
    height: Any,
    integration: Any,
    exp: Callable[[Any], Any] = exp,
    sqrt: Callable[[Any], Any] = sqrt,
) -> Any:
    """Flow in m3/s; ideal moist air, v = K sqrt(2 p / density), what is common taken out of the sum."""
    t = temperature - 273.15
    saturation = 611.21 * exp((18.678 - t / 234.5) * (t / (257.14 + t)))
    density = (pressure - 0.378 * (humidity * saturation)) / (287.05 * temperature)
    roots = [sqrt(gain * p + offset) for p in dp]
    mean = probe * sqrt(2.0 / density) * sum(roots[1:], roots[0]) / len(roots)
    return mean * integration * (width * height)


def _traced(
    dp: Sequence[float],
    probe: float,
    gain: float,
    offset: float,
    temperature: float,
    pressure: float,
    humidity: float,
    width: float,
    height: float,
    integration: float,
) -> Any:
    return model(dp, probe, gain, offset, temperature, pressure, humidity, width, height, integration)


PARTS = tuple(Part((i,), Sharing.COMMON, math.isfinite(d)) for i, d in enumerate(example()["df"]))
PLAN = make_plan(_traced, (("dp", POINTS),), None, PARTS, ((31, 32),))


def ours(i: dict[str, Any]) -> tuple[float, float, list[Any]]:
    """Value, u and a row for every input from the compiled model: value, u, dof, sensitivity, part, share."""
    x, u, df = i["x"], i["u"], i["df"]
    value, slopes, parts, variance, satterthwaite = PLAN.run(x, u, [1.0 / d for d in df], (R_SIDES,))
    rows = [
        (n, xi, ui, d, c, e, e * e / variance)
        for n, xi, ui, d, c, e in zip(i["names"], x, u, df, slopes, parts, strict=True)
    ]
    rows.append(("effective dof", variance * variance / satterthwaite))
    return value, math.sqrt(variance), rows


def closed_form(i: dict[str, Any]) -> tuple[float, float, list[Any]]:
    """The same with derivatives written by hand, plain floats."""
    x, u, df = i["x"], i["u"], i["df"]
    probe, g, o, T, p, rh, a, b, k = x[POINTS:]
    t = T - 273.15
    d = 257.14 + t
    psat = 611.21 * math.exp((18.678 - t / 234.5) * (t / d))
    dln = -(t / d) / 234.5 + (18.678 - t / 234.5) * 257.14 / (d * d)
    num = p - 0.378 * rh * psat
    rho = num / (287.05 * T)
    c0 = probe * math.sqrt(2.0 / rho)
    s0 = s1 = s2 = 0.0
    roots = []
    for w in x[:POINTS]:
        r = math.sqrt(g * w + o)
        roots.append(r)
        s0 += r
        s1 += w / r
        s2 += 1 / r
    area = a * b
    f = k * area * c0 / POINTS
    q = f * s0
    hq = -0.5 * q
    c = [f * g * 0.5 / r for r in roots]
    slope_t = hq * (-0.378 * rh * psat * dln / num - 1 / T)
    c += [
        q / probe,
        f * 0.5 * s1,
        f * 0.5 * s2,
        slope_t,
        hq / num,
        hq * (-0.378 * psat) / num,
        q / a,
        q / b,
        q / k,
    ]
    cu = [ci * ui for ci, ui in zip(c, u, strict=True)]
    var = math.fsum([z * z for z in cu]) + 2 * R_SIDES * cu[31] * cu[32]
    nu = var * var / sum([z**4 / n for z, n in zip(cu, df, strict=True)])
    rows: list[Any] = [
        (n, xi, ui, ni, ci, z, z * z / var)
        for n, xi, ui, ni, ci, z in zip(i["names"], x, u, df, c, cu, strict=True)
    ]
    rows.append(("effective dof", nu))
    return q, math.sqrt(var), rows


def by_uncertainties(i: dict[str, Any]) -> tuple[float, float, list[Any]]:
    """The same with the package `uncertainties` (which has no degrees of freedom)."""
    from uncertainties import correlated_values, ufloat, umath

    q = [ufloat(x, u, n) for n, x, u in zip(i["names"], i["x"], i["u"], strict=True)]
    ua, ub = i["u"][31], i["u"][32]
    cov = R_SIDES * ua * ub
    q[31], q[32] = correlated_values(
        i["x"][31:33], [[ua * ua, cov], [cov, ub * ub]], tags=["width", "height"]
    )
    flow = model(q[:POINTS], *q[POINTS:], umath.exp, umath.sqrt)
    s, parts = flow.std_dev, flow.error_components()
    rows = [
        (v.tag, v.nominal_value, v.std_dev, flow.derivatives[v], c, c * c / s**2) for v, c in parts.items()
    ]
    return flow.nominal_value, s, rows


def by_gtc(i: dict[str, Any]) -> tuple[float, float, list[Any]]:
    """The same with GTC."""
    import GTC

    q = [
        GTC.ureal(x, u, d, label=n, independent=n not in ("width", "height"))
        for n, x, u, d in zip(i["names"], i["x"], i["u"], i["df"], strict=True)
    ]
    GTC.set_correlation(R_SIDES, q[31], q[32])
    flow = model(q[:POINTS], *q[POINTS:], GTC.exp, GTC.sqrt)
    s, nu = GTC.uncertainty(flow), GTC.dof(flow)
    rows = [
        (n, x, u, GTC.rp.sensitivity(flow, v), c := GTC.component(flow, v), c * c / s**2, nu)
        for n, x, u, v in zip(i["names"], i["x"], i["u"], q, strict=True)
    ]
    return GTC.value(flow), s, rows


def example_batch(n: int) -> dict[str, Any]:
    """n sessions around the example."""
    one, generator = example(), np.random.default_rng(7)
    x = np.array(one["x"])[None, :] * (1.0 + 0.02 * generator.standard_normal((n, len(NAMES))))
    x[:, 27] = 0.0
    return {"x": x, "u": np.broadcast_to(np.array(one["u"]), x.shape).copy(), "df": np.array(one["df"])}


def batch_by_hand(b: dict[str, Any], block: int = 512) -> tuple[Any, Any, Any]:
    """Hand-written derivatives over numpy arrays, in blocks that fit the cache."""
    n = len(b["x"])
    q, s, share = np.empty(n), np.empty(n), np.empty_like(b["x"])
    for first in range(0, n, block):
        w = slice(first, first + block)
        q[w], s[w], share[w] = _block_by_hand(b["x"][w], b["u"][w], b["df"])
    return q, s, share


def _block_by_hand(x: Any, u: Any, df: Any) -> tuple[Any, Any, Any]:
    dp = x[..., :POINTS]
    probe, g, o, T, p, rh, a, b, k = np.moveaxis(x[..., POINTS:], -1, 0)
    t = T - 273.15
    d = 257.14 + t
    psat = 611.21 * np.exp((18.678 - t / 234.5) * (t / d))
    dln = -(t / d) / 234.5 + (18.678 - t / 234.5) * 257.14 / (d * d)
    num = p - 0.378 * rh * psat
    rho = num / (287.05 * T)
    c0 = probe * np.sqrt(2.0 / rho)
    roots = np.sqrt(g[..., None] * dp + o[..., None])
    inv = 1.0 / roots
    f = k * a * b * c0 / POINTS
    q = f * roots.sum(-1)
    hq = -0.5 * q
    c = np.empty_like(x)
    np.multiply(inv, (f * g * 0.5)[..., None], out=c[..., :POINTS])
    c[..., 25] = q / probe
    c[..., 26] = f * 0.5 * (dp * inv).sum(-1)
    c[..., 27] = f * 0.5 * inv.sum(-1)
    c[..., 28] = hq * (-0.378 * rh * psat * dln / num - 1 / T)
    c[..., 29] = hq / num
    c[..., 30] = hq * (-0.378 * psat) / num
    c[..., 31] = q / a
    c[..., 32] = q / b
    c[..., 33] = q / k
    cu = c * u
    sq = cu * cu
    var = sq.sum(-1) + 2 * R_SIDES * cu[..., 31] * cu[..., 32]
    nu = var * var / (sq * sq / df).sum(-1)
    return q, np.sqrt(var) + 0.0 * nu, sq / var[..., None]


def batch_ours(b: dict[str, Any]) -> tuple[Any, Any, Any]:
    """The compiled model over columns."""
    xt, ut = np.ascontiguousarray(b["x"].T), np.ascontiguousarray(b["u"].T)
    values = {"dp": xt[:POINTS], **{n: xt[POINTS + j] for j, n in enumerate(SCALARS)}}
    effects = [BatchEffect("dp", "dp", ut[:POINTS], Sharing.INDEPENDENT, 4.0)]
    effects += [
        BatchEffect(n, n, ut[POINTS + j], Sharing.COMMON, float(b["df"][POINTS + j]))
        for j, n in enumerate(SCALARS)
    ]
    found = propagate_batch(_traced, values, effects, correlations=[Correlation("width", "height", R_SIDES)])
    return found.value, found.u, found.shares.T


def simulate(i: dict[str, Any], trials: int = 100_000) -> tuple[float, float]:
    """Monte Carlo of the example, normal draws."""
    values = {"dp": tuple(i["x"][:POINTS]), **dict(zip(SCALARS, i["x"][POINTS:], strict=True))}
    effects = [Effect("dp", "dp", tuple(i["u"][:POINTS]))]
    effects += [Effect(n, n, u, Sharing.COMMON) for n, u in zip(SCALARS, i["u"][POINTS:], strict=True)]
    pair = [Correlation("width", "height", R_SIDES)]
    found = monte_carlo(_traced, values, effects, correlations=pair, trials=trials)
    return found.value, found.u


def draw_only(trials: int = 100_000) -> None:
    """The floor of a simulation: drawing its normals."""
    np.random.Generator(np.random.SFC64(1)).standard_normal((len(NAMES), trials))


def interleave(
    contenders: dict[str, Callable[[], object]], rounds: int, repeats: dict[str, int]
) -> dict[str, list[float]]:
    """Seconds a call, contender by contender in turn, so that drift of the machine cancels in ratios."""
    times: dict[str, list[float]] = {name: [] for name in contenders}
    for _ in range(rounds):
        for name, call in contenders.items():
            gc.collect()
            start = time.perf_counter()
            for _ in range(repeats[name]):
                call()
            times[name].append((time.perf_counter() - start) / repeats[name])
    return times


def ratio(times: dict[str, list[float]], name: str, base: str) -> float:
    """Median over rounds of base / name: how many times faster than the base."""
    return statistics.median(b / t for t, b in zip(times[name], times[base], strict=True))


def figure(name: str, value: float, unit: str) -> None:
    """One line of output."""
    print(f"figure: {name} = {value:.4g} {unit}")


def check() -> None:
    """All contenders must agree before their times mean anything."""
    i = example()
    q, u, rows = closed_form(i)
    for contender in (ours, by_uncertainties, by_gtc):
        value, spread, _ = contender(i)
        if abs(value / q - 1) > 1e-12 or abs(spread / u - 1) > 1e-9:
            raise AssertionError(f"{contender.__name__} disagrees: {value} {spread}, expected {q} {u}")
    if abs(ours(i)[2][-1][1] / rows[-1][1] - 1) > 1e-9:
        raise AssertionError("degrees of freedom disagree")
    b = example_batch(600)
    if not np.allclose(batch_ours(b)[1], batch_by_hand(b)[1], rtol=1e-12):
        raise AssertionError("batches disagree")
    if abs(simulate(i)[1] / u - 1) > 0.01:
        raise AssertionError("simulation disagrees")


def main(rounds: int = 9) -> None:
    """Print all figures."""
    check()
    i, b = example(), example_batch(10_000)
    singles: dict[str, Callable[[], object]] = {
        "calc": lambda: ours(i),
        "closed form": lambda: closed_form(i),
        "uncertainties": lambda: by_uncertainties(i),
        "GTC": lambda: by_gtc(i),
    }
    times = interleave(singles, rounds, {"calc": 4000, "closed form": 4000, "uncertainties": 80, "GTC": 60})
    for name in singles:
        figure(f"one traverse with budget, {name}", statistics.median(times[name]) * 1e6, "us")
    figure("one traverse, speed against uncertainties", ratio(times, "calc", "uncertainties"), "x (goal 30)")
    figure("one traverse, speed against GTC", ratio(times, "calc", "GTC"), "x (goal 40)")
    figure("one traverse, time over closed form", 1.0 / ratio(times, "calc", "closed form"), "x (goal 1.5)")
    batches: dict[str, Callable[[], object]] = {
        "calc": lambda: batch_ours(b),
        "numpy by hand": lambda: batch_by_hand(b),
    }
    times = interleave(batches, rounds, dict.fromkeys(batches, 8))
    for name in batches:
        figure(f"10000 traverses at once, {name}", statistics.median(times[name]) * 1e2, "us each")
    figure(
        "10000 traverses, time over numpy by hand",
        1.0 / ratio(times, "calc", "numpy by hand"),
        "x (goal 2.5)",
    )
    draws: dict[str, Callable[[], object]] = {"calc": lambda: simulate(i), "drawing normals": draw_only}
    times = interleave(draws, rounds, dict.fromkeys(draws, 3))
    for name in draws:
        figure(f"Monte Carlo of 100000, {name}", statistics.median(times[name]) * 1e3, "ms")
    figure("Monte Carlo, time over drawing", 1.0 / ratio(times, "calc", "drawing normals"), "x (goal 2)")


if __name__ == "__main__":
    main()
