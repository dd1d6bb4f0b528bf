"""Addresses of the worker's pages."""

urlpatterns = []
