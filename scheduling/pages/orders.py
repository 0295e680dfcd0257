"""Orders as the supplier and the manager see them: what is asked, what was sent, what must be on site by when."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from uuid import UUID

from django.db.models import QuerySet, Sum

from jobs.core.words import Say, say, say_n
from jobs.models import Entry
from materials import queries as stock_queries
from materials.models import Arrival, ArrivalPromise, Dispatch, DispatchLine, Order, OrderLine
from scheduling import answers, parts
from scheduling.acts.base import Allowed
from scheduling.core.holds import Act
from scheduling.models import RoomState
from scheduling.pages.room import history_line

#: Less time than this to an act is a risk.
RISK = timedelta(hours=2)


@dataclass(frozen=True, slots=True)
class OrderRow:
    """One order in the list.  `on_site_by` is the last arrival that moves no promised day; None: none is promised."""

    order: Order
    goods: tuple[Say, ...]
    ordered: int
    sent: int
    on_site_by: datetime | None
    send_by: datetime | None
    is_late: bool
    zone: str

    @property
    def open(self) -> int:
        """Sheets still to be sent."""
        return max(0, self.ordered - self.sent)


@dataclass(frozen=True, slots=True)
class OrdersPage:
    """All that the list of orders shows."""

    answer: Say
    trouble: Say | None
    open: tuple[OrderRow, ...]
    done: tuple[OrderRow, ...]


@dataclass(frozen=True, slots=True)
class SentRow:
    """A dispatch of an order: what, when expected, whether it has come."""

    origin: UUID
    pk: UUID
    sent_at: datetime
    expected_at: datetime | None
    arrived_at: datetime | None
    paper: str
    lines: tuple[DispatchLine, ...]


@dataclass(frozen=True, slots=True)
class OrderPage:
    """All that one order's page shows."""

    row: OrderRow
    lines: tuple[OrderLine, ...]
    sent: tuple[SentRow, ...]
    history: tuple[parts.LogRow, ...]


def orders_page(orders: QuerySet[Order], *, now: datetime) -> OrdersPage:
    """Return the orders, open ones first, by when they must be on site."""
    rows = _rows(orders.select_related("job__site", "supplier"), now=now)
    still_open = sorted(
        (row for row in rows if row.open),
        key=lambda row: (row.on_site_by is None, row.on_site_by or now, row.order.number),
    )
    done = tuple(sorted((row for row in rows if not row.open), key=lambda row: row.order.number))
    late = next((row for row in still_open if row.is_late), None)
    trouble = None
    if late is not None and late.on_site_by is not None:
        trouble = say("{order} must be on site by {by}.", order=late.order.number, by=late.on_site_by)
    if not still_open:
        return OrdersPage(say("No order is open."), None, (), done)
    answer = say_n("One order is open.", "{n} orders are open.", n=len(still_open))
    return OrdersPage(answer, trouble, tuple(still_open), done)


def order_page(order: Order, *, may_correct: bool, now: datetime) -> OrderPage:
    """Return what the page of an order shows; its supplier too reads which line is for which room."""
    (row,) = _rows(Order.objects.filter(pk=order.pk).select_related("job__site", "supplier"), now=now)
    dispatches = list(Dispatch.objects.standing().filter(order=order).order_by("-happened_at"))
    expected = stock_queries.expected_arrivals(dispatches)
    arrivals = Arrival.objects.standing().filter(dispatch__in=[one.origin for one in dispatches])
    arrived = dict(arrivals.values_list("dispatch", "happened_at"))
    parts_of: dict[UUID, list[DispatchLine]] = defaultdict(list)
    for line in DispatchLine.objects.filter(dispatch__in=dispatches).select_related("order_line__product"):
        parts_of[line.dispatch_id].append(line)
    return OrderPage(
        row=row,
        lines=tuple(order.lines.select_related("product", "room").order_by("pk")),
        sent=tuple(
            SentRow(
                origin=one.origin,
                pk=one.pk,
                sent_at=one.happened_at,
                expected_at=expected[one.origin],
                arrived_at=arrived.get(one.origin),
                paper=one.paper,
                lines=tuple(parts_of[one.pk]),
            )
            for one in dispatches
        ),
        history=_history(order, may_correct=may_correct),
    )


def _rows(orders: QuerySet[Order], *, now: datetime) -> list[OrderRow]:
    found = list(orders)
    lines: dict[int, list[OrderLine]] = defaultdict(list)
    for line in OrderLine.objects.filter(order__in=found).select_related("product").order_by("pk"):
        lines[line.order_id].append(line)
    sent = dict(
        DispatchLine.objects.filter(
            order_line__order__in=found, dispatch__superseded_by__isnull=True, dispatch__withdraws=False
        )
        .values_list("order_line__order")
        .annotate(Sum("sheets"))
    )
    limits = _limits(found)
    return [
        _row(order, lines[order.pk], sent.get(order.pk, 0), limits.get(order.pk), now=now) for order in found
    ]


def _row(
    order: Order,
    lines: Sequence[OrderLine],
    sent: int,
    limit: tuple[datetime, datetime | None] | None,
    *,
    now: datetime,
) -> OrderRow:
    ordered = sum(line.sheets for line in lines)
    on_site_by, send_by = limit if limit and sent < ordered else (None, None)
    goods: dict[str, int] = defaultdict(int)
    for line in lines:
        name = line.product.name
        goods[name] += line.sheets
    matched = {line.product.name for line in lines if line.product.is_batch_matched}
    return OrderRow(
        order=order,
        goods=tuple(
            say("{count} {product}; from one batch", count=count, product=name)
            if name in matched
            else say("{count} {product}", count=count, product=name)
            for name, count in goods.items()
        ),
        ordered=ordered,
        sent=sent,
        on_site_by=on_site_by,
        send_by=send_by,
        is_late=on_site_by is not None and (send_by or on_site_by) < now + RISK,
        zone=order.job.site.time_zone,
    )


def _limits(orders: Sequence[Order]) -> dict[int, tuple[datetime, datetime | None]]:
    """Return by order when its sheets must stand on site so that no promised day moves, and when they must leave."""
    rooms: dict[int, set[int]] = defaultdict(set)
    for order, room in OrderLine.objects.filter(order__in=orders, room__isnull=False).values_list(
        "order", "room"
    ):
        rooms[room].add(order)
    states = RoomState.objects.filter(
        room__in=rooms, stage=RoomState.Stage.WAITING, planned_start__isnull=False
    ).only("room", "planned_start", "brief")
    limits: dict[int, tuple[datetime, datetime | None]] = {}
    for state in states:
        assert state.planned_start is not None
        asked = [
            act
            for act in answers.acts_of(state.brief)
            if act.act in (Act.LOG_DISPATCH, Act.ORDER_SHEETS, Act.CONFIRM_ARRIVAL)
        ]
        if not asked:
            continue
        send_by = min(act.latest_at for act in asked)
        on_site_by = answers.on_site_by_of(state.brief) or send_by
        for order in rooms[state.pk]:
            known = limits.get(order)
            if known is None or on_site_by < known[0]:
                limits[order] = (on_site_by, send_by)
    return limits


def _history(order: Order, *, may_correct: bool) -> tuple[parts.LogRow, ...]:
    """Return what was recorded of this order alone: its dispatches and promised arrivals."""
    dispatches = list(Dispatch.objects.filter(order=order).values_list("pk", flat=True))
    promises = ArrivalPromise.objects.filter(dispatch__in=dispatches).values_list("pk", flat=True)
    entries = Entry.objects.filter(pk__in=[*dispatches, *promises]).select_related(
        "recorded_by", "superseded_by"
    )
    rights = {Allowed.SUPPLIER} if may_correct else set()
    return tuple(history_line(entry, rights) for entry in entries.order_by("-recorded_at", "-pk"))
