"""Placeholder until the page is laid."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse


def workbook(request: HttpRequest, **keys: object) -> HttpResponse:
    return HttpResponse(status=503)


def workbook_template(request: HttpRequest, **keys: object) -> HttpResponse:
    return HttpResponse(status=503)


def workbook_sample(request: HttpRequest, **keys: object) -> HttpResponse:
    return HttpResponse(status=503)


def logger_file(request: HttpRequest, **keys: object) -> HttpResponse:
    return HttpResponse(status=503)


def logger_sample(request: HttpRequest, **keys: object) -> HttpResponse:
    return HttpResponse(status=503)
