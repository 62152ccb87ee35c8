"""No page shows a word that no translator was given, whoever looks at it.

The walk is over every address of the pages, so a page that is added later is in it. A new name in an address
needs an entry in `places`, a page that is not done yet stands in NOT_YET.
"""

import re
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import replace
from typing import Any

import pytest
from django.apps import apps
from django.conf import settings
from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.test import Client, override_settings
from django.urls import URLPattern, get_resolver, reverse
from django.utils import translation
from django.utils.translation import trans_real

from jobs import mail, people, schedule_drafts
from jobs.errors import Conflict, PreconditionFailed
from jobs.models import TestPoint, UnitSystem
from jobs.pages.problems import known_problems
from jobs.schedule_columns import Column
from jobs.tenancy.context import company
from jobs.tenancy.ids import uuid7
from measurements.calc.units import TABLE
from measurements.models import AnswerKind
from measurements.rules import described
from measurements.words import QUANTITIES
from reports import deliver, issue, review
from reports.models import Delivery, Issue, Revision
from reports.outgoing.kinds import VERBS
from tests import factories
from tests.doors import walk
from tests.factories import World
from tests.jobs.sheets import SMALL, csv_of
from tests.pages.conftest import In
from tests.pages.marked import (
    APPS,
    CODE,
    Marked,
    messages,
    of_django,
    outside,
    sentences_of_actions,
    unmarked,
)
from tests.reports import scene

pytestmark = pytest.mark.django_db
ROLES = ("owner", "dispatcher", "technician", "supervisor")
PAGES = ("jobs.pages.urls", "measurements.pages.urls", "reports.pages.urls")

NOT_YET: set[str] = set()
"""Names of addresses whose pages are not translated yet. It only ever gets shorter."""

# Words of no language: names of things of our own and of standards, and what stands in their texts.
CODES = {
    "Flowledger", "UTC", "SHA", "PDF", "XML", "CSV", "DCC", "ISO", "GUM", "JCGM", "ILAC", "OIML", "RFC",
    "Authorization", "Bearer", "En",
}  # fmt: skip


@pytest.fixture
def marked() -> Iterator[Marked]:
    """The language of marks, for whoever asks for it."""
    made = Marked()
    with override_settings(LANGUAGES=[("en-gb", "English"), (CODE, "marked")]):
        known: dict[str, Any] = trans_real._translations  # type: ignore[attr-defined]
        before = dict(known)
        known[CODE] = made
        try:
            yield made
        finally:
            known.clear()
            known.update(before)
            translation.deactivate()


def addresses() -> list[URLPattern]:
    return [one for name in PAGES for one in get_resolver(name).url_patterns if isinstance(one, URLPattern)]


def places(world: World) -> dict[str, Any]:
    """What stands in the addresses; a new name needs an entry."""
    with company(world.id):
        delivery = Delivery.objects.earliest("made_at")
        _, _, which, number, key = issue.check_path(Issue.objects.earliest("issued_at")).split("/")
        invited = people.invite(
            world.actor("owner"), email="new@harbour.example", name="N. Body", roles=["technician"]
        )
        draft = schedule_drafts.start_draft(world.actor("owner"), world.site.id, csv_of(SMALL))
        token = mail.invitation_link(invited).rpartition("/")[2]
        fetch = deliver.link_of(delivery).rpartition("/")[2]
    uid, secret = mail.password_link(world.users["owner"]).split("/")[-2:]
    return walk.ids_of(world) | {
        "rule": "zero_shift", "code": "not_found", "company": which, "number": number, "key": key,
        "uid": uid, "draft_id": draft.id, "kind": "csv", "travel_id": uuid7(), "text": "none.such",
        "grant_id": uuid7(),
        "case_id": walk.ids_of(world)["recall_id"],
        "token": {"invitation": token, "new-password": secret, "fetch": fetch},
    }  # fmt: skip


def path_of(one: URLPattern, given: dict[str, Any]) -> str:
    names = {*one.pattern.converters, *one.pattern.regex.groupindex}
    values = {name: given[name] for name in names}
    own = {name: value[one.name] if isinstance(value, dict) else value for name, value in values.items()}
    return reverse(one.name or "", kwargs=own)


def data_of(world: World) -> set[str]:
    """Every text that people or tablets entered, names of units, and codes."""
    assert get_resolver().url_patterns  # with every door comes every kind of problem
    units = {name for unit in TABLE for name in unit.names}
    units |= {word for _, both in QUANTITIES.values() for _, word in both.values()}
    found = CODES | units | set(UnitSystem.values) | set(known_problems())
    for rule in described():
        name = rule.name.replace("_", " ")
        found |= {name, name.capitalize(), rule.source}
    with company(world.id):
        found |= _texts()
    found |= set(VERBS)
    found |= {str(cell) for row in SMALL for cell in row} | set(Column) | {f"{one} %" for one in Column}
    return {one for one in found if re.search(r"[^\W\d_]{2,}", one)}


def _texts() -> set[str]:
    """Every free text of the company's tables."""
    ours = [model for model in apps.get_models() if model._meta.app_label in APPS]
    return {text for model in ours for text in _texts_of(model)}


def _texts_of(model: type[models.Model]) -> set[str]:
    fields = [one for one in model._meta.concrete_fields if _is_free_text(one)]
    found: set[str] = set()
    for row in model._default_manager.values_list(*(one.name for one in fields)) if fields else ():
        for value in row:
            found |= set(_leaves(value))
    return found


def _is_free_text(one: "models.Field[Any, Any]") -> bool:
    if isinstance(one, ArrayField):
        return _is_free_text(one.base_field)
    if isinstance(one, models.JSONField):
        return True
    return isinstance(one, models.CharField | models.TextField) and not one.choices


def _leaves(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield " ".join(value.split())
    elif isinstance(value, dict):
        for one in value.values():
            yield from _leaves(one)
    elif isinstance(value, list | tuple):
        for one in value:
            yield from _leaves(one)


def is_page(answer: Any) -> bool:
    return str(answer.get("Content-Type", "")).startswith("text/html")


def faults(name: str, answer: Any, data: Iterable[str]) -> list[str]:
    if not is_page(answer):
        return []
    page = answer.content.decode()
    return [f"{name} ({answer.status_code}): {text}" for text in unmarked(page, data, sentences_of_actions())]


def walked(client: Client, world: World) -> list[str]:
    """Faults of every page as this client sees it, then of what its forms say when they come back empty."""
    given, found = places(world), []
    data = data_of(world)
    for one in addresses():
        if one.name not in NOT_YET:
            found += faults(f"GET {one.name}", client.get(path_of(one, given), headers=MARKS), data)
    for one in addresses():
        if one.name not in NOT_YET | {"signout", "choose-company", "words"}:
            answer = client.post(path_of(one, given), {}, headers=MARKS, follow=True)
            if getattr(answer.resolver_match, "url_name", "") not in NOT_YET:
                found += faults(f"POST {one.name}", answer, data)
    return sorted(set(found))


MARKS = {"Accept-Language": CODE}


@pytest.mark.parametrize("role", [*ROLES, None])
def test_every_word_of_every_page_is_for_translators(role: str | None, signed_in: In, marked: Marked) -> None:
    world = walk.full_world("Northgate Air Balance")
    client = signed_in(role, world) if role else Client()
    marked.asked.clear()
    found = walked(client, world)
    assert not found, "\n".join(found)
    # A text of the company that is looked up comes out as it went in: harmless.
    asked = {message.rpartition("\x04")[2] for message in marked.asked}  # without its context
    strange = sorted(asked - messages() - of_django() - data_of(world))
    assert not strange, "\n".join(["looked up, but no catalogue would hold it:", *strange])


def test_the_walk_would_find_a_word_that_was_forgotten() -> None:
    page = "<p>⟦Jobs of ⟦all⟧ %s⟧ 12.5 L/s, Ann Reed</p><p>Forgotten</p><img alt='A plan'><svg>in it</svg>"
    assert unmarked(page, {"Ann Reed"}) == ["Forgotten", "A plan"]


def test_what_a_review_refuses_is_for_translators(marked: Marked) -> None:
    """Why a job is not approved yet, and what another decided meanwhile, which stands inside a sentence."""
    world = factories.make_world("Northgate Air Balance")
    scene.measure(world, s1="98.0", s2="72.0", s3="70.0")
    scene.submit(world)
    told = refused_approval(world)
    assert len(told) > 3
    scene.evaluated(world)
    told |= refused_approval(world)
    first, second = [state.flag.id for state in scene.seen(world).blocking][:2]
    supervisor = scene.actor(world, "supervisor")
    other = replace(scene.actor(world, "owner"), roles=supervisor.roles)
    with company(world.id), translation.override(CODE):
        for flag, kind in ((first, AnswerKind.ACCEPT), (second, AnswerKind.REMEASURE)):
            review.answer_flag(other, flag, kind=kind, reason=scene.REASON, seen=review.NO_ANSWER)
            with pytest.raises(PreconditionFailed) as stale:
                review.answer_flag(
                    supervisor, flag, kind=kind, reason="Seen too late.", seen=review.NO_ANSWER
                )
            assert stale.value.detail.startswith(f"⟦⟦{other.name} ")
        with pytest.raises(PreconditionFailed) as unknown:
            stranger = str(uuid7())
            third = next(one.flag.id for one in scene.seen(world).flags if one.newest is None)
            review.answer_flag(supervisor, third, kind=kind, reason="Seen too late.", seen=stranger)
        assert unknown.value.detail.startswith("⟦⟦")
        TestPoint.objects.filter(tag="S-2").update(design_flow=0.08, design_entered="80 L/s")
    scene.submit(world)
    told |= refused_approval(world)
    assert not [one for one in told if outside(one).strip()]
    for part in (
        "is not evaluated yet",
        "is evaluated again",
        "must be answered",
        "sent back for re-measure",
    ):
        assert any(part in one for one in told), part


def refused_approval(world: World) -> set[str]:
    digest = scene.seen(world).digest
    actor = scene.actor(world, "supervisor")
    with company(world.id), translation.override(CODE), pytest.raises(Conflict) as refused:
        review.approve(actor, world.job.id, seen_digest=digest)
    return {fault.detail for fault in refused.value.faults}


def test_what_is_kept_is_english_whatever_its_maker_reads(marked: Marked) -> None:
    world = factories.make_world("Northgate Air Balance")
    scene.measured(world, s3="70.0")
    with translation.override(CODE):
        assert translation.gettext("Pass") == "⟦Pass⟧"
        scene.approved(world)
        with company(world.id):
            issue.issue(world.actor("supervisor"), Revision.objects.get().id)
            kept = {
                one
                for model in apps.get_models()
                if model._meta.app_label in APPS
                for one in _texts_of(model)
            }
            kept.add(zlib.decompress(Revision.objects.get().snapshot).decode())
    assert [one for one in kept if "⟦" in one] == []
    assert any('"Pass"' in one or "pass" in one for one in kept)


def test_the_api_answers_in_english(marked: Marked, company_a: World) -> None:
    asked = Client().get("/api/v1/me", headers=MARKS)
    assert "⟦" not in asked.content.decode()
    assert "Accept-Language" not in asked.get("Vary", "")
    assert "⟦" in Client().get("/nowhere", headers=MARKS).content.decode()


def test_pages_not_done_yet_exist() -> None:
    assert {one.name for one in addresses()} >= NOT_YET
    assert settings.USE_I18N
