"""What a room's page says of the air after the setting: how long it is held, what went wrong, what must wait."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from jobs.core.words import Say, say
from jobs.models import Room
from materials.core.cure import Cure, CureState, Spell
from scheduling import parts
from scheduling.curing import StoredCure, cure_in, upset_words, waits_words
from scheduling.printing import range_words


@dataclass(frozen=True, slots=True)
class CureView:
    """The air after the setting, in sentences; what does not apply is None."""

    state: Say
    band: Say
    #: Out of band now.
    trouble: Say | None
    unread: Say | None
    waits: Say | None
    #: Whom to tell what must wait.
    tell: Say | None
    spells: tuple[parts.LogRow, ...]


def cure_view(room: Room, stored: StoredCure | None, *, is_finished: bool, now: datetime) -> CureView | None:
    """Return what the page of a begun room says of its cure; None: no label asks for anything.

    Asked of the readings each time, so that it can be told however long ago it was.
    """
    found = cure_in(room, stored, now=now) if stored is not None else None
    if found is None:
        return None
    rule, cure = found
    band = rule.air.band
    waits = waits_words(cure) if _is_ahead(cure, now=now) else None
    return CureView(
        state=_state(cure, finished=is_finished),
        band=say(
            "The labels ask for {air} and {humidity} until then.",
            air=range_words(band.t_min, band.t_max, "°C"),
            humidity=range_words(band.rh_min, band.rh_max, "%"),
        ),
        trouble=_trouble(cure),
        unread=_unread(cure),
        waits=waits,
        tell=say("Tell {who}.", who=room.job.site_agent) if waits and room.job.site_agent else None,
        spells=tuple(_line(spell) for spell in reversed(cure.upset)),
    )


def _is_ahead(cure: Cure, *, now: datetime) -> bool:
    return any(at is not None and at > now for at in (cure.washing_from, cure.cooling_from))


def _state(cure: Cure, *, finished: bool) -> Say:
    if cure.state is CureState.CURED:
        return say("The adhesive has had its hours since {at}.", at=cure.until_at)
    if finished:
        return say("The adhesive cures until {at}.", at=cure.until_at)
    return say("The adhesive cures until {at}, counted from the last sheet set so far.", at=cure.until_at)


def _trouble(cure: Cure) -> Say | None:
    if not cure.is_upset:
        return None
    return say("The air is out of the setting band since {at}.", at=cure.upset[-1].from_at)


def _unread(cure: Cure) -> Say | None:
    """Return for how long no reading speaks; of a cure nobody read at all it is all of it."""
    length = _length(cure.unread, cure.as_of)
    if not cure.unread:
        return None
    return say("No reading speaks for {length} of it.", length=length)


def _length(spells: Sequence[Spell], as_of: datetime) -> Say:
    parts_of = [(spell.to_at or as_of) - spell.from_at for spell in spells]
    return say("{length}", length=sum(parts_of[1:], parts_of[0])) if parts_of else say("nothing")


def _line(spell: Spell) -> parts.LogRow:
    until = say("until {at}", at=spell.to_at) if spell.to_at else say("and goes on")
    return parts.LogRow(
        at=spell.from_at,
        fact=say("Out of the setting band {until}.", until=until),
        detail=upset_words(spell),
        risk=spell.to_at is None,
        key=f"cure-{spell.from_at:%Y%m%dT%H%M%S}",
    )
