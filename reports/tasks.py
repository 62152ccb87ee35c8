"""Makes the worker know what reports have due: importing the modules registers their handlers."""

from celery import shared_task

from jobs.models import Affiliation
from jobs.tenancy.context import company
from reports import exports, issue, removal, signers, webhook_queue

__all__ = ["exports", "issue", "removal", "signers", "webhook_queue"]


@shared_task(name="reports.warn_of_certificates")
def warn_of_certificates() -> int:
    """Tells owners whose signing certificate ends soon. Sent by beat once a day."""
    told = 0
    for company_id in list(Affiliation.objects.values_list("company_ref", flat=True).distinct()):
        with company(company_id):
            told += signers.warn()
    return told
