"""Orders: what is bought from one supplier for one job, kept as records with their history."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.utils.translation import gettext as _

from jobs.facts import check_open
from jobs.models import Firm, Job, Person, Room
from jobs.services.records import add_record
from materials.models import Order, OrderLine, Product
from materials.services.deliveries import MOST_SHEETS, LineRefused


@dataclass(frozen=True, slots=True)
class OrderedLine:
    """So many sheets of a product, and the room they are for (None: not known yet)."""

    product: Product
    room: Room | None
    sheets: int


@transaction.atomic
def place_order(
    *,
    job: Job,
    supplier: Firm,
    number: str,
    ordered_on: date | None,
    lines: Sequence[OrderedLine],
    by: Person,
    now: datetime,
) -> Order:
    """Store an order with its lines; the same order again changes nothing.

    Raises:
        ValidationError: keyed by field; the job is closed, the firm is no supplier, or another order has the
            number.
        LineRefused: a line is no panel, for a room of another job, of no sheets, or there twice.
    """
    check_open(job)
    if supplier.kind != Firm.Kind.SUPPLIER:
        raise ValidationError({"supplier": _("This firm supplies nothing.")})
    if not lines:
        raise ValidationError(_("An order has at least one line."))
    _check_lines(lines, job)
    known = Order.objects.filter(number=number.strip()).first()
    if known is not None:
        if known.job_id == job.pk and known.supplier_id == supplier.pk and _lines_of(known) == _asked(lines):
            return known
        raise ValidationError({"number": _("There is another order with this number.")})
    order = Order(job=job, supplier=supplier, number=number.strip(), ordered_on=ordered_on)
    try:
        with transaction.atomic():
            add_record(order, by=by, now=now)
    except IntegrityError as error:
        raise ValidationError({"number": _("There is another order with this number.")}) from error
    for line in lines:
        stored = OrderLine(order=order, product=line.product, room=line.room, sheets=line.sheets)
        add_record(stored, by=by, now=now)
    return order


def _check_lines(lines: Sequence[OrderedLine], job: Job) -> None:
    seen: set[tuple[int, int | None]] = set()
    for number, line in enumerate(lines):
        if not line.product.is_panel:
            message = _("%(product)s is no panel.") % {"product": line.product.name}
            raise LineRefused(message, line=number, column="product")
        if line.room is not None and line.room.job_id != job.pk:
            raise LineRefused(_("This room is not of this job."), line=number, column="room")
        if not 1 <= line.sheets <= MOST_SHEETS:
            message = _("“%(sheets)d” is no count of sheets to order.") % {"sheets": line.sheets}
            raise LineRefused(message, line=number, column="sheets")
        key = (line.product.pk, line.room.pk if line.room else None)
        if key in seen:
            message = _("This product stands above already for that room; write one count.")
            raise LineRefused(message, line=number, column="product")
        seen.add(key)


def _lines_of(order: Order) -> set[tuple[int, int | None, int]]:
    return set(order.lines.values_list("product", "room", "sheets"))


def _asked(lines: Sequence[OrderedLine]) -> set[tuple[int, int | None, int]]:
    return {(line.product.pk, line.room.pk if line.room else None, line.sheets) for line in lines}
