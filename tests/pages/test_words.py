"""The switch to other languages: who reads what, scripts' words, and digits that no language changes."""

import re
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest
from django.template import engines
from django.test import Client, override_settings
from django.utils import translation

from config.languages import catalogues
from tests.factories import World
from tests.pages.conftest import In, words

pytestmark = pytest.mark.django_db
GERMAN = [("en-gb", "English"), ("de", "Deutsch")]
ROOM = Path(__file__).parents[2]


@pytest.fixture
def two_languages() -> Iterator[None]:
    """German beside English: its decimal sign is a comma and its dates are written the other way round."""
    with override_settings(LANGUAGES=GERMAN):
        yield
    translation.deactivate()


@pytest.mark.usefixtures("two_languages")
def test_a_page_says_in_which_language_it_is(company_a: World) -> None:
    english = Client().get("/signin")
    german = Client().get("/signin", headers={"Accept-Language": "de-AT,de;q=0.9"})
    strange = Client().get("/signin", headers={"Accept-Language": "xx"})
    said = [re.findall(r'<html lang="([^"]+)"', one.content.decode()) for one in (english, german, strange)]
    assert said == [["en-gb"], ["de"], ["en-gb"]]
    assert "Accept-Language" in german["Vary"]


def test_only_english_without_a_catalogue(company_a: World) -> None:
    answer = Client().get("/signin", headers={"Accept-Language": "de"})
    assert '<html lang="en-gb">' in answer.content.decode()


def test_a_catalogue_adds_its_language(tmp_path: Path) -> None:
    for name in ("pt_BR", "de"):
        (tmp_path / name / "LC_MESSAGES").mkdir(parents=True)
        (tmp_path / name / "LC_MESSAGES" / "django.mo").touch()
    (tmp_path / "fr" / "LC_MESSAGES").mkdir(parents=True)  # not compiled
    assert catalogues(tmp_path) == [("de", "Deutsch"), ("pt-br", "Português Brasileiro")]


def test_scripts_get_their_words_from_an_address_of_our_own() -> None:
    answer = Client().get("/words.js")
    assert answer.status_code == 200
    assert answer["Content-Type"].startswith("text/javascript")
    assert "gettext" in answer.content.decode()
    assert "max-age=" in answer["Cache-Control"]
    assert Client().get("/words.js", headers={"If-None-Match": answer["ETag"]}).status_code == 304


@pytest.mark.usefixtures("two_languages")
def test_no_language_changes_a_digit() -> None:
    page = engines["templating"].from_string(
        '{% load flow %}{{ small }} {{ big }} {{ small|floatformat:"2u" }} {{ at|date:"Y-m-d" }}'
    )
    shown = {"small": 1234.5, "big": 1234567, "at": date(2026, 3, 4)}
    with translation.override("de"):
        assert page.render(shown) == "1234.5 1234567 1234.50 2026-03-04"


def test_filters_that_format_by_themselves_are_told_not_to() -> None:
    """floatformat and date follow the language unless they are told: every template tells them."""
    told = re.compile(
        r"floatformat(?!:\"-?\d*u\")|\|date:\"(?![YmdHisu:., \-T]*\")|\|(localize|time|naturaltime)\b"
    )
    faults = [
        f"{path.relative_to(ROOM)}: {found[0]}"
        for app in ("jobs", "measurements", "reports")
        for path in (ROOM / app).rglob("templates/**/*.*")
        for found in told.finditer(path.read_text())
    ]
    assert faults == []


@pytest.mark.usefixtures("two_languages")
def test_a_page_in_another_language_shows_the_same_digits(signed_in: In, company_a: World) -> None:
    client = signed_in("owner")
    for address in ("/jobs", f"/jobs/{company_a.job.id}", "/company/rules", "/instruments"):
        english, german = (
            client.get(address, headers={"Accept-Language": language}) for language in ("en", "de")
        )
        clock = re.compile(r"\d\d:\d\d:\d\d")  # when the page was made
        digits = [re.findall(r"\d[\d.,:/]*", clock.sub("", words(one))) for one in (english, german)]
        assert digits[0] == digits[1], address
