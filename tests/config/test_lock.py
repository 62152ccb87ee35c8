"""The lock files: complete, exact, hashed, and free of addresses."""

import re
from importlib.metadata import version
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
LOCKS = ("requirements.txt", "requirements-local.txt", "requirements-dev.txt")
PIN = re.compile(r"^([A-Za-z0-9._-]+)==(\S+) \\$", re.M)


def pins(name: str) -> dict[str, str]:
    return {package.lower(): release for package, release in PIN.findall((ROOT / name).read_text())}


@pytest.mark.parametrize("name", LOCKS)
def test_no_address_of_a_registry_or_of_this_machine(name: str) -> None:
    assert not re.search(
        r"https?:|file:/|--(index|extra-index|find-links|trusted)", (ROOT / name).read_text()
    )


@pytest.mark.parametrize("name", LOCKS)
def test_every_package_has_hashes(name: str) -> None:
    blocks = re.split(r"^(?=[A-Za-z0-9])", (ROOT / name).read_text(), flags=re.M)[1:]
    assert len(blocks) == len(pins(name)) > 30
    assert not [block.split("\n", 1)[0] for block in blocks if "--hash=sha256:" not in block]


def test_each_level_holds_the_one_below() -> None:
    service, local, dev = (pins(name) for name in LOCKS)
    assert service.items() <= local.items() <= dev.items()


@pytest.mark.parametrize("name", LOCKS)
def test_every_wanted_package_is_locked(name: str) -> None:
    lines = (ROOT / name.replace(".txt", ".in")).read_text().splitlines()
    wanted = [re.match(r"[A-Za-z0-9._-]+", line) for line in lines if line and line[0] not in "-#"]
    assert {match.group().lower() for match in wanted if match} <= pins(name).keys()


def test_tests_run_on_what_is_locked() -> None:
    assert {name: version(name) for name in pins("requirements.txt")} == pins("requirements.txt")
