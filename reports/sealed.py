"""Secrets of a company, encrypted at rest under SIGNING_KEY, which the database does not hold.

AES-256-GCM, bound to company and row. Each purpose has a key of its own, derived by HKDF-SHA-256, so that
what was sealed for one is never opened for another.
"""

import secrets
from collections.abc import Iterator
from uuid import UUID

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF
from django.conf import settings

from jobs.tenancy.context import current_company

NONCE_BYTES = 12


class Unreadable(Exception):
    """What is stored opens under none of the keys in SIGNING_KEY and SIGNING_KEY_FALLBACKS."""


def can_seal() -> bool:
    """Whether the operators set a key."""
    return bool(settings.SIGNING_KEYS)


def seal(purpose: bytes, clear: bytes, row_id: UUID) -> bytes:
    """Nonce and AES-256-GCM text under the first key."""
    nonce = secrets.token_bytes(NONCE_BYTES)
    return nonce + AESGCM(next(_keys(purpose))).encrypt(nonce, clear, _bound_to(row_id))


def unseal(purpose: bytes, stored: bytes, row_id: UUID) -> bytes:
    """Opens with the first key that fits. Raises Unreadable."""
    for key in _keys(purpose):
        try:
            return AESGCM(key).decrypt(stored[:NONCE_BYTES], stored[NONCE_BYTES:], _bound_to(row_id))
        except InvalidTag:
            continue
    raise Unreadable("a stored secret opens under none of SIGNING_KEY and its fallbacks")


def _keys(purpose: bytes) -> Iterator[bytes]:
    for secret in settings.SIGNING_KEYS:
        yield HKDF(algorithm=SHA256(), length=32, salt=None, info=purpose).derive(secret)


def _bound_to(row_id: UUID) -> bytes:
    """So that a secret copied into another row or company does not open."""
    return current_company().bytes + row_id.bytes
