"""A small world of tenant tables: plain, linked, many-to-many, self-referring and append-only."""

from django.db import models

from jobs.tenancy.constraints import AppendOnly
from jobs.tenancy.fields import TenantForeignKey
from jobs.tenancy.models import TenantManager, TenantModel


class WorkQuerySet(models.QuerySet["Work"]):
    """Queries with a name."""

    def open(self) -> "WorkQuerySet":
        return self.filter(status="open")


class Tool(TenantModel):
    serial = models.CharField(max_length=30)

    class Meta(TenantModel.Meta):
        constraints = [models.UniqueConstraint(fields=["company", "serial"], name="probe_tool_serial")]


class Work(TenantModel):
    number = models.IntegerField()
    status = models.CharField(max_length=10, default="open")
    remark = models.CharField(max_length=20, default="none")
    tools = models.ManyToManyField(Tool, through="WorkTool", related_name="works")

    objects = TenantManager.from_queryset(WorkQuerySet)()

    class Meta(TenantModel.Meta):
        constraints = [models.UniqueConstraint(fields=["company", "number"], name="probe_work_number")]


class WorkTool(TenantModel):
    work = TenantForeignKey(Work, models.CASCADE)
    tool = TenantForeignKey(Tool, models.PROTECT)

    class Meta(TenantModel.Meta):
        constraints = [models.UniqueConstraint(fields=["company", "work", "tool"], name="probe_work_tool")]


class Visit(TenantModel):
    work = TenantForeignKey(Work, models.CASCADE, related_name="visits")
    after = TenantForeignKey("self", models.CASCADE, null=True, blank=True, related_name="before")
    main_tool = TenantForeignKey(Tool, models.PROTECT, null=True, blank=True, related_name="+")
    note = models.TextField(blank=True)


class Value(TenantModel):
    visit = TenantForeignKey(Visit, models.PROTECT, related_name="values")
    tool = TenantForeignKey(Tool, models.PROTECT, null=True, blank=True)
    number = models.FloatField()

    class Meta(TenantModel.Meta):
        constraints = [AppendOnly(name="probe_value_append_only")]


class Mark(TenantModel):
    """Nothing but an id: a save of it has nothing to set."""
