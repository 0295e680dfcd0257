"""Runs over the air of zones: as they are stored, brought up to what was read since, and stored again.

A run says under which version of the zone's air it was made.  It is stored without the zone's lock: a change of
the past that came meanwhile has a later version, so whoever reads the run next goes back for it.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db.models import F

from jobs import air
from jobs.clocks import Clocks
from jobs.prepared import Prepared
from materials.core.air import Air, Columns, RestRule, instant, seconds
from materials.core.evidence import Memory, Statement
from materials.core.running import AirRun, key_of
from materials.core.spans import NEVER
from materials.models import AirRun as Stored

#: A run that nobody has moved on for so long, while readings came, is of a rule that nobody asks for any more.
FORGOTTEN_AFTER = timedelta(days=7)

_Key = tuple[int, str]


@dataclass(slots=True)
class _Moved:
    """A run, and whether it is another than the stored one."""

    run: AirRun
    is_changed: bool = False


class AirRuns:
    """The air of some zones under some rules, up to the last reading of each."""

    def __init__(
        self,
        asked: Mapping[int, Collection[RestRule]],
        since: Mapping[int, datetime],
        clocks: Clocks,
        versions: Mapping[int, int],
    ) -> None:
        """Read the stored runs and what was read after them, in a fixed number of queries; writes nothing.

        Args:
            asked: by zone, the rules that are asked for.
            since: by zone, the instant whose last reading before it, and all that follow, matter.
            clocks: what is said of the clocks of these zones' loggers.
            versions: of the air of zones, as far as they were read before; the others are asked.
        """
        self._rules: dict[_Key, RestRule] = {
            (zone, key_of(rule)): rule for zone, rules in asked.items() for rule in rules
        }
        self._is_new = False
        # Asked before all else: what comes after it has a later version.
        unknown = [zone for zone in asked if zone not in versions]
        self._versions = dict(versions) | (air.versions_of(unknown) if unknown else {})
        self._runs = self._read(since)
        self._begin(since, clocks)
        self._go_on(clocks)

    def air(
        self,
        zone: int,
        rule: RestRule,
        memories: Sequence[Memory] = (),
        statements: Sequence[Statement] = (),
        *,
        from_at: datetime,
        now: datetime,
    ) -> Air:
        """Return the air of a zone from an instant on, under one of the rules asked for."""
        run = self._runs[zone, key_of(rule)].run
        return run.air(rule, memories, statements, from_at=from_at, now=now)

    def last_at(self, zone: int, count: int, *, now: datetime) -> list[datetime] | None:
        """Return the last so many instants by `now` at which a zone was read; None: no run knows so many."""
        for (of, _key), moved in self._runs.items():
            if of == zone:
                last = moved.run.last_at(count, now=now)
                return last if len(last) == count else None
        return None

    def store(self) -> None:
        """Store the runs that moved, in the caller's transaction; throw away those of rules long not asked for."""
        rows = [
            Stored(
                zone_id=zone,
                rule_key=key,
                air_version=self._versions[zone],
                since=instant(moved.run.since),
                upto=None if moved.run.upto == NEVER else instant(moved.run.upto),
                body=moved.run.to_json(),
            )
            # In one order, so that two who store cannot lock each other.
            for (zone, key), moved in sorted(self._runs.items(), key=lambda pair: pair[0])
            if moved.is_changed
        ]
        if not rows:
            return
        Stored.objects.bulk_create(
            rows,
            update_conflicts=True,
            unique_fields=["zone", "rule_key"],
            update_fields=["air_version", "since", "upto", "body"],
        )
        if self._is_new:
            zones = {row.zone_id for row in rows}
            left = Stored.objects.filter(zone__in=zones, zone__air_last_at__gt=F("upto") + FORGOTTEN_AFTER)
            left.delete()

    def _read(self, since: Mapping[int, datetime]) -> dict[_Key, _Moved]:
        """Return the stored runs that reach back far enough, each gone back to before what changed in its past."""
        if not self._rules:
            return {}
        found: dict[_Key, _Moved] = {}
        for row in _STORED({zone for zone, _key in self._rules}):
            is_asked = (row.zone_id, row.rule_key) in self._rules and row.since <= since[row.zone_id]
            # One without readings knows no last one before its beginning, and a later reading may be just that.
            is_sound = row.upto is not None and (row.back_to is None or row.back_to > row.since)
            if not is_asked or not is_sound:
                continue
            # Another may have stored it under a later version than was read here.
            self._versions[row.zone_id] = max(row.air_version, self._versions[row.zone_id])
            moved = _Moved(AirRun.from_json(row.body, since=seconds(row.since)))
            if row.back_to is not None:
                moved.run.cut_before(seconds(row.back_to))
                moved.is_changed = True
            found[row.zone_id, row.rule_key] = moved
        return found

    def _begin(self, since: Mapping[int, datetime], clocks: Clocks) -> None:
        missing = [key for key in self._rules if key not in self._runs]
        begin = air.beginnings({zone: since[zone] for zone, _key in missing}, clocks)
        for zone, key in missing:
            self._runs[zone, key] = _Moved(AirRun(since=seconds(begin[zone])), is_changed=True)
            self._is_new = True

    def _go_on(self, clocks: Clocks) -> None:
        """Read once for each zone what the run that is furthest behind lacks, and give each run its own."""
        after: dict[int, int] = {}
        for (zone, _key), moved in self._runs.items():
            end = _end(moved.run)
            after[zone] = min(end, after.get(zone, end))
        heard = air.heard({zone: instant(end + 1) for zone, end in after.items()}, clocks)
        for (zone, key), moved in self._runs.items():
            at, t_c, rh_pct = heard.get(zone, air.NOTHING_HEARD)
            first = bisect_right(at, _end(moved.run))
            if first < len(at):
                moved.run.extend(Columns(at[first:], t_c[first:], rh_pct[first:]), self._rules[zone, key])
                moved.is_changed = True


def _end(run: AirRun) -> int:
    """Return the last instant that a run has heard all of."""
    return max(run.upto, run.since - 1)


_STORED = Prepared(
    lambda zones: Stored.objects.filter(zone__in=zones).annotate(back_to=air.back_to("air_version"))
)
