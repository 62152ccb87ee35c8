"""The preview on the tablet: the flow that the service finds from the same figures, where it has one."""

from collections.abc import Iterator
from typing import Any

import pytest
from playwright.sync_api import Page

from measurements import calc
from measurements.calc.places import Readings
from measurements.checked import UNITS
from tests.field.modules import called, module_page

pytestmark = pytest.mark.browser
IDEAL = calc.Instrument()
AT = "2026-03-02T09:{:02d}:00+00:00"
TOOL = "0192f0c0-0000-7000-8000-000000000001"
Body = dict[str, Any]


@pytest.fixture(scope="module")
def page() -> Iterator[Page]:
    with module_page() as found:
        yield found


def si(value: str, unit: str, kind: str) -> float:
    found = UNITS[kind, unit]
    return (float(value) + found.offset) * found.factor


def amount(value: str, unit: str) -> dict[str, str]:
    return {"value": value, "unit": unit}


AIRS: dict[str, tuple[dict[str, Any], calc.Air]] = {
    "mild": (
        {"air_temperature": amount("21.4", "Cel"), "relative_humidity": amount("43", "%"),
         "barometric_pressure": amount("1002.5", "hPa"), "duct_static_pressure": amount("-125", "Pa")},
        calc.Air(294.55, 100250.0, None, -125.0, 0.43),
    ),
    "hot": (
        {"air_temperature": amount("131", "[degF]"), "relative_humidity": amount("20", "%"),
         "barometric_pressure": amount("29.10", "[in_i'Hg]")},
        calc.Air(si("131", "[degF]", "temperature"), si("29.10", "[in_i'Hg]", "pressure"), None, 0.0, 0.2),
    ),
    "cold, nothing but the temperature": (
        {"air_temperature": amount("-8", "Cel")}, calc.Air(265.15, altitude=1500.0),
    ),
}  # fmt: skip
PLANES: dict[str, tuple[dict[str, Any], calc.Duct]] = {
    "rectangular": (
        {"shape": "rectangular", "width": amount("500", "mm"), "height": amount("15.75", "[in_i]")},
        calc.Duct(calc.Shape.RECTANGULAR, 0.5, 0.40005),
    ),
    "round": ({"shape": "round", "diameter": amount("25", "cm")}, calc.Duct(calc.Shape.ROUND, 0.25)),
    "oval": (
        {"shape": "oval", "width": amount("0.8", "m"), "height": amount("300", "mm")},
        calc.Duct(calc.Shape.FLAT_OVAL, 0.8, 0.3),
    ),
}  # fmt: skip
PLACE = {"elevation": 1500.0, "standardDensity": 1.2014}
GRIDS = {
    "two runs": [
        (1, 1, 1, "13.1"),
        (1, 1, 2, "12.90"),
        (1, 2, 1, "14"),
        (2, 1, 1, "13.3"),
        (2, 2, 1, "13.6"),
    ],
    "one run, weak and negative": [(1, 1, 1, "0.2"), (1, 1, 2, "-0.4"), (1, 2, 1, "3.0")],
    "swapped hoses": [(1, 1, 1, "-13.1"), (1, 1, 2, "-12.9")],
}


def rows(figures: list[tuple[int, int, int, str]], quantity: str, unit: str) -> list[dict[str, Any]]:
    return [
        {"run": run, "line": line, "point": point, "quantity": quantity, "value": value, "unit": unit,
         "taken_at": AT.format(10 + n)}
        for n, (run, line, point, value) in enumerate(figures)
    ]  # fmt: skip


def zeros(before: str, after: str) -> list[dict[str, Any]]:
    return [
        {"at": AT.format(5), **amount(before, "Pa"), "instrument": TOOL},
        {"at": AT.format(55), **amount(after, "Pa"), "instrument": TOOL},
    ]


def agree(found: dict[str, Any], wanted: calc.MethodResult, case: str = "") -> None:
    assert "fault" not in found, f"{case}: {found}"
    assert found["flow"] == pytest.approx(wanted.flow.value, rel=1e-9), case
    if found["standardFlow"] is not None:
        assert found["standardFlow"] == pytest.approx(wanted.standard_flow.value, rel=1e-9), case
        assert found["density"] == pytest.approx(wanted.density.value, rel=1e-9), case
    if wanted.velocity is not None:
        assert found["velocity"] == pytest.approx(wanted.velocity.value, rel=1e-9), case


@pytest.mark.parametrize("air", AIRS)
@pytest.mark.parametrize("plane", PLANES)
def test_pitot_traverses(page: Page, air: str, plane: str) -> None:
    bodies, wanted = [], []
    for unit, name in (
        ("Pa", "two runs"),
        ("mm[H2O]", "one run, weak and negative"),
        ("Pa", "swapped hoses"),
    ):
        body = {
            "method": "pitot_traverse", "conditions": AIRS[air][0], "plane": PLANES[plane][0],
            "instruments": {"pressure": TOOL}, "zero_checks": zeros("0.2", "-0.1"),
            "readings": rows(GRIDS[name], "pressure", unit),
        }  # fmt: skip
        bodies.append([body, {**PLACE, "probeFactor": 0.84}])
        readings = [
            calc.PointReading(line, point, si(value, unit, "pressure"), run)
            for run, line, point, value in GRIDS[name]
        ]
        inputs = calc.PitotTraverse(
            PLANES[plane][1], tuple(readings), IDEAL, AIRS[air][1], probe=calc.Estimate(0.84, 0.01),
            zero_before=0.2, zero_after=-0.1, standard_density=1.2014,
        )  # fmt: skip
        wanted.append(calc.pitot_traverse(inputs))
    for one, result, name in zip(called(page, "preview", "preview", bodies), wanted, GRIDS, strict=True):
        agree(one, result, name)
        assert [run["flow"] for run in one["runs"]] == pytest.approx([r.flow for r in result.runs])
        assert (name == "swapped hoses") == any("swapped" in note for note in one["notes"])


@pytest.mark.parametrize("plane", ["rectangular", "oval"])
@pytest.mark.parametrize("lengths", [("4.5", "1.8"), ("0.4", "0.1"), None])
@pytest.mark.parametrize("quantity", ["pressure", "velocity"])
def test_swept_lines_by_their_means(
    page: Page, quantity: str, lengths: tuple[str, str] | None, plane: str
) -> None:
    means = [(1, 1, "13.1"), (1, 2, "12.4"), (1, 3, "11.9"), (2, 1, "13.3")]
    unit = "Pa" if quantity == "pressure" else "m/s"
    given = (
        {}
        if lengths is None
        else {"upstream": amount(lengths[0], "m"), "downstream": amount(lengths[1], "m")}
    )
    sweeps = [
        {"run": run, "line": line, "quantity": quantity, "started_at": AT.format(10 + n), "unit": unit,
         "duration": amount("30", "s"), "mean": amount(mean, unit)}
        for n, (run, line, mean) in enumerate(means)
    ]  # fmt: skip
    body = {"method": "swept_traverse", "conditions": AIRS["mild"][0], "plane": PLANES[plane][0] | given,
            "instruments": {"pressure": TOOL}, "zero_checks": zeros("0.2", "-0.1"),
            "sweeps": sweeps}  # fmt: skip
    before, after = (None, None) if lengths is None else (float(lengths[0]), float(lengths[1]))
    swept = tuple(calc.Sweep(n, run, mean=float(v), duration=30.0) for run, n, v in means)
    wanted = calc.swept_traverse(
        calc.SweptTraverse(
            PLANES[plane][1], 3, swept,
            calc.Signal(quantity), IDEAL, AIRS["mild"][1], zero=0.05 if quantity == "pressure" else 0.0,
            upstream=before, downstream=after, standard_density=1.2014,
        )
    )  # fmt: skip
    agree(called(page, "preview", "preview", [[body, {**PLACE, "probeFactor": None}]])[0], wanted)


@pytest.mark.parametrize("signal", ["velocity", "standard_velocity"])
def test_anemometer_traverses(page: Page, signal: str) -> None:
    figures = [(1, 1, 1, "812"), (1, 1, 2, "905"), (2, 1, 1, "799"), (1, 2, 1, "1010")]
    body = {
        "method": "anemometer_traverse", "conditions": AIRS["mild"][0], "plane": PLANES["rectangular"][0],
        "instruments": {"velocity": TOOL}, "told": {"signal": signal, "head_area": amount("1.5", "[sin_i]")},
        "readings": rows(figures, "velocity", "[ft_i]/min"),
    }  # fmt: skip
    velocity = Readings(
        tuple(si(v, "[ft_i]/min", "velocity") for *_, v in figures),
        IDEAL,
        places=tuple(f[:3] for f in figures),
    )
    wanted = calc.anemometer_traverse(
        calc.AnemometerTraverse(
            PLANES["rectangular"][1], velocity, calc.Signal(signal), AIRS["mild"][1],
            head_area=si("1.5", "[sin_i]", "area"), standard_density=1.2014,
        )
    )  # fmt: skip
    agree(called(page, "preview", "preview", [[body, PLACE]])[0], wanted)


def test_hoods_and_the_axis(page: Page) -> None:
    air, given = AIRS["mild"]
    hood_rows = [(1, 1, 1, "190"), (2, 1, 1, "193")]
    hood = {"method": "hood_reading", "conditions": air, "instruments": {"hood": TOOL},
            "readings": rows(hood_rows, "flow", "[cft_i]/min")}  # fmt: skip
    axis_rows = [(1, 1, 1, "22.0"), (2, 1, 1, "23.5")]
    axis = {
        "method": "centreline_reading", "conditions": air, "plane": PLANES["round"][0],
        "instruments": {"pressure": TOOL}, "zero_checks": zeros("0.1", "0.1"),
        "readings": rows(axis_rows, "pressure", "Pa"),
    }  # fmt: skip
    found = called(
        page,
        "preview",
        "preview",
        [[hood, {**PLACE, "probeFactor": 1.04}], [axis, {**PLACE, "probeFactor": None}]],
    )
    flows = tuple(si(v, "[cft_i]/min", "flow") for *_, v in hood_rows)
    agree(found[0], calc.hood_reading(
        calc.HoodReading(flows, IDEAL, given, factor=calc.Estimate(1.04, 0.02), standard_density=1.2014)
    ))  # fmt: skip
    agree(found[1], calc.centreline_reading(
        calc.CentrelineReading(PLANES["round"][1], (22.0, 23.5), IDEAL, given, zero_before=0.1,
                               zero_after=0.1, standard_density=1.2014)
    ))  # fmt: skip
    assert any("screening" in note for note in found[1]["notes"])


@pytest.mark.parametrize("temperature", ["44.8", None])
@pytest.mark.parametrize("figures", [["12.1", "12.4"], ["-12.1", "-12.4"]])
def test_valves_with_water(page: Page, figures: list[str], temperature: str | None) -> None:
    readings = rows([(n, 1, 1, v) for n, v in enumerate(figures, 1)], "pressure", "kPa")
    if temperature:
        readings += [{**rows([(1, 1, 1, temperature)], "temperature", "Cel")[0], "place": "temperature"}]
    body = {"method": "valve_flow", "conditions": {}, "instruments": {"water_pressure": TOOL},
            "told": {"coefficient": amount("6.3", "{Kv}"), "viscosity_factor": amount("0.97", "1")},
            "readings": readings}  # fmt: skip
    wanted = calc.valve_flow(
        calc.ValveFlow(
            Readings(tuple(1000.0 * float(v) for v in figures), IDEAL),
            calc.Estimate(si("6.3", "{Kv}", "flow_coefficient"), 0.0),
            Readings((273.15 + float(temperature),), IDEAL) if temperature else None,
            viscosity_factor=calc.Estimate(0.97, 0.01),
        )
    )
    agree(called(page, "preview", "preview", [[body, PLACE]])[0], wanted)


def test_what_is_not_plain_says_that_it_needs_the_service(page: Page) -> None:
    air = AIRS["mild"][0]
    pressure = rows([(1, 1, 1, "13.1")], "pressure", "Pa")
    cases: list[Body] = [
        {"method": "swept_traverse", "plane": PLANES["rectangular"][0], "sweeps": []},
        {"method": "swept_traverse", "conditions": air, "plane": PLANES["round"][0],
         "sweeps": [{"run": 1, "line": 1, "quantity": "pressure", "mean": amount("12", "Pa")}]},
        {"method": "swept_traverse", "conditions": air, "plane": PLANES["oval"][0],
         "sweeps": [{"run": 1, "line": 1, "quantity": "pressure", "samples": ["12", "13"]}]},
        {"method": "fan_test"},
        {"method": "pitot_traverse", "conditions": air, "plane": PLANES["round"][0], "readings": []},
        {"method": "pitot_traverse", "conditions": air, "readings": pressure},
        {"method": "pitot_traverse", "conditions": {}, "plane": PLANES["round"][0], "readings": pressure},
        {"method": "pitot_traverse", "plane": PLANES["round"][0], "readings": pressure,
         "conditions": {"air_temperature": amount("120", "Cel")}},
        {"method": "hood_reading", "conditions": air, "readings": rows([(1, 1, 1, "-90")], "flow", "L/s")},
        {"method": "valve_flow", "told": {"coefficient": amount("6", "{Kv}"), "fluid": "ethylene_glycol"},
         "readings": pressure},
        {"method": "valve_flow", "told": {}, "readings": pressure},
        {"method": "anemometer_traverse", "conditions": air, "plane": PLANES["round"][0], "told": {},
         "readings": rows([(1, 1, 1, "4")], "velocity", "m/s")},
    ]  # fmt: skip
    found = called(page, "preview", "preview", [[body, PLACE] for body in cases])
    assert all(one["fault"] for one in found), found


def test_runs_are_compared_by_their_flows(page: Page) -> None:
    runs = [[{"run": 1, "flow": 1.0}], [{"run": 1, "flow": 1.0}, {"run": 2, "flow": 1.1}]]
    assert called(page, "preview", "runSpread", [[one] for one in runs]) == [None, pytest.approx(0.1 / 1.05)]
