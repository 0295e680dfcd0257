"""Reading a hand-held meter that remembers: the air now, and the extremes since it was last set to zero."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils.translation import gettext as _

from jobs.core.units import celsius
from jobs.facts import Envelope, SaidOtherwise, is_repeat
from jobs.models import Memory, Reading, Zone
from jobs.services import seen

#: The part of the act that the memory is recorded under; the reading has the act's own id.
MEMORY = "memory"
#: What a meter shows of its extremes may be rounded otherwise than what it shows of the present, in kelvin and percent.
ROUNDING_K, ROUNDING_PCT = 0.5, 1.0


@dataclass(frozen=True, slots=True)
class Extremes:
    """What a meter remembers since `from_at`, temperatures in the reading's unit."""

    from_at: datetime
    t_min: float
    t_max: float
    rh_min: float
    rh_max: float


@transaction.atomic
def read_meter(
    envelope: Envelope,
    *,
    zone: Zone,
    temperature: float,
    unit: str,
    humidity_pct: float,
    extremes: Extremes | None,
) -> tuple[Reading, Memory | None]:
    """Record a reading and what the meter remembered until then, both or neither; a repeat changes nothing.

    Raises:
        ValidationError: keyed by column; as `seen.record_reading` and `seen.record_memory`, or the reading
            lies outside what the meter remembers.
        SaidOtherwise: this act was recorded before, with a memory where there is none now or without one.
    """
    if is_repeat(Reading, envelope) and (extremes is not None) != _has_memory(envelope):
        raise SaidOtherwise(_("This act was already recorded with other values; the first stands."))
    if extremes is not None:
        check_within(temperature, humidity_pct, extremes, unit=unit)
    reading = seen.record_reading(
        envelope, zone=zone, temperature=temperature, unit=unit, humidity_pct=humidity_pct
    )
    if extremes is None:
        return reading, None
    memory = seen.record_memory(
        replace(envelope, id=envelope.part_id(MEMORY)),
        zone=zone,
        from_at=extremes.from_at,
        t_min=extremes.t_min,
        t_max=extremes.t_max,
        unit=unit,
        rh_min=extremes.rh_min,
        rh_max=extremes.rh_max,
    )
    return reading, memory


def _has_memory(envelope: Envelope) -> bool:
    return Memory.objects.filter(pk=envelope.part_id(MEMORY)).exists()


def check_within(temperature: float, humidity_pct: float, extremes: Extremes, *, unit: str) -> None:
    """Refuse a reading outside the extremes of its own meter: one of the figures is a slip.

    Extremes the wrong way round are not what a reading is held to: they are a slip of their own.

    Raises:
        ValidationError: keyed by the reading's columns.
    """
    errors: dict[str, str] = {}
    now = celsius(temperature, unit)
    low, high = celsius(extremes.t_min, unit), celsius(extremes.t_max, unit)
    if low <= high and not low - ROUNDING_K <= now <= high + ROUNDING_K:
        errors["temperature"] = _("The meter remembers {low} to {high}; look at both again.").format(
            low=f"{extremes.t_min:g}", high=f"{extremes.t_max:g}"
        )
    dry, damp = extremes.rh_min, extremes.rh_max
    if dry <= damp and not dry - ROUNDING_PCT <= humidity_pct <= damp + ROUNDING_PCT:
        errors["humidity_pct"] = _("The meter remembers {low} to {high} %; look at both again.").format(
            low=f"{dry:g}", high=f"{damp:g}"
        )
    if errors:
        raise ValidationError(errors)


def last_set_to_zero(zone: Zone, *, now: datetime) -> datetime | None:
    """Return when the meter of a zone was last read out, and so set to zero; None: nobody has.

    Who reads a memory out sets it to zero; before the first memory, the last reading by hand is as good a guess.
    """
    read_out = Memory.objects.standing().filter(zone=zone, happened_at__lt=now)
    by_hand = Reading.objects.standing().filter(zone=zone, logger="", happened_at__lt=now)
    for rows in (read_out, by_hand):
        at: datetime | None = rows.order_by("-happened_at").values_list("happened_at", flat=True).first()
        if at is not None:
            return at
    return None


def disagreeing(memory: Memory) -> Reading | None:
    """Return the first standing reading in the span of a memory that lies outside it; None: all agree."""
    low, high = celsius(memory.t_min, memory.unit), celsius(memory.t_max, memory.unit)
    within = Reading.objects.standing().filter(
        zone=memory.zone_id, happened_at__gte=memory.from_at, happened_at__lte=memory.happened_at
    )
    readings: Iterable[Reading] = within.order_by("happened_at", "pk").iterator()
    for reading in readings:
        warm = low - ROUNDING_K <= reading.t_c <= high + ROUNDING_K
        damp = memory.rh_min - ROUNDING_PCT <= reading.humidity_pct <= memory.rh_max + ROUNDING_PCT
        if not (warm and damp):
            return reading
    return None
