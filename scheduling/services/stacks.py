"""Opening, laying out, inspecting and measuring a placement as the one handling that it is on site."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from django.db import transaction
from django.utils.translation import gettext as _

from jobs.air import lock_zones
from jobs.facts import Envelope, SaidOtherwise, is_repeat
from jobs.models import Entry, Fact
from jobs.services import seen
from materials.models import LaidOut, Opening, Placement, StackReading
from materials.services import sheets, stacks
from scheduling.services import handling

#: The facts of one handling besides the opening itself, by the name that their ids are made from.
PARTS = ("laid-out", "inspection", "core", "reading")


@dataclass(frozen=True, slots=True)
class Lying:
    """How sheets lie, one of `LaidOut.Lies`, and of lots how many in each."""

    lies: str
    lot_of: int | None = None


@dataclass(frozen=True, slots=True)
class LookedAt:
    """Sheets looked at, front and back, and those set apart by kind of defect."""

    inspected: int
    rejects: Mapping[str, int]
    mark_seen: bool


@dataclass(frozen=True, slots=True)
class AirRead:
    """Temperature of the air in the handling's unit, and percent of humidity."""

    temperature: float
    humidity_pct: float


@dataclass(frozen=True, slots=True)
class Handled:
    """What was done and seen besides the opening; None: not done, or not looked at."""

    lying: Lying | None = None
    looked_at: LookedAt | None = None
    #: In the middle of the stack.
    core: float | None = None
    air: AirRead | None = None
    #: Of both temperatures.
    unit: str = "c"

    @property
    def parts(self) -> set[str]:
        """The names of the facts it consists of, the opening left out."""
        given = (self.lying, self.looked_at, self.core, self.air)
        return {name for name, one in zip(PARTS, given, strict=True) if one is not None}


@transaction.atomic
def open_and_lay_out(envelope: Envelope, *, placement: Placement, handled: Handled) -> list[Fact]:
    """Record one handling as facts of their own, all of them or none; a repeat changes nothing.

    Raises:
        ValidationError: as the services of the single facts.
        AlreadyDone: somebody recorded the opening before.
        SaidOtherwise: this handling was recorded before with more or less in it.
    """
    _check_same_parts(envelope, handled)
    if handled.air is not None:
        # Before the opening locks its rooms: a zone is always locked first.
        lock_zones([placement.zone_id])
    opening = sheets.open_placement(envelope, placement=placement)
    return [opening, *_parts(envelope, placement, handled)]


@transaction.atomic
def open_several(
    envelope: Envelope, placements: Sequence[Placement], *, lying: Lying | None = None
) -> list[Fact]:
    """Record the opening of several placements and how they lie, as one handling."""
    opened: list[Fact] = list(handling.open_placements(envelope, placements))
    if lying is None:
        return opened
    laid = [
        _lay(replace(envelope, id=opening.pk), placement, lying)
        for opening, placement in zip(opened, placements, strict=True)
    ]
    return [*opened, *laid]


def _parts(envelope: Envelope, placement: Placement, handled: Handled) -> Iterator[Fact]:
    if handled.lying is not None:
        yield _lay(envelope, placement, handled.lying)
    if handled.looked_at is not None:
        yield _inspect(_part(envelope, "inspection"), placement, handled.looked_at)
    if handled.core is not None:
        yield stacks.measure_stack(
            _part(envelope, "core"),
            placement=placement,
            place=StackReading.Place.CORE,
            temperature=handled.core,
            unit=handled.unit,
        )
    if handled.air is not None:
        yield seen.record_reading(
            _part(envelope, "reading"),
            zone=placement.zone,
            temperature=handled.air.temperature,
            unit=handled.unit,
            humidity_pct=handled.air.humidity_pct,
        )


def _lay(envelope: Envelope, placement: Placement, lying: Lying) -> LaidOut:
    return stacks.lay_out(
        _part(envelope, "laid-out"), placement=placement, lies=lying.lies, lot_of=lying.lot_of
    )


def _inspect(envelope: Envelope, placement: Placement, looked_at: LookedAt) -> Fact:
    return handling.inspect(
        envelope,
        placement=placement,
        inspected=looked_at.inspected,
        rejects=looked_at.rejects,
        mark_seen=looked_at.mark_seen,
    )


def _part(envelope: Envelope, name: str) -> Envelope:
    return replace(envelope, id=envelope.part_id(name))


def _check_same_parts(envelope: Envelope, handled: Handled) -> None:
    """Refuse a repeat that says more or less than what was recorded: its own facts would stand half changed."""
    if not is_repeat(Opening, envelope):
        return
    ids = {envelope.part_id(name): name for name in PARTS}
    known = {ids[pk] for pk in Entry.objects.filter(pk__in=ids).values_list("pk", flat=True)}
    if known != handled.parts:
        raise SaidOtherwise(_("This act was already recorded with other values; the first stands."))
