"""Two companies with rows of the probe app."""

import uuid
from dataclasses import dataclass

from jobs.models import Company
from jobs.tenancy.context import company
from jobs.tenancy.ids import uuid7
from tests.tenancy.probe.models import Tool, Value, Visit, Work


@dataclass(frozen=True)
class Side:
    """One company's rows: `works` numbered from 1, one visit to the first, one tool, one value."""

    id: uuid.UUID
    works: list[Work]
    visit: Visit
    tool: Tool
    value: Value

    @property
    def work(self) -> Work:
        """The work with number 1."""
        return self.works[0]


def make_side(name: str, works: int) -> Side:
    """Make a company with so many works; tools have the same serial in every company."""
    company_id = uuid7()
    with company(company_id):
        Company.objects.create(id=company_id, name=name)
        made = Work.objects.bulk_create([Work(number=number) for number in range(1, works + 1)])
        tool = Tool.objects.create(serial="T-1")
        made[0].tools.add(tool)
        visit = Visit.objects.create(work=made[0], note="first")
        value = Value.objects.create(visit=visit, tool=tool, number=1.5)
        return Side(company_id, made, visit, tool, value)
