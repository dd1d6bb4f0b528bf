"""Addresses of the observer's pages."""

urlpatterns = []
