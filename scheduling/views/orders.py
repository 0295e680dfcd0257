"""Placeholder until the page is laid."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse


def orders(request: HttpRequest, **keys: object) -> HttpResponse:
    return HttpResponse(status=503)


def order(request: HttpRequest, **keys: object) -> HttpResponse:
    return HttpResponse(status=503)
