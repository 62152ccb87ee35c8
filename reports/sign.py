"""Signs a finished report: PAdES over the whole file, nothing after it may change (ETSI EN 319 142-1).

Nothing is written into the file after that. The level reached is read back out of the signed file, never
assumed. pyHanko's own habits are known: it rewrites the metadata packet of its increment and would break
PDF/A, and a field that it adds is untagged and would break PDF/UA; so the first is switched off and the field
comes with the join.
"""

import asyncio
import os
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import requests
from asn1crypto import keys as asn1_keys
from asn1crypto import tsp
from asn1crypto import x509 as asn1_x509
from cryptography import x509
from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.hazmat.primitives.serialization import pkcs12
from django.conf import settings
from django.utils import timezone
from django.utils.translation import gettext
from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
from pyhanko.sign import signers
from pyhanko.sign.fields import MDPPerm, SigSeedSubFilter
from pyhanko.sign.timestamps import TimeStamper
from pyhanko.sign.timestamps.common_utils import TimestampRequestError, set_tsp_headers
from pyhanko_certvalidator.registry import SimpleCertificateStore

from jobs.errors import Fault, Invalid
from reports.models import SignatureLevel
from reports.render.join import SIGNATURE_FIELD
from reports.signed import examine

MOST_PKCS12 = 64 * 1024
LEAST_RSA = 2048
CURVES = {"secp256r1", "secp384r1", "secp521r1"}
MOST_TOKEN = 64 * 1024
Key = rsa.RSAPrivateKey | ec.EllipticCurvePrivateKey


class TimeServerAway(Exception):
    """The time server gave no usable answer; the message says why."""


@dataclass(frozen=True)
class Identity:
    """A certificate with its chain and private key. `own`: the company's; else that of this installation."""

    certificate: x509.Certificate
    chain: tuple[x509.Certificate, ...]
    key: Key = field(repr=False)
    own: bool = True

    @property
    def subject(self) -> str:
        return name_words(self.certificate.subject)

    @property
    def issuer(self) -> str:
        return name_words(self.certificate.issuer)

    @property
    def serial(self) -> str:
        return f"{self.certificate.serial_number:x}"

    @property
    def fingerprint(self) -> str:
        """SHA-256 of the certificate in DER."""
        return self.certificate.fingerprint(hashes.SHA256()).hex()

    @property
    def self_signed(self) -> bool:
        return self.certificate.subject == self.certificate.issuer

    def in_force(self, moment: datetime) -> bool:
        return self.certificate.not_valid_before_utc <= moment <= self.certificate.not_valid_after_utc

    @property
    def pem(self) -> bytes:
        """The certificates, the signing one first."""
        return b"".join(
            one.public_bytes(serialization.Encoding.PEM) for one in (self.certificate, *self.chain)
        )

    @property
    def key_der(self) -> bytes:
        """The private key as PKCS#8, in clear: to be encrypted at once."""
        return self.key.private_bytes(
            serialization.Encoding.DER, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
        )

    @classmethod
    def stored(cls, pem: bytes, key_der: bytes) -> "Identity":
        """From what `pem` and `key_der` gave. Raises ValueError."""
        first, *rest = x509.load_pem_x509_certificates(pem)
        key = serialization.load_der_private_key(key_der, None)
        if not isinstance(key, Key):
            raise ValueError("neither an RSA nor an elliptic-curve key")
        return cls(first, tuple(rest), key)


@dataclass(frozen=True)
class Signature:
    """How a file is signed, as it was read back out of it."""

    level: SignatureLevel = SignatureLevel.NONE
    signer: str = ""
    at: datetime | None = None
    fingerprint: str = ""


UNSIGNED = Signature()


def name_words(name: x509.Name) -> str:
    """A distinguished name in words: common name, organisation, country; what there is of them."""
    oids = (x509.NameOID.COMMON_NAME, x509.NameOID.ORGANIZATION_NAME, x509.NameOID.COUNTRY_NAME)
    found = [str(one.value) for oid in oids for one in name.get_attributes_for_oid(oid)]
    return ", ".join(dict.fromkeys(found))[:300] or name.rfc4514_string()[:300]


def read_pkcs12(data: bytes, password: str) -> Identity:
    """Certificate, chain and key of a PKCS#12 file, fit to sign with now.

    Raises Invalid: too large, not readable or wrong password, expired or not yet valid, a weak key, or a
    certificate that is not for digital signatures.
    """
    if len(data) > MOST_PKCS12:
        most = f"A certificate with its chain has less than {MOST_PKCS12 // 1024} kB."
        raise Invalid(most, [Fault("/file", gettext("is too large"))])
    try:
        key, certificate, others = pkcs12.load_key_and_certificates(data, password.encode() or None)
    except (ValueError, UnsupportedAlgorithm):
        raise Invalid(
            gettext(
                "The file does not open: it is no PKCS#12 file (.p12, .pfx), or the password is another one."
            ),
            [Fault("/password", gettext("does not open the file, or the file is no PKCS#12 file"))],
        ) from None
    if key is None or certificate is None:
        raise Invalid(
            gettext("The file must hold a certificate and its private key."),
            [Fault("/file", gettext("lacks one"))],
        )
    if not isinstance(key, Key):
        raise Invalid(
            gettext("Only RSA and elliptic-curve keys can sign."),
            [Fault("/file", gettext("has another key"))],
        )
    found = Identity(certificate, tuple(others), key)
    faults = [Fault("/file", what) for what in unfit(found, timezone.now())]
    if faults:
        raise Invalid(
            gettext("This certificate can't sign reports: ") + "; ".join(f.detail for f in faults) + ".",
            faults,
        )
    return found


def unfit(identity: Identity, moment: datetime) -> list[str]:
    """Why a certificate can't sign at a moment; empty when it can."""
    certificate, found = identity.certificate, []
    if moment > certificate.not_valid_after_utc:
        found.append(f"it ended on {certificate.not_valid_after_utc:%Y-%m-%d}")
    if moment < certificate.not_valid_before_utc:
        found.append(f"it begins only on {certificate.not_valid_before_utc:%Y-%m-%d}")
    if isinstance(identity.key, rsa.RSAPrivateKey) and identity.key.key_size < LEAST_RSA:
        found.append(f"its RSA key has {identity.key.key_size} bits; {LEAST_RSA} is the least")
    if isinstance(identity.key, ec.EllipticCurvePrivateKey) and identity.key.curve.name not in CURVES:
        found.append(f"its curve {identity.key.curve.name} is none of {', '.join(sorted(CURVES))}")
    if not _may_sign(certificate):
        found.append("its key usage holds neither digital signature nor content commitment")
    return found


def _may_sign(certificate: x509.Certificate) -> bool:
    try:
        usage = certificate.extensions.get_extension_for_class(x509.KeyUsage).value
    except x509.ExtensionNotFound:
        return False
    return bool(usage.digital_signature or usage.content_commitment)


@cache
def installed(path: str, password: str) -> Identity | None:
    """The certificate of this installation, from the settings; None when none is named.

    Raises Invalid when the file can't be used: better no report than one that is signed by nobody.
    """
    if not path:
        return None
    found = read_pkcs12(Path(path).read_bytes(), password)
    return Identity(found.certificate, found.chain, found.key, own=False)


class TimeServer(TimeStamper):  # type: ignore[misc]
    """A time-stamp authority asked over HTTP (RFC 3161): one host, no redirects, bounded time and size."""

    def __init__(self, url: str, timeout: float) -> None:
        super().__init__()
        self.url, self.timeout = url, timeout

    async def async_request_tsa_response(self, req: tsp.TimeStampReq) -> tsp.TimeStampResp:
        return await asyncio.to_thread(self._ask, req.dump())

    def _ask(self, body: bytes) -> tsp.TimeStampResp:
        try:
            with requests.post(
                self.url,
                data=body,
                headers=set_tsp_headers({}),
                timeout=self.timeout,
                allow_redirects=False,
                stream=True,
            ) as answer:
                if answer.status_code != requests.codes.ok:
                    raise TimeServerAway(f"{self.host} answered {answer.status_code}")
                token = answer.raw.read(MOST_TOKEN + 1, decode_content=True)
        except (requests.RequestException, OSError) as error:
            raise TimeServerAway(f"{self.host}: {type(error).__name__}") from None
        if len(token) > MOST_TOKEN:
            raise TimeServerAway(
                gettext("%(host)s answered more than %(most_token)s bytes")
                % {"host": self.host, "most_token": MOST_TOKEN}
            )
        try:
            return tsp.TimeStampResp.load(token, strict=True)
        except ValueError:
            raise TimeServerAway(gettext("%(host)s answered no time stamp") % {"host": self.host}) from None

    @property
    def host(self) -> str:
        return urlsplit(self.url).hostname or self.url


def time_server() -> TimeServer | None:
    """The one that the settings name."""
    return TimeServer(settings.TSA_URL, settings.TSA_TIMEOUT) if settings.TSA_URL else None


def sign_file(path: Path, identity: Identity, stamper: TimeStamper | None = None) -> Signature:
    """Signs the file in place, with a time stamp inside the signature when there is a `stamper`.

    The file is replaced only when it is signed and was read back. Raises TimeServerAway; RuntimeError when
    the signature does not read back.
    """
    target = path.with_name(f"{path.name}.signed")
    metadata = signers.PdfSignatureMetadata(
        field_name=SIGNATURE_FIELD,
        name=identity.subject,
        subfilter=SigSeedSubFilter.PADES,
        md_algorithm="sha256",
        certify=True,
        docmdp_permissions=MDPPerm.NO_CHANGES,
    )
    try:
        with path.open("rb") as source, target.open("w+b") as out:
            writer: Any = IncrementalPdfFileWriter(source)
            writer._update_meta = lambda: None  # the packet keeps its PDF/A extension schema
            pdf = signers.PdfSigner(metadata, signer=_signer(identity), timestamper=stamper)
            asyncio.run(pdf.async_sign_pdf(writer, existing_fields_only=True, output=out))
            out.flush()
            os.fsync(out.fileno())
        found = _read_back(target, identity)
        target.replace(path)
    except TimestampRequestError as error:
        raise TimeServerAway(str(error)) from error
    finally:
        target.unlink(missing_ok=True)
    return found


def _signer(identity: Identity) -> signers.SimpleSigner:
    encoding = serialization.Encoding.DER
    return signers.SimpleSigner(
        signing_cert=asn1_x509.Certificate.load(identity.certificate.public_bytes(encoding)),
        signing_key=asn1_keys.PrivateKeyInfo.load(identity.key_der),
        cert_registry=SimpleCertificateStore.from_certs(
            [asn1_x509.Certificate.load(one.public_bytes(encoding)) for one in identity.chain]
        ),
    )


def _read_back(path: Path, identity: Identity) -> Signature:
    found = examine(path)
    if not found.whole or found.fingerprint != identity.fingerprint:
        raise RuntimeError(f"the signature does not read back: {'; '.join(found.faults)}")
    return Signature(found.level, identity.subject, found.at, found.fingerprint)


def words(identity: Identity | None, stamped: bool) -> Sequence[tuple[str, str]]:
    """What the report prints of its signature before it is signed: names and values. Never the level."""
    if identity is None:
        return (
            (
                "Signature",
                "None. This file is not signed; its SHA-256 is kept and compared by the public page.",
            ),
        )
    whose = "the company's own certificate" if identity.own else "the certificate of the service that made it"
    time = (
        "A time server is asked for a trusted time inside the signature; the public page tells whether it "
        "gave one."
        if stamped
        else "The time in the signature is that of the service itself."
    )
    alone = (
        " It is self-signed: it shows that the file was not changed since, not by itself who made it."
        if identity.self_signed
        else ""
    )
    end = f"{identity.certificate.not_valid_after_utc:%Y-%m-%d}"
    named = f"{identity.subject}; from {identity.issuer}; serial {identity.serial}; ends {end}.{alone}"
    return (
        ("Signature", f"PAdES, with {whose}. Nothing may change after it. {time}"),
        ("Signing certificate", named),
        ("Certificate, SHA-256", identity.fingerprint),
    )  # fmt: skip
