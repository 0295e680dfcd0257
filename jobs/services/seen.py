"""Recording what is seen on a site: air, milestones by others, prep checks, wettings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from decimal import Decimal

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils.translation import gettext as _

from jobs.core import prep
from jobs.core.units import celsius
from jobs.facts import Envelope, check_expected, check_time, is_repeat, record, withdraw
from jobs.models import (
    Memory,
    Milestone,
    MilestoneReport,
    PrepCheck,
    Reading,
    ReadingFile,
    Room,
    Statement,
    TemperatureUnit,
    Wetting,
    Zone,
)
from jobs.services import doubts

#: What the rest clock can compute with; a hand-held meter reads less.
COLDEST_C, HOTTEST_C = -60.0, 80.0
#: A sensor at its edge reads a little over 100 %: kept as read, computed with as 100.
WETTEST_PCT = 105.0
LONGEST_SPAN = timedelta(days=31)
#: How many readings of a file are taken back in one statement.
AT_ONCE = 500


def record_reading(
    envelope: Envelope, *, zone: Zone, temperature: float, unit: str, humidity_pct: float, logger: str = ""
) -> Reading:
    """Record the air of a zone at an instant, in the unit it was read in; what looks wrong is flagged."""
    check_air(temperature, unit, humidity_pct)
    fact = Reading(zone=zone, temperature=temperature, unit=unit, humidity_pct=humidity_pct, logger=logger)
    with transaction.atomic():
        recorded = record(fact, envelope)
        before = envelope.supersedes.happened_at if envelope.supersedes else recorded.happened_at
        for at in {before, recorded.happened_at}:
            doubts.judge_again(at, zone=zone.pk, logger=logger)
    return recorded


@transaction.atomic
def withdraw_reading(reading: Reading, envelope: Envelope) -> Reading:
    """Take a reading back; its neighbours are judged without it.

    Raises:
        ValidationError: as `jobs.facts.withdraw`.
    """
    copy = withdraw(reading, envelope)
    doubts.judge_again(reading.happened_at, zone=reading.zone_id, logger=reading.logger)
    return copy


def record_memory(
    envelope: Envelope,
    *,
    zone: Zone,
    from_at: datetime,
    t_min: float,
    t_max: float,
    unit: str,
    rh_min: float,
    rh_max: float,
) -> Memory:
    """Record the extremes that a meter remembered from `from_at` until the envelope's time."""
    check_span(from_at, envelope)
    check_air(t_min, unit, rh_min, columns=("t_min", "rh_min"))
    check_air(t_max, unit, rh_max, columns=("t_max", "rh_max"))
    if t_min > t_max:
        raise ValidationError({"t_max": _("The highest air is below the lowest.")})
    if rh_min > rh_max:
        raise ValidationError({"rh_max": _("The highest humidity is below the lowest.")})
    memory = Memory(
        zone=zone, from_at=from_at, t_min=t_min, t_max=t_max, unit=unit, rh_min=rh_min, rh_max=rh_max
    )
    return record(memory, envelope)


def state_air(envelope: Envelope, *, zone: Zone, from_at: datetime) -> Statement:
    """Record a person's word that the zone was held in its band from `from_at` until the envelope's time.

    It is kept whether or not the job's rule lets it count; the clock shows it apart.
    """
    check_span(from_at, envelope)
    return record(Statement(zone=zone, from_at=from_at), envelope)


def report_milestone(
    envelope: Envelope, *, milestone: Milestone, is_done: bool, expected_at: datetime | None = None
) -> MilestoneReport:
    """Record that work by others is done, or when it is expected (None: no date given)."""
    check_expected(expected_at, now=envelope.now)
    expected = None if is_done else expected_at
    return record(MilestoneReport(milestone=milestone, is_done=is_done, expected_at=expected), envelope)


@transaction.atomic
def withdraw_file(file: ReadingFile, envelope: Envelope) -> ReadingFile:
    """Take a logger's file back with every reading of it that still stands; they share its history line.

    Raises:
        ValidationError: as `jobs.facts.withdraw`.
    """
    if not is_repeat(ReadingFile, envelope):
        readings = Reading.objects.standing().filter(file=file.origin).order_by("pk")
        copies = [_taken_back(reading, envelope) for reading in readings]
        Reading.objects.bulk_create(copies, batch_size=AT_ONCE)
    return withdraw(file, envelope)


def _taken_back(reading: Reading, envelope: Envelope) -> Reading:
    return Reading(
        id=envelope.part_id(f"withdraw/{reading.pk}"),
        origin=reading.origin,
        happened_at=reading.happened_at,
        recorded_at=envelope.now,
        recorded_by=envelope.by,
        said_by=envelope.said_by.strip(),
        supersedes_id=reading.pk,
        withdraws=True,
        reason=envelope.reason.strip(),
        zone_id=reading.zone_id,
        temperature=reading.temperature,
        unit=reading.unit,
        humidity_pct=reading.humidity_pct,
        logger=reading.logger,
        file_id=reading.file_id,
    )


@transaction.atomic
def record_checks(
    envelope: Envelope,
    *,
    rooms: Sequence[Room],
    check_code: str,
    passed: bool | None = None,
    value: Decimal | None = None,
) -> list[PrepCheck]:
    """Record one prep check for a row of rooms at once: one tick, one fact a room.

    Args:
        passed: what the person says; None lets the measured `value` decide against the check's limit.
        value: in the check's own unit.

    Raises:
        ValidationError: a room's substrate does not need this check, or nothing says whether it passed.
    """
    check = prep.check_named(check_code)
    for room in rooms:
        if check_code not in {needed.code for needed in needed_checks(room)}:
            message = _("%(room)s does not need the check “%(check)s”.")
            raise ValidationError(message, params={"room": room.name, "check": _(check.name.text)})
    verdict = verdict_of(check, passed=passed, value=value)
    recorded = []
    for room in rooms:
        # A correction speaks of one room and keeps the act's own id; a row of rooms makes an id for each.
        ident = envelope.id if len(rooms) == 1 else envelope.part_id(f"{room.pk}/{check_code}")
        fact = PrepCheck(room=room, check_code=check_code, passed=verdict, value=value)
        recorded.append(record(fact, replace(envelope, id=ident)))
    return recorded


def record_wetting(envelope: Envelope, *, room: Room) -> Wetting:
    """Record that a room's substrate got wet again; the reason says how."""
    return record(Wetting(room=room), envelope)


def needed_checks(room: Room) -> tuple[prep.Check, ...]:
    """Return the prep checks that the room's substrate and fixing need, in the order they are made."""
    return prep.checks_for(prep.Substrate(room.substrate), prep.Fixing(room.fixing))


def verdict_of(check: prep.Check, *, passed: bool | None, value: Decimal | None) -> bool:
    """Return whether a check passed: its limit decides where a value was measured, else the person.

    Raises:
        ValidationError: keyed `value` or `passed`; the two contradict each other, or neither is given.
    """
    measured = None if value is None or check.limit is None else prep.passes(check, value)
    if measured is None and passed is None:
        raise ValidationError({"passed": _("Say whether the check passed.")})
    if measured is not None and passed is not None and measured != passed:
        if passed:
            raise ValidationError({"value": _("This value is past the limit, so the check has not passed.")})
        return False
    return bool(measured if passed is None else passed)


def check_air(
    temperature: float,
    unit: str,
    humidity_pct: float,
    *,
    columns: tuple[str, str] = ("temperature", "humidity_pct"),
) -> None:
    """Refuse air that no meter on a site reads.

    Raises:
        ValidationError: keyed by the two `columns`.
    """
    errors: dict[str, str] = {}
    if unit not in TemperatureUnit.values:
        raise ValidationError({"unit": _("Temperatures are read in °C or °F.")})
    # A comparison with NaN is false, so it is refused too.
    if not COLDEST_C <= celsius(temperature, unit) <= HOTTEST_C:
        errors[columns[0]] = _("A temperature lies between -60 and 80 °C (-76 and 176 °F).")
    if not 0 <= humidity_pct <= WETTEST_PCT:
        errors[columns[1]] = _("A relative humidity lies between 0 and 100 %.")
    if errors:
        raise ValidationError(errors)


def check_span(from_at: datetime, envelope: Envelope) -> None:
    """Refuse a span that does not end after it begins, or is longer than a meter is left alone."""
    check_time(from_at, now=envelope.now, column="from_at")
    if from_at >= envelope.happened_at:
        raise ValidationError({"from_at": _("It must begin before it ends.")})
    if envelope.happened_at - from_at > LONGEST_SPAN:
        raise ValidationError({"from_at": _("A span is at most 31 days.")})
