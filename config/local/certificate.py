"""A self-signed certificate for one machine, so that reports made there are really signed.

It proves that a file was not changed since; who made it, only to those who know its fingerprint.
"""

import os
import secrets
from datetime import UTC, datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import BestAvailableEncryption, pkcs12

YEARS = 5
NAME = "Flowledger on one machine (self-signed)"


def kept_certificate(path: Path, password: str) -> Path:
    """The PKCS#12 file at `path`, made if it is not there; readable by its owner only."""
    if not path.exists():
        path.parent.mkdir(parents=True, exist_ok=True)
        draft = path.with_name(f".{path.name}.{os.getpid()}")
        with os.fdopen(os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "wb") as file:
            file.write(new_certificate(password))
        draft.rename(path)
    return path


def new_certificate(password: str) -> bytes:
    """PKCS#12 of a fresh P-256 key and its self-signed certificate for digital signatures."""
    key, now = ec.generate_private_key(ec.SECP256R1()), datetime.now(UTC)
    name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, NAME)])
    usage = x509.KeyUsage(True, True, False, False, False, False, False, False, False)
    certificate = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(secrets.randbits(120))
        .not_valid_before(now - timedelta(hours=1))
        .not_valid_after(now + timedelta(days=365 * YEARS))
        .add_extension(usage, critical=True)
        .sign(key, hashes.SHA256())
    )
    return pkcs12.serialize_key_and_certificates(
        b"flowledger", key, certificate, None, BestAvailableEncryption(password.encode())
    )
