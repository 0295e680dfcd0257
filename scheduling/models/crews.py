"""Crews, the people in them, when they work and when they do not."""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from jobs.models import Job, Person
from jobs.validators import valid_zone


class Crew(models.Model):
    """People who work together and are sent together."""

    name = models.CharField(max_length=80, unique=True)
    home_zone = models.CharField(max_length=64, validators=[valid_zone])
    hands = models.PositiveSmallIntegerField(_("people"), default=2)
    #: Shift hours as `jobs.core.worktime.parse_week` returns them, read at whichever site the crew is.
    week = models.JSONField()
    people = models.ManyToManyField(Person, through="CrewMember", related_name="crews")
    #: None while the crew works.
    closed_at = models.DateTimeField(null=True, blank=True)

    def __str__(self) -> str:
        return self.name


class CrewMember(models.Model):
    """That a person belongs to a crew over a span of days."""

    crew = models.ForeignKey(Crew, on_delete=models.CASCADE, related_name="members")
    person = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="memberships")
    from_on = models.DateField()
    #: The last day; None: not ended yet.
    to_on = models.DateField(null=True, blank=True)

    def __str__(self) -> str:
        return f"{self.person_id} in {self.crew_id}"


class JobCrew(models.Model):
    """That a manager attached a crew to a job: its people may record what they see on the site."""

    job = models.ForeignKey(Job, on_delete=models.CASCADE, related_name="job_crews")
    crew = models.ForeignKey(Crew, on_delete=models.CASCADE, related_name="job_crews")
    attached_at = models.DateTimeField()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["job", "crew"], name="crew_once_a_job")]

    def __str__(self) -> str:
        return f"{self.crew_id} on {self.job_id}"


class TimeOff(models.Model):
    """Days on which a crew does not work, first and last included, in the crew's home time zone."""

    crew = models.ForeignKey(Crew, on_delete=models.CASCADE, related_name="time_off")
    from_on = models.DateField()
    to_on = models.DateField()
    reason = models.CharField(max_length=200, blank=True)

    class Meta:
        verbose_name_plural = _("time off")
        constraints = [models.CheckConstraint(condition=Q(to_on__gte=F("from_on")), name="time_off_in_order")]

    def __str__(self) -> str:
        return f"{self.crew_id} off {self.from_on} to {self.to_on}"
