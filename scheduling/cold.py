"""What is said of sheets that came cold where somebody records that they came, or opens them."""

from __future__ import annotations

from datetime import datetime, tzinfo

from django.db.models import QuerySet
from django.utils.translation import gettext as _

from jobs.core.words import say
from jobs.models import Room
from materials.models import Placement, StackReading
from scheduling import answers, states
from scheduling.models import RoomState
from scheduling.parts import Note
from scheduling.printing import when_words


def wrap_words(placements: QuerySet[Placement], *, zone: tzinfo, now: datetime) -> str | None:
    """Return until when the wrap of any of these stays on, as their rooms' states say; None: it need not.

    The states must have been brought up to date.
    """
    origins = {str(origin) for origin in placements.values_list("origin", flat=True)}
    stored = RoomState.objects.filter(room__placements__in=placements).distinct()
    rests = [answers.rest_from_json(one, now=now) for state in stored for one in state.rests]
    stacks = [one.stack for one in rests if one.placement in origins and one.stack is not None]
    if any(stack.is_too_damp for stack in stacks):
        return _("The sheets are cold and the air is damp: leave the wrap on, and dry the air first.")
    waits = [stack.open_from for stack in stacks if stack.open_from is not None]
    if not waits:
        return None
    at = when_words(max(waits), zone=zone, now=now, style="near")
    return _("The sheets are cold: leave the wrap on until about {at}.").format(at=at)


def wrap_notes(room: Room | None, placements: set[str], *, now: datetime) -> tuple[Note, ...]:
    """Return the warning over a form that opens sheets: nothing where they would not sweat, or nobody can tell.

    Args:
        placements: the origins of what the form opens.
    """
    # Most sheets nobody measured, and of those there is nothing to warn of.
    if room is None or not StackReading.objects.standing().filter(placement__room=room).exists():
        return ()
    states.refresh_due(Room.objects.filter(pk=room.pk), now=now)
    rests = [
        answers.rest_from_json(one, now=now)
        for kept in RoomState.objects.filter(room=room).values_list("rests", flat=True)
        for one in kept
    ]
    stacks = [
        one.stack for one in rests if one.placement in placements and one.wrapped and one.stack is not None
    ]
    why = say("Cold sheets sweat in warm air. If they are open already, record it all the same; dry them.")
    if any(stack.is_too_damp for stack in stacks):
        return (Note(say("Leave the wrap on, and dry the air first"), why, mark="prov"),)
    waits = [stack.open_from for stack in stacks if stack.open_from is not None]
    if not waits:
        return ()
    return (Note(say("Leave the wrap on until about {at}", at=max(waits)), why, mark="prov"),)
