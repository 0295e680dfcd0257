"""Orders: the list and one order, for its supplier and for the manager."""

from __future__ import annotations

from django.contrib.auth.decorators import login_required
from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from config.http import PersonRequest
from jobs.access import hide_unless
from jobs.core.worktime import time_zone
from jobs.models import Room
from materials.access import may_dispatch, order_for, visible_orders
from scheduling import states
from scheduling.frame import frame_of
from scheduling.pages.orders import order_page, orders_page


@login_required
@require_safe
def orders(request: PersonRequest) -> HttpResponse:
    """Show the orders this person may see, those that must be on site first on top."""
    hide_unless(request.user.is_supplier or request.user.is_manager)
    visible = visible_orders(request.user, now=request.now)
    if (job := request.GET.get("job", "")).isdecimal():
        visible = visible.filter(job=int(job))
    states.refresh_due(Room.objects.filter(order_lines__order__in=visible), now=request.now)
    context = frame_of(request, current="orders") | {"page": orders_page(visible, now=request.now)}
    return render(request, "scheduling/orders.html", context)


@login_required
@require_safe
def order(request: PersonRequest, pk: int) -> HttpResponse:
    """Show one order: its lines, what was sent, what came."""
    found = order_for(request.user, pk, now=request.now)
    may_send = may_dispatch(request.user, found)
    states.refresh_due(Room.objects.filter(order_lines__order=found), now=request.now)
    page = order_page(found, may_correct=may_send, now=request.now)
    context = frame_of(request, current="orders") | {
        "page": page,
        "may_send": may_send,
        "zone": time_zone(found.job.site.time_zone),
    }
    return render(request, "scheduling/order.html", context)
