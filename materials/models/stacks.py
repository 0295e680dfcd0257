"""The facts of how sheets lie and what was measured on them; and the running state of the air they rest in."""

from __future__ import annotations

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from jobs.append_only import append_only
from jobs.core.units import celsius
from jobs.core.words import Say, Value, say, say_n
from jobs.models import Fact, TemperatureUnit, Zone
from materials.models.sheets import PlacementFact


@append_only
class LaidOut(PlacementFact):
    """How a placement lies from `happened_at` on.  Until one says otherwise it lies as one stack on its skid."""

    class Lies(models.TextChoices):
        SKID = "skid", _("in one stack on the skid")
        BEARERS = "bearers", _("in one stack on bearers, air below")
        LOTS = "lots", _("in flat lots")
        APART = "apart", _("every sheet by itself, flat")

    lies = models.CharField(_("how it lies"), max_length=8, choices=Lies)
    #: Sheets in each lot; of lots only.
    lot_of = models.PositiveSmallIntegerField(_("sheets in a lot"), null=True, blank=True)

    class Meta(PlacementFact.Meta):
        verbose_name = _("laid out")
        verbose_name_plural = _("laid out")
        constraints = [
            *Fact.Meta.constraints,
            models.CheckConstraint(
                condition=(Q(lies="lots", lot_of__isnull=False) & Q(lot_of__gte=1))
                | (~Q(lies="lots") & Q(lot_of__isnull=True)),
                name="laid_out_lots_have_a_size",
                violation_error_message=_("Say how many sheets lie in one lot, and only of lots."),
            ),
        ]

    def says(self) -> Say:
        batch = self.placement.batch
        if self.lies == self.Lies.LOTS:
            return say_n(
                "Batch {batch} was laid out, {n} sheet in a lot.",
                "Batch {batch} was laid out in flat lots of {n}.",
                n=self.lot_of or 0,
                batch=batch,
            )
        if self.lies == self.Lies.APART:
            return say("Every sheet of batch {batch} was laid out by itself.", batch=batch)
        if self.lies == self.Lies.BEARERS:
            return say("Batch {batch} was put on bearers, in one stack.", batch=batch)
        return say("Batch {batch} lies in one stack on its skid.", batch=batch)


@append_only
class StackReading(PlacementFact):
    """A temperature measured on a placement, or told of the lorry it came in."""

    class Place(models.TextChoices):
        CORE = "core", _("in the middle of the stack")
        FACE = "face", _("on the top sheet")
        LORRY = "lorry", _("in the lorry, as told")

    place = models.CharField(_("where"), max_length=5, choices=Place)
    temperature = models.FloatField(_("temperature"))
    unit = models.CharField(max_length=1, choices=TemperatureUnit, default=TemperatureUnit.C)

    class Meta(PlacementFact.Meta):
        verbose_name = _("temperature of a stack")
        verbose_name_plural = _("temperatures of stacks")
        constraints = [
            *Fact.Meta.constraints,
            models.CheckConstraint(
                condition=Q(unit="c", temperature__gte=-60, temperature__lte=80)
                | Q(unit="f", temperature__gte=-76, temperature__lte=176),
                name="stack_temperature_in_range",
            ),
        ]

    @property
    def t_c(self) -> float:
        """The temperature in °C."""
        return celsius(self.temperature, self.unit)

    def says(self) -> Say:
        values: dict[str, Value] = {
            "temperature": self.temperature,
            "unit": str(TemperatureUnit(self.unit).label),
            "batch": self.placement.batch,
        }
        if self.place == self.Place.CORE:
            return say("{temperature} {unit} in the middle of the stack, batch {batch}.", **values)
        if self.place == self.Place.FACE:
            return say("{temperature} {unit} on the top sheet, batch {batch}.", **values)
        return say("{temperature} {unit} in the lorry that brought batch {batch}, as told.", **values)


@append_only
class MoistureReading(PlacementFact):
    """What a pin meter read on the wood backing, percent of dry mass."""

    moisture_pct = models.FloatField(
        _("moisture, %"), validators=[MinValueValidator(0), MaxValueValidator(100)]
    )

    class Meta(PlacementFact.Meta):
        verbose_name = _("moisture of a backing")
        verbose_name_plural = _("moistures of backings")
        constraints = [
            *Fact.Meta.constraints,
            models.CheckConstraint(
                condition=Q(moisture_pct__gte=0, moisture_pct__lte=100), name="moisture_in_range"
            ),
        ]

    def says(self) -> Say:
        return say(
            "{moisture}\N{NO-BREAK SPACE}% in the backing, batch {batch}.",
            moisture=self.moisture_pct,
            batch=self.placement.batch,
        )


class AirRun(models.Model):
    """How far the rest clocks have run over a zone's air under one rule, so that no past reading is read again.

    Derived; thrown away and made anew from the readings at any time.
    """

    zone = models.ForeignKey(Zone, on_delete=models.CASCADE, related_name="air_runs")
    #: SHA-256 of the rule as `materials.core.running` writes it.
    rule_key = models.CharField(max_length=64)
    #: The version of the zone's air up to which changes of the past are in it.
    air_version = models.PositiveBigIntegerField()
    #: The readings from here, and up to here, are in it, epoch instants in UTC.
    since = models.DateTimeField()
    upto = models.DateTimeField(null=True)
    body = models.JSONField()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["zone", "rule_key"], name="air_run_once_a_rule")]

    def __str__(self) -> str:
        return f"run over {self.zone_id} up to {self.upto}"
