"""Keys of this machine's own installation: made once, kept in var/local.env, readable by its owner only."""

import os
import secrets
from pathlib import Path

NAMES = ("SECRET_KEY", "EVENT_CHAIN_KEY", "DATABASE_APP_PASSWORD", "DATABASE_OWNER_PASSWORD",
         "SIGNING_KEY", "SIGNING_CERTIFICATE_PASSWORD")  # fmt: skip
HEADER = (
    "# Made by config/local for this machine. Losing EVENT_CHAIN_KEY makes the event chain unverifiable.\n"
)


def new_keys() -> dict[str, str]:
    """A fresh random value for every name."""
    return {name: secrets.token_urlsafe(48) for name in NAMES}


def read_keys(path: Path) -> dict[str, str]:
    """The NAME=value lines of the file; blank lines and comments are skipped."""
    lines = (line.strip() for line in path.read_text().splitlines())
    return dict(line.split("=", 1) for line in lines if line and not line.startswith("#") and "=" in line)


def kept_keys(path: Path) -> dict[str, str]:
    """Reads the keys, making the file or the missing ones first."""
    known = read_keys(path) if path.exists() else {}
    if any(name not in known for name in NAMES):
        known = new_keys() | known
        write_keys(path, known)
    return {name: known[name] for name in NAMES}


def write_keys(path: Path, keys: dict[str, str]) -> None:
    """Writes the key file."""
    write_private(path, HEADER + "".join(f"{name}={value}\n" for name, value in keys.items()))


def write_private(path: Path, text: str) -> None:
    """Replaces the file in one step; it is never readable by others, not even for a moment."""
    path.parent.mkdir(parents=True, exist_ok=True)
    draft = path.with_name(f".{path.name}.{os.getpid()}")
    with os.fdopen(os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w") as file:
        file.write(text)
    draft.rename(path)
