"""The store of published values itself: complete, sourced, and every one of them used."""

import re
from pathlib import Path

from tests.standards.records import all_records

HERE = Path(__file__).parent


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
