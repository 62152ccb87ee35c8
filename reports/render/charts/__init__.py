"""Small SVG pictures, the same on page and paper: one unit is one point, no plotting library.

Each picture's first child is a `<title>` that states the finding; it becomes the text alternative in the PDF
and the accessible name on a page. Colours stand as attributes for paper and carry classes, so that a page's
style sheet (`CHART_CSS`) can turn them for a dark screen. Nothing is told by colour alone.
"""

from reports.render.charts.base import CHART_CSS
from reports.render.charts.calibration import ErrorPoint, calibration_errors
from reports.render.charts.compare import Compared, compared
from reports.render.charts.drift import DriftLine, DriftPoint, days_between, drift_chart
from reports.render.charts.interval import MOST, budget_bars, interval_plot
from reports.render.charts.ofsheet import Drawn, pictures_of
from reports.render.charts.profile import profile
from reports.render.charts.section import section_drawing
from reports.render.charts.standing import Stand, standing
from reports.render.charts.velocity import velocity_map
from reports.render.charts.verdict import verdict_band, verdict_mark

__all__ = [
    "CHART_CSS",
    "MOST",
    "Compared",
    "Drawn",
    "DriftLine",
    "DriftPoint",
    "ErrorPoint",
    "Stand",
    "budget_bars",
    "calibration_errors",
    "compared",
    "days_between",
    "drift_chart",
    "interval_plot",
    "pictures_of",
    "profile",
    "section_drawing",
    "standing",
    "velocity_map",
    "verdict_band",
    "verdict_mark",
]
