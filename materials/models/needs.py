"""Records of what is wanted: products with their rules, what rooms need, and orders."""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from jobs.models import Firm, Job, Room


class Product(models.Model):
    """A panel, or something it is fixed and finished with, and the limits its maker gives."""

    class Kind(models.TextChoices):
        SHEET = "sheet", _("sheet, glued")
        BACKED = "backed", _("backed panel, fastened")
        ADHESIVE = "adhesive", _("adhesive")
        FASTENER = "fastener", _("fasteners")
        MOULDING = "moulding", _("moulding")
        SEALANT = "sealant", _("sealant")

    PANELS = (Kind.SHEET, Kind.BACKED)

    class RestartOn(models.TextChoices):
        ANY = "any", _("temperature or humidity out of band")
        TEMPERATURE = "temperature", _("temperature out of band only")

    name = models.CharField(max_length=120, unique=True)
    kind = models.CharField(max_length=10, choices=Kind)
    #: What is counted: sheets for panels, else kg, tubes, m, pieces.
    unit = models.CharField(max_length=20)
    #: Set from one batch, unless a mix is acknowledged.  Panels only.
    is_batch_matched = models.BooleanField(default=False)
    #: A water-borne adhesive cannot dry between two non-porous faces.  Adhesives only.
    is_water_borne = models.BooleanField(default=False)

    # The rest rule.  Panels only; seconds.
    rest_required_s = models.PositiveIntegerField(default=86_400)
    rest_max_gap_s = models.PositiveIntegerField(default=64_800)
    rest_fine_gap_s = models.PositiveIntegerField(default=3_600)
    rest_restart_after_s = models.PositiveIntegerField(default=14_400)
    rest_restart_on = models.CharField(max_length=12, choices=RestartOn, default=RestartOn.TEMPERATURE)
    rest_needs_opening = models.BooleanField(default=True)

    # The air that the product may rest in, whatever the room: °C and percent.  Panels only.
    t_min = models.FloatField(default=5)
    t_max = models.FloatField(default=35)
    rh_min = models.FloatField(default=20)
    rh_max = models.FloatField(default=80)

    # The setting band of the label, all four or none; and how old a reading may be that shows it.
    set_t_min = models.FloatField(null=True, blank=True)
    set_t_max = models.FloatField(null=True, blank=True)
    set_rh_min = models.FloatField(null=True, blank=True)
    set_rh_max = models.FloatField(null=True, blank=True)
    set_fresh_s = models.PositiveIntegerField(default=7_200)

    #: From the day it was made, where the label gives months instead of a date.  None: no limit known.
    shelf_life_days = models.PositiveIntegerField(null=True, blank=True)

    # One sheet, in whole nanometres; what a stack of them weighs in heat.  Panels only.
    thickness_nm = models.PositiveBigIntegerField(default=2_300_000)
    sheet_w_nm = models.PositiveBigIntegerField(default=1_219_200_000)
    sheet_h_nm = models.PositiveBigIntegerField(default=2_438_400_000)
    #: How near the middle of a stack must come to the room, kelvin.
    core_tolerance_k = models.FloatField(default=2)
    #: Whether the middle of the stack must have come to the room before the rest is done; else it is advice.
    core_is_binding = models.BooleanField(default=False)

    #: What the maker allows a pin meter to read on the wood backing, percent; both or none.  Backed panels only.
    moisture_min_pct = models.FloatField(null=True, blank=True)
    moisture_max_pct = models.FloatField(null=True, blank=True)

    # After the setting, by the label, seconds: how long the air must stay in the setting band; not before
    # what the wall may be washed down, and a cold store cooled.  None: the label says nothing.
    cure_s = models.PositiveIntegerField(null=True, blank=True)
    no_washing_s = models.PositiveIntegerField(null=True, blank=True)
    no_cooling_s = models.PositiveIntegerField(null=True, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(
                    thickness_nm__gte=1, sheet_w_nm__gte=1, sheet_h_nm__gte=1, core_tolerance_k__gt=0
                ),
                name="product_sheet_has_a_size",
            ),
            models.CheckConstraint(
                condition=Q(moisture_min_pct__isnull=True, moisture_max_pct__isnull=True)
                | Q(
                    moisture_min_pct__isnull=False,
                    moisture_max_pct__isnull=False,
                    moisture_min_pct__gte=0,
                    moisture_min_pct__lte=F("moisture_max_pct"),
                    moisture_max_pct__lte=100,
                ),
                name="product_moisture_whole_and_in_order",
            ),
            models.CheckConstraint(
                condition=Q(t_min__lte=F("t_max"), rh_min__lte=F("rh_max")), name="product_limits_in_order"
            ),
            models.CheckConstraint(
                condition=Q(
                    set_t_min__isnull=True,
                    set_t_max__isnull=True,
                    set_rh_min__isnull=True,
                    set_rh_max__isnull=True,
                )
                # A comparison with null is neither true nor false, and a check lets that pass.
                | Q(
                    set_t_min__isnull=False,
                    set_t_max__isnull=False,
                    set_rh_min__isnull=False,
                    set_rh_max__isnull=False,
                    set_t_min__lte=F("set_t_max"),
                    set_rh_min__lte=F("set_rh_max"),
                ),
                name="product_setting_band_whole_and_in_order",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def is_panel(self) -> bool:
        """Whether this is set on a wall, and so rests and is inspected."""
        return self.kind in self.PANELS


class RestOverride(models.Model):
    """What a job asks of its panels' rest instead of what the product says; None: as the product.

    One for a product goes before one for every panel of the job.
    """

    job = models.ForeignKey(Job, on_delete=models.CASCADE, related_name="rest_overrides")
    #: None: every panel of the job.
    product = models.ForeignKey(
        Product, on_delete=models.CASCADE, null=True, blank=True, related_name="rest_overrides"
    )
    rest_required_s = models.PositiveIntegerField(null=True, blank=True)
    rest_max_gap_s = models.PositiveIntegerField(null=True, blank=True)
    rest_fine_gap_s = models.PositiveIntegerField(null=True, blank=True)
    rest_restart_after_s = models.PositiveIntegerField(null=True, blank=True)
    rest_restart_on = models.CharField(max_length=12, choices=Product.RestartOn, blank=True)
    rest_needs_opening = models.BooleanField(null=True, blank=True)
    core_is_binding = models.BooleanField(null=True, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["job", "product"],
                condition=Q(product__isnull=False),
                name="rest_override_once_a_product",
            ),
            models.UniqueConstraint(
                fields=["job"], condition=Q(product__isnull=True), name="rest_override_once_for_all"
            ),
        ]

    def __str__(self) -> str:
        return f"rest of {self.product_id or 'every panel'} on {self.job_id}"


class Requirement(models.Model):
    """How many sheets of a product a room's walls take, as typed."""

    room = models.ForeignKey(Room, on_delete=models.CASCADE, related_name="requirements")
    product = models.ForeignKey(Product, on_delete=models.PROTECT, related_name="requirements")
    sheets = models.PositiveIntegerField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["room", "product"], name="requirement_once_a_product"),
            models.CheckConstraint(condition=Q(sheets__gte=1), name="requirement_is_some"),
        ]

    def __str__(self) -> str:
        return f"{self.sheets} of {self.product_id} in {self.room_id}"


class ConsumableNeed(models.Model):
    """How much of a consumable a room takes."""

    room = models.ForeignKey(Room, on_delete=models.CASCADE, related_name="consumable_needs")
    product = models.ForeignKey(Product, on_delete=models.PROTECT, related_name="consumable_needs")
    quantity = models.DecimalField(max_digits=9, decimal_places=3)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["room", "product"], name="need_once_a_product"),
            models.CheckConstraint(condition=Q(quantity__gt=0), name="need_is_some"),
        ]

    def __str__(self) -> str:
        return f"{self.quantity} of {self.product_id} in {self.room_id}"


class Order(models.Model):
    """What was ordered from one supplier for one job."""

    job = models.ForeignKey(Job, on_delete=models.PROTECT, related_name="orders")
    supplier = models.ForeignKey(Firm, on_delete=models.PROTECT, related_name="orders")
    number = models.CharField(max_length=40, unique=True)
    ordered_on = models.DateField(null=True, blank=True)

    def __str__(self) -> str:
        return self.number


class OrderLine(models.Model):
    """So many of one product, and the room they are for where that is known."""

    order = models.ForeignKey(Order, on_delete=models.CASCADE, related_name="lines")
    product = models.ForeignKey(Product, on_delete=models.PROTECT, related_name="order_lines")
    room = models.ForeignKey(
        Room, on_delete=models.PROTECT, null=True, blank=True, related_name="order_lines"
    )
    sheets = models.PositiveIntegerField()

    class Meta:
        constraints = [
            # Two, because SQLite takes every null for another room.
            models.UniqueConstraint(
                fields=["order", "product", "room"],
                condition=Q(room__isnull=False),
                name="order_line_once_a_product_and_room",
            ),
            models.UniqueConstraint(
                fields=["order", "product"],
                condition=Q(room__isnull=True),
                name="order_line_once_a_product_for_no_room",
            ),
            models.CheckConstraint(condition=Q(sheets__gte=1), name="order_line_is_some"),
        ]

    def __str__(self) -> str:
        return f"{self.order_id}: {self.sheets} of {self.product_id}"
