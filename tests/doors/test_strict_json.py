"""JSON is read strictly: nothing is guessed, nothing odd gets in, and refusing is quick."""

import json
import time
from contextlib import suppress
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from jobs.http.parsing import DEPTH, BadJson, read_json
from tests.doors.client import assert_problem, pointers, signed_in, with_key
from tests.factories import World

ODD = {
    "doubled name": b'{"a": 1, "b": 2, "a": 3}',
    "doubled name within": b'{"x": [{"a": 1, "a": 1}]}',
    "NaN": b'{"a": NaN}',
    "Infinity": b'{"a": Infinity}',
    "minus Infinity": b'{"a": -Infinity}',
    "too large": b'{"a": 1e400}',
    "too many digits": b'{"a": ' + b"9" * 5000 + b"}",
    "byte order mark": b"\xef\xbb\xbf{}",
    "UTF-16": '{"a": 1}'.encode("utf-16"),
    "UTF-16 without mark": '{"a": 1}'.encode("utf-16-le"),
    "Latin-1": b'{"a": "\xe9"}',
    "overlong UTF-8": b'{"a": "\xc0\xaf"}',
    "half a surrogate pair": b'{"a": "\\ud800"}',
    "half a pair as a name": b'{"\\udfff": 1}',
    "NUL": b'{"a": "x\\u0000y"}',
    "NUL in a name": b'{"x\\u0000": 1}',
    "bare NUL": b'{"a": "\x00"}',
    "deep lists": b"[" * 10_000 + b"]" * 10_000,
    "deep objects": b'{"a":' * 10_000 + b"1" + b"}" * 10_000,
    "just too deep": b"[" * (DEPTH + 2) + b"]" * (DEPTH + 2),
    "deep and unfinished": b"[" * 200_000,
    "empty": b"",
    "blank": b"  ",
    "two values": b"{} {}",
    "trailing comma": b'{"a": 1,}',
    "comment": b"{/* */}",
    "single quotes": b"{'a': 1}",
    "hexadecimal": b'{"a": 0x10}',
    "leading zero": b'{"a": 01}',
    "decimal comma": b'{"a": 1,5}',
    "plus sign": b'{"a": +1}',
    "raw line end in a text": b'{"a": "x\ny"}',
    "form": b"a=1&b=2",
}


@pytest.mark.parametrize("name", ODD)
def test_odd_json_is_refused_quickly(name: str) -> None:
    begun = time.perf_counter()
    with pytest.raises(BadJson) as refused:
        read_json(ODD[name])
    assert time.perf_counter() - begun < 1.0
    assert len(refused.value.detail) < 300


@pytest.mark.parametrize("name", sorted(set(ODD) - {"empty"}))
def test_odd_json_is_a_problem_at_the_door(company_a: World, name: str) -> None:
    answer = with_key(company_a).post("/customers", ODD[name])
    assert_problem(answer, 400, "bad-json")


def test_no_body_is_no_fields(company_a: World) -> None:
    assert_problem(with_key(company_a).post("/customers", b""), 422, "invalid")


@pytest.mark.parametrize(
    ("text", "value"),
    [
        (b'{"a": -0}', {"a": 0}),
        (b'{"a": 1e-400}', {"a": 0.0}),
        (b'{"a": "\\ud83d\\ude00"}', {"a": "😀"}),
        ('{"a": "ä\u202e"}'.encode(), {"a": "ä\u202e"}),
        (b"[" * DEPTH + b"]" * DEPTH, None),
        (b' {"a": null} ', {"a": None}),
    ],
)
def test_proper_json_is_read(text: bytes, value: Any) -> None:
    found = read_json(text)
    assert value is None or found == value


texts = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=20)
values = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(10**18), 10**18)
    | st.floats(allow_nan=False, allow_infinity=False)
    | texts,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(texts, inner, max_size=4),
    max_leaves=20,
)


@given(values)
@settings(deadline=None, max_examples=200)
def test_whatever_a_proper_writer_writes_is_read_back(value: Any) -> None:
    assert read_json(json.dumps(value).encode()) == value
    assert read_json(json.dumps(value, ensure_ascii=False).encode()) == value


@given(st.binary(max_size=60))
@settings(deadline=None, max_examples=300)
def test_any_bytes_are_read_or_refused(body: bytes) -> None:
    with suppress(BadJson):
        read_json(body)


class TestTypes:
    @pytest.mark.parametrize(
        ("body", "place"),
        [
            ({"standard_density": True}, "/standard_density"),
            ({"self_approval": "no"}, "/self_approval"),
            ({"self_approval": 0}, "/self_approval"),
            ({"name": 12}, "/name"),
            ({"name": ["x"]}, "/name"),
            ({"name": {"a": 1}}, "/name"),
            ({"name": None}, "/name"),
            ({"paper": None}, "/paper"),
            ({"Paper": "A4"}, "/Paper"),
            ({"a/b~c": 1}, "/a~1b~0c"),
        ],
    )
    def test_one_type_is_not_taken_for_another(self, company_a: World, body: Any, place: str) -> None:
        answer = signed_in(company_a).patch("/company", body, 1)
        assert_problem(answer, 422)
        assert pointers(answer) == [place]

    @pytest.mark.parametrize("body", [[], "text", 1, None, True, [{"name": "x"}]])
    def test_what_is_no_object_is_refused(self, company_a: World, body: Any) -> None:
        assert_problem(signed_in(company_a).post("/keys", body), 422)

    def test_text_is_stored_as_it_is(self, company_a: World) -> None:
        odd = "<script>alert(1)</script> {{7*7}} {% load x %} \u202eabc"
        answer = signed_in(company_a).patch("/company", {"letterhead": odd}, 1)
        assert answer.json()["letterhead"] == odd


class TestKinds:
    @pytest.mark.parametrize(
        "kind",
        [
            "text/plain",
            "application/x-www-form-urlencoded",
            "multipart/form-data; boundary=x",
            "application/xml",
        ],
    )
    def test_other_kinds_of_body_are_not_taken(self, company_a: World, kind: str) -> None:
        owner = signed_in(company_a)
        answer = owner.client.generic(
            "POST", "/api/v1/keys", b"{}", content_type=kind, headers={"Idempotency-Key": "k"}
        )
        assert_problem(answer, 415, "unsupported-media-type")

    def test_other_charset_is_not_taken(self, company_a: World) -> None:
        owner = signed_in(company_a)
        answer = owner.client.generic(
            "POST",
            "/api/v1/keys",
            b"{}",
            content_type="application/json; charset=utf-16",
            headers={"Idempotency-Key": "k"},
        )
        assert_problem(answer, 415)

    def test_C9_compressed_body_is_not_taken(self, company_a: World) -> None:
        answer = signed_in(company_a).post("/keys", b"\x1f\x8b\x08", **{"Content-Encoding": "gzip"})
        assert_problem(answer, 415)

    def test_C9_too_large_body_is_refused(self, company_a: World, settings: Any) -> None:
        settings.DATA_UPLOAD_MAX_MEMORY_SIZE = 1000
        answer = signed_in(company_a).post("/keys", {"name": "x" * 1000, "scopes": ["read"]})
        assert_problem(answer, 413, "too-large")
