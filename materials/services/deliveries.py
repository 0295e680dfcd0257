"""Recording panels under way and on site: dispatches, arrivals, moves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils.translation import gettext as _

from jobs.core.worktime import time_zone
from jobs.facts import AlreadyDone, Envelope, check_expected, is_earlier, is_repeat, record, withdraw
from jobs.models import Fact, Job, Room, Zone
from materials.core.stock import Standing
from materials.models import (
    Arrival,
    ArrivalPromise,
    Dispatch,
    DispatchLine,
    Inspection,
    Opening,
    Order,
    OrderLine,
    Placement,
    Product,
)
from materials.services.stacks import measure_stack

#: A batch number is kept as printed, as far as a label goes.
LONGEST_BATCH = 60
MOST_SHEETS = 100_000


class LineRefused(ValidationError):
    """One of several lines cannot be; `line` counts from 0, `column` is the field that is wrong."""

    def __init__(self, message: str, *, line: int, column: str) -> None:
        super().__init__(message)
        self.line, self.column = line, column


@dataclass(frozen=True, slots=True)
class BatchLine:
    """A batch and how many sheets of it, for one line of an order."""

    order_line: OrderLine
    batch: str
    sheets: int


@dataclass(frozen=True, slots=True)
class StackTemperature:
    """How warm what came was: on the top sheet by a hand-held, or in the lorry as told; of every line."""

    #: One of `StackReading.Place`.
    place: str
    temperature: float
    unit: str


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
    _check_sent_after_ordered(order, envelope)
    if expected_at is not None and is_earlier(expected_at, envelope.happened_at):
        raise ValidationError({"expected_at": _("It cannot arrive before it was sent off.")})
    check_expected(expected_at, now=envelope.now)
    for number, line in enumerate(lines):
        if line.order_line.order_id != order.pk:
            message = _("%(product)s, batch %(batch)s, is not of a line of order %(order)s.")
            params = {"product": line.order_line.product.name, "batch": line.batch, "order": order.number}
            raise LineRefused(message % params, line=number, column="batch")
        _check_line(number, line.batch, line.sheets)
    _check_products(
        [(line.batch, line.order_line.product) for line in lines], order.job, corrects=envelope.supersedes
    )
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


def promise_arrival(
    envelope: Envelope, *, dispatch: Dispatch, expected_at: datetime | None
) -> ArrivalPromise:
    """Record a later word on when a dispatch will arrive; None says that it is not known any more."""
    if expected_at is not None and is_earlier(expected_at, dispatch.happened_at):
        raise ValidationError({"expected_at": _("It cannot arrive before it was sent off.")})
    check_expected(expected_at, now=envelope.now)
    if is_earlier(envelope.happened_at, dispatch.happened_at):
        raise ValidationError({"happened_at": _("It had not been sent off yet.")})
    return record(ArrivalPromise(dispatch_id=dispatch.origin, expected_at=expected_at), envelope)


@transaction.atomic
def record_arrival(
    envelope: Envelope,
    *,
    zone: Zone,
    lines: Sequence[PlacedLine],
    dispatch: Dispatch | None = None,
    temperatures: Sequence[StackTemperature] = (),
) -> Arrival:
    """Record what came to a zone: a placement for each batch line, and how warm it was.

    More than was dispatched is a fact like any other and is recorded as counted; so is an arrival before the
    time that the supplier wrote on its dispatch, for one of the two is a slip and it may be the other.

    Raises:
        ValidationError: no line, a count or a batch missing, a product that is no panel, a room of another
            zone's job, or a batch that the paper gives to another product.
        AlreadyDone: somebody confirmed this dispatch before.
    """
    if not lines:
        raise ValidationError(_("An arrival has at least one batch."))
    for number, line in enumerate(lines):
        _check_placed(number, line, zone)
    if dispatch is not None:
        if dispatch.order.job_id != zone.job_id:
            raise ValidationError({"zone": _("This delivery is for another job.")})
        _check_against_paper(lines, dispatch)
        _check_first(dispatch, envelope)
    _check_products([(line.batch, line.product) for line in lines], zone.job, corrects=None)
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
    rooms = {line.room.pk for line in lines if line.room is not None}
    stored = record(arrival, envelope, also_rooms=rooms)
    for number, placement in enumerate(placements):
        placement.arrival = stored
        given = replace(envelope, id=envelope.part_id(f"placement/{number}"), supersedes=None)
        placed = record(placement, given)
        for one in temperatures:
            measure_stack(
                replace(given, id=given.part_id(one.place)),
                placement=placed,
                place=one.place,
                temperature=one.temperature,
                unit=one.unit,
            )
    return stored


@transaction.atomic
def withdraw_arrival(arrival: Arrival, envelope: Envelope) -> Arrival:
    """Take an arrival back, and with it every placement that came of it, moved ones included."""
    for placement in came_of(arrival):
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
    if is_earlier(envelope.happened_at, placement.happened_at):
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


@transaction.atomic
def recount(
    envelope: Envelope, *, placement: Placement, standing: Standing, batch: str, sheets: int
) -> Placement:
    """Correct the count, the batch or the time of a placement; `envelope.supersedes` is its standing wording.

    What was moved on from it is of the same batch, and is corrected with it.

    Args:
        standing: what is left of it.

    Raises:
        ValidationError: keyed by field; the new count is less than what was already inspected, moved on or
            set, or the new time later than what was done to the sheets.
    """
    _check_batch(batch, sheets)
    repeated = is_repeat(Placement, envelope)
    # Only what nobody has looked at, moved or set can turn out not to be there.
    least = placement.sheets - standing.to_inspect
    if sheets < least and not repeated:
        message = _("%(least)d of them were looked at, moved on or set; it cannot be fewer.")
        raise ValidationError({"sheets": ValidationError(message, params={"least": least})})
    _check_before_the_rest(placement, envelope)
    stored = record(_recounted(placement, batch=batch.strip(), sheets=sheets), envelope)
    if batch.strip() != placement.batch and not repeated:
        for child in moved_on(placement):
            given = replace(
                envelope,
                id=envelope.part_id(f"batch/{child.origin}"),
                happened_at=child.happened_at,
                supersedes=child,
            )
            record(_recounted(child, batch=batch.strip(), sheets=child.sheets), given)
    return stored


def _recounted(placement: Placement, *, batch: str, sheets: int) -> Placement:
    return Placement(
        arrival_id=placement.arrival_id,
        moved_from_id=placement.moved_from_id,
        zone_id=placement.zone_id,
        room_id=placement.room_id,
        product_id=placement.product_id,
        batch=batch,
        sheets=sheets,
        brought_inspected=min(placement.brought_inspected, sheets),
        brought_rejected=min(placement.brought_rejected, sheets),
    )


def _check_before_the_rest(placement: Placement, envelope: Envelope) -> None:
    """Refuse a time at which the sheets had already been opened, looked at or moved on."""
    done = [
        Opening.objects.standing().filter(placement=placement.origin),
        Inspection.objects.standing().filter(placement=placement.origin),
        Placement.objects.standing().filter(moved_from=placement.origin),
    ]
    first = min((at for rows in done for at in rows.values_list("happened_at", flat=True)), default=None)
    if first is not None and is_earlier(first, envelope.happened_at):
        message = _("They were opened, looked at or moved on before this time.")
        raise ValidationError({"happened_at": message})


@transaction.atomic
def withdraw_placement(placement: Placement, envelope: Envelope) -> Placement:
    """Take a placement back, and with it all that was moved on from it."""
    for child in moved_on(placement)[::-1]:
        withdraw(child, replace(envelope, id=envelope.part_id(f"withdraw/{child.pk}")))
    return withdraw(placement, envelope)


def came_of(arrival: Arrival) -> list[Placement]:
    """Return the standing placements of an arrival and all that was moved on from them, last first."""
    found = list(Placement.objects.standing().filter(arrival=arrival.origin))
    return [*found, *moved_on(*found)][::-1]


def moved_on(*placements: Placement) -> list[Placement]:
    """Return the standing placements that sheets of these were moved on to, nearest first."""
    found: list[Placement] = []
    ask = [one.origin for one in placements]
    while ask:
        children = list(Placement.objects.standing().filter(moved_from__in=ask).order_by("happened_at", "pk"))
        found += children
        ask = [one.origin for one in children]
    return found


def _check_sent_after_ordered(order: Order, envelope: Envelope) -> None:
    zone = time_zone(order.job.site.time_zone)
    if order.ordered_on is not None and envelope.happened_at.astimezone(zone).date() < order.ordered_on:
        raise ValidationError({"happened_at": _("It was not ordered yet on that day.")})


def _check_products(lines: Sequence[tuple[str, Product]], job: Job, *, corrects: Fact | None) -> None:
    """Refuse a batch that this job knows as another product: one of the two is a slip.

    Args:
        corrects: the dispatch whose own lines do not count against its correction.
    """
    batches = {batch.strip() for batch, _product in lines}
    sent = DispatchLine.objects.filter(
        batch__in=batches,
        order_line__order__job=job,
        dispatch__superseded_by__isnull=True,
        dispatch__withdraws=False,
    )
    if corrects is not None:
        sent = sent.exclude(dispatch=corrects.pk)
    stands = Placement.objects.standing().filter(batch__in=batches, zone__job=job)
    known = dict(sent.values_list("batch", "order_line__product__name"))
    known |= dict(stands.values_list("batch", "product__name"))
    for number, (batch, product) in enumerate(lines):
        named = known.setdefault(batch.strip(), product.name)
        if named != product.name:
            message = _("Batch %(batch)s is %(named)s on this job, not %(product)s.")
            params = {"batch": batch.strip(), "named": named, "product": product.name}
            raise LineRefused(message % params, line=number, column="batch")


def _check_first(dispatch: Dispatch, envelope: Envelope) -> None:
    # The lock makes the second of two people wait and then see the first one's arrival.
    Dispatch.objects.select_for_update(no_key=True).get(pk=dispatch.origin)
    first = Arrival.objects.standing().filter(dispatch=dispatch.origin).exclude(pk=envelope.id).first()
    corrected = envelope.supersedes.pk if envelope.supersedes else None
    if first is not None and first.pk != corrected:
        message = _("%(who)s has already confirmed this arrival.")
        raise AlreadyDone(message, params={"who": first.recorded_by.name})


def _check_placed(number: int, line: PlacedLine, zone: Zone) -> None:
    _check_line(number, line.batch, line.sheets)
    if not line.product.is_panel:
        message = _("%(product)s is no panel; enter it as a lot of a consumable.")
        raise LineRefused(message % {"product": line.product.name}, line=number, column="product")
    if line.room is not None and line.room.zone_id != zone.pk:
        message = _("%(room)s is not in %(zone)s; sheets for a room rest in its own air.")
        raise LineRefused(message % {"room": line.room.name, "zone": zone.name}, line=number, column="room")


def _check_against_paper(lines: Sequence[PlacedLine], dispatch: Dispatch) -> None:
    """Refuse a batch that the delivery paper gives to another product: one of the two is a slip."""
    paper = {
        line.batch: line.order_line.product for line in dispatch.lines.select_related("order_line__product")
    }
    for number, line in enumerate(lines):
        named = paper.get(line.batch.strip())
        if named is not None and named.pk != line.product.pk:
            message = _("Batch %(batch)s is %(named)s on the delivery paper, not %(product)s.")
            params = {"batch": line.batch, "named": named, "product": line.product.name}
            raise LineRefused(message % params, line=number, column="batch")


def _check_line(number: int, batch: str, sheets: int) -> None:
    try:
        _check_batch(batch, sheets)
    except ValidationError as error:
        ((column, (words, *_more)),) = error.message_dict.items()
        raise LineRefused(words, line=number, column=column) from error


def _check_batch(batch: str, sheets: int) -> None:
    if not batch.strip():
        raise ValidationError({"batch": _("Every panel carries a batch number; enter it as printed.")})
    if len(batch.strip()) > LONGEST_BATCH:
        message = _("A batch number has at most %(most)d characters.")
        raise ValidationError({"batch": ValidationError(message, params={"most": LONGEST_BATCH})})
    if sheets < 1:
        message = _("“%(sheets)d” is no count of sheets; it is 1 or more.")
        raise ValidationError({"sheets": ValidationError(message, params={"sheets": sheets})})
    if sheets > MOST_SHEETS:
        message = _("%(sheets)d sheets is more than one delivery carries.")
        raise ValidationError({"sheets": ValidationError(message, params={"sheets": sheets})})
