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
}

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
