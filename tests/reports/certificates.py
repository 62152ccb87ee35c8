"""Certificates and a time server for tests, made on the spot."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, HTTPServer
from threading import Thread
from typing import Any

from asn1crypto import keys as asn1_keys
from asn1crypto import tsp
from asn1crypto import x509 as asn1_x509
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import rsa
from cryptography.hazmat.primitives.serialization import BestAvailableEncryption, pkcs12
from pyhanko.sign.timestamps import DummyTimeStamper
from pyhanko_certvalidator.registry import SimpleCertificateStore

from reports.sign import Identity

DER = serialization.Encoding.DER
PASSWORD = "open it once"
DAY = timedelta(days=1)
ISSUER = "Harbour Test Authority"


def key_of(bits: int = 2048) -> rsa.RSAPrivateKey:
    return rsa.generate_private_key(65537, bits)


AUTHORITY_KEY = key_of()


def certificate(
    name: str,
    key: Any,
    *,
    begins: timedelta = -DAY,
    ends: timedelta = 300 * DAY,
    signs: bool = True,
    usage: tuple[x509.ObjectIdentifier, ...] = (),
    authority: bool = False,
) -> x509.Certificate:
    """A certificate from the tests' authority, or that authority's own."""
    now, common = datetime.now(UTC), x509.NameOID.COMMON_NAME
    made = (
        x509.CertificateBuilder()
        .subject_name(x509.Name([x509.NameAttribute(common, name)]))
        .issuer_name(x509.Name([x509.NameAttribute(common, ISSUER)]))
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now + begins)
        .not_valid_after(now + ends)
        .add_extension(x509.BasicConstraints(ca=authority, path_length=None), critical=True)
        .add_extension(
            x509.KeyUsage(signs, False, not signs, False, False, authority, authority, False, False), True
        )
    )
    if usage:
        made = made.add_extension(x509.ExtendedKeyUsage(usage), critical=True)
    return made.sign(AUTHORITY_KEY, hashes.SHA256())


AUTHORITY = certificate(ISSUER, AUTHORITY_KEY, begins=-3000 * DAY, ends=3000 * DAY, authority=True)
PEM = AUTHORITY.public_bytes(serialization.Encoding.PEM)


def identity(name: str = "Balance House Ltd", **facts: Any) -> Identity:
    key = key_of(facts.pop("bits", 2048))
    return Identity(certificate(name, key, **facts), (AUTHORITY,), key)


def pkcs12_of(one: Identity, password: str = PASSWORD) -> bytes:
    return pkcs12.serialize_key_and_certificates(
        b"signing", one.key, one.certificate, list(one.chain), BestAvailableEncryption(password.encode())
    )


def time_stamper(moment: datetime | None = None) -> DummyTimeStamper:
    """A time-stamp authority under the tests' authority, in the process."""
    key = key_of()
    own = certificate(
        "Harbour Time", key, begins=-2000 * DAY, usage=(x509.ExtendedKeyUsageOID.TIME_STAMPING,)
    )
    secret = key.private_bytes(DER, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    return DummyTimeStamper(
        asn1_x509.Certificate.load(own.public_bytes(DER)),
        asn1_keys.PrivateKeyInfo.load(secret),
        certs_to_embed=SimpleCertificateStore.from_certs(
            [asn1_x509.Certificate.load(AUTHORITY.public_bytes(DER))]
        ),
        fixed_dt=moment,
    )


@contextmanager
def time_server(status: int = 200, location: str = "") -> Iterator[str]:
    """The same behind HTTP on this machine; `status` other than 200 is answered instead."""
    stamper = time_stamper()

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            answer = (
                stamper.request_tsa_response(tsp.TimeStampReq.load(body)).dump() if status == 200 else b""
            )
            self.send_response(status)
            if location:
                self.send_header("Location", location)
            self.send_header("Content-Type", "application/timestamp-reply")
            self.send_header("Content-Length", str(len(answer)))
            self.end_headers()
            self.wfile.write(answer)

        def log_message(self, *arguments: Any) -> None:
            """Nothing."""

    server = HTTPServer(("127.0.0.1", 0), Handler)
    thread = Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}/"
    finally:
        server.shutdown()
        server.server_close()
