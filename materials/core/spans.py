"""Spans of whole epoch seconds: sorted, apart from each other, half-open; and kinds laid over one another."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from typing import Generic, TypeVar

Span = tuple[int, int]
K = TypeVar("K")

# Outside every instant a fact can have, and still far from overflowing anything.
NEVER = -(10**15)
FOREVER = 10**15


def union(spans: Iterable[Span]) -> list[Span]:
    """Return the spans in order, those that touch or overlap made one."""
    joined: list[Span] = []
    for start, end in sorted(spans):
        if joined and start <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(end, joined[-1][1]))
        else:
            joined.append((start, end))
    return joined


def without(spans: Sequence[Span], holes: Sequence[Span]) -> list[Span]:
    """Return what is left of `spans` outside `holes`; both as `union` returns them."""
    left: list[Span] = []
    first = 0
    for start, end in spans:
        while first < len(holes) and holes[first][1] <= start:
            first += 1
        at = first
        while at < len(holes) and holes[at][0] < end:
            if start < holes[at][0]:
                left.append((start, holes[at][0]))
            start = max(start, holes[at][1])
            at += 1
        if start < end:
            left.append((start, end))
    return left


def covers(spans: Sequence[Span], at: int) -> bool:
    """Return whether one of the spans, *both* ends included, holds this instant; as `union` returns them."""
    before = bisect_right(spans, (at, FOREVER)) - 1
    return before >= 0 and at <= spans[before][1]


@dataclass(frozen=True, slots=True)
class Steps(Generic[K]):
    """What holds from each instant to the next: `kinds[i]` in [`starts[i]`, `starts[i + 1]`).

    `starts[0]` is `NEVER`, the last kind holds for ever, neighbours differ.
    """

    starts: Sequence[int]
    kinds: Sequence[K]

    def at(self, instant: int) -> K:
        """Return what holds at this instant."""
        return self.kinds[bisect_right(self.starts, instant) - 1]

    def next_after(self, instant: int) -> tuple[int, K] | None:
        """Return the first later change and what holds from it, or None if nothing changes any more."""
        i = bisect_right(self.starts, instant)
        return (self.starts[i], self.kinds[i]) if i < len(self.starts) else None

    def within(self, start: int, end: int) -> Iterable[tuple[int, int, K]]:
        """Yield (from, to, kind) that tile [`start`, `end`)."""
        i = bisect_right(self.starts, start) - 1
        while start < end:
            i += 1
            to = min(self.starts[i], end) if i < len(self.starts) else end
            yield start, to, self.kinds[i - 1]
            start = to

    def painted(self, spans: Sequence[Span], kind: K, *, over: Collection[K]) -> Steps[K]:
        """Return the steps with `kind` laid over those of `over` inside `spans`, as `union` returns them."""
        if not spans:
            return self
        cuts = sorted({*self.starts, *(end for span in spans for end in span)})
        starts: list[int] = []
        kinds: list[K] = []
        under = inside = 0
        for cut in cuts:
            while under + 1 < len(self.starts) and self.starts[under + 1] <= cut:
                under += 1
            while inside < len(spans) and spans[inside][1] <= cut:
                inside += 1
            laid = self.kinds[under]
            if laid in over and inside < len(spans) and spans[inside][0] <= cut:
                laid = kind
            if not kinds or kinds[-1] != laid:
                starts.append(cut)
                kinds.append(laid)
        return Steps(starts, kinds)


def between(sorted_instants: Sequence[int], after: int, before: int) -> Sequence[int]:
    """Return those strictly after the one and strictly before the other."""
    return sorted_instants[bisect_right(sorted_instants, after) : bisect_left(sorted_instants, before)]
