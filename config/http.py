"""A request as this project's views see it, and the stamp each one gets on arrival."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import TYPE_CHECKING

from django.http import HttpRequest, HttpResponse
from django_htmx.middleware import HtmxDetails

from config import clock, logs

if TYPE_CHECKING:
    from django.contrib.auth.models import AnonymousUser

    from jobs.models import Person


class Request(HttpRequest):
    """A request with what the middleware adds, declared for the type checker."""

    user: Person | AnonymousUser
    htmx: HtmxDetails
    now: datetime


class PersonRequest(Request):
    """A request of somebody who is signed in, as a view behind `login_required` sees it."""

    user: Person


def stamp(get_response: Callable[[HttpRequest], HttpResponse]) -> Callable[[HttpRequest], HttpResponse]:
    """Give each request one present, so that a page agrees with itself, and its log lines one name."""

    def middleware(request: HttpRequest) -> HttpResponse:
        request.now = clock.read()  # type: ignore[attr-defined]
        with logs.request_named() as name:
            request.number = name  # type: ignore[attr-defined]  # an error page shows it
            response = get_response(request)
        response["X-Request-ID"] = name
        return response

    return middleware
