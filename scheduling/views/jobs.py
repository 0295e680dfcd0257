"""Placeholder until the page is laid."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse


def jobs(request: HttpRequest, **keys: object) -> HttpResponse:
    return HttpResponse(status=503)


def job(request: HttpRequest, **keys: object) -> HttpResponse:
    return HttpResponse(status=503)
