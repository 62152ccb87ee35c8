"""A plausible session of every method that is no traverse by pitot tube, as a tablet would post it.

Invented figures. `equip` gives the company the instruments and points that they need.
"""

from collections.abc import Callable, Iterable
from datetime import timedelta
from typing import Any

from jobs.events import digest
from jobs.instruments import certificate_content
from jobs.models import (
    Certificate,
    CertificatePoint,
    Instrument,
    InstrumentKind,
    InstrumentRange,
    Measurand,
    PointKind,
    Quantity,
    System,
    TestPoint,
)
from tests import factories
from tests.factories import World
from tests.measurements.batches import amount, now, rectangular_plane, session, tools

Session = dict[str, Any]
TOOLS = {
    "static": (InstrumentKind.MANOMETER, Quantity.PRESSURE, -1500.0, 1500.0, 0.1, 1.0),
    "velocity": (InstrumentKind.ANEMOMETER, Quantity.VELOCITY, 0.1, 20.0, 0.01, 0.02),
    "flow": (InstrumentKind.FLOW_METER, Quantity.FLOW, 0.0, 0.01, 0.00001, 0.00002),
    "speed": (InstrumentKind.TACHOMETER, Quantity.SPEED, 0.0, 100.0, 0.01, 0.02),
    "voltage": (InstrumentKind.ELECTRICAL, Quantity.VOLTAGE, 0.0, 600.0, 0.1, 1.0),
    "current": (InstrumentKind.ELECTRICAL, Quantity.CURRENT, 0.0, 100.0, 0.01, 0.05),
    "power": (InstrumentKind.ELECTRICAL, Quantity.POWER, 0.0, 20000.0, 1.0, 20.0),
    "power_factor": (InstrumentKind.ELECTRICAL, Quantity.FACTOR, 0.0, 1.0, 0.01, 0.01),
    "carbon_dioxide": (InstrumentKind.GAS_ANALYSER, Quantity.CARBON_DIOXIDE, 0.0, 0.002, 1e-6, 1e-5),
    "particles": (InstrumentKind.PARTICLE_COUNTER, Quantity.CONCENTRATION, 0.0, 1e7, 1.0, 1e4),
    "sound": (InstrumentKind.SOUND_METER, Quantity.SOUND_LEVEL, 20.0, 130.0, 0.1, 0.5),
    "water_pressure": (InstrumentKind.PRESSURE_GAUGE, Quantity.PRESSURE, 0.0, 5e5, 100.0, 300.0),
    "water_temperature": (InstrumentKind.THERMOMETER, Quantity.TEMPERATURE, 273.15, 373.15, 0.01, 0.05),
    "air_temperature": (InstrumentKind.THERMOMETER, Quantity.TEMPERATURE, 253.15, 333.15, 0.01, 0.1),
}
"""By use: kind, quantity, range, resolution, U of its certificate (SI)."""
POINTS: dict[str, tuple[PointKind, dict[str, Any]]] = {
    "G-1": (PointKind.OUTLET, {"design_flow": 0.12}),
    "FS-1": (PointKind.DUCT, {"design_flow": 0.86}),
    "AHU-1": (PointKind.UNIT, {}),
    "SW-1": (PointKind.DEVICE, {}),
    "EF-1": (
        PointKind.FAN,
        {"design_of": Measurand.FAN_STATIC_PRESSURE, "design_value": 560.0},
    ),
    "MX-1": (PointKind.UNIT, {"design_of": Measurand.OUTDOOR_SHARE, "design_value": 0.3}),
    "D-1": (PointKind.DUCT, {}),
    "R-1": (PointKind.ROOM, {"design_of": Measurand.PRESSURE, "design_value": 15.0, "limit_low": 10.0}),
    "R-2": (PointKind.ROOM, {"design_of": Measurand.NC_RATING, "limit_high": 40.0}),
    "FH-1": (PointKind.FUME_HOOD, {"design_of": Measurand.VELOCITY, "design_value": 0.5}),
    "BV-1": (PointKind.VALVE, {"design_flow": 0.00061}),
    "P-1": (PointKind.PUMP, {"design_of": Measurand.HEAD, "design_value": 14.5}),
    "C-1": (PointKind.COIL, {"design_of": Measurand.HEAT, "design_value": 26000.0}),
}


def equip(world: World) -> World:
    """Adds instruments by use and the points of `POINTS` to the world. Inside the company."""
    tools = factories.instruments(
        *((kind, [(quantity, low, high, step)], {}) for kind, quantity, low, high, step, _ in TOOLS.values())
    )
    accuracies = {tool.id: one[-1] for tool, one in zip(tools, TOOLS.values(), strict=True)}
    ranges = list(InstrumentRange.objects.filter(instrument__in=accuracies))
    for reach in ranges:
        reach.accuracy_of_reading, reach.accuracy_absolute = 0.0, accuracies[reach.instrument_id]
    InstrumentRange.objects.bulk_update(ranges, ["accuracy_of_reading", "accuracy_absolute"])
    certify(
        (tool, quantity, low, high, U)
        for tool, (_, quantity, low, high, _, U) in zip(tools, TOOLS.values(), strict=True)
    )
    world.instruments.update(zip(TOOLS, tools, strict=True))
    system = System.objects.get(id=world.points["MD-1"].system_id)
    points = [
        TestPoint(system=system, tag=tag, kind=kind, position=position, **fields)
        for position, (tag, (kind, fields)) in enumerate(POINTS.items(), 100)
    ]
    world.points.update((point.tag, point) for point in TestPoint.objects.bulk_create(points))
    return world


def certify(given: Iterable[tuple[Instrument, Quantity, float, float, float]]) -> None:
    """Certificates of points over whole ranges, without error: instrument, quantity, low, high, U."""
    day = now().date() - timedelta(days=20)
    certificates: list[Certificate] = []
    lines: list[CertificatePoint] = []
    for tool, quantity, low, high, U in given:
        made = Certificate(
            instrument=tool,
            number=f"M-{tool.serial}",
            laboratory="Vale Calibration Laboratory",
            calibrated_on=day,
            due_on=day + timedelta(days=365),
        )
        points = [
            CertificatePoint(
                certificate=made, quantity=quantity, reference=value, as_left=value, expanded_uncertainty=U
            )
            for value in (low + share * (high - low) for share in (0.0, 0.25, 0.5, 0.75, 1.0))
        ]
        made.digest = digest(certificate_content(made, points))
        certificates.append(made)
        lines += points
    Certificate.objects.bulk_create(certificates)
    CertificatePoint.objects.bulk_create(lines)


def read(
    quantity: str, unit: str, *values: str, place: str = "", by: str = "run", apart: int = 5
) -> list[dict[str, Any]]:
    """Readings of one place; `by`: what counts them up (run, line or point)."""
    start = now() - timedelta(minutes=8)
    return [
        {
            "place": place,
            "run": 1,
            "line": 1,
            "point": 1,
            by: n + 1,
            "quantity": quantity,
            "value": value,
            "unit": unit,
            "taken_at": (start + timedelta(seconds=apart * n)).isoformat(),
        }
        for n, value in enumerate(values)
    ]


def grid(values: list[list[str]], quantity: str = "velocity", unit: str = "m/s") -> list[dict[str, Any]]:
    start = now() - timedelta(minutes=8)
    return [
        {
            "run": 1, "line": line, "point": point, "quantity": quantity, "value": value, "unit": unit,
            "taken_at": (start + timedelta(seconds=10 * line + point)).isoformat(),
        }
        for line, column in enumerate(values, 1)
        for point, value in enumerate(column, 1)
    ]  # fmt: skip


def static_tools(world: World, *others: str) -> dict[str, str]:
    return {**tools(world, *others), "pressure": str(world.instruments["static"].id)}


def anemometer(world: World, **changes: Any) -> Session:
    rows = [[f"{4.4 + 0.1 * ((3 * i + 2 * j) % 5):.2f}" for j in range(5)] for i in range(5)]
    usual: Session = {
        "plane": rectangular_plane(),
        "instruments": tools(world, "velocity", "temperature", "humidity", "barometer"),
        "told": {"signal": "velocity", "head_area": amount("0.8", "[sin_i]")},
        "readings": grid(rows) + [{**row, "run": 2} for row in grid(rows)],
    }
    return session(world, "MD-1", "anemometer_traverse", **(usual | changes))


def face(world: World, **changes: Any) -> Session:
    usual: Session = {
        "instruments": tools(world, "velocity", "temperature"),
        "told": {
            "effective_area": {"value": "0.0562", "unit": "m2", "expanded_uncertainty": "0.0022"},
            "area_source": "maker",
            "signal": "velocity",
        },
        "readings": grid([["2.05", "2.11", "1.98"], ["2.14", "2.20", "2.02"]]),
    }
    return session(world, "G-1", "face_velocity", **(usual | changes))


def station(world: World, **changes: Any) -> Session:
    usual: Session = {
        "instruments": static_tools(world, "temperature", "barometer"),
        "told": {
            "device": "factor",
            "factor": {"value": "68.0", "unit": "L/s/Pa^0.5", "expanded_uncertainty": "1.4"},
            "factor_density": amount("1.2", "kg/m3"),
        },
        "readings": read("pressure", "Pa", "158.2", "159.0", "157.6"),
        "zero_checks": [],
    }
    return session(world, "FS-1", "flow_station", **(usual | changes))


def profile(world: World, **changes: Any) -> Session:
    usual: Session = {
        "conditions": {},
        "instruments": static_tools(world),
        "told": {
            "components": ["filter", "cooling_coil", "fan", "duct"],
            "clean_drops": [amount("60", "Pa"), amount("120", "Pa"), None, None],
            "unit_from": amount("1", "1"),
            "unit_to": amount("4", "1"),
            "external_limit": amount("250", "Pa"),
        },
        "readings": read("pressure", "Pa", "-62.0", "-158.0", "-296.5", "148.0", "96.0", by="line"),
    }
    return session(world, "AHU-1", "static_profile", **(usual | changes))


def check(world: World, **changes: Any) -> Session:
    usual: Session = {
        "conditions": {},
        "instruments": static_tools(world),
        "told": {"subject": "switch", "low": amount("240", "Pa"), "high": amount("280", "Pa")},
        "readings": read("pressure", "Pa", "261", "259", "260")
        + read("pressure", "Pa", "205", "207", "206", place="release"),
    }
    return session(world, "SW-1", "pressure_check", **(usual | changes))


def fan(world: World, **changes: Any) -> Session:
    usual: Session = {
        "instruments": static_tools(world, "temperature", "barometer", "speed", "voltage", "current"),
        "told": {
            "flow": {"value": "1850", "unit": "L/s", "expanded_uncertainty": "70"},
            "inlet_area": amount("0.28", "m2"),
            "outlet_area": amount("0.24", "m2"),
            "supply": "three_phase",
            "motor_efficiency": amount("0.87", "1"),
            "drive_efficiency": amount("0.95", "1"),
            "nameplate_power": amount("3", "kW"),
            "nameplate_current": amount("6.1", "A"),
            "nameplate_voltage": amount("400", "V"),
            "maximum_speed": amount("1450", "/min"),
        },
        "readings": read("pressure", "Pa", "-312", "-315", place="inlet_pressure")
        + read("pressure", "Pa", "276", "274", place="outlet_pressure")
        + read("speed", "/min", "1178", "1177", place="speed")
        + read("voltage", "V", "402", "404", "403", place="voltage", by="line")
        + read("current", "A", "4.72", "4.80", "4.76", place="current", by="line"),
    }
    return session(world, "EF-1", "fan_test", **(usual | changes))


def mixed(world: World, **changes: Any) -> Session:
    usual: Session = {
        "conditions": {},
        "instruments": {"temperature": str(world.instruments["air_temperature"].id)},
        "told": {"flow": {"value": "2.4", "unit": "m3/s", "expanded_uncertainty": "0.1"}},
        "readings": read("temperature", "Cel", "22.6", "22.7", place="return_air")
        + read("temperature", "Cel", "2.1", "2.2", place="outdoor_air")
        + read("temperature", "Cel", "16.1", "16.9", "16.4", "16.8", place="mixed_air", by="line"),
    }
    return session(world, "MX-1", "mixed_air", **(usual | changes))


def leakage(world: World, **changes: Any) -> Session:
    steps = [("100", "1.62"), ("200", "2.55"), ("400", "4.00"), ("600", "5.21")]
    usual: Session = {
        "instruments": static_tools(world, "flow", "temperature", "barometer"),
        "told": {
            "surface_area": {"value": "42", "unit": "m2", "expanded_uncertainty": "1"},
            "test_pressure": amount("400", "Pa"),
            "scheme": "en",
            "required_class": "B",
        },
        "readings": read("pressure", "Pa", *(p for p, _ in steps), place="duct_pressure", by="line")
        + read("flow", "L/s", *(q for _, q in steps), place="leak_flow", by="line"),
    }
    return session(world, "D-1", "leakage_test", **(usual | changes))


def room(world: World, **changes: Any) -> Session:
    counts = [f"{1e6 * 0.5 ** (n / 3):.0f}" for n in range(0, 12, 2)]
    usual: Session = {
        "conditions": {},
        "instruments": tools(world, "pressure", "hood", "particles"),
        "told": {
            "wanted": "positive",
            "volume": amount("96", "m3"),
            "reference": "corridor",
        },
        "readings": read("pressure", "Pa", "14.6", "15.1", "14.9", "15.0", place="pressure")
        + read("flow", "L/s", "245", "251", place="supply_flow", by="line")
        + read("concentration", "/m3", *counts, place="concentration", apart=60),
    }
    return session(world, "R-1", "room_pressure", **(usual | changes))


def hood_face(world: World, **changes: Any) -> Session:
    usual: Session = {
        "instruments": tools(world, "velocity", "temperature"),
        "told": {
            "width": amount("1200", "mm"),
            "height": amount("450", "mm"),
            "columns": amount("4", "1"),
            "rows": amount("2", "1"),
            "signal": "velocity",
        },
        "readings": grid([["0.51", "0.47"], ["0.53", "0.50"], ["0.52", "0.49"], ["0.50", "0.46"]]),
    }
    return session(world, "FH-1", "hood_face", **(usual | changes))


def sound(world: World, **changes: Any) -> Session:
    levels = {
        "63": "52",
        "125": "46",
        "250": "41",
        "500": "38",
        "1000": "34",
        "2000": "30",
        "4000": "26",
        "8000": "22",
    }
    readings = [
        row
        for band, level in levels.items()
        for row in read("sound_level", "dB", level, place=f"band_{band}")
    ]
    usual: Session = {"conditions": {}, "instruments": tools(world, "sound"), "readings": readings}
    return session(world, "R-2", "sound_level", **(usual | changes))


def valve(world: World, **changes: Any) -> Session:
    usual: Session = {
        "conditions": {},
        "instruments": tools(world, "water_pressure", "water_temperature"),
        "told": {
            "coefficient": {"value": "6.3", "unit": "Kv", "expanded_uncertainty": "0.3"},
            "setting": amount("2.5", "1"),
            "fluid": "water",
        },
        "readings": read("pressure", "kPa", "12.1", "12.3", "12.2")
        + read("temperature", "Cel", "44.8", place="temperature"),
    }
    return session(world, "BV-1", "valve_flow", **(usual | changes))


def pump(world: World, **changes: Any) -> Session:
    usual: Session = {
        "conditions": {},
        "instruments": tools(world, "water_pressure", "water_temperature", "speed"),
        "told": {
            "suction_height": amount("0.4", "m"),
            "discharge_height": amount("1.1", "m"),
            "fluid": "ethylene_glycol",
            "glycol_share": {"value": "30", "unit": "%", "expanded_uncertainty": "2"},
            "curve_flow": [amount(v, "m3/h") for v in ("0", "6", "12", "18", "24")],
            "curve_head": [amount(v, "m") for v in ("17.2", "16.9", "15.8", "13.6", "10.1")],
            "curve_speed": amount("1450", "/min"),
        },
        "readings": read("pressure", "kPa", "104", "105", place="suction")
        + read("pressure", "kPa", "243", "242", place="discharge")
        + read("temperature", "Cel", "8.6", place="temperature")
        + read("speed", "/min", "1448", place="speed"),
    }
    return session(world, "P-1", "pump_test", **(usual | changes))


def coil(world: World, **changes: Any) -> Session:
    usual: Session = {
        "instruments": {
            **tools(world, "humidity", "water_temperature", "barometer"),
            "temperature": str(world.instruments["air_temperature"].id),
        },
        "told": {
            "air_flow": {"value": "1.62", "unit": "m3/s", "expanded_uncertainty": "0.06"},
            "air_flow_at": "entering",
            "water_flow": {"value": "1.24", "unit": "L/s", "expanded_uncertainty": "0.05"},
            "fluid": "water",
        },
        "readings": read("temperature", "Cel", "12.4", "12.5", place="entering_air")
        + read("temperature", "Cel", "25.6", "25.7", place="leaving_air")
        + read("humidity", "%", "48", place="entering_humidity")
        + read("humidity", "%", "21", place="leaving_humidity")
        + read("temperature", "Cel", "60.2", "60.1", place="entering_water")
        + read("temperature", "Cel", "55.1", "55.2", place="leaving_water"),
    }
    return session(world, "C-1", "coil_heat", **(usual | changes))


SESSIONS: dict[str, Callable[..., Session]] = {
    "anemometer_traverse": anemometer,
    "face_velocity": face,
    "flow_station": station,
    "static_profile": profile,
    "pressure_check": check,
    "fan_test": fan,
    "mixed_air": mixed,
    "leakage_test": leakage,
    "room_pressure": room,
    "hood_face": hood_face,
    "sound_level": sound,
    "valve_flow": valve,
    "pump_test": pump,
    "coil_heat": coil,
}
