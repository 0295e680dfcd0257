"""The facts of the site: air, milestones by others, prep checks and wettings."""

from __future__ import annotations

from typing import ClassVar

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from jobs.append_only import append_only
from jobs.core.prep import check_named
from jobs.core.units import celsius
from jobs.core.words import Say, say, say_n
from jobs.models.envelope import Fact
from jobs.models.places import Job, Milestone, Room, Zone


class TemperatureUnit(models.TextChoices):
    """The unit in which a temperature was read, kept with it."""

    C = "c", "°C"
    F = "f", "°F"


class ZoneFact(Fact):
    """A fact of one zone's air: it speaks for every room of the zone."""

    SUBJECT: ClassVar[tuple[str, ...]] = ("zone_id",)

    zone = models.ForeignKey(Zone, on_delete=models.PROTECT, related_name="%(class)s_facts")

    class Meta(Fact.Meta):
        abstract = True

    def touched_rooms(self) -> models.QuerySet[Room]:
        return Room.objects.filter(zone=self.zone_id)

    def job_of(self) -> Job:
        return self.zone.job


@append_only
class ReadingFile(ZoneFact):
    """That a logger's file was read in; its readings point at it and share its history line."""

    name = models.CharField(max_length=200)
    sha256 = models.CharField(max_length=64)
    logger = models.CharField(max_length=120)
    new = models.PositiveIntegerField()
    known = models.PositiveIntegerField()
    conflicts = models.PositiveIntegerField()

    class Meta(ZoneFact.Meta):
        verbose_name = _("logger file")

    def says(self) -> Say:
        if not self.known and not self.conflicts:
            return say_n(
                "Logger file {name}: {n} reading.",
                "Logger file {name}: {n} readings.",
                n=self.new,
                name=self.name,
            )
        return say(
            "Logger file {name}: {new} new readings, {known} known, {conflicts} in conflict.",
            name=self.name,
            new=self.new,
            known=self.known,
            conflicts=self.conflicts,
        )


@append_only
class Reading(ZoneFact):
    """Temperature and relative humidity of a zone at an instant, as read and in the unit it was read in."""

    temperature = models.FloatField(_("air"))
    unit = models.CharField(max_length=1, choices=TemperatureUnit, default=TemperatureUnit.C)
    #: Up to 105: a sensor at its edge reads a little over 100, which is kept and computed with as 100.
    humidity_pct = models.FloatField(
        _("humidity, %"), validators=[MinValueValidator(0), MaxValueValidator(105)]
    )
    #: What read it, as the file or the person named it; empty for a hand-held meter.
    logger = models.CharField(max_length=120, blank=True)
    file = models.ForeignKey(
        ReadingFile, on_delete=models.PROTECT, null=True, blank=True, related_name="readings"
    )

    class Meta(ZoneFact.Meta):
        verbose_name = _("reading")
        indexes = [models.Index(fields=["zone", "happened_at"])]
        constraints = [
            *Fact.Meta.constraints,
            models.CheckConstraint(
                condition=Q(humidity_pct__gte=0, humidity_pct__lte=105), name="reading_humidity_in_range"
            ),
            models.CheckConstraint(
                condition=Q(unit="c", temperature__gte=-60, temperature__lte=80)
                | Q(unit="f", temperature__gte=-76, temperature__lte=176),
                name="reading_temperature_in_range",
            ),
        ]

    @property
    def t_c(self) -> float:
        """The temperature in °C."""
        return celsius(self.temperature, self.unit)

    def says(self) -> Say:
        return say(
            "{temperature} {unit} and {humidity}\N{NO-BREAK SPACE}% in {zone}.",
            temperature=self.temperature,
            unit=str(TemperatureUnit(self.unit).label),
            humidity=self.humidity_pct,
            zone=self.zone.name,
        )


@append_only
class Memory(ZoneFact):
    """The extremes that a meter remembered from `from_at` to `happened_at`."""

    from_at = models.DateTimeField(_("since"))
    t_min = models.FloatField(_("lowest air"))
    t_max = models.FloatField(_("highest air"))
    unit = models.CharField(max_length=1, choices=TemperatureUnit, default=TemperatureUnit.C)
    rh_min = models.FloatField(_("lowest humidity, %"))
    rh_max = models.FloatField(_("highest humidity, %"))

    class Meta(ZoneFact.Meta):
        verbose_name = _("memory of a meter")
        verbose_name_plural = _("memories of a meter")
        constraints = [
            *Fact.Meta.constraints,
            models.CheckConstraint(condition=Q(from_at__lt=F("happened_at")), name="memory_spans_time"),
            models.CheckConstraint(
                condition=Q(t_min__lte=F("t_max"), rh_min__lte=F("rh_max"), rh_min__gte=0, rh_max__lte=105),
                name="memory_in_order",
            ),
        ]

    def says(self) -> Say:
        return say(
            "Meter in {zone} since {since}: {t_min} to {t_max} {unit}, {rh_min} to {rh_max}\N{NO-BREAK SPACE}%.",
            zone=self.zone.name,
            since=self.from_at,
            t_min=self.t_min,
            t_max=self.t_max,
            unit=str(TemperatureUnit(self.unit).label),
            rh_min=self.rh_min,
            rh_max=self.rh_max,
        )


@append_only
class Statement(ZoneFact):
    """A person's signed word that a zone was held in its band from `from_at` to `happened_at`."""

    from_at = models.DateTimeField(_("from"))

    class Meta(ZoneFact.Meta):
        verbose_name = _("statement")
        constraints = [
            *Fact.Meta.constraints,
            models.CheckConstraint(condition=Q(from_at__lt=F("happened_at")), name="statement_spans_time"),
        ]

    def says(self) -> Say:
        return say(
            "{zone} stated to have been in its band since {since}.", zone=self.zone.name, since=self.from_at
        )


@append_only
class MilestoneReport(Fact):
    """That work by others is done (`happened_at` is when), or when it is expected."""

    SUBJECT: ClassVar[tuple[str, ...]] = ("milestone_id",)

    milestone = models.ForeignKey(Milestone, on_delete=models.PROTECT, related_name="reports")
    is_done = models.BooleanField(_("done"))
    #: For what is not done: when it is expected; None is "no date given".
    expected_at = models.DateTimeField(_("expected"), null=True, blank=True)

    class Meta(Fact.Meta):
        verbose_name = _("report of a milestone")
        constraints = [
            *Fact.Meta.constraints,
            models.CheckConstraint(
                condition=Q(is_done=False) | Q(expected_at__isnull=True), name="done_is_not_expected"
            ),
        ]

    def touched_rooms(self) -> models.QuerySet[Room]:
        return Room.objects.filter(milestones=self.milestone_id)

    def job_of(self) -> Job:
        return self.milestone.job

    def says(self) -> Say:
        if self.is_done:
            return say("{milestone} is done.", milestone=self.milestone.name)
        if self.expected_at is None:
            return say("{milestone} is not done; no date given.", milestone=self.milestone.name)
        return say(
            "{milestone} is expected {expected}.", milestone=self.milestone.name, expected=self.expected_at
        )


class RoomFact(Fact):
    """A fact of one room."""

    SUBJECT: ClassVar[tuple[str, ...]] = ("room_id",)

    room = models.ForeignKey(Room, on_delete=models.PROTECT, related_name="%(class)s_facts")

    class Meta(Fact.Meta):
        abstract = True

    def touched_rooms(self) -> models.QuerySet[Room]:
        return Room.objects.filter(pk=self.room_id)

    def job_of(self) -> Job:
        return self.room.job


@append_only
class PrepCheck(RoomFact):
    """That one check of a room's substrate passed or failed, with the value where it was measured."""

    SUBJECT: ClassVar[tuple[str, ...]] = ("room_id", "check_code")

    #: A code of `jobs.core.prep`.
    check_code = models.CharField(max_length=40)
    passed = models.BooleanField()
    #: As measured, in the check's own unit; None where the check is a look.
    value = models.DecimalField(max_digits=8, decimal_places=2, null=True, blank=True)

    class Meta(RoomFact.Meta):
        verbose_name = _("prep check")

    def says(self) -> Say:
        check = check_named(self.check_code)
        name = Say(check.name.text)
        if self.value is None:
            return say("{check}: passed.", check=name) if self.passed else say("{check}: failed.", check=name)
        value = f"{self.value.normalize():f} {check.unit}"
        if self.passed:
            return say("{check}: {value}, passed.", check=name, value=value)
        return say("{check}: {value}, failed.", check=name, value=value)


@append_only
class Wetting(RoomFact):
    """That the substrate got wet again: its dryness has to be shown anew."""

    class Meta(RoomFact.Meta):
        verbose_name = _("wetting")

    def says(self) -> Say:
        return say("The substrate got wet again.")
