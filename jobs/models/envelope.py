"""The envelope every fact travels in, the history line written beside it, and the history of records."""

from __future__ import annotations

from typing import Any, ClassVar, Self
from uuid import UUID

from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from jobs.append_only import append_only
from jobs.core.words import Say
from jobs.models.places import Job, Room


class FactQuerySet(models.QuerySet[Any]):
    """Reads of one kind of fact."""

    def standing(self) -> Self:
        """Leave out what a later fact corrected, and corrections that only withdrew."""
        return self.filter(superseded_by__isnull=True, withdraws=False)


class Fact(models.Model):
    """Something that happened, as somebody recorded it.  Never edited: a later fact corrects it.

    Other facts point at `origin`, the first of a chain of corrections, so that they need not move
    when their subject is corrected; the standing fact of a chain is the one nothing supersedes.
    """

    #: Columns that a correction may not change, for then it would be another fact.
    SUBJECT: ClassVar[tuple[str, ...]] = ()

    id = models.UUIDField(primary_key=True, editable=False)
    origin = models.UUIDField(editable=False, db_index=True)
    happened_at = models.DateTimeField(_("when"))
    recorded_at = models.DateTimeField(editable=False)
    recorded_by = models.ForeignKey("jobs.Person", on_delete=models.PROTECT, related_name="+", editable=False)
    #: Those without an account: "site agent, by phone".
    said_by = models.CharField(_("said by"), max_length=120, blank=True)
    supersedes = models.OneToOneField(
        "self", on_delete=models.PROTECT, null=True, blank=True, editable=False, related_name="superseded_by"
    )
    withdraws = models.BooleanField(default=False, editable=False)
    #: Why a correction was made, or whatever the act asks a reason for.
    reason = models.CharField(_("reason"), max_length=500, blank=True)

    objects = FactQuerySet.as_manager()

    class Meta:
        abstract = True
        constraints = [
            models.CheckConstraint(
                condition=Q(withdraws=False) | Q(supersedes__isnull=False),
                name="%(app_label)s_%(class)s_withdraws_something",
            )
        ]

    def __str__(self) -> str:
        return f"{self._meta.verbose_name} {self.pk}"

    def touched_rooms(self) -> models.QuerySet[Room]:
        """Return the rooms whose holds this fact may change."""
        raise NotImplementedError

    def job_of(self) -> Job:
        """Return the job whose history this fact belongs to."""
        raise NotImplementedError

    def says(self) -> Say:
        """Return the fact as one short sentence for a history, without time or name."""
        raise NotImplementedError

    @property
    def version(self) -> UUID:
        """Return the identity of this wording of the fact (its `origin` is that of the fact)."""
        return self.pk


class FactPart(models.Model):
    """A line of a fact, written with it and as unchangeable."""

    id = models.UUIDField(primary_key=True, editable=False)

    class Meta:
        abstract = True

    def __str__(self) -> str:
        return f"{self._meta.verbose_name} {self.pk}"


@append_only
class Entry(models.Model):
    """One line of history for each fact: what a page shows of it without asking twenty tables."""

    fact = models.UUIDField(primary_key=True)
    #: The fact's model as Django labels it, `jobs.reading`.
    kind = models.CharField(max_length=40)
    job = models.ForeignKey(Job, on_delete=models.PROTECT, related_name="entries")
    rooms = models.ManyToManyField(Room, related_name="entries", through="EntryRoom")
    happened_at = models.DateTimeField()
    recorded_at = models.DateTimeField(db_index=True)
    recorded_by = models.ForeignKey("jobs.Person", on_delete=models.PROTECT, related_name="+")
    said_by = models.CharField(max_length=120, blank=True)
    supersedes = models.OneToOneField(
        "self", on_delete=models.PROTECT, null=True, blank=True, related_name="superseded_by"
    )
    withdraws = models.BooleanField(default=False)
    reason = models.CharField(max_length=500, blank=True)
    #: The sentence, as `jobs.says.to_json` writes it.
    says = models.JSONField()

    def __str__(self) -> str:
        return f"{self.kind} {self.fact}"


@append_only
class EntryRoom(models.Model):
    """That a history line belongs to a room's history."""

    entry = models.ForeignKey(Entry, on_delete=models.PROTECT, related_name="+")
    room = models.ForeignKey(Room, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [models.UniqueConstraint(fields=["entry", "room"], name="entry_once_a_room")]

    def __str__(self) -> str:
        return f"{self.entry_id} in {self.room_id}"


@append_only
class Change(models.Model):
    """How a record (a job, a crew, a product …) was edited: what it said before and after."""

    record = models.CharField(max_length=40)
    record_pk = models.CharField(max_length=40)
    at = models.DateTimeField()
    #: None where nobody was signed in: the demo, or the operator at the keyboard.
    by = models.ForeignKey("jobs.Person", on_delete=models.PROTECT, null=True, related_name="+")
    before = models.JSONField()
    after = models.JSONField()
    reason = models.CharField(max_length=500, blank=True)

    class Meta:
        indexes = [models.Index(fields=["record", "record_pk"])]

    def __str__(self) -> str:
        return f"{self.record} {self.record_pk} at {self.at}"
