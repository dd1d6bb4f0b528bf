"""Addresses at the door, beside django-allauth's."""

from django.urls import path

from exposure.web.account import (
    devices,
    invitations,
    keys,
    mobiles,
    phone_pins,
    roles,
    sessions,
    station_pins,
)

urlpatterns = [
    path("account/session/", sessions.left, name="session_left"),
    path("account/sessions/", sessions.sessions, name="sessions"),
    path("account/sessions/others/end/", sessions.end_others, name="sessions_end_others"),
    path("account/sessions/<int:key>/end/", sessions.end_session, name="session_end"),
    path("account/devices/", devices.station_devices, name="station_devices"),
    path("account/devices/<uuid:uid>/key/", devices.exchange_key, name="station_device_key"),
    path("account/devices/<uuid:uid>/end/", devices.end, name="station_device_end"),
    path("account/keys/", keys.keys, name="keys"),
    path("account/keys/<uuid:uid>/end/", keys.end_key, name="key_end"),
    path("account/pin/", phone_pins.open_by_pin, name="open_by_pin"),
    path("account/pin/new/", phone_pins.new_pin, name="new_pin"),
    path("account/pin/<uuid:uid>/end/", phone_pins.end_pin, name="end_pin"),
    path("account/station-digits/", station_pins.new_station_pin, name="new_station_pin"),
    path("account/station-digits/locked/", devices.locked_observers, name="locked_observers"),
    path("account/mobile/", mobiles.confirm_mobile, name="confirm_mobile"),
    path("account/roles/", roles.waiting_roles, name="waiting_roles"),
    path("account/roles/<uuid:uid>/", roles.settle_role, name="settle_role"),
    path("account/<uuid:uid>/invite/", invitations.invite_account, name="invite_account"),
    path("people/<uuid:uid>/invite/", invitations.invite_worker, name="invite_worker"),
    path("i/<str:secret>/", invitations.come_in, name="invitation"),
]
