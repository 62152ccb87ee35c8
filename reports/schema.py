"""The JSON Schema (draft 2020-12) of the snapshot that is attached to every report, made from its types.

Run as `python -m reports.schema FILE`. Whoever reads a report's figures by machine finds here what each field
holds and in which unit.
"""

import json
import sys
from functools import cache
from pathlib import Path
from typing import Any

import msgspec

from reports.document import SCHEMA, Document, Quantity

DIALECT = "https://json-schema.org/draft/2020-12/schema"
MEDIA_TYPE = "application/schema+json"
UNITS: dict[Quantity, str] = {
    Quantity.FLOW: "m3/s",
    Quantity.VELOCITY: "m/s",
    Quantity.PRESSURE: "Pa, a difference",
    Quantity.ABSOLUTE_PRESSURE: "Pa",
    Quantity.LENGTH: "m",
    Quantity.AREA: "m2",
    Quantity.TEMPERATURE: "degrees Celsius",
    Quantity.TEMPERATURE_DIFFERENCE: "K",
    Quantity.HUMIDITY: "1, share of saturation",
    Quantity.DENSITY: "kg/m3",
    Quantity.FRACTION: "1",
    Quantity.NUMBER: "1",
    Quantity.TIME: "s",
    Quantity.RATING: "1, whole numbers",
    Quantity.HEAD: "m of the fluid",
    Quantity.POWER: "W",
    Quantity.HEAT: "W",
    Quantity.SPEED: "1/s, revolutions",
    Quantity.RATE: "1/s",
    Quantity.VOLTAGE: "V",
    Quantity.CURRENT: "A",
    Quantity.SOUND_LEVEL: "dB",
    Quantity.CONCENTRATION: "1/m3, particles",
    Quantity.CARBON_DIOXIDE: "1, share of volume",
    Quantity.LEAKAGE: "m3/s per m2",
    Quantity.FLOW_COEFFICIENT: "m3/s at 1 Pa",
    Quantity.MASS_FLOW: "kg/s",
    Quantity.SPECIFIC_POWER: "W per m3/s",
    Quantity.VISCOSITY: "Pa s",
    Quantity.SPECIFIC_HEAT: "J/(kg K)",
    Quantity.ENTHALPY: "J/kg",
    Quantity.LIQUID_FLOW: "m3/s",
    Quantity.LIQUID_PRESSURE: "Pa",
    Quantity.LEAK_COEFFICIENT: "m3/s at 1 Pa to the power of the leak's exponent",
    Quantity.LEAK_FACTOR: "m3/s per m2 at 1 Pa to the power of 0.65",
}
"""Unit of a figure by its `quantity`."""


def snapshot_schema() -> dict[str, Any]:
    """The schema as a JSON value."""
    made = msgspec.json.schema(Document)
    parts: dict[str, Any] = made.pop("$defs")
    lines = [f"{quantity.value}: {unit}" for quantity, unit in UNITS.items()]
    parts["Quantity"]["description"] = (
        "Kind of a quantity and the unit of its figures: " + "; ".join(lines) + "."
    )
    return {
        "$schema": DIALECT,
        "$id": "urn:" + SCHEMA.replace(".", ":").replace("/", ":"),
        "title": "Snapshot of a report",
        "description": "All that a report says, as frozen at approval. Canonical form: UTF-8, sorted "
        "keys, no blanks; its SHA-256 is the digest printed in the report. Moments are ISO 8601 with offset.",
        **made,
        "$defs": parts,
    }


@cache
def text() -> str:
    """The schema as it is committed and served."""
    return json.dumps(snapshot_schema(), indent=1, ensure_ascii=False, sort_keys=True) + "\n"


if __name__ == "__main__":
    Path(sys.argv[1]).write_text(text(), encoding="utf-8")
