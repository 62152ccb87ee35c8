"""Where the local stack keeps things.

A *world* is one set of data: var/NAME in the checkout (files, logs, Valkey, lock) plus a PostgreSQL folder
and a socket folder. For an ordinary user all of it lies in the checkout, except sockets when the path would
be too long. PostgreSQL refuses to run as root, and its other user could not reach a checkout under /root. So
for root the programs and data of PostgreSQL lie in /var/lib/flowledger-ID and the sockets in
/run/flowledger-ID, owned by `daemon`, the account Debian keeps for services that own files
(FLOWLEDGER_POSTGRES_USER names another).
"""

import fcntl
import os
import pwd
import secrets
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path

from config.local.process import Account

CHECKOUT = Path(__file__).resolve().parents[2]
VAR = CHECKOUT / "var"
SOCKET_PATH_LIMIT = 107  # bytes in sockaddr_un on Linux, without the closing zero
LONGEST_SOCKET = "/.s.PGSQL.5432"


class PlaceError(Exception):
    """A folder or account that is needed cannot be used; the message says what to do."""


@dataclass(frozen=True)
class World:
    """The folders of one set of data."""

    name: str
    home: Path  # in the checkout: logs, media, mail, Valkey
    postgres: Path  # PostgreSQL's data, owned by `account`
    sockets: Path
    account: Account | None  # PostgreSQL's user when we are root

    @property
    def logs(self) -> Path:
        """Folder of the log files."""
        return self.home / "log"


def package_folder(package: str) -> Path:
    """Folder of an installed package, found without importing it (importing a server's wheel has effects)."""
    spec = find_spec(package)
    if spec is None or not spec.submodule_search_locations:
        raise PlaceError(f"The Python package {package} is not installed: run `make setup`.")
    return Path(spec.submodule_search_locations[0])


def is_root() -> bool:
    """Whether this process has the rights of root."""
    return os.geteuid() == 0


def postgres_account() -> Account | None:
    """The account PostgreSQL runs as: None for ours, another one when we are root."""
    if not is_root():
        return None
    name = os.environ.get("FLOWLEDGER_POSTGRES_USER", "daemon")
    try:
        entry = pwd.getpwnam(name)
    except KeyError:
        raise PlaceError(
            f"PostgreSQL must not run as root, and the system has no user {name!r}."
            " Name an existing ordinary user in FLOWLEDGER_POSTGRES_USER."
        ) from None
    if entry.pw_uid == 0:
        raise PlaceError(
            f"FLOWLEDGER_POSTGRES_USER={name!r} is root, which PostgreSQL refuses. Name another user."
        )
    return Account(name, entry.pw_uid, entry.pw_gid)


def checkout_id() -> str:
    """A short random name for this checkout, made once and kept in var/id."""
    path = VAR / "id"
    VAR.mkdir(exist_ok=True)
    try:
        with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o644), "w") as file:
            file.write(secrets.token_hex(4))
    except FileExistsError:
        pass
    return path.read_text().strip()


def system_home() -> Path:
    """Root only: the folder outside the checkout for PostgreSQL's programs and data."""
    return Path("/var/lib") / f"flowledger-{checkout_id()}"


def postgres_home() -> Path:
    """Folder that holds PostgreSQL's data of all worlds."""
    return system_home() if is_root() else VAR / "postgres"


def private_folder(path: Path, account: Account | None) -> Path:
    """Makes the folder, for its owner only. Folders above it are never changed."""
    path.mkdir(mode=0o700, parents=True, exist_ok=True)
    if account:
        os.chown(path, account.uid, account.gid)
    return path


def open_folder(path: Path) -> Path:
    """Makes a folder that others may pass through (root's own, for PostgreSQL's user to reach its data)."""
    path.mkdir(mode=0o755, parents=True, exist_ok=True)
    return path


def short_enough(folder: Path) -> bool:
    """Whether a socket in this folder has an address the system accepts."""
    return len(os.fsencode(folder)) + len(LONGEST_SOCKET) <= SOCKET_PATH_LIMIT


def socket_folder(name: str, home: Path, account: Account | None) -> Path:
    """A private folder for the sockets, with a path short enough for the system."""
    if account:
        base = Path("/run") if os.access("/run", os.W_OK) else Path("/tmp")  # noqa: S108 - made private below
        return private_folder(open_folder(base / f"flowledger-{checkout_id()}") / name, account)
    if short_enough(home / "run"):
        return private_folder(home / "run", None)
    runtime = os.environ.get("XDG_RUNTIME_DIR", "")
    choice = Path(runtime) / f"flowledger-{checkout_id()}" / name
    if runtime and os.access(runtime, os.W_OK) and short_enough(choice):
        return private_folder(choice, None)
    return Path(tempfile.mkdtemp(prefix="flowledger-"))


def announce(world: World) -> None:
    """Says in one line what lies outside the checkout, when something does."""
    if world.account:
        print(
            f"running as root: PostgreSQL runs as the system user {world.account.name!r},"
            f" data in {world.postgres}, sockets in {world.sockets}",
            flush=True,
        )
    elif not world.sockets.is_relative_to(CHECKOUT):
        print(f"the checkout's path is too long for sockets: they are in {world.sockets}", flush=True)


def make_world(name: str, home: Path) -> World:
    """Makes the folders of a world and tells where they are."""
    account = postgres_account()
    if account:
        open_folder(postgres_home())
    private_folder(home, None)
    private_folder(home / "static", None)
    world = World(name, home, postgres_home() / name, socket_folder(name, home, account), account)
    announce(world)
    return world


@contextmanager
def locked(home: Path) -> Iterator[None]:
    """Holds the world for one program at a time; the lock ends with the program, however it ends.

    Raises:
        PlaceError: another program uses it.
    """
    private_folder(home, None)
    with (home / "lock").open("a+") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            file.seek(0)
            raise PlaceError(
                f"{home} is in use by process {file.read().strip() or '?'}: stop that one first."
            ) from None
        file.truncate(0)
        file.write(str(os.getpid()))
        file.flush()
        yield


@contextmanager
def one_at_a_time() -> Iterator[None]:
    """Makes programs wait for each other while they make or remove shared folders."""
    VAR.mkdir(exist_ok=True)
    with (VAR / "making.lock").open("a") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        yield


@contextmanager
def kept_world(name: str) -> Iterator[World]:
    """A world that stays: var/NAME."""
    with locked(VAR / name):
        world = make_world(name, VAR / name)
        try:
            yield world
        finally:
            shutil.rmtree(world.sockets, ignore_errors=True)


@contextmanager
def passing_world() -> Iterator[World]:
    """A world of this run only, removed at its end. Those of runs that were killed are removed first."""
    name = f"test-{os.getpid()}-{secrets.token_hex(2)}"
    with ExitStack() as held:
        with one_at_a_time():
            remove_abandoned()
            held.enter_context(locked(VAR / "tmp" / name))
        world = make_world(name, VAR / "tmp" / name)
        held.callback(remove_world, world)
        yield world


def remove_world(world: World) -> None:
    """Removes the data, sockets and files of a world that nothing runs in."""
    for folder in (world.postgres, world.sockets, world.home):
        shutil.rmtree(folder, ignore_errors=True)


def remove_abandoned() -> None:
    """Removes passing worlds whose program has ended without doing so."""
    folder = VAR / "tmp"
    for home in folder.iterdir() if folder.is_dir() else ():
        with suppress(PlaceError), locked(home):
            remove_world(abandoned_world(home))


def abandoned_world(home: Path) -> World:
    """The folders that a passing world had."""
    account = postgres_account()
    sockets = Path("/run") / f"flowledger-{checkout_id()}" / home.name if account else home / "run"
    return World(home.name, home, postgres_home() / home.name, sockets, account)
