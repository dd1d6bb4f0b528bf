"""Addresses of the worker's pages. None says why somebody has them."""

from django.urls import path

from exposure.web.worker import meaning, my_record, offline, today, views

urlpatterns = [
    path("today/", today.today, name="today"),
    path("today/kept/", offline.kept_reading, name="kept_reading"),
    path("today/telephoned/", today.telephoned, name="telephoned"),
    path("today/reading/<uuid:uid>/", today.reading_taken, name="reading_taken"),
    path("today/reading/<uuid:uid>/correct/", today.correct_reading, name="correct_reading"),
    path("my-days/", views.my_days, name="my_days"),
    path("what-this-means/", meaning.what_this_means, name="what_this_means"),
    path("what-this-means/at-home/", meaning.household, name="household"),
    path("my-record/", my_record.my_record, name="my_record"),
    path("my-record/copy.pdf", my_record.copy_paper, name="copy_paper"),
    path("my-record/copy.json", my_record.copy_file, name="copy_file"),
    path("my-record/receipts/<uuid:uid>.json", my_record.receipt_file, name="receipt_file"),
    path("settings/", views.my_settings, name="my_settings"),
    path("settings/times/", views.my_times, name="my_times"),
]
