"""From a document to blocks: pieces of markup that each start on a new page, with their contents entries."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from math import ceil
from typing import Any

import msgspec

from reports.document import (
    CentrelineRow,
    Change,
    Counts,
    Deficiency,
    Document,
    Flag,
    Instrument,
    Issue,
    Kind,
    Measured,
    OutletRow,
    Photo,
    Quantity,
    Result,
    Subject,
    System,
    TestSheet,
    Tolerance,
    Verdict,
)
from reports.render import charts, qr
from reports.render.figures import (
    NOTHING,
    VERDICT_WORDS,
    Figures,
    aligned,
    day,
    moment,
    number,
)
from reports.render.figures import tolerance as tolerance_words
from reports.render.lists import KIND_WORDS, LISTS, tables
from reports.render.sheet import (
    METHOD_WORDS,
    by_words,
    flag_values,
    ledger_values,
    tone,
    traverse_values,
)
from reports.render.templating import PICTURE, fill, picture
from reports.render.testsheet import test_values
from reports.render.text import anchor, safe_link
from reports.render.wording import VERDICTS, VERIFY, VERIFY_DRAFT

OUTLETS_IN_TABLE = 200  # rows of one table; longer systems go on in another, which may stand in another part
INSTRUMENTS_IN_BLOCK = 12
FLAGS_IN_BLOCK = 60
TESTS_IN_BLOCK = 6
PHOTOS_IN_BLOCK = 24
PHOTOS_ON_PAGE = 6


@dataclass(frozen=True, slots=True)
class Entry:
    """A line of the contents page."""

    depth: int
    title: str
    anchor: str


@dataclass(frozen=True, slots=True)
class Block:
    """Markup that starts on a new page, its contents entries, and about how many pages it fills."""

    html: str
    entries: tuple[Entry, ...]
    pages: int
    labels: dict[str, str] = field(default_factory=dict)


def counts_of(counts: Counts) -> list[dict[str, Any]]:
    """The five counts in the order of the verdicts."""
    numbers = (
        counts.passed,
        counts.conditional_pass,
        counts.conditional_fail,
        counts.failed,
        counts.not_decidable,
    )
    words = (VERDICT_WORDS[Verdict(name)] for name, _ in VERDICTS)
    return [{"number": str(n), "any": n > 0, "word": w} for n, w in zip(numbers, words, strict=True)]


def cover(document: Document, issue: Issue | None, digest: str) -> str:
    """The first page."""
    r = document.report
    facts = [
        ("Site", r.site),
        ("Job", r.job),
        ("Measured", f"{day(r.measured_from)} to {day(r.measured_to)}"),
        ("Measured by", "; ".join(by_words(p) for p in r.measured) or NOTHING),
        ("Approved by" if document.kind is Kind.REPORT else "Sent out by", by_words(r.approved)),
        ("Revision", f"{r.revision}" + (f" · {r.status}" if r.status else "")),
        ("Times", f"in the zone of the site, {r.zone}"),
    ]
    if document.kind in LISTS:  # of what is left, not of what was measured when
        facts = [fact for fact in facts if not fact[0].startswith("Measured")]
    if document.addressee:
        facts.insert(0, ("For", document.addressee))
    if issue is not None:
        facts.insert(0, (KIND_WORDS[document.kind], f"{issue.number} · revision {issue.revision}"))
        facts.append(("Issued", f"{moment(issue.issued_at)} {issue.issued_at:%Z} · {issue.issued_by}"))
    values = {
        "company": document.company.name,
        "letterhead": "\n".join(document.company.letterhead),
        "draft": issue is None,
        "interim": document.kind is Kind.INTERIM,
        "title": r.title,
        "project": r.project,
        "customer": r.customer,
        "facts": facts,
        "self_approval": r.self_approval,
        "counts": () if document.kind in LISTS else counts_of(document.counts),
        "digest": digest,
    }
    return fill("cover.html", values)


def contents(entries: Sequence[Entry], numbers: dict[str, int]) -> str:
    """The contents page; a page number not known yet is shown as a placeholder of usual width."""
    rows = [
        {
            "depth": "one" if e.depth == 1 else "two-deep",
            "title": e.title,
            "anchor": e.anchor,
            "page": str(numbers.get(e.anchor, "000")),
        }
        for e in entries
    ]
    return fill("contents.html", {"entries": rows})


def blocks(document: Document, issue: Issue | None, digest: str) -> Iterator[Block]:
    """All blocks behind the contents page, in order."""
    figures = Figures(document.company.units)
    if document.kind in LISTS:
        yield from _listed(document, figures)
        yield _closing(document, issue, digest)
        return
    register = {i.key: i for i in document.instruments}
    anchors = [f"system-{k}" for k in range(1, len(document.systems) + 1)]
    drawn = (name for y in document.systems for name in sheet_anchors(y))
    known = frozenset(anchor(name) for name in drawn)
    yield _summary(document, figures, anchors, known)
    for k in range(0, max(len(document.instruments), 1), INSTRUMENTS_IN_BLOCK):
        yield _instruments(document.instruments[k : k + INSTRUMENTS_IN_BLOCK], k, figures)
    for system, name in zip(document.systems, anchors, strict=True):
        yield from _system_with_outlets(system, name, figures)
        for sheet in system.sheets:
            values = traverse_values(sheet, figures, document.report, register)
            title = f"{values['title']} {sheet.tag}"
            entry = Entry(2, title, values["anchor"])
            yield Block(fill("traverse.html", values), (entry,), 2, {entry.anchor: title})
        yield from _tests(system, figures, document.report, register)
        yield from _photos(system.photos or (), system.name, f"photos-{name}", 2)
    yield from _photos(document.photos or (), document.report.project, "photos", 1)
    yield from _flags(document, known)
    yield _closing(document, issue, digest)


def _listed(document: Document, figures: Figures) -> Iterator[Block]:
    """The blocks of a list."""
    none: frozenset[str] = frozenset()
    shown = {k: _deficiency(item, figures, none) for k, item in enumerate(document.deficiencies)}
    for k, (html, pages) in enumerate(tables(document, shown)):
        yield Block(html, () if k else (Entry(1, document.report.title, "list"),), pages)


def sheet_anchors(system: System) -> list[str]:
    """Anchors of all sheets of a system."""
    return [sheet.anchor for sheet in system.sheets] + [test.anchor for test in system.tests]


def _tests(
    system: System, figures: Figures, subject: Subject, register: dict[str, Instrument]
) -> Iterator[Block]:
    """Sheets of other measurements, a few to a block: a short one shares its page."""
    for start in range(0, len(system.tests), TESTS_IN_BLOCK):
        chunk = [
            test_values(t, figures, subject, register) for t in system.tests[start : start + TESTS_IN_BLOCK]
        ]
        entries = tuple(Entry(2, f"{v['title']} {v['tag']}", v["anchor"]) for v in chunk)
        html = "".join(fill("test.html", values) for values in chunk)
        yield Block(html, entries, len(chunk), {entry.anchor: entry.title for entry in entries})


def _photos(photos: Sequence[Photo], of: str, name: str, depth: int) -> Iterator[Block]:
    """Photos two beside each other, then notes; many go on in another block."""
    ordered = sorted(photos, key=lambda one: one.kind != "photo")
    for start in range(0, len(ordered), PHOTOS_IN_BLOCK):
        chunk = ordered[start : start + PHOTOS_IN_BLOCK]
        title = "Photos and notes" + (", continued" if start else "")
        shown = [_photo(one) for one in chunk]
        pairs = [one for one in shown if one["source"]]
        values = {
            "anchor": f"{name}-{start}" if start else name,
            "title": title,
            "of": of,
            "rows": [pairs[k : k + 2] for k in range(0, len(pairs), 2)],
            "notes": [one for one in shown if not one["source"]],
        }
        entries = () if start else (Entry(depth, title, name),)
        labels = {name: f"{title}, {of}"}
        yield Block(fill("photos.html", values), entries, 1 + len(chunk) // PHOTOS_ON_PAGE, labels)


def _photo(photo: Photo) -> dict[str, Any]:
    place = ", ".join(part for part in (photo.tag, photo.place) if part) or "Whole job"
    taken = by_words(photo.taken)
    said = f": {photo.text.rstrip('.')}" if photo.text else ""
    return {
        "source": f"{PICTURE}{photo.printed}" if photo.printed else "",
        "alt": f"Photo, {photo.subject.lower()}, {place}{said}. Taken by {taken}.",
        "tall": photo.height > photo.width,
        "place": place,
        "subject": photo.subject,
        "text": photo.text,
        "taken": taken,
        "digest": photo.digest,
    }


def _summary(document: Document, figures: Figures, anchors: Sequence[str], known: frozenset[str]) -> Block:
    c = document.counts
    total = c.passed + c.conditional_pass + c.conditional_fail + c.failed + c.not_decidable
    good, items = c.passed + c.conditional_pass, len(document.deficiencies)
    left = sum(1 for item in document.deficiencies if item.status == "deferred")
    open_items = items - left
    sentence = (
        f"{good} of {total} points pass or pass conditionally; "
        f"{open_items or 'no'} {'deficiency' if open_items == 1 else 'deficiencies'}"
        + (f"; {left} deferred to another season." if left else ".")
    )
    values = {
        "sentence": sentence,
        "counts": counts_of(c),
        "deficiencies": [_deficiency(d, figures, known) for d in document.deficiencies],
        "note": document.report.note,
        "systems": [_tally(s, a) for s, a in zip(document.systems, anchors, strict=True)],
    }
    entries = (Entry(1, "Summary", "summary"), Entry(2, "Deficiencies", "deficiencies"))
    return Block(fill("summary.html", values), entries, 1 + items // 9)


def _deficiency(item: Deficiency, figures: Figures, known: frozenset[str]) -> dict[str, Any]:
    link = anchor(item.anchor)
    values: dict[str, Any] = {
        "tag": item.tag,
        "system": item.system,
        "what": item.what,
        "link": link if link in known else "",
    }
    if item.result is not None:
        line = figures.ledger(item.result)
        flow = f"{line.value} ± {line.expanded}" if line.expanded else line.value
        limits = figures.limits(item.result)
        held = (
            f"wanted {limits}" if limits else f"{line.share or NOTHING} of design ({line.design} {line.unit})"
        )
        values["line"] = f"{flow} {line.unit} · {held}"
        values |= {
            "mark": picture(charts.verdict_mark(item.result, figures.writer(item.result.quantity))),
            "word": line.verdict,
            "tone": tone(item.result),
        }
    reason = f"{item.answer.reason} {by_words(item.answer.by)}" if item.answer else ""
    values["answer"] = ": ".join(part for part in (item.status[:1].upper() + item.status[1:], reason) if part)
    return values


def results_of(system: System) -> list[Result]:
    """Every result of a system."""
    return [
        *(s.result for s in system.sheets),
        *(o.final for o in system.outlets),
        *(c.result for c in system.centrelines),
        *(t.result for t in system.tests if not _in_outlets(t, system)),
    ]


def _in_outlets(test: TestSheet, system: System) -> bool:
    return any(row.anchor == test.anchor for row in system.outlets)


def _tally(system: System, name: str) -> dict[str, Any]:
    words = [r.verdict for r in results_of(system)]
    cells = [str(len(words)), *(str(words.count(Verdict(v))) for v, _ in VERDICTS)]
    return {"name": system.name, "anchor": name, "cells": cells}


def _instruments(group: Sequence[Instrument], start: int, figures: Figures) -> Block:
    name = "instruments" if not start else f"instruments-{start}"
    title = "Instruments and certificates" + ("" if not start else ", continued")
    values = {
        "anchor": name,
        "title": title,
        "instruments": [_instrument(i, f"instrument-{start + k}", figures) for k, i in enumerate(group, 1)],
    }
    entries = (Entry(1, title, name),) if not start else ()
    return Block(fill("instruments.html", values), entries, ceil(len(group) / 4) or 1)


def _instrument(item: Instrument, name: str, figures: Figures) -> dict[str, Any]:
    certificates = []
    for c in item.certificates:
        columns = [
            [figures.plain(c.quantity, v, 1) for v in column]
            for column in (
                [p.reference for p in c.points],
                [p.as_found for p in c.points],
                [p.as_left for p in c.points],
            )
        ]
        spreads = [figures.significant(c.quantity, p.expanded, 2) for p in c.points]
        rows = zip(*columns, aligned(spreads), [number(p.coverage, 2) for p in c.points], strict=True)
        certificates.append(
            {
                "number": c.number,
                "laboratory": c.laboratory,
                "quantity": c.quantity.value.replace("_", " "),
                "calibrated": day(c.calibrated),
                "due": day(c.due),
                "unit": figures.unit(c.quantity),
                "points": [list(row) for row in rows],
            }
        )
    return {
        "anchor": name,
        "key": item.key,
        "kind": item.kind,
        "serial": item.serial,
        "note": item.note,
        "certificates": certificates,
    }


def _system(system: System, name: str, figures: Figures) -> Block:
    values = {
        "anchor": name,
        "name": system.name,
        "description": system.description,
        "remark": system.remark,
        "outlets": bool(system.outlets),
        "unit": figures.unit(Quantity.FLOW),
        "speed": figures.unit(Quantity.VELOCITY),
        "area": figures.unit(Quantity.AREA),
        "sheets": _aligned_rows(
            [
                {
                    **ledger_values(s.result, figures),
                    "tag": s.tag,
                    "place": s.place,
                    "anchor": anchor(s.anchor),
                }
                for s in system.sheets
            ]
        ),
        "tests": [_test_line(t, figures) for t in system.tests],
        "adjustments": [
            {
                "tag": one.tag,
                "before": one.before or NOTHING,
                "setting": one.setting,
                "marked": "marked" if one.marked else "not marked",
                "done": one.done or NOTHING,
                "by": by_words(one.by),
            }
            for one in system.adjustments
        ],
        "sum": _sum_check(system, figures),
        "centrelines": _aligned_rows([_centreline(c, figures) for c in system.centrelines]),
    }
    return Block(fill("system.html", values), (Entry(1, system.name, name),), 1, {name: system.name})


def _system_with_outlets(system: System, name: str, figures: Figures) -> Iterator[Block]:
    """The system's page goes straight on into its outlet table."""
    head, tables = _system(system, name, figures), _outlets(system, name, figures)
    first = next(tables, None)
    if first is None:
        yield head
        return
    entries, labels = head.entries + first.entries, head.labels | first.labels
    yield Block(head.html + first.html, entries, first.pages, labels)
    yield from tables


def _centreline(row: CentrelineRow, figures: Figures) -> dict[str, Any]:
    return {
        **ledger_values(row.result, figures),
        "tag": row.tag,
        "place": row.place,
        "velocity": figures.plain(Quantity.VELOCITY, row.velocity),
        "area": figures.plain(Quantity.AREA, row.area),
        "factor": number(row.factor, 2),
    }


def _test_line(test: TestSheet, figures: Figures) -> dict[str, Any]:
    line = ledger_values(test.result, figures)
    result = test.result
    figure = figures.figure(result.quantity, Measured(value=result.value, expanded=result.expanded))
    wanted = figures.limits(test.result) or (line["share"] if test.result.share is not None else NOTHING)
    return {
        **line,
        "tag": test.tag,
        "what": METHOD_WORDS[test.method],
        "figure": str(figure),
        "wanted": wanted,
        "judged": test.result.share is not None or figures.limits(test.result) != "",
        "anchor": anchor(test.anchor),
    }


def _sum_check(system: System, figures: Figures) -> dict[str, Any] | None:
    check = system.sum_check
    if check is None:
        return None
    facts = [
        (f"Traverse {check.traverse}", str(figures.figure(Quantity.FLOW, check.traverse_flow))),
        (f"Sum of {check.outlets} outlets", str(figures.figure(Quantity.FLOW, check.outlets_flow))),
        ("Outlets less traverse", str(figures.figure(Quantity.FLOW, check.difference))),
    ]
    word = "They agree" if check.agrees else "They do not agree"
    return {
        "traverse": check.traverse,
        "facts": facts,
        "word": word,
        "tone": "pass" if check.agrees else "fail",
        "sentence": check.sentence,
    }


def _aligned_rows(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Flows of a column meet at the decimal point."""
    for key in ("value", "design", "first"):
        if rows and key in rows[0]:
            for row, text in zip(rows, aligned([r[key] for r in rows]), strict=True):
                row[key] = text
    return rows


def _outlets(system: System, name: str, figures: Figures) -> Iterator[Block]:
    """The outlet table with its plot, cut into tables of a length that a part can hold."""
    rows = system.outlets
    for start in range(0, len(rows), OUTLETS_IN_TABLE):
        chunk = rows[start : start + OUTLETS_IN_TABLE]
        title = "Outlets" if not start else "Outlets, continued"
        place = f"{name}-outlets" + (f"-{start}" if start else "")
        values = {
            "anchor": place,
            "title": title,
            "follows": not start,
            "system": system.name,
            **_plot(rows if not start else ()),
            **_outlet_words(rows, chunk),
            "unit": figures.unit(Quantity.FLOW),
            "rows": _aligned_rows([_outlet(o, figures) for o in chunk]),
        }
        entries = (Entry(2, f"Outlets, {len(rows)}", place),) if not start else ()
        yield Block(fill("outlets.html", values), entries, 1 + len(chunk) // 32, {place: title})


def _plot(rows: Sequence[OutletRow]) -> dict[str, Any]:
    with_share = [r for r in rows if r.final.share is not None]
    if not with_share:
        return {}
    shown = min(len(with_share), charts.MOST)
    which = "all outlets" if shown == len(with_share) else f"the {shown} worst of {len(with_share)} outlets"
    key = "Bar: final with its interval; pale tick: as found; band: tolerance"
    caption = f"Share of design, {which}, worst first. {key}"
    return {"plot": picture(charts.interval_plot(rows)), "plot_caption": caption}


def _outlet_words(rows: Sequence[OutletRow], chunk: Sequence[OutletRow]) -> dict[str, str]:
    good = sum(r.final.verdict in (Verdict.PASS, Verdict.CONDITIONAL_PASS) for r in rows)
    limits = {r.final.tolerance for r in rows if r.final.tolerance}
    words = ", ".join(sorted(tolerance_words(t.lower, t.upper) for t in limits))
    who = sorted({r.measured_by for r in chunk if r.measured_by})
    times = [r.at for r in chunk if r.at is not None]
    span = f"{moment(min(times))} to {moment(max(times))}" if times else ""
    keys = ", ".join(sorted({k for r in chunk for k in r.instruments}))
    foot = (
        f"Measured by {', '.join(who)}" if who else "",
        span,
        f"instruments {keys}" if keys else "",
    )
    return {
        "sub": f"{good} of {len(rows)} pass or pass conditionally"
        + (f" · tolerance {words}" if words else ""),
        "caption": f"{chunk[0].tag} to {chunk[-1].tag}",
        "foot": " · ".join(part for part in foot if part),
    }


def _outlet(row: OutletRow, figures: Figures) -> dict[str, Any]:
    place = ", ".join(part for part in (row.place, row.kind) if part)
    first = figures.figure(Quantity.FLOW, row.first).value if row.first else NOTHING
    return {
        **ledger_values(row.final, figures),
        "tag": row.tag,
        "place": place,
        "method": METHOD_WORDS[row.method],
        "damper": row.damper or NOTHING,
        "first": first,
    }


def gathered(flags: Iterable[Flag]) -> list[Flag]:
    """Remarks of one rule stand together, in the place of the first; what asks for an answer stands alone."""
    kept: dict[object, Flag] = {}
    tags: dict[object, list[str]] = {}
    for flag in flags:
        alone = flag.severity != "remark" or flag.answer is not None
        key: object = len(kept) if alone else flag.rule
        tags.setdefault(key, []).append(flag.where)
        kept.setdefault(key, flag)
    return [_together(flag, tags[key]) for key, flag in kept.items()]


def _together(flag: Flag, tags: list[str]) -> Flag:
    if len(tags) == 1:
        return flag
    where = ", ".join(dict.fromkeys(tag for tag in tags if tag))
    return msgspec.structs.replace(flag, where=where, anchor="", seen=f"Seen {len(tags)} times.", expected="")


def flags_of(system: System) -> Iterator[Flag]:
    """Flags of the system itself, then of its sheets."""
    yield from system.flags
    yield from (flag for sheet in system.sheets for flag in sheet.flags)
    yield from (flag for test in system.tests for flag in test.flags)


def _flags(document: Document, known: frozenset[str]) -> Iterator[Block]:
    """Flags by system, cut so that no part grows too long."""
    flat = [(system.name, flag) for system in document.systems for flag in gathered(flags_of(system))]
    asking = [flag for _, flag in flat if flag.severity != "remark"]
    open_flags = sum(flag.answer is None for flag in asking)
    answered = f"{len(asking)} raised, {len(asking) - open_flags} answered, {open_flags or 'none'} open"
    sub = f"{answered}; {len(flat) - len(asking)} for information"
    for start in range(0, max(len(flat), 1), FLAGS_IN_BLOCK):
        chunk = flat[start : start + FLAGS_IN_BLOCK]
        names = list(dict.fromkeys(name for name, _ in chunk))
        groups = [{"name": n, "flags": [flag_values(f, known) for m, f in chunk if m == n]} for n in names]
        place, title = (
            ("flags", "Flags and answers")
            if not start
            else (f"flags-{start}", "Flags and answers, continued")
        )
        entries = (Entry(1, title, place),) if not start else ()
        values = {"anchor": place, "title": title, "sub": sub, "groups": groups}
        yield Block(fill("flags.html", values), entries, 1 + len(chunk) // 9)


_EXAMPLES = {
    "pass": 1.0,
    "conditional_pass": 1.06,
    "conditional_fail": 1.13,
    "fail": 1.19,
    "not_decidable": 1.02,
}


def _verdict_rows() -> list[dict[str, Any]]:
    """The five marks with an example each."""
    rows = []
    for name, meaning in VERDICTS:
        example = Result(
            value=1.0,
            expanded=0.05,
            share=_EXAMPLES[name],
            share_expanded=0.12 if name == "not_decidable" else 0.05,
            tolerance=Tolerance(lower=-0.1, upper=0.1),
            verdict=Verdict(name),
        )
        mark = picture(charts.verdict_mark(example))
        rows.append(
            {"mark": mark, "word": VERDICT_WORDS[example.verdict], "tone": tone(example), "meaning": meaning}
        )
    return rows


def _change(change: Change) -> dict[str, str]:
    between = " → ".join(part for part in (change.before, change.after) if part)
    return {"what": change.what, "change": between, "why": change.why}


def _closing(document: Document, issue: Issue | None, digest: str) -> Block:
    """Methods, cautions, changes, verification."""
    r, earlier, evidence = document.report, document.earlier, document.evidence
    facts = []
    if issue is not None:
        facts.append(
            ("Report", f"{issue.number} · revision {issue.revision} · issued {moment(issue.issued_at)}")
        )
    if evidence is not None:
        facts.append(
            (
                "Evidence chain, event",
                f"{evidence.number}" + (f" · {moment(evidence.at)}" if evidence.at else ""),
            )
        )
    if r.self_approval:
        facts.append(("Approval", r.self_approval))
    replaced = ""
    if earlier is not None:
        issued = f", issued {moment(earlier.issued_at)}" if earlier.issued_at else ""
        replaced = f"Replaces {earlier.number} revision {earlier.revision}{issued}. Digest of its snapshot:"
    short = document.kind in LISTS
    values = {
        "short": short,
        "rule": r.decision_rule,
        "verdicts": _verdict_rows(),
        "air": r.standard_air.words,
        "tolerances": r.tolerances,
        "methods": document.methods,
        "cautions": document.cautions,
        "changes": [_change(c) for c in document.changes],
        "earlier": replaced,
        "earlier_digest": earlier.digest if earlier else "",
        "verify": VERIFY if issue else (VERIFY_DRAFT,),
        "address": issue.address if issue else "",
        "link": safe_link(issue.address) if issue else "",
        "code": picture(qr.picture(issue.address)) if issue else "",
        "signature": issue.signature if issue else (),
        "facts": facts,
        "digest": digest,
        "mac": evidence.mac if evidence else "",
    }
    entries = [] if short else [Entry(1, "Methods and decision rule", "methods")]
    if document.cautions:
        entries.append(Entry(1, "Cautions", "cautions"))
    if document.changes or earlier:
        entries.append(Entry(1, "Changes since the earlier revision", "changes"))
    entries.append(Entry(1, "How to verify this report", "verify"))
    return Block(fill("closing.html", values), tuple(entries), 3)
