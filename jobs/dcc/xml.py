"""XML from outside, read without doing anything that it asks for.

Refused in words: document types and entities (so also entity bombs and outside files), XInclude, other
encodings than UTF-8 and UTF-16, and what is deeper, larger or more than any certificate.
"""

import codecs
import re

from django.utils.translation import gettext
from lxml import etree

from jobs.errors import Fault, Invalid

DEEPEST, MOST_ELEMENTS, MOST_ATTRIBUTE = 64, 200_000, 10_000
XINCLUDE = "http://www.w3.org/2001/XInclude"
_BOMS = {
    codecs.BOM_UTF32_LE: "",
    codecs.BOM_UTF32_BE: "",
    codecs.BOM_UTF8: "utf-8-sig",
    codecs.BOM_UTF16_LE: "utf-16",
    codecs.BOM_UTF16_BE: "utf-16",
}
_DECLARED = re.compile(r"""\A\s*<\?xml\s[^>]*?encoding\s*=\s*["']([^"']*)["']""")
_DECLARATION = re.compile(r"\A\s*<\?xml\s[^>]*\?>")
_DEFINES = re.compile(r"<!\s*(DOCTYPE|ENTITY)", re.IGNORECASE)
_TAKEN = ("utf-8", "utf8", "utf-16", "us-ascii", "ascii")


def read_xml(data: bytes) -> etree._Element:
    """The root of a well-formed and harmless XML file. Raises Invalid with what is wrong and what to do."""
    text = _text(data)
    if found := _DEFINES.search(text):
        raise refused(
            gettext("has a %(declaration)s; save it without, since definitions are not followed here")
            % {"declaration": found[1].upper()}
        )
    root = _parse(_DECLARATION.sub("", text, count=1))
    _check_tree(root)
    return root


def refused(detail: str, pointer: str = "file") -> Invalid:
    return Invalid(f"The XML file {detail}. Nothing was stored.", [Fault(pointer, detail)])


def _text(data: bytes) -> str:
    encoding = next((name for mark, name in _BOMS.items() if data.startswith(mark)), "utf-8")
    try:
        text = data.decode(encoding or "ascii")
    except UnicodeDecodeError:
        raise refused(gettext("is not UTF-8 or UTF-16 text; save it as UTF-8")) from None
    declared = _DECLARED.match(text)
    if declared and declared[1].lower() not in _TAKEN:
        raise refused(
            gettext("says that it is written in %(declared)s; save it as UTF-8")
            % {"declared": f"{declared[1][:30]!r}"}
        )
    return text


def _parse(text: str) -> etree._Element:
    parser = etree.XMLParser(
        resolve_entities=False,
        load_dtd=False,
        dtd_validation=False,
        attribute_defaults=False,
        no_network=True,
        huge_tree=False,
        recover=False,
        remove_comments=True,
        remove_pis=True,
        encoding="utf-8",
    )
    try:
        return etree.fromstring(text.encode(), parser)
    except etree.XMLSyntaxError as error:
        line, column = error.position
        why = " ".join((error.msg or "it cannot be parsed").split())[:160]
        raise refused(
            gettext("is not well-formed XML at line %(line)s, column %(column)s: %(why)s")
            % {"line": line, "column": column, "why": why}
        ) from None
    except ValueError as error:
        raise refused(gettext("cannot be read: %(error)s") % {"error": str(error)[:160]}) from None


def _check_tree(root: etree._Element) -> None:
    """Limits, and what would bring other files in. Walks without recursion."""
    count, level = 0, [root]
    for depth in range(DEEPEST + 1):
        if not level:
            return
        if depth == DEEPEST:
            raise refused(gettext("is nested more than %(most)s deep") % {"most": DEEPEST})
        count += len(level)
        if count > MOST_ELEMENTS:
            raise refused(
                gettext("has more than %(most_elements)s elements") % {"most_elements": MOST_ELEMENTS}
            )
        for element in level:
            _check_element(element)
        level = [child for element in level for child in element]


def _check_element(element: etree._Element) -> None:
    if not isinstance(element.tag, str):
        raise refused(gettext("has an entity reference; write what it stands for"))
    if etree.QName(element).namespace == XINCLUDE:
        raise refused(gettext("includes other files (XInclude); put their content in"))
    if any(len(str(value)) > MOST_ATTRIBUTE for value in element.attrib.values()):
        raise refused(
            gettext("has an attribute longer than %(most_attribute)s characters")
            % {"most_attribute": MOST_ATTRIBUTE}
        )
