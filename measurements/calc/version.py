"""The version of the calculation, kept beside every result."""

CALCULATION_VERSION = "1"
"""Raised when a change alters any digit of any result. Frozen examples of every version stay in the tests."""
