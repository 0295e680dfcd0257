"""Sites, jobs, zones of one air, rooms, and the milestones by others that rooms wait for."""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from jobs.core.prep import Fixing, Substrate
from jobs.validators import valid_zone


class Site(models.Model):
    """A place with an address, a time zone and the hours it lets people in."""

    name = models.CharField(max_length=120, unique=True)
    address = models.CharField(max_length=300)
    #: Gate, floor, whom to ring: what a crew needs after the address.
    way_in = models.CharField(max_length=300, blank=True)
    time_zone = models.CharField(max_length=64, validators=[valid_zone])
    #: Access windows, as `jobs.core.worktime.parse_week` returns them; an empty object lets nobody in.
    week = models.JSONField(default=dict)

    def __str__(self) -> str:
        return self.name


class Closure(models.Model):
    """Days on which a site lets nobody in, first and last included."""

    site = models.ForeignKey(Site, on_delete=models.CASCADE, related_name="closures")
    from_on = models.DateField()
    to_on = models.DateField()
    reason = models.CharField(max_length=200)

    class Meta:
        constraints = [models.CheckConstraint(condition=Q(to_on__gte=F("from_on")), name="closure_in_order")]

    def __str__(self) -> str:
        return f"{self.site_id} closed {self.from_on} to {self.to_on}"


class Job(models.Model):
    """A contract at a site."""

    class Units(models.TextChoices):
        METRIC = "metric", _("millimetres and °C")
        CUSTOMARY = "customary", _("feet, inches and °F")

    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="jobs")
    number = models.CharField(max_length=40, unique=True)
    name = models.CharField(max_length=160)
    units = models.CharField(max_length=10, choices=Units, default=Units.METRIC)
    #: Who on site answers for the work by others; has no account.
    site_agent = models.CharField(max_length=120, blank=True)
    #: Whether a person's signed word counts where no instrument stood.
    accepts_statements = models.BooleanField(default=False)
    #: None while the job is open.
    closed_at = models.DateTimeField(null=True, blank=True)

    def __str__(self) -> str:
        return f"{self.number} {self.name}"


class Zone(models.Model):
    """Rooms, and perhaps a holding area, that share one air by the manager's word."""

    job = models.ForeignKey(Job, on_delete=models.PROTECT, related_name="zones")
    name = models.CharField(max_length=120)
    #: The air that will be normal in the finished rooms: °C and percent.
    t_min = models.FloatField()
    t_max = models.FloatField()
    rh_min = models.FloatField()
    rh_max = models.FloatField()
    #: Raised in the transaction of any fact of this air, under this row's lock.
    air_version = models.PositiveBigIntegerField(default=0, editable=False)
    #: The latest instant that any reading of it was stored for.  None: there is none.
    air_last_at = models.DateTimeField(null=True, editable=False)
    #: Up to which version, and which instant, `AirHour` tells the readings.
    hours_version = models.PositiveBigIntegerField(default=0, editable=False)
    hours_upto = models.DateTimeField(null=True, editable=False)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["job", "name"], name="zone_name_once_a_job"),
            models.CheckConstraint(
                condition=Q(t_min__lte=F("t_max"), rh_min__lte=F("rh_max"), rh_min__gte=0, rh_max__lte=100),
                name="zone_band_in_order",
                violation_error_message=_(
                    "The band's least must not be above its most; humidity is 0 to 100 %."
                ),
            ),
        ]

    def __str__(self) -> str:
        return self.name


class Room(models.Model):
    """A space whose walls are panelled."""

    job = models.ForeignKey(Job, on_delete=models.PROTECT, related_name="rooms")
    zone = models.ForeignKey(Zone, on_delete=models.PROTECT, related_name="rooms")
    name = models.CharField(max_length=160)
    substrate = models.CharField(max_length=20, choices=[(s.value, s.label) for s in Substrate])
    fixing = models.CharField(max_length=10, choices=[(f.value, f.label) for f in Fixing])
    #: Hours one crew works here, walls not being measured yet.
    crew_hours = models.DecimalField(max_digits=6, decimal_places=2)
    #: Raised in the transaction of any fact that may touch this room: lock, cache key, and "has anything changed?".
    facts_version = models.PositiveBigIntegerField(default=0)
    #: When it was last raised: since then the room is what it is.  None: never.
    facts_at = models.DateTimeField(null=True, editable=False)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["job", "name"], name="room_name_once_a_job"),
            models.CheckConstraint(condition=Q(crew_hours__gt=0), name="room_takes_some_hours"),
        ]

    def __str__(self) -> str:
        return self.name


class Milestone(models.Model):
    """Work by others that rooms wait for before they are installed or before they are finished."""

    class Before(models.TextChoices):
        INSTALL = "install", _("before the panels are set")
        FINISH = "finish", _("before the room is finished")

    job = models.ForeignKey(Job, on_delete=models.PROTECT, related_name="milestones")
    name = models.CharField(max_length=120)
    before = models.CharField(max_length=8, choices=Before, default=Before.INSTALL)
    rooms = models.ManyToManyField(Room, related_name="milestones")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["job", "name", "before"], name="milestone_name_once_a_job")
        ]

    def __str__(self) -> str:
        return self.name
