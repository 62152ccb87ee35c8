"""Figures of a company's export and import: seconds and memory of the process that does it.

Run: python -m tests.benchmarks.archive_figures [--rows N] [--posted N]. It starts a PostgreSQL of its own.
The export is of N readings, written straight into the table; the import of a company that tablets posted,
since its evidence is walked. Each is a process of its own, and its memory is the most it ever held.
"""

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from tests.benchmarks.evidence_figures import figure, fill
from tests.benchmarks.own import ROOT, own_database

READINGS = """
INSERT INTO measurements_reading
    (company_id, id, session_id, place, run, line, point, quantity, value, entered, unit, taken_at)
SELECT %s, gen_random_uuid(), %s, '', 1, 1, 1 + n %% 5, 'pressure', 60 + random(), '60.4', 'Pa', now()
FROM generate_series(1, %s) n
"""


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--rows", type=int, default=1_000_000)
    parser.add_argument("--posted", type=int, default=50_000)
    chosen = parser.parse_args()
    own_database("tests.settings")
    with tempfile.TemporaryDirectory() as folder:
        for rows in (chosen.rows // 10, chosen.rows):
            exported(rows, Path(folder))
        came_in(chosen.posted, Path(folder))


def exported(rows: int, folder: Path) -> None:
    from django.db import connection

    from jobs.tenancy.context import company
    from tests import factories
    from tests.measurements import batches
    from tests.reports import scene

    world = factories.make_world()
    scene.post(world, batches.traverse(world))
    with company(world.id), connection.cursor() as cursor:
        from measurements.models import Session

        cursor.execute("SET LOCAL statement_timeout = 0")
        cursor.execute(READINGS, [world.id, Session.objects.get().id, rows])
    path = folder / f"{rows}.zip"
    seconds, peak, _ = ran("export_company", str(world.id), str(path))
    figure(f"export seconds at {rows} readings", round(seconds, 1), "s")
    figure(f"export memory at {rows} readings", round(peak), "MiB")
    figure(f"export size at {rows} readings", round(path.stat().st_size / 2**20), "MiB")


def came_in(rows: int, folder: Path) -> None:
    from tests import factories
    from tests.database import empty_database
    from tests.reports import scene

    world = factories.make_world()
    fill(world, rows)
    scene.whole(world)
    path = folder / "posted.zip"
    said = ran("export_company", str(world.id), str(path))[2]
    empty_database()
    seconds, peak, _ = ran("import_company", str(path), "--manifest", said.split()[-1])
    figure(f"import seconds at {rows} rows of evidence", round(seconds, 1), "s")
    figure(f"import memory at {rows} rows of evidence", round(peak), "MiB")


def ran(*arguments: str) -> tuple[float, float, str]:
    """Seconds, MiB at most and words of a command in a process of its own."""
    started = time.monotonic()
    process = subprocess.Popen(
        [sys.executable, "manage.py", *arguments], cwd=ROOT, env=os.environ, stdout=subprocess.PIPE, text=True
    )
    out: Any = process.stdout
    said = str(out.read())
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    assert process.returncode == 0, said
    assert isinstance(usage, resource.struct_rusage)
    return time.monotonic() - started, usage.ru_maxrss / 1024, said


if __name__ == "__main__":
    main()
