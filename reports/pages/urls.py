"""Addresses of the pages of the reports app."""

from django.urls import path

from reports.pages import before, check, corrections, fetch, instrument, job, recall, rules, signing, views

urlpatterns = [
    path("jobs/<uuid:job_id>", job.job, name="job"),
    path("jobs/<uuid:job_id>/now", job.job_now, name="job-now"),
    path("review", views.queue, name="review"),
    path("review/<uuid:job_id>", views.job, name="review-job"),
    path("review/<uuid:job_id>/approve", views.approve, name="review-approve"),
    path("review/<uuid:job_id>/answers", views.answer_many, name="review-answers"),
    path("review/<uuid:job_id>/seen", views.saw, name="review-seen"),
    path("company/rules/flags", rules.rule_list, name="company-flag-rules"),
    path("company/rules/flags/<str:rule>", rules.rule_page, name="company-flag-rule"),
    path("flags/<uuid:flag_id>/answer", views.answer, name="flag-answer"),
    path("sessions/<uuid:session_id>", views.session, name="session"),
    path("sessions/<uuid:session_id>/correct", corrections.correction, name="session-correct"),
    path("sessions/<uuid:session_id>/void", corrections.void, name="session-void"),
    path("revisions/<uuid:revision_id>/issue", views.issue, name="revision-issue"),
    path("reports", views.reports, name="reports"),
    path("reports/<uuid:report_id>", views.report, name="report"),
    path("reports/<uuid:report_id>/file", views.report_file, name="report-file"),
    path("reports/<uuid:report_id>/render", views.render_again, name="report-render"),
    path("reports/<uuid:report_id>/workbook", fetch.workbook, name="report-workbook"),
    path("reports/<uuid:report_id>/send", fetch.send, name="report-send"),
    path("deliveries/<uuid:delivery_id>/end", fetch.end, name="delivery-end"),
    path("fetch/<str:token>", fetch.fetch, name="fetch"),
    path("review/<uuid:job_id>/before", before.job, name="before-final"),
    path("review/<uuid:job_id>/before/defer", before.defer, name="before-defer"),
    path("review/<uuid:job_id>/before/send", before.send, name="before-send"),
    path("instruments/<uuid:instrument_id>", instrument.instrument, name="instrument"),
    path("instruments/<uuid:instrument_id>/check", instrument.check, name="instrument-check"),
    path("recalls", recall.case_list, name="recalls"),
    path("recalls/withdraw", recall.withdraw, name="recall-withdraw"),
    path("recalls/<uuid:case_id>", recall.case_page, name="recall"),
    path("recalls/<uuid:case_id>/decide", recall.decide_page, name="recall-decide"),
    path("recalls/<uuid:case_id>/again", recall.again, name="recall-again"),
    path("company/signing", signing.signing, name="company-signing"),
    path("company/signing/withdraw", signing.withdraw, name="company-signing-withdraw"),
    path("check", check.by_address, name="check-address"),
    path("check/<str:company>/<str:number>/<str:key>", check.check, name="check"),
]
