"""Which orders a person may see: a supplier its own, a manager all, a crew lead those of the jobs it sees."""

from __future__ import annotations

from datetime import datetime

from django.db.models import QuerySet
from django.http import Http404

from jobs.access import visible_jobs
from jobs.models import Person
from materials.models import Dispatch, Order, Placement


def visible_orders(person: Person, *, now: datetime) -> QuerySet[Order]:
    """Return the orders `person` may know of."""
    if person.is_supplier:
        return Order.objects.filter(supplier=person.firm_id)
    return Order.objects.filter(job__in=visible_jobs(person, now=now))


def may_dispatch(person: Person, order: Order) -> bool:
    """Return whether `person` may log a dispatch: the supplier itself, or a manager whom it told."""
    return person.is_manager or (person.is_supplier and order.supplier_id == person.firm_id)


def order_for(person: Person, pk: int, *, now: datetime) -> Order:
    """Return an order that `person` may see.

    Raises:
        Http404: there is none, or it is not theirs to see.
    """
    found = visible_orders(person, now=now).select_related("job__site", "supplier").filter(pk=pk).first()
    if found is None:
        raise Http404
    return found


def dispatch_for(person: Person, origin: object, *, now: datetime) -> Dispatch:
    """Return the standing dispatch that began as `origin`, if `person` may see its order.

    Raises:
        Http404: there is none, or it is not theirs to see.
    """
    orders = visible_orders(person, now=now)
    standing = Dispatch.objects.standing().filter(origin=origin, order__in=orders)
    found: Dispatch | None = standing.select_related("order__job__site", "order__supplier").first()
    if found is None:
        raise Http404
    return found


def placement_for(person: Person, origin: object, *, now: datetime) -> Placement:
    """Return the standing placement that began as `origin`, if `person` may see its job.

    Raises:
        Http404: there is none, or it is not theirs to see.
    """
    standing = Placement.objects.standing().filter(origin=origin, zone__job__in=visible_jobs(person, now=now))
    found: Placement | None = standing.select_related("zone__job__site", "product", "room").first()
    if found is None:
        raise Http404
    return found
