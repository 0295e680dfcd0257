"""Why each stretch of a rest counts or does not, in the words of the trade."""

from __future__ import annotations

from collections.abc import Hashable, Mapping

from jobs.core.conditions import Band
from jobs.core.words import Say, say, say_n
from materials.core.air import Air, Kind, Seen
from materials.core.rest import Rest, Stretch


def ledger(rest: Rest, air_by_zone: Mapping[Hashable, Air], band: Band) -> tuple[tuple[Stretch, Say], ...]:
    """Return every stretch of the strip with its reason: every minute accounted for."""
    rows: list[tuple[Stretch, Say]] = []
    for stretch in rest.strip:
        air = air_by_zone.get(stretch.zone)
        seen = None if air is None else air.seen(stretch.from_at, stretch.to_at)
        rows.append((stretch, words_of(stretch, seen, band)))
    return tuple(rows)


def words_of(stretch: Stretch, seen: Seen | None = None, band: Band | None = None) -> Say:
    """Return the reason of a stretch; what its readings said and the band make the reason more exact."""
    why = _reason(stretch, seen, band)
    if stretch.restart:
        return _back_to_zero(stretch, why)
    if stretch.lost_at is not None and stretch.proven:
        return say("{why}; lost when the count went back to zero at {at}", why=why, at=stretch.lost_at)
    return why


def _reason(stretch: Stretch, seen: Seen | None, band: Band | None) -> Say:
    match stretch.kind:
        case Kind.COUNTED:
            if seen is None:
                return say("In band")
            return say_n("In band, one reading", "In band, {n} readings", n=seen.readings)
        case Kind.BRIDGED:
            return say("In band at both ends, the readings far apart: counted as bridged")
        case Kind.STATED:
            return say("Counted on a person’s word, no instrument stood there")
        case Kind.PROVISIONAL:
            return say("Provisional: the next reading in band proves it")
        case Kind.GAP:
            return say("No reading near enough to prove it: not counted")
        case Kind.WRAPPED:
            return say("Not unwrapped yet: not counted")
        case Kind.ABSENT:
            return say("In no zone: not counted")
        case Kind.OUT_OF_BAND:
            return say("Paused: {causes}", causes=_causes(seen, band))


def _back_to_zero(stretch: Stretch, why: Say) -> Say:
    match stretch.kind:
        case Kind.OUT_OF_BAND:
            return say("Out of band for too long: back to zero at {at}", at=stretch.from_at)
        case Kind.ABSENT:
            return say("Taken out of the zone: back to zero at {at}", at=stretch.from_at)
        case _:
            return say("Moved to another zone, back to zero at {at}. {then}", at=stretch.from_at, then=why)


def _causes(seen: Seen | None, band: Band | None) -> tuple[Say, ...]:
    if seen is None or band is None:
        return (say("out of band"),)
    causes = (
        (seen.t_min < band.t_min, say("too cold")),
        (seen.t_max > band.t_max, say("too warm")),
        (seen.rh_min < band.rh_min, say("too dry")),
        (seen.rh_max > band.rh_max, say("too damp")),
    )
    # A memory may have left the band while every reading was good.
    return tuple(cause for holds, cause in causes if holds) or (say("out of band"),)
