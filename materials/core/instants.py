"""Rising instants, kept as arithmetic series: a logger that reads every five minutes for a year costs a few numbers."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from typing import overload


class Instants(Sequence[int]):
    """Whole epoch seconds, rising.  It only grows at its end, and is cut there.

    Kept as series: `_firsts[k] + i * _steps[k]` for the instants from number `_befores[k]` on.
    """

    __slots__ = ("_befores", "_count", "_firsts", "_last", "_steps")

    def __init__(self, at: Iterable[int] = ()) -> None:
        """Take instants that rise; one that comes twice is one."""
        self._firsts: list[int] = []
        self._steps: list[int] = []
        self._befores: list[int] = []
        self._count = 0
        self._last = 0
        if at:
            self.extend(at)

    def __len__(self) -> int:
        return self._count

    @overload
    def __getitem__(self, index: int) -> int: ...
    @overload
    def __getitem__(self, index: slice) -> Instants: ...
    def __getitem__(self, index: int | slice) -> int | Instants:
        if isinstance(index, slice):
            first, end, _step = index.indices(self._count)
            return self._between(first, max(first, end))
        if index == -1 and self._count:
            return self._last
        if index < 0:
            index += self._count
        if not 0 <= index < self._count:
            raise IndexError("no such instant")
        series = bisect_right(self._befores, index) - 1
        return self._firsts[series] + (index - self._befores[series]) * self._steps[series]

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Instants) and list(self) == list(other)

    __hash__ = None  # type: ignore[assignment]

    def extend(self, at: Iterable[int]) -> None:
        """Add later instants, rising; one that comes twice is one.

        Raises:
            ValueError: one is earlier than the one before it.
        """
        count, last = self._count, self._last
        step = self._steps[-1] if self._steps else 0
        for one in at:
            gap = one - last
            if gap == step and gap:
                count += 1
            elif not count or gap > 0:
                if count and not step:
                    # The second of a series says how far apart they are.
                    self._steps[-1] = step = gap
                else:
                    self._firsts.append(one)
                    self._steps.append(0)
                    self._befores.append(count)
                    step = 0
                count += 1
            elif gap < 0:
                raise ValueError("the instants do not rise")
            last = one
        self._count, self._last = count, last

    def upto(self, at: int) -> int:
        """Return how many of them are at or before an instant."""
        series = bisect_right(self._firsts, at) - 1
        if series < 0:
            return 0
        before = self._befores[series]
        end = self._befores[series + 1] if series + 1 < len(self._befores) else self._count
        step = self._steps[series]
        passed = (at - self._firsts[series]) // step + 1 if step else 1
        return min(before + passed, end)

    def cut(self, count: int) -> None:
        """Keep the first so many."""
        if count >= self._count:
            return
        series = bisect_left(self._befores, count)
        del self._firsts[series:], self._steps[series:], self._befores[series:]
        self._count = count
        if series and count - self._befores[-1] == 1:
            self._steps[-1] = 0
        ahead = count - 1 - self._befores[-1] if series else 0
        self._last = self._firsts[-1] + ahead * self._steps[-1] if series else 0

    def to_json(self) -> list[int]:
        """Return three numbers a series: how long after the one before it begins, its step, its count."""
        ends = [*self._befores[1:], self._count][: len(self._befores)]
        flat: list[int] = []
        last = 0
        for first, step, before, end in zip(self._firsts, self._steps, self._befores, ends, strict=True):
            flat += (first - last, step, end - before)
            last = first + (end - before - 1) * step
        return flat

    @classmethod
    def from_json(cls, flat: Sequence[int]) -> Instants:
        """Return what `to_json` wrote."""
        made = cls()
        for after, step, count in zip(flat[::3], flat[1::3], flat[2::3], strict=True):
            first = made._last + after
            made._firsts.append(first)
            made._steps.append(step)
            made._befores.append(made._count)
            made._count += count
            made._last = first + (count - 1) * step
        return made

    def _between(self, first: int, end: int) -> Instants:
        if first >= end:
            return Instants()
        part = Instants.__new__(Instants)
        begin = bisect_right(self._befores, first) - 1
        stop = len(self._befores) if end == self._count else bisect_left(self._befores, end)
        part._firsts = self._firsts[begin:stop]
        part._steps = self._steps[begin:stop]
        part._befores = [before - first for before in self._befores[begin:stop]]
        skipped = first - self._befores[begin]
        part._firsts[0] += skipped * part._steps[0]
        part._befores[0] = 0
        part._count = end - first
        if part._count - part._befores[-1] == 1:
            part._steps[-1] = 0
        if len(part._befores) > 1 and part._befores[1] == 1:
            # A series of one has no step: the next instant would else be taken for its second.
            part._steps[0] = 0
        ahead = part._count - 1 - part._befores[-1]
        part._last = part._firsts[-1] + ahead * part._steps[-1]
        return part
