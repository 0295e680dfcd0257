"""The cure of rooms whose sheets are on the walls: from rows to what the core watches, and back from storage."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

from django.db.models import Max, Min, OuterRef, Q, Subquery, Sum

from jobs import air
from jobs.clocks import clocks_in
from jobs.core.conditions import Band
from jobs.core.units import celsius
from jobs.core.words import Say, say
from jobs.models import Memory, Reading, Room
from materials.core import rest
from materials.core.air import Columns, RestRule, seconds
from materials.core.cure import Cure, CureRule, CureState, Spell, cure_of
from materials.models import ConsumableNeed, Product, Requirement
from materials.rules import NOTHING, Pretended
from scheduling import gather
from scheduling.models import SheetsSet

_NOTHING = timedelta(0)
_NO_AIR: tuple[Columns, list[rest.Memory]] = (Columns(), [])
#: A logger's file is read in so long after the cure at the latest, for people to be told of it.
LATE = timedelta(days=7)


@dataclass(frozen=True, slots=True)
class Wall:
    """What the labels ask of one room's walls, and when its sheets were set."""

    rule: CureRule
    from_at: datetime
    last_set_at: datetime
    zone: int

    @property
    def is_past_at(self) -> datetime:
        """The instant after which nothing of it changes but by a correction of the past."""
        waits = (self.rule.air.required, self.rule.no_washing, self.rule.no_cooling)
        return self.last_set_at + max(wait for wait in waits if wait is not None) + self.rule.air.max_gap


class Cures:
    """The cures of some rooms, told as of any later instant from rows that are read once.

    Args:
        begun: by room, when its first sheet was set.
        finished: by room, when it was done.
        pretended: records that are taken as they would be, not as they are stored.
    """

    def __init__(
        self,
        rooms: Mapping[int, Room],
        *,
        begun: Mapping[int, datetime],
        finished: Mapping[int, datetime],
        pretended: Pretended = NOTHING,
        now: datetime,
    ) -> None:
        self._walls = _walls({pk: rooms[pk] for pk in begun}, begun, finished, pretended)
        # Whatever comes so late changes no list and helps nobody; a room's page asks the readings itself.
        watched = [wall for wall in self._walls.values() if now < wall.is_past_at + LATE]
        self._air = {
            zone: _air_between(
                zone,
                min(wall.from_at - wall.rule.air.max_gap for wall in walls),
                max(wall.last_set_at + wall.rule.air.required for wall in walls),
            )
            for zone, walls in _by_zone(watched).items()
        }

    def at(self, room: int, *, now: datetime) -> Cure | None:
        """Return the cure of a room; None: nothing was set by then, or no label asks for anything."""
        wall = self._walls.get(room)
        if wall is None or now < wall.from_at:
            return None
        columns, memories = self._air.get(wall.zone, _NO_AIR)
        last = min(wall.last_set_at, now)
        cure = cure_of(wall.rule, columns, memories, from_at=wall.from_at, last_set_at=last, now=now)
        if last == wall.last_set_at:
            return cure
        # A phone whose clock runs ahead: the last sheet becomes a fact only then.
        ends = [at for at in (cure.good_until, wall.last_set_at) if at is not None]
        return replace(cure, good_until=min(ends))


def cure_in(room: Room, stored: StoredCure, *, now: datetime) -> tuple[CureRule, Cure] | None:
    """Return the whole cure of one room from its readings, however long ago it was; None: no label asks any more."""
    rule = _rules([room.pk]).get(room.pk)
    if rule is None:
        return None
    from_at, last = stored.from_at, stored.last_set_at
    columns, memories = _air_between(room.zone_id, from_at - rule.air.max_gap, last + rule.air.required)
    return rule, cure_of(rule, columns, memories, from_at=from_at, last_set_at=last, now=max(now, last))


def _walls(
    rooms: Mapping[int, Room],
    begun: Mapping[int, datetime],
    finished: Mapping[int, datetime],
    pretended: Pretended,
) -> dict[int, Wall]:
    rules = _rules(rooms, pretended)
    if not rules:
        return {}
    set_at = _set_at(rules)
    walls = {}
    for pk, rule in rules.items():
        done_at = finished.get(pk, begun[pk])
        first, last, is_whole = set_at.get(pk, (begun[pk], done_at, True))
        # Who finished without counting the last sheets may have set them until then.
        last = last if is_whole else max(last, done_at)
        walls[pk] = Wall(rule, min(first, begun[pk]), max(last, begun[pk]), rooms[pk].zone_id)
    return walls


def _set_at(rooms: Collection[int]) -> dict[int, tuple[datetime, datetime, bool]]:
    """Return when the first and the last sheet that was counted was set in each room, and whether all were counted."""
    needed = Requirement.objects.filter(room=OuterRef("room")).order_by().values("room")
    spans = SheetsSet.objects.standing().filter(room__in=rooms).values("room")
    rows = spans.annotate(
        first=Min("happened_at"),
        last=Max("happened_at"),
        counted=Sum("sheets"),
        needed=Subquery(needed.annotate(all_of=Sum("sheets")).values("all_of")),
    )
    return {row["room"]: (row["first"], row["last"], row["counted"] >= (row["needed"] or 0)) for row in rows}


def _rules(rooms: Collection[int], pretended: Pretended = NOTHING) -> dict[int, CureRule]:
    """Return what the labels of each room's adhesives and sealants ask together; no entry: nothing."""
    if not rooms:
        return {}
    asks = Q(product__cure_s__isnull=False) | Q(product__in=list(pretended.products))
    needs = ConsumableNeed.objects.filter(asks, room__in=rooms)
    by_room: dict[int, list[Product]] = {}
    for need in needs.select_related("product").order_by("pk"):
        by_room.setdefault(need.room_id, []).append(pretended.product(need.product))
    rules = {pk: rule_of(products) for pk, products in by_room.items()}
    return {pk: rule for pk, rule in rules.items() if rule is not None}


def rule_of(products: Iterable[Product]) -> CureRule | None:
    """Return what labels ask together: the longest times, the band inside all of theirs; None: no common band."""
    curing = [one for one in products if one.cure_s and one.set_t_min is not None]
    band: Band | None = None
    for one in curing:
        own = gather.setting_band(one)
        band = own if one is curing[0] else band and band.within(own)
    if band is None:
        return None
    return CureRule(
        air=RestRule(
            required=timedelta(seconds=max(one.cure_s or 0 for one in curing)),
            max_gap=timedelta(seconds=max(one.rest_max_gap_s for one in curing)),
            restart_after=_NOTHING,
            band=band,
        ),
        no_washing=_longest(one.no_washing_s for one in curing),
        no_cooling=_longest(one.no_cooling_s for one in curing),
    )


def _longest(times: Iterable[int | None]) -> timedelta | None:
    given = [timedelta(seconds=one) for one in times if one is not None]
    return max(given, default=None)


def _air_between(zone: int, from_at: datetime, to_at: datetime) -> tuple[Columns, list[rest.Memory]]:
    """Return the readings and memories of a zone in a span: a cure is days long, its readings are few."""
    memories = Memory.objects.standing().filter(zone=zone, happened_at__gt=from_at, from_at__lt=to_at)
    remembered = [gather.memory_of(one) for one in memories.order_by("happened_at", "pk")]
    clocks = clocks_in([zone])
    if clocks:
        # Which readings lie in the span is known only when their loggers' clocks are put right.
        read = air.heard({zone: from_at}, clocks).get(zone, air.NOTHING_HEARD)
        end = bisect_right(read.at, seconds(to_at))
        return Columns(read.at[:end], read.t_c[:end], read.rh_pct[:end]), remembered
    rows = Reading.objects.standing().filter(zone=zone, happened_at__gte=from_at, happened_at__lte=to_at)
    told = rows.order_by("happened_at").values_list("happened_at", "temperature", "unit", "humidity_pct")
    columns = Columns.of_instants(
        [at for at, *_ in told],
        [celsius(temperature, unit) for _, temperature, unit, _ in told],
        [min(humidity, 100.0) for *_, humidity in told],
    )
    return columns, remembered


def _by_zone(walls: Iterable[Wall]) -> dict[int, list[Wall]]:
    by_zone: dict[int, list[Wall]] = {}
    for wall in walls:
        by_zone.setdefault(wall.zone, []).append(wall)
    return by_zone


# ---- words ----


def upset_words(spell: Spell) -> Say:
    """Return what was wrong with the air in a spell, in one sentence."""
    if spell.seen is None:
        return say("By a meter's memory the air left the setting band.")
    return say(
        "{air} °C and {humidity} % were read, outside the setting band.",
        air=_from_to(f"{spell.seen.t_min:.1f}", f"{spell.seen.t_max:.1f}"),
        humidity=_from_to(f"{spell.seen.rh_min:.0f}", f"{spell.seen.rh_max:.0f}"),
    )


def _from_to(low: str, high: str) -> Say:
    return say("{low} to {high}", low=low, high=high) if low != high else say("{figure}", figure=low)


def waits_words(cure: Cure | StoredCure) -> Say | None:
    """Return what the labels want put off, and until when; None: nothing."""
    washing, cooling = cure.washing_from, cure.cooling_from
    if washing is not None and cooling is not None:
        return say(
            "Not washed down before {washing}. Not cooled below its band before {cooling}.",
            washing=washing,
            cooling=cooling,
        )
    if washing is not None:
        return say("Not washed down before {washing}.", washing=washing)
    return (
        say("Not cooled below its band before {cooling}.", cooling=cooling) if cooling is not None else None
    )


# ---- as it is stored ----


@dataclass(frozen=True, slots=True)
class StoredCure:
    """The cure of a room as lists of rooms show it."""

    state: CureState
    from_at: datetime
    last_set_at: datetime
    until_at: datetime
    #: None: the air is in band, as far as is known.
    upset_since: datetime | None
    washing_from: datetime | None
    cooling_from: datetime | None

    def is_past(self, *, now: datetime) -> bool:
        """Return whether nothing of it need be known any more."""
        ends = (self.until_at, self.washing_from, self.cooling_from)
        return all(at is None or at <= now for at in ends)


def cure_to_json(cure: Cure | None) -> dict[str, Any] | None:
    """Return a cure as the state of its room keeps it."""
    if cure is None:
        return None
    return {
        "state": cure.state.value,
        "from": cure.from_at.isoformat(),
        "last_set": cure.last_set_at.isoformat(),
        "until": cure.until_at.isoformat(),
        "upset_since": cure.upset[-1].from_at.isoformat() if cure.is_upset else None,
        "washing_from": cure.washing_from.isoformat() if cure.washing_from else None,
        "cooling_from": cure.cooling_from.isoformat() if cure.cooling_from else None,
    }


def cure_from_json(stored: Mapping[str, Any] | None) -> StoredCure | None:
    """Return a stored cure."""
    if stored is None:
        return None
    upset, washing, cooling = (
        None if at is None else datetime.fromisoformat(at)
        for at in (stored["upset_since"], stored["washing_from"], stored["cooling_from"])
    )
    from_at, last, until = (datetime.fromisoformat(stored[name]) for name in ("from", "last_set", "until"))
    return StoredCure(CureState(stored["state"]), from_at, last, until, upset, washing, cooling)
