"""Flips one byte of a signed report, 1,000 times, and counts how often the signature and the stored SHA-256
tell. By command: DEBUG=1 .venv/bin/python -m tests.benchmarks.signature_figures
"""

import hashlib
import os
import random
import re
import tempfile
from pathlib import Path

import django

from tests.benchmarks.intake_figures import figure

FLIPS, SEED = 1000, 8


def main() -> None:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    django.setup()
    from msgspec.structs import replace

    from reports import sign
    from reports.render import render_report
    from reports.signed import examine
    from tests.render.sample import READINGS, issue, sample
    from tests.reports import certificates

    with tempfile.TemporaryDirectory() as folder:
        one = certificates.identity()
        stamp = replace(issue(), to_be_signed=True, signature=tuple(sign.words(one, stamped=False)))
        path = render_report(sample(), stamp, workdir=Path(folder), readings_csv=READINGS).path
        sign.sign_file(path, one)
        data, draw = path.read_bytes(), random.Random(SEED)
        stored = hashlib.sha256(data).digest()
        found = re.search(rb"/ByteRange ?\[ ?(\d+) (\d+) (\d+) (\d+)", data)
        if found is None:
            raise SystemExit("the file is not signed")
        _, first, second, _ = map(int, found.groups())
        outside = told = digests = 0
        for _ in range(FLIPS):
            at = draw.randrange(len(data))
            path.write_bytes(data[:at] + bytes([data[at] ^ (1 << draw.randrange(8))]) + data[at + 1 :])
            digests += hashlib.sha256(path.read_bytes()).digest() != stored
            if not first <= at < second:
                outside += 1
                told += not examine(path).whole
    figure("flipped bytes of a signed report", FLIPS, "")
    figure("flips that the SHA-256 did not tell", FLIPS - digests, "")
    figure("flips outside the signature's gap", outside, "")
    figure("flips outside the gap that the signature did not tell", outside - told, "")


if __name__ == "__main__":
    main()
