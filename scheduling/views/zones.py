"""The page of a zone."""

from __future__ import annotations

from django.contrib.auth.decorators import login_required
from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from config.http import PersonRequest
from jobs.access import may_record_seen_sites, zone_for
from jobs.models import Room
from scheduling import states
from scheduling.frame import frame_of
from scheduling.pages.zone import zone_page


@login_required
@require_safe
def zone(request: PersonRequest, pk: int) -> HttpResponse:
    """Show a zone's air and what rests in it."""
    found = zone_for(request.user, pk, now=request.now)
    # Sheets for a room of another zone may stand here.
    states.refresh_due(Room.objects.filter(job=found.job_id), now=request.now)
    page = zone_page(
        found,
        request.user,
        may_record_site=may_record_seen_sites(request.user),
        all_hours=request.GET.get("hours") == "all",
        now=request.now,
    )
    context = {"page": page, "zone": page.time_zone, "now": request.now}
    return render(request, "scheduling/zone.html", frame_of(request, current="jobs") | context)
