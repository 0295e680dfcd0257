"""Placeholder until the page is laid."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse


def sign_in(request: HttpRequest, **keys: object) -> HttpResponse:
    return HttpResponse(status=503)


def sign_in_by_link(request: HttpRequest, **keys: object) -> HttpResponse:
    return HttpResponse(status=503)


def sign_out(request: HttpRequest, **keys: object) -> HttpResponse:
    return HttpResponse(status=503)
