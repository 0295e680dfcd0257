"""Recording how sheets lie, how warm they are, and how damp the wood on their backs is."""

from __future__ import annotations

from math import isfinite

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils.translation import gettext as _

from jobs.core.units import celsius
from jobs.facts import Envelope, is_earlier, record
from materials.models import LaidOut, MoistureReading, Placement, Product, StackReading

#: What a hand-held meter or a lorry's display can show, °C.
COLDEST_C, HOTTEST_C = -60.0, 80.0
#: What a lot can be; more than this is no lot.
MOST_IN_A_LOT = 500


@transaction.atomic
def lay_out(envelope: Envelope, *, placement: Placement, lies: str, lot_of: int | None = None) -> LaidOut:
    """Record how a placement lies from now on.

    Args:
        lies: one of `LaidOut.Lies`; on edge is none of them.
        lot_of: sheets in each lot, 1 or more; of lots only.

    Raises:
        ValidationError: keyed by field; a way that is none, a lot without its size, or the sheets had not come.
    """
    _check_came(placement, envelope)
    if lies not in LaidOut.Lies.values:
        raise ValidationError({"lies": _("Sheets lie flat: in lots, apart, on bearers or on their skid.")})
    if lies != LaidOut.Lies.LOTS:
        lot_of = None
    elif lot_of is None or not 1 <= lot_of <= MOST_IN_A_LOT:
        message = _("Say how many sheets lie in one lot, from 1 to %(most)d.")
        raise ValidationError({"lot_of": ValidationError(message, params={"most": MOST_IN_A_LOT})})
    return record(LaidOut(placement_id=placement.origin, lies=lies, lot_of=lot_of), envelope)


@transaction.atomic
def measure_stack(
    envelope: Envelope, *, placement: Placement, place: str, temperature: float, unit: str
) -> StackReading:
    """Record a temperature of a placement: of its middle, of its top sheet, or of the lorry that brought it.

    Raises:
        ValidationError: keyed by field; no such place, no such temperature, or the sheets had not come.
    """
    _check_came(placement, envelope)
    if place not in StackReading.Place.values:
        raise ValidationError({"place": _("Say where it was measured.")})
    if not isfinite(temperature) or not COLDEST_C <= celsius(temperature, unit) <= HOTTEST_C:
        raise ValidationError({"temperature": _("No sheet on a site is that cold or that hot.")})
    reading = StackReading(placement_id=placement.origin, place=place, temperature=temperature, unit=unit)
    return record(reading, envelope)


@transaction.atomic
def measure_moisture(envelope: Envelope, *, placement: Placement, moisture_pct: float) -> MoistureReading:
    """Record what a pin meter read on the wood backing of a placement, percent of dry mass.

    Raises:
        ValidationError: keyed by field; not a percentage, or the sheets had not come; or no wood is on them.
    """
    _check_came(placement, envelope)
    if placement.product.kind != Product.Kind.BACKED:
        message = _("%(product)s has no wood on its back.")
        raise ValidationError(message, params={"product": placement.product.name})
    if not isfinite(moisture_pct) or not 0 <= moisture_pct <= 100:
        raise ValidationError({"moisture_pct": _("Moisture is from 0 to 100 %.")})
    return record(MoistureReading(placement_id=placement.origin, moisture_pct=moisture_pct), envelope)


def _check_came(placement: Placement, envelope: Envelope) -> None:
    if is_earlier(envelope.happened_at, placement.happened_at):
        raise ValidationError({"happened_at": _("The sheets had not come yet.")})
