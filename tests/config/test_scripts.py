"""The browser's scripts are those that the lock names, byte for byte."""

import base64
import hashlib
import io
import tarfile
from pathlib import Path

import pytest
from django.contrib.staticfiles import finders

from config.local import scripts
from jobs.pages.scripts import ScriptFinder


def packed(folder: Path, content: bytes) -> tuple[scripts.Script, Path]:
    file = folder / "thing-1.0.0.tgz"
    with tarfile.open(file, "w:gz") as made:
        entry = tarfile.TarInfo("package/build/index.js")
        entry.size = len(content)
        made.addfile(entry, io.BytesIO(content))
    digest = base64.b64encode(hashlib.sha512(file.read_bytes()).digest()).decode()
    return scripts.Script("thing", "1.0.0", f"sha512-{digest}", "build/index.js"), file


def test_a_script_is_unpacked_when_its_digest_is_the_locked_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(scripts, "PLACE", tmp_path / "place")
    script, file = packed(tmp_path, b"export const one = 1;")
    scripts.unpack(script, file)
    assert (tmp_path / "place" / "thing.js").read_bytes() == b"export const one = 1;"


def test_one_changed_byte_is_refused_and_nothing_is_left(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(scripts, "PLACE", tmp_path / "place")
    script, file = packed(tmp_path, b"export const one = 1;")
    file.write_bytes(file.read_bytes()[:-1] + b"\x01")
    with pytest.raises(ValueError, match="not the file that"):
        scripts.unpack(script, file)
    assert not (tmp_path / "place").exists()


def test_every_locked_script_is_found_among_the_static_files() -> None:
    for script in scripts.locked():
        found = finders.find(f"scripts/{script.package}.js")
        assert found, f"run the set-up: {script.package} is not there"
        assert b"export" in Path(found).read_bytes()
    assert not ScriptFinder().find("scripts/../../../pyvenv.cfg")
