"""Figures of signing in: how well the time of an answer tells a known e-mail from an unknown one.

Run: python -m tests.benchmarks.access_figures. Both pages are asked as strangers ask them, by turns in a
drawn order, each e-mail once. Real hashing (PBKDF2, fewer rounds than in service, which makes the difference
easier to see, not harder). The area under the ROC curve is 0.5 when the times tell nothing; 0.45 to 0.55 is
the goal. Seen on 2 cores under a load of 11: signing in 0.517, forgotten password 0.472. Before an unknown
e-mail was checked against a hash by the same steps, signing in gave 0.455, twice.
"""

import logging
import random
import time
from collections.abc import Callable
from typing import Any

from tests.benchmarks.own import own_database

CALLS, RESETS, ROUNDS = 500, 100, 30_000


def main() -> None:
    own_database("config.settings")
    logging.disable(logging.WARNING)  # each refusal is a line of the log
    from django.contrib.auth.hashers import PBKDF2PasswordHasher
    from django.test.utils import setup_test_environment

    setup_test_environment()
    PBKDF2PasswordHasher.iterations = ROUNDS
    people(CALLS)
    for what, calls, ask in (("sign-in", CALLS, sign_in), ("forgotten password", RESETS, forgotten)):
        found = area(calls, ask)
        print(
            f"figure: {what}, known against unknown e-mail, area under ROC = {found:.3f} (2 x {calls} calls)"
        )


def people(count: int) -> None:
    """So many members of one company, with passwords that are checked as any other."""
    from django.contrib.auth.hashers import make_password

    from jobs import companies
    from jobs.models import Affiliation, Member, User
    from jobs.tenancy.context import company

    made = companies.create_company(
        name="Timing", owner_email="o@example.org", owner_name="O", password="a long enough password"
    )
    password = make_password("a long enough password")
    users = [User(email=f"known{number}@example.org", password=password) for number in range(count)]
    User.objects.bulk_create(users)
    Affiliation.objects.bulk_create([Affiliation(user=user, company_ref=made.company.id) for user in users])
    with company(made.company.id):
        Member.objects.bulk_create(
            [Member(user_ref=user.id, name="N", email=user.email, roles=["technician"]) for user in users]
        )


def sign_in(email: str, address: str) -> int:
    return _post("/signin", {"email": email, "password": "wrong"}, address)


def forgotten(email: str, address: str) -> int:
    return _post("/password", {"email": email}, address)


def _post(path: str, fields: dict[str, Any], address: str) -> int:
    from django.test import Client

    return int(Client(REMOTE_ADDR=address).post(path, fields).status_code)


def area(calls: int, ask: Callable[[str, str], int]) -> float:
    """The chance that the answer for a known e-mail takes longer than the one for an unknown e-mail."""
    times: dict[bool, list[float]] = {True: [], False: []}
    answers = set()
    order = [True, False] * calls
    random.Random(1).shuffle(order)
    for number, known in enumerate(order):
        email = f"{'known' if known else 'nobody'}{len(times[known])}@example.org"
        begun = time.perf_counter()
        answers.add(ask(email, f"10.{calls % 250}.{number // 250}.{number % 250}"))
        times[known].append(time.perf_counter() - begun)
    assert len(answers) == 1, answers
    wins = sum((k > u) + (k == u) / 2 for k in times[True] for u in times[False])
    return wins / (len(times[True]) * len(times[False]))


if __name__ == "__main__":
    main()
