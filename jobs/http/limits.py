"""How often somebody may try. Counters live in the cache; without it, in this process.

So an absent cache neither stops the work nor opens the door to guessing.
"""

import ipaddress
import logging
import time
from collections.abc import Callable
from hashlib import sha256
from typing import Any

from django.conf import settings
from django.core.cache import cache
from django.core.cache.backends.base import BaseCache
from django.core.cache.backends.locmem import LocMemCache
from django.http import HttpRequest
from django.utils.translation import gettext

from jobs.errors import TooMany
from jobs.http.problem import wants_problem

log = logging.getLogger(__name__)
REST_SECONDS = 5.0
_local = LocMemCache("limits", {"MAX_ENTRIES": 10_000})
_away_until = 0.0


def _key(name: str, seconds: int) -> str:
    """Windows are fixed: they start at whole multiples of their length. Names of people stay out."""
    return f"limit:{sha256(name.encode()).hexdigest()}:{seconds}:{int(time.time()) // seconds}"


def count(name: str, seconds: int) -> int:
    """Counts one more under a name and returns how many there were in this window of `seconds`."""
    key = _key(name, seconds)
    return int(_in_cache(lambda store: _increase(store, key, seconds)))


def counted(name: str, seconds: int) -> int:
    """How many there were in this window."""
    key = _key(name, seconds)
    return int(_in_cache(lambda store: store.get(key)) or 0)


def forget(name: str, seconds: int) -> None:
    """Starts the present window of a name anew."""
    key = _key(name, seconds)
    _in_cache(lambda store: store.delete(key))


# Any span of the given length, not only whole windows


PARTS = 3  # of a span; four parts cover every span of three, so that none holds more than is allowed


def count_lately(name: str, seconds: int) -> int:
    """Counts one more and returns how many there were in the last `seconds`, or up to a third longer ago."""
    keys = _parts_of(name, seconds)
    now = int(_in_cache(lambda store: _increase(store, keys[0], 2 * seconds)))
    return now + sum(_counts(keys[1:]))


def counted_lately(name: str, seconds: int) -> int:
    """How many there were in the last `seconds`, or up to a third longer ago."""
    return sum(_counts(_parts_of(name, seconds)))


def forget_lately(name: str, seconds: int) -> None:
    keys = _parts_of(name, seconds)
    _in_cache(lambda store: store.delete_many(keys))


def limit_lately(name: str, most: int, seconds: int, words: str) -> None:
    """Counts one more and raises TooMany when that makes more than `most`, whenever the span begins.

    What is refused counts too; so a patient guesser gets `most` tries a span, and an impatient one none.
    """
    if count_lately(name, seconds) > most:
        raise TooMany(words, retry_after=seconds)


def _parts_of(name: str, seconds: int) -> list[str]:
    """Keys of the present part of a span and of those before it."""
    part = seconds // PARTS
    now = int(time.time()) // part
    digest = sha256(name.encode()).hexdigest()
    return [f"lately:{digest}:{seconds}:{now - ago}" for ago in range(PARTS + 1)]


def _counts(keys: list[str]) -> list[int]:
    return [int(value) for value in _in_cache(lambda store: store.get_many(keys)).values()]


def _increase(store: BaseCache, key: str, seconds: int) -> int:
    for _ in range(2):
        try:
            return int(store.incr(key))  # first, since all but one request of a window find the counter
        except ValueError:
            if store.add(key, 1, seconds):
                return 1
    store.set(key, 1, seconds)  # it ran out between the two
    return 1


def _in_cache(act: Callable[[BaseCache], Any]) -> Any:
    """Does it in the cache; for some seconds after a failure in this process instead."""
    global _away_until
    if time.monotonic() >= _away_until:
        try:
            return act(cache)
        except Exception as error:  # whatever a client library raises: the limit must still hold
            _away_until = time.monotonic() + REST_SECONDS
            log.warning("cache away, counting in this process: %s", type(error).__name__)
    return act(_local)


def limit(name: str, most: int, seconds: int, words: str) -> None:
    """Counts one more and raises TooMany when that makes more than `most` in the window."""
    if count(name, seconds) > most:
        raise too_many(seconds, words)


def too_many(seconds: int, words: str) -> TooMany:
    """The refusal, good until the window ends."""
    return TooMany(words, retry_after=seconds - int(time.time()) % seconds)


def address_of(request: HttpRequest) -> str:
    """Where the request comes from: an IPv4 address, or the /64 of an IPv6 one (one customer's usual share).

    Behind a proxy it is the last entry of X-Forwarded-For, the only one the proxy itself wrote.
    """
    text = request.META.get("REMOTE_ADDR", "")
    if settings.BEHIND_PROXY:
        text = request.headers.get("X-Forwarded-For", text).rpartition(",")[2].strip()
    try:
        address = ipaddress.ip_address(text)
    except ValueError:
        return "local"  # a unix socket has no address
    if isinstance(address, ipaddress.IPv6Address):
        if address.ipv4_mapped:
            return str(address.ipv4_mapped)
        return str(ipaddress.ip_network((address, 64), strict=False))
    return str(address)


def network_of(address: str) -> str:
    """Where somebody was, as far as people are told: an address of `address_of` without its last part."""
    try:
        network = ipaddress.ip_network(address)
    except ValueError:
        return address
    return str(network.supernet(new_prefix=24) if network.version == 4 else network.supernet(new_prefix=48))


MINUTE = 60


def limit_request(request: HttpRequest) -> None:
    """Counts a request by REST, GraphQL or a page, for who asks and for their company. Raises TooMany.

    A company's own figure is what the operators allow it; else REQUESTS_A_MINUTE_COMPANY. Strangers count by
    address, where programs ask; a page without a sign-in costs little and has limits of its own.
    """
    actor = getattr(request, "actor", None)
    words = gettext("Too many requests; wait and try again.")
    if actor is not None:
        asker = f"requests:{actor.company_id}:{actor.principal}"
        limit(asker, settings.REQUESTS_A_MINUTE, MINUTE, words)
        own = settings.REQUESTS_A_MINUTE_COMPANY if actor.a_minute is None else actor.a_minute
        words = gettext("Your company asks for more than it may in a minute; wait and try again.")
        limit(f"requests:{actor.company_id}", own, MINUTE, words)
    elif wants_problem(request):
        address = f"requests:address:{address_of(request)}"
        limit(address, settings.REQUESTS_A_MINUTE_UNKNOWN, MINUTE, words)
