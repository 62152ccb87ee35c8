"""The review page: pictures by rule, what stood before, what changed since one looked, stale answers."""

import re
import uuid
from datetime import timedelta
from typing import Any

import pytest
from django.test import Client

from jobs.errors import Forbidden, Invalid, NotFound, PreconditionFailed
from jobs.models import Job, JobStatus
from jobs.tenancy.context import company
from measurements.models import AnswerKind, Flag, FlagAnswer
from measurements.rules import described
from reports import looks, material, review, reviewset
from reports.models import Look, Revision
from reports.pages import pictures, shown
from tests import factories
from tests.factories import World
from tests.measurements import batches
from tests.reports import scene
from tests.reports.test_doors import API, post, signed_in

LOW = {"s1": "95.0", "s2": "95.0", "s3": "70.0"}
TWO_LOW = {"s1": "60.0", "s2": "95.0", "s3": "70.0"}


def text(answer: Any) -> str:
    return re.sub(r"\s+", " ", answer.content.decode())


def blocking(world: World) -> list[Any]:
    return scene.seen(world).blocking


def page_of(world: World) -> shown.ReviewPage:
    with company(world.id):
        actor = scene.actor(world, "supervisor")
        found = review.review_set(actor, world.job.id)
        return shown.review_page(found, material.collect(found), shown.figures_for(actor))


# Pictures


def test_every_rule_of_the_table_is_one_and_states_its_finding() -> None:
    names = {one.name for one in described()} | {"recalled_instrument"}
    assert set(pictures.PICTURE_OF) <= names


def uneven_runs(world: World) -> dict[str, Any]:
    rows = batches.readings(batches.pressures(0.268)) + batches.readings(batches.pressures(0.30), run=2)
    return batches.traverse(world, tag="MD-1", readings=rows)


def test_each_flag_has_the_picture_of_its_rule_with_a_title(company_a: World) -> None:
    scene.measure(company_a, **LOW)
    shifted = batches.traverse(company_a, flow=0.268, tag="MD-1")
    for check, value in zip(shifted["zero_checks"], ("0.0", "9.0"), strict=False):
        check["value"] = value
    scene.post(company_a, uneven_runs(company_a), shifted)
    scene.evaluated(company_a)
    found = {item.state.flag.rule: item for item in page_of(company_a).flags}
    finding = {rule: item.picture.finding for rule, item in found.items() if item.picture}
    assert "differ by" in finding["runs_disagree"]
    assert "moved by" in finding["zero_shift"]
    assert finding["out_of_tolerance"]
    assert all(
        'role="img"' in i.picture.svg and "<title>" in i.picture.svg for i in found.values() if i.picture
    )


def test_outlets_that_do_not_add_up_are_drawn_against_the_traverse_of_the_flag(company_a: World) -> None:
    scene.measured(company_a, s1="60.0", s2="60.0", s3="60.0")
    items = [i for i in page_of(company_a).flags if i.state.flag.rule == "outlets_against_traverse"]
    assert items
    for item in items:
        assert item.picture is not None
        assert f"{item.where}, traverse" in item.picture.svg
        assert "more than their combined uncertainty" in item.picture.finding


# What stood before


def test_a_replaced_session_stands_beside_its_flag_with_the_difference(company_a: World) -> None:
    sessions = scene.measured(company_a, **LOW)
    again = {"session": str(sessions["S-3"]), "reason": "Measured again after the damper."}
    scene.post(company_a, batches.hood(company_a, "S-3", "60.0", supersedes=again))
    scene.evaluated(company_a)
    item = next(i for i in page_of(company_a).flags if i.state.flag.rule == "out_of_tolerance")
    assert item.earlier is not None
    assert item.earlier.session == sessions["S-3"]
    assert (item.earlier.verdict, item.earlier.job, item.earlier.who) == (
        "Fail",
        None,
        company_a.technician.name,
    )
    assert "more than the uncertainty of both" in item.earlier.change


def test_the_newest_figure_of_an_earlier_job_stands_beside_a_change(company_a: World) -> None:
    with company(company_a.id):
        scene.fine_tools(company_a)
        second = factories.job(company_a.site, company_a.system)
        factories.assign(second, company_a.technician, *company_a.instruments.values())
    scene.post(company_a, batches.hood(company_a, "S-1", "95.0"))
    scene.evaluated(company_a)
    began = (batches.now() + timedelta(minutes=1)).isoformat()
    later = batches.hood(company_a, "S-1", "70.0", job=str(second.id), started_at=began)
    scene.post(company_a, later)
    scene.evaluated(company_a)
    with company(company_a.id):
        actor = scene.actor(company_a, "supervisor")
        found = review.review_set(actor, second.id)
        page = shown.review_page(found, material.collect(found), shown.figures_for(actor))
    rules = {item.state.flag.rule: item for item in page.flags}
    for rule in ("out_of_tolerance", "changed_since_earlier"):
        assert rules[rule].earlier is not None, rule
        assert rules[rule].earlier.job == company_a.job.number
    assert "more than the uncertainty" in rules["changed_since_earlier"].picture.finding


# What changed since one looked


def look(client: Client, world: World) -> None:
    page = text(client.get(f"/review/{world.job.id}"))
    seen = re.search(r'name="seen" value="([0-9a-f]{64})"', page)
    assert seen is not None
    client.post(f"/review/{world.job.id}/seen", {"seen": seen[1]})


def test_marks_stand_until_one_says_that_they_are_seen(company_a: World) -> None:
    scene.measured(company_a, **LOW)
    client = signed_in(company_a, "supervisor")
    assert "since you looked" not in text(client.get(f"/review/{company_a.job.id}"))
    look(client, company_a)
    assert "nothing changed" in text(client.get(f"/review/{company_a.job.id}"))
    scene.post(company_a, batches.hood(company_a, "S-2", "60.0"))
    scene.evaluated(company_a)
    for _ in range(2):  # a reload loses nothing
        page = text(client.get(f"/review/{company_a.job.id}"))
        assert re.search(r"<strong>1 session came, [^<]*flags? (was|were) raised", page)
        assert 'new<span class="hidden-words"> since you looked' in page
    look(client, company_a)
    assert "nothing changed" in text(client.get(f"/review/{company_a.job.id}"))


def test_what_another_answered_is_told_by_name_and_ones_own_is_no_news(company_a: World) -> None:
    scene.measured(company_a, **LOW)
    client = signed_in(company_a, "supervisor")
    look(client, company_a)
    flag = blocking(company_a)[0].flag
    with company(company_a.id):
        supervisor = scene.actor(company_a, "supervisor")
        found = reviewset.load(Job.objects.select_related("site__customer").get())
        row = looks.last_look(supervisor, found)
        assert row is not None
        FlagAnswer.objects.create(
            flag=flag,
            kind=AnswerKind.ACCEPT,
            reason=scene.REASON,
            member=company_a.owner,
            answered_at=batches.now(),
        )
    page = text(client.get(f"/review/{company_a.job.id}"))
    assert f"1 answered by {company_a.owner.name}" in page
    assert 'answered<span class="hidden-words"> since you looked' in page
    look(client, company_a)
    with company(company_a.id):
        review.answer_flag(supervisor, flag.id, kind=AnswerKind.REMEASURE, reason=scene.REASON)
    assert "nothing changed" in text(client.get(f"/review/{company_a.job.id}"))


def test_a_look_at_what_is_not_there_any_more_is_not_taken(company_a: World) -> None:
    scene.measured(company_a, **LOW)
    with company(company_a.id), pytest.raises(PreconditionFailed):
        review.saw(scene.actor(company_a, "supervisor"), company_a.job.id, seen_digest="0" * 64)
    with company(company_a.id):
        assert not Look.objects.exists()


def test_a_look_is_ones_own_and_no_other_companys(company_a: World, company_b: World) -> None:
    scene.measured(company_a, **LOW)
    digest = scene.seen(company_a).digest
    with company(company_a.id):
        review.saw(scene.actor(company_a, "supervisor"), company_a.job.id, seen_digest=digest)
        with pytest.raises(Forbidden):
            review.saw(scene.actor(company_a, "technician"), company_a.job.id, seen_digest=digest)
    with company(company_b.id):
        assert not Look.objects.exists()
        with pytest.raises(NotFound):
            review.saw(scene.actor(company_b, "supervisor"), company_a.job.id, seen_digest=digest)


# Two at once


def other_answers(world: World, flag: Flag, kind: AnswerKind = AnswerKind.REMEASURE) -> FlagAnswer:
    """Another supervisor decided meanwhile."""
    with company(world.id):
        made: FlagAnswer = FlagAnswer.objects.create(
            flag=flag, kind=kind, reason="The damper was shut.", member=world.owner, answered_at=batches.now()
        )
        return made


def test_a_stale_answer_meets_what_the_other_decided_and_loses_nothing(company_a: World) -> None:
    scene.measured(company_a, **LOW)
    client = signed_in(company_a, "supervisor")
    flag = blocking(company_a)[0].flag
    other_answers(company_a, flag)
    form = {"answer": "accept", "reason": "The room is not in use yet.", "seen": "none"}
    refused = client.post(f"/flags/{flag.id}/answer", form)
    page = text(refused)
    assert refused.status_code == 412
    assert f"{company_a.owner.name} sent it back for re-measurement" in page
    assert "The damper was shut." in page
    assert "The room is not in use yet.</textarea>" in page
    with company(company_a.id):
        assert FlagAnswer.objects.filter(flag=flag).count() == 1
    tag = re.search(rf'flags/{flag.id}/answer".*?name="seen" value="([^"]+)"', page)
    assert tag is not None
    assert client.post(f"/flags/{flag.id}/answer", form | {"seen": tag[1]}).status_code == 302
    with company(company_a.id):
        assert FlagAnswer.objects.filter(flag=flag).count() == 2


def test_the_same_answer_twice_is_one(company_a: World) -> None:
    scene.measured(company_a, **LOW)
    client = signed_in(company_a, "supervisor")
    flag = blocking(company_a)[0].flag
    form = {"answer": "accept", "reason": scene.REASON, "seen": "none"}
    for _ in range(3):
        assert client.post(f"/flags/{flag.id}/answer", form).status_code == 302
    with company(company_a.id):
        assert FlagAnswer.objects.filter(flag=flag).count() == 1


def test_the_door_takes_if_match_and_gives_the_next_etag(company_a: World) -> None:
    scene.measured(company_a, **LOW)
    client = signed_in(company_a, "supervisor")
    flag = blocking(company_a)[0].flag
    shown_flag = next(
        f
        for f in client.get(f"{API}/jobs/{company_a.job.id}/review").json()["flags"]
        if f["id"] == str(flag.id)
    )
    assert shown_flag["etag"] == '"none"'
    other = other_answers(company_a, flag)
    body = {"answer": "accept", "reason": scene.REASON}

    def send(**headers: str) -> Any:
        given = {"Idempotency-Key": str(uuid.uuid4()), **headers}
        where = f"{API}/flags/{flag.id}/answers"
        return client.post(where, body, content_type="application/json", headers=given)

    for stale in (send(), send(**{"If-Match": '"none"'}), send(**{"If-Match": f'"{uuid.uuid4()}"'})):
        assert stale.status_code == 412
        assert company_a.owner.name in stale.json()["detail"]
    made = send(**{"If-Match": f'"{other.id}"'})
    assert made.status_code == 201
    assert made.headers["ETag"] == f'"{made.json()["id"]}"'
    assert send(**{"If-Match": f'"{other.id}"'}).json()["id"] == made.json()["id"]


def test_approving_what_changed_says_what_came(company_a: World) -> None:
    scene.measured(company_a)
    client = signed_in(company_a, "supervisor")
    page = text(client.get(f"/review/{company_a.job.id}"))
    form = dict(re.findall(r'name="(seen|shown_at)" value="([^"]+)"', page))
    assert set(form) == {"seen", "shown_at"}
    scene.post(company_a, batches.hood(company_a, "S-3", "90.5"))
    scene.evaluated(company_a)
    refused = client.post(f"/review/{company_a.job.id}/approve", form)
    assert refused.status_code == 412
    assert "1 session came" in text(refused)
    assert "changed since you looked" in text(refused)
    with company(company_a.id):
        assert not Revision.objects.exists()
        assert Job.objects.get().status == JobStatus.SUBMITTED
    for odd in ("", "yesterday", "2026-01-01", "9" * 400):
        assert client.post(f"/review/{company_a.job.id}/approve", form | {"shown_at": odd}).status_code == 412


# Many at once


def test_flags_of_a_rule_are_answered_with_one_reason_all_or_none(company_a: World) -> None:
    scene.measured(company_a, **TWO_LOW)
    client = signed_in(company_a, "supervisor")
    flags = [s.flag for s in blocking(company_a) if s.flag.rule == "out_of_tolerance"]
    assert len(flags) == 2
    page = text(client.get(f"/review/{company_a.job.id}"))
    assert "Answer 2 flags at once: out of tolerance" in page
    address = f"/review/{company_a.job.id}/answers"
    chosen = [f"{flag.id}:none" for flag in flags]
    short = client.post(address, {"flag": chosen, "answer": "accept", "reason": "short"})
    assert short.status_code == 422
    other = other_answers(company_a, flags[1])
    stale = client.post(address, {"flag": chosen, "answer": "accept", "reason": scene.REASON})
    assert stale.status_code == 412
    assert scene.REASON in text(stale)
    with company(company_a.id):
        assert list(FlagAnswer.objects.filter(flag__in=flags)) == [other]
    chosen = [f"{flags[0].id}:none", f"{flags[1].id}:{other.id}"]
    done = client.post(address, {"flag": chosen, "answer": "accept", "reason": scene.REASON}, follow=True)
    assert "2 flags: accepted." in text(done)
    with company(company_a.id):
        newest = [flag.answers.order_by("-answered_at").first().kind for flag in flags]
    assert newest == [AnswerKind.ACCEPT] * 2


def test_flags_of_another_company_or_job_are_not_answered_with_them(
    company_a: World, company_b: World
) -> None:
    scene.measured(company_a, **LOW)
    scene.measured(company_b, **LOW)
    own, foreign = blocking(company_a)[0].flag, blocking(company_b)[0].flag
    with company(company_a.id):
        supervisor = scene.actor(company_a, "supervisor")
        wanted = [review.SeenFlag(own.id), review.SeenFlag(foreign.id)]
        with pytest.raises(NotFound):
            review.answer_flags(supervisor, wanted, kind=AnswerKind.ACCEPT, reason=scene.REASON)
        with pytest.raises(NotFound):
            review.answer_flags(supervisor, [], kind=AnswerKind.ACCEPT, reason=scene.REASON)
        with pytest.raises(Invalid):
            many = [review.SeenFlag(own.id)] * (review.MOST_AT_ONCE + 1)
            review.answer_flags(supervisor, many, kind=AnswerKind.ACCEPT, reason=scene.REASON)
        assert not FlagAnswer.objects.filter(member__isnull=False).exists()
    client = signed_in(company_a, "supervisor")
    address = f"/review/{company_a.job.id}/answers"
    for flag in (f"{foreign.id}:none", "abc", ""):
        answer = client.post(address, {"flag": flag, "answer": "accept", "reason": scene.REASON})
        assert answer.status_code == 404, flag
    assert client.post(address, {"answer": "accept", "reason": scene.REASON}).status_code == 422
    assert client.get(address).status_code == 405


# The queue


def test_the_queue_is_filtered_by_an_address_that_can_be_shared(company_a: World) -> None:
    scene.measured(company_a, **LOW)
    client = signed_in(company_a, "supervisor")
    link = f"/review/{company_a.job.id}"
    for wanted in (str(company_a.job.number), company_a.site.name.upper(), "submitted"):
        assert link in text(client.get("/review", {"q": wanted})), wanted
    nothing = text(client.get("/review", {"q": "no such job <script>"}))
    assert link not in nothing
    assert "no such job &lt;script&gt;" in nothing
    assert "Show all" in nothing


def test_the_review_page_names_every_key_and_its_script_is_a_file(company_a: World) -> None:
    scene.measured(company_a, **LOW)
    page = signed_in(company_a, "supervisor").get(f"/review/{company_a.job.id}").content.decode()
    assert {"j", "k", "a", "r", "e", "g", "?"} <= set(re.findall(r"<kbd>(.*?)</kbd>", page))
    assert re.search(r'<script src="[^"]*reports/review[^"]*\.js" defer></script>', page)


def test_posting_by_the_door_still_needs_no_page(company_a: World) -> None:
    scene.measured(company_a, **LOW)
    flag = blocking(company_a)[0].flag
    client = signed_in(company_a, "supervisor")
    made = post(client, f"/flags/{flag.id}/answers", {"answer": "accept", "reason": scene.REASON})
    assert made.status_code == 201
