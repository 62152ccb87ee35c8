"""A small database is backed up, lost and restored on real servers; what is not whole is refused and said."""

import json
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import pytest

from config import backup
from config.backup import BackupFault
from config.local import postgres
from config.local.process import StartFailed
from tests.config import lost_server

PDF, PHOTO = b"%PDF-1.7 of a report", b"a photo"


@dataclass
class Lost:
    """A server that was killed, with all that is left of it."""

    cluster: lost_server.Cluster
    place: Path
    media: Path
    before: datetime
    """Between the third and the fourth reading."""
    segments: list[Path]
    """Of the archive, after the backup."""

    def readings(self) -> list[int]:
        with self.cluster.connect() as connection:
            return [int(str(row[0])) for row in connection.execute("select n from reading order by n")]


@pytest.fixture(scope="module")
def lost(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Lost]:
    """Readings 1 to 5: one before the backup, one after it, and one in each further segment of the WAL."""
    folder = tmp_path_factory.mktemp("backups")
    media = folder / "media"
    (media / "reports").mkdir(parents=True)
    (media / "reports" / "1.pdf").write_bytes(PDF)
    (media / "photo.jpg").write_bytes(PHOTO)
    patch = pytest.MonkeyPatch()
    with lost_server.cluster(fsync="off") as made, patch.context() as environment:
        environment.setenv("PG_BIN", str(postgres.programs(made.world.account)))
        with made.connect() as connection:
            receiver = made.receive()
            connection.execute("create table reading (n int primary key)")
            connection.execute("insert into reading values (1)")
            place = backup.take(folder / "all", made.address, media)
            at_backup = {path.name for path in made.wal.iterdir()}
            connection.execute("insert into reading values (2)")
            made.archived()
            connection.execute("insert into reading values (3)")
            made.archived()
            before = made.moment()
            connection.execute("insert into reading values (4)")
            made.archived()
            connection.execute("insert into reading values (5)")
            lost_server.wait_until(made.is_received, "reading 5 is on the receiver's disk")
        made.lose()
        receiver.wait(lost_server.PATIENCE_S)
        after = sorted(path for path in made.wal.iterdir() if path.name not in at_backup)
        yield Lost(made, place, media, before, [p for p in after if backup.SEGMENT.fullmatch(p.name)])


@pytest.fixture
def copied(lost: Lost, tmp_path: Path) -> Path:
    """A copy of the backup with its files, to be spoilt."""
    shutil.copytree(lost.place.parent, tmp_path / "all")
    return tmp_path / "all" / lost.place.name


def test_a_restore_leads_to_the_moment_and_not_past_it(lost: Lost) -> None:
    with lost.cluster.restored(lost.place, lost.before):
        assert lost.readings() == [1, 2, 3]
        with lost.cluster.connect() as connection:  # it takes what comes next
            connection.execute("insert into reading values (6)")


def test_without_a_moment_it_leads_to_the_end_of_the_archive(lost: Lost) -> None:
    """What was never archived went with the server."""
    with lost.cluster.restored(lost.place, None):
        assert lost.readings() == [1, 2, 3, 4]


def test_with_the_log_received_as_it_is_written_nothing_is_lost(lost: Lost) -> None:
    """The segment that pg_receivewal was writing when the server died is read to its end."""
    with lost.cluster.restored(lost.place, None, archive=lost.cluster.received):
        assert lost.readings() == [1, 2, 3, 4, 5]


@pytest.fixture
def gap(lost: Lost) -> Iterator[Path]:
    """A segment taken out of the archive, before the moment."""
    segment = lost.segments[1]
    aside = segment.with_name(f"{segment.name}.aside")
    segment.rename(aside)
    yield segment
    segment.unlink(missing_ok=True)
    aside.rename(segment)


def test_a_missing_segment_is_named_and_refused(
    lost: Lost, gap: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    into = tmp_path / "into"
    words = ["restore", str(lost.place), "--into", str(into), "--wal", str(lost.cluster.wal)]
    assert backup.main(words) == 1
    assert f"lacks {gap.name}" in capsys.readouterr().err
    assert not into.exists()
    gap.write_bytes(gap.with_name(f"{gap.name}.aside").read_bytes()[:-1])  # cut short is as bad
    assert backup.main(words) == 1
    assert f"lacks {gap.name}" in capsys.readouterr().err
    assert backup.main([*words, "--until", lost.before.isoformat()]) == 0
    assert f"lacks {gap.name}: no moment after it" in capsys.readouterr().err


def test_the_server_never_ends_its_recovery_early_in_silence(lost: Lost, gap: Path) -> None:
    with (
        pytest.raises(StartFailed, match="recovery ended before configured recovery target was reached"),
        lost.cluster.restored(lost.place, lost.before, "gap"),
    ):
        pass


def test_a_truncated_backup_is_refused(lost: Lost, copied: Path, tmp_path: Path) -> None:
    largest = max((copied / backup.BASE / "base").rglob("*"), key=lambda path: path.stat().st_size)
    with largest.open("r+b") as file:
        file.truncate(largest.stat().st_size // 2)
    for refused in (
        lambda: backup.check(copied),
        lambda: backup.restore(copied, tmp_path / "i", lost.cluster.wal),
    ):
        with pytest.raises(BackupFault, match=rf"pg_verifybackup: .*{largest.name}"):
            refused()
    assert not (tmp_path / "i").exists()


def test_a_backup_that_was_never_finished_is_refused(lost: Lost, copied: Path, tmp_path: Path) -> None:
    (copied / backup.BASE / backup.MANIFEST).unlink()
    with pytest.raises(BackupFault, match="no whole backup"):
        backup.restore(copied, tmp_path / "i", lost.cluster.wal)


def test_a_byte_that_turned_is_found(copied: Path) -> None:
    largest = max((copied / backup.BASE / "base").rglob("*"), key=lambda path: path.stat().st_size)
    data = bytearray(largest.read_bytes())
    data[len(data) // 2] ^= 1
    largest.write_bytes(data)
    with pytest.raises(BackupFault, match=f"checksum mismatch.*{largest.name}"):
        backup.check(copied)


def test_nothing_is_written_over(lost: Lost, tmp_path: Path) -> None:
    (tmp_path / "there").write_text("x")
    with pytest.raises(BackupFault, match="not empty"):
        backup.restore(lost.place, tmp_path, lost.cluster.wal)


def test_stored_files_come_back_and_are_kept_once(lost: Lost, copied: Path, tmp_path: Path) -> None:
    assert backup.bring_files(copied, tmp_path / "media") == 2
    assert (tmp_path / "media" / "reports" / "1.pdf").read_bytes() == PDF
    assert (tmp_path / "media" / "photo.jpg").read_bytes() == PHOTO
    assert {row["path"] for row in backup.keep_files(lost.media, copied.parent / backup.FILES)} == {
        "photo.jpg",
        "reports/1.pdf",
    }
    assert len([p for p in (copied.parent / backup.FILES).rglob("*") if p.is_file()]) == 2


@pytest.mark.parametrize(("spoil", "words"), [("missing", "is missing"), ("altered", "not what was stored")])
def test_a_stored_file_that_is_not_whole_is_named(
    copied: Path, tmp_path: Path, spoil: str, words: str
) -> None:
    digests = dict(backup.listed(copied))
    digest = digests["reports/1.pdf"]
    kept = copied.parent / backup.FILES / digest[:2] / digest
    if spoil == "missing":
        kept.unlink()
    else:
        kept.write_bytes(PDF[:-1])
    for refused in (lambda: backup.check(copied), lambda: backup.bring_files(copied, tmp_path / "media")):
        with pytest.raises(BackupFault, match=f"reports/1.pdf.*{words}"):
            refused()


def test_the_commands(
    lost: Lost, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PG_BIN", str(postgres.programs(lost.cluster.world.account)))
    assert backup.main(["check", str(lost.place)]) == 0
    assert capsys.readouterr().out.startswith("whole: the database and 2 files")
    assert backup.main(["files", str(lost.place), "--into", str(tmp_path / "m")]) == 0
    monkeypatch.setenv("BACKUP_URL", "")
    assert backup.main(["take", "--to", str(tmp_path)]) == 1
    assert "BACKUP_URL is not set" in capsys.readouterr().err
    monkeypatch.setenv("BACKUP_URL", "host=/nowhere user=postgres")
    assert backup.main(["take", "--to", str(tmp_path / "b"), "--media", str(lost.media)]) == 1
    assert "pg_basebackup" in capsys.readouterr().err
    assert not [path for path in (tmp_path / "b").iterdir() if not path.name.startswith(".")]
    words = ["restore", str(lost.place), "--into", str(tmp_path / "i"), "--wal", str(lost.cluster.wal)]
    assert backup.main([*words, "--until", "2026-03-02T08:00:00"]) == 1
    assert "needs an offset" in capsys.readouterr().err
    told = [json.loads(line) for line in (lost.place / backup.LIST).read_text().splitlines()]
    assert {row["path"]: row["size"] for row in told} == {"photo.jpg": len(PHOTO), "reports/1.pdf": len(PDF)}
