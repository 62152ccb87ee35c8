"""Writes SCALE.md: what `make scale` measured, and what a company costs."""

import os
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from pathlib import Path

from tests.benchmarks.scale import requests, templates

HEAD = """# Many companies on one instance

Written by `make scale`; measured, not edited. {when}, {cores} cores, {memory:.0f} GB, PostgreSQL {server},
{companies} companies and {readings} readings{spread}. The database, both web servers (two processes each)
and the client share the cores; commits are not synced; shared_buffers 128 MB. "Alone" is the same service
with a database that holds one of the middle-sized companies and nothing else. Each request goes to both by
turns, among many to another company each time. Ratios compare; milliseconds belong to this machine.

"""
GOAL = 1.3


def write(path: Path, facts: Mapping[str, str], figures: Iterable[tuple[str, float, str]]) -> None:
    """The page of one run. `figures` as they were printed."""
    found = {name: (value, unit) for name, value, unit in figures}
    parts = [HEAD.format(**facts), _requests(found), _work(found), _costs(found), _made()]
    path.write_text("\n".join(parts))


def facts(companies: int, readings: int, server: str, partitions: int) -> dict[str, str]:
    memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 1e9
    return {
        "when": f"{datetime.now(UTC):%d %B %Y}",
        "cores": str(os.cpu_count()),
        "memory": memory,  # type: ignore[dict-item]
        "server": server.split()[0],
        "companies": f"{companies:,}",
        "readings": f"{readings:,}",
        "spread": f", the tables that grow in {partitions} partitions" if partitions else "",
    }


def _requests(found: Mapping[str, tuple[float, str]]) -> str:
    lines = [
        "## The ten most used requests",
        "",
        f"Goal: p95 among many at most {GOAL} of p95 alone.",
        "",
        "| request | p50 alone, ms | among many, ms | ratio | p95 alone, ms | among many, ms | ratio |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    for name in requests.REQUESTS:
        cells = [
            f"{found[f'{name}, p{share} {what}'][0]:.{digits}f}"
            for share in (50, 95)
            for what, digits in (("alone", 1), ("among many", 1), ("among many of alone", 2))
        ]
        lines.append(f"| {name} | {' | '.join(cells)} |")
    for share in (50, 95):
        middle, worst = (
            found[f"ten requests, p{share} among many of alone, {what}"][0] for what in ("median", "worst")
        )
        lines += ["", f"p{share} among many of alone: median of the ten {middle:.2f}, worst {worst:.2f}."]
    return "\n".join([*lines, ""])


def _work(found: Mapping[str, tuple[float, str]]) -> str:
    lines = ["## Work and raw SQL", "", "| what | alone | among many |", "| --- | --- | --- |"]
    nested = "job, nested, raw SQL, p50"
    rows = [(nested, f"{nested} alone", f"{nested} among many")]
    rows += [
        (name.removesuffix(" alone"), name, name.removesuffix("alone") + "among many")
        for name in found
        if name.endswith(" alone") and "," not in name
    ]
    for words, alone, many in rows:
        if alone in found and many in found:
            unit = found[alone][1]
            lines.append(f"| {words} | {found[alone][0]:.2f} {unit} | {found[many][0]:.2f} {unit} |")
    return "\n".join([*lines, ""])


def _costs(found: Mapping[str, tuple[float, str]]) -> str:
    companies, readings = found["companies"][0], found["readings"][0]
    lines = [
        "## What it costs",
        "",
        f"Built in {found['built in'][0]:.0f} s. Disk {found['disk'][0] / 1000:.2f} GB: "
        f"{found['disk a company'][0]:.2f} MB a company, "
        f"{1000 * found['disk'][0] / readings:.2f} kB a reading "
        f"({readings / companies:,.0f} readings a company in the mean).",
        "",
        "| table with its indexes | MB | kB a company |",
        "| --- | --- | --- |",
    ]
    for name, (value, _) in found.items():
        if name.startswith("disk of "):
            lines.append(
                f"| {name.removeprefix('disk of ')} | {value:.1f} | {1000 * value / companies:.1f} |"
            )
    return "\n".join([*lines, ""])


def _made() -> str:
    sizes = ", ".join(f"{size.share:.0%} {size.name} ({size.jobs} jobs)" for size in templates.SIZES)
    return (
        "## How it was made\n\n"
        f"{sizes}; a job has {templates.SYSTEMS} systems of 13 sessions and 150 readings. One company of "
        "each size was made through the service's actions and evaluated; the rest are copies of it in SQL "
        "with ids of their own, their rows interleaved. Digests in copies are the originals', so a copy can "
        "be worked with but is no evidence.\n"
    )
