"""Short secrets at rest: AES-256-GCM under a key that the database does not hold, bound to their place."""

import secrets
from collections.abc import Iterator, Sequence

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF

NONCE_BYTES = 12


class Unreadable(Exception):
    """A stored secret opens under none of the keys there are."""


def seal(clear: bytes, *, keys: Sequence[bytes], purpose: str, place: bytes) -> bytes:
    """Nonce and AES-256-GCM text under the first key; opens only for the same purpose and place."""
    nonce = secrets.token_bytes(NONCE_BYTES)
    return nonce + AESGCM(next(_derived(keys, purpose))).encrypt(nonce, clear, place)


def unseal(stored: bytes, *, keys: Sequence[bytes], purpose: str, place: bytes) -> bytes:
    """Opens with the first key that fits. Raises Unreadable."""
    for key in _derived(keys, purpose):
        try:
            return AESGCM(key).decrypt(stored[:NONCE_BYTES], stored[NONCE_BYTES:], place)
        except InvalidTag:
            continue
    raise Unreadable(f"{purpose}: opens under none of the keys")


def _derived(keys: Sequence[bytes], purpose: str) -> Iterator[bytes]:
    for key in keys:
        yield HKDF(algorithm=SHA256(), length=32, salt=None, info=purpose.encode()).derive(key)
