"""Jobs: the list, one job, and what stands on its site."""

from __future__ import annotations

from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from config.http import PersonRequest
from jobs.access import job_for, may_record_seen_sites, visible_jobs
from jobs.core.worktime import time_zone
from jobs.models import Room
from scheduling import states
from scheduling.frame import frame_of
from scheduling.pages.jobs import job_page, jobs_page, stock_lines


@login_required
@require_safe
def jobs(request: PersonRequest) -> HttpResponse:
    """Show the jobs this person may see."""
    if request.user.is_supplier:
        raise Http404
    visible = visible_jobs(request.user, now=request.now)
    states.refresh_due(Room.objects.filter(job__in=visible), now=request.now)
    return render(
        request, "scheduling/jobs.html", frame_of(request, current="jobs") | {"page": jobs_page(visible)}
    )


@login_required
@require_safe
def job(request: PersonRequest, pk: int) -> HttpResponse:
    """Show a job with its rooms, nearest to setting first."""
    found = job_for(request.user, pk, now=request.now)
    states.refresh_due(Room.objects.filter(job=found), now=request.now)
    page = job_page(found, request.user, everything=request.GET.get("rooms") == "all", now=request.now)
    context = frame_of(request, current="jobs") | {
        "page": page,
        "zone": page.zone,
        "may_record_site": may_record_seen_sites(request.user),
    }
    return render(request, "scheduling/job.html", context)


@login_required
@require_safe
def stock(request: PersonRequest, pk: int) -> HttpResponse:
    """Show every placement on a job's site."""
    found = job_for(request.user, pk, now=request.now)
    context = frame_of(request, current="jobs") | {
        "job": found,
        "lines": stock_lines(found, request.user, now=request.now),
        "zone": time_zone(found.site.time_zone),
        "may_record_site": may_record_seen_sites(request.user),
    }
    return render(request, "scheduling/stock.html", context)
