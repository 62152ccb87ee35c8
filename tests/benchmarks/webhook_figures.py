"""How fast events reach a receiver on this machine, and what one message costs.

Run: python -m tests.benchmarks.webhook_figures. It starts a service of its own; the worker's own code sends,
in one process, to a receiver on loopback that answers 204 at once. A receiver farther away is slower: four
connections carry four messages in each of its answer times.
"""

import os
import subprocess
import sys
import time

import django

from config.local.stack import local_stack
from tests.benchmarks.own import ROOT

EVENTS = 5000


def main() -> None:
    if "--inside" not in sys.argv:
        with local_stack() as stack:
            stack.service("worker").stop()  # this process sends alone
            stack.service("beat").stop()
            command = [sys.executable, "-m", "tests.benchmarks.webhook_figures", "--inside"]
            environment = stack.environment | {"WEBHOOK_TEST_NETWORKS": "127.0.0.4/30"}
            raise SystemExit(subprocess.run(command, cwd=ROOT, env=environment, check=False).returncode)
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    django.setup()
    delivered()


def delivered() -> None:
    """Events of many subjects from the log to the receiver, signed, logged, in one process."""
    from jobs import due, events
    from jobs.tenancy.context import company
    from jobs.tenancy.ids import uuid7
    from reports import webhook_queue, webhooks
    from tests import factories
    from tests.webhooks.receivers import receiver

    world = factories.make_world("Told Fast")
    with receiver() as there:
        with company(world.id):
            webhooks.make(world.actor("owner"), url=there.url, verbs=["session.stored"])
            for _ in range(EVENTS // 1000):
                one = [events.Happening(uuid7(), {"n": n}) for n in range(1000)]
                events.record_many(world.actor("owner"), "session.stored", "session", one)
        with company(world.id):
            while events.sequence():
                pass
        started = time.perf_counter()
        while len(there.got) < EVENTS:
            due.work(world.id, webhook_queue.QUEUE)
        took = time.perf_counter() - started
    assert len({one.id for one in there.got}) == EVENTS
    print(f"figure: webhook_delivery = {EVENTS / took:.0f} events/s")
    print(f"figure: webhook_message = {1000 * took / EVENTS:.2f} ms")


if __name__ == "__main__":
    main()
