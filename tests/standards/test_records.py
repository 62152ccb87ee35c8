"""The store of published values itself: complete, sourced, and every one of them used."""

import re
from pathlib import Path

import pytest

from tests.standards import records
from tests.standards.page import page, unique
from tests.standards.records import Record, all_records

HERE = Path(__file__).parent
EXAMPLE = Record(
    "example",
    "things",
    "A | thing",
    {},
    {"x": (2.0, "m"), "many": ([1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0], "1"), "word": ("yes", "-")},
    {"type": "rel", "value": 0.01, "many": 0.02},
    "a source",
    "derived",
    "high",
)


def test_every_record_has_a_source_a_provenance_and_a_tolerance() -> None:
    for r in all_records().values():
        assert r.source, r.id
        assert r.title, r.id
        assert r.provenance in {"read", "library", "derived", "memory", "practice"}, r.id
        assert r.tolerance["type"] in {"abs", "rel", "exact"}, r.id


def test_every_record_is_checked_by_some_test() -> None:
    text = "".join(p.read_text(encoding="utf-8") for p in HERE.glob("test_*.py"))
    named = set(re.findall(r'"([a-z0-9][a-z0-9.\-]+)"', text))
    assert set(all_records()) - named == set()


def test_the_page_of_checks_names_every_record() -> None:
    """Written anew by `python -m tests.standards.page`."""
    text = (HERE / "CHECKS.md").read_text(encoding="utf-8")
    named = set(re.findall(r"^\| `([^`]+)` \|", text, re.MULTILINE))
    assert named == set(all_records())
    for r in all_records().values():
        assert r.source.replace("|", "\\|") in text, r.id


@pytest.fixture
def found(monkeypatch: pytest.MonkeyPatch) -> list[records.Check]:
    """Comparisons of this test alone."""
    own: list[records.Check] = []
    monkeypatch.setattr(records, "FOUND", own)
    return own


def test_the_page_shows_what_was_compared(found: list[records.Check]) -> None:
    EXAMPLE.check(x=2.0049999, word="yes")
    EXAMPLE.check(x=2.0049999)
    EXAMPLE.check(many=[1.0, 2.0, 3.03, 4.0, 5.0, 6.0, 7.0])
    EXAMPLE.near("x", 2.5, within=0.6)
    with pytest.raises(AssertionError, match=r"example x\[0\]: 2\.03, expected 2\.0 \+- 0\.02 \(a source\)"):
        EXAMPLE.check(x=2.03)
    with pytest.raises(AssertionError, match=r"example x: 3\.0, expected 2\.0"):
        EXAMPLE.near("x", 3.0, within=0.6)
    with pytest.raises(AssertionError):
        EXAMPLE.check(word="no")
    assert len(unique(found)) == 13
    lines = page([EXAMPLE], found[:10]).splitlines()
    about = "A \\| thing. a source (derived, confidence high)"
    assert f"| `example` | many 3, worst of 7 | 3 | 3.03 | +0.03 | ±0.02 of it | {about} |" in lines
    assert "|  | word | yes | yes | none | exact |  |" in lines
    assert "|  | x (m) | 2 | 2.005 | +0.005 | ±0.01 of it |  |" in lines
    assert "| derived | 1 | 9 |" in lines
    assert "## Things" in lines
