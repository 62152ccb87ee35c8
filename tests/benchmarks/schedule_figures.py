"""Figures of the schedule import: 5,000 rows through its pages, statements and size of each page.

Run: python -m tests.benchmarks.schedule_figures. It starts a PostgreSQL of its own (passing: commits are not
synced). One process, requests through Django's own handler, so without the web server. The schedule has the
heads of an engineer, I-P units, and a parent at nine of ten rows; the revised one changes every second flow.
Statements are of the request's whole, sign-in and company included. Medians of the rounds; beside the time by
the clock stands what this process computed, which other work on the machine leaves alone.
"""

import io
import re
import statistics
import time
from collections.abc import Callable
from typing import Any

from tests.benchmarks.own import own_database

ROWS, ROUNDS = 5000, 3
SELECT = re.compile(r'<select id="[^"]*" name="([^"]*)"[^>]*>(.*?)</select>', re.DOTALL)
HEADS = ("Mark", "AHU", "Kind", "Fed from", "Area served", "Neck size", "CFM")


def main() -> None:
    own_database("config.settings")
    from django.test.utils import setup_test_environment

    setup_test_environment()
    rounds = [Round(number) for number in range(ROUNDS)]
    for one in rounds:
        one.run()
    for name in rounds[0].seconds:
        seconds = statistics.median(one.seconds[name] for one in rounds)
        computed = statistics.median(one.computed[name] for one in rounds)
        print(f"figure: schedule_{name} = {seconds:.2f} s")
        print(f"figure: schedule_{name}_computed = {computed:.2f} s")
    for name, count in rounds[-1].statements.items():
        print(f"figure: schedule_{name}_statements = {count} statements")
    for name, size in rounds[-1].sizes.items():
        print(f"figure: schedule_{name}_page = {size / 1024:.0f} KB")


def schedule(flow: Callable[[int], int]) -> list[tuple[Any, ...]]:
    """Mains of which each feeds nine outlets."""
    rows: list[tuple[Any, ...]] = []
    for number in range(ROWS):
        main = number - number % 10
        rows.append(
            (f"M-{number}", f"AHU-{number // 500}", "plane", "", "Riser", "20x16", 9 * 100)
            if number == main
            else (
                f"S-{number}",
                f"AHU-{number // 500}",
                "outlet",
                f"M-{main}",
                f"Room {number}",
                '8" dia',
                flow(number),
            )
        )
    return rows


def as_csv(rows: list[tuple[Any, ...]]) -> bytes:
    return "\r\n".join(",".join(map(str, row)) for row in [HEADS, *rows]).replace('"', '""').encode()


def as_xlsx(rows: list[tuple[Any, ...]]) -> bytes:
    import xlsxwriter

    file = io.BytesIO()
    with xlsxwriter.Workbook(file, {"in_memory": True}) as book:
        sheet = book.add_worksheet()
        for place, row in enumerate([HEADS, *rows]):
            sheet.write_row(place, 0, row)
    return file.getvalue()


class Round:
    """One company's first and revised import, both as XLSX, and its export."""

    def __init__(self, number: int) -> None:
        from django.test import Client

        from tests import factories

        self.world = factories.make_world(f"Northgate Air Balance {number}")
        self.client = Client()
        email = self.world.users["dispatcher"].email
        self.client.post("/signin", {"email": email, "password": factories.PASSWORD})
        self.seconds: dict[str, float] = {}
        self.computed: dict[str, float] = {}
        self.statements: dict[str, int] = {}
        self.sizes: dict[str, int] = {}

    def run(self) -> None:
        first = schedule(lambda number: 100 + number % 50)
        revised = schedule(lambda number: 100 + number % 50 + (number % 2) * 25)
        self.imported("", as_xlsx(first))
        self.imported("revised_", as_xlsx(revised))
        self.asked("faulty_rows", self.address("faulty.csv", as_csv(schedule(lambda _: 0))))
        self.asked("export_xlsx", f"/sites/{self.world.site.id}/schedule.xlsx", page=False)

    def imported(self, name: str, file: bytes) -> None:
        began, computed = time.perf_counter(), time.process_time()
        rows = self.address("schedule.xlsx", file, f"{name}upload")
        page = self.asked(f"{name}rows", rows)
        plan = re.search(r'name="plan" value="([^"]*)"', page)
        if plan is None:
            raise SystemExit("the schedule was not taken")
        done = self.timed(f"{name}import", lambda: self.client.post(rows, {"plan": plan[1]}))
        if done.status_code != 302:
            raise SystemExit("the schedule was not imported")
        self.seconds[f"{name}all_steps"] = time.perf_counter() - began
        self.computed[f"{name}all_steps"] = time.process_time() - computed

    def address(self, file_name: str, file: bytes, name: str = "") -> str:
        """Uploads and says what the columns mean; the address of the rows."""
        from django.core.files.uploadedfile import SimpleUploadedFile

        place = f"/sites/{self.world.site.id}/schedule"
        columns = self.timed(
            name, lambda: self.client.post(place, {"file": SimpleUploadedFile(file_name, file)})
        )["Location"]
        shown = self.asked("columns" if name else "", columns)
        said = {}
        for select, inside in re.findall(
            r'<select id="[^"]*" name="([^"]*)"[^>]*>(.*?)</select>', shown, re.S
        ):
            chosen = re.search(r'<option value="([^"]*)" selected', inside)
            said[select] = chosen[1] if chosen else ""
        said["unit-F"] = "[in_i]"
        return str(self.client.post(columns, said)["Location"])

    def asked(self, name: str, address: str, *, page: bool = True) -> str:
        answer = self.timed(name, lambda: self.client.get(address))
        if answer.status_code != 200:
            raise SystemExit(f"{address} answered {answer.status_code}")
        if name and page:
            self.sizes[name] = len(answer.content)
        return answer.content.decode(errors="replace")

    def timed(self, name: str, act: Callable[[], Any]) -> Any:
        from django.db import connection
        from django.test.utils import CaptureQueriesContext

        with CaptureQueriesContext(connection) as seen:
            began, computed = time.perf_counter(), time.process_time()
            answer = act()
            seconds, computed = time.perf_counter() - began, time.process_time() - computed
        if name:
            self.seconds[name], self.computed[name] = seconds, computed
            self.statements[name] = len(seen)
        return answer


if __name__ == "__main__":
    main()
