"""What a file's signature says, from the file alone: whole or altered, by whom, when, how far to trust it.

Needs neither database nor network. A later incremental update counts as altered, whatever it changes, since a
report is signed so that nothing may follow.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import IO, Any

from asn1crypto import pem
from asn1crypto import x509 as asn1_x509
from django.utils import timezone
from django.utils.translation import gettext
from pyhanko.pdf_utils.reader import PdfFileReader
from pyhanko.sign.validation import validate_pdf_signature
from pyhanko.sign.validation.settings import KeyUsageConstraints
from pyhanko.sign.validation.status import SignatureCoverageLevel
from pyhanko_certvalidator import ValidationContext

from jobs.errors import Fault, Invalid
from reports.models import SignatureLevel

UNSIGNED = "the file is not signed"
USAGE = KeyUsageConstraints(key_usage={"digital_signature", "non_repudiation"}, match_all_key_usages=False)


@dataclass(frozen=True)
class Examined:
    """A file's signature, examined.

    `whole`: signed, to the last byte. `trusted`: whether the certificate leads to a trusted one at the time
    of signing; None when no trusted certificates were given. `time_trusted`: the same of the time stamp.
    """

    level: SignatureLevel = SignatureLevel.NONE
    signer: str = ""
    at: datetime | None = None
    fingerprint: str = ""
    faults: tuple[str, ...] = ()
    trusted: bool | None = None
    time_trusted: bool | None = None

    @property
    def whole(self) -> bool:
        return self.level is not SignatureLevel.NONE and not self.faults


def read_trust(data: bytes) -> list[asn1_x509.Certificate]:
    """Certificates to trust, PEM (any number) or DER. Raises Invalid."""
    try:
        if not pem.detect(data):
            return [asn1_x509.Certificate.load(data, strict=True)]
        return [asn1_x509.Certificate.load(der) for kind, _, der in pem.unarmor(data, multiple=True)
                if kind == "CERTIFICATE"]  # fmt: skip
    except ValueError as error:
        raise Invalid(
            gettext("The certificates to trust cannot be read: %(error)s") % {"error": error},
            [Fault("/trust", "unreadable")],
        ) from None


def examine(path: Path, trust: Sequence[asn1_x509.Certificate] = ()) -> Examined:
    """Examines the file; whatever a hostile file makes of its reader is a fault in the answer."""
    with path.open("rb") as file:
        try:
            return _examine(file, trust)
        except Exception as error:  # as in `filed.read`
            return Examined(faults=(f"the signature cannot be read: {type(error).__name__}",))


def _examine(file: IO[bytes], trust: Sequence[asn1_x509.Certificate]) -> Examined:
    reader = PdfFileReader(file)
    found = reader.embedded_signatures
    if len(found) != 1:
        what = f"the file carries {len(found)} signatures" if found else UNSIGNED
        return Examined(faults=(what,))
    signature = found[0]
    status = _validated(signature, trust, None)
    stamp = status.timestamp_validity
    if trust and stamp is not None and stamp.valid and stamp.intact and stamp.trusted:
        status = _validated(signature, trust, stamp.timestamp)
    faults = _faults(signature, status)
    stamped = stamp is not None and stamp.valid and stamp.intact
    certificate = signature.signer_cert
    return Examined(
        level=SignatureLevel.B_T if stamped else SignatureLevel.B_B,
        signer=_name(certificate),
        at=stamp.timestamp if stamped else signature.self_reported_timestamp,
        fingerprint=certificate.sha256.hex(),
        faults=tuple(faults),
        trusted=bool(status.trusted) if trust else None,
        time_trusted=bool(stamp.trusted) if trust and stamped else None,
    )


def _name(certificate: asn1_x509.Certificate) -> str:
    """Whom a certificate names: common name and organisation, as far as there are any."""
    native = certificate.subject.native
    found = [str(native[part]) for part in ("common_name", "organization_name") if native.get(part)]
    return ", ".join(dict.fromkeys(found))[:300] or str(certificate.subject.human_friendly)[:300]


def _faults(signature: Any, status: Any) -> list[str]:
    found = []
    if not status.intact:
        found.append("the signed bytes were changed")
    elif not status.valid:
        found.append("the signature does not fit its certificate")
    if status.coverage is not SignatureCoverageLevel.ENTIRE_FILE:
        found.append(
            "something was added to the file after it was signed, or the signature leaves part of it out"
        )
    if signature.docmdp_level is None or int(signature.docmdp_level.value) != 1:
        found.append("the signature does not forbid changes")
    stamp = status.timestamp_validity
    if stamp is not None and not (stamp.valid and stamp.intact):
        found.append("the time stamp inside the signature is broken")
    return found


def _validated(signature: Any, trust: Sequence[asn1_x509.Certificate], moment: datetime | None) -> Any:
    """The signature's status, its certificate looked at as of a moment (now without one); asks no network."""
    now = timezone.now()
    signer, stamp = (
        ValidationContext(trust_roots=list(trust), moment=at, allow_fetching=False)
        for at in (moment or now, now)
    )
    return validate_pdf_signature(
        signature,
        signer_validation_context=signer,
        ts_validation_context=stamp,
        key_usage_settings=USAGE,
    )
