"""Standing texts of a report, ready to be put into a document: cautions and methods.

The texts are part of the frozen document once used, so changing them here changes no report already frozen.
"""

from typing import Final

from reports.document import Method, MethodText

CAUTIONS: Final = (
    "Rotating fans, belts and energised motors: isolate, lock out and tag by the site's rules before "
    "reaching in. Electrical readings only by those qualified for them.",
    "Ladders, roofs and confined spaces: follow the site's access rules and do not work alone.",
    "Drilling into duct: know what is behind (coils, wiring, liners, fire or smoke rating, asbestos, "
    "hazardous exhaust) and seal every hole afterwards.",
    "Changing exhaust or supply near fuel-burning appliances can draw combustion gases into rooms: check "
    "draught and carbon monoxide.",
    "Smoke control, isolation rooms, laboratories and operating rooms: change nothing without the authority "
    "in charge.",
    "Never run a motor above its nameplate or a fan above its maximum speed.",
    "Local codes, the contract and licensed practice come first. This report records and computes; it gives "
    "no permission.",
)

METHODS: Final = {
    Method.PITOT_TRAVERSE: MethodText(
        title="Pitot traverse",
        text="Velocity pressure at each point of the layout; velocity v = K·√(2·Δp/ρ) point by point, "
        "then the weighted mean over the section; flow = mean velocity × area as found. "
        "K is the factor of the tube.",
        source="ISO 3966; ANSI/ASHRAE 111; EN 12599",
    ),
    Method.SWEPT_TRAVERSE: MethodText(
        title="Swept traverse",
        text="Timed samples while the probe is drawn along each line at a steady pace. Samples weigh by "
        "time, lines by area. Sweeps of unlike duration are flagged.",
        source="common practice, no source",
    ),
    Method.ANEMOMETER_TRAVERSE: MethodText(
        title="Anemometer traverse",
        text="Velocity at each point of the layout with a thermal or vane instrument, corrected by its "
        "certificate; the weighted mean over the section times the area as found.",
        source="EN 12599; EN 16211",
    ),
    Method.CENTRELINE_READING: MethodText(
        title="Centreline reading",
        text="One velocity at the axis, times the area, times 0.9. For screening only: the uncertainty is "
        "large and the reading never carries a verdict.",
        source="common practice, no source",
    ),
    Method.HOOD_READING: MethodText(
        title="Hood reading",
        text="Flow at an outlet collected by a hood, corrected by the instrument's certificate and by the "
        "hood factor found for the type of outlet.",
        source="ANSI/ASHRAE 111; EN 16211",
    ),
    Method.FACE_VELOCITY: MethodText(
        title="Face velocity reading",
        text="Velocities over the face of a grille or filter; their mean times the effective area. Its "
        "factor comes from the maker or from a traverse of the same type, as the sheet says.",
        source="common practice; EN 16211 for grilles",
    ),
    Method.FLOW_STATION: MethodText(
        title="Flow station reading",
        text="The pressure difference of a fixed device: Q = K·√Δp by the device's factor, or by the "
        "discharge coefficient and expansibility of orifices, nozzles and Venturi tubes.",
        source="ISO 5167-1 to -4; the device's own data",
    ),
    Method.STATIC_PROFILE: MethodText(
        title="Static pressure profile",
        text="Static pressure along the air path, one port of the manometer open to the room. The drop of a "
        "component is the difference of its two stations; external static pressure is that of the duct work "
        "outside the unit, discharge less suction.",
        source="ANSI/ASHRAE 111; common practice",
    ),
    Method.PRESSURE_CHECK: MethodText(
        title="Pressure check",
        text="One pressure against its limits: where a switch makes and breaks, or a supply's pressure. Gas "
        "work is for licensed people only; the appliance's plate and local code come first.",
        source="common practice, no source",
    ),
    Method.FAN_TEST: MethodText(
        title="Fan test",
        text="Static pressures before and after the fan, speed and the motor's electrical figures; shaft "
        "power by efficiency, the point on the maker's curve by the fan laws.",
        source="AMCA 203; ISO 5801; ANSI/ASHRAE 111",
    ),
    Method.MIXED_AIR: MethodText(
        title="Mixed air test",
        text="Share of outdoor air x = (mixed − return) / (outdoor − return), of temperatures or carbon "
        "dioxide. Where return and outdoor air are close the figure carries no verdict.",
        source="ANSI/ASHRAE 111; common practice",
    ),
    Method.LEAKAGE_TEST: MethodText(
        title="Duct leakage test",
        text="Leakage flow at several pressures, fitted by Q = C·Δpⁿ; the leakage per duct surface at the "
        "test pressure against the limit of its class, which grows with p to the power 0.65.",
        source="EN 1507; EN 12237",
    ),
    Method.ROOM_PRESSURE: MethodText(
        title="Room pressure test",
        text="Pressure difference of the room against its surroundings, with its direction; air changes from "
        "flow and volume; recovery from the decay of particles.",
        source="ISO 14644-3",
    ),
    Method.HOOD_FACE: MethodText(
        title="Fume hood face test",
        text="Face velocities on a grid over the opening at the set sash height: mean, lowest, highest and "
        "spread. They say nothing by themselves about containment.",
        source="ANSI/ASHRAE 110",
    ),
    Method.SOUND_LEVEL: MethodText(
        title="Sound level reading",
        text="Octave-band levels, corrected for background noise; the NC rating is the lowest curve that no "
        "band exceeds, interpolated between curves.",
        source="ANSI/ASA S12.2",
    ),
    Method.VALVE_FLOW: MethodText(
        title="Balancing valve reading",
        text="Q = Kv·√(Δp/SG) from the pressure difference over a balancing valve and its coefficient at the "
        "setting; density and viscosity of the fluid as entered.",
        source="IEC 60534-2-1; the valve's own data",
    ),
    Method.PUMP_TEST: MethodText(
        title="Pump test",
        text="Head from the gauges, corrected for their heights and for velocity heads; flow from the "
        "maker's curve at the measured speed.",
        source="ISO 9906; common practice",
    ),
    Method.COIL_HEAT: MethodText(
        title="Coil heat test",
        text="Sensible and total heat of the air from flow and states, heat of the water from flow and "
        "temperature difference, and their imbalance against its uncertainty.",
        source="ANSI/ASHRAE 111; common practice",
    ),
}

FAN_STATIC: Final = {
    "defined": MethodText(
        title="Fan static pressure",
        text="Fan static pressure is stated as defined: SP2 − SP1 − VP1, the static pressure after the "
        "fan less the total pressure before it.",
        source="AMCA 201; ISO 5801",
    ),
    "field": MethodText(
        title="Fan static pressure",
        text="Fan static pressure is stated as the static pressure rise SP2 − SP1 read at the fan. It is "
        "higher than the defined fan static pressure by the velocity pressure at the inlet.",
        source="common practice, no source",
    ),
}

RULE_BIAS: Final = {
    True: MethodText(
        title="Places of a traverse",
        text="What the places of a layout or of swept lines are known to read high on profiles along walls "
        "is taken off the mean, and its doubt is in the budget.",
        source="JCGM 100:2008, 3.2.4",
    ),
    False: MethodText(
        title="Places of a traverse",
        text="The mean over the places is the plain one of the published rules. What they are known to read "
        "high is left in, and the uncertainty is larger for it.",
        source="ISO 3966; ANSI/ASHRAE 111",
    ),
}

UNITS: Final = MethodText(
    title="Units",
    text="An inch of water is the conventional 249.089 Pa. Readings of instruments made for water at 39.2, "
    "60 or 68 °F are taken in their own unit.",
    source="NIST SP 811, appendix B.8",
)

VERIFY: Final = (
    "Open the public address below and drop the file on the page. It tells whether the file is, to the last "
    "byte, the one that was issued, and whether a later revision replaces it.",
    "The machine-readable snapshot is attached to this PDF as snapshot.json and the readings as "
    "readings.csv. The SHA-256 of snapshot.json must be the digest printed here.",
    "The evidence chain names the last event of the company's log when the snapshot was frozen. The issuing "
    "company can show that no event before it was changed.",
)

VERIFY_DRAFT: Final = (
    "This is a draft. It has no number and no public address, and it proves nothing. The digest below is "
    "that of the attached snapshot.json."
)

UNCERTAINTY: Final = MethodText(
    title="Uncertainty",
    text="Every figure is given as value ± U with U = k·u, k from the effective degrees of freedom for 95.45 "
    "% coverage. The budget of each traverse lists every input. An instrument's calibration error is common "
    "to all its readings.",
    source="JCGM 100:2008 (GUM)",
)

VERDICTS: Final = (
    ("pass", "the whole interval lies inside the tolerance"),
    ("conditional_pass", "the value lies inside, the interval reaches outside"),
    ("conditional_fail", "the value lies outside, the interval reaches inside"),
    ("fail", "the whole interval lies outside the tolerance"),
    ("not_decidable", "the method or the data may not carry a verdict"),
)
