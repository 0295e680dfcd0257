"""Backward from a planned start: the last moment at which each act can be done without moving it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from jobs.core.worktime import FARTHEST, Calendar, latest_work

#: The planned start, as an act that others come before.
START = "start"

# A limit before this is no date any more, only what a mistyped lag leaves.
_EARLIEST = datetime(1000, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Act:
    """Something to be done before others may begin.

    `duration` is working time; zero is a moment.  `calendar` None: every instant is working time.  `before`
    names what must not begin until so long after this act is finished, in elapsed time, day and night; never
    empty.
    """

    id: str
    duration: timedelta
    calendar: Calendar | None
    before: tuple[tuple[str, timedelta], ...]


@dataclass(frozen=True, slots=True)
class Latest:
    """The last moment of one act, and which of those that follow it decides it (`START`, or an act's id)."""

    id: str
    latest_start: datetime
    latest_finish: datetime
    decided_by: str

    def late(self, *, now: datetime) -> timedelta:
        """Return how long ago the act had to begin, zero if it is in time; it slides with the clock."""
        return max(timedelta(0), now - self.latest_start)


@dataclass(frozen=True, slots=True)
class LatestBy:
    """The last moments of all acts, by latest start, then id; and until when no other act becomes late."""

    acts: tuple[Latest, ...]
    #: None: without `now`, or when every act is late already.
    good_until: datetime | None


class Circle(ValueError):
    """Acts that wait for each other; `ids` in order of the circle."""

    def __init__(self, ids: Sequence[str]) -> None:
        super().__init__(" waits for ".join([*ids, ids[0]]))
        self.ids = tuple(ids)


class NoWorkingTime(ValueError):
    """An act whose calendar has not enough working time in the 800 days before its limit."""

    def __init__(self, id: str) -> None:
        super().__init__(f"{id}: not enough working time in the {FARTHEST.days} days before its limit")
        self.id = id


class TooEarly(ValueError):
    """An act whose limit lies a thousand years back."""

    def __init__(self, id: str) -> None:
        super().__init__(f"{id}: would have to be done before the year {_EARLIEST.year}")
        self.id = id


def latest_by(start: datetime, acts: Iterable[Act], *, now: datetime | None = None) -> LatestBy:
    """Return the latest start and finish of each act, so that `start` holds.

    An act's limit is the earliest of (latest start of what follows - lag); before the limit it takes the
    latest working time that is enough.

    Raises:
        KeyError: an act comes before one that is not among `acts`.
        ValueError: an id is used twice or is `START`, or an act comes before nothing.
        Circle, NoWorkingTime, TooEarly: as they say.
    """
    named = _named(acts)
    done: dict[str, Latest] = {}
    for act in _followers_first(named):
        limit, decided_by = min(_limits(act, start, done))
        work = latest_work(act.calendar, limit, act.duration)
        if work is None:
            raise NoWorkingTime(act.id)
        done[act.id] = Latest(act.id, *work, decided_by)
    answer = tuple(sorted(done.values(), key=lambda latest: (latest.latest_start, latest.id)))
    return LatestBy(answer, _good_until(answer, now))


def _limits(act: Act, start: datetime, done: Mapping[str, Latest]) -> Iterator[tuple[datetime, str]]:
    """Yield when the act must be finished for each that follows it."""
    for id, lag in act.before:
        follower = start if id == START else done[id].latest_start
        if lag > follower - _EARLIEST:
            raise TooEarly(act.id)
        yield follower - lag, id


def _good_until(acts: Iterable[Latest], now: datetime | None) -> datetime | None:
    """Return when the next act becomes late: a second after its latest start."""
    coming = (act.latest_start for act in acts if now is not None and act.latest_start >= now)
    first = min(coming, default=None)
    return None if first is None else first + timedelta(seconds=1)


def _named(acts: Iterable[Act]) -> dict[str, Act]:
    named: dict[str, Act] = {}
    for act in acts:
        if act.id in named or act.id == START:
            raise ValueError(f"{act.id!r} is used twice")
        if not act.before:
            raise ValueError(f"{act.id!r} comes before nothing")
        named[act.id] = act
    return named


def _followers_first(acts: Mapping[str, Act]) -> list[Act]:
    """Return the acts so that each comes after all that it is before."""
    waiting = {act.id: {id for id, _lag in act.before if id != START} for act in acts.values()}
    leaders: dict[str, list[str]] = {id: [] for id in acts}
    for id, followers in waiting.items():
        for follower in followers:
            leaders[follower].append(id)
    order = [id for id, followers in waiting.items() if not followers]
    for id in order:
        for leader in leaders[id]:
            waiting[leader].remove(id)
            if not waiting[leader]:
                order.append(leader)
    if len(order) < len(acts):
        raise Circle(_circle(waiting))
    return [acts[id] for id in order]


def _circle(waiting: Mapping[str, set[str]]) -> list[str]:
    """Return one circle among acts of which each still waits for another."""
    path = [min(id for id, followers in waiting.items() if followers)]
    while path[-1] not in path[:-1]:
        path.append(min(waiting[path[-1]]))
    return path[path.index(path[-1]) : -1]
