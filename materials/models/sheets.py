"""The facts of panels and consumables on site: where they stand, what was opened, looked at and rejected."""

from __future__ import annotations

from typing import ClassVar
from uuid import UUID

from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from jobs.append_only import append_only, guard
from jobs.core.words import Say, say, say_n
from jobs.models import Fact, Job, Room, Zone
from jobs.models.envelope import FactPart
from jobs.models.seen import RoomFact
from materials.models.deliveries import Arrival
from materials.models.needs import Product


@append_only
class Placement(Fact):
    """So many sheets of one batch standing in one zone from `happened_at`, for one room or for none.

    It begins with an arrival, or with a move that takes sheets from another placement; what is
    left there is its own count less what was moved on.
    """

    SUBJECT: ClassVar[tuple[str, ...]] = ("arrival_id", "moved_from_id")

    arrival = models.ForeignKey(
        Arrival, on_delete=models.PROTECT, null=True, blank=True, related_name="placements"
    )
    moved_from = models.ForeignKey(
        "self", on_delete=models.PROTECT, null=True, blank=True, related_name="moved_on"
    )
    zone = models.ForeignKey(Zone, on_delete=models.PROTECT, related_name="placements")
    #: Reserved for this room; None: for nobody yet, and so it counts for no room.
    room = models.ForeignKey(Room, on_delete=models.PROTECT, null=True, blank=True, related_name="placements")
    product = models.ForeignKey(Product, on_delete=models.PROTECT, related_name="placements")
    #: Exactly as the maker printed it.
    batch = models.CharField(_("batch"), max_length=60)
    sheets = models.PositiveIntegerField(_("sheets"))
    #: Of a move: how many of the sheets had been inspected before, and how many of them rejected.
    brought_inspected = models.PositiveIntegerField(default=0)
    brought_rejected = models.PositiveIntegerField(default=0)

    class Meta(Fact.Meta):
        verbose_name = _("placement")
        constraints = [
            *Fact.Meta.constraints,
            models.CheckConstraint(
                condition=Q(arrival__isnull=False, moved_from__isnull=True)
                | Q(arrival__isnull=True, moved_from__isnull=False),
                name="placement_comes_from_somewhere",
            ),
            models.CheckConstraint(condition=Q(sheets__gte=1), name="placement_is_some"),
            models.CheckConstraint(
                condition=Q(brought_rejected__lte=F("brought_inspected"), brought_inspected__lte=F("sheets")),
                name="placement_brings_no_more_than_it_has",
            ),
            # What it was moved from stood before it, so that no sheets can have been moved in a circle.
            models.CheckConstraint(
                condition=Q(moved_from__isnull=True) | ~Q(moved_from=F("origin")),
                name="placement_moved_from_another",
            ),
        ]

    def touched_rooms(self) -> models.QuerySet[Room]:
        # What was moved on stood here before, and so its rest begins with the time of this.
        linked = moved_on_from(self.origin)
        # Asked for an unknown source, the join would find every room that has no placement.
        if self.moved_from_id is not None:
            linked.append(self.moved_from_id)
        return Room.objects.filter(Q(pk=self.room_id) | Q(placements__origin__in=linked)).distinct()

    def job_of(self) -> Job:
        return self.zone.job

    def says(self) -> Say:
        if self.room is None:
            return say_n(
                "{n} sheet, batch {batch}, stands in {zone}, for no room yet.",
                "{n} sheets, batch {batch}, stand in {zone}, for no room yet.",
                n=self.sheets,
                batch=self.batch,
                zone=self.zone.name,
            )
        return say_n(
            "{n} sheet, batch {batch}, stands in {zone} for {room}.",
            "{n} sheets, batch {batch}, stand in {zone} for {room}.",
            n=self.sheets,
            batch=self.batch,
            zone=self.zone.name,
            room=self.room.name,
        )


def moved_on_from(origin: UUID) -> list[UUID]:
    """Return a placement and all that was ever moved on from it, by origin."""
    found, ask = [origin], [origin]
    while ask:
        moved = Placement.objects.filter(moved_from__in=ask).exclude(origin__in=found)
        ask = list(moved.values_list("origin", flat=True).distinct())
        found += ask
    return found


class PlacementFact(Fact):
    """A fact of one placement."""

    SUBJECT: ClassVar[tuple[str, ...]] = ("placement_id",)

    placement = models.ForeignKey(Placement, on_delete=models.PROTECT, related_name="%(class)s_facts")

    class Meta(Fact.Meta):
        abstract = True

    def touched_rooms(self) -> models.QuerySet[Room]:
        # What was moved on inherits what was done before, however often it was moved on.
        return Room.objects.filter(placements__origin__in=moved_on_from(self.placement_id)).distinct()

    def job_of(self) -> Job:
        return self.placement.zone.job


@append_only
class Opening(PlacementFact):
    """That a placement was unwrapped, laid flat in the open, so that its rest can count."""

    class Meta(PlacementFact.Meta):
        verbose_name = _("opening")

    def says(self) -> Say:
        return say("Batch {batch} was opened.", batch=self.placement.batch)


class DefectKind(models.TextChoices):
    """What is wrong with a sheet."""

    CHIP = "chip", _("chip")
    CRACK = "crack", _("crack")
    SCRATCH = "scratch", _("scratch")
    BLISTER = "blister", _("blister")
    BARE_GLASS = "bare_glass", _("bare glass on the face")
    DENT = "dent", _("dent")
    STAIN = "stain", _("stain")
    COLOUR = "colour", _("colour off")
    WARP = "warp", _("warp")
    SIZE = "size", _("out of size")
    SQUARE = "square", _("out of square")
    WRONG = "wrong", _("wrong product")
    NO_MARK = "no_mark", _("no mark on the back")


@append_only
class Inspection(PlacementFact):
    """A part of the inspection of a placement: so many more sheets looked at, front and back."""

    inspected = models.PositiveIntegerField(_("sheets looked at"))
    mark_seen = models.BooleanField(_("maker's mark seen on every back"))

    class Meta(PlacementFact.Meta):
        verbose_name = _("inspection")
        constraints = [
            *Fact.Meta.constraints,
            models.CheckConstraint(condition=Q(inspected__gte=1), name="inspection_is_some"),
        ]

    def says(self) -> Say:
        rejected = sum(reject.sheets for reject in self.rejects.all())
        return say_n(
            "{n} sheet of batch {batch} inspected, {rejected} rejected.",
            "{n} sheets of batch {batch} inspected, {rejected} rejected.",
            n=self.inspected,
            batch=self.placement.batch,
            rejected=rejected,
        )


@append_only
class Reject(FactPart):
    """So many sheets set apart in an inspection, for one kind of defect each."""

    inspection = models.ForeignKey(Inspection, on_delete=models.PROTECT, related_name="rejects")
    kind = models.CharField(max_length=12, choices=DefectKind)
    sheets = models.PositiveIntegerField()

    class Meta:
        verbose_name = _("reject")
        constraints = [
            models.CheckConstraint(condition=Q(sheets__gte=1), name="reject_is_some"),
            models.UniqueConstraint(fields=["inspection", "kind"], name="reject_once_a_kind"),
        ]


@append_only
class MixAcknowledged(RoomFact):
    """That somebody signed for setting a batch-matched product in a room from more than one batch."""

    SUBJECT: ClassVar[tuple[str, ...]] = ("room_id", "product_id")

    product = models.ForeignKey(Product, on_delete=models.PROTECT, related_name="+")

    class Meta(RoomFact.Meta):
        verbose_name = _("mix acknowledged")

    def says(self) -> Say:
        return say("{product} may be set from more than one batch.", product=self.product.name)


@append_only
class ConsumableLot(Fact):
    """So much of a consumable on site from `happened_at`, with the last day it is good."""

    SUBJECT: ClassVar[tuple[str, ...]] = ("job_id", "product_id")

    job = models.ForeignKey(Job, on_delete=models.PROTECT, related_name="consumable_lots")
    #: For this room; None: for any room of the job.
    room = models.ForeignKey(
        Room, on_delete=models.PROTECT, null=True, blank=True, related_name="consumable_lots"
    )
    product = models.ForeignKey(Product, on_delete=models.PROTECT, related_name="consumable_lots")
    quantity = models.DecimalField(_("quantity"), max_digits=9, decimal_places=3)
    #: The last day it is good, as printed; None: the label gives none.
    good_through = models.DateField(_("good through"), null=True, blank=True)
    batch = models.CharField(_("batch"), max_length=60, blank=True)

    class Meta(Fact.Meta):
        verbose_name = _("lot of a consumable")
        constraints = [
            *Fact.Meta.constraints,
            models.CheckConstraint(condition=Q(quantity__gt=0), name="lot_is_some"),
        ]

    def touched_rooms(self) -> models.QuerySet[Room]:
        # A correction may move the lot to another room, so every room that could count it is touched.
        return Room.objects.filter(job=self.job_id, consumable_needs__product=self.product_id).distinct()

    def job_of(self) -> Job:
        return self.job

    def says(self) -> Say:
        amount = f"{self.quantity.normalize():f} {self.product.unit}"
        if self.good_through is None:
            return say(
                "{amount} of {product} on site, no date on it.", amount=amount, product=self.product.name
            )
        return say(
            "{amount} of {product} on site, good through {day}.",
            amount=amount,
            product=self.product.name,
            day=self.good_through,
        )


guard(
    Placement,
    "placement_keeps_what_it_came_from",
    before="INSERT",
    refuse_when=(
        "NEW.supersedes_id IS NOT NULL AND NOT EXISTS (SELECT 1 FROM materials_placement p"
        " WHERE p.id = NEW.supersedes_id AND p.origin = NEW.origin"
        " AND COALESCE(p.moved_from_id, p.id) = COALESCE(NEW.moved_from_id, p.id))"
    ),
    message="a correction of a placement comes from where the placement came from",
)
