"""Who answered for it, what left the house."""

from reports.models.deferral import Deferral, Season
from reports.models.delivery import Delivery, Fetch, FetchedAs
from reports.models.look import Look
from reports.models.photo import PhotoChoice
from reports.models.revision import DocumentKind, Issue, IssuedFile, Revision, SignatureLevel
from reports.models.signing import SigningCertificate
from reports.models.webhook import MessageState, OffReason, Outcome, Webhook, WebhookAttempt, WebhookMessage

__all__ = [
    "Deferral",
    "Delivery",
    "DocumentKind",
    "Fetch",
    "FetchedAs",
    "Issue",
    "IssuedFile",
    "Look",
    "MessageState",
    "OffReason",
    "Outcome",
    "PhotoChoice",
    "Revision",
    "Season",
    "SignatureLevel",
    "SigningCertificate",
    "Webhook",
    "WebhookAttempt",
    "WebhookMessage",
]
