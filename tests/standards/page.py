"""The page of checks: `python -m tests.standards.page --out tests/standards/CHECKS.md`.

Runs every test of this folder and writes down what each record's comparisons found: expected, computed,
difference, tolerance, source. Nothing on the page is typed; it needs neither database nor web. Ends with 1
when a test fails or a record was compared by none.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest

from tests.standards import records
from tests.standards.records import Check, Record

HERE = Path(__file__).parent
FULL_LISTS = 6
"""Longer lists are shown by their worst place."""
HEAD = """# Checks against published values

Written by `python -m tests.standards.page` from the tests that compare them; not typed. Every computed figure
comes from `measurements/calc`. Where a list of more than {full} figures is compared, the one that lies
furthest off for its tolerance is shown. Differences below one part in 10^12 are shown as 0.

How each published value came here: {words}.

| provenance | records | figures compared |
| --- | ---: | ---: |
{counts}
"""
PROVENANCE = {
    "read": "**read**: the source, or a copy or quotation of it, was seen",
    "library": "**library**: computed by an independent library",
    "derived": "**derived**: a closed form, computed apart from this code",
    "memory": "**memory**: the source recalled, not seen",
    "practice": "**practice**: a habit of the trade without a binding source",
}
COLUMNS = "| record | figure | expected | computed | difference | tolerance | what, source, provenance |"


def main(arguments: Sequence[str] | None = None) -> int:
    """Command line; 1 when anything failed."""
    parser = argparse.ArgumentParser(prog="python -m tests.standards.page", description=__doc__)
    parser.add_argument("--out", type=Path, default=HERE / "CHECKS.md")
    out = parser.parse_args(arguments).out
    options = ["-q", "--noconftest", "-p", "no:django", "-p", "no:cacheprovider", "-p", "no:warnings"]
    ignored = f"--ignore={HERE / 'test_records.py'}"  # asks whether the page is complete
    failed = pytest.main([*options, "-o", "addopts=", ignored, str(HERE)])
    known, found = records.all_records(), records.FOUND
    bare = sorted(set(known) - {c.record for c in found})
    if failed or bare:
        print(f"no page: {'a test failed' if failed else 'compared by no test: ' + ', '.join(bare)}")
        return 1
    out.write_text(page(list(known.values()), found), encoding="utf-8")
    print(f"{out}: {len(known)} records, {len(unique(found))} figures")
    return 0


def unique(found: Sequence[Check]) -> list[Check]:
    """Comparisons without repeats, by record, name and place."""
    seen: dict[tuple[str, str, int | None, str], Check] = {}
    for check in found:
        seen.setdefault((check.record, check.name, check.place, _shown(check)), check)
    return sorted(seen.values(), key=lambda c: (c.record, c.name, -1 if c.place is None else c.place))


def page(known: Sequence[Record], found: Sequence[Check]) -> str:
    """The whole page as Markdown."""
    checks = unique(found)
    by_record: dict[str, list[Check]] = {}
    for check in checks:
        by_record.setdefault(check.record, []).append(check)
    words = "; ".join(PROVENANCE.values())
    lines = [HEAD.format(full=FULL_LISTS, words=words, counts="\n".join(_counts(known, by_record)))]
    for subject in sorted({r.subject for r in known}):
        lines += [f"## {subject.replace('_', ' ').capitalize()}", "", COLUMNS, "|" + " --- |" * 7]
        for r in sorted((r for r in known if r.subject == subject), key=lambda r: r.id):
            lines += _rows(r, by_record.get(r.id, []))
        lines.append("")
    return "\n".join(lines)


def _counts(known: Sequence[Record], by_record: dict[str, list[Check]]) -> Iterator[str]:
    for word in PROVENANCE:
        rows = [r for r in known if r.provenance == word]
        yield f"| {word} | {len(rows)} | {sum(len(by_record.get(r.id, [])) for r in rows)} |"
    yield f"| all | {len(known)} | {sum(map(len, by_record.values()))} |"


def _rows(record: Record, checks: Sequence[Check]) -> Iterator[str]:
    about = f"{record.title}. {record.source} ({record.provenance}, confidence {record.confidence})"
    names: dict[str, list[Check]] = {}
    for check in checks:
        names.setdefault(check.name, []).append(check)
    name_cell = f"`{record.id}`"
    for name, members in names.items():
        unit = record.expected[name][1]
        for check, label in _chosen(members):
            figure = f"{name}{label}" + (f" ({unit})" if unit not in ("1", "", "bool", "-") else "")
            cells = [name_cell, figure, _text(check.expected), _shown(check), _difference(check)]
            cells += [_tolerance(check, record), about]
            yield "| " + " | ".join(c.replace("|", "\\|").replace("\n", " ") for c in cells) + " |"
            name_cell = about = ""


def _chosen(members: Sequence[Check]) -> list[tuple[Check, str]]:
    if members[0].place is None:
        return [(c, "") for c in members]
    if len(members) <= FULL_LISTS:
        return [(c, f" {(c.place or 0) + 1}") for c in members]
    worst = max(members, key=_reach)
    return [(worst, f" {(worst.place or 0) + 1}, worst of {len(members)}")]


def _reach(check: Check) -> float:
    """Share of the tolerance that was used."""
    if not _numbers(check) or not check.limit:
        return 0.0
    return float(abs(check.found - check.expected) / check.limit)


def _numbers(check: Check) -> bool:
    kinds = (int, float)
    return not isinstance(check.expected, bool) and isinstance(check.expected, kinds)


def _text(value: Any) -> str:
    if value is None:
        return "refused"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:.12g}" if isinstance(value, (int, float)) else str(value)


def _shown(check: Check) -> str:
    """The computed figure with the digits that its tolerance asks for, at most twelve."""
    if not _numbers(check) or not check.limit:
        return _text(check.found)
    decimals = 2 - math.floor(math.log10(check.limit))
    return f"{round(float(check.found), decimals) + 0.0:.12g}"


def _difference(check: Check) -> str:
    if not _numbers(check):
        return "none" if check.found == check.expected else "differs"
    difference = float(check.found) - float(check.expected)
    if abs(difference) <= 1e-12 * max(abs(float(check.expected)), 1e-3 if not check.limit else check.limit):
        return "0"
    return f"{difference:+.2g}"


def _tolerance(check: Check, record: Record) -> str:
    if check.limit is None:
        return "exact"
    size = record.tolerance.get(check.name, record.tolerance.get("value"))
    of_it = record.tolerance["type"] == "rel" and size and check.limit == size * abs(check.expected)
    return f"±{size:.3g} of it" if of_it else f"±{check.limit:.3g}"


if __name__ == "__main__":
    sys.exit(main())
