"""What engineers call the columns of their schedules: one meaning where the words leave one, else candidates.

The words are common practice, no source. A head that may mean two things is never guessed: who sends the file
is asked.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass

from jobs.models.instrument import Quantity
from jobs.models.plan import DensityBasis
from jobs.schedule_columns import QUANTITIES, Column, unit_of
from jobs.schedule_words import WORDS
from jobs.sheets import Cell
from jobs.units import Unit, UnknownUnit


@dataclass(frozen=True)
class Guess:
    """`column` when the head leaves one meaning; else `could_be`. `basis` when its unit tells one."""

    column: Column | None = None
    unit: Unit | None = None
    could_be: tuple[Column, ...] = ()
    basis: DensityBasis | None = None


_MEANS: dict[Column, tuple[str, ...]] = {
    Column.SYSTEM: ("sys", "system tag", "system id", "ahu", "ahu tag", "air handler", "air handling unit"),
    Column.SYSTEM_NAME: ("system description",),
    Column.TAG: (
        "mark", "tag mark", "mark tag", "tag id", "id", "point", "test point", "point tag", "point id",
        "outlet", "outlet tag", "outlet id", "outlet mark", "terminal", "terminal tag", "diffuser",
        "diffuser tag", "grille tag", "plan mark", "plan tag", "identifier", "designation", "ref",
        "reference", "item tag", "element tag", "damper tag",
    ),
    Column.KIND: ("point kind", "kind of point", "test point kind"),
    Column.PARENT: (
        "upstream", "upstream point", "upstream tag", "parent tag", "fed from", "fed by", "supplied from",
        "behind", "branch of",
    ),
    Column.LOCATION: (
        "room", "room name", "room served", "space", "space served", "area served", "zone", "zone served",
        "where", "place", "serves",
    ),
    Column.SHAPE: ("duct shape", "cross section", "shape of duct"),
    Column.WIDTH: ("w", "duct width", "neck width"),
    Column.HEIGHT: ("h", "depth", "duct height", "duct depth", "neck height"),
    Column.DIAMETER: ("dia", "diam", "ø", "duct dia", "duct diameter", "neck dia", "neck diameter"),
    Column.SIZE: (
        "duct size", "neck size", "neck", "inlet size", "w x h", "wxh", "w h", "width x height",
        "nominal size", "width height", "dimensions", "dims", "duct dimensions", "size w x h",
        "size wxh", "size w h",
    ),
    Column.SIZE_UNIT: ("size units", "unit of size", "dimension unit", "dimension units"),
    Column.FLOW: (
        "design airflow", "design air flow", "airflow", "air flow", "flow", "design", "design air quantity",
        "air quantity", "design volume", "air volume", "volume flow", "flow rate", "design flow rate",
        "airflow rate", "air flow rate", "required flow", "required airflow", "required air flow",
        "specified flow", "specified airflow", "design air", "design water flow", "water flow", "flow design",
        "airflow design",
    ),
    Column.FLOW_UNIT: ("flow units", "airflow unit", "airflow units", "unit of flow"),
    Column.BASIS: ("basis", "flow basis", "air density basis"),
    Column.BELOW: ("tol below", "tolerance minus", "minus tolerance", "tol minus", "lower tolerance"),
    Column.ABOVE: ("tol above", "tolerance plus", "plus tolerance", "tol plus", "upper tolerance"),
}  # fmt: skip
_WITH_FLOW_UNIT = frozenset(
    {
        "", "air", "supply", "supply air", "return", "return air", "exhaust", "exhaust air", "extract",
        "extract air", "outdoor air", "outside air", "fresh air", "supply airflow", "supply air flow", "rate",
        "quantity", "volume", "required", "specified", "scheduled", "total", "total air", "design total",
        "design supply", "design supply air", "total design",
    }
)  # fmt: skip
"""What means the design flow only because a unit of flow stands with it."""
_MAY_MEAN: dict[str, tuple[Column, ...]] = {
    "unit": (Column.SYSTEM, Column.SIZE_UNIT, Column.FLOW_UNIT),
    "units": (Column.SIZE_UNIT, Column.FLOW_UNIT),
    "type": (Column.KIND, Column.SYSTEM_KIND, Column.SHAPE),
    "outlet type": (Column.KIND,),
    "terminal type": (Column.KIND,),
    "point type": (Column.KIND,),
    "system type": (Column.SYSTEM_KIND,),
    "service": (Column.SYSTEM_KIND, Column.LOCATION, Column.SYSTEM),
    "item": (Column.TAG,),
    "no": (Column.TAG,),
    "number": (Column.TAG,),
    "name": (Column.TAG, Column.SYSTEM_NAME, Column.LOCATION),
    "description": (Column.LOCATION, Column.SYSTEM_NAME, Column.KIND),
    "equipment": (Column.SYSTEM, Column.TAG, Column.PARENT),
    "branch": (Column.PARENT, Column.TAG),
    "served by": (Column.SYSTEM, Column.PARENT),
    "from": (Column.SYSTEM, Column.PARENT),
    "duct": (Column.TAG, Column.SIZE),
    "face size": (Column.SIZE,),
    "d": (Column.DIAMETER, Column.HEIGHT),
    "area": (Column.LOCATION,),
    "floor": (Column.LOCATION,),
    "level": (Column.LOCATION,),
    "tolerance": (Column.BELOW, Column.ABOVE),
    "tol": (Column.BELOW, Column.ABOVE),
}
_RANGE_WORDS = frozenset({"min", "max", "minimum", "maximum", "cooling", "heating", "occupied", "unoccupied"})
_NOT_DESIGN = frozenset(
    {"actual", "measured", "final", "test", "read", "reading", "initial", "preliminary", "found", "left",
     "difference", "balanced"}
)  # fmt: skip
_FILLING = frozenset({"no", "nr", "number", "the", "of", "in"})
_BY_PHRASE = {phrase: column for column, phrases in _MEANS.items() for phrase in phrases}
_BRACKETS = re.compile(r"(.*?)\s*(?:\[([^\]]*)\]|\(([^)]*)\))\s*")
_EXAMPLE = re.compile(r"\b[0-9]+ ?[x×] ?[0-9]+\b", re.IGNORECASE)
_BASES = {"acfm": DensityBasis.ACTUAL, "scfm": DensityBasis.STANDARD}
_LOOKED_AT = 500
LONGEST_HEAD = 120


def read_head(text: str) -> tuple[Column | None, str]:
    """The column that a head names by its own name, and the unit in its brackets."""
    plain, unit = _split(text)
    words = " ".join(plain.casefold().replace("_", " ").split())
    if words.endswith("%"):
        words, unit = words[:-1].strip(), "%"
    try:
        return Column(words), unit.strip()
    except ValueError:
        return None, ""


def guess_head(text: str) -> Guess:
    """What somebody else's head means. Nothing at all when no word of it is known."""
    plain, bracketed = _split(_EXAMPLE.sub(" ", text))
    words = _words(plain)
    found = _unit_of_head(bracketed) if bracketed else None
    if found is None:
        words, found = _unit_behind(words if _known(words) else words + _words(bracketed))
    unit, quantity, basis = found or (None, None, None)
    if _NOT_DESIGN & set(words) or "%" in words:
        return Guess()
    if quantity is Quantity.FLOW and _RANGE_WORDS & set(words):
        return Guess(unit=unit, could_be=(Column.FLOW,), basis=basis)
    column = _meaning(words, quantity)
    if column is not None:
        fits = QUANTITIES.get(column) is quantity
        return Guess(column, unit if fits else None, basis=basis if fits else None)
    return Guess(unit=unit, could_be=_MAY_MEAN.get(" ".join(words), ()))


def _meaning(words: Sequence[str], quantity: Quantity | None) -> Column | None:
    phrases = [" ".join(words), " ".join(word for word in words if word not in _FILLING)]
    for phrase in phrases:
        if phrase in _MAY_MEAN:
            return None
        if phrase in _BY_PHRASE or phrase in list(Column):
            return _BY_PHRASE.get(phrase) or Column(phrase)
    return Column.FLOW if quantity is Quantity.FLOW and phrases[1] in _WITH_FLOW_UNIT else None


def _known(words: Sequence[str]) -> bool:
    return _meaning(words, None) is not None or " ".join(words) in _MAY_MEAN


def _split(text: str) -> tuple[str, str]:
    """A head and what its last brackets hold; what is longer than any head is cut."""
    text = text[:LONGEST_HEAD]
    found = _BRACKETS.fullmatch(text)
    return (found.group(1), found.group(2) or found.group(3) or "") if found else (text, "")


def _words(text: str) -> list[str]:
    plain = (
        text.casefold()
        .replace("×", " x ")
        .replace("req'd", "required")
        .replace("⌀", "ø")
        .replace("#", " no ")
    )
    return re.sub(r"[^\w³%ø\"']+", " ", plain.replace("_", " ")).split()


def _unit_of_head(text: str) -> tuple[Unit, Quantity, DensityBasis | None] | None:
    for quantity in (Quantity.FLOW, Quantity.LENGTH):
        try:
            return unit_of(text, quantity), quantity, _BASES.get(text.strip().casefold())
        except UnknownUnit:
            continue
    return None


def _unit_behind(
    words: list[str],
) -> tuple[list[str], tuple[Unit, Quantity, DensityBasis | None] | None]:
    """A unit that is the last of the words, e.g. "design flow l s", or a flow's before them; and the rest."""
    for count in (2, 1):
        tail = words[-count:]
        if len(tail) == count:
            joined = "/".join(tail) if count == 2 else tail[0]
            found = _unit_of_head(joined) if joined not in ("m", "'", '"') else None
            if found:
                return words[:-count], found
        front = words[:count]
        joined = "/".join(front) if count == 2 else "".join(front)
        found = _unit_of_head(joined) if len(front) == count and joined not in ("m", "in", "'", '"') else None
        if found and found[1] is Quantity.FLOW:  # "CFM design"
            return words[count:], found
    return words, None


def guess_values(cells: Sequence[Cell]) -> Column | None:
    """The column whose list of words, or of units, every one of these cells is taken from; of two, none."""
    texts = {cell.text.casefold() for cell in cells[:_LOOKED_AT]}
    if not texts:
        return None
    fitting = [column for column, known in WORDS.items() if texts <= known.keys()]
    for column, quantity in ((Column.FLOW_UNIT, Quantity.FLOW), (Column.SIZE_UNIT, Quantity.LENGTH)):
        if all(_is_unit(text, quantity) for text in texts):
            fitting.append(column)
    return fitting[0] if len(fitting) == 1 else None


def _is_unit(text: str, quantity: Quantity) -> bool:
    try:
        unit_of(text, quantity)
    except UnknownUnit:
        return False
    return True


def unit_row(cells: Sequence[Cell]) -> bool:
    """Whether a row holds units only, as schedules have below their heads."""
    texts = [cell.text.strip("[]() ") for cell in cells]
    known = [_unit_of_head(text) is not None for text in texts if text not in ("-", "–", "%", "")]
    return bool(known) and all(known)
