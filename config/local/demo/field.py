"""What the technician's tablet makes of a test point: sessions ready to be posted."""

import uuid
from dataclasses import dataclass, field
from datetime import datetime, timedelta, timezone
from typing import Any

from config.local.demo.air import ALTITUDE_PRESSURE_HPA, Duct, Technician
from config.local.demo.scenario import SHORT_OUTLET, carried

ZONE = timezone(timedelta(hours=1))


def amount(value: object, unit: str) -> dict[str, str]:
    return {"value": str(value), "unit": unit}


@dataclass
class Tablet:
    """Fills sessions from the worklist: layout and instruments as fetched, figures as read."""

    job: dict[str, Any]
    clock: datetime
    hands: Technician = field(default_factory=lambda: Technician(7))

    def points(self) -> dict[str, dict[str, Any]]:
        return {point["tag"]: point for system in self.job["systems"] for point in system["points"]}

    def tool(self, kind: str) -> str:
        """The id of the job's instrument of a kind."""
        return next(str(tool["id"]) for tool in self.job["instruments"] if tool["kind"] == kind)

    def tick(self, seconds: float) -> str:
        self.clock += timedelta(seconds=seconds)
        return self.clock.astimezone(ZONE).isoformat(timespec="milliseconds")

    def session(self, tag: str, method: str, minutes: float) -> dict[str, Any]:
        """A session without readings yet."""
        start = self.tick(20)
        return {
            "id": str(uuid.uuid4()),
            "job": self.job["id"],
            "test_point": self.points()[tag]["id"],
            "method": method,
            "started_at": start,
            "finished_at": (self.clock + timedelta(minutes=minutes)).astimezone(ZONE).isoformat(),
            "conditions": {
                "air_temperature": amount("21.4", "Cel"),
                "relative_humidity": amount("43", "%"),
                "barometric_pressure": amount(ALTITUDE_PRESSURE_HPA, "hPa"),
                "duct_static_pressure": amount("182", "Pa"),
            },
            "instruments": {
                "temperature": self.tool("thermometer"),
                "humidity": self.tool("hygrometer"),
                "barometer": self.tool("barometer"),
            },
        }

    def plane(self, point: dict[str, Any], upstream: str, downstream: str) -> dict[str, Any]:
        """The measuring plane as found: sizes, layout and straight lengths."""
        sizes = {
            name: amount(round(point[f"{name}_m"] * 1000), "mm")
            for name in ("width", "height", "diameter")
            if point[f"{name}_m"]
        }
        layout = point["layout"]
        return {
            "shape": point["shape"],
            **sizes,
            "wall": amount("1", "mm"),
            "rule": layout["rule"],
            "lines": layout["lines"],
            "points": layout["points"],
            "upstream": amount(upstream, "m"),
            "downstream": amount(downstream, "m"),
            "upstream_disturbance": "elbow",
            "downstream_disturbance": "transition",
        }

    def duct(self, point: dict[str, Any]) -> Duct:
        return Duct(
            carried(point["tag"]),
            point["width_m"] or 0.0,
            point["height_m"] or 0.0,
            point["diameter_m"] or 0.0,
            skew=0.18,
        )

    def traverse(self, tag: str, upstream: str, downstream: str, *, sign: str = "") -> dict[str, Any]:
        """Two runs of a pitot traverse at the places of the worklist's layout; sign "-": hoses swapped."""
        made = self.session(tag, "pitot_traverse", 14)
        point = self.points()[tag]
        duct, meter = self.duct(point), self.tool("manometer")
        made["plane"] = self.plane(point, upstream, downstream)
        made["instruments"] |= {"pressure": meter, "probe": self.tool("pitot_tube")}
        made["zero_checks"] = [{"at": self.tick(5), "value": "0.0", "unit": "Pa", "instrument": meter}]
        made["readings"] = [
            self.reading(duct, point, place, run, sign)
            for run in (1, 2)
            for place in point["layout"]["depths"]
        ]
        made["zero_checks"].append({"at": self.tick(20), "value": "0.1", "unit": "Pa", "instrument": meter})
        made["finished_at"] = self.tick(5)
        return made

    def reading(
        self, duct: Duct, point: dict[str, Any], place: dict[str, Any], run: int, sign: str
    ) -> dict[str, Any]:
        if duct.diameter:
            velocity = duct.velocity(place["depth_m"] / duct.diameter, 0.5)
        else:
            velocity = duct.velocity(place["x_m"] / duct.width, place["y_m"] / duct.height)
        return {
            "run": run,
            "line": place["line"],
            "point": place["point"],
            "quantity": "pressure",
            "value": sign + self.hands.velocity_pressure(velocity),
            "unit": "Pa",
            "taken_at": self.tick(8),
        }

    def sweeps(self, tag: str, upstream: str, downstream: str, lines: int = 5) -> dict[str, Any]:
        """Two runs of sweeps, 30 seconds a line, samples twice a second."""
        made = self.session(tag, "swept_traverse", 12)
        point = self.points()[tag]
        duct, meter, seconds = self.duct(point), self.tool("manometer"), 30
        made["plane"] = self.plane(point, upstream, downstream) | {"rule": "equal_area", "lines": lines}
        made["instruments"] |= {"pressure": meter, "probe": self.tool("pitot_tube")}
        made["zero_checks"] = [{"at": self.tick(5), "value": "0.0", "unit": "Pa", "instrument": meter}]
        made["sweeps"] = []
        for run in (1, 2):
            for line in range(1, lines + 1):
                x, start = (line - 0.5) / lines, self.tick(6)
                path = [(n + 0.5) / (2 * seconds) for n in range(2 * seconds)]
                samples = self.hands.samples([duct.velocity(x, y) for y in path])
                made["sweeps"].append(
                    {
                        "run": run,
                        "line": line,
                        "quantity": "pressure",
                        "started_at": start,
                        "duration": amount(seconds, "s"),
                        "unit": "Pa",
                        "samples": samples,
                    }
                )
                self.tick(seconds)
        made["zero_checks"].append({"at": self.tick(20), "value": "0.0", "unit": "Pa", "instrument": meter})
        made["finished_at"] = self.tick(5)
        return made

    def tests(self) -> list[dict[str, Any]]:
        """Fan, unit, room and balancing valve: what is no air flow in a duct or at an outlet."""
        made = (("FN-1", self.fan), ("AH-1", self.profile), ("RM-1", self.room), ("BV-1", self.valve))
        return [{"tag": tag, "session": make(tag)} for tag, make in made]

    def read(self, quantity: str, unit: str, *values: str, place: str = "", by: str = "run") -> list[Any]:
        """Readings of one place; `by`: what counts them up."""
        return [
            {
                "place": place,
                "run": 1,
                "line": 1,
                "point": 1,
                by: n,
                "quantity": quantity,
                "value": value,
                "unit": unit,
                "taken_at": self.tick(12),
            }
            for n, value in enumerate(values, 1)
        ]

    def test(self, tag: str, method: str, uses: dict[str, str], told: dict[str, Any]) -> dict[str, Any]:
        made = self.session(tag, method, 6)
        made["instruments"] = {use: self.tool(kind) for use, kind in uses.items()}
        return made | {"told": told}

    def fan(self, tag: str) -> dict[str, Any]:
        """Static pressures round the fan, its speed, the motor's power."""
        uses = {
            "pressure": "manometer",
            "speed": "tachometer",
            "power": "electrical",
            "barometer": "barometer",
        }
        made = self.test(
            tag,
            "fan_test",
            {**uses, "temperature": "thermometer", "barometer": "barometer"},
            {
                "flow": {"value": "2350", "unit": "L/s", "expanded_uncertainty": "90"},
                "inlet_area": amount("0.52", "m2"),
                "outlet_area": amount("0.45", "m2"),
                "motor_efficiency": amount("0.86", "1"),
                "drive_efficiency": amount("0.96", "1"),
                "nameplate_power": amount("3", "kW"),
                "maximum_speed": amount("1600", "/min"),
                "curve_flow": [amount(v, "m3/s") for v in ("1.2", "1.8", "2.4", "3.0", "3.6")],
                "curve_pressure": [amount(v, "Pa") for v in ("560", "525", "440", "320", "165")],
                "curve_speed": amount("1250", "/min"),
                "curve_density": amount("1.2", "kg/m3"),
            },
        )
        made["conditions"]["duct_static_pressure"] = amount("-246", "Pa")
        made["readings"] = [
            *self.read("pressure", "Pa", "-247.2", "-245.8", place="inlet_pressure"),
            *self.read("pressure", "Pa", "183.1", "182.4", place="outlet_pressure"),
            *self.read("speed", "/min", "1243", "1242", place="speed"),
            *self.read("power", "W", "1934", "1941", place="power"),
        ]
        return made

    def profile(self, tag: str) -> dict[str, Any]:
        """Static pressures along the air path of the unit."""
        made = self.test(
            tag,
            "static_profile",
            {"pressure": "manometer"},
            {
                "components": ["filter", "heating_coil", "fan", "silencer"],
                "clean_drops": [amount("80", "Pa"), amount("115", "Pa"), None, None],
                "unit_from": amount("1", "1"),
                "unit_to": amount("4", "1"),
                "external_limit": amount("250", "Pa"),
            },
        )
        made["conditions"] = {}
        made["readings"] = self.read(
            "pressure", "Pa", "-35.4", "-128.0", "-246.5", "182.8", "147.1", by="line"
        )
        return made

    def room(self, tag: str) -> dict[str, Any]:
        """The archive against the corridor."""
        made = self.test(
            tag, "room_pressure", {"pressure": "manometer"}, {"wanted": "positive", "reference": "corridor"}
        )
        made["conditions"] = {}
        made["readings"] = self.read("pressure", "Pa", "7.8", "8.3", "8.1", "7.9")
        return made

    def valve(self, tag: str) -> dict[str, Any]:
        """Drop over the balancing valve of the heating coil."""
        made = self.test(
            tag,
            "valve_flow",
            {"water_pressure": "pressure_gauge", "water_temperature": "thermometer"},
            {
                "coefficient": {"value": "5.2", "unit": "Kv", "expanded_uncertainty": "0.2"},
                "setting": amount("3.4", "1"),
                "fluid": "water",
            },
        )
        made["conditions"] = {}
        made["readings"] = [
            *self.read("pressure", "kPa", "7.88", "7.93", "7.90"),
            *self.read("temperature", "Cel", "54.6", place="temperature"),
        ]
        return made

    def found(self, tag: str, share: float) -> dict[str, Any]:
        """The first round at an outlet, its damper open, carrying a share of its design."""
        made = self.outlet(tag, flow=share * self.points()[tag]["design_flow_m3_s"], hands=Technician(11))
        made["adjustment"] = {"setting": "open", "marked": False}
        return made

    def set_to(self, tag: str, before: dict[str, Any]) -> dict[str, Any]:
        """The damper closed until the share is the lowest outlet's, and read there."""
        made = self.outlet(tag, before=before, hands=Technician(12))
        made["adjustment"] |= {"marked": False, "done": f"Closed to the share of {SHORT_OUTLET}"}
        return made

    def outlet(
        self,
        tag: str,
        unit: str = "L/s",
        *,
        before: dict[str, Any] | None = None,
        flow: float | None = None,
        hands: Technician | None = None,
    ) -> dict[str, Any]:
        """Three readings of the flow hood; `before`: the session of the round before."""
        made = self.session(tag, "hood_reading", 2)
        if before is not None:
            made["supersedes"] = {"session": before["id"], "reason": "Next round after adjustment"}
        made["conditions"].pop("duct_static_pressure")
        made["instruments"]["hood"] = self.tool("flow_hood")
        made["adjustment"] = {"setting": f"{3 + int(tag[2:]) % 5} of 8", "marked": True}
        if before is not None and tag == SHORT_OUTLET:
            made["adjustment"]["setting"] = "open"
        made["readings"] = [
            {
                "run": 1,
                "line": 1,
                "point": n,
                "quantity": "flow",
                "value": (hands or self.hands).hood(carried(tag) if flow is None else flow),
                "unit": unit,
                "taken_at": self.tick(15),
            }
            for n in (1, 2, 3)
        ]
        made["finished_at"] = self.tick(5)
        return made
