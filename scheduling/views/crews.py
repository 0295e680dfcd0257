"""Placeholder until the page is laid."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse


def crews(request: HttpRequest, **keys: object) -> HttpResponse:
    return HttpResponse(status=503)


def calendar(request: HttpRequest, **keys: object) -> HttpResponse:
    return HttpResponse(status=503)


def end_calendar(request: HttpRequest, **keys: object) -> HttpResponse:
    return HttpResponse(status=503)
