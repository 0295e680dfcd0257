"""What to order: the sheets that rooms of a job still lack, less what stands and what is coming, by supplier.

Nothing here is decided for a person: a proposal says what would be ordered, what stands for nobody and could be
reserved, and what is left over.  Sheets are conserved: every sheet that stands or comes is counted once, for a
room, as a spare or as surplus, and every sheet that a room needs is covered or proposed.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from fractions import Fraction

#: More spares than this are a slip of the pen.
MOST_SPARES_PCT = Fraction(100)

#: What has no day comes after all that has.
_NEVER = datetime.max.replace(tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Need:
    """The sheets of one product that are still to be set in one room.

    Rooms of one `group` are set from one batch together; None: the room is a group of its own.  `one_batch`: the
    product is batch-matched and no mix is acknowledged here.
    """

    room: int
    product: int
    sheets: int
    #: When they must have arrived to keep the room's day; None: the room has no day yet.
    needed_by: datetime | None
    one_batch: bool = False
    group: str | None = None

    def __post_init__(self) -> None:
        if self.sheets < 1:
            raise ValueError("a need asks for at least one sheet")


@dataclass(frozen=True, slots=True)
class Source:
    """Good sheets that stand on site, or sheets of an open order that have not come.

    `batch` None: it is not known yet.  All sheets of a product whose batch is not known can still be sent from
    one.  Spares kept for later repairs are left out by whoever asks.
    """

    id: str
    product: int
    batch: str | None
    #: For whom they are; None: for nobody yet.
    room: int | None
    sheets: int
    #: False: they stand on site.
    is_coming: bool = False

    def __post_init__(self) -> None:
        if self.sheets < 0:
            raise ValueError("there are no fewer than no sheets")


@dataclass(frozen=True, slots=True)
class Product:
    """How a product is ordered."""

    id: int
    #: None: nobody has said whom it is ordered from.
    supplier: int | None
    #: Sheets ordered beyond the need, percent of it, rounded up once for each group.
    spares_pct: Fraction = Fraction(0)
    #: From the order to the arrival, as typed for the supplier; None: not known.
    lead: timedelta | None = None

    def __post_init__(self) -> None:
        if not 0 <= self.spares_pct <= MOST_SPARES_PCT:
            raise ValueError(f"spares are 0 to {MOST_SPARES_PCT} % of the need")


@dataclass(frozen=True, slots=True)
class Line:
    """So many sheets to order for a room, or as spares (`room` None).

    Lines of one `group` must be of one batch; None: no batch is asked for.  `of_batch` is the batch that most of
    the group is of already (None: any), `joins` are the open orders that have not been sent off and must be sent
    from that same batch.
    """

    product: int
    room: int | None
    sheets: int
    needed_by: datetime | None
    group: str | None = None
    of_batch: str | None = None
    joins: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Order:
    """What to order from one supplier, lines by when they are needed; `supplier` None: somebody must choose one.

    `order_by` is the last instant at which every line can be in time, with the typed lead time; None: unknown.
    """

    supplier: int | None
    lines: tuple[Line, ...]
    order_by: datetime | None


@dataclass(frozen=True, slots=True)
class Cover:
    """Sheets of a source that count for a room, or as spares (`room` None)."""

    source: str
    product: int
    room: int | None
    sheets: int
    #: They are for nobody yet, and must be reserved to count.
    to_reserve: bool


@dataclass(frozen=True, slots=True)
class Surplus:
    """Sheets of a source that nobody needs; of a matched group also those that are of another batch."""

    source: str
    product: int
    room: int | None
    sheets: int


@dataclass(frozen=True, slots=True)
class Whole:
    """What to order in place of a group's lines if the batch that they ask for cannot be had any more."""

    group: str
    of_batch: str
    lines: tuple[Line, ...]


@dataclass(frozen=True, slots=True)
class Proposal:
    """What to order, what already covers the need, and what is left over."""

    orders: tuple[Order, ...]
    covers: tuple[Cover, ...]
    surplus: tuple[Surplus, ...]
    wholes: tuple[Whole, ...]


def propose(needs: Iterable[Need], sources: Iterable[Source], products: Iterable[Product]) -> Proposal:
    """Return what to order for the rooms of one job.

    What is reserved for a room counts for that room alone, and beyond its need as a spare.  What is for nobody
    goes to the rooms that need theirs first, groups of one batch before others, and only then to spares.  The
    answer does not depend on the order in which anything is given, and once it is ordered and reserved there is
    nothing more to propose.

    Raises:
        KeyError: a product is needed that is not among `products`.
        ValueError: a room needs a product twice, or a source is given twice.
    """
    by_id = {product.id: product for product in products}
    stock = _Stock(sources)
    served = [_serve(group, by_id[group.product], stock) for group in _groups(needs)]
    lines = [line for one in served for line in one.lines(stock)]
    wholes = [whole for one in served if (whole := one.whole)]
    return Proposal(_orders(lines, by_id), tuple(stock.covers), stock.surplus(), tuple(wholes))


# ---- groups, and what serves them


@dataclass(frozen=True, slots=True)
class _Group:
    """Needs of one product that are served together, the most urgent first; `key` None: no batch is asked for."""

    product: int
    key: str | None
    needs: tuple[Need, ...]

    @property
    def urgency(self) -> tuple[bool, tuple[datetime, int], int, str]:
        return self.key is None, _urgency(self.needs[0]), self.product, self.key or ""

    @property
    def sheets(self) -> int:
        return sum(need.sheets for need in self.needs)

    @property
    def rooms(self) -> frozenset[int]:
        return frozenset(need.room for need in self.needs)


def _urgency(need: Need) -> tuple[datetime, int]:
    return need.needed_by or _NEVER, need.room


def _groups(needs: Iterable[Need]) -> list[_Group]:
    """Return the groups in the order in which they are served: those that must match first, then by urgency."""
    members: dict[tuple[int, str | None], list[Need]] = defaultdict(list)
    seen: set[tuple[int, int]] = set()
    for need in needs:
        if (need.room, need.product) in seen:
            raise ValueError(f"room {need.room} needs product {need.product} twice")
        seen.add((need.room, need.product))
        members[need.product, _key(need)].append(need)
    groups = [_Group(*key, tuple(sorted(mine, key=_urgency))) for key, mine in members.items()]
    return sorted(groups, key=lambda group: group.urgency)


def _key(need: Need) -> str | None:
    if not need.one_batch:
        return None
    # Two signs, so that no name of a group can be taken for a room's own.
    return f"{need.product}/{need.room}" if need.group is None else f"{need.product}:{need.group}"


class _Stock:
    """The sheets of all sources that nothing counts on yet, and the covers made of them so far."""

    def __init__(self, sources: Iterable[Source]) -> None:
        known = sorted(sources, key=lambda source: (source.is_coming, source.id))
        self.left = {source.id: source.sheets for source in known}
        if len(self.left) < len(known):
            raise ValueError("a source is given twice")
        self.of_product: dict[int, list[Source]] = defaultdict(list)
        for source in known:
            self.of_product[source.product].append(source)
        self.covers: list[Cover] = []

    def of(self, group: _Group, room: int | None) -> list[Source]:
        """Return what is left for a room (None: for nobody) of a group's product, what stands first."""
        mine = self.of_product[group.product]
        return [source for source in mine if source.room == room and self.left[source.id]]

    def take(self, sources: Iterable[Source], sheets: int, *, room: int | None) -> int:
        """Count up to so many sheets for a room, or as spares (None); return how many there were."""
        taken = 0
        for source in sources:
            some = min(self.left[source.id], sheets - taken)
            if some:
                self.left[source.id] -= some
                to_reserve = room is not None and source.room is None
                self.covers.append(Cover(source.id, source.product, room, some, to_reserve))
                taken += some
        return taken

    def surplus(self) -> tuple[Surplus, ...]:
        """Return what is left of every source."""
        left = [
            Surplus(source.id, source.product, source.room, self.left[source.id])
            for mine in self.of_product.values()
            for source in mine
            if self.left[source.id]
        ]
        return tuple(sorted(left, key=lambda one: (one.product, one.source)))


@dataclass(frozen=True, slots=True)
class _Served:
    """A group after its rooms were served: what each still lacks, and the batch that all are to be of."""

    group: _Group
    product: Product
    #: The batch that serves; None with `is_served`: one that is not known yet.
    batch: str | None
    is_served: bool
    lacks: tuple[tuple[Need, int], ...]
    joins: tuple[str, ...]

    def lines(self, stock: _Stock) -> list[Line]:
        """Return what to order for the rooms and, after what is left in stock, as spares."""
        lines = [self._line(need.room, lack, need.needed_by) for need, lack in self.lacks]
        spares = self._spares - self._spares_in(stock)
        return [*lines, self._line(None, spares, self._spares_by)] if spares else lines

    @property
    def whole(self) -> Whole | None:
        """What to order if the batch cannot be had; None: none is asked for, or no room lacks any of it."""
        if self.group.key is None or self.batch is None or not self.lacks:
            return None
        lines = [
            Line(self.product.id, need.room, need.sheets, need.needed_by, self.group.key)
            for need in self.group.needs
        ]
        if self._spares:
            lines.append(Line(self.product.id, None, self._spares, self._spares_by, self.group.key))
        return Whole(self.group.key, self.batch, tuple(lines))

    @property
    def _spares(self) -> int:
        return -(-self.group.sheets * self.product.spares_pct // 100)

    @property
    def _spares_by(self) -> datetime | None:
        """Spares come with the first of the group's sheets that are ordered."""
        asking = [need for need, _lack in self.lacks] or self.group.needs
        return asking[0].needed_by

    def _spares_in(self, stock: _Stock) -> int:
        sources = [
            source for room in (*sorted(self.group.rooms), None) for source in stock.of(self.group, room)
        ]
        if self.group.key is not None:
            sources = [source for source in sources if self.is_served and source.batch == self.batch]
        return stock.take(sources, self._spares, room=None)

    def _line(self, room: int | None, sheets: int, needed_by: datetime | None) -> Line:
        return Line(self.product.id, room, sheets, needed_by, self.group.key, self.batch, self.joins)


def _serve(group: _Group, product: Product, stock: _Stock) -> _Served:
    """Count for each room of a group what is its own, then what is for nobody."""
    batch, is_served = (None, False) if group.key is None else _batch_of(group, stock)

    def fitting(room: int | None) -> list[Source]:
        found = stock.of(group, room)
        if group.key is None:
            return found
        return [source for source in found if is_served and source.batch == batch]

    first = len(stock.covers)
    lack = {
        need.room: need.sheets - stock.take(fitting(need.room), need.sheets, room=need.room)
        for need in group.needs
    }
    for room in lack:
        lack[room] -= stock.take(fitting(None), lack[room], room=room)
    lacks = tuple((need, lack[need.room]) for need in group.needs if lack[need.room])
    joins = {cover.source for cover in stock.covers[first:]} if is_served and batch is None else set()
    return _Served(group, product, batch, is_served, lacks, tuple(sorted(joins)))


def _batch_of(group: _Group, stock: _Stock) -> tuple[str | None, bool]:
    """Return the batch that covers most of a group, and whether any covers some; of two the one reserved for it."""
    own = {need: stock.of(group, need.room) for need in group.needs}
    free = stock.of(group, None)

    def reach(batch: str | None) -> tuple[int, int]:
        mine = sum(min(need.sheets, _sheets_of(batch, found, stock)) for need, found in own.items())
        return mine + min(group.sheets - mine, _sheets_of(batch, free, stock)), mine

    batches = {source.batch for found in (*own.values(), free) for source in found}
    in_order = sorted(batches, key=lambda batch: (batch is None, batch or ""))
    best = max(in_order, key=reach, default=None)
    return best, bool(batches)


def _sheets_of(batch: str | None, sources: Iterable[Source], stock: _Stock) -> int:
    return sum(stock.left[source.id] for source in sources if source.batch == batch)


# ---- orders


def _orders(lines: Iterable[Line], products: Mapping[int, Product]) -> tuple[Order, ...]:
    """Return the lines by supplier, those that nobody supplies last."""
    by_supplier: dict[int | None, list[Line]] = defaultdict(list)
    for line in lines:
        by_supplier[products[line.product].supplier].append(line)
    suppliers = sorted(by_supplier, key=lambda supplier: (supplier is None, supplier or 0))
    return tuple(_order(supplier, by_supplier[supplier], products) for supplier in suppliers)


def _order(supplier: int | None, lines: Iterable[Line], products: Mapping[int, Product]) -> Order:
    ordered = tuple(sorted(lines, key=_line_urgency))
    limits = [
        line.needed_by - lead
        for line in ordered
        if line.needed_by is not None and (lead := products[line.product].lead) is not None
    ]
    is_known = all(products[line.product].lead is not None for line in ordered if line.needed_by is not None)
    return Order(supplier, ordered, min(limits, default=None) if is_known else None)


def _line_urgency(line: Line) -> tuple[datetime, int, str, bool, int]:
    return line.needed_by or _NEVER, line.product, line.group or "", line.room is None, line.room or 0
