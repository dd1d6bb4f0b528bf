"""Pages for what went wrong. What is not yours looks exactly like what is not there."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render


def bad_request(request: HttpRequest, exception: Exception) -> HttpResponse:
    return render(request, "400.html", status=400)


def forbidden(request: HttpRequest, exception: Exception) -> HttpResponse:
    return render(request, "403.html", status=403)


def not_found(request: HttpRequest, exception: Exception) -> HttpResponse:
    return render(request, "404.html", status=404)


def broken(request: HttpRequest) -> HttpResponse:
    """Uses no context processor: the database may be what is broken."""
    return render(None, "500.html", status=500)


def csrf_failure(request: HttpRequest, reason: str = "") -> HttpResponse:
    return render(request, "403_csrf.html", status=403)
