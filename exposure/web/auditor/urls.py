"""Addresses of the history pages."""

from django.urls import path

from exposure.web.auditor import proofs, retention, views

urlpatterns = [
    path("history/", views.history, name="history"),
    path("history/people/<uuid:uid>/", views.worker_history, name="worker_history"),
    path("history/head.pdf", proofs.head_sheet, name="head_sheet"),
    path("history/people/<uuid:uid>/record.pdf", proofs.record_pdf, name="record_pdf"),
    path("history/people/<uuid:uid>/record.json", proofs.record_file, name="record_file"),
    path("retention/", retention.retention, name="retention"),
    path("retention/holds/<uuid:uid>/lift/", retention.lift, name="lift_hold"),
    path("retention/orders/<uuid:uid>/", retention.order_page, name="purge_order"),
]
