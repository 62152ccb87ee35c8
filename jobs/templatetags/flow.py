"""Tags of the base page."""

from typing import Any

from django import template
from django.forms import Field
from django.forms.boundfield import BoundWidget
from django.utils.translation import gettext

from jobs.models import DensityBasis, PointKind, Quantity, Role, TestPoint, UnitSystem
from jobs.pages.nav import Entry, entries_for
from jobs.units import FOOT, INCH, find_unit

register = template.Library()


@register.simple_tag(takes_context=True)
def navigation(context: dict[str, Any]) -> list[Entry]:
    """The entries of the head for who is signed in; none for strangers."""
    actor = getattr(context.get("request"), "actor", None)
    return entries_for(actor) if actor else []


@register.filter
def minus(value: object) -> str:
    """A number with the minus sign of the trade's tables, not a hyphen."""
    text = str(value)
    return "−" + text[1:] if text.startswith("-") else text


@register.filter
def grouped(value: str) -> str:
    """A short code in groups of four, for reading aloud."""
    return " ".join(value[i : i + 4] for i in range(0, len(value), 4))


@register.filter
def said(word: str) -> str:
    """A word that is stored and named in English (`gettext_noop`), in the reader's language."""
    return gettext(word) if word else ""


@register.filter
def file_size(size: int) -> str:
    """Bytes in a unit that fits, with the same digits in every language, e.g. "1.4 MB"."""
    for unit, factor in (("MB", 1e6), ("kB", 1e3)):
        if size >= factor:
            return f"{size / factor:.1f} {unit}"
    return f"{size} B"


@register.filter
def words_of(field: Field, choice: BoundWidget) -> str:
    """What explains a choice of a field that has `words` for its choices."""
    words: dict[str, str] = getattr(field, "words", {})
    return said(words.get(str(choice.data["value"]), ""))


@register.filter
def role_words(roles: list[str]) -> str:
    """Stored roles as words."""
    said_roles = [gettext(Role(role).label) for role in roles]
    return ", ".join(word.lower() if place else word for place, word in enumerate(said_roles))


@register.filter
def size(point: TestPoint, units: str = UnitSystem.SI) -> str:
    """The size of a duct in millimetres or inches: width × height, or ⌀ of a round one; empty for no duct."""
    if point.diameter_m:
        return f"⌀ {_span(point.diameter_m, units)}"
    if point.width_m and point.height_m:
        return f"{_span(point.width_m, units)} × {_span(point.height_m, units)}"
    return ""


def _span(metres: float, units: str) -> str:
    return f"{metres / INCH:.4g}" if units == UnitSystem.IP else f"{metres * 1000:.0f}"


@register.filter
def size_unit(units: str) -> str:
    """What `size` is in."""
    return "in" if units == UnitSystem.IP else "mm"


@register.filter
def size_mm(point: TestPoint) -> str:
    """The size of a duct in whole millimetres."""
    return size(point)


@register.filter
def elevation(metres: float, units: str = UnitSystem.SI) -> str:
    """A height above the sea, in whole metres or feet."""
    shown = f"{metres / FOOT:.0f} ft" if units == UnitSystem.IP else f"{metres:.0f} m"
    return minus(shown)


@register.filter
def design(point: TestPoint, units: str = UnitSystem.SI) -> str:
    """The design flow as the schedule gave it, else in the person's unit; standard air is named."""
    if point.design_flow is None:
        return ""
    shown = point.design_entered or _flow(point, units)
    standard = point.design_basis == DensityBasis.STANDARD
    return gettext("%(flow)s, standard air") % {"flow": shown} if standard else shown


LIQUID = (PointKind.PUMP, PointKind.VALVE, PointKind.COIL)


def _flow(point: TestPoint, units: str) -> str:
    name = "L/s"
    if units == UnitSystem.IP:
        name = "[gal_us]/min" if point.kind in LIQUID else "[cft_i]/min"
    unit = find_unit(name, Quantity.FLOW)
    return f"{unit.from_si(point.design_flow or 0.0):.4g} {unit.symbol}"
