"""Addresses of the nurse's pages."""

urlpatterns = []
