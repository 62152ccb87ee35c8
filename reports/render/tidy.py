"""Sets right, before a part is written, what the layout engine leaves undone in the structure tree.

Works on pydyf's objects (plain dicts and lists), which is cheap. Done here: column and row scope of table
headers instead of ids that would collide between parts; boxes of figures in points from the bottom; running
heads as artifacts instead of elements that hang in no tree; one element instead of two where a cell holds
only plain text.
"""

from typing import Any

import pydyf

_POINTS = 0.75  # one CSS pixel
_SECTIONS = {"/THead": True, "/TBody": False, "/TFoot": False, "/Table": False}


def tidy(document: Any, pdf: Any) -> None:
    """The engine's `finisher`: called with the laid-out document and the PDF about to be written."""
    root = next((o for o in pdf.objects if isinstance(o, dict) and o.get("Type") == "/StructTreeRoot"), None)
    if root is None:
        return
    tree = _Tree(document, pdf)
    tree.walk(tree.object(root["K"][0]))
    tree.free_running_heads(tree.object(root["ParentTree"])["Nums"])


class _Tree:
    """One walk over the structure tree."""

    def __init__(self, document: Any, pdf: Any) -> None:
        self.pdf = pdf
        self.heights = [page.height for page in document.pages]
        self.page_number = {reference: k for k, reference in enumerate(pdf.page_references)}
        self.seen: set[int] = set()
        self.moved: dict[Any, Any] = {}

    def object(self, reference: Any) -> Any:
        """The object behind a reference, or the value itself."""
        return (
            self.pdf.objects[int(reference.split()[0])] if isinstance(reference, str | bytes) else reference
        )

    def walk(self, top: Any) -> None:
        """Visit every element once, knowing whether it stands in a table head."""
        stack = [(top, False)]
        while stack:
            element, head = stack.pop()
            self.seen.add(id(element))
            kind = element.get("S")
            head = _SECTIONS.get(kind, head)
            self._attributes(element, kind, head)
            if self._takes_text(element):
                continue
            for kid in element.get("K", ()):
                if isinstance(kid, str | bytes):
                    found = self.object(kid)
                    if isinstance(found, dict) and found.get("Type") == "/StructElem":
                        stack.append((found, head))

    def _attributes(self, element: Any, kind: Any, head: bool) -> None:
        if kind == "/Figure" and "A" in element:
            height = self.heights[self.page_number[element["Pg"]]] * _POINTS
            x1, y1, x2, y2 = (v * _POINTS for v in element["A"]["BBox"])
            box = (x1, height - y2, x2, height - y1)
            element["A"]["BBox"] = pydyf.Array([round(v, 2) for v in box])
        elif kind == "/TH":
            element["A"]["Scope"] = "/Column" if head else "/Row"
            element.pop("ID", None)
        elif kind == "/TD" and "A" in element:
            element["A"].pop("Headers", None)
            if len(element["A"]) == 1:
                element.pop("A")

    def _takes_text(self, element: Any) -> bool:
        """An element whose only child is a span with one piece of content takes that content itself."""
        kids = element.get("K", ())
        if len(kids) != 1 or isinstance(kids[0], int):
            return False
        child: Any = self.object(kids[0])
        if not hasattr(child, "get") or child.get("S") != "/Span":
            return False
        if len(child["K"]) != 1 or not isinstance(child["K"][0], int):
            return False
        element["K"], element["Pg"] = child["K"], child["Pg"]
        self.moved[child.reference] = element.reference
        return True

    def free_running_heads(self, numbers: Any) -> None:
        """Turn content whose element is in no tree (heads and feet of pages) into pagination artifacts."""
        pages = [o for o in self.pdf.objects if isinstance(o, dict) and o.get("Type") == "/Page"]
        for page in pages:
            parents = numbers[2 * page["StructParents"] + 1]
            parents[:] = [self.moved.get(p, p) for p in parents]
            loose = {k for k, p in enumerate(parents) if id(self.object(p)) not in self.seen}
            for k in loose:
                parents[k] = "null"
            _as_artifacts(self.object(page["Contents"]).stream, loose)


def _as_artifacts(stream: list[Any], loose: set[int]) -> None:
    """Replace `/Tag <</MCID n>> BDC` by an artifact mark for the given numbers."""
    if not loose:
        return
    for k, item in enumerate(stream):
        if isinstance(item, dict) and item.get("MCID") in loose and stream[k + 1] == b"BDC":
            stream[k - 1], stream[k] = "/Artifact", pydyf.Dictionary({"Type": "/Pagination"})
