"""A crew's day."""

from __future__ import annotations

from django.contrib.auth.decorators import login_required
from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from config.http import PersonRequest
from jobs.access import hide_unless
from jobs.models import Room
from scheduling import states
from scheduling.frame import frame_of
from scheduling.pages.cold import rooms_with_cold
from scheduling.pages.today import today_page


@login_required
@require_safe
def today(request: PersonRequest) -> HttpResponse:
    """Show the crew lead the next act and the rooms of the day."""
    hide_unless(request.user.is_crew_lead)
    rooms = Room.objects.filter(assignment_facts__crew__members__person=request.user)
    states.refresh_due(rooms, now=request.now)
    states.refresh_due(rooms_with_cold(request.user, now=request.now), now=request.now)
    page = today_page(request.user, now=request.now)
    context = frame_of(request, current="today") | {"page": page, "zone": page.zone}
    return render(request, "scheduling/today.html", context)
