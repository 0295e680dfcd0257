"""What is derived and can be thrown away: room states, calendar events, feeds; and what is owed to people."""

from __future__ import annotations

from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from jobs.models import Person, Room
from scheduling.models.crews import Crew
from scheduling.models.work import Assignment


class RoomState(models.Model):
    """What the holds of a room came to, and until when that is good.

    Good while `facts_version` is the room's own and the present is before `good_until`; whoever
    reads it past either computes it again.
    """

    class Stage(models.TextChoices):
        WAITING = "waiting", _("not started")
        STARTED = "started", _("started")
        FINISHED = "finished", _("finished")

    room = models.OneToOneField(Room, on_delete=models.CASCADE, primary_key=True, related_name="state")
    facts_version = models.PositiveBigIntegerField()
    computed_at = models.DateTimeField()
    #: None: never changes by time alone.
    good_until = models.DateTimeField(null=True)
    stage = models.CharField(max_length=8, choices=Stage)
    began_held = models.BooleanField(default=False)
    is_released = models.BooleanField()
    is_fit_to_send = models.BooleanField()
    #: First shift of the assignment in force, and whose it is; None: not promised.
    planned_start = models.DateTimeField(null=True)
    crew = models.ForeignKey(Crew, on_delete=models.SET_NULL, null=True, related_name="+")
    #: How each hold stands and the latest-by acts: what lists of rooms read.  All three are written and read by
    #: `scheduling.answers`; they stand apart because taking them from JSON is most of what a page costs.
    brief = models.JSONField()
    #: The holds with their sentences.
    answer = models.JSONField()
    #: The placements with their rest, stretch by stretch.
    rests = models.JSONField(default=list)
    #: What is watched besides the holds: the air while the adhesive cures, loggers that fell silent.
    watch = models.JSONField(default=dict)

    class Meta:
        indexes = [models.Index(fields=["good_until"])]

    def __str__(self) -> str:
        return f"state of {self.room_id}"


class FeedEvent(models.Model):
    """One shift of an assignment as the calendars show it: its UID for life, its sequence only ever up."""

    class Status(models.TextChoices):
        TENTATIVE = "TENTATIVE"
        CONFIRMED = "CONFIRMED"
        CANCELLED = "CANCELLED"

    assignment = models.ForeignKey(Assignment, on_delete=models.PROTECT, related_name="events")
    ordinal = models.PositiveSmallIntegerField()
    sequence = models.PositiveIntegerField(default=0)
    revised_at = models.DateTimeField()
    #: Whether any answer ever carried it: what was never served leaves no trace when withdrawn.
    was_served = models.BooleanField(default=False)
    #: None while it stands.
    cancelled_at = models.DateTimeField(null=True)
    status = models.CharField(max_length=10, choices=Status)
    start_at = models.DateTimeField()
    end_at = models.DateTimeField()
    zone = models.CharField(max_length=64)
    summary = models.CharField(max_length=120)
    location = models.TextField(blank=True)
    description = models.TextField(blank=True)
    category = models.CharField(max_length=40, blank=True)
    url = models.CharField(max_length=255, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["assignment", "ordinal"], name="event_once_an_ordinal")
        ]

    def __str__(self) -> str:
        return f"{self.assignment_id}-{self.ordinal}"


class CrewFeed(models.Model):
    """The calendar of a crew: the bytes last rendered, and until when they are good."""

    crew = models.OneToOneField(Crew, on_delete=models.CASCADE, primary_key=True, related_name="feed")
    #: Counts every change of the body; part of the entity tag.
    version = models.PositiveBigIntegerField(default=0)
    #: None: never rendered.
    rendered_at = models.DateTimeField(null=True)
    #: None: nothing in it changes by time alone.
    good_until = models.DateTimeField(null=True)
    last_modified = models.DateTimeField(null=True)
    etag = models.CharField(max_length=120, blank=True)
    body = models.BinaryField(default=b"")
    #: Keys of the events in the body that no answer has carried yet.
    unserved = models.JSONField(default=list)

    def __str__(self) -> str:
        return f"feed of {self.crew_id}"


class FeedSecret(models.Model):
    """One subscriber's secret address of a feed: only its SHA-256 is kept, and it is ended alone."""

    feed = models.ForeignKey(CrewFeed, on_delete=models.CASCADE, related_name="secrets")
    digest = models.CharField(max_length=64, unique=True)
    #: None: made at the keyboard.
    person = models.ForeignKey(Person, on_delete=models.CASCADE, null=True, related_name="feed_secrets")
    made_at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True)
    last_fetched_at = models.DateTimeField(null=True)

    def __str__(self) -> str:
        return f"secret of feed {self.feed_id}"


class Message(models.Model):
    """What a person is owed word of; sent through the outbox, and kept whether or not a mail gets through."""

    #: The same thing is told to the same person once.
    key = models.CharField(max_length=200)
    person = models.ForeignKey(Person, on_delete=models.CASCADE, related_name="inbox")
    room = models.ForeignKey(Room, on_delete=models.PROTECT, null=True, related_name="told")
    #: Sentences as `jobs.says.to_json` writes them.
    subject = models.JSONField()
    body = models.JSONField()
    owed_at = models.DateTimeField()
    #: None: not sent yet.
    sent_at = models.DateTimeField(null=True)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["key", "person"], name="told_once")]
        indexes = [
            models.Index(fields=["person", "owed_at"]),
            models.Index(fields=["owed_at"], name="message_unsent", condition=Q(sent_at__isnull=True)),
        ]

    def __str__(self) -> str:
        return f"{self.key} to {self.person_id}"
