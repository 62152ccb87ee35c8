"""A language made for tests: every message that is looked up comes out between ⟦ and ⟧.

So whatever stands on a page outside of such marks and is not data was never given to translators.
"""

import ast
import html
import re
from collections.abc import Iterable, Iterator
from functools import cache
from html.parser import HTMLParser
from pathlib import Path

import django
from django.utils.translation.template import templatize

ROOM = Path(__file__).parents[2]
APPS = ("jobs", "measurements", "reports")
CODE = "de"
CONTEXT = "\x04"
TEXT_ATTRIBUTES = {"aria-label", "aria-description", "placeholder", "title", "alt"}
NO_TEXT = {"script", "style", "svg", "kbd"}
CALLS = {
    "gettext": 1, "gettext_lazy": 1, "gettext_noop": 1, "_": 1, "ngettext": 2, "ngettext_lazy": 2,
    "pgettext": 2, "pgettext_lazy": 2,
}  # fmt: skip


NOT_YET = {"jobs/people.py", "jobs/tokens.py", "jobs/companies.py"}


class Marked:
    """Stands in the place of a language's translations and remembers what was asked for."""

    def __init__(self) -> None:
        self.asked: set[str] = set()

    def gettext(self, message: str) -> str:
        self.asked.add(message)
        return f"⟦{message.rpartition(CONTEXT)[2]}⟧"

    def ngettext(self, singular: str, plural: str, number: int) -> str:
        self.asked |= {singular, plural}
        return f"⟦{(singular if number == 1 else plural).rpartition(CONTEXT)[2]}⟧"

    def to_language(self) -> str:
        return CODE

    def language(self) -> str:
        return CODE


# What translators are given


@cache
def messages() -> frozenset[str]:
    """Every message in the templates and modules of the apps, as makemessages would extract it."""
    found: set[str] = set()
    for app in APPS:
        for path in (ROOM / app).rglob("*.py"):
            found |= set(_of_code(path.read_text()))
        for path in (ROOM / app).rglob("templates/**/*.*"):
            found |= set(_of_template(path.read_text()))
    return frozenset(found)


def _of_code(text: str) -> Iterator[str]:
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Call):
            name = node.func.id if isinstance(node.func, ast.Name) else getattr(node.func, "attr", "")
            given = [one.value for one in node.args[: CALLS.get(name, 0)] if isinstance(one, ast.Constant)]
            words = [one for one in given if isinstance(one, str)]
            if name.startswith("pgettext") and len(words) == 2:
                words = [CONTEXT.join(words)]
            yield from words


LITERAL = r"""u?(?:'(?:[^'\\]|\\.)*'|"(?:[^"\\]|\\.)*")"""
LOOKED_UP = re.compile(rf"\b(?:[np]?gettext|_)\(\s*({LITERAL})(?:\s*,\s*({LITERAL}))?", re.S)


def _of_template(text: str) -> Iterator[str]:
    """The texts in calls, of Django's own rewriting of a template for xgettext."""
    for call in LOOKED_UP.finditer(templatize(text)):
        yield from (ast.literal_eval(one) for one in call.groups() if one)


@cache
def of_django() -> frozenset[str]:
    """Messages of Django itself, which has catalogues of its own."""
    places = Path(django.__file__).parent.rglob("locale/en/LC_MESSAGES/django.po")
    return frozenset(message for place in places for message in _of_catalogue(place.read_text()))


def _of_catalogue(text: str) -> Iterator[str]:
    for found in re.finditer(r'^msgid(?:_plural)? ((?:"(?:[^"\\]|\\.)*"\s*)+)', text, re.M):
        joined = "".join(re.findall(r'"((?:[^"\\]|\\.)*)"', found[1]))
        yield joined.replace('\\"', '"').replace("\\n", "\n")


@cache
def sentences_of_actions() -> frozenset[str]:
    """What is said in English wherever it is shown: what the doors for programs refuse, and NOT_YET."""
    found: set[str] = set()
    for app in APPS:
        for path in (ROOM / app).rglob("*.py"):
            if {"rest", "http"} & set(path.parts) or str(path.relative_to(ROOM)) in NOT_YET:
                found |= set(_refusals(path.read_text()))
    return frozenset(found)


def _refusals(text: str) -> Iterator[str]:
    for node in ast.walk(ast.parse(text)):
        named = node.func if isinstance(node, ast.Call) else None
        if isinstance(node, ast.Raise) or (isinstance(named, ast.Name) and named.id in {"Fault", "limit"}):
            yield from _sentences(node)


def _sentences(node: ast.AST) -> Iterator[str]:
    """Patterns of the texts that no translator was given; what is put into them is anything."""
    if isinstance(node, ast.Call) and getattr(node.func, "id", "") in CALLS:
        return
    if isinstance(node, ast.JoinedStr):
        parts = [one.value if isinstance(one, ast.Constant) else None for one in node.values]
        yield "".join(".+?" if one is None else re.escape(str(one)) for one in parts)
    elif isinstance(node, ast.Constant) and isinstance(node.value, str):
        yield re.escape(" ".join(node.value.split()))
    else:
        for child in ast.iter_child_nodes(node):
            yield from _sentences(child)


# What a page shows


class _Page(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.texts: list[str] = []
        self.silent = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.silent += tag in NO_TEXT
        if not self.silent:
            self.texts += [value for name, value in attrs if name in TEXT_ATTRIBUTES and value]

    def handle_endtag(self, tag: str) -> None:
        self.silent -= tag in NO_TEXT

    def handle_data(self, data: str) -> None:
        if not self.silent and data.strip():
            self.texts.append(" ".join(data.split()))


def texts(page: str) -> list[str]:
    """Every visible text of a page, and every one that is read aloud or shown as a hint."""
    parser = _Page()
    parser.feed(page)
    return parser.texts


def pictures(page: str) -> set[str]:
    """What the titles of a page's pictures state: those are the report's, in the report's language."""
    return {
        " ".join(html.unescape(one).split())
        for one in re.findall(r"<svg[^>]*>.*?<title>(.*?)</title>", page, re.S)
    }


def outside(text: str) -> str:
    """What of a text stands in no marks."""
    kept, depth = [], 0
    for letter in text:
        depth += letter == "⟦"
        kept.append(letter if depth == 0 else " " if letter == "⟧" else "")
        depth = max(0, depth - (letter == "⟧"))
    return "".join(kept)


DATA = re.compile(
    r"\b(?:[A-Z2-7]{4} ){5,}[A-Z2-7]{4}\b|\bwhsec_[\w+/]+=*"  # secrets in base 32 and 64
    r"|https?://\S+|\S+@\S+|/\S+/\S*|\b[\w+-]+/[\w+/-]+\b"  # addresses; names of zones, units in a fraction
    r"|\b[0-9a-f]{8,}\b|\b[0-9a-f-]{36}\b|\b\w*\d[\w.,:/-]*"  # digests, ids, numbers, codes with a digit
)


HAS_WORD = re.compile(r"[^\W\d_]{2,}")


def _only(sentences: Iterable[str], text: str) -> bool:
    """Whether nothing with a word is left when the sentences are taken out, the longest first."""
    for one in sorted(sentences, key=len, reverse=True):
        text = re.sub(one, " ", text) if HAS_WORD.search(one) else text
    return HAS_WORD.search(DATA.sub(" ", text)) is None


def unmarked(page: str, data: Iterable[str], sentences: Iterable[str] = ()) -> list[str]:
    """Texts of a page that hold a word of two letters or more outside marks and known data.

    `sentences`: patterns of whole sentences that may stand there.
    """
    known = sorted({*data, *pictures(page)}, key=len, reverse=True)
    found = []
    for text in texts(page):
        rest = outside(text)
        for one in known:
            if one in rest:
                rest = re.sub(rf"(?<!\w){re.escape(one)}(?!\w)", " ", rest)
        if HAS_WORD.search(DATA.sub(" ", rest)) and not _only(sentences, outside(text)):
            found.append(text)
    return found
