"""Which pictures a test's sheet has, by the tables that it carries."""

from collections.abc import Callable
from dataclasses import dataclass

from reports.document import Method, TestSheet
from reports.render.charts.curve import maker_curve
from reports.render.charts.decay import decay_line
from reports.render.charts.face import face_map
from reports.render.charts.ladder import ladder
from reports.render.charts.leakage import leakage_lines
from reports.render.charts.scale import heat_bars, one_scale
from reports.render.charts.sound import noise_bands
from reports.render.figures import Figures


@dataclass(frozen=True, slots=True)
class Drawn:
    """A picture with its caption; `wide`: it takes the whole width of a page."""

    svg: str
    caption: str
    wide: bool = False


_PICTURES: tuple[tuple[str, Callable[[TestSheet, Figures], str], str], ...] = (
    ("air_path", ladder, "Static pressure along the air path, against the room"),
    ("leak_steps", leakage_lines, "Leakage over pressure, with the limits of the classes"),
    ("bands", noise_bands, "Octave bands over the NC curves"),
    ("curve_line", maker_curve, "The maker's curve and what was found"),
    ("face", face_map, "Velocities by column and row"),
    ("scale", one_scale, "On one scale, with intervals and limits"),
    ("heats", heat_bars, "Heat by air and by water"),
    ("decay", decay_line, "Particles after their source has stopped"),
)
_WIDE = ("air_path",)
_CAPTIONS = {
    Method.MIXED_AIR: "Return, mixed and outdoor air on one scale",
    Method.ROOM_PRESSURE: "The room against nought and its limit",
}
"""Of a scale, by what it shows."""


def pictures_of(sheet: TestSheet, figures: Figures) -> list[Drawn]:
    """The pictures of a sheet; none where it carries nothing to draw."""
    kinds = {table.kind for table in sheet.plotted}
    made = ((kind, draw(sheet, figures), words) for kind, draw, words in _PICTURES if kind in kinds)
    return [
        Drawn(svg, _CAPTIONS.get(sheet.method, words) if kind == "scale" else words, kind in _WIDE)
        for kind, svg, words in made
        if svg
    ]
