"""Addresses of the pages of nurse and physician: what they look at, and one page per deed."""

from django.urls import path

from exposure.web.nurse import (
    alert_deeds,
    alert_page,
    calls,
    card,
    cases,
    contact_lists,
    follow_up_deeds,
    glass,
    handover,
    linking,
    messages,
    monitoring,
    on_call,
    papers,
    person_deeds,
    reading_deeds,
    report_deeds,
    search,
    spoken,
    views,
)
from exposure.web.nurse.deed import pattern

DEEDS = (
    *alert_deeds.PAGES,
    *report_deeds.PAGES,
    *person_deeds.PAGES,
    *reading_deeds.PAGES,
    *follow_up_deeds.PAGES,
    *linking.PAGES,
    *cases.PAGES,
)

urlpatterns = [
    path("needs-action/", views.needs_action, name="needs_action"),
    path("alerts/<uuid:uid>/", alert_page.one_alert, name="alert"),
    path("reports/", views.reports, name="reports"),
    path("reports/by-telephone/", spoken.spoken_report, name="spoken_report"),
    path("reports/<uuid:uid>/", views.one_report, name="breach"),
    path("monitoring/", monitoring.monitoring, name="monitoring"),
    path("calls/", calls.calls, name="calls"),
    path("calls/round/", calls.round_by_telephone, name="telephone_round"),
    path("handover/", handover.handovers, name="handovers"),
    path("handover/<uuid:uid>/", handover.handover, name="handover"),
    path("handover/<uuid:uid>/list.pdf", handover.handover_pdf, name="handover_pdf"),
    path("on-call/", on_call.on_call_sites, name="on_call"),
    path("on-call/<slug:code>/", on_call.put_on_call, name="put_on_call"),
    path("on-call/<uuid:uid>/end/", on_call.end_on_call, name="end_on_call"),
    path("people/", search.search, name="search"),
    path("people/open/", glass.open_record, name="break_glass"),
    path("people/<uuid:uid>/", views.person, name="person"),
    path("people/<uuid:uid>/work-note.pdf", papers.work_note, name="work_note"),
    path("letters/<uuid:uid>.pdf", papers.clearance_letter, name="clearance_letter"),
    path("people/<uuid:uid>/card/", card.card, name="person_card"),
    path("people/<uuid:uid>/card/entry/", card.enter_card, name="person_card_entry"),
    path("people/<uuid:uid>/messages/", messages.person_messages, name="person_messages"),
    path("people/<uuid:uid>/link/", linking.search, name="person_link"),
    path("cases/", cases.cases, name="cases"),
    path("cases/open/", cases.open_new, name="case_open"),
    path("cases/<uuid:uid>/", cases.one_case, name="case"),
    path("cases/<uuid:uid>/contact-list/", contact_lists.contact_list, name="contact_list"),
    path("cases/<uuid:uid>/contact-list/example.csv", contact_lists.example, name="contact_list_example"),
    *map(pattern, DEEDS),
]
