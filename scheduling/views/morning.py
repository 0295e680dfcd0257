"""The manager's morning."""

from __future__ import annotations

from django.contrib.auth.decorators import login_required
from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from config.http import PersonRequest
from jobs.access import hide_unless, visible_jobs
from jobs.models import Room
from scheduling import states
from scheduling.frame import frame_of
from scheduling.pages.morning import morning_page


@login_required
@require_safe
def morning(request: PersonRequest) -> HttpResponse:
    """Show what keeps the days given out, or the first steps where there is no job yet."""
    hide_unless(request.user.is_manager)
    jobs = visible_jobs(request.user, now=request.now).filter(closed_at__isnull=True)
    states.refresh_due(Room.objects.filter(job__in=jobs), now=request.now)
    page = morning_page(request.user, jobs, now=request.now)
    context = frame_of(request, current="morning") | {"page": page}
    return render(request, "scheduling/morning.html" if page.has_jobs else "first_steps.html", context)
