"""Addresses of reviews and reports, below /api/v1/."""

from django.urls import path

from reports.rest import before, photos, recall, signing, views, webhooks

urlpatterns = [
    path("review", views.Queue.as_view()),
    path("jobs/<uuid:job_id>/review", views.JobReview.as_view()),
    path("jobs/<uuid:job_id>/approve", views.JobApproval.as_view()),
    path("jobs/<uuid:job_id>/revisions", views.JobRevisions.as_view()),
    path("flags/<uuid:flag_id>/answers", views.FlagAnswers.as_view()),
    path("revisions/<uuid:revision_id>", views.RevisionDetail.as_view()),
    path("revisions/<uuid:revision_id>/issue", views.RevisionIssue.as_view()),
    path("reports", views.ReportList.as_view()),
    path("reports/<uuid:report_id>", views.ReportDetail.as_view()),
    path("reports/<uuid:report_id>/render", views.ReportRender.as_view()),
    path("reports/<uuid:report_id>/file", views.ReportFile.as_view()),
    path("reports/<uuid:report_id>/workbook", before.ReportWorkbook.as_view()),
    path("reports/<uuid:report_id>/deliveries", before.ReportDeliveries.as_view()),
    path("reports/<uuid:report_id>/fetches", before.ReportFetches.as_view()),
    path("deliveries/<uuid:delivery_id>/end", before.DeliveryEnd.as_view()),
    path("jobs/<uuid:job_id>/documents", before.JobDocuments.as_view()),
    path("jobs/<uuid:job_id>/deferrals", before.JobDeferrals.as_view()),
    path("jobs/<uuid:job_id>/photo-choices", photos.JobPhotoChoices.as_view()),
    path("photos/<uuid:photo_id>/erasure", photos.PhotoErasure.as_view()),
    path("photos/<uuid:photo_id>/thumbnail", photos.PhotoThumbnail.as_view(), name="api-photo-thumbnail"),
    path("recalls", recall.Recalls.as_view()),
    path("recalls/<uuid:recall_id>", recall.Recall.as_view()),
    path("recalls/<uuid:recall_id>/sessions", recall.RecallSessions.as_view()),
    path("recalls/<uuid:recall_id>/documents", recall.RecallHolders.as_view()),
    path("recalls/<uuid:recall_id>/decisions", recall.RecallDecisions.as_view()),
    path("snapshot.schema.json", before.SnapshotSchema.as_view()),
    path("company/signing", signing.Signing.as_view()),
    path("webhooks", webhooks.Webhooks.as_view(), name="api-webhooks"),
    path("webhooks/<uuid:webhook_id>", webhooks.WebhookDoor.as_view(), name="api-webhook"),
    path("webhooks/<uuid:webhook_id>/attempts", webhooks.WebhookAttempts.as_view()),
    path("webhooks/<uuid:webhook_id>/replay", webhooks.WebhookReplay.as_view()),
    path("webhooks/<uuid:webhook_id>/rotate", webhooks.WebhookRotation.as_view()),
    path("webhooks/<uuid:webhook_id>/sample", webhooks.WebhookSample.as_view()),
    path("public/check", views.PublicCheck.as_view()),
]
