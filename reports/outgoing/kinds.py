"""The kinds of event that a webhook can be told of: every verb of the log, by what it speaks of."""

VERBS = (
    "batch.received",
    "calendar.made", "calendar.revoked",
    "certificate.entered",
    "company.changed", "company.created",
    "customer.added", "customer.changed",
    "device.paired", "device.revoked",
    "document.frozen",
    "flag.answered", "flag.raised",
    "instrument.added", "instrument.changed", "instrument.checked",
    "invitation.withdrawn",
    "job.approved", "job.cancelled", "job.changed", "job.planned", "job.submitted",
    "key.made", "key.revoked",
    "member.changed", "member.invited", "member.joined",
    "person.assigned", "person.password", "person.signed_in", "person.unassigned",
    "photo.changed", "photo.chosen", "photo.stored",
    "point.added", "point.changed", "point.deferral_ended", "point.deferred",
    "query.forgotten", "query.stored",
    "recall.closed", "recall.computed", "recall.decided", "recall.opened", "recall.reopened",
    "report.fetched", "report.issued", "report.link_ended", "report.rendered", "report.sent",
    "rule.changed",
    "schedule.imported",
    "session.corrected", "session.evaluated", "session.stored", "session.voided",
    "signing.changed", "signing.warned",
    "site.added", "site.changed",
    "system.added", "system.changed",
    "travel.forgotten", "travel.set",
    "webhook.changed", "webhook.disabled", "webhook.made", "webhook.removed", "webhook.replayed",
    "webhook.rotated",
)  # fmt: skip
SAMPLE = "webhook.sample"
"""The type of a message that is sent to try an address; it is no event."""
