"""Silent loggers around rooms: from rows to what the core judges, its words, and back from storage."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.db.models import F
from django.urls import reverse

from jobs.clocks import clocks_in
from jobs.core.clocks import Clock
from jobs.core.words import Say, say
from jobs.models import LoggerHeard, Room
from jobs.prepared import Prepared
from jobs.says import from_json, to_json
from materials.core.cure import Cure, CureState
from materials.core.rest import RestState
from scheduling.core.silence import Heard, Silence, Stake, silences
from scheduling.gather import Gathered, Rested
from scheduling.parts import Note


class Silences:
    """The loggers around some rooms, told as of any later instant from rows that are read once."""

    def __init__(self, rooms: Mapping[int, Room]) -> None:
        self._heard = heard_on({room.job_id for room in rooms.values()})

    def at(
        self, gathered: Gathered, cure: Cure | None, *, now: datetime
    ) -> tuple[tuple[Silence, ...], datetime | None]:
        """Return the loggers that are silent where this room's panels rest or its adhesive cures, and the next turn."""
        return silences(self._heard, stakes_of(gathered, cure), now=now)


def heard_on(jobs: Iterable[int]) -> list[Heard]:
    """Return the loggers that report for the zones of these jobs and were heard there, their clocks put right."""
    rows = _HEARD(list(jobs))
    clocks = clocks_in({zone for _logger, zone, *_rest in rows})
    return [
        Heard(
            logger,
            zone,
            name,
            clocks.get((logger, zone), Clock()).put_right(last_at),
            timedelta(seconds=silent_after_s),
        )
        for logger, zone, name, last_at, silent_after_s in rows
    ]


def stakes_of(gathered: Gathered, cure: Cure | None) -> tuple[Stake, ...]:
    """Return what hangs on the air of a room: each rest that is not proven, and a cure that goes on."""
    stakes = [_of_rest(one) for one in gathered.rests if _is_resting(one)]
    if cure is not None and cure.state is CureState.CURING:
        room = gathered.room
        says = say(
            "nobody sees the air in which the adhesive of {room} cures until {until}",
            room=room.name,
            until=cure.until_at,
        )
        stakes.append(Stake(room.zone_id, says, None))
    return tuple(stakes)


def _is_resting(one: Rested) -> bool:
    if one.rule is None or not one.standing.sheets or one.rest.zone is None:
        return False
    is_open = one.standing.opened_at is not None or not one.rule.needs_opening
    return is_open and one.rest.state is not RestState.PROVEN


def _of_rest(one: Rested) -> Stake:
    zone, by, batch = one.rest.zone, one.rest.read_again_by, one.standing.batch
    assert isinstance(zone, int)
    if by is None:
        return Stake(zone, say("the rest of batch {batch} stands still until it is read", batch=batch), None)
    says = say("the rest of batch {batch} is proven only if the air is read by {by}", batch=batch, by=by)
    return Stake(zone, says, by)


# ---- as it is stored and shown ----


@dataclass(frozen=True, slots=True)
class StoredSilence:
    """A silence as lists of rooms show it."""

    logger: str
    zone: int
    zone_name: str
    since: datetime
    #: What it costs, the most urgent first.
    costs: tuple[Say, ...]
    #: None: nothing hangs on the next reading.
    read_by: datetime | None

    @property
    def key(self) -> tuple[str, int]:
        """Which silence it is, as long as it lasts."""
        return self.logger, self.zone


def stored_silence(one: Silence) -> StoredSilence:
    """Return a silence as it is shown."""
    costs = tuple(stake.says for stake in one.stakes)
    if one.others:
        costs = (say("nothing as long as {loggers} still reports there", loggers=one.others),)
    return StoredSilence(one.logger, one.zone, one.zone_name, one.since, costs, one.read_by)


def silence_to_json(one: Silence) -> dict[str, Any]:
    """Return a silence as the state of a room keeps it."""
    return {
        "logger": one.logger,
        "zone": one.zone,
        "zone_name": one.zone_name,
        "since": one.since.isoformat(),
        "costs": [to_json(cost) for cost in stored_silence(one).costs],
        "read_by": one.read_by.isoformat() if one.read_by else None,
    }


def silences_of(watch: Mapping[str, Any]) -> tuple[StoredSilence, ...]:
    """Return the silences that the state of a room keeps."""
    return tuple(
        StoredSilence(
            one["logger"],
            one["zone"],
            one["zone_name"],
            datetime.fromisoformat(one["since"]),
            tuple(from_json(cost) for cost in one["costs"]),
            datetime.fromisoformat(one["read_by"]) if one["read_by"] else None,
        )
        for one in watch.get("silent", ())
    )


def silent_words(one: StoredSilence) -> Say:
    """Return that a logger is silent, since when and at what cost, as one sentence."""
    return say(
        "Logger {logger} in {zone} silent since {since}; {costs}.",
        logger=one.logger,
        zone=one.zone_name,
        since=one.since,
        costs=one.costs,
    )


def silence_note(one: StoredSilence) -> Note:
    """Return a silence as a page says it first, with the act that fills it."""
    return Note(
        say(
            "Logger {logger} in {zone} silent since {since}",
            logger=one.logger,
            zone=one.zone_name,
            since=one.since,
        ),
        say("At stake: {costs}.", costs=one.costs),
        url=reverse("scheduling:act", args=["zones", one.zone, "reading"]),
        act=say("Read the air of {zone} by hand", zone=one.zone_name),
        more_url=reverse("scheduling:zone", args=[one.zone]),
        more=say("All of {zone}", zone=one.zone_name),
    )


def together(all_of: Iterable[StoredSilence]) -> tuple[StoredSilence, ...]:
    """Return silences of several rooms, each once with all that it costs, the most urgent first."""
    by_key: dict[tuple[str, int], list[StoredSilence]] = {}
    for one in all_of:
        by_key.setdefault(one.key, []).append(one)
    found = []
    for same in by_key.values():
        same.sort(key=_urgency)
        costs: list[Say] = []
        for one in same:
            costs += [cost for cost in one.costs if cost not in costs]
        first = same[0]
        since = max(one.since for one in same)
        found.append(
            StoredSilence(first.logger, first.zone, first.zone_name, since, tuple(costs), first.read_by)
        )
    return tuple(sorted(found, key=_urgency))


def _urgency(one: StoredSilence) -> tuple[bool, float, str, int]:
    by = one.read_by
    return by is None, by.timestamp() if by else 0.0, one.logger, one.zone


_HEARD = Prepared(
    lambda jobs: (
        LoggerHeard.objects.filter(zone__job__in=jobs, logger__ended_at__isnull=True, logger__zones=F("zone"))
        .order_by("zone", "logger__name")
        .values_list("logger__name", "zone", "zone__name", "last_at", "logger__silent_after_s")
    )
)
