"""The facts of work: days given out, waivers, releases, starts, sheets set, finishes, crews turned away."""

from __future__ import annotations

from datetime import datetime
from typing import ClassVar

from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from jobs.append_only import append_only, guard
from jobs.core.words import Say, say, say_n
from jobs.models import Fact, Job, Room
from jobs.models.seen import RoomFact
from materials.models.sheets import PlacementFact
from scheduling.models.crews import Crew


class HoldName(models.TextChoices):
    """The seven reasons why a room may not be started, in the order a room clears them."""

    WORK_BY_OTHERS = "work_by_others", _("work by others")
    SUBSTRATE = "substrate", _("substrate")
    PANELS_ON_SITE = "panels_on_site", _("panels on site")
    INSPECTION = "inspection", _("inspection")
    REST = "rest", _("rest")
    ROOM_CONDITIONS = "room_conditions", _("room conditions")
    CONSUMABLES = "consumables", _("consumables")


@append_only
class Assignment(RoomFact):
    """That a crew is to install a room: the identity behind every day given out for it, and its calendar UID."""

    SUBJECT: ClassVar[tuple[str, ...]] = ("room_id", "crew_id")

    crew = models.ForeignKey(Crew, on_delete=models.PROTECT, related_name="assignments")

    class Meta(RoomFact.Meta):
        verbose_name = _("assignment")

    def says(self) -> Say:
        return say("{crew} is to set {room}.", crew=self.crew.name, room=self.room.name)


@append_only
class DayGiven(Fact):
    """The shifts of an assignment as given out to people; the one recorded last is in force.

    With no shifts it takes the assignment away: `reason` says why.
    """

    SUBJECT: ClassVar[tuple[str, ...]] = ("assignment_id",)

    assignment = models.ForeignKey(Assignment, on_delete=models.PROTECT, related_name="days")
    #: `[[start, end], …]`, ISO 8601 in UTC, in order, one pair a shift; empty: withdrawn.
    shifts = models.JSONField(blank=True)

    class Meta(Fact.Meta):
        verbose_name = _("day given out")

    def touched_rooms(self) -> models.QuerySet[Room]:
        return Room.objects.filter(pk=self.assignment.room_id)

    def job_of(self) -> Job:
        return self.assignment.room.job

    @property
    def spans(self) -> tuple[tuple[datetime, datetime], ...]:
        """The shifts as instants."""
        return tuple(
            (datetime.fromisoformat(start), datetime.fromisoformat(end)) for start, end in self.shifts
        )

    def says(self) -> Say:
        if not self.shifts:
            return say(
                "{crew} no longer sets {room}.",
                crew=self.assignment.crew.name,
                room=self.assignment.room.name,
            )
        return say_n(
            "{crew} sets {room} from {start}, one shift.",
            "{crew} sets {room} from {start}, {n} shifts.",
            n=len(self.shifts),
            crew=self.assignment.crew.name,
            room=self.assignment.room.name,
            start=self.spans[0][0],
        )


@append_only
class Waiver(RoomFact):
    """A manager's signed decision that a room may be started in spite of one hold."""

    SUBJECT: ClassVar[tuple[str, ...]] = ("room_id", "hold")

    hold = models.CharField(max_length=16, choices=HoldName)
    #: None: until the room is finished.
    until_at = models.DateTimeField(_("until"), null=True, blank=True)

    class Meta(RoomFact.Meta):
        verbose_name = _("waiver")

    def says(self) -> Say:
        hold = Say(untranslated(self.hold))
        return say("Waived: {hold}. “{reason}”", hold=hold, reason=self.reason)


@append_only
class TurnedAway(RoomFact):
    """That a crew came to a room and could not work."""

    SUBJECT: ClassVar[tuple[str, ...]] = ("room_id", "crew_id")

    crew = models.ForeignKey(Crew, on_delete=models.PROTECT, related_name="+")
    refused_by = models.CharField(_("who refused"), max_length=120, blank=True)

    class Meta(RoomFact.Meta):
        verbose_name = _("turned away")

    def says(self) -> Say:
        if not self.refused_by:
            return say("{crew} was turned away: {reason}", crew=self.crew.name, reason=self.reason)
        return say(
            "{crew} was turned away by {who}: {reason}",
            crew=self.crew.name,
            who=self.refused_by,
            reason=self.reason,
        )


@append_only
class Release(models.Model):
    """Permission to start a room: no hold stood, by the facts of this version, save those waived."""

    room = models.ForeignKey(Room, on_delete=models.PROTECT, related_name="releases")
    facts_version = models.PositiveBigIntegerField()
    waivers = models.ManyToManyField(Waiver, related_name="releases", through="ReleaseWaiver")
    made_at = models.DateTimeField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["room", "facts_version"], name="release_once_a_version"),
        ]

    def __str__(self) -> str:
        return f"release of {self.room_id} at version {self.facts_version}"


@append_only
class ReleaseWaiver(models.Model):
    """A waiver that a release rests on."""

    release = models.ForeignKey(Release, on_delete=models.PROTECT, related_name="+")
    waiver = models.ForeignKey(Waiver, on_delete=models.PROTECT, related_name="+")

    def __str__(self) -> str:
        return f"{self.release_id} rests on {self.waiver_id}"


@append_only
class Start(RoomFact):
    """That the first sheet of a released room was set.

    A database trigger refuses a start whose release is not of this room and of its present facts.
    """

    crew = models.ForeignKey(Crew, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    release = models.ForeignKey(Release, on_delete=models.PROTECT, related_name="starts")

    class Meta(RoomFact.Meta):
        verbose_name = _("start")
        constraints = [
            *Fact.Meta.constraints,
            models.UniqueConstraint(
                fields=["release"], condition=Q(supersedes__isnull=True), name="start_once_a_release"
            ),
        ]

    def says(self) -> Say:
        return say("{room} was started.", room=self.room.name)


@append_only
class BeganHeld(RoomFact):
    """That a crew began while the room was held; `reason` says why.  Always accepted, never forgotten."""

    crew = models.ForeignKey(Crew, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    #: The holds that stood, by name, as computed when it was recorded.
    holds = models.JSONField(default=list, blank=True)

    class Meta(RoomFact.Meta):
        verbose_name = _("begun while held")

    def says(self) -> Say:
        holds = tuple(Say(untranslated(name)) for name in self.holds)
        if not holds:
            return say("Begun without a release: {reason}", reason=self.reason)
        return say("Begun while held by {holds}: {reason}", holds=holds, reason=self.reason)


@append_only
class SheetsSet(PlacementFact):
    """So many sheets of a placement set on the walls of its room."""

    room = models.ForeignKey(Room, on_delete=models.PROTECT, related_name="sheetsset_facts")
    sheets = models.PositiveIntegerField(_("sheets set"))

    class Meta(PlacementFact.Meta):
        verbose_name = _("sheets set")
        verbose_name_plural = _("sheets set")
        constraints = [
            *Fact.Meta.constraints,
            models.CheckConstraint(condition=Q(sheets__gte=1), name="sheets_set_are_some"),
        ]

    def touched_rooms(self) -> models.QuerySet[Room]:
        return Room.objects.filter(pk=self.room_id)

    def says(self) -> Say:
        return say_n(
            "{n} sheet set from batch {batch}.",
            "{n} sheets set from batch {batch}.",
            n=self.sheets,
            batch=self.placement.batch,
        )


@append_only
class Finish(RoomFact):
    """That the last sheet, moulding and seal of a room is done."""

    class Meta(RoomFact.Meta):
        verbose_name = _("finish")

    def says(self) -> Say:
        return say("{room} was finished.", room=self.room.name)


def untranslated(name: str) -> str:
    """Return a hold's name as the template that a reader's language translates later."""
    return name.replace("_", " ")


guard(
    Start,
    "start_rests_on_its_release",
    before="INSERT",
    refuse_when=(
        "NEW.supersedes_id IS NULL AND NOT EXISTS ("
        "SELECT 1 FROM scheduling_release l JOIN jobs_room r ON r.id = l.room_id"
        " WHERE l.id = NEW.release_id AND l.room_id = NEW.room_id AND l.facts_version = r.facts_version)"
    ),
    message="a start rests on the release of its room at the present version of its facts",
)
