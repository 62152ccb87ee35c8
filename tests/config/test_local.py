"""The machine room: processes that leave nothing behind, worlds that do not meet, keys that stay."""

import os
import signal
import stat
import subprocess
import sys
import time
from pathlib import Path

import pytest

from config.local import keys, places, postgres, stack
from config.local.places import PlaceError
from config.local.process import Service, StartFailed

ROOT = Path(__file__).resolve().parents[2]
PARENT_OF_A_SLEEPER = "sleep 600 & echo $! ; trap '' TERM ; wait"


def service(tmp_path: Path, *command: str, ready: object = None, **changes: object) -> Service:
    log = tmp_path / "log"
    is_ready = ready or (lambda: log.exists() and log.read_text().strip() != "")
    return Service("thing", list(command), log, dict(os.environ), is_ready, **changes)  # type: ignore[arg-type]


def runs(pid: int) -> bool:
    """Whether the process runs (one that has ended but is not yet collected does not)."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except FileNotFoundError:
        return False


def gone_within(pid: int, seconds: float) -> bool:
    deadline = time.monotonic() + seconds
    while runs(pid) and time.monotonic() < deadline:
        time.sleep(0.02)
    return not runs(pid)


def test_stop_ends_what_the_service_started_even_if_it_does_not_listen(tmp_path: Path) -> None:
    thing = service(tmp_path, "sh", "-c", PARENT_OF_A_SLEEPER, stop_seconds=0.2)
    thing.start()
    thing.wait_ready()
    child = int(thing.log.read_text())
    assert runs(child)
    thing.stop()
    assert gone_within(child, 2)


def test_a_service_that_ends_while_starting_tells_how_and_shows_its_log(tmp_path: Path) -> None:
    thing = service(tmp_path, "sh", "-c", "echo no disk; exit 3", ready=lambda: False)
    thing.start()
    with pytest.raises(StartFailed, match=r"exit code 3(.|\n)*no disk"):
        thing.wait_ready()
    thing.stop()


def test_a_service_that_is_never_ready_is_given_up(tmp_path: Path) -> None:
    thing = service(tmp_path, "sleep", "600", ready=lambda: False, start_seconds=0.1)
    thing.start()
    with pytest.raises(StartFailed, match=r"not ready after 0\.1 s"):
        thing.wait_ready()
    assert thing.process is not None
    pid = thing.process.pid
    thing.stop()
    assert not runs(pid)


def test_a_killed_launcher_takes_its_services_along(tmp_path: Path) -> None:
    code = (
        "import os, time; from pathlib import Path; from config.local.process import Service;"
        f"log = Path({str(tmp_path / 'log')!r});"
        "s = Service('x', ['sleep', '600'], log, dict(os.environ), lambda: True);"
        "s.start(); print(s.process.pid, flush=True); time.sleep(600)"
    )
    launcher = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, cwd=ROOT)
    assert launcher.stdout is not None
    child = int(launcher.stdout.readline())
    assert runs(child)
    launcher.kill()
    launcher.wait()
    assert gone_within(child, 2)


def test_keys_are_made_once_and_are_private(tmp_path: Path) -> None:
    path = tmp_path / "local.env"
    first = keys.kept_keys(path)
    assert keys.kept_keys(path) == first
    assert len(set(first.values())) == len(keys.NAMES)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_a_missing_key_is_added_and_the_others_stay(tmp_path: Path) -> None:
    path = tmp_path / "local.env"
    keys.write_keys(path, {"SECRET_KEY": "old"})
    assert keys.kept_keys(path)["SECRET_KEY"] == "old"
    assert keys.read_keys(path).keys() == set(keys.NAMES)


def test_a_world_serves_one_program_at_a_time(tmp_path: Path) -> None:
    refused = pytest.raises(PlaceError, match=f"in use by process {os.getpid()}")
    with places.locked(tmp_path / "world"), refused, places.locked(tmp_path / "world"):
        pass
    with places.locked(tmp_path / "world"):
        pass


def test_socket_paths_stay_below_the_system_limit() -> None:
    limit = places.SOCKET_PATH_LIMIT - len(places.LONGEST_SOCKET)
    assert places.short_enough(Path("/" + "x" * (limit - 1)))
    assert not places.short_enough(Path("/" + "x" * limit))
    assert not places.short_enough(Path("/" + "µ" * (limit // 2 + 1)))


@pytest.mark.parametrize("runtime", ["kept", ""])
def test_sockets_of_a_deep_checkout_go_to_a_private_short_place(
    runtime: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    short = Path(f"/tmp/fl-{os.getpid()}")
    short.mkdir()
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(short) if runtime else "")
    chosen = places.socket_folder("w", tmp_path / ("deep" * 30), None)
    try:
        assert places.short_enough(chosen)
        assert chosen.is_relative_to(short) is bool(runtime)
        assert stat.S_IMODE(chosen.stat().st_mode) == 0o700
    finally:
        subprocess.run(["rm", "-rf", str(chosen), str(short)], check=True)


def test_a_lock_left_by_a_killed_server_is_removed_when_its_number_is_another_programs(
    tmp_path: Path,
) -> None:
    lock = tmp_path / "postmaster.pid"
    lock.write_text(f"{os.getpid()}\n{tmp_path}\n")
    postgres.forget_dead_server(tmp_path)
    assert not lock.exists()


def test_a_cluster_of_another_release_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "PG_VERSION").write_text("12\n")
    with pytest.raises(PlaceError, match="made by PostgreSQL 12"):
        postgres.made_cluster(tmp_path, None)


def test_free_port_takes_the_preferred_one_only_if_it_is_free() -> None:
    import socket

    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        other = stack.free_port(port)
        assert other != port
    assert stack.free_port(other) == other


def test_an_unknown_system_user_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(places, "is_root", lambda: True)
    monkeypatch.setenv("FLOWLEDGER_POSTGRES_USER", "nobody-of-that-name")
    with pytest.raises(PlaceError, match="no user 'nobody-of-that-name'"):
        places.postgres_account()
    monkeypatch.setenv("FLOWLEDGER_POSTGRES_USER", "root")
    with pytest.raises(PlaceError, match="PostgreSQL refuses"):
        places.postgres_account()


def test_exec_passes_on_the_exit_code_and_removes_its_world() -> None:
    command = [
        sys.executable,
        "-m",
        "config.local",
        "exec",
        "--test",
        "--",
        "sh",
        "-c",
        "echo $VAR_ROOT; exit 7",
    ]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 7
    world = Path(done.stdout.strip().splitlines()[-1])
    assert world.parent == ROOT / "var" / "tmp"
    assert not world.exists()
    assert not (places.postgres_home() / world.name).exists()


def as_given_by_a_person(**changes: str) -> dict[str, str]:
    """This run's own servers, as if a person had named them in the environment."""
    not_theirs = (stack.SET_BY_STACK, "VAR_ROOT")
    return {name: value for name, value in os.environ.items() if name not in not_theirs} | changes


def test_servers_named_in_the_environment_are_used_instead_of_own_ones() -> None:
    show = "echo $DATABASE_URL; echo $REDIS_URL; ls $VAR_ROOT/log 2>&1"
    command = [sys.executable, "-m", "config.local", "exec", "--test", "--", "sh", "-c", show]
    environment = as_given_by_a_person()
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, env=environment)
    *_, database, redis, logs = done.stdout.strip().splitlines()
    assert (database, redis) == (environment["DATABASE_URL"], environment["REDIS_URL"])
    assert "No such file" in logs


def test_an_own_server_without_its_owner_cannot_be_migrated() -> None:
    command = [sys.executable, "-m", "config.local", "run", "--test", "--", "true"]
    environment = as_given_by_a_person(DATABASE_OWNER_URL="")
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, env=environment)
    assert done.returncode == 1
    assert "set DATABASE_OWNER_URL too" in done.stderr


@pytest.mark.journey
def test_serve_starts_everything_and_a_stop_request_ends_everything(tmp_path: Path) -> None:
    """The whole stack, then Ctrl-C; then again on the same data after it was killed outright."""
    name = f"try-{os.getpid()}"
    command = [sys.executable, "-m", "config.local", "serve", "--world", name, "--port", "0"]
    try:
        for number, code in ((signal.SIGKILL, -signal.SIGKILL), (signal.SIGINT, 0)):
            server = subprocess.Popen(
                command, cwd=ROOT, stdout=subprocess.PIPE, text=True, start_new_session=True
            )
            assert server.stdout is not None
            lines: list[str] = []
            while not lines or not lines[-1].startswith("Flowledger is ready: http://127.0.0.1:"):
                lines.append(server.stdout.readline())
                assert lines[-1], lines
            parts = children(server.pid)
            assert len(parts) == 5
            server.send_signal(number)
            assert server.wait(60) == code
            assert all(gone_within(pid, 30) for pid in parts)
    finally:
        subprocess.run(
            [sys.executable, "-m", "config.local", "forget", "--world", name], cwd=ROOT, check=True
        )
    assert not (ROOT / "var" / name).exists()


def children(pid: int) -> list[int]:
    """Processes started by that one."""
    return [int(word) for word in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]


@pytest.mark.journey
def test_a_part_that_dies_ends_the_rest() -> None:
    with stack.local_stack() as running:
        worker = running.service("worker")
        assert worker.process is not None
        os.killpg(worker.process.pid, signal.SIGKILL)
        assert stack.watch(running) is worker
        others = [part.process.pid for part in running.running if part is not worker and part.process]
    assert not [pid for pid in others if runs(pid)]
