"""Folders for work in hand."""

import os
import signal
import subprocess
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from reports.scratch import scratch

HOLDER = """
import time
from reports.scratch import scratch
with scratch() as folder:
    (folder / "half.pdf").write_bytes(b"%PDF")
    print(folder, flush=True)
    time.sleep(60)
"""


@pytest.fixture
def above(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The machine's folder for temporary files."""
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.setattr(tempfile, "tempdir", None)
    return tmp_path


def folders(above: Path) -> list[Path]:
    """Those that are there."""
    return [one for one in above.iterdir() if one.is_dir()]


def test_a_folder_goes_with_its_block(above: Path) -> None:
    with pytest.raises(ValueError, match="broken"), scratch() as folder:
        (folder / "a").mkdir()
        assert folders(above) == [folder]
        raise ValueError("broken")
    assert folders(above) == []


def test_F1_what_a_killed_process_left_goes_and_what_a_living_one_holds_stays(above: Path) -> None:
    with subprocess.Popen([sys.executable, "-c", HOLDER], stdout=subprocess.PIPE, text=True) as holder:
        assert holder.stdout is not None
        theirs = Path(holder.stdout.readline().strip())
        with scratch() as ours:
            assert sorted(folders(above)) == sorted([ours, theirs])
            os.kill(holder.pid, signal.SIGKILL)
            holder.wait()
            assert (theirs / "half.pdf").exists()
            with scratch() as later:
                assert sorted(folders(above)) == sorted([ours, later])


def test_folders_of_others_stay(above: Path) -> None:
    (above / "flowledger-other").mkdir()
    (above / "flowledger-work-link").symlink_to(above / "flowledger-other")
    with scratch():
        pass
    assert (above / "flowledger-other").is_dir()


def test_many_at_once_keep_their_own(above: Path) -> None:
    def work(number: int) -> bool:
        for _ in range(50):
            with scratch() as folder:
                (folder / "own").write_text(str(number))
                if [one.read_text() for one in folder.iterdir()] != [str(number)]:
                    return False
        return True

    with ThreadPoolExecutor(8) as pool:
        assert all(pool.map(work, range(8)))
    assert folders(above) == []
