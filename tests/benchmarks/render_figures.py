"""Figures of rendering: pages a second against one plain document of the same content, pictures, memory.

Run: python -m tests.benchmarks.render_figures. The plain document is what one gets without the pipeline: the
same pages in a single tagged document, laid out in a process of its own with the engine's defaults. Both run
in turn. Pages a second are by the wall clock, so they tell of a quiet machine only; processor seconds a page
stand beside them and hold under load too. Pictures are timed by processor time, the best of five rounds.
"""

import gc
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from msgspec.structs import replace

from reports.document import Document, UnitSystem
from reports.render import charts, render_report
from reports.render.figures import Figures
from reports.render.pages import blocks
from reports.render.templating import page_rules, part_html
from tests.render.sample import READINGS, issue, sample

SHEETS = 48  # two pages each
REPEATS = 400

_PLAIN = """
import json, resource, sys, time
from pathlib import Path
from weasyprint import HTML
from reports.render.press import FontsAndPrints
started = time.perf_counter()
document = HTML(string=Path(sys.argv[1]).read_text(), url_fetcher=FontsAndPrints())
pages = document.render(pdf_tags=True, pdf_variant="pdf/a-3a")
pages.write_pdf(sys.argv[2], pdf_tags=True, pdf_variant="pdf/a-3a")
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
print(json.dumps([len(pages.pages), time.perf_counter() - started, peak, time.process_time()]))
"""


def long_document(sheets: int) -> Document:
    """The sample with so many traverse sheets in its first system."""
    whole = sample()
    system = whole.systems[0]
    kinds = [*system.sheets, whole.systems[1].sheets[0]]
    many = tuple(
        replace(kinds[k % 3], anchor=f"s-{k}", tag=f"T-{k:03d}", flags=(), history=()) for k in range(sheets)
    )
    return replace(whole, systems=(replace(system, sheets=many, flags=()),))


def figure(name: str, value: float, unit: str) -> None:
    """One line of output."""
    print(f"figure: {name} = {value:.4g} {unit}", flush=True)


def plain(document: Document, folder: Path) -> tuple[int, float, float, float]:
    """Pages, seconds, peak MB and processor seconds of the same content as one document."""
    body = "".join(block.html for block in blocks(document, issue(), "0" * 64))
    rules = page_rules("A4", document.company.name, "Report", "digest")
    source = folder / "plain.html"
    source.write_text(part_html("Plain", "en", "A4", rules, body), encoding="utf-8")
    command = [sys.executable, "-c", _PLAIN, str(source), str(folder / "plain.pdf")]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    pages, seconds, peak, worked = json.loads(done.stdout)
    return pages, seconds, peak, worked


def processor_seconds() -> float:
    """Processor time of this process and all children that have ended."""
    used = os.times()
    return used.user + used.system + used.children_user + used.children_system


def rendering(sheets: int) -> None:
    """Pages a second, ratio and memory at about twice as many pages as sheets."""
    document = long_document(sheets)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        started, before = time.perf_counter(), processor_seconds()
        report = render_report(document, issue(), workdir=folder, readings_csv=READINGS)
        seconds, worked = time.perf_counter() - started, processor_seconds() - before
        pages, alone, peak, worked_alone = plain(document, folder)
    figure("render_pages", report.pages, "pages")
    figure("render_pages_per_second", report.pages / seconds, "pages/s")
    figure("render_plain_pages_per_second", pages / alone, "pages/s")
    figure("render_against_plain", (report.pages / seconds) / (pages / alone), "times")
    figure("render_processor_per_page", worked / report.pages, "s")
    figure("render_plain_processor_per_page", worked_alone / pages, "s")
    figure("render_peak_part", report.peak_mb, "MB")
    figure("render_plain_peak", peak, "MB")
    figure("render_bytes_per_page", report.size / report.pages / 1000, "kB")


def pictures() -> None:
    """Milliseconds and bytes of each picture."""
    document, figures = sample(), Figures(UnitSystem.SI)
    rectangular, round_duct = document.systems[0].sheets
    swept = document.systems[1].sheets[0]
    drawn: dict[str, Callable[[], str]] = {
        "section": lambda: charts.section_drawing(rectangular, figures),
        "section_round": lambda: charts.section_drawing(round_duct, figures),
        "velocity_map": lambda: charts.velocity_map(rectangular, rectangular.runs[0], figures),
        "velocity_round": lambda: charts.velocity_map(round_duct, round_duct.runs[0], figures),
        "velocity_swept": lambda: charts.velocity_map(swept, swept.runs[0], figures),
        "profile": lambda: charts.profile(rectangular, rectangular.runs[0], figures),
        "interval_plot": lambda: charts.interval_plot(document.systems[0].outlets),
        "budget_bars": lambda: charts.budget_bars(rectangular.budget),
        "verdict_mark": lambda: charts.verdict_mark(rectangular.result),
        "verdict_band": lambda: charts.verdict_band(rectangular.result),
    }
    for name, draw in drawn.items():
        size = len(draw().encode())
        figure(f"chart_{name}_time", _best(draw) * 1000, "ms")
        figure(f"chart_{name}_size", size, "bytes")


def _best(draw: Callable[[], str]) -> float:
    """Processor seconds a call, the best of five rounds, so that other work does not count."""
    best = float("inf")
    gc.disable()
    for _ in range(5):
        started = time.thread_time()
        for _ in range(REPEATS):
            draw()
        best = min(best, (time.thread_time() - started) / REPEATS)
    gc.enable()
    return best


if __name__ == "__main__":
    pictures()
    rendering(SHEETS)
