"""Secrets of a company, encrypted at rest under SIGNING_KEY, which the database does not hold.

AES-256-GCM, bound to company and row. Each purpose has a key of its own, derived by HKDF-SHA-256, so that
what was sealed for one is never opened for another.
"""

from uuid import UUID

from django.conf import settings

from jobs import sealed
from jobs.sealed import Unreadable
from jobs.tenancy.context import current_company

__all__ = ["Unreadable", "can_seal", "seal", "unseal"]


def can_seal() -> bool:
    """Whether the operators set a key."""
    return bool(settings.SIGNING_KEYS)


def seal(purpose: bytes, clear: bytes, row_id: UUID) -> bytes:
    """Nonce and AES-256-GCM text under the first key."""
    return sealed.seal(clear, keys=settings.SIGNING_KEYS, purpose=purpose.decode(), place=_bound_to(row_id))


def unseal(purpose: bytes, stored: bytes, row_id: UUID) -> bytes:
    """Opens with the first key that fits. Raises Unreadable."""
    return sealed.unseal(
        stored, keys=settings.SIGNING_KEYS, purpose=purpose.decode(), place=_bound_to(row_id)
    )


def _bound_to(row_id: UUID) -> bytes:
    """So that a secret copied into another row or company does not open."""
    return current_company().bytes + row_id.bytes
