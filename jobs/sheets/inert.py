"""Texts in the CSV files that we hand out: none of them is a formula to a spreadsheet (OWASP ASVS 1.2.10)."""

FORMULA = ("=", "+", "-", "@", "\t", "\r")


def inert(text: str) -> str:
    """Text that no spreadsheet takes for a formula: a quote stands before one that begins like it."""
    return f"'{text}" if text.startswith(FORMULA) else text
