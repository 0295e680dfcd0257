"""The air a drawing needs: every reading of a short rest, the extremes of the hours of a long one."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from jobs.air import Heard, heard
from jobs.clocks import Clocks
from jobs.core.words import Say, say, say_n
from jobs.hours import HOUR_S, Slot, hours_of, slots_of
from materials.core.air import instant, seconds
from materials.core.stock import Stay
from scheduling import parts

#: A drawing of a longer time is made from the hours, which are brought up to date for it.
LONG = timedelta(days=10)
#: Into how many slots a shorter one is cut where there are more readings than two a slot.
SLOTS = 2_000
#: The trace comes in from before the rest began.
LEAD = timedelta(hours=1)
#: The table of the air tells so many hours, latest first.
HOURS_AT_ONCE = 24


@dataclass(frozen=True, slots=True)
class DrawnAir:
    """The air of one zone, as it is drawn and as it is tabled; both by instant."""

    points: Sequence[parts.ReadingPoint] = ()
    hours: Sequence[Slot] = ()


NO_AIR = DrawnAir()


def air_to_draw(
    zones: Collection[int],
    since: datetime | None,
    *,
    clocks: Clocks | None = None,
    slots: int = SLOTS,
    now: datetime,
) -> dict[int, DrawnAir]:
    """Return the air of each zone from a little before `since`, clocks put right, at most two points a slot.

    Where a slot holds more, the first point carries its least air and humidity and the last its most, at the
    instants of its first and last reading: so no extreme is lost and no gap is closed.

    Args:
        clocks: what is said of the clocks of these zones' loggers; None: it is asked.
    """
    if since is None:
        return {}
    start = seconds(since - LEAD) // HOUR_S * HOUR_S
    if now - since > LONG:
        found = hours_of(zones, instant(start))
        return {zone: DrawnAir(_points(hours), hours) for zone, hours in found.items()}
    width = max(1, -(-(seconds(now) - start) // slots))
    read = heard(dict.fromkeys(zones, instant(start)), clocks)
    return {zone: DrawnAir(_thinned(one, slots, width), list(slots_of(one))) for zone, one in read.items()}


def points_of(stays: Sequence[Stay], air: Mapping[int, DrawnAir]) -> list[parts.ReadingPoint]:
    """Return the air around sheets that moved: of each zone while they stood in it, and where they came first
    from a little before."""
    points = []
    for place, stay in enumerate(stays):
        from_at = stay.in_at - LEAD if place == 0 else stay.in_at
        for point in air.get(stay.zone, NO_AIR).points:
            if from_at <= point.at and (stay.out_at is None or point.at < stay.out_at):
                points.append(point)
    return points


def hours_ledger(hours: Sequence[Slot], *, all_url: str | None = None) -> parts.Ledger | None:
    """Return the air by the hour as a table, latest first; None: nobody read it.

    Args:
        all_url: where every hour is told; None: here.
    """
    if not hours:
        return None
    shown = hours if all_url is None else hours[-HOURS_AT_ONCE:]
    heads = (
        parts.Head(say("Hour from")),
        parts.Head(say("Air, °C")),
        parts.Head(say("Humidity, %")),
        parts.Head(say("Readings"), figures=True),
    )
    return parts.Ledger(
        say("The air by the hour"),
        heads,
        tuple(_hour_row(one) for one in reversed(shown)),
        caption=say_n(
            "The least and most of {n} reading, hour by hour.",
            "The least and most of {n} readings, hour by hour.",
            n=sum(one.readings for one in hours),
        ),
        left_out=len(hours) - len(shown),
        left_out_url=all_url,
    )


def _hour_row(hour: Slot) -> parts.LedgerRow:
    at = instant(hour.at)
    return parts.LedgerRow(
        (
            parts.Entry(say("{at}", at=at)),
            parts.Entry(_range(f"{hour.t_min:.1f}", f"{hour.t_max:.1f}")),
            parts.Entry(_range(f"{hour.rh_min:.0f}", f"{hour.rh_max:.0f}")),
            parts.Entry(str(hour.readings)),
        ),
        key=f"hour-{at:%Y%m%d%H}",
    )


def _range(least: str, most: str) -> Say | str:
    return least if least == most else say("{least} to {most}", least=least, most=most)


def _points(slots: Iterable[Slot]) -> list[parts.ReadingPoint]:
    points = []
    for slot in slots:
        points.append(parts.ReadingPoint(instant(slot.first_at), slot.t_min, slot.rh_min))
        if slot.readings > 1:
            points.append(parts.ReadingPoint(instant(slot.last_at), slot.t_max, slot.rh_max))
    return points


def _thinned(read: Heard, slots: int, width: int) -> list[parts.ReadingPoint]:
    if len(read.at) > 2 * slots:
        return _points(slots_of(read, width))
    return [
        parts.ReadingPoint(instant(at), t_c, rh_pct)
        for at, t_c, rh_pct in zip(read.at, read.t_c, read.rh_pct, strict=True)
    ]
