"""The two font families of the report, from packages: file addresses, @font-face rules, known characters.

IBM Plex Sans (variable file) for all text, IBM Plex Mono for digests and serial numbers; both OFL-1.1,
unmodified. Nothing depends on a font being installed on the machine.
"""

from functools import cache
from importlib.resources import files
from pathlib import Path
from urllib.parse import quote

from fontTools.ttLib import TTFont

SANS = "IBM Plex Sans"
MONO = "IBM Plex Mono"
_FACES = (
    (SANS, "100 700", "fontpkg_ibm_plex_sans", "IBMPlexSans[wdth,wght].ttf"),
    (MONO, "400", "fontpkg_ibm_plex_mono", "IBMPlexMono-Regular.ttf"),
)


def font_file(package: str, name: str) -> Path:
    """Path of a font file inside its package."""
    path = Path(str(files(package) / "files" / name))
    if not path.is_file():
        raise FileNotFoundError(f"font file {name} is missing from the package {package}: install it anew")
    return path


@cache
def font_urls() -> dict[str, Path]:
    """The only addresses that rendering may load, and the files behind them."""
    return {f"file://{quote(str(font_file(p, n)))}": font_file(p, n) for _, _, p, n in _FACES}


@cache
def font_faces() -> str:
    """The @font-face rules for the report's style sheet."""
    rules = [
        f'@font-face{{font-family:"{family}";font-weight:{weight};src:url({url})}}'
        for (family, weight, _, _), url in zip(_FACES, font_urls(), strict=True)
    ]
    return "".join(rules)


@cache
def sans_characters() -> frozenset[int]:
    """Code points of the text family alone."""
    return frozenset(TTFont(next(iter(font_urls().values())), lazy=True).getBestCmap())
