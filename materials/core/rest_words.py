"""Why each stretch of a rest counts or does not, in the words of the trade."""

from __future__ import annotations

from collections.abc import Hashable, Mapping

from jobs.core.words import Say, say, say_n
from materials.core.air import Air, Cause, Kind, Noted
from materials.core.rest import Rest, Stretch


def ledger(rest: Rest, air_by_zone: Mapping[Hashable, Air]) -> tuple[tuple[Stretch, Say], ...]:
    """Return every stretch of the strip with its reason: every minute accounted for."""
    rows: list[tuple[Stretch, Say]] = []
    for stretch in rest.strip:
        air = air_by_zone.get(stretch.zone)
        noted = None if air is None else air.noted(stretch.from_at, stretch.to_at)
        rows.append((stretch, words_of(stretch, noted)))
    return tuple(rows)


def words_of(stretch: Stretch, noted: Noted | None = None) -> Say:
    """Return the reason of a stretch; what the rule made of its readings makes the reason more exact."""
    why = _reason(stretch, noted)
    if stretch.restart:
        return _back_to_zero(stretch, why)
    if stretch.lost_at is not None and stretch.proven:
        return say("{why}; lost when the count went back to zero at {at}", why=why, at=stretch.lost_at)
    return why


def _reason(stretch: Stretch, noted: Noted | None) -> Say:
    match stretch.kind:
        case Kind.COUNTED:
            if noted is None:
                return say("In band")
            return say_n("In band, one reading", "In band, {n} readings", n=noted.readings)
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
            return say("Paused: {causes}", causes=_causes(noted))


def _back_to_zero(stretch: Stretch, why: Say) -> Say:
    match stretch.kind:
        case Kind.OUT_OF_BAND:
            return say("Out of band for too long: back to zero at {at}", at=stretch.from_at)
        case Kind.ABSENT:
            return say("Taken out of the zone: back to zero at {at}", at=stretch.from_at)
        case _:
            return say("Moved to another zone, back to zero at {at}. {then}", at=stretch.from_at, then=why)


def _causes(noted: Noted | None) -> tuple[Say, ...]:
    causes = (
        (Cause.COLD, say("too cold")),
        (Cause.WARM, say("too warm")),
        (Cause.DRY, say("too dry")),
        (Cause.DAMP, say("too damp")),
    )
    found = tuple(words for cause, words in causes if noted is not None and cause in noted.causes)
    # A memory may have left the band while every reading was good.
    return found or (say("out of band"),)
