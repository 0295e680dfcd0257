"""The front door: everybody is sent to the page that answers their first question."""

from __future__ import annotations

from django.contrib.auth.decorators import login_required
from django.http import HttpResponse
from django.shortcuts import redirect
from django.views.decorators.http import require_safe

from config.http import PersonRequest


@login_required
@require_safe
def home(request: PersonRequest) -> HttpResponse:
    """Go to the page of this person's first role."""
    if request.user.is_supplier:
        return redirect("scheduling:orders")
    return redirect("scheduling:morning" if request.user.is_manager else "scheduling:today")
