"""The audit at the start of a web or worker process."""

import logging

from django.db import connections

from .audit import faults

logger = logging.getLogger(__name__)


def refuse_on_fault() -> None:
    """End the process (SystemExit) if the catalogue has a fault; the log names each one.

    A database that does not answer raises its own error, which ends the process as well.
    """
    try:
        found = faults()
    finally:
        connections.close_all()  # a worker forks after this and must not share a connection
    for fault in found:
        logger.critical("isolation of companies is broken: %s", fault)
    if found:
        raise SystemExit(
            f"refusing to serve: {len(found)} faults in the catalogue, see manage.py audit_tenancy"
        )
