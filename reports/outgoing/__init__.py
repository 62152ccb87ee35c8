"""Requests to addresses that others chose: which may be called, and one bounded exchange."""
