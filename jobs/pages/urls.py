"""Addresses of the pages of the jobs app."""

from django.urls import URLPattern, URLResolver, path

from jobs.pages import certificates, company, entry, home, instruments, jobs, problems

urlpatterns: list[URLPattern | URLResolver] = [
    path("", home.start, name="start"),
    path("signin", entry.sign_in, name="signin"),
    path("signout", entry.sign_out, name="signout"),
    path("companies", entry.choose_company, name="choose-company"),
    path("password", entry.forgotten_password, name="password"),
    path("password/sent", entry.password_sent, name="password-sent"),
    path("password/<str:uid>/<str:token>", entry.new_password, name="new-password"),
    path("invitation/<str:token>", entry.invitation, name="invitation"),
    path("jobs", jobs.job_list, name="jobs"),
    path("jobs/<uuid:job_id>", jobs.job, name="job"),
    path("instruments", instruments.instrument_list, name="instruments"),
    path("instruments/due.csv", instruments.due_csv, name="instruments-due-csv"),
    path("instruments/new", instruments.new_instrument, name="instrument-new"),
    path("instruments/<uuid:instrument_id>/change", instruments.change_instrument, name="instrument-change"),
    path(
        "instruments/<uuid:instrument_id>/certificates/new",
        certificates.new_certificate,
        name="certificate-new",
    ),
    path("certificates/digital", certificates.digital, name="certificate-digital"),
    path("certificates/table", certificates.table, name="certificate-table"),
    path("certificates/template.csv", certificates.template, name="certificate-template"),
    path("certificates/<uuid:certificate_id>", certificates.certificate, name="certificate"),
    path("certificates/<uuid:certificate_id>/right", certificates.put_right, name="certificate-right"),
    path(
        "certificates/<uuid:certificate_id>/files/<uuid:file_id>",
        certificates.certificate_file,
        name="certificate-file",
    ),
    path("company", company.people_page, name="company"),
    path("company/invite", company.invite, name="company-invite"),
    path("company/invitations/<uuid:invitation_id>/withdraw", company.withdraw, name="company-withdraw"),
    path("company/people/<uuid:member_id>", company.member, name="company-member"),
    path("company/keys", company.keys, name="company-keys"),
    path("company/keys/<uuid:key_id>/revoke", company.revoke_key, name="company-key-revoke"),
    path("company/tablets", company.tablets, name="company-tablets"),
    path("company/tablets/<uuid:device_id>/revoke", company.revoke_tablet, name="company-tablet-revoke"),
    path("company/rules", company.rules, name="company-rules"),
    path("problems", problems.problems, name="problems"),
    path("problems/<slug:code>", problems.problem, name="problem"),
]
