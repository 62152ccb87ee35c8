"""Many companies on one instance, beside one company alone in a database of its own, in one run.

Run: make scale (COMPANIES=1000 READINGS=3450000 are usual; smaller ones try it out). It starts a PostgreSQL
of its own (passing: commits are not synced, for all contenders alike). The companies of the sizes in
templates.py are made through the service's own actions, the rest are copies of them in SQL.
"""

import argparse
import sys
import time
from collections.abc import Sequence
from itertools import chain
from pathlib import Path

from tests.benchmarks.intake_figures import figure
from tests.benchmarks.own import own_database


def arguments(given: Sequence[str]) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.scale", description=__doc__)
    parser.add_argument("--companies", type=int, default=1000)
    parser.add_argument("--readings", type=int, default=3_450_000)
    parser.add_argument("--rounds", type=int, default=100)
    parser.add_argument("--out", type=Path, help="page to write, e.g. tests/benchmarks/SCALE.md")
    return parser.parse_args(given)


def main() -> None:
    chosen = arguments(sys.argv[1:])
    own_database("config.settings", REQUESTS_A_MINUTE="1000000")
    from django.conf import settings

    from tests.benchmarks.scale import page
    from tests.benchmarks.scale.build import Instance
    from tests.benchmarks.scale.run import figures

    began = time.perf_counter()
    instance = Instance(chosen.companies, chosen.readings)
    instance.build()
    found: list[tuple[str, float, str]] = []

    def tell(name: str, value: float, unit: str) -> None:
        found.append((name, value, unit))
        figure(name, value, unit)

    readings = instance.rows("measurements_reading")
    tell("companies", len(instance.companies), "")
    tell("readings", readings, "")
    tell("built in", time.perf_counter() - began, "s")
    for line in chain(instance.sizes(), figures(instance, chosen.rounds)):
        tell(*line)
    if chosen.out:
        facts = page.facts(len(instance.companies), readings, instance.server(), settings.DATABASE_PARTITIONS)
        page.write(chosen.out, facts, found)


if __name__ == "__main__":
    main()
