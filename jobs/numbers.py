"""Numbers that count up without gaps within a company: jobs, reports."""

from django.db import transaction
from django.db.models import F

from jobs.models import Counter


@transaction.atomic
def next_number(series: str) -> int:
    """The next number of the company's series, e.g. "job"; the first is 1.

    The counter's row stays locked until the caller's transaction ends, so two at once get two numbers and
    a rolled-back one leaves no gap.
    """
    if not _count_up(series):
        Counter.objects.bulk_create([Counter(series=series, value=0)], ignore_conflicts=True)
        _count_up(series)
    return int(Counter.objects.values_list("value", flat=True).get(series=series))


def _count_up(series: str) -> int:
    return Counter.objects.filter(series=series).update(value=F("value") + 1)
