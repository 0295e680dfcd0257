"""The facts of panels under way: dispatches, promised arrivals, arrivals."""

from __future__ import annotations

from typing import ClassVar

from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from jobs.append_only import append_only
from jobs.core.words import Say, say, say_n
from jobs.models import Fact, Job, Room, Zone
from jobs.models.envelope import FactPart
from materials.models.needs import Order, OrderLine


@append_only
class Dispatch(Fact):
    """That a supplier sent off part of an order, `happened_at`; its lines carry batches and counts."""

    SUBJECT: ClassVar[tuple[str, ...]] = ("order_id",)

    order = models.ForeignKey(Order, on_delete=models.PROTECT, related_name="dispatches")
    #: When it should arrive, as promised with the dispatch; None is "no date given".
    expected_at = models.DateTimeField(_("expected on site"), null=True, blank=True)
    #: The supplier's own number of the delivery paper.
    paper = models.CharField(_("delivery paper"), max_length=60, blank=True)

    class Meta(Fact.Meta):
        verbose_name = _("dispatch")

    def touched_rooms(self) -> models.QuerySet[Room]:
        return Room.objects.filter(
            Q(order_lines__dispatch_lines__dispatch=self.pk)
            | Q(order_lines__dispatch_lines__dispatch=self.origin)
        ).distinct()

    def job_of(self) -> Job:
        return self.order.job

    def says(self) -> Say:
        lines = list(self.lines.select_related("order_line__product"))
        sheets = sum(line.sheets for line in lines)
        batches = tuple(sorted({line.batch for line in lines}))
        if self.expected_at is None:
            return say_n(
                "{n} sheet sent off on order {order}, batch {batches}; no arrival given.",
                "{n} sheets sent off on order {order}, batch {batches}; no arrival given.",
                n=sheets,
                order=self.order.number,
                batches=batches,
            )
        return say_n(
            "{n} sheet sent off on order {order}, batch {batches}; expected {expected}.",
            "{n} sheets sent off on order {order}, batch {batches}; expected {expected}.",
            n=sheets,
            order=self.order.number,
            batches=batches,
            expected=self.expected_at,
        )


@append_only
class DispatchLine(FactPart):
    """So many sheets of one batch in a dispatch, for one line of the order."""

    dispatch = models.ForeignKey(Dispatch, on_delete=models.PROTECT, related_name="lines")
    order_line = models.ForeignKey(OrderLine, on_delete=models.PROTECT, related_name="dispatch_lines")
    #: Exactly as the maker printed it: case, spaces, leading zeros.
    batch = models.CharField(_("batch"), max_length=60)
    sheets = models.PositiveIntegerField(_("sheets"))

    class Meta:
        verbose_name = _("line of a dispatch")
        constraints = [models.CheckConstraint(condition=Q(sheets__gte=1), name="dispatch_line_is_some")]


@append_only
class ArrivalPromise(Fact):
    """A supplier's later word on when a dispatch will arrive."""

    SUBJECT: ClassVar[tuple[str, ...]] = ("dispatch_id",)

    dispatch = models.ForeignKey(Dispatch, on_delete=models.PROTECT, related_name="promises")
    #: None: "not known any more".
    expected_at = models.DateTimeField(_("expected on site"), null=True, blank=True)

    class Meta(Fact.Meta):
        verbose_name = _("promised arrival")

    def touched_rooms(self) -> models.QuerySet[Room]:
        return Room.objects.filter(order_lines__dispatch_lines__dispatch__origin=self.dispatch_id).distinct()

    def job_of(self) -> Job:
        return self.dispatch.order.job

    def says(self) -> Say:
        if self.expected_at is None:
            return say("Order {order}: arrival not known any more.", order=self.dispatch.order.number)
        return say(
            "Order {order}: arrival now {expected}.",
            order=self.dispatch.order.number,
            expected=self.expected_at,
        )


@append_only
class Arrival(Fact):
    """That panels came to a zone, `happened_at`; each placement of it is a batch and a count."""

    SUBJECT: ClassVar[tuple[str, ...]] = ("zone_id", "dispatch_id")

    zone = models.ForeignKey(Zone, on_delete=models.PROTECT, related_name="arrivals")
    #: None: nobody had announced it.
    dispatch = models.ForeignKey(
        Dispatch, on_delete=models.PROTECT, null=True, blank=True, related_name="arrivals"
    )

    class Meta(Fact.Meta):
        verbose_name = _("arrival")

    def touched_rooms(self) -> models.QuerySet[Room]:
        announced = Q()
        if self.dispatch_id is not None:
            announced = Q(order_lines__dispatch_lines__dispatch__origin=self.dispatch_id)
        return Room.objects.filter(
            Q(placements__arrival=self.pk) | Q(placements__arrival=self.origin) | announced
        ).distinct()

    def job_of(self) -> Job:
        return self.zone.job

    def says(self) -> Say:
        if self.dispatch is None:
            return say("A delivery nobody had announced arrived in {zone}.", zone=self.zone.name)
        return say(
            "The delivery of order {order} arrived in {zone}.",
            order=self.dispatch.order.number,
            zone=self.zone.name,
        )
