"""A crew's calendar by its secret address: cheap while nothing changed, right when something did."""

from __future__ import annotations

import gzip
import logging
from datetime import datetime

from django.core.cache import cache
from django.db import DatabaseError
from django.http import HttpRequest, HttpResponse, HttpResponseNotModified
from django.utils.cache import get_conditional_response
from django.views.decorators.http import require_safe

from config import clock
from scheduling import feeds
from scheduling.core.calendar_answer import content_headers, standing_headers
from scheduling.models import CrewFeed

log = logging.getLogger(__name__)

#: Wrong secrets from one address in a minute, before it is asked to wait.
MOST_WRONG = 30
#: Seconds to wait, for who guesses and while we are ill.
WAIT_S = 60


@require_safe
def feed(request: HttpRequest, secret: str) -> HttpResponse:
    """Answer with the calendar, or that the client's copy is still right; a wrong secret is 404, whatever it asks."""
    now = clock.read()
    try:
        found = feeds.find_secret(secret)
        if found is None:
            return _wrong(request)
        shown = found.feed
        if feeds.is_due(found, now=now):
            shown = feeds.renew(shown.crew, now=now)
        response = _answer(request, shown, found.feed.crew.name)
        feeds.note_fetch(found, now=now)
    except (DatabaseError, ValueError) as error:
        # Never old bytes, never half a calendar: a feed that silently lacks a shift is the worst outcome.
        log.exception("a feed could not be answered", exc_info=error)
        return _plain("Try again later.\n", status=503, wait=True)
    return response


def _answer(request: HttpRequest, shown: CrewFeed, name: str) -> HttpResponse:
    zipped = "gzip" in request.headers.get("Accept-Encoding", "")
    # The zipped form may not carry the strong tag of the plain one (RFC 9110 section 8.8.3.3).
    tag = f"W/{shown.etag}" if zipped else shown.etag
    assert shown.last_modified is not None
    revised_at: datetime = shown.last_modified
    headers = standing_headers(tag=tag, revised_at=revised_at)
    unchanged = get_conditional_response(request, tag, int(revised_at.timestamp()), HttpResponse())
    if unchanged is not None and unchanged.status_code == 304:
        return HttpResponseNotModified(headers=dict(headers))
    body = bytes(shown.body)
    described = dict(content_headers(name=name, body=body))
    if zipped:
        body = gzip.compress(body, mtime=0)
        described |= {"Content-Encoding": "gzip", "Content-Length": str(len(body))}
    return HttpResponse(body, headers=dict(headers) | described)


def _wrong(request: HttpRequest) -> HttpResponse:
    """Answer a secret that is none, and after thirty in a minute from one address ask it to wait."""
    key = f"wrong-feed/{request.META.get('REMOTE_ADDR', '')}"
    cache.add(key, 0, timeout=WAIT_S)
    if cache.incr(key) > MOST_WRONG:
        return _plain("Too many wrong addresses.\n", status=429, wait=True)
    return _plain("There is nothing at this address.\n", status=404)


def _plain(text: str, *, status: int, wait: bool = False) -> HttpResponse:
    response = HttpResponse(text, status=status, content_type="text/plain; charset=utf-8")
    response["Cache-Control"] = "no-store"
    response["X-Robots-Tag"] = "noindex, nofollow, noarchive"
    if wait:
        response["Retry-After"] = str(WAIT_S)
    return response
