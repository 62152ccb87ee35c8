"""Who and what the demo is about. All invented: two companies, a public building, one air system."""

from dataclasses import dataclass

PASSWORD = "a quiet weir in spring"  # noqa: S105 - for the invented people of the demo only


@dataclass(frozen=True)
class Person:
    name: str
    email: str
    roles: tuple[str, ...]


OWNER = Person("Oda Brennick", "oda@saltmarsh-air.example", ("owner",))
DISPATCHER = Person("Joss Tamber", "joss@saltmarsh-air.example", ("dispatcher",))
TECHNICIAN = Person("Ilka Rowntree", "ilka@saltmarsh-air.example", ("technician",))
SUPERVISOR = Person("Bram Castellow", "bram@saltmarsh-air.example", ("supervisor",))
STRANGER = Person("Wenna Loxley", "wenna@highfell-measure.example", ("owner", "dispatcher", "supervisor"))
COMPANY, OTHER_COMPANY = "Saltmarsh Air Balancing", "Highfell Measurement"
LETTERHEAD = "12 Ropewalk, Marram Point\nreports@saltmarsh-air.example"

CUSTOMER = {
    "name": "Borough of Marram Point",
    "contact_name": "Buildings office",
    "contact_email": "buildings@marram-point.example",
    "address": "1 Quay Square, Marram Point",
}
SITE = {
    "name": "Marram Point Public Library",
    "address": "Lantern Lane 4, Marram Point",
    "elevation": {"value": "640", "unit": "m"},
    "time_zone": "Europe/Zurich",
}

OUTLETS = [  # tag, parent, design L/s, share of design that it really carries
    ("S-01", "MD-1", 220, 0.981),
    ("S-02", "MD-1", 220, 1.012),
    ("S-03", "MD-1", 220, 0.974),
    ("S-04", "MD-1", 220, 0.996),
    ("S-05", "MD-1", 210, 1.021),
    ("S-06", "MD-1", 210, 0.968),
    ("S-07", "MD-1", 200, 0.991),
    ("S-08", "BD-1", 180, 0.993),
    ("S-09", "BD-1", 180, 0.804),  # the one that cannot be brought up
    ("S-10", "BD-1", 180, 1.004),
    ("S-11", "BD-1", 180, 0.979),
    ("S-12", "BD-1", 180, 0.985),
]
SHORT_OUTLET = "S-09"
AS_FOUND = {"S-08": 1.16, "S-09": 0.71, "S-10": 1.22, "S-11": 1.09, "S-12": 1.18}
"""Shares of design of the branch's outlets in the first round, dampers open."""
OUTDOOR_DESIGN, OUTDOOR_SHARE = 700, 1.027
LEAKAGE = 0.012  # of the main's flow, between the plane and the outlets

MAIN_DESIGN = sum(design for _, _, design, _ in OUTLETS)
BRANCH_DESIGN = sum(design for _, parent, design, _ in OUTLETS if parent == "BD-1")


def schedule() -> str:
    """The engineer's design schedule, CSV."""
    head = (
        "System,System name,System kind,Tag,Kind,Parent,Location,Shape,Width [mm],Height [mm],Diameter [mm],"
        "Design flow [L/s],Density basis,Tolerance below %,Tolerance above %"
    )
    rows = [
        f"AHU-1,Reading rooms supply,supply,MD-1,plane,,Plant room,rectangular,900,500,,"
        f"{MAIN_DESIGN},actual,10,10",
        f"AHU-1,,,BD-1,plane,MD-1,Corridor ceiling,round,,,400,{BRANCH_DESIGN},actual,10,10",
    ]
    rows.append(
        f"OA-1,Outdoor air intake,outdoor,OP-1,plane,,Roof,rectangular,700,400,,{OUTDOOR_DESIGN},actual,10,10"
    )
    for number, (tag, parent, design, _) in enumerate(OUTLETS, 1):
        rows.append(f"AHU-1,,,{tag},outlet,{parent},Reading room bay {number},,,,,{design},actual,10,10")
    return "\n".join([head, *rows]) + "\n"


POINTS = [  # what the schedule of air flows does not hold: tag, kind, place, design
    ("FN-1", "fan", "Plant room", {"design": {"of": "fan_static_pressure", "unit": "Pa", "value": "430"}}),
    ("AH-1", "unit", "Plant room", {}),
    ("RM-1", "room", "Map archive", {"design": {"of": "pressure", "unit": "Pa", "value": "8", "low": "5"}}),
    ("BV-1", "valve", "Heating coil of AHU-1", {"design_flow": {"value": "0.42", "unit": "L/s"}}),
]


def carried(tag: str) -> float:
    """What an outlet, branch or main really carries, m³/s."""
    flows = {outlet: design * share / 1000 for outlet, _, design, share in OUTLETS}
    if tag in flows:
        return flows[tag]
    if tag == "OP-1":
        return OUTDOOR_DESIGN * OUTDOOR_SHARE / 1000
    below = [outlet for outlet, parent, _, _ in OUTLETS if tag in ("MD-1", parent)]
    return sum(flows[outlet] for outlet in below) * (1 + LEAKAGE)


@dataclass(frozen=True)
class Tool:
    """An instrument with one range and a certificate of three points.

    Figures in the unit named; `error` is how much it shows too high, as a share.
    """

    use: str
    serial: str
    name: str
    kind: str
    quantity: str
    unit: str
    low: float
    high: float
    resolution: float
    of_reading: float
    absolute: float
    error: float
    expanded: float
    lapsed: bool = False
    probe_length_m: float | None = None
    probe_factor: float | None = None
    probe_factor_u: float | None = None

    def points(self) -> list[tuple[float, float]]:
        """Reference and shown value at three places of the range."""
        low = max(self.low, 0.0)
        references = [low + share * (self.high - low) for share in (0.05, 0.4, 0.9)]
        return [(value, value * (1 + self.error)) for value in references]


TOOLS = [
    Tool("pressure", "MM-2041", "Micromanometer", "manometer", "pressure", "Pa", -500, 500, 0.1, 0.005, 0.2,
         0.004, 0.3),
    Tool("probe", "PT-0117", "Pitot-static tube 1.2 m", "pitot_tube", "factor", "1", 0.9, 1.1, 0.001, 0.0,
         0.001, 0.0, 0.008, probe_length_m=1.2, probe_factor=0.998, probe_factor_u=0.004),
    Tool("temperature", "TH-3312", "Thermometer", "thermometer", "temperature", "Cel", -20, 80, 0.1, 0.0, 0.3,
         0.0, 0.2),
    Tool("humidity", "HY-0888", "Hygrometer", "hygrometer", "humidity", "%", 5, 95, 0.1, 0.0, 2.0, 0.0, 1.5),
    Tool("barometer", "BA-0031", "Barometer", "barometer", "absolute_pressure", "hPa", 700, 1100, 0.1, 0.0,
         0.5, 0.0, 0.3),
    Tool("hood", "FH-0456", "Flow hood", "flow_hood", "flow", "L/s", 10, 1200, 0.1, 0.02, 2.0, 0.006, 3.0,
         lapsed=True),
    Tool("speed", "TA-0220", "Tachometer", "tachometer", "speed", "/min", 60, 6000, 1, 0.0005, 1.0, 0.0, 1.0),
    Tool("power", "PM-0601", "Power clamp", "electrical", "power", "W", 0, 10000, 1, 0.01, 5.0, 0.0, 20.0),
    Tool("water_pressure", "DM-0144", "Differential manometer", "pressure_gauge", "pressure", "kPa", 0, 100,
         0.01, 0.003, 0.03, 0.0, 0.06),
    Tool("hood", "FH-0513", "Flow hood", "flow_hood", "flow", "L/s", 10, 1200, 0.1, 0.02, 2.0, 0.004, 3.0),
]  # fmt: skip
