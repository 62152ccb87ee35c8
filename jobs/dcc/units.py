"""D-SI units: `\\kilo\\pascal`, `\\metre\\second\\tothe{-1}`, `\\metre\\per\\second`, `\\degreecelsius`.

After one `\\per` all that follows is divided by. Source: SmartCom, guide to the Digital System of Units,
which takes units and prefixes from the SI brochure and the notation from siunitx; from memory, checked
against published example certificates.
"""

import re
from dataclasses import dataclass

from django.utils.translation import gettext

_BASES = ("m", "kg", "s", "A", "K", "mol", "cd", "dB")
Dimension = tuple[int, ...]
_NONE: Dimension = (0,) * len(_BASES)


def _dimension(**powers: int) -> Dimension:
    return tuple(powers.get(base, 0) for base in _BASES)


@dataclass(frozen=True)
class DsiUnit:
    """A unit as factor to the coherent SI unit of its dimension; SI value = (value + offset) * factor."""

    factor: float
    dimension: Dimension
    offset: float = 0.0


class UnknownDsiUnit(ValueError):
    """The text is no D-SI unit that is known here; the message says which part."""


METRE, SECOND, KELVIN = _dimension(m=1), _dimension(s=1), _dimension(K=1)
PASCAL = _dimension(kg=1, m=-1, s=-2)
WATT, VOLT = _dimension(kg=1, m=2, s=-3), _dimension(kg=1, m=2, s=-3, A=-1)
_UNITS: dict[str, DsiUnit] = {
    "one": DsiUnit(1.0, _NONE),
    "percent": DsiUnit(0.01, _NONE),
    "ppm": DsiUnit(1e-6, _NONE),
    "metre": DsiUnit(1.0, METRE),
    "gram": DsiUnit(0.001, _dimension(kg=1)),
    "kilogram": DsiUnit(1.0, _dimension(kg=1)),
    "second": DsiUnit(1.0, SECOND),
    "minute": DsiUnit(60.0, SECOND),
    "hour": DsiUnit(3600.0, SECOND),
    "day": DsiUnit(86400.0, SECOND),
    "ampere": DsiUnit(1.0, _dimension(A=1)),
    "kelvin": DsiUnit(1.0, KELVIN),
    "degreecelsius": DsiUnit(1.0, KELVIN, 273.15),
    "mole": DsiUnit(1.0, _dimension(mol=1)),
    "candela": DsiUnit(1.0, _dimension(cd=1)),
    "hertz": DsiUnit(1.0, _dimension(s=-1)),
    "newton": DsiUnit(1.0, _dimension(kg=1, m=1, s=-2)),
    "pascal": DsiUnit(1.0, PASCAL),
    "bar": DsiUnit(1e5, PASCAL),
    "mmhg": DsiUnit(133.322387415, PASCAL),
    "joule": DsiUnit(1.0, _dimension(kg=1, m=2, s=-2)),
    "watt": DsiUnit(1.0, WATT),
    "volt": DsiUnit(1.0, VOLT),
    "ohm": DsiUnit(1.0, _dimension(kg=1, m=2, s=-3, A=-2)),
    "litre": DsiUnit(0.001, _dimension(m=3)),
    "tonne": DsiUnit(1000.0, _dimension(kg=1)),
    "decibel": DsiUnit(1.0, _dimension(dB=1)),
}
_PREFIXES = {
    "quetta": 30, "ronna": 27, "yotta": 24, "zetta": 21, "exa": 18, "peta": 15, "tera": 12, "giga": 9,
    "mega": 6, "kilo": 3, "hecto": 2, "deca": 1, "deci": -1, "centi": -2, "milli": -3, "micro": -6,
    "nano": -9, "pico": -12, "femto": -15, "atto": -18, "zepto": -21, "yocto": -24, "ronto": -27,
    "quecto": -30,
}  # fmt: skip
_TOKEN = re.compile(r"\\([A-Za-z]+)(?:\{([^{}]*)\})?")
_LONGEST = 200


def read_dsi_unit(text: str) -> DsiUnit:
    """The unit written `text`. Raises UnknownDsiUnit."""
    plain = "".join(text.split())
    if not plain or len(plain) > _LONGEST or "".join(m[0] for m in _TOKEN.finditer(plain)) != plain:
        raise UnknownDsiUnit(
            gettext("'%(text)s' is no unit in D-SI notation, such as \\pascal") % {"text": text.strip()[:40]}
        )
    parts = _parts([(found[1], found[2]) for found in _TOKEN.finditer(plain)], plain)
    if len(parts) == 1 and parts[0][1:] == (1, 1.0):
        return parts[0][0]
    if any(unit.offset for unit, _, _ in parts):
        raise UnknownDsiUnit(
            gettext("'%(plain)s': \\degreecelsius stands alone; in a product it is \\kelvin")
            % {"plain": plain[:40]}
        )
    factor, powers = 1.0, list(_NONE)
    for unit, power, prefix in parts:
        factor *= (unit.factor * prefix) ** power
        powers = [before + power * one for before, one in zip(powers, unit.dimension, strict=True)]
    return DsiUnit(factor, tuple(powers))


def _parts(tokens: list[tuple[str, str | None]], text: str) -> list[tuple[DsiUnit, int, float]]:
    """Units with power and the factor of their prefix, in their order."""
    found: list[tuple[DsiUnit, int, float]] = []
    prefix, sign, open_power = 1.0, 1, False
    for name, argument in tokens:
        if name == "per" and argument is None and sign == 1 and prefix == 1.0:
            sign, open_power = -1, False
        elif name == "tothe" and open_power:
            unit, power, its = found[-1]
            found[-1], open_power = (unit, power * _power(argument, text), its), False
        elif name in _PREFIXES and argument is None and prefix == 1.0:
            prefix = 10.0 ** _PREFIXES[name]
        elif name.lower() in _UNITS and argument is None:
            found.append((_UNITS[name.lower()], sign, prefix))
            prefix, open_power = 1.0, True
        else:
            raise UnknownDsiUnit(
                gettext("'%(text)s': \\%(name)s is not known here or stands in a wrong place")
                % {"text": text[:40], "name": name}
            )
    if prefix != 1.0 or not found:
        raise UnknownDsiUnit(gettext("'%(text)s' ends without a unit") % {"text": text[:40]})
    return found


def _power(argument: str | None, text: str) -> int:
    try:
        power = int(argument or "")
    except ValueError:
        raise UnknownDsiUnit(
            gettext("'%(text)s': \\tothe takes a whole number here") % {"text": text[:40]}
        ) from None
    if not 1 <= abs(power) <= 9:
        raise UnknownDsiUnit(gettext("'%(text)s': a power is 1 to 9, or −1 to −9") % {"text": text[:40]})
    return power
