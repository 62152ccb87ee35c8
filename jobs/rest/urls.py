"""Addresses of the jobs app, relative to /api/v1/."""

from django.urls import URLPattern, URLResolver, path

from jobs.rest import company, devices, instruments, jobs, people, register, schedule, tokens

urlpatterns: list[URLPattern | URLResolver] = [
    path("me", people.Me.as_view(), name="api-me"),
    path("company", company.CompanyDoor.as_view(), name="api-company"),
    path("events", company.Events.as_view(), name="api-events"),
    path("members", people.Members.as_view(), name="api-members"),
    path("members/<uuid:member_id>", people.MemberDoor.as_view(), name="api-member"),
    path("invitations", people.Invitations.as_view(), name="api-invitations"),
    path("invitations/accept", people.AcceptInvitation.as_view(), name="api-invitation-accept"),
    path("invitations/<uuid:invitation_id>", people.InvitationDoor.as_view(), name="api-invitation"),
    path("keys", tokens.Keys.as_view(), name="api-keys"),
    path("keys/<uuid:key_id>", tokens.KeyDoor.as_view(), name="api-key"),
    path("devices", devices.Devices.as_view(), name="api-devices"),
    path("devices/pairing-codes", devices.PairingCodes.as_view(), name="api-pairing-codes"),
    path("devices/pair", devices.Pair.as_view(), name="api-pair"),
    path("devices/sign-in", devices.SignIn.as_view(), name="api-device-sign-in"),
    path("devices/sign-out", devices.SignOut.as_view(), name="api-device-sign-out"),
    path("devices/<uuid:device_id>", devices.DeviceDoor.as_view(), name="api-device"),
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
