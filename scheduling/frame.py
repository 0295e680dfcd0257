"""The frame of every page: the title block at its foot, by what the person does, and who is signed in."""

from __future__ import annotations

from typing import Any

from django.urls import reverse
from django.utils.translation import gettext as _

from config.http import Request
from jobs.models import Person, Role
from scheduling.parts import Cell, SignedIn


def frame_of(request: Request, *, current: str = "") -> dict[str, Any]:
    """Return what `base.html` takes: the cells of the title block, who is signed in, zone and present.

    Args:
        current: the name of the route whose cell is marked, without its app.
    """
    person = request.user
    if not isinstance(person, Person):
        return {"now": request.now, "zone": "UTC"}
    cells = tuple(
        Cell(name, figure, reverse(f"scheduling:{route}"), current=route == current)
        for route, name, figure in _cells(person)
    )
    line = ", ".join(str(Role(role).label) for role in sorted(person.roles))
    signed_in = SignedIn(person.name, line, reverse("jobs:sign_out"))
    return {"block": cells, "signed_in": signed_in, "now": request.now, "zone": person.time_zone}


def _cells(person: Person) -> list[tuple[str, str, str]]:
    """Return route, name and figure of each page that this person's roles have."""
    if person.is_supplier:
        return [("orders", _("Orders"), _("asked of you"))]
    cells = []
    if person.is_manager:
        cells.append(("morning", _("Morning"), _("by when")))
    if person.is_crew_lead:
        cells.append(("today", _("Today"), _("your day")))
    cells.append(("jobs", _("Jobs"), _("rooms")))
    if person.is_manager:
        cells.append(("orders", _("Orders"), _("coming")))
        cells.append(("crews", _("Crews"), _("calendars")))
        cells.append(("loggers", _("Loggers"), _("air")))
    return cells
