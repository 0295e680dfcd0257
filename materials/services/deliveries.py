"""Recording panels under way and on site: dispatches, arrivals, moves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils.translation import gettext as _

from jobs.facts import AlreadyDone, Envelope, is_repeat, record, withdraw
from jobs.models import Room, Zone
from materials.core.stock import Standing
from materials.models import Arrival, ArrivalPromise, Dispatch, DispatchLine, Order, OrderLine, Placement, Product


@dataclass(frozen=True, slots=True)
class BatchLine:
    """A batch and how many sheets of it, for one line of an order."""

    order_line: OrderLine
    batch: str
    sheets: int


@dataclass(frozen=True, slots=True)
class PlacedLine:
    """A batch put down: how many sheets of which product, and for which room (None: for nobody yet)."""

    product: Product
    batch: str
    sheets: int
    room: Room | None


def record_dispatch(
    envelope: Envelope,
    *,
    order: Order,
    lines: Sequence[BatchLine],
    expected_at: datetime | None,
    paper: str = "",
) -> Dispatch:
    """Record that part of an order was sent off.

    Raises:
        ValidationError: keyed by field; no line, a line of another order, a count or a batch missing, or the
            arrival before the dispatch.
    """
    if not lines:
        raise ValidationError(_("A dispatch has at least one batch."))
    if expected_at is not None and expected_at < envelope.happened_at:
        raise ValidationError({"expected_at": _("It cannot arrive before it was sent off.")})
    for line in lines:
        if line.order_line.order_id != order.pk:
            message = _("%(product)s, batch %(batch)s, is not of a line of order %(order)s.")
            params = {"product": line.order_line.product.name, "batch": line.batch, "order": order.number}
            raise ValidationError(message, params=params)
        _check_batch(line.batch, line.sheets)
    dispatch = Dispatch(order=order, expected_at=expected_at, paper=paper.strip())
    dispatch.id = envelope.id
    parts = [
        DispatchLine(
            id=envelope.part_id(f"line/{number}"),
            dispatch=dispatch,
            order_line=line.order_line,
            batch=line.batch.strip(),
            sheets=line.sheets,
        )
        for number, line in enumerate(lines)
    ]
    return record(dispatch, envelope, parts=parts)


def promise_arrival(envelope: Envelope, *, dispatch: Dispatch, expected_at: datetime | None) -> ArrivalPromise:
    """Record a later word on when a dispatch will arrive; None says that it is not known any more."""
    if expected_at is not None and expected_at < dispatch.happened_at:
        raise ValidationError({"expected_at": _("It cannot arrive before it was sent off.")})
    return record(ArrivalPromise(dispatch_id=dispatch.origin, expected_at=expected_at), envelope)


@transaction.atomic
def record_arrival(
    envelope: Envelope, *, zone: Zone, lines: Sequence[PlacedLine], dispatch: Dispatch | None = None
) -> Arrival:
    """Record what came to a zone: a placement for each batch line.

    More than was dispatched is a fact like any other and is recorded as counted.

    Raises:
        ValidationError: no line, a count or a batch missing, a product that is no panel, a room of another
            zone's job, or a batch that the paper gives to another product.
        AlreadyDone: somebody confirmed this dispatch before.
    """
    if not lines:
        raise ValidationError(_("An arrival has at least one batch."))
    for line in lines:
        _check_placed(line, zone)
    if dispatch is not None:
        _check_against_paper(lines, dispatch)
        _check_first(dispatch, envelope)
    # The placements point at the arrival, whose own history line names them: so they are stored between.
    arrival = Arrival(zone=zone, dispatch_id=dispatch.origin if dispatch else None)
    placements = [
        Placement(
            arrival=arrival,
            zone=zone,
            room=line.room,
            product=line.product,
            batch=line.batch.strip(),
            sheets=line.sheets,
        )
        for line in lines
    ]
    stored = record(arrival, envelope)
    for number, placement in enumerate(placements):
        placement.arrival = stored
        record(placement, replace(envelope, id=envelope.part_id(f"placement/{number}"), supersedes=None))
    return stored


@transaction.atomic
def withdraw_arrival(arrival: Arrival, envelope: Envelope) -> Arrival:
    """Take an arrival back, and with it every placement that came of it, moved ones included."""
    for placement in _came_of(arrival):
        withdraw(placement, replace(envelope, id=envelope.part_id(f"withdraw/{placement.pk}")))
    return withdraw(arrival, envelope)


@transaction.atomic
def move_sheets(
    envelope: Envelope, *, placement: Placement, standing: Standing, sheets: int, to: Zone, room: Room | None
) -> Placement:
    """Move sheets to another zone, or reserve them for another room, or both; the rest stays as it was.

    Good inspected sheets go first; sheets that were rejected stay behind as long as others are there.

    Args:
        placement: the standing fact; `standing` is what is left of it.
        room: for whom they are now; None: for nobody.

    Raises:
        ValidationError: more than stands there, before they came, into another job, or no change at all.
    """
    if is_repeat(Placement, envelope):
        return Placement.objects.get(pk=envelope.id)
    if not 1 <= sheets <= standing.sheets:
        message = _("%(here)d sheets stand here; between 1 and %(here)d can be moved.")
        raise ValidationError({"sheets": ValidationError(message, params={"here": standing.sheets})})
    if to.job_id != placement.zone.job_id:
        raise ValidationError({"to": _("Sheets are moved within one job.")})
    if room is not None and room.zone_id != to.pk:
        message = _("%(room)s is not in %(zone)s; sheets for a room rest in its own air.")
        raise ValidationError({"room": ValidationError(message, params={"room": room.name, "zone": to.name})})
    if to.pk == placement.zone_id and (room.pk if room else None) == placement.room_id:
        raise ValidationError(_("They stand there already, for that room."))
    if envelope.happened_at < placement.happened_at:
        raise ValidationError({"happened_at": _("They had not come yet.")})
    inspected_good = max(standing.inspected - standing.rejected, 0)
    unseen = standing.sheets - standing.inspected
    brought_rejected = max(sheets - inspected_good - unseen, 0)
    brought_good = min(sheets, inspected_good) if standing.mark_seen else 0
    moved = Placement(
        moved_from_id=placement.origin,
        zone=to,
        room=room,
        product=placement.product,
        batch=placement.batch,
        sheets=sheets,
        brought_inspected=brought_good + brought_rejected,
        brought_rejected=brought_rejected,
    )
    return record(moved, envelope)


def recount(envelope: Envelope, *, placement: Placement, batch: str, sheets: int) -> Placement:
    """Correct the count or the batch of a placement; `envelope.supersedes` is its standing wording.

    Raises:
        ValidationError: the new count is less than what was already inspected, moved or set (told by `scheduling`).
    """
    _check_batch(batch, sheets)
    fresh = Placement(
        arrival=placement.arrival,
        moved_from=placement.moved_from,
        zone=placement.zone,
        room=placement.room,
        product=placement.product,
        batch=batch.strip(),
        sheets=sheets,
        brought_inspected=min(placement.brought_inspected, sheets),
        brought_rejected=min(placement.brought_rejected, sheets),
    )
    return record(fresh, envelope)


def _came_of(arrival: Arrival) -> list[Placement]:
    """Return the standing placements of an arrival and all that was moved on from them, last first."""
    found = list(Placement.objects.standing().filter(arrival=arrival.origin))
    ask = [one.origin for one in found]
    while ask:
        children = list(Placement.objects.standing().filter(moved_from__in=ask))
        found += children
        ask = [one.origin for one in children]
    return found[::-1]


def _check_first(dispatch: Dispatch, envelope: Envelope) -> None:
    # The lock makes the second of two people wait and then see the first one's arrival.
    Dispatch.objects.select_for_update().get(pk=dispatch.origin)
    first = Arrival.objects.standing().filter(dispatch=dispatch.origin).exclude(pk=envelope.id).first()
    corrected = envelope.supersedes.pk if envelope.supersedes else None
    if first is not None and first.pk != corrected:
        message = _("%(who)s has already confirmed this arrival.")
        raise AlreadyDone(message, params={"who": first.recorded_by.name})


def _check_placed(line: PlacedLine, zone: Zone) -> None:
    _check_batch(line.batch, line.sheets)
    if not line.product.is_panel:
        message = _("%(product)s is no panel; enter it as a lot of a consumable.")
        raise ValidationError(message, params={"product": line.product.name})
    if line.room is not None and line.room.zone_id != zone.pk:
        message = _("%(room)s is not in %(zone)s; sheets for a room rest in its own air.")
        raise ValidationError(message, params={"room": line.room.name, "zone": zone.name})


def _check_against_paper(lines: Sequence[PlacedLine], dispatch: Dispatch) -> None:
    """Refuse a batch that the delivery paper gives to another product: one of the two is a slip."""
    paper = {line.batch: line.order_line.product for line in dispatch.lines.select_related("order_line__product")}
    for line in lines:
        named = paper.get(line.batch.strip())
        if named is not None and named.pk != line.product.pk:
            message = _("Batch %(batch)s is %(named)s on the delivery paper, not %(product)s.")
            params = {"batch": line.batch, "named": named.name, "product": line.product.name}
            raise ValidationError(message, params=params)


def _check_batch(batch: str, sheets: int) -> None:
    if not batch.strip():
        raise ValidationError({"batch": _("Every panel carries a batch number; enter it as printed.")})
    if sheets < 1:
        message = _("“%(sheets)d” is no count of sheets; it is 1 or more.")
        raise ValidationError({"sheets": ValidationError(message, params={"sheets": sheets})})
