"""Command line of the local stack.

serve            everything, until Ctrl-C
run -- CMD       everything, then the command with BASE_URL in its environment, then stop
exec -- CMD      PostgreSQL and Valkey only, then the command
forget           removes the data of a world
"""

import argparse
import os
import shlex
import signal
import subprocess
import sys
from collections.abc import Sequence
from contextlib import AbstractContextManager
from types import FrameType

from config.local.keys import write_private
from config.local.places import PlaceError
from config.local.process import StartFailed, die_with_parent
from config.local.stack import (
    Stack,
    forget,
    free_port,
    kept_services,
    local_stack,
    start_all,
    test_services,
    watch,
)


class Stopped(Exception):
    """Someone asked us to stop (Ctrl-C or SIGTERM)."""


def stop(number: int, frame: FrameType | None) -> None:
    """Signal handler: unwinds the stack once; later signals wait for the clean end."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_IGN)
    raise Stopped(signal.Signals(number).name)


def arguments(given: Sequence[str]) -> argparse.Namespace:
    """Reads the command line."""
    parser = argparse.ArgumentParser(
        prog="python -m config.local",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    commands = parser.add_subparsers(dest="action", required=True)
    serve, run, execute, forget = (commands.add_parser(name) for name in ("serve", "run", "exec", "forget"))
    for command in (serve, run, execute, forget):
        command.add_argument("--world", default="local", help="data folder under var/ (default: local)")
    serve.add_argument("--port", type=int, default=8000, help="taken if it is free (default: 8000)")
    serve.add_argument("--seed", metavar="COMMAND", help="command that fills an empty world, run once")
    run.add_argument("--fresh", action="store_true", help="remove the world's data first")
    for command in (run, execute):
        command.add_argument("--test", action="store_true", help="own passing servers, removed at the end")
        command.add_argument("command", nargs="+", metavar="CMD")
    execute.add_argument("--owner", action="store_true", help="connect as the owner of the tables")
    return parser.parse_args(given)


def run_command(command: Sequence[str], environment: dict[str, str]) -> int:
    """Runs the command in the foreground and returns its exit code; a stop request is passed on to it."""
    process = subprocess.Popen(
        list(command), env=environment, preexec_fn=lambda: die_with_parent(signal.SIGTERM)
    )
    try:
        code = process.wait()
    except Stopped as request:
        if str(request) == "SIGTERM":  # Ctrl-C has reached it already, by the terminal
            process.terminate()
        code = process.wait()
    return 128 - code if code < 0 else code


def environment_of(stack: Stack, chosen: argparse.Namespace) -> dict[str, str]:
    """What the command gets: the serving role's address, or the owner's when asked."""
    if getattr(chosen, "owner", False):
        return stack.as_owner()
    return stack.for_command()


def base(chosen: argparse.Namespace) -> AbstractContextManager[Stack]:
    """The servers asked for."""
    return test_services() if getattr(chosen, "test", False) else kept_services(chosen.world)


def execute(chosen: argparse.Namespace) -> int:
    """exec: the two servers and a command."""
    with base(chosen) as stack:
        return run_command(chosen.command, environment_of(stack, chosen))


def run(chosen: argparse.Namespace) -> int:
    """run: everything and a command."""
    if chosen.fresh:
        forget(chosen.world)
    with base(chosen) as stack:
        start_all(stack, free_port())
        return run_command(chosen.command, environment_of(stack, chosen))


def seed(stack: Stack, command: Sequence[str]) -> None:
    """Fills an empty world once by a command; what it printed (logins) is kept and shown each time.

    Raises:
        StartFailed: the command failed.
    """
    words = stack.world.home / "seed.txt"
    if not words.exists():
        done = subprocess.run(list(command), env=stack.for_command(), stdout=subprocess.PIPE, text=True)
        if done.returncode:
            raise StartFailed(f"{shlex.join(command)} failed (exit code {done.returncode}):\n{done.stdout}")
        write_private(words, done.stdout)
    print(words.read_text(), end="", flush=True)


def serve(chosen: argparse.Namespace) -> int:
    """serve: everything, until asked to stop or until a part ends by itself."""
    with local_stack(chosen.port, chosen.world) as stack:
        if chosen.seed:
            seed(stack, shlex.split(chosen.seed))
        print(
            f"Flowledger is ready: {stack.base_url}\nlogs: {stack.world.logs}\nstop with Ctrl-C", flush=True
        )
        gone = watch(stack)
        print(f"{gone.name} ended ({gone.ending()}), so everything stops. {gone.evidence()}", file=sys.stderr)
        return 1


def remove(chosen: argparse.Namespace) -> int:
    """forget: removes the data."""
    forget(chosen.world)
    return 0


ACTIONS = {"serve": serve, "run": run, "exec": execute, "forget": remove}


def main(given: Sequence[str]) -> int:
    """Runs an action; a stop request ends it in good order."""
    chosen = arguments(given)
    signal.signal(signal.SIGTERM, stop)
    signal.signal(signal.SIGINT, stop)
    try:
        return ACTIONS[chosen.action](chosen)
    except Stopped:
        return 0 if chosen.action == "serve" else 130
    except (PlaceError, StartFailed) as error:
        print(f"config.local: {error}", file=sys.stderr)
        return 1


if __name__ == "__main__":
    os.umask(0o022)
    sys.exit(main(sys.argv[1:]))
