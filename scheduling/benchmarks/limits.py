"""What a figure is measured against: the least a view can do, and a calendar answered the framework's own way."""

from __future__ import annotations

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse
from django.urls import include, path, resolve
from django.views.decorators.http import conditional_page

from config import clock
from scheduling import feeds
from scheduling.core import calendar
from scheduling.events import stored_event
from scheduling.models import Crew, FeedEvent

BARE = "/limit/bare/"
EMPTY = "/limit/empty/"
#: What serves these beside the service's own pages.
ENVIRONMENT = {"DJANGO_SETTINGS_MODULE": "scheduling.benchmarks.served", "DEMO": "0"}


def bare(get_response: Callable[[HttpRequest], HttpResponse]) -> Callable[[HttpRequest], HttpResponse]:
    """Answer the bare view before any other middleware: what is left is the server and Django's handler."""

    def middleware(request: HttpRequest) -> HttpResponse:
        if request.path_info == BARE:
            answer: HttpResponse = resolve(BARE).func(request)
            return answer
        return get_response(request)

    return middleware


def empty(request: HttpRequest) -> HttpResponse:
    """Answer with nothing, and say so: else the server would send the length as it goes."""
    return HttpResponse(headers={"Content-Length": "0"})


@conditional_page
def rendered(request: HttpRequest, secret: str) -> HttpResponse:
    """Render a calendar anew and let Django compare: its own way to a 304."""
    now = clock.read()
    found = feeds.find_secret(secret, now=now)
    assert found is not None
    crew = Crew.objects.get(pk=found.crew)
    rows = FeedEvent.objects.filter(assignment__crew=crew).order_by("start_at", "pk")
    feed = calendar.Feed(
        name=crew.name, home_zone=crew.home_zone, events=[stored_event(row) for row in rows], description=""
    )
    day = calendar.window_day(crew.home_zone, now)
    body = calendar.render(feed, day=day, tell=lambda said: said.text).body
    return HttpResponse(body, content_type="text/calendar; charset=utf-8")


urlpatterns = [
    path("limit/bare/", empty),
    path("limit/empty/", empty),
    path("limit/rendered/<str:secret>.ics", rendered),
    path("", include("config.urls")),
]
