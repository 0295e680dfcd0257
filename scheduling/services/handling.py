"""Opening, inspecting, moving and setting sheets: counted under a lock, so that no two people take the same."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from uuid import UUID

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils.translation import gettext as _

from jobs.facts import AlreadyDone, Envelope
from jobs.models import Fact, Room, Zone
from materials import queries
from materials.core.stock import SetDown, Standing
from materials.models import Inspection, Opening, Placement
from materials.services import deliveries, sheets
from scheduling.models import SheetsSet
from scheduling.services import work


class PlacementRefused(ValidationError):
    """One of several placements cannot be; `placement` is its origin."""

    def __init__(self, error: ValidationError, placement: Placement) -> None:
        super().__init__(error.messages)
        self.placement = placement.origin


def standing_of(placement: Placement, *, without: Fact | None = None) -> Standing:
    """Return what is left of a placement.

    Args:
        without: an inspection or sheets set that is left out, because it is being corrected.
    """
    rows = queries.placements_linked_to(placement)
    origin = without.origin if without else None
    return queries.stock_among(rows, _set_from(rows, without), without=origin)[str(placement.origin)]


def standing_in(room: Room) -> list[tuple[Placement, Standing]]:
    """Return the placements reserved for a room and what is left of each, emptied ones included, oldest first."""
    rows = queries.placements_for([room.pk])
    stock = queries.stock_among(rows, _set_from(rows, None))
    mine = [row for row in rows if row.room_id == room.pk]
    mine.sort(key=lambda row: (row.happened_at, row.batch, str(row.origin)))
    return [(row, stock[str(row.origin)]) for row in mine]


@transaction.atomic
def open_placements(envelope: Envelope, placements: Sequence[Placement]) -> list[Opening]:
    """Record the opening of several placements as one handling.

    Raises:
        ValidationError: as `sheets.open_placement`.
    """
    if len(placements) == 1:
        return [sheets.open_placement(envelope, placement=placements[0])]
    return [
        sheets.open_placement(replace(envelope, id=part_of(envelope, placement)), placement=placement)
        for placement in placements
    ]


@transaction.atomic
def inspect(
    envelope: Envelope, *, placement: Placement, inspected: int, rejects: Mapping[str, int], mark_seen: bool
) -> Inspection:
    """Record a further part of a placement's inspection, against what nobody has looked at by now.

    Raises:
        ValidationError: as `sheets.inspect`.
    """
    standing = _locked(placement, without=envelope.supersedes)
    return sheets.inspect(
        envelope,
        placement=placement,
        standing=standing,
        inspected=inspected,
        rejects=rejects,
        mark_seen=mark_seen,
    )


@transaction.atomic
def move(envelope: Envelope, *, placement: Placement, count: int, to: Zone, room: Room | None) -> Placement:
    """Move sheets, or reserve them for another room, out of what stands there by now.

    Raises:
        ValidationError: as `deliveries.move_sheets`.
    """
    standing = _locked(placement)
    return deliveries.move_sheets(
        envelope, placement=placement, standing=standing, sheets=count, to=to, room=room
    )


@transaction.atomic
def recount(envelope: Envelope, *, placement: Placement, batch: str, count: int) -> Placement:
    """Correct the count or the batch of a placement, whose standing wording `envelope` supersedes.

    Raises:
        ValidationError: as `deliveries.recount`, or a move is corrected to more than its source has.
    """
    standing = _locked(placement)
    if placement.moved_from_id is not None:
        _check_source(placement, batch=batch, count=count)
    return deliveries.recount(envelope, placement=placement, standing=standing, batch=batch, sheets=count)


@transaction.atomic
def set_sheets(envelope: Envelope, *, room: Room, counts: Mapping[Placement, int]) -> list[SheetsSet]:
    """Record how many sheets of each placement were set on the walls of a room, as one act.

    Raises:
        PlacementRefused: a count is not possible.
        ValidationError: as `work.record_sheets_set`.
    """
    if not counts:
        raise ValidationError(_("Say how many sheets were set, of one batch at least."))
    recorded = []
    for placement, count in counts.items():
        ident = envelope.id if envelope.supersedes else part_of(envelope, placement)
        given = replace(envelope, id=ident)
        try:
            standing = _locked(placement, without=envelope.supersedes)
            recorded.append(
                work.record_sheets_set(given, room=room, placement=placement, standing=standing, sheets=count)
            )
        except ValidationError as error:
            if "sheets" in getattr(error, "error_dict", {}):
                raise PlacementRefused(error, placement) from error
            raise
    return recorded


def part_of(envelope: Envelope, placement: Placement) -> UUID:
    """Return the id of the fact about one of several placements of an act."""
    return envelope.part_id(f"placement/{placement.origin}")


def _check_source(placement: Placement, *, batch: str, count: int) -> None:
    """Refuse a corrected move of more sheets than there were, or of another batch than its source."""
    source = Placement.objects.standing().get(origin=placement.moved_from_id)
    had = _locked(source).sheets + placement.sheets
    if count > had:
        message = _("%(had)d sheets stood there; more cannot have been moved.")
        raise ValidationError({"sheets": ValidationError(message, params={"had": had})})
    if batch.strip() != source.batch:
        message = _("They were moved from batch %(batch)s; correct the batch there.")
        raise ValidationError({"batch": ValidationError(message, params={"batch": source.batch})})


def _locked(placement: Placement, *, without: Fact | None = None) -> Standing:
    """Return what is left of a placement, which nobody else can change until the transaction ends.

    Raises:
        AlreadyDone: somebody took it back in the meantime.
    """
    Placement.objects.select_for_update(no_key=True).get(pk=placement.origin)
    if not Placement.objects.standing().filter(origin=placement.origin).exists():
        raise AlreadyDone(_("Somebody took these sheets back in the meantime; look at what stands now."))
    return standing_of(placement, without=without)


def _set_from(rows: Sequence[Placement], without: Fact | None) -> list[SetDown]:
    found = SheetsSet.objects.standing().filter(placement__in=[row.origin for row in rows])
    if without is not None:
        found = found.exclude(origin=without.origin)
    return [SetDown(str(place), count) for place, count in found.values_list("placement", "sheets")]
