"""What is doubtful about readings: judged when they are stored, and again when a neighbour comes late or goes.

One place for all of them: what loggers post, what their files hold, what people read by hand.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, NamedTuple
from uuid import UUID

from django.db.models import Q

from jobs.core.logger_values import Reading as ReadOut
from jobs.core.plausible import NEIGHBOUR_S, REACH_S, Seen, doubts
from jobs.core.units import celsius
from jobs.ids import reading_hex
from jobs.models import Reading, ReadingFlag
from jobs.seconds import Seconds

#: How far around an instant what was read there has a say in the judgement.
REACH = timedelta(seconds=REACH_S)
#: A neighbour that is judged again has neighbours of its own.
BEHIND = timedelta(seconds=2 * NEIGHBOUR_S)
SECOND = timedelta(seconds=1)

Flag = tuple[UUID, str]


class Row(NamedTuple):
    """A stored reading: what a logger said, or what a person put in its place."""

    pk: UUID
    origin: UUID
    at_s: int
    temperature: float
    unit: str
    humidity_pct: float
    supersedes: UUID | None
    withdraws: bool
    superseded_by: UUID | None

    def seen(self) -> Seen:
        """Return it as it is judged."""
        return _seen(self.at_s, self.temperature, self.unit, self.humidity_pct)


def _seen(at_s: int, temperature: float, unit: str, humidity_pct: float) -> Seen:
    # Asked of thousands: `celsius` is exact, and dear.
    return Seen(at_s, temperature if unit == "c" else celsius(temperature, unit), humidity_pct)


@dataclass(frozen=True, slots=True)
class Around:
    """What is stored of one logger in one zone around some instants, corrections and all."""

    rows: tuple[Row, ...]

    @property
    def first_said(self) -> list[Row]:
        """What the logger itself said, whatever became of it."""
        return [row for row in self.rows if row.supersedes is None]

    @property
    def standing(self) -> list[Row]:
        """What counts."""
        return [row for row in self.rows if row.superseded_by is None and not row.withdraws]


def around(readings: Sequence[ReadOut], *, zone: int, logger: str) -> Around:
    """Return what is stored around these readings, earliest first, as far as it has a say in their judgement.

    Of the past so much as a jump asks for: whether a sensor sticks is nearly always plain from that.
    """
    return _stored(readings[0].at - BEHIND, readings[-1].at + REACH, zone=zone, logger=logger)


def judge(new: Sequence[ReadOut], stored: Around, *, zone: int, logger: str) -> None:
    """Flag what is doubtful about readings that were just stored, and judge their neighbours again.

    Args:
        new: earliest first.
        stored: what was there before them, as `around` returned it.
    """
    as_id = reading_hex(zone=zone, logger=logger)
    seen = [(_seen(int(one.at.timestamp()), one.value, one.unit, one.rh_pct), None, one.at) for one in new]
    standing = stored.standing
    if _may_run_on(standing, seen[0][0]):
        past = _stored(new[0].at - REACH, new[0].at - BEHIND - SECOND, zone=zone, logger=logger)
        standing = [*past.standing, *standing]
    before = [(row.seen(), row.pk, None) for row in standing]
    both: list[Any] = [*seen, *before]
    if before:
        both.sort(key=lambda pair: pair[0].at_s)
    found = doubts([one for one, _pk, _at in both])
    if not found and not before:
        return
    wanted: dict[Flag, int] = {}
    first_s, last_s = seen[0][0].at_s, seen[-1][0].at_s
    for index, kinds in found.items():
        one, pk, at = both[index]
        judged = kinds & _judged(one.at_s, first_s, last_s)
        ident = pk or UUID(as_id(at))
        wanted |= {(ident, kind): one.at_s for kind in judged}
    _flag(wanted, first_s, last_s, zone=zone, logger=logger, is_first=not before)


def judge_again(at: datetime, *, zone: int, logger: str) -> None:
    """Judge the readings around an instant at which one was recorded, corrected or taken back."""
    at_s = int(at.timestamp())
    stored = _stored(at - REACH, at + REACH, zone=zone, logger=logger)
    rows = sorted(stored.standing, key=lambda row: row.at_s)
    wanted: dict[Flag, int] = {}
    for index, kinds in doubts([row.seen() for row in rows]).items():
        row = rows[index]
        wanted |= {(row.pk, kind): row.at_s for kind in kinds & _judged(row.at_s, at_s, at_s)}
    _flag(wanted, at_s, at_s, zone=zone, logger=logger, is_first=False)


def _judged(at_s: int, first_s: int, last_s: int) -> frozenset[str]:
    """Return of which kinds a reading is judged when something changed from `first_s` to `last_s`.

    Only what is read to the end of its own reach: a jump needs both neighbours, a stuck sensor its past.
    """
    if first_s <= at_s <= last_s:
        return frozenset(ReadingFlag.Kind.values)
    kinds = {"jump"} if first_s - NEIGHBOUR_S <= at_s <= last_s + NEIGHBOUR_S else set()
    return frozenset(kinds | {"stuck"} if at_s > last_s else kinds)


def _flag(
    wanted: dict[Flag, int], first_s: int, last_s: int, *, zone: int, logger: str, is_first: bool
) -> None:
    """Make the flags around what changed those that are wanted."""
    stands: dict[Flag, int] = {}
    if not is_first:
        near = ReadingFlag.objects.filter(
            zone=zone,
            reading__logger=logger,
            happened_at__gte=_instant(first_s - NEIGHBOUR_S),
            happened_at__lte=_instant(last_s + REACH_S),
        )
        for pk, reading, kind, at in near.values_list("pk", "reading", "kind", "happened_at"):
            if kind in _judged(int(at.timestamp()), first_s, last_s):
                stands[reading, kind] = pk
    gone = [pk for flag, pk in stands.items() if flag not in wanted]
    if gone:
        ReadingFlag.objects.filter(pk__in=gone).delete()
    come = [
        ReadingFlag(reading_id=reading, kind=kind, zone_id=zone, happened_at=_instant(at_s))
        for (reading, kind), at_s in wanted.items()
        if (reading, kind) not in stands
    ]
    ReadingFlag.objects.bulk_create(come, ignore_conflicts=True)


def _may_run_on(standing: Sequence[Row], first: Seen) -> bool:
    """Return whether what the first new reading says may have been said since before what was read of the past."""
    pairs = {row.seen()[1:] for row in standing if row.at_s < first.at_s}
    return pairs == {first[1:]}


def _stored(from_at: datetime, to_at: datetime, *, zone: int, logger: str) -> Around:
    within = Q(happened_at__gte=from_at, happened_at__lte=to_at)
    rows = Reading.objects.filter(within, zone=zone, logger=logger).values_list(
        "pk",
        "origin",
        Seconds("happened_at"),
        "temperature",
        "unit",
        "humidity_pct",
        "supersedes",
        "withdraws",
        "superseded_by",
    )
    return Around(tuple(map(Row._make, rows.iterator(chunk_size=5_000))))


def _instant(at_s: int) -> datetime:
    return datetime.fromtimestamp(at_s, UTC)
