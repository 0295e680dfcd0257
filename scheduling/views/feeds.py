"""A crew's calendar by its secret address: cheap while nothing changed, right when something did."""

from __future__ import annotations

import gzip
import logging
import re
from collections.abc import Callable
from datetime import datetime

from django.core.cache import cache
from django.db import DatabaseError
from django.http import HttpRequest, HttpResponse, HttpResponseNotModified
from django.utils.cache import get_conditional_response
from django.views.decorators.http import require_safe
from redis import RedisError

from config.http import Request
from scheduling import feeds
from scheduling.core.calendar_answer import content_headers, standing_headers
from scheduling.models import Crew

log = logging.getLogger(__name__)

#: Wrong secrets from one address in a minute, before it is asked to wait.
MOST_WRONG = 30
#: Seconds to wait, for who guesses and while we are ill.
WAIT_S = 60

_IN_PATH = re.compile(r"/feeds/([^/]+)\.ics")
_NO_WEIGHT = re.compile(r"\s*q=0(\.0*)?\s*")


def first(get_response: Callable[[HttpRequest], HttpResponse]) -> Callable[[Request], HttpResponse]:
    """Answer calendar programs ahead of what only browsers need: sessions, forms, scripts, frames.

    It stands behind what leads http to https.
    """

    def middleware(request: Request) -> HttpResponse:
        found = _IN_PATH.fullmatch(request.path_info)
        if found is None:
            return get_response(request)
        response = feed(request, secret=found[1])
        # Whatever is answered: the address is a secret.
        response["Referrer-Policy"] = "no-referrer"
        return response

    return middleware


@require_safe
def feed(request: Request, secret: str) -> HttpResponse:
    """Answer with the calendar, or that the client's copy is still right; a wrong secret is 404, whatever it asks."""
    try:
        found = feeds.find_secret(secret, now=request.now)
        if found is None:
            return _wrong(request)
        response = _answer(request, found)
        feeds.note_fetch(found, now=request.now)
    except (DatabaseError, feeds.FeedFailed) as error:
        # Never old bytes, never half a calendar: a feed that silently lacks a shift is the worst outcome.
        log.exception("a feed could not be answered", exc_info=error)
        return _plain("Try again later.\n", status=503, wait=True)
    return response


def _answer(request: Request, found: feeds.Found) -> HttpResponse:
    etag, revised_at = found.etag, found.last_modified
    if found.is_due:
        renewed = feeds.renew(Crew.objects.get(pk=found.crew), now=request.now)
        etag, revised_at = renewed.etag, renewed.last_modified
    assert revised_at is not None
    zipped = takes_gzip(request.META.get("HTTP_ACCEPT_ENCODING", ""))
    unchanged = _unchanged(request, _tag(etag, zipped=zipped), revised_at)
    return _whole(request, found.crew, zipped=zipped) if unchanged is None else unchanged


def takes_gzip(accepted: str) -> bool:
    """Return whether an Accept-Encoding names gzip, with a weight other than 0 (RFC 9110 section 12.5.3)."""
    for coding in accepted.lower().split(","):
        name, _semicolon, weight = coding.partition(";")
        if name.strip() == "gzip":
            return not _NO_WEIGHT.fullmatch(weight)
    return False


def _tag(etag: str, *, zipped: bool) -> str:
    """Return the tag of a form: the zipped one may not carry the plain one's strong tag (RFC 9110 section 8.8.3.3)."""
    return f"W/{etag}" if zipped else etag


def _unchanged(request: HttpRequest, tag: str, revised_at: datetime) -> HttpResponse | None:
    """Return 304 where the client's copy is right, 412 where it wants another, None where it gets the whole."""
    if request.META.get("HTTP_IF_NONE_MATCH") != tag or "HTTP_IF_MATCH" in request.META:
        answer = get_conditional_response(request, tag, int(revised_at.timestamp()), HttpResponse())
        if answer is None or answer.status_code == 200:
            return None
        if answer.status_code == 412:
            return _plain("The calendar has changed.\n", status=412)
    return HttpResponseNotModified(headers=dict(standing_headers(tag=tag, revised_at=revised_at)))


def _whole(request: Request, crew: int, *, zipped: bool) -> HttpResponse:
    """Return the bytes, with the tag that was stored with them."""
    shown = feeds.stored(crew) if request.method == "HEAD" else feeds.served(crew)
    assert shown.last_modified is not None
    body = bytes(shown.body)
    headers = dict(content_headers(name=shown.crew.name, body=body))
    if zipped:
        body = gzip.compress(body, mtime=0)
        headers |= {"Content-Encoding": "gzip", "Content-Length": str(len(body))}
    headers |= standing_headers(tag=_tag(shown.etag, zipped=zipped), revised_at=shown.last_modified)
    return HttpResponse(body, headers=headers)


def _wrong(request: HttpRequest) -> HttpResponse:
    """Answer a secret that is none, and after thirty in a minute from one address ask it to wait."""
    if _wrong_so_far(request.META.get("REMOTE_ADDR", "")) > MOST_WRONG:
        return _plain("Too many wrong addresses.\n", status=429, wait=True)
    return _plain("There is nothing at this address.\n", status=404)


def _wrong_so_far(address: str) -> int:
    """Count a wrong secret from an address and return how many there were in this minute."""
    key = f"wrong-feed/{address}"
    try:
        if cache.add(key, 1, timeout=WAIT_S):
            return 1
        return cache.incr(key)
    except RedisError as error:
        log.warning("wrong feed addresses are not counted while the broker is away: %s", error)
    except ValueError:
        # The minute ended between the two.
        pass
    return 1


def _plain(text: str, *, status: int, wait: bool = False) -> HttpResponse:
    response = HttpResponse(text, status=status, content_type="text/plain; charset=utf-8")
    response["Cache-Control"] = "no-store"
    response["X-Robots-Tag"] = "noindex, nofollow, noarchive"
    if wait:
        response["Retry-After"] = str(WAIT_S)
    return response
