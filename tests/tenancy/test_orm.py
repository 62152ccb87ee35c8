"""Django's ORM on tenant tables, used as anywhere else."""

import uuid

import pytest
from django.core.exceptions import ValidationError
from django.db import DatabaseError, IntegrityError, connection, transaction
from django.db.models import Count, Exists, F, FilteredRelation, OuterRef, ProtectedError, Q, Subquery, Sum
from django.test.utils import CaptureQueriesContext

from jobs.models import Company
from jobs.tenancy.context import WrongCompany, company
from jobs.tenancy.ids import uuid7
from tests.tenancy.probe.models import Mark, Value, Visit, Work, WorkTool
from tests.tenancy.world import Side


def numbers() -> list[int]:
    return list(Work.objects.order_by("number").values_list("number", flat=True))


def test_create_fills_in_the_company(inside_a: Side) -> None:
    assert Work.objects.create(number=9).company_id == inside_a.id
    assert Work.objects.count() == 6


def test_company_of_a_row(inside_a: Side) -> None:
    assert Work.objects.get(number=1).company == Company.objects.get()


def test_save_and_refresh(inside_a: Side) -> None:
    work = Work.objects.get(number=1)
    work.status = "done"
    work.save()
    Work.objects.filter(number=1).update(status=F("status"))
    work.refresh_from_db()
    assert work.status == "done"
    work.status = "late"
    work.save(update_fields=["status"])
    assert Work.objects.get(number=1).status == "late"


def test_save_never_writes_the_company(inside_a: Side) -> None:
    with CaptureQueriesContext(connection) as queries:
        inside_a.work.save()
        Work.objects.bulk_update([inside_a.work], ["status"])
    updates = [query["sql"] for query in queries if query["sql"].startswith("UPDATE")]
    assert len(updates) == 2
    for sql in updates:
        head, tail = sql.split("WHERE")
        assert "company_id" not in head
        assert inside_a.id.hex in tail


def test_save_of_a_row_with_nothing_to_set(inside_a: Side) -> None:
    mark = Mark.objects.create()
    mark.save()
    assert Mark.objects.get() == mark


def test_deletes_name_the_company(inside_a: Side) -> None:
    with CaptureQueriesContext(connection) as queries:
        Work.objects.filter(number=5).delete()
        Work.objects.get(number=4).delete()
    deletes = [query["sql"] for query in queries if query["sql"].startswith("DELETE")]
    assert deletes
    assert all(inside_a.id.hex in sql for sql in deletes)
    assert numbers() == [1, 2, 3]


def test_get_or_create_and_update_or_create(inside_a: Side) -> None:
    assert not Work.objects.get_or_create(number=1)[1]
    assert Work.objects.get_or_create(number=7)[1]
    assert not Work.objects.update_or_create(number=7, defaults={"status": "late"})[1]
    assert Work.objects.get(number=7).status == "late"


def test_bulk_create_uses_values_and_not_unnest(inside_a: Side) -> None:
    with CaptureQueriesContext(connection) as queries:
        Work.objects.bulk_create([Work(number=number) for number in range(10, 15)])
    (sql,) = [query["sql"] for query in queries if query["sql"].startswith("INSERT")]
    assert " VALUES " in sql
    assert "UNNEST" not in sql.upper()
    assert Work.objects.count() == 10


def test_bulk_create_with_conflicts(inside_a: Side) -> None:
    Work.objects.bulk_create([Work(number=1), Work(number=11)], ignore_conflicts=True)
    Work.objects.bulk_create(
        [Work(number=1, status="new")],
        update_conflicts=True,
        unique_fields=["company", "number"],
        update_fields=["status"],
    )
    assert numbers() == [1, 2, 3, 4, 5, 11]
    assert Work.objects.get(number=1).status == "new"


def test_bulk_update_in_bulk_and_iterator(inside_a: Side) -> None:
    works = list(Work.objects.all())
    for work in works:
        work.status = str(work.number)
    assert Work.objects.bulk_update(works, ["status"]) == 5
    assert len(Work.objects.in_bulk()) == 5
    assert sum(work.number for work in Work.objects.iterator(chunk_size=2)) == 15


def test_select_for_update(inside_a: Side) -> None:
    assert Work.objects.select_for_update().get(number=1) == inside_a.work
    assert Work.objects.select_for_update(skip_locked=True).filter(number=2).count() == 1


def test_named_querysets_and_union(inside_a: Side) -> None:
    Work.objects.filter(number__gt=3).update(status="done")
    assert Work.objects.open().count() == 3
    union = Work.objects.filter(number=1).union(Work.objects.filter(number=2))
    assert union.count() == 2


def test_raw_query(inside_a: Side) -> None:
    rows = Work.objects.raw("SELECT * FROM probe_work WHERE company_id = %s", [inside_a.id])
    assert len(list(rows)) == 5


def test_related_rows(inside_a: Side) -> None:
    value = Value.objects.select_related("visit__work", "tool").get()
    assert (value.visit.work.number, value.tool.serial) == (1, "T-1")
    works = Work.objects.prefetch_related("visits__values", "tools").order_by("number")
    assert [len(work.visits.all()) for work in works] == [1, 0, 0, 0, 0]
    assert inside_a.tool.works.get() == inside_a.work


def test_joins_compare_the_company(inside_a: Side) -> None:
    sql = str(Value.objects.select_related("visit").query)
    assert '"probe_value"."visit_id" = "probe_visit"."id"' in sql
    assert '"probe_value"."company_id"' in sql.split("INNER JOIN")[1].split("WHERE")[0]


def test_aggregates(inside_a: Side) -> None:
    counted = Work.objects.annotate(visited=Count("visits")).order_by("number")
    assert [work.visited for work in counted] == [1, 0, 0, 0, 0]
    visits = Visit.objects.select_related("work").annotate(n=Count("values"))
    assert [(visit.work.number, visit.n) for visit in visits] == [(1, 1)]
    total = Work.objects.annotate(total=Sum("visits__values__number")).filter(total__gt=0)
    assert list(total.values_list("number", "total")) == [(1, 1.5)]
    assert Work.objects.aggregate(n=Count("id"))["n"] == 5


def test_exclude_over_relations(inside_a: Side) -> None:
    assert Work.objects.exclude(visits__values__number__gt=1).count() == 4
    assert Work.objects.exclude(visits__isnull=True).count() == 1
    assert Work.objects.exclude(tools__serial="T-1").count() == 4
    assert Visit.objects.exclude(work__status="done").count() == 1
    assert Visit.objects.filter(after__isnull=True).count() == 1


def test_subqueries(inside_a: Side) -> None:
    visits = Visit.objects.filter(work=OuterRef("pk"))
    assert Work.objects.filter(Exists(visits)).count() == 1
    assert Work.objects.annotate(n=Subquery(visits.values("note")[:1])).filter(n="first").count() == 1
    filtered = FilteredRelation("visits", condition=Q(visits__note="first"))
    assert Work.objects.annotate(v=filtered).filter(v__isnull=False).count() == 1
    assert Work.objects.filter(pk__in=visits.none().values("work")).count() == 0


def test_update_and_delete_over_joins(inside_a: Side) -> None:
    assert Visit.objects.filter(work__number=1).update(note="seen") == 1
    assert Visit.objects.filter(work__number=2).delete()[0] == 0
    Visit.objects.create(work=inside_a.works[1])
    assert Visit.objects.filter(work__number=2).delete()[0] == 1


def test_many_to_many(inside_a: Side) -> None:
    work, tool = inside_a.works[1], inside_a.tool
    work.tools.add(tool)
    assert WorkTool.objects.get(work=work).company_id == inside_a.id
    other = work.tools.create(serial="T-2")
    work.tools.remove(tool)
    assert list(work.tools.all()) == [other]
    work.tools.set([tool])
    assert list(work.tools.all()) == [tool]
    work.tools.clear()
    assert work.tools.count() == 0


def test_cascade_and_protect(inside_a: Side) -> None:
    with pytest.raises(ProtectedError):
        inside_a.work.delete()
    work = inside_a.works[1]
    work.tools.add(inside_a.tool)
    Visit.objects.create(work=work)
    count, by_model = work.delete()
    assert count == 3
    assert by_model == {"probe.Work": 1, "probe.Visit": 1, "probe.WorkTool": 1}


def test_cascade_through_a_long_chain_of_its_own(inside_a: Side) -> None:
    work = inside_a.works[2]
    after = None
    chain = []
    for _ in range(150):  # more than one DELETE takes, and keys are checked at once
        after = Visit(work=work, after=after)
        chain.append(after)
    Visit.objects.bulk_create(chain)
    assert work.delete()[0] == 151


def test_duplicates_are_form_errors(inside_a: Side) -> None:
    with pytest.raises(ValidationError, match="already exists"):
        Work(number=1).full_clean()
    Work(number=8).full_clean()


def test_duplicates_are_refused_by_the_database(inside_a: Side) -> None:
    with pytest.raises(IntegrityError) as caught, transaction.atomic():
        Work.objects.create(number=1)
    assert caught.value.__cause__.sqlstate == "23505"  # type: ignore[union-attr]


def test_the_same_numbers_and_ids_in_two_companies(a: Side, b: Side) -> None:
    with company(a.id):
        assert Work.objects.create(id=b.work.id, number=77).pk == b.work.pk
    with company(b.id):
        assert Work.objects.get(pk=b.work.pk).number == 1


def test_foreign_rows_are_not_there(inside_a: Side, b: Side) -> None:
    with pytest.raises(Work.DoesNotExist):
        Work.objects.get(pk=b.work.pk)
    assert Work.objects.filter(pk=b.work.pk).update(status="x") == 0
    assert Work.objects.filter(pk=b.work.pk).delete()[0] == 0
    with pytest.raises(Work.DoesNotExist):
        b.work.refresh_from_db()


def test_a_foreign_row_cannot_be_saved(inside_a: Side, b: Side) -> None:
    with pytest.raises(WrongCompany):
        b.work.save()
    with pytest.raises(WrongCompany):
        Work.objects.filter(number=1).update(company=b.id)
    for other in (b.id, uuid.UUID(int=0), uuid.UUID(int=(1 << 128) - 1)):
        inside_a.work.company_id = other
        with pytest.raises(WrongCompany):
            inside_a.work.save(update_fields=["status"])


def link_error(target: uuid.UUID) -> tuple[str, str]:
    with pytest.raises(IntegrityError) as caught, transaction.atomic():
        Visit.objects.create(work_id=target)
    error = caught.value.__cause__
    text = str(error).replace(str(target), "ID")
    return error.sqlstate, text.split("violates")[1].split("DETAIL")[0]  # type: ignore[union-attr]


def test_a_link_to_a_foreign_row_fails_like_one_to_nothing(inside_a: Side, b: Side) -> None:
    foreign, unknown = link_error(b.work.id), link_error(uuid7())
    assert foreign == unknown
    assert foreign[0] == "23503"


def test_many_to_many_to_a_foreign_row(inside_a: Side, b: Side) -> None:
    for target in (b.tool.pk, uuid7()):
        with pytest.raises(IntegrityError), transaction.atomic():
            inside_a.works[1].tools.add(target)


@pytest.mark.parametrize("change", ["update", "delete", "save", "lock"])
def test_append_only(inside_a: Side, change: str) -> None:
    actions = {
        "update": lambda: Value.objects.update(number=2),
        "delete": lambda: Value.objects.all().delete(),
        "save": lambda: inside_a.value.save(),
        "lock": lambda: list(Value.objects.select_for_update()),
    }
    with pytest.raises(DatabaseError) as caught, transaction.atomic():
        actions[change]()
    assert caught.value.__cause__.sqlstate == "42501"  # type: ignore[union-attr]
    assert Value.objects.get().number == 1.5


def test_class_level_querysets_take_the_company_when_evaluated(a: Side, b: Side) -> None:
    works = Work.objects.order_by("number")  # no company yet, as at import
    with company(a.id):
        assert works.all().count() == 5
    with company(b.id):
        assert works.all().count() == 3
