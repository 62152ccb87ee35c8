"""Makes the worker know what reports have due: importing the module registers its handler."""

from reports import issue

__all__ = ["issue"]
