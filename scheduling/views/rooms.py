"""The page of a room."""

from __future__ import annotations

from django.contrib.auth.decorators import login_required
from django.http import HttpResponse
from django.shortcuts import render
from django.utils.cache import patch_vary_headers
from django.views.decorators.http import require_safe

from config.http import PersonRequest
from jobs.access import may_record_room, may_record_seen_sites, room_for
from jobs.models import Room
from scheduling import states
from scheduling.frame import frame_of
from scheduling.pages.room import room_page


@login_required
@require_safe
def room(request: PersonRequest, pk: int) -> HttpResponse:
    """Show a room; asked for by the page itself, only what may have changed since."""
    found = room_for(request.user, pk, now=request.now)
    states.refresh_due(Room.objects.filter(pk=pk), now=request.now)
    page = room_page(
        found,
        request.user,
        may_record=may_record_room(request.user, found, now=request.now),
        may_record_site=may_record_seen_sites(request.user),
        all_history=request.GET.get("history") == "all",
        now=request.now,
    )
    context = {"page": page, "zone": page.zone, "now": request.now}
    if request.htmx:
        response = render(request, "scheduling/_room_live.html", context)
    else:
        response = render(request, "scheduling/room.html", frame_of(request, current="jobs") | context)
    patch_vary_headers(response, ["HX-Request"])
    return response
