"""Crews and their calendars: an address is made for one subscriber, shown once, and ended alone."""

from __future__ import annotations

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from config.http import PersonRequest
from jobs.access import hide_unless
from scheduling import feeds
from scheduling.frame import frame_of
from scheduling.models import Crew, FeedSecret
from scheduling.pages.crews import crews_page


@login_required
@require_safe
def crews(request: PersonRequest) -> HttpResponse:
    """Show the manager every crew: its people, its week, its calendar."""
    hide_unless(request.user.is_manager)
    context = frame_of(request, current="crews") | {"page": crews_page(now=request.now)}
    return render(request, "scheduling/crews.html", context)


@login_required
@never_cache
@require_http_methods(["GET", "POST"])
def calendar(request: PersonRequest, pk: int) -> HttpResponse:
    """Show who subscribes to a crew's calendar; on POST make a further address and show it, this once."""
    crew = _crew_for(request, pk)
    made = None
    if request.method == "POST":
        made = feeds.new_feed_secret(crew, person=request.user, now=request.now)
    secrets = FeedSecret.objects.filter(feed__crew=crew, ended_at__isnull=True).order_by("made_at", "pk")
    if not request.user.is_manager:
        secrets = secrets.filter(person=request.user)
    context = frame_of(request, current="crews") | {
        "crew": crew,
        "made": made,
        "webcal": made.replace("https://", "webcal://").replace("http://", "webcal://") if made else None,
        "secrets": secrets.select_related("person"),
    }
    return render(request, "scheduling/crew_calendar.html", context)


@login_required
@require_POST
def end_calendar(request: PersonRequest, pk: int, secret: int) -> HttpResponse:
    """End one subscriber's address."""
    crew = _crew_for(request, pk)
    secrets = FeedSecret.objects.filter(feed__crew=crew)
    if not request.user.is_manager:
        secrets = secrets.filter(person=request.user)
    found = get_object_or_404(secrets, pk=secret)
    feeds.end_feed_secret(found, now=request.now)
    messages.success(
        request,
        _("That address is ended. The old copy on that phone is no longer updated: subscribe again there."),
    )
    return redirect("scheduling:crew_calendar", pk=crew.pk)


def _crew_for(request: PersonRequest, pk: int) -> Crew:
    """Return a crew that this person may subscribe to: any for a manager, else one's own.

    Raises:
        Http404: there is none, or it is not this person's.
    """
    person = request.user
    crews = Crew.objects.filter(closed_at__isnull=True)
    if not person.is_manager:
        crews = crews.filter(members__person=person, members__to_on__isnull=True)
    found = crews.filter(pk=pk).first()
    if found is None:
        raise Http404
    return found
