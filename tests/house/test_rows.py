"""Every row of the table of bad inputs has a test that carries its label, as `test_A3_…` does."""

import ast
import re
from collections import defaultdict
from functools import cache
from pathlib import Path

TESTS = Path(__file__).resolve().parents[1]
_LABEL = re.compile(r"test_([A-Z]\d{1,2})_")

ROWS = {
    "A1": "a post without a key", "A2": "the same key and body twice", "A3": "the same key, another body",
    "A4": "one key many times at once", "A5": "malformed keys", "A6": "another company's key",
    "A8": "an answer that was lost", "A10": "known readings under a new key",
    "A11": "a known id with other content", "A13": "sizes of a batch", "A15": "forty batches in any order",
    "B1": "another company's id at each address", "B2": "another company's id in a body",
    "B3": "a company named by the caller", "B5": "another company's node", "B7": "files and links of others",
    "B9": "a token after its person left", "B10": "a forged message in the queue",
    "B12": "a long export among others", "B13": "people without a company", "B15": "forged hosts",
    "C1": "what is no figure", "C2": "what is no JSON", "C3": "impossible times", "C5": "units and slips",
    "C6": "impossible uncertainties", "C7": "certificates out of date", "C9": "bombs and slow bodies",
    "C10": "too many parameters", "C11": "fields that nobody may write", "C12": "hostile text",
    "C14": "methods that are not served", "D1": "deep and wide queries", "D2": "batches of operations",
    "D4": "a schema without a key", "D5": "changes by the wrong way", "E1": "bombs in workbooks",
    "E2": "declared sizes", "E3": "names of files", "E4": "what is no photo", "E5": "cells that compute",
    "E7": "many uploads at once", "W1": "odd addresses of webhooks", "W2": "inner addresses of webhooks",
    "W4": "hostile receivers", "W5": "receivers that fail", "W7": "work that was undone",
    "W8": "a receiver that was away", "G1": "approvals out of order", "G3": "changes after approval",
    "G4": "edits in the database", "G6": "edits of the file", "G7": "a time server that is away",
    "H1": "keys that are none", "H2": "guessing", "H3": "who exists", "H5": "what is not for the web",
    "H6": "secrets where they must not be", "I1": "work that kills", "I2": "work told twice",
    "I4": "messages that are none",
}  # fmt: skip


@cache
def found() -> dict[str, list[str]]:
    """Tests by the label in their name."""
    named = defaultdict(list)
    for path in sorted(TESTS.rglob("test_*.py")):
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.FunctionDef) and (label := _LABEL.match(node.name)):
                named[label.group(1)].append(f"{path.relative_to(TESTS)}::{node.name}")
    return dict(named)


def test_every_row_has_a_test_that_names_it() -> None:
    assert sorted(set(ROWS) - set(found())) == []
