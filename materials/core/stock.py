"""What stands where: counts of each placement after moves, inspections in parts, and sheets set.

Sheets are conserved: what a placement was less what was moved on and set is what stands there, the
rejected included until they leave.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True)
class Placed:
    """So many sheets of a batch put down in a zone; `moved_from` names the placement they were taken from."""

    id: str
    product: int
    batch: str
    sheets: int
    zone: int
    #: None: reserved for no room.
    room: int | None
    in_at: datetime
    moved_from: str | None = None
    brought_inspected: int = 0
    brought_rejected: int = 0


@dataclass(frozen=True, slots=True)
class Looked:
    """A part of an inspection: so many more sheets looked at, so many of these rejected."""

    id: str
    placement: str
    at: datetime
    inspected: int
    rejected: int
    mark_seen: bool


@dataclass(frozen=True, slots=True)
class Opened:
    """That a placement was unwrapped."""

    placement: str
    at: datetime


@dataclass(frozen=True, slots=True)
class SetDown:
    """So many sheets of a placement set on a wall."""

    placement: str
    sheets: int


@dataclass(frozen=True, slots=True)
class Stay:
    """Time spent in one zone; `out_at` None while it lasts."""

    zone: int
    in_at: datetime
    out_at: datetime | None


@dataclass(frozen=True, slots=True)
class Standing:
    """What is left of a placement where it was put, and what was done to it."""

    id: str
    product: int
    batch: str
    zone: int
    room: int | None
    in_at: datetime
    #: Sheets standing here, rejected ones included; none where more were taken than there were.
    sheets: int
    inspected: int
    rejected: int
    #: Whether every part of the inspection saw the maker's mark on the backs.
    mark_seen: bool
    #: The last part of the inspection, or None: nobody has looked.
    inspection: str | None
    inspected_at: datetime | None
    #: Earliest; None: still wrapped.
    opened_at: datetime | None
    #: Everywhere these sheets have been, in order.
    stays: tuple[Stay, ...]
    #: Sheets that were moved on or set beyond what there was: the counts disagree, and a person must look.
    missing: int = 0

    @property
    def good(self) -> int:
        """Sheets standing here that nobody rejected."""
        return self.sheets - self.rejected

    @property
    def to_inspect(self) -> int:
        """Sheets nobody has looked at."""
        return self.sheets - self.inspected


def stock(
    placed: Iterable[Placed], looked: Iterable[Looked], opened: Iterable[Opened], set_down: Iterable[SetDown]
) -> dict[str, Standing]:
    """Return what stands, by placement, emptied placements with a count of 0 included.

    Counts that disagree leave nothing standing and say how much is missing: one slip of a pen must not hide
    what stands in every other room.

    Args:
        placed: holds every standing placement that another was moved from.
    """
    by_id = {one.id: one for one in placed}
    moved_on = defaultdict(list)
    for one in by_id.values():
        if one.moved_from is not None:
            moved_on[one.moved_from].append(one)
    parts = defaultdict(list)
    for part in looked:
        parts[part.placement].append(part)
    opened_at = _earliest(opened)
    set_here: dict[str, int] = defaultdict(int)
    for one_set in set_down:
        set_here[one_set.placement] += one_set.sheets
    return {
        one.id: _standing(one, by_id, moved_on[one.id], parts[one.id], opened_at, set_here[one.id])
        for one in by_id.values()
    }


def _standing(
    one: Placed,
    by_id: Mapping[str, Placed],
    moved: list[Placed],
    parts: list[Looked],
    opened_at: Mapping[str, datetime],
    sheets_set: int,
) -> Standing:
    left = one.sheets - sum(child.sheets for child in moved) - sheets_set
    missing = max(0, -left)
    left = max(0, left)
    inspected = one.brought_inspected + sum(part.inspected for part in parts)
    rejected = one.brought_rejected + sum(part.rejected for part in parts)
    inspected -= sum(child.brought_inspected for child in moved)
    rejected -= sum(child.brought_rejected for child in moved)
    # Sheets are set from the good inspected ones first; what was set unseen does not count as seen.
    inspected -= min(sheets_set, max(0, inspected - rejected))
    last = max(parts, key=lambda part: (part.at, part.id), default=None)
    return Standing(
        id=one.id,
        product=one.product,
        batch=one.batch,
        zone=one.zone,
        room=one.room,
        in_at=one.in_at,
        sheets=left,
        inspected=min(max(inspected, 0), left),
        rejected=min(max(rejected, 0), left),
        mark_seen=inspected > 0 and all(part.mark_seen for part in parts),
        inspection=last.id if last else None,
        inspected_at=last.at if last else (one.in_at if one.brought_inspected else None),
        opened_at=_opened(one, by_id, opened_at),
        stays=_stays(one, by_id),
        missing=missing,
    )


def _source(one: Placed, by_id: Mapping[str, Placed]) -> Placed | None:
    """Return what sheets were moved from; None: they came with a delivery, or what they came from is not known."""
    return by_id.get(one.moved_from) if one.moved_from is not None else None


def _earliest(opened: Iterable[Opened]) -> dict[str, datetime]:
    first: dict[str, datetime] = {}
    for one in opened:
        first[one.placement] = min(one.at, first.get(one.placement, one.at))
    return first


def _opened(one: Placed, by_id: Mapping[str, Placed], opened_at: Mapping[str, datetime]) -> datetime | None:
    """Return when these sheets were unwrapped: here, or where they stood before they were moved."""
    candidates = [opened_at[one.id]] if one.id in opened_at else []
    source = _source(one, by_id)
    if source is not None:
        before = _opened(source, by_id, opened_at)
        if before is not None and before <= one.in_at:
            candidates.append(before)
    return min(candidates, default=None)


def _stays(one: Placed, by_id: Mapping[str, Placed]) -> tuple[Stay, ...]:
    """Return everywhere these sheets have been; a stay that a move ends at its own beginning never was."""
    before: tuple[Stay, ...] = ()
    source = _source(one, by_id)
    if source is not None:
        *earlier, last = _stays(source, by_id)
        before = (
            (*earlier, Stay(last.zone, last.in_at, one.in_at)) if last.in_at < one.in_at else tuple(earlier)
        )
    return (*before, Stay(one.zone, one.in_at, None))
