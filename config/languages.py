"""Which languages the pages speak: English, and each that has a catalogue."""

from pathlib import Path

from django.conf.locale import LANG_INFO


def catalogues(place: Path) -> list[tuple[str, str]]:
    """Code and own name of each language with a compiled catalogue, `place`/LOCALE/LC_MESSAGES/django.mo.

    The folder has the name of a locale: `de`, `pt_BR`.
    """
    found = sorted(path.parts[-3] for path in place.glob("*/LC_MESSAGES/django.mo"))
    return [(_code(name), _own_name(_code(name))) for name in found]


def _code(locale: str) -> str:
    return locale.replace("_", "-").lower()


def _own_name(code: str) -> str:
    """Raises KeyError for a language that Django knows nothing of."""
    named = LANG_INFO.get(code) or LANG_INFO[code.partition("-")[0]]
    return str(named["name_local"])
