"""Templates of the report: Django's engine on its own, autoescape on, plus the frame of one part."""

import re
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

from django.template import Context, Engine, Template
from django.utils.safestring import SafeString, mark_safe

from reports.render.fonts import MONO, SANS, font_faces

_FOLDER = Path(__file__).parent / "templates"
PAPERS = ("A4", "Letter")
PICTURE = "picture:"
"""Before the SHA-256 of a picture that a part shows."""


@cache
def _engine() -> Engine:
    return Engine(dirs=[str(_FOLDER)], autoescape=True)


@cache
def _template(name: str) -> Template:
    return _engine().get_template(name)


@cache
def _style() -> str:
    return (_FOLDER / "style.css").read_text(encoding="utf-8")


def fill(name: str, values: Mapping[str, Any]) -> SafeString:
    """A template filled with values; every text is escaped unless it is a picture of our own."""
    return _template(name).render(Context(dict(values)))


def picture(svg: str) -> SafeString:
    """Marks a picture from `charts` as markup; charts escape their own texts."""
    return mark_safe(svg)  # noqa: S308


def css_text(text: str) -> str:
    """A CSS string literal: everything but plain letters, digits and spaces as an escape."""
    return '"' + re.sub(r"[^A-Za-z0-9 ]", lambda m: f"\\{ord(m[0]):06x} ", text) + '"'


def page_rules(paper: str, left: str, right: str, foot: str) -> str:
    """Size of the paper, running head and foot; the page number is stamped when parts are joined."""
    rule = "padding-bottom:1.3mm;border-bottom:.9pt solid #1b2733;margin-bottom:5mm"
    head = f'font:7.2pt "{SANS}";vertical-align:bottom;{rule}'
    base = f'font:6.6pt "{MONO}";color:#52646c;vertical-align:top;padding-top:4.4mm'
    return (
        f"@page{{size:{paper};"
        f"@top-left{{content:{css_text(left)};{head};width:55%;font-weight:600}}"
        f"@top-right{{content:{css_text(right)};{head};width:45%}}"
        f"@bottom-left{{content:{css_text(foot)};{base}}}}}"
    )


def part_html(title: str, language: str, paper: str, rules: str, body: str) -> str:
    """The HTML of one part from the markup of its blocks."""
    style = mark_safe(font_faces() + _style() + rules)  # noqa: S308
    values = {
        "title": title,
        "language": language,
        "paper": paper.lower(),
        "style": style,
        "body": mark_safe(body),  # noqa: S308
    }
    return fill("base.html", values)
