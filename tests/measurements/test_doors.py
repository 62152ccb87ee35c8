"""The measurements app over HTTP: posts, worklist, reading back; who may, what another company gets."""

import json
from functools import partial
from typing import Any
from uuid import UUID

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from jobs import due
from jobs.models import IdempotencyKey, Job, JobStatus, TokenKind
from jobs.tenancy.context import company
from jobs.tenancy.ids import uuid7
from measurements.evaluate import evaluate_session
from measurements.models import AnswerKind, Batch, Flag, FlagAnswer, Reading, Session
from measurements.worklist import worklist
from tests import factories
from tests.factories import World, bearer
from tests.measurements import batches
from tests.races import at_once

API = "/api/v1"


def post(
    client: Client, world: World, body: bytes, *, key: str | None = None, token: str | None = None
) -> Any:
    headers = bearer(token or world.technician_token) | {"Idempotency-Key": key or str(uuid7())}
    return client.post(f"{API}/field/batches", body, content_type="application/json", headers=headers)


def get(client: Client, world: World, path: str, **headers: str) -> Any:
    return client.get(f"{API}/{path}", headers=bearer(world.technician_token) | headers)


def counts(world: World) -> tuple[int, ...]:
    with company(world.id):
        return tuple(m.objects.count() for m in (Batch, Session, Reading, IdempotencyKey))


@pytest.mark.django_db
def test_a_batch_is_answered_session_by_session(client: Client, fine: World) -> None:
    bad = batches.hood(fine, test_point=str(uuid7()))
    response = post(client, fine, batches.body(batches.traverse(fine), bad))
    assert response.status_code == 200
    found = response.json()["outcomes"]
    assert [one["outcome"] for one in found] == ["stored", "refused"]
    assert found[1]["errors"][0]["pointer"] == "/sessions/1/test_point"


@pytest.mark.django_db
def test_A8_a_retry_after_a_lost_answer_gets_the_same_bytes_and_stores_nothing(
    client: Client, fine: World
) -> None:
    text, key = batches.body(batches.traverse(fine)), str(uuid7())
    first = post(client, fine, text, key=key)
    before = counts(fine)
    again = post(client, fine, text, key=key)
    assert (again.status_code, again.content) == (first.status_code, first.content)
    assert again.headers["Idempotent-Replayed"] == "true"
    assert counts(fine) == before


@pytest.mark.django_db
def test_A3_a_key_used_for_another_body_is_refused(client: Client, fine: World) -> None:
    key = str(uuid7())
    post(client, fine, batches.body(batches.hood(fine)), key=key)
    before = counts(fine)
    assert post(client, fine, batches.body(batches.hood(fine)), key=key).status_code == 422
    assert counts(fine) == before


@pytest.mark.django_db
def test_A10_known_sessions_under_a_new_key_are_told_so(client: Client, fine: World) -> None:
    text = batches.body(batches.traverse(fine))
    post(client, fine, text)
    found = post(client, fine, text).json()["outcomes"]
    assert [one["outcome"] for one in found] == ["already_stored"]
    with company(fine.id):
        assert Reading.objects.count() == 50


@pytest.mark.django_db
def test_A13_sizes_of_0_5000_and_5001_readings(client: Client, fine: World) -> None:
    def of(count: int) -> bytes:
        sent = batches.traverse(fine)
        sent["readings"] = batches.readings([12.0] * count, points=200)
        return batches.body(sent)

    assert post(client, fine, batches.body()).status_code == 422
    before = counts(fine)
    response = post(client, fine, of(5001))
    assert (response.status_code, counts(fine)) == (413, before)
    assert "5000" in response.json()["detail"].replace(",", "")
    assert post(client, fine, of(5000)).json()["outcomes"][0]["outcome"] == "stored"


@pytest.mark.django_db
def test_A15_forty_batches_in_any_order_some_twice_make_the_union(client: Client, fine: World) -> None:
    sent = [batches.hood(fine, f"S-{n % 3 + 1}") for n in range(40)]
    bodies = [batches.body(one) for one in sent]
    order = [(7 * n + 3) % 40 for n in range(40)] + [5, 17, 29]
    for n in order:
        assert post(client, fine, bodies[n]).status_code == 200
    with company(fine.id):
        assert set(Session.objects.values_list("id", flat=True)) == set(batches.ids(sent))
        assert Reading.objects.count() == 80


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("text", "status"),
    [
        (b"", 400),
        (b"{", 400),
        (b"\xef\xbb\xbf{}", 400),
        ('{"sent_at":"2026-03-01T09:00:00Z","sessions":[]}'.encode("utf-16"), 400),
        (b'{"sent_at":"2026-03-01T09:00:00Z","sessions":' + b"[" * 10_000 + b"]" * 10_000 + b"}", 400),
        (b'{"sent_at":"2026-03-01T09:00:00","sessions":[{}]}', 422),
        (b'{"sent_at":"2026-03-01T09:00:00Z","sessions":[{}],"company_id":1}', 422),
        (b'{"sent_at":"2026-03-01T09:00:00Z","sent_at":"2026-03-01T09:00:00Z","sessions":[{}]}', 422),
        (b'{"sent_at":"2026-03-01T09:00:00Z","sessions":[{}],"sessions":[{}]}', 422),
        (b'{"sent_at":"2026-03-01T09:00:00Z","sessions":[{}' + b",{}" * 200 + b"]}", 413),
        (b'{"sent_at":"2026-03-01T09:00:00Z","sessions":[' + b" " * 10_500_000 + b"]}", 413),
    ],
)
def test_C2_a_malformed_envelope_stores_nothing(
    client: Client, fine: World, text: bytes, status: int
) -> None:
    before = counts(fine)
    response = post(client, fine, text)
    assert response.status_code == status
    assert response.headers["Content-Type"] == "application/problem+json"
    assert counts(fine) == before


@pytest.mark.django_db
def test_only_a_person_posts(client: Client, fine: World) -> None:
    text, before = batches.body(batches.hood(fine)), counts(fine)
    assert post(client, fine, text, token=fine.key_text).status_code == 403
    assert post(client, fine, text, token=fine.tablet).status_code == 403
    assert post(client, fine, text, token="x.y").status_code == 401
    assert client.post(f"{API}/field/batches", text, content_type="application/json").status_code == 401
    assert counts(fine) == before


@pytest.mark.django_db
def test_A1_a_post_without_a_key_is_refused(client: Client, fine: World) -> None:
    response = client.post(
        f"{API}/field/batches", batches.body(), content_type="application/json",
        headers=bearer(fine.technician_token),
    )  # fmt: skip
    assert response.status_code == 400
    assert "Idempotency-Key" in response.json()["detail"]


@pytest.mark.django_db
def test_B2_another_companys_ids_look_like_unknown_ones(client: Client, fine: World) -> None:
    other = factories.make_world(factories.SECOND)
    kept = batches.hood(other)
    batches.post(other, kept)
    tool = {"hood": str(other.instruments["hood"].id)}
    nobody = {"hood": str(uuid7())}
    pairs = [
        ({"job": str(other.job.id)}, {"job": str(uuid7())}),
        ({"test_point": str(other.points["S-1"].id)}, {"test_point": str(uuid7())}),
        ({"instruments": tool}, {"instruments": nobody}),
        (
            {"supersedes": {"session": kept["id"], "reason": "Damper moved"}},
            {"supersedes": {"session": str(uuid7()), "reason": "Damper moved"}},
        ),
    ]
    for foreign, unknown in pairs:
        found = post(client, fine, batches.body(batches.hood(fine, **foreign), batches.hood(fine, **unknown)))
        first, second = found.json()["outcomes"]
        assert first["outcome"] == second["outcome"] == "refused"
        assert [e["detail"] for e in first["errors"]] == [e["detail"] for e in second["errors"]]
        assert [e["pointer"][12:] for e in first["errors"]] == [e["pointer"][12:] for e in second["errors"]]
    with company(fine.id):
        assert Session.objects.count() == 0
    with company(other.id):
        assert Session.objects.count() == 1


@pytest.mark.django_db
def test_another_companys_id_of_a_session_is_free_here(client: Client, fine: World) -> None:
    other = factories.make_world(factories.SECOND)
    same = str(uuid7())
    batches.post(other, batches.hood(other, id=same, flow="11.0"))
    found = post(client, fine, batches.body(batches.hood(fine, id=same))).json()["outcomes"]
    assert found[0]["outcome"] == "stored"
    with company(other.id):
        assert set(Reading.objects.values_list("entered", flat=True)) == {"11.0"}


def test_A4_one_key_eight_times_at_once_stores_once(transactional_db: None) -> None:
    world = factories.make_world()
    text, key = batches.body(batches.hood(world)), str(uuid7())

    def one() -> int:
        return post(Client(), world, text, key=key).status_code

    statuses = at_once(*[one] * 8)
    assert 200 in statuses
    assert set(statuses) <= {200, 409}
    assert counts(world)[:3] == (1, 1, 2)


def test_the_same_sessions_at_once_under_other_keys_are_stored_once(transactional_db: None) -> None:
    world = factories.make_world()
    text = batches.body(*[batches.hood(world, f"S-{n % 3 + 1}") for n in range(6)])

    def one() -> list[str]:
        return [o["outcome"] for o in post(Client(), world, text).json()["outcomes"]]

    answers = at_once(*[one] * 4)
    stored = [answer for answer in answers if "stored" in answer]
    assert stored == [["stored"] * 6]
    assert sorted(answers)[:3] == [["already_stored"] * 6] * 3
    assert counts(world)[1:3] == (6, 12)


@pytest.mark.django_db
def test_the_worklist_holds_what_measuring_needs(client: Client, fine: World) -> None:
    response = get(client, fine, "field/worklist")
    assert response.status_code == 200
    (job,) = response.json()["jobs"]
    (system,) = job["systems"]
    points = {point["tag"]: point for point in system["points"]}
    main, branch = points["MD-1"]["layout"], points["BD-1"]["layout"]
    assert (main["rule"], main["lines"], main["points"]) == ("log_tchebycheff", 5, 5)
    assert len(main["depths"]) == 25
    first = main["depths"][0]
    assert first["mark_m"] == pytest.approx(first["depth_m"] + 0.001)
    assert first["depth_m"] == pytest.approx(0.074 * 0.4, abs=0.0004)
    assert (branch["rule"], branch["lines"]) == ("log_linear", 2)
    assert points["S-1"]["layout"] is None
    assert (points["S-1"]["tolerance_below"], points["S-1"]["tolerance_above"]) == (0.1, 0.1)
    assert main["probe_reaches"] is True
    hood = next(t for t in job["instruments"] if t["serial"] == fine.instruments["hood"].serial)
    assert hood["certificate"]["in_force"] is True
    assert hood["ranges"][0]["quantity"] == "flow"


@pytest.mark.django_db
def test_the_worklist_is_the_persons_own_and_not_for_keys(client: Client, fine: World) -> None:
    with company(fine.id):
        _, other = factories.token(TokenKind.PERSON, device=fine.device, member=fine.supervisor)
    response = client.get(f"{API}/field/worklist", headers=bearer(other))
    assert response.json()["jobs"] == []
    assert client.get(f"{API}/field/worklist", headers=fine.bearer).status_code == 403
    assert client.get(f"{API}/field/worklist", headers=bearer(fine.tablet)).status_code == 403


@pytest.mark.django_db
def test_an_unchanged_worklist_is_304_and_a_changed_one_is_not(client: Client, fine: World) -> None:
    tag = get(client, fine, "field/worklist").headers["ETag"]
    same = get(client, fine, "field/worklist", **{"If-None-Match": tag})
    assert (same.status_code, same.content) == (304, b"")
    with company(fine.id):
        Job.objects.update(notes="Ladder is in room 3")
    assert get(client, fine, "field/worklist", **{"If-None-Match": tag}).status_code == 200


@pytest.mark.django_db
def test_a_request_for_remeasurement_stands_in_the_worklist_until_it_is_done(fine: World) -> None:
    from django.utils import timezone

    sent = batches.hood(fine, flow="60.0")
    batches.post(fine, sent)
    with company(fine.id):
        evaluate_session(UUID(sent["id"]))
        flag = Flag.objects.get(rule="out_of_tolerance")
        FlagAnswer.objects.create(
            flag=flag, kind=AnswerKind.REMEASURE, reason="Open the damper first",
            member=fine.supervisor, answered_at=timezone.now(),
        )  # fmt: skip
        (asked,) = worklist(batches.technician(fine)).content["jobs"][0]["remeasure"]
    assert (asked["session"], asked["reason"]) == (sent["id"], "Open the damper first")
    again = batches.hood(fine, supersedes={"session": sent["id"], "reason": "Damper opened"})
    batches.post(fine, again)
    with company(fine.id):
        evaluate_session(UUID(again["id"]))
        assert worklist(batches.technician(fine)).content["jobs"][0]["remeasure"] == []


def measure(world: World, *sent: dict[str, Any]) -> None:
    batches.post(world, *sent)
    with company(world.id):
        for one in sent:
            evaluate_session(UUID(one["id"]))


@pytest.mark.django_db
def test_a_session_reads_back_with_columns_result_and_flags(client: Client, fine: World) -> None:
    sent = batches.traverse(fine, flow=0.65)
    measure(fine, sent)
    found = get(client, fine, f"sessions/{sent['id']}").json()
    assert found["readings"]["entered"] == [r["value"] for r in sent["readings"]]
    assert len({len(column) for column in found["readings"].values()}) == 1
    assert found["result"]["detail"]["results"]["flow"]["budget"]
    assert found["result"]["verdict"] == "fail"
    assert [flag["rule"] for flag in found["flags"]] == ["out_of_tolerance"]
    assert found["content"]["plane"]["width"] == {"si": 0.5, "value": "500", "unit": "mm"}
    result = get(client, fine, f"results/{found['result']['id']}").json()
    assert result["inputs_digest"] == found["result"]["inputs_digest"]


@pytest.mark.django_db
def test_sessions_are_filtered_and_unknown_filters_refused(client: Client, fine: World) -> None:
    old, waiting = batches.hood(fine), batches.traverse(fine)
    new = batches.hood(fine, supersedes={"session": old["id"], "reason": "Damper moved"})
    measure(fine, old, new)
    batches.post(fine, waiting)

    def listed(query: str) -> set[str]:
        return {one["id"] for one in get(client, fine, f"sessions?{query}").json()["items"]}

    assert listed(f"job={fine.job.id}") == {old["id"], new["id"], waiting["id"]}
    assert listed(f"test_point={fine.points['MD-1'].id}") == {waiting["id"]}
    assert listed("method=hood_reading") == {old["id"], new["id"]}
    assert listed("state=waiting") == {waiting["id"]}
    assert listed("state=computed") == {new["id"]}
    assert listed("state=superseded") == {old["id"]}
    for query in ("colour=red", "state=odd", "job=1", "method=guess"):
        assert get(client, fine, f"sessions?{query}").status_code == 422


@pytest.mark.django_db
def test_flags_are_filtered(client: Client, fine: World) -> None:
    measure(fine, batches.hood(fine, flow="60.0"), batches.centreline(fine))

    def rules(query: str) -> set[str]:
        return {one["rule"] for one in get(client, fine, f"flags?{query}").json()["items"]}

    assert rules("severity=stop") == {"out_of_tolerance"}
    assert "screening_only" in rules("severity=remark")
    assert "out_of_tolerance" in rules(f"open=true&job={fine.job.id}")
    assert rules("open=false") == set()


@pytest.mark.django_db
def test_a_jobs_results_nest_system_point_and_what_counts(client: Client, fine: World) -> None:
    old = batches.hood(fine, flow="60.0")
    new = batches.hood(fine, supersedes={"session": old["id"], "reason": "Damper moved"})
    measure(fine, old, new)
    found = get(client, fine, f"jobs/{fine.job.id}/results").json()
    assert found["overview"] == {
        "points": 5, "measured": 1, "to_do": 4, "waiting": 0, "must_answer": 0, "should_answer": 0,
    }  # fmt: skip
    points = {p["tag"]: p for p in found["systems"][0]["points"]}
    assert points["S-1"]["session"] == new["id"]
    assert points["S-1"]["result"]["verdict"] == "pass"
    assert points["MD-1"]["result"] is None


@pytest.mark.django_db
def test_a_job_is_handed_over_once_and_what_is_missing_is_told(client: Client, fine: World) -> None:
    measure(fine, batches.hood(fine))
    path = f"{API}/jobs/{fine.job.id}/submit"
    headers = bearer(fine.technician_token)
    response = client.post(path, headers=headers | {"Idempotency-Key": "a"})
    assert response.status_code == 200
    assert response.json()["status"] == "submitted"
    assert {m["point"] for m in response.json()["missing"]} == {"MD-1", "BD-1", "S-2", "S-3"}
    assert client.post(path, headers=headers | {"Idempotency-Key": "b"}).status_code == 409
    other = f"{API}/jobs/{uuid7()}/submit"
    assert client.post(other, headers=headers | {"Idempotency-Key": "c"}).status_code == 404
    for status in set(JobStatus) - {JobStatus.OPEN}:
        with company(fine.id):
            Job.objects.filter(id=fine.job.id).update(status=status)
        assert client.post(path, headers=headers | {"Idempotency-Key": status}).status_code == 409
        with company(fine.id):
            assert Job.objects.get(id=fine.job.id).status == status


@pytest.mark.django_db
def test_B1_another_company_reads_nothing(client: Client, fine: World) -> None:
    sent = batches.hood(fine, flow="60.0")
    measure(fine, sent)
    with company(fine.id):
        result = Session.objects.get().results.get()
    other = factories.make_world(factories.SECOND)
    for path in (f"sessions/{sent['id']}", f"results/{result.id}", f"jobs/{fine.job.id}/results"):
        foreign = get(client, other, path)
        unknown = get(client, other, path.replace(str(path.split("/")[1]), str(uuid7())))
        assert foreign.status_code == unknown.status_code == 404
        assert {k: v for k, v in foreign.json().items() if k != "instance"} == {
            k: v for k, v in unknown.json().items() if k != "instance"
        }
    for path in (f"sessions?job={fine.job.id}", f"flags?job={fine.job.id}"):
        assert get(client, other, path).json()["items"] == []


def statements(work: Any) -> int:
    with CaptureQueriesContext(
        connection,
    ) as seen:
        work()
    return len(seen)


@pytest.mark.django_db
def test_the_number_of_statements_does_not_grow(client: Client, fine: World) -> None:
    def widen(number: int) -> None:
        with company(fine.id):
            for _ in range(number):
                system = factories.system(fine.site, uuid7().hex[-6:])
                job = factories.job(fine.site, system)
                factories.assign(job, fine.technician, *fine.instruments.values())
                point = factories.outlet(system, "S-1")
                factories.plane(system)
                job.save()
                sent.append((job, point))

    sent: list[Any] = []
    seen: list[dict[str, int]] = []
    for more in (2, 8):
        start = len(sent)
        widen(more)
        posted = [
            batches.hood(fine, job=str(job.id), test_point=str(point.id), flow="60.0")
            for job, point in sent[start:]
        ]
        posted += [batches.hood(fine, flow="60.0") for _ in range(more)]
        measure(fine, *posted)
        paths = {
            "worklist": "field/worklist",
            "sessions": "sessions",
            "flags": "flags",
            "results": f"jobs/{fine.job.id}/results",
            "session": f"sessions/{posted[-1]['id']}",
        }
        seen.append({name: statements(partial(get, client, fine, path)) for name, path in paths.items()})
    assert seen[0] == seen[1]


@pytest.mark.django_db
def test_a_batch_of_10_and_of_500_readings_take_the_same_statements(client: Client, fine: World) -> None:
    def of(sessions: int) -> int:
        text = batches.body(*[batches.hood(fine, f"S-{n % 3 + 1}") for n in range(sessions)])
        return statements(lambda: post(client, fine, text))

    of(1)
    few, many = of(5), of(100)
    assert few == many
    text = batches.body(*[batches.traverse(fine) for _ in range(10)])
    assert statements(lambda: post(client, fine, text)) == few


def test_posts_ring_the_workers_only_after_the_commit(transactional_db: None, monkeypatch: Any) -> None:
    world = factories.make_world()
    rung: list[str] = []
    monkeypatch.setattr(due, "_send", lambda kind, _: rung.append(kind))
    assert post(Client(), world, batches.body(batches.hood(world))).status_code == 200
    assert rung == ["evaluate"]
    rung.clear()
    assert post(Client(), world, b"{").status_code == 400
    assert rung == []
    assert json.loads(batches.body())["sessions"] == []
