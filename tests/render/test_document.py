"""The frozen content: canonical bytes, digest, what is refused."""

import msgspec
import pytest

from reports.document import SCHEMA, Measured, digest, from_bytes, to_bytes
from tests.render.sample import sample


def test_bytes_survive_being_read_back() -> None:
    data = to_bytes(sample())
    assert to_bytes(from_bytes(data)) == data
    assert digest(data) == digest(to_bytes(sample()))
    assert len(digest(data)) == 64


def test_keys_are_sorted_and_schema_named() -> None:
    tree = msgspec.json.decode(to_bytes(sample()))
    assert list(tree) == sorted(tree)
    assert tree["schema"] == SCHEMA == "flowledger.report/1"


def test_whole_numbers_do_not_change_the_digest() -> None:
    document = sample()
    system = document.systems[0]
    sheet = msgspec.structs.replace(system.sheets[0], actual=Measured(value=2, expanded=0))
    floats = msgspec.structs.replace(system.sheets[0], actual=Measured(value=2.0, expanded=0.0))

    def with_sheet(one: object) -> bytes:
        changed = msgspec.structs.replace(system, sheets=(one,))
        return to_bytes(msgspec.structs.replace(document, systems=(changed,)))

    assert with_sheet(sheet) == with_sheet(floats)


@pytest.mark.parametrize("value", [float("nan"), float("inf"), "2"])
def test_what_is_no_number_is_refused_with_its_place(value: object) -> None:
    document = sample()
    check = msgspec.structs.replace(document.systems[0].sheets[0], lowest=value)
    system = msgspec.structs.replace(document.systems[0], sheets=(check,))
    with pytest.raises(msgspec.ValidationError, match=r"\$\.systems\[0\]\.sheets\[0\]\.lowest|\$\.systems"):
        to_bytes(msgspec.structs.replace(document, systems=(system,)))


def test_unknown_fields_and_other_schemas_are_refused() -> None:
    tree = msgspec.json.decode(to_bytes(sample()))
    with pytest.raises(msgspec.ValidationError, match="unknown field `more`"):
        from_bytes(msgspec.json.encode(tree | {"more": 1}))
    with pytest.raises(msgspec.ValidationError, match="schema"):
        from_bytes(msgspec.json.encode(tree | {"schema": "flowledger.report/2"}))


def test_nothing_can_be_changed() -> None:
    document = sample()
    with pytest.raises(AttributeError):
        document.company = None  # type: ignore[misc,assignment]
