"""Ids and their short form."""

import time
import uuid
from functools import reduce
from operator import and_, or_

import pytest
from hypothesis import given
from hypothesis import strategies as st

from jobs.tenancy.ids import parse_id, short_id, uuid7


def test_uuid7_has_version_variant_and_time() -> None:
    before = time.time_ns() // 1_000_000
    value = uuid7()
    assert (value.version, value.variant) == (7, uuid.RFC_4122)
    assert before <= value.int >> 80 <= time.time_ns() // 1_000_000


@pytest.mark.parametrize(("rest", "fraction"), [(0, 0), (244, 0), (245, 1), (500_000, 2048), (999_999, 4095)])
def test_uuid7_tells_the_fraction_of_its_millisecond(
    monkeypatch: pytest.MonkeyPatch, rest: int, fraction: int
) -> None:
    """RFC 9562, 6.2, method 3: twelve bits after the version."""
    monkeypatch.setattr(time, "time_ns", lambda: 1_700_000_000_000_000_000 + rest)
    value = uuid7()
    assert (value.version, value.variant) == (7, uuid.RFC_4122)
    assert value.int >> 80 == 1_700_000_000_000
    assert value.int >> 64 & 0xFFF == fraction


def test_uuid7_sorts_by_time_and_does_not_repeat() -> None:
    values = []
    for _ in range(50):
        values.append(uuid7())
        time.sleep(2e-6)
    assert values == sorted(values)
    assert len({uuid7() for _ in range(10_000)}) == 10_000


def test_uuid7_draws_each_of_its_62_random_bits() -> None:
    values = [uuid7().int for _ in range(200)]
    drawn = (1 << 62) - 1
    assert reduce(or_, values) & drawn == drawn
    assert reduce(and_, values) & drawn == 0


@given(st.uuids())
def test_every_form_is_read_back(value: uuid.UUID) -> None:
    short = short_id(value)
    assert len(short) == 26
    for text in (short, short.upper(), value.hex, str(value)):
        assert parse_id(text) == value


@pytest.mark.parametrize(
    "text",
    [
        "",
        "x",
        "a" * 25,
        "1" * 26,
        "é" * 26,
        "a" * 25 + "b",
        "g" * 32,
        "{0191}",
        "urn:uuid:" + "0" * 32,
        "{018f2f5c-7a3b-7c1d-8e2f-0123456789ab}",
        "urn:uuid:018f2f5c-7a3b-7c1d-8e2f-0123456789ab",
        "018f2f5c-7a3b7c1d-8e2f-0123456789ab",
        "0" * 36,
        "a" * 27,
    ],
)
def test_anything_else_is_refused(text: str) -> None:
    with pytest.raises(ValueError):
        parse_id(text)
