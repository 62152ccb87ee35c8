"""Figures of signing in: how well the time of a refusal tells a known e-mail from an unknown one.

Run: python -m tests.benchmarks.access_figures. Real hashing (PBKDF2, fewer rounds than in service, which
makes the difference easier to see, not harder). The area under the ROC curve is 0.5 when the times tell
nothing; 0.45 to 0.55 is the goal.
"""

import os
import random
import subprocess
import sys
import time

import django

CALLS, ROUNDS = 500, 30_000


def main() -> None:
    if "--inside" not in sys.argv:
        inside = [sys.executable, "-m", "tests.benchmarks.access_figures", "--inside"]
        migrate = [sys.executable, "manage.py", "migrate", "-v", "0"]
        shell = " && ".join([" ".join(migrate), f"DATABASE_URL=$DATABASE_URL {' '.join(inside)}"])
        command = [sys.executable, "-m", "config.local", "exec", "--test", "--owner", "--", "sh", "-c", shell]
        raise SystemExit(subprocess.run(command, check=False).returncode)
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    django.setup()
    print(f"figure: sign-in, known against unknown e-mail, area under ROC = {area():.3f} (2 x {CALLS} calls)")


def area() -> float:
    """The chance that a refusal of a known e-mail takes longer than one of an unknown e-mail."""
    from django.contrib.auth.hashers import PBKDF2PasswordHasher

    from jobs import companies, people

    PBKDF2PasswordHasher.iterations = ROUNDS
    made = companies.create_company(
        name="Timing", owner_email="known@example.org", owner_name="K", password="a long enough password"
    )
    times: dict[bool, list[float]] = {True: [], False: []}
    order = [True, False] * CALLS
    random.Random(1).shuffle(order)
    for number, known in enumerate(order):
        email = made.owner.email if known else f"nobody{number}@example.org"
        begun = time.perf_counter()
        people.check_password(email, "wrong", f"10.{number // 250}.{number % 250}.1")
        times[known].append(time.perf_counter() - begun)
    wins = sum((k > u) + (k == u) / 2 for k in times[True] for u in times[False])
    return wins / (len(times[True]) * len(times[False]))


if __name__ == "__main__":
    main()
