"""What is said of sheets that came cold, right after somebody recorded that they came."""

from __future__ import annotations

from datetime import datetime, tzinfo

from django.db.models import QuerySet
from django.utils.translation import gettext as _

from materials.models import Placement
from scheduling import answers
from scheduling.models import RoomState
from scheduling.printing import when_words


def wrap_words(placements: QuerySet[Placement], *, zone: tzinfo, now: datetime) -> str | None:
    """Return until when the wrap of any of these stays on, as their rooms' states say; None: it need not.

    The states must have been brought up to date.
    """
    origins = {str(origin) for origin in placements.values_list("origin", flat=True)}
    states = RoomState.objects.filter(room__placements__in=placements).distinct()
    rests = [answers.rest_from_json(one, now=now) for state in states for one in state.rests]
    stacks = [one.stack for one in rests if one.placement in origins and one.stack is not None]
    if any(stack.is_too_damp for stack in stacks):
        return _("The sheets are cold and the air is damp: leave the wrap on, and dry the air first.")
    waits = [stack.open_from for stack in stacks if stack.open_from is not None]
    if not waits:
        return None
    at = when_words(max(waits), zone=zone, now=now, style="near")
    return _("The sheets are cold: leave the wrap on until about {at}.").format(at=at)
