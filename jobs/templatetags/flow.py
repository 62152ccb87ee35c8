"""Tags of the base page."""

from typing import Any

from django import template
from django.forms import Field
from django.forms.boundfield import BoundWidget

from jobs.models import DensityBasis, Role, TestPoint
from jobs.pages.nav import Entry, entries_for

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
def words_of(field: Field, choice: BoundWidget) -> str:
    """What explains a choice of a field that has `words` for its choices."""
    words: dict[str, str] = getattr(field, "words", {})
    return words.get(str(choice.data["value"]), "")


@register.filter
def role_words(roles: list[str]) -> str:
    """Stored roles as words."""
    return ", ".join(
        Role(role).label.lower() if place else Role(role).label for place, role in enumerate(roles)
    )


@register.filter
def size_mm(point: TestPoint) -> str:
    """The size of a duct in whole millimetres: width × height, or ⌀ of a round one; empty for no duct."""
    if point.diameter_m:
        return f"⌀ {point.diameter_m * 1000:.0f}"
    if point.width_m and point.height_m:
        return f"{point.width_m * 1000:.0f} × {point.height_m * 1000:.0f}"
    return ""


@register.filter
def design(point: TestPoint) -> str:
    """The design flow as the schedule gave it, else in L/s; standard air is named."""
    if point.design_flow is None:
        return ""
    shown = point.design_entered or f"{point.design_flow * 1000:.4g} L/s"
    return f"{shown}, standard air" if point.design_basis == DensityBasis.STANDARD else shown
