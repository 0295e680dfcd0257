"""Taking facts back: each kind with what hangs on it, and refused where a later fact would be left in the air."""

from __future__ import annotations

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils.translation import gettext as _

from jobs.facts import Envelope, withdraw
from jobs.models import Fact, Reading, ReadingFile, Room
from jobs.services.seen import withdraw_file, withdraw_reading
from materials.models import Arrival, Dispatch, Placement
from materials.services import deliveries
from scheduling.models import BeganHeld, Finish, SheetsSet, Start
from scheduling.services import work


@transaction.atomic
def take_back(fact: Fact, envelope: Envelope) -> Fact:
    """Take a standing fact back, with the facts that only say more of it; the reason stays beside it.

    Raises:
        ValidationError: no reason is given, or a fact that stands rests on this one.
        AlreadyDone: somebody corrected it in the meantime.
    """
    match fact:
        case ReadingFile():
            return withdraw_file(fact, envelope)
        case Reading():
            return withdraw_reading(fact, envelope)
        case Dispatch():
            _check_not_arrived(fact)
        case Arrival():
            _lock(deliveries.came_of(fact))
            _check_none_set(deliveries.came_of(fact))
            return deliveries.withdraw_arrival(fact, envelope)
        case Placement():
            _lock([fact, *deliveries.moved_on(fact)])
            _check_none_set([fact, *deliveries.moved_on(fact)])
            return deliveries.withdraw_placement(fact, envelope)
        case Start() | BeganHeld():
            _check_may_forget(fact, envelope)
            _check_nothing_followed(fact.room, fact)
    return withdraw(fact, envelope)


def _check_not_arrived(dispatch: Dispatch) -> None:
    if Arrival.objects.standing().filter(dispatch=dispatch.origin).exists():
        raise ValidationError(_("It has arrived. Take the arrival back first."))


def _lock(placements: list[Placement]) -> None:
    """Wait for whoever counts these sheets just now, and make the next one see that they are taken back."""
    origins = [placement.origin for placement in placements]
    list(Placement.objects.select_for_update(no_key=True).filter(pk__in=origins).order_by("pk"))


def _check_none_set(placements: list[Placement]) -> None:
    origins = [placement.origin for placement in placements]
    if SheetsSet.objects.standing().filter(placement__in=origins).exists():
        raise ValidationError(_("Sheets of it were set on walls. Take that back first."))


def _check_may_forget(fact: Start | BeganHeld, envelope: Envelope) -> None:
    """Refuse a crew that takes back what it did against a hold: only a slip is taken back, by a manager."""
    if isinstance(fact, BeganHeld) and not envelope.by.is_manager:
        raise ValidationError(
            _("Only a manager takes back that a room was begun while held; it stays in the history.")
        )


def _check_nothing_followed(room: Room, fact: Start | BeganHeld) -> None:
    """Refuse to take the only begin of a room back while sheets set or its finish stand."""
    others = [one for one in work.begins_of(room) if one.pk != fact.pk]
    if others:
        return
    if Finish.objects.standing().filter(room=room).exists():
        raise ValidationError(_("This room was finished. Take the finish back first."))
    if SheetsSet.objects.standing().filter(room=room).exists():
        raise ValidationError(_("Sheets were set in this room. Take them back first."))
