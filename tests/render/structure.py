"""An independent look at a finished file: structure tree, text, fonts, lengths of streams.

Reads the file with another library than the one that laid it out, and walks every content stream, so that a
fault of the join shows even where validators are content.
"""

import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pikepdf

PAINTING = {"Tj", "TJ", "'", '"', "f", "F", "f*", "S", "s", "B", "B*", "b", "b*", "Do", "sh"}


@dataclass
class Structure:
    """What was found: faults in words, how often each element occurs, pieces of marked content."""

    faults: list[str] = field(default_factory=list)
    kinds: dict[str, int] = field(default_factory=dict)
    marked: int = 0
    artifacts: int = 0


@dataclass
class _Kids:
    content: dict[tuple[int, int], Any] = field(default_factory=dict)  # (page, MCID) -> element
    order: list[int] = field(default_factory=list)
    annotations: set[tuple[Any, Any]] = field(default_factory=set)  # (annotation, element)


def check(path: Path) -> Structure:
    """Every MCID resolves to an element that has it as a kid on that page; parents and kids agree; nothing is
    painted outside marks; annotations are held by their element; reading order follows the pages."""
    found = Structure()
    with pikepdf.open(path) as pdf:
        root = pdf.Root.StructTreeRoot
        parents = _numbers(root.ParentTree, found)
        kids = _walk(pdf, root, found)
        for number, page in enumerate(pdf.pages):
            _page(number, page, parents, kids, found)
        if int(root.ParentTreeNextKey) <= max(parents):
            found.faults.append("ParentTreeNextKey is used already")
    if kids.order != sorted(kids.order):
        found.faults.append("reading order leaves the order of the pages")
    if len(kids.content) != found.marked:
        found.faults.append(f"{len(kids.content)} kids in the tree, {found.marked} marks on the pages")
    return found


def _numbers(node: Any, found: Structure) -> dict[int, Any]:
    """A number tree as a dictionary; keys must grow and keep to the limits."""
    out: dict[int, Any] = {}
    for kid in node.get("/Kids", ()):
        inner = _numbers(kid, found)
        low, high = (int(v) for v in kid.Limits)
        if [low, high] != [min(inner), max(inner)] or set(out) & set(inner):
            found.faults.append(f"number tree: limits {low}..{high} do not fit")
        out |= inner
    values = node.get("/Nums", ())
    out |= {int(values[k]): values[k + 1] for k in range(0, len(values), 2)}
    return out


def _walk(pdf: pikepdf.Pdf, root: Any, found: Structure) -> _Kids:
    pages = {page.obj.objgen: k for k, page in enumerate(pdf.pages)}
    kids, seen = _Kids(), set()
    stack = [(root.K[0], root.objgen)]
    while stack:
        element, parent = stack.pop()
        if element.objgen in seen:
            found.faults.append(f"element {element.objgen} stands twice in the tree")
            continue
        seen.add(element.objgen)
        kind = str(element.S)
        found.kinds[kind] = found.kinds.get(kind, 0) + 1
        if element.P.objgen != parent:
            found.faults.append(f"{kind} {element.objgen} names another parent")
        held = element.get("/K", ())
        below = []
        for kid in held if isinstance(held, pikepdf.Array) else [held]:
            if isinstance(kid, int):
                place = pages[element.Pg.objgen]
                kids.content[place, int(kid)] = element
                kids.order.append(place)
            elif kid.get("/Type") == "/OBJR":
                kids.annotations.add((kid.Obj.objgen, element.objgen))
            else:
                below.append((kid, element.objgen))
        stack += reversed(below)
    return kids


def _page(number: int, page: Any, parents: dict[int, Any], kids: _Kids, found: Structure) -> None:
    expected, depth = parents[int(page.obj.StructParents)], 0
    for operands, operator in _operations(page):
        name = str(operator)
        if name in ("BDC", "BMC"):
            depth += 1
            mark = (
                operands[1].get("/MCID")
                if name == "BDC" and isinstance(operands[1], pikepdf.Dictionary)
                else None
            )
            if mark is None:
                found.artifacts += 1
                continue
            found.marked += 1
            element = kids.content.get((number, int(mark)))
            other = expected[int(mark)] if int(mark) < len(expected) else None
            if element is None or other is None or other.objgen != element.objgen:
                found.faults.append(f"page {number + 1}: MCID {int(mark)} does not resolve")
        elif name == "EMC":
            depth -= 1
        elif name in PAINTING and not depth:
            found.faults.append(f"page {number + 1}: {name} paints outside all marks")
    for annotation in page.obj.get("/Annots", ()):
        element = parents.get(int(annotation.StructParent))
        if element is None or (annotation.objgen, element.objgen) not in kids.annotations:
            found.faults.append(f"page {number + 1}: an annotation is not held by its element")


def _operations(stream: Any) -> list[Any]:
    """Operands and operator of each step of a content stream."""
    return [(step.operands, step.operator) for step in pikepdf.parse_content_stream(stream)]


def font_names(path: Path) -> set[str]:
    """Names of all fonts on all pages, without the subset's prefix; every one must be embedded."""
    names = set()
    with pikepdf.open(path) as pdf:
        for thing in pdf.objects:
            if isinstance(thing, pikepdf.Dictionary) and thing.get("/Type") == "/FontDescriptor":
                assert "/FontFile2" in thing or "/FontFile3" in thing, "font not embedded"
                names.add(str(thing.FontName).removeprefix("/").partition("+")[2])
    return names


def page_texts(path: Path) -> list[str]:
    """Text of each page in the order of its content, by the fonts' own ToUnicode tables; spaces squeezed."""
    with pikepdf.open(path) as pdf:
        tables: dict[Any, dict[str, str]] = {}
        return [" ".join("".join(_pieces(page, page.obj.Resources, tables)).split()) for page in pdf.pages]


def _pieces(stream: Any, resources: Any, tables: dict[Any, dict[str, str]]) -> list[str]:
    out: list[str] = []
    table: dict[str, str] = {}
    for operands, operator in _operations(stream):
        name = str(operator)
        if name == "Tf":
            font = resources.Font[str(operands[0])]
            if font.objgen not in tables:
                tables[font.objgen] = _table(font)
            table = tables[font.objgen]
        elif name in ("Tj", "TJ"):
            parts = operands[0] if name == "TJ" else [operands[0]]
            out += [_decode(bytes(p), table) for p in parts if isinstance(p, pikepdf.String)]
        elif name == "ET":
            out.append(" ")
        elif name == "Do":
            form = resources.XObject[str(operands[0])]
            if form.get("/Subtype") == "/Form":
                out += _pieces(form, form.get("/Resources", resources), tables)
    return out


def _decode(code: bytes, table: dict[str, str]) -> str:
    return "".join(table.get(code[k : k + 2].hex(), "?") for k in range(0, len(code), 2))


def _table(font: Any) -> dict[str, str]:
    """Glyph code (hexadecimal) to text."""
    pairs = re.findall(rb"^<([0-9a-fA-F]{4})> <([0-9a-fA-F]+)>$", font.ToUnicode.read_bytes(), re.M)
    return {a.decode().lower(): bytes.fromhex(b.decode()).decode("utf-16-be") for a, b in pairs}


def wrong_lengths(path: Path) -> list[int]:
    """Offsets of streams whose /Length is not followed by an end of line and `endstream`, by a raw scan."""
    data, wrong = path.read_bytes(), []
    for match in re.finditer(rb"/Length (\d+)(?: \d+ R)?[^>]{0,400}?>>\s*stream\r?\n", data):
        end = match.end() + int(match[1])
        if not re.match(rb"\r?\n?endstream", data[end : end + 12]):
            wrong.append(match.start())
    return wrong
