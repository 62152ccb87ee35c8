"""Which addresses the service may call in somebody's name: public ones, by https, and nothing else.

Looked at twice: when an address is entered, and on the very IP address that a connection goes to. The table
is that of the IANA special-purpose address registries (RFC 6890 and its updates); Python's `is_global` is not
used, because Python 3.11 calls NAT64, 6to4 and IPv4-compatible forms of private addresses global.
"""

import ipaddress
import re
import socket
from concurrent.futures import ThreadPoolExecutor
from concurrent.futures import TimeoutError as TookTooLong
from dataclasses import dataclass
from typing import TypeAlias

from django.conf import settings
from django.utils.translation import gettext as _

Address: TypeAlias = ipaddress.IPv4Address | ipaddress.IPv6Address
LONGEST = 500
LOOKUP_SECONDS = 4.0
PORTS = (443, 8443)
FIRST_FREE_PORT = 1024
_URL = re.compile(
    r"(?P<scheme>https?)://(?P<host>[A-Za-z0-9.-]{1,253})(?::(?P<port>[0-9]{1,5}))?"
    r"(?:/[A-Za-z0-9\-._~!$&'()*+,;=:@%/]*)?(?:\?[A-Za-z0-9\-._~!$&'()*+,;=:@%/?]*)?"
)
_LABEL = re.compile(r"[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?")
_NO_PUBLIC_NAME = re.compile(
    r"(^|\.)(localhost|local|internal|intranet|lan|home|corp|onion|arpa|test|invalid|example)$"
)
_V4_REFUSED = [
    ipaddress.ip_network(text)
    for text in (
        "0.0.0.0/8", "10.0.0.0/8", "100.64.0.0/10", "127.0.0.0/8", "169.254.0.0/16", "172.16.0.0/12",
        "192.0.0.0/24", "192.0.2.0/24", "192.31.196.0/24", "192.52.193.0/24", "192.88.99.0/24",
        "192.168.0.0/16", "192.175.48.0/24", "198.18.0.0/15", "198.51.100.0/24", "203.0.113.0/24",
        "224.0.0.0/4", "240.0.0.0/4",
    )
]  # fmt: skip
_V6_UNICAST = ipaddress.ip_network("2000::/3")
"""All that is public so far. Outside lie ::, ::1, mapped and compatible IPv4, NAT64, link and site local."""
_V6_REFUSED = [
    ipaddress.ip_network(text)
    for text in ("2001::/23", "2001:db8::/32", "2002::/16", "2620:4f:8000::/48", "3fff::/20")
]
_ISATAP = (0x0000_5EFE, 0x0200_5EFE)
"""Upper half of an interface id that carries an IPv4 address (RFC 5214)."""


class NotPublic(Exception):
    """The address may not be connected to."""


class NoAddress(Exception):
    """The host name leads nowhere, or nobody said where in time."""


@dataclass(frozen=True)
class Place:
    """Where a URL leads, as far as it may be called."""

    scheme: str
    host: str
    port: int


def read_url(url: str) -> Place:
    """The parts of a URL that keeps the rules; no lookup. Raises ValueError with words for its writer."""
    if len(url) > LONGEST:
        raise ValueError(_("At most %(most)d characters.") % {"most": LONGEST})
    found = _URL.fullmatch(url)
    if found is None:
        raise ValueError(
            _(
                "Write https://, the host's name in plain letters (xn-- for others), perhaps a port, and a "
                "path; no name or password before an @, no #."
            )
        )
    place = Place(found["scheme"], found["host"].lower(), int(found["port"] or _usual(found["scheme"])))
    if place.scheme != "https" and not settings.WEBHOOK_TEST_NETWORKS:
        raise ValueError(_("Only https:// is called."))
    _check_port(place.port)
    _check_host(place.host)
    return place


def _usual(scheme: str) -> int:
    return 443 if scheme == "https" else 80


def _check_port(port: int) -> None:
    if port not in PORTS and not FIRST_FREE_PORT <= port <= 65535:
        raise ValueError(_("Port 443, or one from 1024 up."))


def _check_host(host: str) -> None:
    try:
        literal = ipaddress.ip_address(host)
    except ValueError:
        pass
    else:
        if _for_tests(literal):
            return
        raise ValueError(_("Write the host's name, not a number: its certificate is for the name."))
    labels = host.split(".")
    if len(labels) < 2 or not all(_LABEL.fullmatch(label) for label in labels):
        raise ValueError(_("This is no full host name, such as hooks.example.com."))
    if not re.search("[a-z]", labels[-1]) or labels[-1].startswith("0x"):
        raise ValueError(_("Write the host's name, not a number: its certificate is for the name."))
    if _NO_PUBLIC_NAME.search(host) and not settings.WEBHOOK_TEST_NETWORKS:
        raise ValueError(_("This name is for private networks only."))


def check_public(text: str) -> Address:
    """The IP address that a connection is about to go to. Raises NotPublic."""
    try:
        address: Address = ipaddress.ip_address(text.strip("[]"))
    except ValueError:
        raise NotPublic(text) from None
    if not (_for_tests(address) or is_public(address)):
        raise NotPublic(str(address))
    return address


def is_public(address: Address) -> bool:
    """Whether it is an ordinary host's on the public internet, in none of its disguises."""
    if any(address in network for network in settings.WEBHOOK_REFUSED_NETWORKS):
        return False
    if isinstance(address, ipaddress.IPv4Address):
        return not any(address in network for network in _V4_REFUSED)
    if address.scope_id or address not in _V6_UNICAST or any(address in one for one in _V6_REFUSED):
        return False
    return (int(address) >> 32) & 0xFFFF_FFFF not in _ISATAP


def _for_tests(address: Address) -> bool:
    """Loopback addresses that a test run's settings open; never any in service."""
    return any(address in network for network in settings.WEBHOOK_TEST_NETWORKS)


def lookup(place: Place) -> list[str]:
    """Every address of the host. Raises NoAddress."""
    pool = ThreadPoolExecutor(1)
    try:
        asked = pool.submit(socket.getaddrinfo, place.host, place.port, type=socket.SOCK_STREAM)
        found = asked.result(LOOKUP_SECONDS)
    except (OSError, UnicodeError, TookTooLong):
        raise NoAddress(place.host) from None
    finally:
        pool.shutdown(wait=False)
    return [str(one[4][0]) for one in found]


def check_where(place: Place) -> None:
    """Looks the host up; each of its addresses must be public. Raises NotPublic, NoAddress."""
    for text in lookup(place):
        check_public(text)
