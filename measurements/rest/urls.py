"""Addresses of the measurements app, relative to /api/v1/."""

from django.urls import URLPattern, URLResolver, path

from measurements.rest import balance, checks, corrections, field, kinds, photos, rules, views

urlpatterns: list[URLPattern | URLResolver] = [
    path("field/batches", field.FieldBatches.as_view()),
    path("field/worklist", field.FieldWorklist.as_view()),
    path("field/jobs/<uuid:job_id>/state", field.FieldJobState.as_view()),
    path("field/jobs/<uuid:job_id>/systems/<uuid:system_id>/balance", balance.SystemBalance.as_view()),
    path("field/photos", photos.FieldPhotos.as_view()),
    path("field/photos/<uuid:photo_id>", photos.FieldPhoto.as_view()),
    path("photos", photos.Photos.as_view()),
    path("photos/<uuid:photo_id>", photos.PhotoDetail.as_view()),
    path("photos/<uuid:photo_id>/file", photos.PhotoFile.as_view(), name="api-photo-file"),
    path("photos/<uuid:photo_id>/corrections", photos.PhotoCorrections.as_view()),
    path("photos/<uuid:photo_id>/removal", photos.PhotoRemovals.as_view()),
    path("photos/<uuid:photo_id>/restoration", photos.PhotoRestorals.as_view()),
    path("instruments/<uuid:instrument_id>/checks", checks.IntervalChecks.as_view()),
    path("methods", kinds.Methods.as_view()),
    path("rules", rules.Rules.as_view()),
    path("rules/<str:rule>/settings", rules.RuleSettings.as_view()),
    path("sessions", views.Sessions.as_view()),
    path("sessions/<uuid:session_id>", views.SessionDetail.as_view()),
    path("sessions/<uuid:session_id>/corrections", corrections.SessionCorrections.as_view()),
    path("sessions/<uuid:session_id>/void", corrections.SessionVoids.as_view()),
    path("results/<uuid:result_id>", views.ResultDetail.as_view()),
    path("flags", views.Flags.as_view()),
    path("jobs/<uuid:job_id>/results", views.JobResults.as_view()),
    path("jobs/<uuid:job_id>/submit", views.JobSubmission.as_view()),
]
