"""What differs between two revisions of a report, found by comparing what was frozen."""

from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime

from reports.document import (
    Change,
    Deficiency,
    Document,
    Flag,
    Measured,
    Photo,
    Result,
    UnitSystem,
    photos_of,
)
from reports.render.figures import Figures
from reports.render.pages import flags_of

SI = Figures(UnitSystem.SI)
WORDS = {
    "pass": "pass",
    "conditional_pass": "conditional pass",
    "conditional_fail": "conditional fail",
    "fail": "fail",
    "not_decidable": "not decidable",
}


@dataclass(frozen=True)
class Figure:
    """A point's figure as a revision shows it."""

    result: Result
    at: datetime | None


def differences(
    before: Document, after: Document, reasons: Mapping[str, str], corrected: Collection[str] = ()
) -> tuple[Change, ...]:
    """Changes from an earlier revision: settings, figures, answers, photos. In the order of the new report.

    `reasons` tells by system and tag ("AHU-1 · S-2") why a figure's session replaced another, or why none is
    left; `corrected` names those that a clerical correction is.
    """
    found = [
        *_settings(before, after),
        *_figures(before, after, reasons, corrected),
        *_answers(before, after),
        *_photos(before, after),
    ]
    return tuple(found) or (Change(what="No figure, flag or setting changed."),)


def figures(document: Document) -> dict[str, Figure]:
    """Every point's figure, by system and tag."""
    found: dict[str, Figure] = {}
    for system in document.systems:
        for sheet in system.sheets:
            found[f"{system.name} · {sheet.tag}"] = Figure(sheet.result, sheet.started)
        for reading in system.centrelines:
            found[f"{system.name} · {reading.tag}"] = Figure(reading.result, reading.at)
        for row in system.outlets:
            found[f"{system.name} · {row.tag}"] = Figure(row.final, row.at)
        for test in system.tests:
            name = f"{system.name} · {test.tag}"
            found[f"{name}, {test.result.what.lower()}"] = Figure(test.result, test.started)
    return found


def _figures(
    before: Document, after: Document, reasons: Mapping[str, str], corrected: Collection[str]
) -> Iterator[Change]:
    old, new = figures(before), figures(after)
    for name, figure in new.items():
        earlier = old.get(name)
        if earlier is None:
            yield Change(what=f"{name}: measured since", after=line(figure.result))
        elif earlier != figure:
            same = "corrected" if name in corrected else "computed again"
            what = "measured again" if earlier.at != figure.at else same
            yield Change(
                what=f"{name}: {what}",
                before=line(earlier.result),
                after=line(figure.result),
                why=reasons.get(name, ""),
            )
    for name in sorted(old.keys() - new.keys()):
        yield Change(
            what=f"{name}: no longer part of the report",
            before=line(old[name].result),
            why=reasons.get(name, ""),
        )


def line(result: Result) -> str:
    """A figure in one line, SI: 912 ± 38 L/s, 101 % of design, pass."""
    text = str(SI.figure(result.quantity, Measured(value=result.value, expanded=result.expanded)))
    if result.share is not None:
        text += f", {100 * result.share:.1f} % of design"
    return f"{text}, {WORDS[result.verdict]}"


def _settings(before: Document, after: Document) -> Iterator[Change]:
    pairs = (
        ("Decision rule", before.report.decision_rule, after.report.decision_rule),
        ("Tolerances", "; ".join(before.report.tolerances), "; ".join(after.report.tolerances)),
        ("Standard air", before.report.standard_air.words, after.report.standard_air.words),
        ("Title", before.report.title, after.report.title),
        ("Project", before.report.project, after.report.project),
        ("Customer", before.report.customer, after.report.customer),
        ("Site", before.report.site, after.report.site),
        ("Note", before.report.note, after.report.note),
    )
    for what, old, new in pairs:
        if old != new:
            yield Change(what=what, before=old, after=new)


def flags(document: Document) -> Iterator[Flag]:
    for system in document.systems:
        yield from flags_of(system)


def _answers(before: Document, after: Document) -> Iterator[Change]:
    old = {_identity(flag): flag for flag in flags(before)}
    for flag in flags(after):
        earlier = old.get(_identity(flag))
        name = f"{flag.where}: {flag.rule}" if flag.where else flag.rule
        if earlier is None:
            yield Change(what=f"{name}: flag raised since", after=answer(flag), why=flag.seen)
        elif answer(earlier) != answer(flag):
            yield Change(what=f"{name}: answered anew", before=answer(earlier), after=answer(flag))


def _photos(before: Document, after: Document) -> Iterator[Change]:
    old, new = ({one.id: one for one in photos_of(document)} for document in (before, after))
    for one_id, photo in new.items():
        earlier = old.get(one_id)
        if earlier is None:
            yield Change(what=f"{_photo_name(photo)} added", after=photo.text)
        elif (earlier.tag, earlier.subject, earlier.text) != (photo.tag, photo.subject, photo.text):
            yield Change(what=f"{_photo_name(photo)}: described anew", before=earlier.text, after=photo.text)
    for one_id in sorted(old.keys() - new.keys()):
        yield Change(
            what=f"{_photo_name(old[one_id])}: no longer part of the report", before=old[one_id].text
        )


def _photo_name(photo: Photo) -> str:
    """E.g. "S-2: damper mark of 2026-03-02 09:38"."""
    at = f" of {photo.taken.at:%Y-%m-%d %H:%M}" if photo.taken.at else ""
    return f"{photo.tag or 'Whole job'}: {photo.subject.lower()}{at}"


def _identity(flag: Flag) -> tuple[str, str, str, str]:
    return (flag.rule, flag.where, flag.anchor, flag.seen)


def answer(flag: Flag) -> str:
    """How a flag was answered, in one line."""
    if flag.answer is None:
        return "not answered"
    return f"{flag.answer.decision} by {flag.answer.by.name}: {flag.answer.reason}"


def lists(before: Iterable[Deficiency], after: Iterable[Deficiency]) -> Iterator[Change]:
    """What was added to a list, what is off it, and what reads otherwise; an item is known by its point."""
    old, new = _items(before), _items(after)
    for name, item in new.items():
        if name not in old:
            yield Change(what=f"{name}: added", after=item)
        elif old[name] != item:
            yield Change(what=f"{name}: changed", before=old[name], after=item)
    for name in sorted(old.keys() - new.keys()):
        yield Change(what=f"{name}: off the list", before=old[name])


def _items(rows: Iterable[Deficiency]) -> dict[str, str]:
    found: dict[str, list[str]] = {}
    for row in rows:
        text = ", ".join(part for part in (row.what.rstrip("."), row.status) if part)
        found.setdefault(f"{row.system} · {row.tag}", []).append(text)
    return {name: "; ".join(texts) for name, texts in found.items()}
