"""Joins rendered parts into one tagged PDF/A-3A that also claims PDF/UA-1.

Copies the pages of each part, then its structure tree, and rebuilds by hand what a page copy does not carry:
named destinations, links between parts, the parent tree, the outline. Then stamps the page numbers, attaches
files and writes the metadata. The same parts give the same bytes.
"""

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from warnings import catch_warnings, simplefilter

import pikepdf
from pikepdf import Array, Dictionary, Name, Pdf, Stream, String

from reports.render.parts import Part
from reports.render.xmp import PRODUCER, packet

SIGNATURE_FIELD = "Issuer"
"""Name of the empty signature field that a report to be signed gets."""
LINK = b"part:"
_LEAF = 64  # names in one leaf of the tree
_PROFILE = "sRGB2014.icc"

Mark = tuple[int, str, Any, float, float]  # level, title, page, x, y


@dataclass(frozen=True, slots=True)
class Attachment:
    """A file inside the report; `relation` is Source or Data (PDF/A-3, AFRelationship)."""

    name: str
    data: bytes
    mime: str
    relation: str
    description: str


@dataclass(frozen=True, slots=True)
class Metadata:
    """Title, author, language and time of the file. `labels` name link targets in words."""

    title: str
    author: str
    made: datetime
    language: str = "en"
    labels: Mapping[str, str] = field(default_factory=dict)
    footer: str = "Page {page} of {pages}"
    signature_field: str = ""  # name of an empty, tagged signature field; '' = none


class BrokenLink(ValueError):
    """A link to nowhere or an anchor in two parts: a fault of the templates, never of the data."""


def join(
    parts: Sequence[Part], stamp: Path, target: Path, metadata: Metadata, attachments: Sequence[Attachment]
) -> int:
    """Write the joined file; `stamp` is a one-line part with every character of the footer. Returns pages."""
    with Pdf.new() as out, Pdf.open(stamp) as face:
        joiner = _Joiner(out, metadata, sum(p.pages for p in parts), _StampFont(out, face))
        for part in parts:
            joiner.add(part)
        joiner.finish()
        for item in attachments:
            _attach(out, item, metadata.made)
        if attachments:
            out.Root.AF = Array([out.attachments[item.name].obj for item in attachments])
        _describe(out, metadata)
        _mend_last_bytes(out)
        out.save(
            target,
            object_stream_mode=pikepdf.ObjectStreamMode.generate,
            deterministic_id=True,
            min_version="1.7",
        )
        return len(out.pages)


class _StampFont:
    """The font of the page numbers: glyph numbers and widths read from the one-line part."""

    def __init__(self, out: Pdf, face: Pdf) -> None:
        font = next(iter(face.pages[0].obj.Resources.Font.values()))
        self.glyphs: dict[str, str] = {}
        for line in font.ToUnicode.read_bytes().decode("ascii", "replace").splitlines():
            pair = line.split()
            if len(pair) == 2 and pair[0][0] == pair[1][0] == "<":
                self.glyphs[chr(int(pair[1][1:-1], 16))] = pair[0][1:-1]
        self.widths: dict[int, float] = {}
        table = list(font.DescendantFonts[0].W)
        for first, widths in zip(table[::2], table[1::2], strict=True):
            for k, width in enumerate(widths):
                self.widths[int(first) + k] = float(width)
        self.font = out.copy_foreign(font)

    def put(self, out: Pdf, page: pikepdf.Page, text: str) -> None:
        """Write a page's number before its content, since the content turns the axes and leaves them so."""
        size, right, up = 7.0, 39.7, 28.0
        codes = [self.glyphs[c] for c in text]
        width = sum(self.widths.get(int(c, 16), 0.0) for c in codes) * size / 1000
        x = float(page.mediabox[2]) - right - width
        page.obj.Resources.Font["/Stamp"] = self.font
        drawing = (
            f"/Artifact <</Type /Pagination /Subtype /Footer>> BDC q BT /Stamp {size} Tf 0.32 0.39 0.42 rg "
            f"1 0 0 1 {x:.2f} {up} Tm <{''.join(codes)}> Tj ET Q EMC"
        )
        page.contents_add(out.make_stream(drawing.encode()), prepend=True)


class _Joiner:
    """What grows while parts are added."""

    def __init__(self, out: Pdf, metadata: Metadata, total: int, font: _StampFont) -> None:
        self.out, self.metadata, self.total, self.font = out, metadata, total, font
        self.top = out.make_indirect(Dictionary(Type=Name.StructElem, S=Name.Document, K=Array([])))
        self.marks: list[Mark] = []
        self.destinations: list[tuple[bytes, Array]] = []
        self.leaves: list[Any] = []
        self.key = 0
        self.profile: Any = None

    def add(self, part: Part) -> None:
        """Take over the pages of a part, then its structure."""
        with Pdf.open(part.path) as source:
            first = len(self.out.pages)
            with catch_warnings():  # destinations are rebuilt below
                simplefilter("ignore")
                self.out.pages.extend(source.pages)
            pages = [self.out.pages[k] for k in range(first, len(self.out.pages))]
            self.marks += [(a, t, pages[n].obj, x, y) for a, t, n, x, y, _ in part.bookmarks]
            self._destinations(source, pages)
            for number, page in enumerate(pages, first + 1):
                self._links(page)
                self._one_profile(page)
                text = self.metadata.footer.format(page=number, pages=self.total)
                self.font.put(self.out, page, text)
            self._structure(source, pages)

    def _destinations(self, source: Pdf, pages: list[pikepdf.Page]) -> None:
        names: Any = source.Root.get("/Names", Dictionary()).get("/Dests", Dictionary()).get("/Names", [])
        for k in range(0, len(names), 2):
            old = names[k + 1]
            page = pages[pikepdf.Page(old[0]).index].obj
            self.destinations.append((bytes(names[k]), Array([page, *[old[i] for i in range(1, len(old))]])))

    def _links(self, page: pikepdf.Page) -> None:
        """Links between parts become links inside the file, with a readable description."""
        for link in page.obj.get("/Annots", ()):
            address = link.get("/A", Dictionary()).get("/URI")
            if address is None or not bytes(address).startswith(LINK):
                continue
            name = bytes(address).removeprefix(LINK).decode()
            del link["/A"]
            link.Dest = String(name)
            link.Contents = String(f"Go to {self.metadata.labels.get(name, name)}")

    def _one_profile(self, page: pikepdf.Page) -> None:
        """All parts carry the same colour profile: keep one."""
        spaces = page.obj.Resources.get("/ColorSpace", Dictionary())
        for name in list(spaces.keys()):
            space = spaces[name]
            if not isinstance(space, Array) or space[0] != Name.ICCBased:
                continue
            if self.profile is None:
                self.profile = space[1]
            elif space[1].objgen != self.profile.objgen:
                spaces[name] = Array([Name.ICCBased, self.profile])

    def _structure(self, source: Pdf, pages: list[pikepdf.Page]) -> None:
        """After the pages, so that the elements point at the copied ones; keys move up by what is there."""
        root = self.out.copy_foreign(source.Root.StructTreeRoot)
        for document in root.K:
            for element in document.K:
                element.P = self.top
                self.top.K.append(element)
        numbers = root.ParentTree.Nums
        pairs = [(int(numbers[k]) + self.key, numbers[k + 1]) for k in range(0, len(numbers), 2)]
        for page in pages:
            if "/StructParents" in page.obj:
                page.obj.StructParents = int(page.obj.StructParents) + self.key
            for link in page.obj.get("/Annots", ()):
                if "/StructParent" in link:
                    link.StructParent = int(link.StructParent) + self.key
        if pairs:
            self.leaves.append(_leaf(self.out, pairs, "/Nums"))
            self.key = pairs[-1][0] + 1

    def finish(self) -> None:
        """Trees, outline and catalogue entries over all parts."""
        root = self.out.Root
        parents = self.out.make_indirect(Dictionary(Kids=Array(self.leaves)))
        tree = self.out.make_indirect(
            Dictionary(
                Type=Name.StructTreeRoot, K=Array([self.top]), ParentTree=parents, ParentTreeNextKey=self.key
            )
        )
        self.top.P = tree
        root.StructTreeRoot, root.MarkInfo = tree, Dictionary(Marked=True)
        if self.metadata.signature_field:
            self._signature_field(tree)
        root.OutputIntents = Array([_intent(self.profile)])
        root.Names = Dictionary()
        self._name_tree()
        _outline(self.out, self.marks)

    def _name_tree(self) -> None:
        self.destinations.sort(key=lambda d: d[0])
        names = [name for name, _ in self.destinations]
        twice = {a for a, b in itertools.pairwise(names) if a == b}
        if twice:
            raise BrokenLink(f"the same anchor stands in two places: {sorted(twice)[:3]}")
        known = set(names)
        for page in self.out.pages:
            for link in page.obj.get("/Annots", ()):
                if "/Dest" in link and bytes(link.Dest) not in known:
                    raise BrokenLink(f"a link leads nowhere: {link.Dest}")
        leaves = [
            _leaf(self.out, [(String(n.decode()), d) for n, d in self.destinations[k : k + _LEAF]], "/Names")
            for k in range(0, len(self.destinations), _LEAF)
        ]
        if leaves:
            self.out.Root.Names.Dests = Dictionary(Kids=Array(leaves))

    def _signature_field(self, tree: Any) -> None:
        """An empty signature field that is tagged, so that signing later adds no untagged widget."""
        words, page = String("Signature of the issuing company"), self.out.pages[-1].obj
        widget = self.out.make_indirect(
            Dictionary(
                Type=Name.Annot,
                Subtype=Name.Widget,
                FT=Name.Sig,
                T=String(self.metadata.signature_field),
                TU=words,
                Rect=Array([0, 0, 0, 0]),
                F=132,
                P=page,
                StructParent=self.key,
            )
        )
        page.Annots = Array([*page.get("/Annots", ()), widget])
        page.Tabs = Name.S
        self.out.Root.AcroForm = Dictionary(Fields=Array([widget]), SigFlags=1)
        held = Array([Dictionary(Type=Name.OBJR, Obj=widget, Pg=page)])
        element = self.out.make_indirect(
            Dictionary(Type=Name.StructElem, S=Name.Form, P=self.top, Pg=page, Alt=words, K=held)
        )
        self.top.K.append(element)
        tree.ParentTree.Kids.append(_leaf(self.out, [(self.key, element)], "/Nums"))
        tree.ParentTreeNextKey = self.key + 1


def _leaf(out: Pdf, pairs: Sequence[tuple[Any, Any]], kind: str) -> Any:
    """One leaf of a number or name tree with its limits."""
    flat = Array([value for pair in pairs for value in pair])
    return out.make_indirect(Dictionary({kind: flat, "/Limits": Array([pairs[0][0], pairs[-1][0]])}))


def _intent(profile: Any) -> Dictionary:
    return Dictionary(
        Type=Name.OutputIntent,
        S=Name.GTS_PDFA1,
        OutputConditionIdentifier=String(_PROFILE),
        Info=String(_PROFILE),
        DestOutputProfile=profile,
    )


def _outline(out: Pdf, marks: Sequence[Mark]) -> None:
    """The outline from the headings of all parts, so that a sheet falls under its system."""
    root = out.make_indirect(Dictionary(Type=Name.Outlines))
    stack: list[tuple[int, Any]] = [(0, root)]
    last: dict[Any, Any] = {}
    for level, title, page, x, y in marks:
        while stack[-1][0] >= level:
            stack.pop()
        parent = stack[-1][1]
        place = Array([page, Name.XYZ, round(x, 2), round(y, 2), 0])
        item = out.make_indirect(Dictionary(Title=String(title), Parent=parent, Dest=place))
        before = last.get(parent.objgen)
        if before is None:
            parent.First = item
        else:
            before.Next, item.Prev = item, before
        parent.Last, last[parent.objgen] = item, item
        for _, above in stack:
            above["/Count"] = int(above.get("/Count", 0)) + 1
        stack.append((level, item))
    if marks:
        out.Root.Outlines, out.Root.PageMode = root, Name.UseOutlines


def _pdf_date(moment: datetime) -> str:
    return moment.astimezone(UTC).strftime("D:%Y%m%d%H%M%S+00'00'")


def _attach(out: Pdf, item: Attachment, made: datetime) -> None:
    date = _pdf_date(made)
    out.attachments[item.name] = pikepdf.AttachedFileSpec(
        out,
        item.data,
        filename=item.name,
        mime_type=item.mime,
        description=item.description,
        relationship=Name("/" + item.relation),
        creation_date=date,
        mod_date=date,
    )


def _describe(out: Pdf, metadata: Metadata) -> None:
    """Language, title shown in the window, metadata packet and the same in the information dictionary."""
    out.Root.Lang = String(metadata.language)
    out.Root.ViewerPreferences = Dictionary(DisplayDocTitle=True)
    made = metadata.made.astimezone(UTC).replace(microsecond=0)
    data = packet(metadata.title, metadata.author, made)
    out.Root.Metadata = out.make_stream(data, Type=Name.Metadata, Subtype=Name.XML)
    facts = {"/Title": metadata.title, "/Author": metadata.author, "/Producer": PRODUCER}
    for name, text in facts.items():
        out.docinfo[name] = text
    out.docinfo["/CreationDate"] = out.docinfo["/ModDate"] = _pdf_date(made)


def _mend_last_bytes(out: Pdf) -> None:
    """A compressed stream ending in CR reads to some validators as too long: its data get a newline."""
    for thing in out.objects:
        if not isinstance(thing, Stream) or thing.get("/Type") == Name.Metadata or "/Length1" in thing:
            continue
        if thing.get("/Subtype") != Name.Image and thing.read_raw_bytes()[-1:] == b"\r":
            thing.write(thing.read_bytes() + b"\n")
