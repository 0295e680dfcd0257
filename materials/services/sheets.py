"""Recording what is done with panels and consumables on site: opening, inspecting, mixing, bringing lots."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from decimal import Decimal
from math import isfinite

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from jobs.facts import AlreadyDone, Envelope, is_earlier, is_repeat, record
from jobs.models import Job, Room
from materials.core.stock import Standing
from materials.models import (
    ConsumableLot,
    DefectKind,
    Inspection,
    MixAcknowledged,
    Opening,
    Placement,
    Product,
    Reject,
)

#: What the column holds.
MOST_OF_A_LOT = Decimal(1_000_000)


@transaction.atomic
def open_placement(envelope: Envelope, *, placement: Placement) -> Opening:
    """Record that a placement was unwrapped and laid out, from when its rest may count.

    Raises:
        ValidationError: keyed `happened_at`; the sheets had not come yet.
        AlreadyDone: somebody recorded its opening before.
    """
    _check_came(placement, envelope)
    # The lock makes the second of two people wait and then see the first one's opening.
    Placement.objects.select_for_update(no_key=True).get(pk=placement.origin)
    opened = Opening.objects.standing().filter(placement=placement.origin).exclude(pk=envelope.id)
    first = None if envelope.supersedes else opened.select_related("recorded_by").first()
    if first is not None:
        message = _("%(who)s has already recorded that batch %(batch)s was opened.")
        raise AlreadyDone(message, params={"who": first.recorded_by.name, "batch": placement.batch})
    return record(Opening(placement_id=placement.origin), envelope)


def inspect(
    envelope: Envelope,
    *,
    placement: Placement,
    standing: Standing,
    inspected: int,
    rejects: Mapping[str, int],
    mark_seen: bool,
) -> Inspection:
    """Record a further part of a placement's inspection; the parts add up.

    Args:
        standing: what is left of the placement, without the part that is being corrected.
        inspected: sheets looked at in this part, front and back.
        rejects: sheets set apart, by kind of defect.

    Raises:
        ValidationError: keyed `inspected` or `rejects`; more than stands there unseen, or more rejected than
            inspected.
    """
    _check_came(placement, envelope)
    if inspected < 1:
        raise ValidationError({"inspected": _("Say how many sheets were looked at; 1 or more.")})
    if inspected > standing.to_inspect and not is_repeat(Inspection, envelope):
        message = ngettext(
            "%(n)d sheet here has not been looked at; %(typed)d cannot be.",
            "%(n)d sheets here have not been looked at; %(typed)d cannot be.",
            standing.to_inspect,
        ) % {"n": standing.to_inspect, "typed": inspected}
        raise ValidationError({"inspected": message})
    found = {kind: count for kind, count in rejects.items() if count}
    if any(count < 0 for count in found.values()) or set(found) - set(DefectKind.values):
        raise ValidationError({"rejects": _("Rejected sheets are counted by kind, from 0 up.")})
    rejected = sum(found.values())
    if rejected > inspected:
        message = _("%(rejected)d rejected is more than the %(inspected)d looked at.")
        params = {"rejected": rejected, "inspected": inspected}
        raise ValidationError({"rejects": ValidationError(message, params=params)})
    inspection = Inspection(placement_id=placement.origin, inspected=inspected, mark_seen=mark_seen)
    inspection.id = envelope.id
    parts = [
        Reject(id=envelope.part_id(f"reject/{kind}"), inspection=inspection, kind=kind, sheets=count)
        for kind, count in sorted(found.items())
    ]
    return record(inspection, envelope, parts=parts)


def acknowledge_mix(envelope: Envelope, *, room: Room, product: Product) -> MixAcknowledged:
    """Record that a batch-matched product may be set in this room from more than one batch."""
    if not product.is_batch_matched:
        message = _("%(product)s need not be of one batch.")
        raise ValidationError(message, params={"product": product.name})
    if not room.requirements.filter(product=product).exists():
        message = _("%(room)s takes no %(product)s.")
        raise ValidationError(message, params={"room": room.name, "product": product.name})
    return record(MixAcknowledged(room=room, product=product), envelope)


def bring_lot(
    envelope: Envelope,
    *,
    job: Job,
    room: Room | None,
    product: Product,
    quantity: Decimal,
    good_through: date | None,
    batch: str = "",
) -> ConsumableLot:
    """Record a lot of a consumable on site, with the last day its label gives.

    Raises:
        ValidationError: it is a panel, nothing of it, or for a room of another job.
    """
    if product.is_panel:
        message = _("%(product)s is a panel; confirm its arrival instead.")
        raise ValidationError({"product": ValidationError(message, params={"product": product.name})})
    if not isfinite(quantity) or not 0 < quantity < MOST_OF_A_LOT:
        raise ValidationError(
            {"quantity": _("Enter how much there is, more than 0 and less than 1 000 000.")}
        )
    if room is not None and room.job_id != job.pk:
        raise ValidationError({"room": _("This room is not of this job.")})
    lot = ConsumableLot(
        job=job, room=room, product=product, quantity=quantity, good_through=good_through, batch=batch.strip()
    )
    return record(lot, envelope)


def _check_came(placement: Placement, envelope: Envelope) -> None:
    if is_earlier(envelope.happened_at, placement.happened_at):
        raise ValidationError({"happened_at": _("The sheets had not come yet.")})
