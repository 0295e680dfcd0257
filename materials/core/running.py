"""The air of a zone under one rule as it runs: later readings move it on, and no past reading is read again.

What is kept is what the readings came to: the steps of their kinds, when they were read, and which were out of
band, why.  That is enough to take the run back to any of its readings and be what it was then, so the reading
before a change of the past is the safe point from which it is made anew.  Memories and statements are laid over
it when it is asked, never kept in it.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from hashlib import sha256
from itertools import accumulate, pairwise
from typing import Any

from materials.core.air import (
    SECOND,
    Air,
    Bad,
    Columns,
    Heard,
    Kind,
    RestRule,
    Trace,
    air_heard,
    instant,
    seconds,
)
from materials.core.evidence import Memory, Statement
from materials.core.instants import Instants
from materials.core.spans import FOREVER, NEVER

#: Changes with the meaning of what is written, so that nobody reads an older run.
_WRITTEN_AS = 1
_LETTERS = {Kind.GAP: "g", Kind.COUNTED: "c", Kind.BRIDGED: "b", Kind.OUT_OF_BAND: "o"}
_KINDS = {letter: kind for kind, letter in _LETTERS.items()}


def key_of(rule: RestRule) -> str:
    """Return the SHA-256 of what of a rule a run depends on: its band and its gaps, nothing else."""
    band = rule.band
    said = (
        _WRITTEN_AS,
        *(float(limit) for limit in (band.t_min, band.t_max, band.rh_min, band.rh_max)),
        rule.max_gap // SECOND,
        rule.fine_gap // SECOND,
    )
    return sha256(json.dumps(said).encode()).hexdigest()


@dataclass(slots=True)
class AirRun:
    """All readings of a zone from `since` on, as a rule's band and gaps judge them.  It changes in place.

    Args:
        since: an epoch second; `NEVER`: all readings there are.
    """

    since: int = NEVER
    _trace: Trace = field(default_factory=Trace)
    _times: Instants = field(default_factory=Instants)

    @property
    def upto(self) -> int:
        """The last reading in it; `NEVER`: there is none."""
        return self._trace.last

    def extend(self, columns: Columns, rule: RestRule) -> None:
        """Go on over readings later than all in it; any order, several at one instant.

        Raises:
            ValueError: one is not later; cut back first, and read again from there.
        """
        if not columns.at:
            return
        if not columns.rises():
            columns = columns.worst_first(rule.band)
        if columns.at[0] <= self._trace.last or columns.at[0] < self.since:
            raise ValueError("a run goes on only from its end")
        self._trace.take(columns, rule)
        self._times.extend(columns.at)

    def cut_before(self, at: int) -> None:
        """Go back to the last reading strictly before an instant; those from it on must be read again."""
        if self._trace.last < at:
            return
        count = self._times.upto(at - 1)
        self._times.cut(count)
        self._trace = self._trace.copied(NEVER, self._times[-1] if count else NEVER)

    def air(
        self,
        rule: RestRule,
        memories: Sequence[Memory] = (),
        statements: Sequence[Statement] = (),
        *,
        from_at: datetime | None = None,
        now: datetime,
    ) -> Air:
        """Return the air from an instant on, as `air_of` would from the same readings.

        Args:
            from_at: before it nothing is told, and nothing costs; None: from the beginning.
            memories, statements: all that end after `from_at`.
        """
        present = seconds(now)
        first = NEVER if from_at is None else seconds(from_at)
        for facts in (memories, statements):
            if facts:
                first = min(first, *(seconds(one.from_at) for one in facts))
        times, trace = self._times, self._trace
        begin = times.upto(first - 1)
        if trace.last <= present:
            count, next_at = len(times), FOREVER
        else:
            count = times.upto(present)
            next_at = times[count]
        last = trace.last if count == len(times) else times[count - 1] if count else NEVER
        heard = Heard(trace.copied(first, last), times[begin:count], (), next_at)
        return air_heard(rule, heard, memories, statements, now=now)

    def last_at(self, count: int, *, now: datetime) -> list[datetime]:
        """Return the last so many instants by `now` at which there was a reading, or as many as there are."""
        end = self._times.upto(seconds(now))
        return [instant(self._times[index]) for index in range(max(end - count, 0), end)]

    def to_json(self) -> dict[str, Any]:
        """Return all of it but `since` and `upto`, short."""
        trace = self._trace
        return {
            "times": self._times.to_json(),
            "starts": _gaps(trace.starts[1:]),
            "kinds": "".join(map(_LETTERS.__getitem__, trace.kinds)),
            "bad": trace.bad.at.to_json(),
            "why_from": _gaps(trace.bad.why_from),
            "why": "".join(format(why, "x") for why in trace.bad.why),
        }

    @classmethod
    def from_json(cls, body: dict[str, Any], *, since: int) -> AirRun:
        """Return what `to_json` wrote."""
        times, bad_at = Instants.from_json(body["times"]), Instants.from_json(body["bad"])
        last = times[-1] if times else NEVER
        trace = Trace(
            starts=[NEVER, *accumulate(body["starts"])],
            kinds=[_KINDS[letter] for letter in body["kinds"]],
            bad=Bad(bad_at, list(accumulate(body["why_from"])), [int(why, 16) for why in body["why"]]),
            last=last,
            last_good=bool(times) and not (bad_at and bad_at[-1] == last),
        )
        return cls(since, trace, times)


def _gaps(rising: Sequence[int]) -> list[int]:
    """Return the first of them and how far apart they are."""
    return [*rising[:1], *(later - at for at, later in pairwise(rising))]
