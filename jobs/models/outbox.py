"""What is owed to the world outside a transaction, and the pulse of the periodic parts."""

from __future__ import annotations

from django.db import models


class Outbox(models.Model):
    """Something owed to the world outside a transaction: written with the fact, worked after it, once."""

    class State(models.TextChoices):
        WAITING = "waiting"
        RUNNING = "running"
        DONE = "done"
        PARKED = "parked"  # given up after outbox.MOST_ATTEMPTS; shown to the manager

    id = models.UUIDField(primary_key=True, editable=False)
    kind = models.CharField(max_length=40)  # a key of jobs.outbox.HANDLERS
    key = models.CharField(max_length=200, unique=True)  # idempotent: the same key is owed once for ever
    payload = models.JSONField(default=dict)
    state = models.CharField(max_length=8, choices=State.choices, default=State.WAITING)
    attempts = models.PositiveSmallIntegerField(
        default=0
    )  # counted before the work; also the fence against a late worker
    owed_at = models.DateTimeField()
    due_at = models.DateTimeField()  # not before; moved on after a failure
    sent_at = models.DateTimeField(null=True)  # last message put to the broker; None: not yet
    taken_at = models.DateTimeField(null=True)  # start of the latest attempt; None: not yet
    done_at = models.DateTimeField(null=True)  # None: not yet
    last_error = models.TextField(default="", blank=True)

    class Meta:
        verbose_name_plural = "outbox"
        indexes = [
            models.Index(
                fields=["due_at"], name="outbox_open", condition=models.Q(state__in=["waiting", "running"])
            ),
            models.Index(fields=["owed_at"], name="outbox_parked", condition=models.Q(state="parked")),
            models.Index(fields=["done_at"], name="outbox_done", condition=models.Q(state="done")),
        ]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(state__in=["waiting", "running", "done", "parked"]),
                name="outbox_state_known",
            ),
            models.CheckConstraint(
                condition=models.Q(state="done", done_at__isnull=False)
                | (~models.Q(state="done") & models.Q(done_at__isnull=True)),
                name="outbox_done_has_its_time",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.key}"


class Pulse(models.Model):
    """When a periodic part of the service was last alive: one row a name."""

    name = models.CharField(primary_key=True, max_length=40)
    beat_at = models.DateTimeField()

    def __str__(self) -> str:
        return self.name
