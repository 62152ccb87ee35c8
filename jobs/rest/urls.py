"""Addresses of the jobs app, relative to /api/v1/."""

from django.urls import URLPattern, URLResolver, path

from jobs.rest import instruments, jobs, register, schedule

urlpatterns: list[URLPattern | URLResolver] = [
    path("customers", register.Customers.as_view(), name="api-customers"),
    path("customers/<uuid:customer_id>", register.Customer.as_view(), name="api-customer"),
    path("sites", register.Sites.as_view(), name="api-sites"),
    path("sites/<uuid:site_id>", register.Site.as_view(), name="api-site"),
    path("sites/<uuid:site_id>/schedule", schedule.Schedule.as_view(), name="api-schedule"),
    path("systems", register.Systems.as_view(), name="api-systems"),
    path("systems/<uuid:system_id>", register.System.as_view(), name="api-system"),
    path("points", register.Points.as_view(), name="api-points"),
    path("points/<uuid:point_id>", register.Point.as_view(), name="api-point"),
    path("instruments", instruments.Instruments.as_view(), name="api-instruments"),
    path("instruments/due", instruments.InstrumentsDue.as_view(), name="api-instruments-due"),
    path("instruments/<uuid:instrument_id>", instruments.Instrument.as_view(), name="api-instrument"),
    path(
        "instruments/<uuid:instrument_id>/certificates",
        instruments.Certificates.as_view(),
        name="api-certificates",
    ),
    path("certificates/<uuid:certificate_id>", instruments.Certificate.as_view(), name="api-certificate"),
    path("jobs", jobs.Jobs.as_view(), name="api-jobs"),
    path("jobs/<uuid:job_id>", jobs.Job.as_view(), name="api-job"),
    path("jobs/<uuid:job_id>/people", jobs.JobPeople.as_view(), name="api-job-people"),
    path("jobs/<uuid:job_id>/people/<uuid:member_id>", jobs.JobPerson.as_view(), name="api-job-person"),
    path("jobs/<uuid:job_id>/instruments", jobs.JobInstruments.as_view(), name="api-job-instruments"),
    path(
        "jobs/<uuid:job_id>/instruments/<uuid:instrument_id>",
        jobs.JobInstrument.as_view(),
        name="api-job-instrument",
    ),
    path("jobs/<uuid:job_id>/cancel", jobs.JobCancel.as_view(), name="api-job-cancel"),
    path("jobs/<uuid:job_id>/readiness", jobs.JobReadiness.as_view(), name="api-job-readiness"),
]
