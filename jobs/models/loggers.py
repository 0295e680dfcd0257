"""Loggers that report by themselves: their tokens and zones, their clocks, and what they said that is doubtful."""

from __future__ import annotations

from datetime import timedelta
from typing import ClassVar

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import Q
from django.db.models.functions import Lower
from django.utils.translation import gettext_lazy as _

from jobs.append_only import append_only
from jobs.core.words import Say, say
from jobs.models.people import Person
from jobs.models.places import Zone
from jobs.models.seen import Reading, TemperatureUnit, ZoneFact

#: A logger's clock is never further off than this, in seconds: beyond it a date was set wrong.
FARTHEST_CLOCK_S = 366 * 86_400


class Logger(models.Model):
    """An instrument that posts its readings under a bearer token of its own."""

    #: As the readings name it; the same each time, or the same instant would be stored twice.
    name = models.CharField(_("logger"), max_length=120)
    #: The zones it may report for; a reading of any other is refused.
    zones = models.ManyToManyField(Zone, related_name="loggers")
    #: SHA-256 of the token, which is shown once.
    digest = models.CharField(max_length=64, unique=True, editable=False)
    #: Who answers for it: its readings are recorded in this person's name.
    made_by = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="+")
    made_at = models.DateTimeField()
    #: When its present token was made.
    renewed_at = models.DateTimeField()
    #: Of its present token or an earlier one; None: never.
    last_used_at = models.DateTimeField(null=True, blank=True)
    #: None while it may report.
    ended_at = models.DateTimeField(null=True, blank=True)
    #: A logger that says nothing for longer than this is named as silent, in seconds.
    silent_after_s = models.PositiveIntegerField(_("silent after"), default=3_600)

    class Meta:
        constraints = [
            models.UniqueConstraint(Lower("name"), name="logger_name_once"),
            models.CheckConstraint(condition=Q(silent_after_s__gte=60), name="logger_silence_is_some"),
        ]

    def __str__(self) -> str:
        return self.name


class LoggerHeard(models.Model):
    """The latest instant that a logger posted for a zone: since then it is silent there."""

    logger = models.ForeignKey(Logger, on_delete=models.CASCADE, related_name="heard")
    zone = models.ForeignKey(Zone, on_delete=models.CASCADE, related_name="+")
    #: As the logger itself said it, whatever its clock.
    last_at = models.DateTimeField()

    class Meta:
        verbose_name_plural = "loggers heard"
        constraints = [models.UniqueConstraint(fields=["logger", "zone"], name="heard_once_a_zone")]

    def __str__(self) -> str:
        return f"{self.logger_id} in {self.zone_id}"


class SpentToken(models.Model):
    """A token that was renewed: whoever still reports under it is told so, not that it is unknown."""

    logger = models.ForeignKey(Logger, on_delete=models.CASCADE, related_name="spent")
    digest = models.CharField(max_length=64, unique=True)
    ended_at = models.DateTimeField()

    def __str__(self) -> str:
        return f"spent token of {self.logger_id}"


@append_only
class LoggerClock(ZoneFact):
    """That a logger's clock in a zone is off: `offset_s` is added to what it says, from `from_at` on.

    It holds for every instant the logger itself gives from `from_at` on (before it is added to), until
    another of these begins.  The readings keep the instant that the logger said.
    """

    SUBJECT: ClassVar[tuple[str, ...]] = ("zone_id", "logger")

    logger = models.CharField(_("logger"), max_length=120)
    #: On the logger's own clock.
    from_at = models.DateTimeField(_("from"))
    #: Seconds; negative where the logger is ahead.
    offset_s = models.IntegerField(
        _("offset"),
        validators=[MinValueValidator(-FARTHEST_CLOCK_S), MaxValueValidator(FARTHEST_CLOCK_S)],
    )

    class Meta(ZoneFact.Meta):
        verbose_name = _("clock of a logger")
        verbose_name_plural = _("clocks of loggers")

    def says(self) -> Say:
        off = timedelta(seconds=abs(self.offset_s))
        names = {"logger": self.logger, "zone": self.zone.name}
        if self.offset_s > 0:
            return say(
                "Logger {logger} in {zone}: its clock is {off} slow from {since} on.",
                **names,
                off=off,
                since=self.from_at,
            )
        if self.offset_s < 0:
            return say(
                "Logger {logger} in {zone}: its clock is {off} ahead from {since} on.",
                **names,
                off=off,
                since=self.from_at,
            )
        return say(
            "Logger {logger} in {zone}: its clock is right from {since} on.", **names, since=self.from_at
        )


@append_only
class ReadingConflict(models.Model):
    """What a logger said of an instant of which it had said something else: the first stands, both are shown."""

    #: Follows from the reading and the values, so that a repeat adds nothing.
    id = models.UUIDField(primary_key=True, editable=False)
    #: The reading that stands, by `origin`.
    reading = models.ForeignKey(Reading, on_delete=models.PROTECT, related_name="conflicts")
    temperature = models.FloatField()
    unit = models.CharField(max_length=1, choices=TemperatureUnit)
    humidity_pct = models.FloatField()
    said_at = models.DateTimeField()

    def __str__(self) -> str:
        return f"{self.reading_id}: {self.temperature} {self.unit}, {self.humidity_pct} %"


class ReadingFlag(models.Model):
    """Why a reading looks wrong beside its neighbours; it counts all the same until somebody withdraws it."""

    class Kind(models.TextChoices):
        RANGE = "range", _("outside what a room's air can be")
        JUMP = "jump", _("jumps from its neighbours")
        STUCK = "stuck", _("the sensor says the same for too long")

    reading = models.ForeignKey(Reading, on_delete=models.PROTECT, related_name="flags")
    kind = models.CharField(max_length=5, choices=Kind)
    #: The reading's, so that a zone's flags are found without its readings.
    zone = models.ForeignKey(Zone, on_delete=models.PROTECT, related_name="+")
    happened_at = models.DateTimeField()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["reading", "kind"], name="flag_once_a_kind")]
        indexes = [models.Index(fields=["zone", "happened_at"])]

    def __str__(self) -> str:
        return f"{self.kind} {self.reading_id}"


class LoggerMapping(models.Model):
    """What the firm answered about files with this header row, so that it is not asked again."""

    #: SHA-256 of the header row or rows, blanks and case aside.
    header_key = models.CharField(max_length=64, unique=True)
    #: The row as it was first read.
    header = models.TextField()
    #: Answers as `jobs.core.logger_file.answers_of` takes them.
    answers = models.JSONField(default=dict)
    by = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()

    def __str__(self) -> str:
        return self.header[:80]


class LateAir(models.Model):
    """That a zone's air changed in the past with this version: whoever ran over it goes back to `from_at`."""

    zone = models.ForeignKey(Zone, on_delete=models.CASCADE, related_name="late_air")
    version = models.PositiveBigIntegerField()
    from_at = models.DateTimeField()

    class Meta:
        verbose_name_plural = "late air"
        constraints = [models.UniqueConstraint(fields=["zone", "version"], name="late_air_once_a_version")]

    def __str__(self) -> str:
        return f"{self.zone_id} from {self.from_at}"


class AirHour(models.Model):
    """The extremes of a zone's readings within one hour, in °C and percent: what a drawing of weeks needs.

    Derived from the readings, with loggers' clocks put right; thrown away and made anew from `LateAir`.
    """

    zone = models.ForeignKey(Zone, on_delete=models.CASCADE, related_name="air_hours")
    hour_at = models.DateTimeField()
    first_at = models.DateTimeField()
    last_at = models.DateTimeField()
    readings = models.PositiveIntegerField()
    t_min = models.FloatField()
    t_max = models.FloatField()
    rh_min = models.FloatField()
    rh_max = models.FloatField()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["zone", "hour_at"], name="air_hour_once_a_zone")]

    def __str__(self) -> str:
        return f"{self.zone_id} {self.hour_at}"
