"""What the plan of a balance noticed, and what to do about it, in words; cautions that go with every plan."""

from collections.abc import Iterable, Iterator

from django.utils.translation import gettext_noop

from measurements import calc
from measurements.calc import Code
from measurements.methods.base import CRITICAL, HOT, LIMITS, MOVING
from measurements.models import Severity
from measurements.rules.base import Finding
from measurements.rules.noticed import told
from measurements.rules.noticed_rows import Row

WARNING, REMARK = Severity.WARNING, Severity.REMARK
FUEL = gettext_noop(
    "Changing exhaust or supply near fuel-burning appliances can draw combustion gases into rooms: check "
    "draft and carbon monoxide."
)
AIR_CAUTIONS = (CRITICAL, FUEL, LIMITS, MOVING)
WATER_CAUTIONS = (HOT, LIMITS, MOVING)

ROWS = (
    Row(
        Code.OUTLET_NO_FLOW,
        WARNING,
        "An outlet shows no flow.",
        "{points} shows no flow.",
        "Some flow.",
        "Look for a closed damper or fire damper, then read the whole round again.",
    ),
    Row(
        Code.OUTLET_REVERSED,
        WARNING,
        "Air flows the wrong way through an outlet.",
        "{points} flows the wrong way: {flow:flow}.",
        "Flow in the direction of the design.",
        "Look at the duct and at the instrument's direction; the plan leaves this one out.",
    ),
    Row(
        Code.OUTLET_NO_DESIGN,
        REMARK,
        "An outlet whose design flow is zero carries air.",
        "{points} carries {flow:flow}; its design flow is zero.",
        "No flow.",
        "The plan shuts it first. Never shut an outlet of an exhaust hood or of a room under pressure "
        "control without the word of whoever answers for it.",
    ),
    Row(
        Code.REFERENCE_NOT_OPEN,
        WARNING,
        "The outlet with the lowest share is not fully open.",
        "{points} has the lowest share of its branch and its damper is not fully open.",
        "The outlet with the lowest share stays fully open.",
        "Open it, tell so with its next reading, and read the branch again.",
    ),
    Row(
        Code.REFERENCE_LOW,
        WARNING,
        "The outlet with the lowest share is far below its branch.",
        "{points} has {share:share} of design, its branch {branch_share:share}.",
        "The lowest outlet near the others.",
        "Before throttling all others look for what obstructs it: a fire damper, a crushed flexible duct, a "
        "damper out of sight.",
    ),
    Row(
        Code.CANNOT_THROTTLE,
        WARNING,
        "An outlet stays above the others.",
        "{points} would stay at {relative:share} of the common share: it has no damper to close.",
        "Within {tolerance:share} of the common share.",
        "A damper has to be fitted, or the designer accepts it.",
    ),
    Row(
        Code.CANNOT_REACH,
        WARNING,
        "An outlet stays below the others.",
        "{points} would stay at {relative:share}: it is open already.",
        "Within {tolerance:share}.",
        "Look for what obstructs it, or the designer accepts it.",
    ),
    Row(
        Code.BRANCH_DEAD,
        WARNING,
        "A branch carries nothing.",
        "No outlet of {points} shows any flow.",
        "Some flow.",
        "Look for a closed branch damper or fire damper.",
    ),
    Row(
        Code.LOSS_ASSUMED,
        REMARK,
        "How much pressure the branches' ducts take is assumed.",
        "After one round it is only assumed how much pressure the ducts of {points} take ({share:share}).",
        "A second round, which shows it.",
        "Set the dampers as planned and read all again: the next plan is surer.",
    ),
    Row(
        Code.MODEL_MISSES,
        WARNING,
        "A reading is not what the plan foretold.",
        "{points}: {count:count reading} differ from the plan by more than their uncertainty.",
        "Readings as foretold.",
        "A damper slipped, a reading is wrong, or something else was moved: look, then read again.",
    ),
)
BY_CODE = {row.code: row for row in ROWS}


def spoken(remarks: Iterable[calc.Remark], units: str) -> Iterator[tuple[Row, Finding]]:
    """Each remark with its row, in the company's units; none twice, none of a duct without a tag."""
    seen: set[tuple[str, tuple[str, ...]]] = set()
    for remark in remarks:
        points = tuple(filter(None, remark.points))
        key = (remark.code.value, points)
        if not points or key in seen:
            continue
        seen.add(key)
        row = BY_CODE[remark.code]
        yield row, told(row, calc.Remark(remark.code, remark.numbers, points), units)
