"""Who answered for it, what left the house."""

from reports.models.revision import Issue, IssuedFile, Revision

__all__ = ["Issue", "IssuedFile", "Revision"]
