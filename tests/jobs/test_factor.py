"""Second factors: codes as RFC 6238 has them, each good once, the secret kept closed."""

import time
from typing import Any

import pytest
from cryptography.hazmat.primitives.hashes import SHA1, SHA256, SHA512
from cryptography.hazmat.primitives.twofactor.totp import TOTP
from django.core.cache import cache

from jobs import factor, signins
from jobs.errors import Conflict, Invalid, TooMany
from jobs.mail import mailed_code
from jobs.models import Event, RecoveryCode, SecondFactor, SignIn, SignInFailure, User
from jobs.sealed import Unreadable, seal, unseal
from jobs.tenancy.context import company
from tests.factories import PASSWORD, World
from tests.races import at_once

HERE, THERE = "192.0.2.1", "198.51.100.7"


@pytest.fixture(autouse=True)
def _fresh(db: None) -> None:
    cache.clear()


def code_now(user: User, ahead: int = 0) -> str:
    secret = factor._secret(SecondFactor.objects.get(user=user))
    return factor.totp(secret).generate(int(time.time()) + 30 * ahead).decode()


def enrolled(user: User) -> list[str]:
    """Sets a second factor up; the codes of this step and the next are not used yet."""
    factor.offer(user)
    return factor.confirm(user, code_now(user, -1), HERE)


# RFC 6238, appendix B: the secret is the ASCII digits up to the hash's size; eight digits, T0 = 0, X = 30.
APPENDIX_B = [
    (59, "94287082", "46119246", "90693936"),
    (1111111109, "07081804", "68084774", "25091201"),
    (1111111111, "14050471", "67062674", "99943326"),
    (1234567890, "89005924", "91819424", "93441116"),
    (2000000000, "69279037", "90698825", "38618901"),
    (20000000000, "65353130", "77737706", "47863826"),
]


@pytest.mark.parametrize(("at", "sha1", "sha256", "sha512"), APPENDIX_B)
def test_codes_are_those_of_rfc_6238_appendix_b(at: int, sha1: str, sha256: str, sha512: str) -> None:
    for expected, algorithm, size in ((sha1, SHA1(), 20), (sha256, SHA256(), 32), (sha512, SHA512(), 64)):
        secret = (b"1234567890" * 7)[:size]
        assert TOTP(secret, 8, algorithm, 30).generate(at).decode() == expected
    ours = factor.totp(b"12345678901234567890")
    assert ours.generate(at).decode() == sha1[-6:]


def test_the_secret_is_closed_at_rest_and_bound_to_its_person(company_a: World) -> None:
    one, other = company_a.users["owner"], company_a.users["supervisor"]
    text = factor.offer(one).text
    row = SecondFactor.objects.get(user=one)
    assert factor._secret(row) not in bytes(row.secret)
    assert text.encode() not in bytes(row.secret)
    row.user = other
    with pytest.raises(Unreadable):
        factor._secret(row)


def test_a_former_key_still_opens(company_a: World, settings: Any) -> None:
    user = company_a.users["owner"]
    enrolled(user)
    settings.SECRET_KEY_FALLBACKS = [settings.SECRET_KEY]
    settings.SECRET_KEY = "another key of fifty characters or more, made for this"
    factor.prove(user, code_now(user), HERE)
    with pytest.raises(Unreadable):
        unseal(seal(b"x", keys=[b"a" * 32], purpose="p", place=b""), keys=[b"b" * 32], purpose="p", place=b"")


def test_a_code_is_good_once(company_a: World) -> None:
    user = company_a.users["owner"]
    enrolled(user)
    code = code_now(user)
    factor.prove(user, f" {code[:3]} {code[3:]} ", HERE)
    with pytest.raises(Invalid) as refused:
        factor.prove(user, code, HERE)
    assert refused.value.faults[0].pointer == "/code"
    factor.prove(user, code_now(user, 1), HERE)
    with pytest.raises(Invalid):  # one before it, though it was never used
        factor.prove(user, code_now(user), HERE)


def test_a_wrong_code_confirms_nothing_and_nothing_is_confirmed_twice(company_a: World) -> None:
    user = company_a.users["owner"]
    with pytest.raises(Conflict, match="nothing to confirm"):
        factor.confirm(user, "000000", HERE)
    factor.offer(user)
    with pytest.raises(Invalid) as refused:
        factor.confirm(user, code_now(user, 5), HERE)
    assert [one.pointer for one in refused.value.faults] == ["/code"]
    assert not factor.is_enrolled(user.id)
    factor.confirm(user, code_now(user), HERE)
    with pytest.raises(Conflict, match="nothing to confirm"):
        factor.confirm(user, code_now(user, 1), HERE)


def test_mailed_codes_are_bounded_like_those_of_a_device(company_a: World) -> None:
    user = company_a.users["owner"]
    for n in range(factor.OF_PERSON):
        with pytest.raises(Invalid):
            factor.prove_mail(user, "00000000", f"198.51.100.{n}")
    with pytest.raises(TooMany):
        factor.prove_mail(user, mailed_code(user, 0), HERE)
    assert SignInFailure.objects.filter(user_ref=user.id, what="code").count() == factor.OF_PERSON
    cache.clear()
    factor.prove_mail(user, f" {mailed_code(user, 1)} ", HERE)


def test_the_code_that_confirmed_does_not_also_let_in(company_a: World) -> None:
    user = company_a.users["owner"]
    factor.offer(user)
    code = code_now(user)
    factor.confirm(user, code, HERE)
    with pytest.raises(Invalid):
        factor.prove(user, code, HERE)


@pytest.mark.django_db(transaction=True)
def test_of_two_who_come_with_one_code_at_once_one_is_let_in(company_a: World) -> None:
    user = company_a.users["owner"]
    factor.offer(user)
    code = code_now(user, -1)
    found = at_once(*[lambda: factor.confirm(user, code, HERE)] * 3)
    assert sorted(type(one).__name__ for one in found) == ["Conflict", "Conflict", "list"]
    assert factor.recovery_codes_left(user) == factor.RECOVERY_CODES
    code = code_now(user)
    found = at_once(*[lambda: factor.prove(user, code, HERE)] * 3)
    assert sorted(type(one).__name__ for one in found) == ["Invalid", "Invalid", "NoneType"]


@pytest.mark.parametrize("ahead", [-3, -2, 2, 3])
def test_codes_of_other_times_are_refused(company_a: World, ahead: int) -> None:
    user = company_a.users["owner"]
    enrolled(user)
    with pytest.raises(Invalid):
        factor.prove(user, code_now(user, ahead), HERE)


@pytest.mark.parametrize("text", ["", "12345", "1234567", "½½½½½½", "000000 ", "٣٣٣٣٣٣"])
def test_what_is_no_code_is_refused(company_a: World, text: str) -> None:
    user = company_a.users["owner"]
    enrolled(user)
    SecondFactor.objects.update(last_step=2**40)  # whatever fits by chance was used
    with pytest.raises(Invalid):
        factor.prove(user, text, HERE)


def test_recovery_codes_are_good_once_each_and_kept_as_hashes(company_a: World) -> None:
    user = company_a.users["owner"]
    codes = enrolled(user)
    assert len(set(codes)) == factor.RECOVERY_CODES
    kept = [bytes(row.code_hash) for row in RecoveryCode.objects.filter(user=user)]
    assert all(code.encode() not in row for code in codes for row in kept)
    factor.prove(user, f"{codes[0][:4]}-{codes[0][4:].upper()}", HERE)
    with pytest.raises(Invalid):
        factor.prove(user, codes[0], HERE)
    assert factor.recovery_codes_left(user) == factor.RECOVERY_CODES - 1
    with company(company_a.id):
        assert Event.objects.filter(verb="person.recovery_used").count() == 1
    new = factor.renew_recovery(user, password=PASSWORD, code=code_now(user), address=HERE)
    with pytest.raises(Invalid):
        factor.prove(user, codes[1], HERE)
    factor.prove(user, new[0], HERE)


def test_anothers_recovery_code_is_none(company_a: World) -> None:
    mine, theirs = enrolled(company_a.users["owner"]), enrolled(company_a.users["supervisor"])
    assert not set(mine) & set(theirs)
    with pytest.raises(Invalid):
        factor.prove(company_a.users["owner"], theirs[0], HERE)


def test_guessing_codes_ends_for_an_address_and_for_a_person(company_a: World) -> None:
    user = company_a.users["owner"]
    codes = enrolled(user)
    SecondFactor.objects.update(last_step=2**40)
    for _ in range(10):
        with pytest.raises(Invalid):
            factor.prove(user, "000000", HERE)
    with pytest.raises(TooMany):
        factor.prove(user, codes[0], HERE)
    for n in range(20 - 10):
        with pytest.raises(Invalid):
            factor.prove(user, "000000", f"198.51.100.{n}")
    with pytest.raises(TooMany):
        factor.prove(user, "000000", "203.0.113.9")
    factor.prove(user, codes[0], THERE)  # too long to be guessed, so its holder comes in all the same
    assert SignInFailure.objects.filter(user_ref=user.id, what="code").count() == 20


def test_enrolling_ends_sign_ins_that_were_made_without(company_a: World) -> None:
    user = company_a.users["owner"]
    here, there = (signins.begin(user, HERE, "") for _ in range(2))
    factor.offer(user)
    factor.confirm(user, code_now(user), HERE, here=str(here.id))
    assert SignIn.objects.get(id=here.id).ended_at is None
    assert SignIn.objects.get(id=there.id).ended_at is not None
    with pytest.raises(Conflict):
        factor.offer(user)


def test_taking_it_off_needs_password_and_code(company_a: World) -> None:
    user = company_a.users["owner"]
    enrolled(user)
    wrong = [(PASSWORD, "00000x", "/code"), (PASSWORD, "", "/code"), ("wrong", code_now(user), "/password")]
    for password, code, place in wrong:
        with pytest.raises(Invalid) as refused:
            factor.take_off(user, password=password, code=code, address=HERE)
        assert refused.value.faults[0].pointer == place
        assert factor.is_enrolled(user.id)
    factor.take_off(user, password=PASSWORD, code=code_now(user), address=HERE)
    assert not factor.is_enrolled(user.id)
    assert not RecoveryCode.objects.filter(user=user).exists()
    with company(company_a.id):
        assert list(Event.objects.filter(verb__startswith="person.").values_list("verb", flat=True)) == [
            "person.factor_set", "person.factor_off"
        ]  # fmt: skip


def test_the_offered_address_is_what_programs_read(company_a: World) -> None:
    offered = factor.offer(company_a.users["owner"])
    assert offered.address.startswith("otpauth://totp/Flowledger:")
    assert f"secret={offered.text}" in offered.address
    assert factor.offer(company_a.users["owner"]).text == offered.text
    for part in ("digits=6", "period=30", "algorithm=SHA1", "issuer=Flowledger"):
        assert part in offered.address
