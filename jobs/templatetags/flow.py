"""Tags of the base page."""

from typing import Any

from django import template

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
def dashed(value: object) -> str:
    """A stored word as a part of a class name: conditional_pass as conditional-pass."""
    return str(value).replace("_", "-")
