"""Deficiency lists and lists of deferred points: tables by system, to be worked off."""

from collections.abc import Iterator, Mapping
from typing import Any

from reports.document import Deficiency, Document, Kind
from reports.render.figures import day
from reports.render.sheet import by_words
from reports.render.templating import fill

ROWS_IN_TABLE = 60  # of one block; a longer system goes on in another
LISTS = frozenset({Kind.DEFICIENCIES, Kind.DEFERRED})
KIND_WORDS = {
    Kind.REPORT: "Report",
    Kind.INTERIM: "Interim report",
    Kind.DEFICIENCIES: "Deficiency list",
    Kind.DEFERRED: "Deferred points",
}
"""What each page calls the document, before its number."""


def tables(document: Document, shown: Mapping[int, dict[str, Any]]) -> Iterator[tuple[str, int]]:
    """Markup and pages of each block. `shown`: what a page shows of each deficiency, by its place."""
    done = document.kind is Kind.DEFICIENCIES
    rows = [(item, {**shown[k], **_row(item)}) for k, item in enumerate(document.deficiencies)]
    for start in range(0, len(rows), ROWS_IN_TABLE):
        chunk = rows[start : start + ROWS_IN_TABLE]
        names = list(dict.fromkeys(item.system for item, _ in chunk))
        groups = []
        for name in names:
            own = [values for item, values in chunk if item.system == name]
            groups.append({"name": name, "caption": _counted(len(own)), "rows": own})
        values = {
            "title": document.report.title + ("" if not start else ", continued"),
            "addressee": document.addressee if not start else "",
            "sentence": _sentence(document) if not start else "",
            "standing": document.report.note if not start else "",
            "groups": groups,
            "done": done,
        }
        html = fill("list.html", values)
        yield (html if not start else html.replace('<h1 id="list">', "<h1>", 1)), 1 + len(chunk) // 14


def _counted(number: int) -> str:
    return f"{number} point" + ("" if number == 1 else "s")


def _sentence(document: Document) -> str:
    number = len(document.deficiencies)
    if document.kind is Kind.DEFICIENCIES:
        words = "deficiency is open" if number == 1 else "deficiencies are open"
        return (
            f"{number} {words}. They keep the air or water systems from their design and need the contractor."
        )
    waiting = sum(1 for item in document.deficiencies if item.status == "deferred")
    return f"{_counted(number)} left for later in this job; {waiting or 'none'} still to be measured."


def _row(item: Deficiency) -> dict[str, Any]:
    return {
        "place": item.place,
        "at": day(item.at.date() if item.at else None),
        "status": item.status[:1].upper() + item.status[1:],
        "reason": item.answer.reason if item.answer else "",
        "by": by_words(item.answer.by) if item.answer else "",
    }
