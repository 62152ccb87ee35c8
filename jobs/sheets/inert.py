"""Texts in the CSV files that we hand out: none of them is a formula to a spreadsheet (OWASP ASVS 1.2.10)."""

FORMULA = ("=", "+", "-", "@", "\t", "\r")
QUOTE = "'"


def inert(text: str) -> str:
    """Text that no spreadsheet takes for a formula: a quote stands before one that begins like it.

    Quotes before such a beginning are quoted too, so that `plain` gives back every text.
    """
    return f"{QUOTE}{text}" if text.lstrip(QUOTE).startswith(FORMULA) else text


def plain(text: str) -> str:
    """The text that `inert` made inert; others as they are."""
    quoted = text.startswith(QUOTE) and text.lstrip(QUOTE).startswith(FORMULA)
    return text[1:] if quoted else text
