"""Figures alone: a computation without what explains them, for thousands of sessions at once."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar

_brief = ContextVar("brief", default=False)


@contextmanager
def without_budgets() -> Iterator[None]:
    """Inside, results have the same digits but no budget rows and no digest of their inputs."""
    token = _brief.set(True)
    try:
        yield
    finally:
        _brief.reset(token)


def is_brief() -> bool:
    """Whether budgets and digests are left out."""
    return _brief.get()
