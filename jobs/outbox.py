"""What is owed to the world: written with the fact, worked once after it, whatever process dies in between.

A service calls `owe` inside its transaction; the row is sent to the worker on commit, and sent again by the
sweep while it is not done.  A message holds only the row's id, so any number of them may arrive.  The row is
taken by a conditional update that counts the attempt before the work, and is marked done in the transaction
of the effect; after `MOST_ATTEMPTS` it is parked for a person to look at.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import partial
from typing import Any, Protocol
from uuid import UUID

from django.db import transaction
from django.db.models import Max, Min, Q, QuerySet
from kombu.exceptions import OperationalError

from jobs.ids import uuid7
from jobs.models.outbox import Outbox, Pulse

log = logging.getLogger(__name__)

MOST_ATTEMPTS = 5
#: How long to leave a row alone after its first, second … failed attempt.
PAUSES = (timedelta(seconds=30), timedelta(minutes=2), timedelta(minutes=10), timedelta(minutes=30))
#: A message not taken for so long is taken for lost.
LOST_AFTER = timedelta(seconds=30)
#: An attempt that has not ended by then is taken for dead; a late one does no harm, its end no longer counts.
LEASE = timedelta(seconds=25)
#: How many messages one sweep sends: a long queue is not made longer without end.
SWEEP_AT_MOST = 2000
#: How far two machines' clocks may differ.
SKEW = timedelta(seconds=5)
#: Once more on a fresh connection, at once: whoever recorded the fact does not wait for a broker that is away.
RETRY = {"max_retries": 1, "interval_start": 0, "interval_step": 0, "interval_max": 0}
KEEP_DONE = timedelta(days=30)
SWEEP = "sweep"

Effect = Callable[[], None]


@dataclass(frozen=True, slots=True)
class Owed:
    """One thing owed, as its handler sees it; `id` is the same at every attempt."""

    id: UUID
    kind: str
    key: str
    payload: dict[str, Any] = field(default_factory=dict)


class Work(Protocol):
    """What `handler` decorates."""

    def __call__(self, owed: Owed, *, now: datetime) -> None: ...


class Errand(Protocol):
    """What `errand` decorates."""

    def __call__(self, owed: Owed, *, now: datetime) -> Effect | None: ...


@dataclass(frozen=True, slots=True)
class Handler:
    """How one kind is worked: on which queue, for how long at most, and by what."""

    errand: Errand
    queue: str
    lease: timedelta


#: By kind.  Each app's tasks.py fills it when Django starts.
HANDLERS: dict[str, Handler] = {}


def handler(kind: str, *, queue: str = "notify", lease: timedelta = LEASE) -> Callable[[Work], Work]:
    """Register a function that only writes rows: it runs in the transaction that marks what is owed done."""

    def register(work: Work) -> Work:
        def put_off(owed: Owed, *, now: datetime) -> Effect:
            return partial(work, owed, now=now)

        HANDLERS[kind] = Handler(put_off, queue, lease)
        return work

    return register


def errand(kind: str, *, queue: str = "notify", lease: timedelta = LEASE) -> Callable[[Errand], Errand]:
    """Register a function that does something outside the database: mail, a request, a long computation.

    It runs outside every transaction.  It may return a function that writes what came of it; that one runs in
    the transaction that marks the row done.  A process killed in between does the outside part again: use
    `owed.id` to let the receiver know a repeat (as a mail's Message-ID, say).
    """

    def register(run: Errand) -> Errand:
        HANDLERS[kind] = Handler(run, queue, lease)
        return run

    return register


_is_unsent: ContextVar[bool] = ContextVar("outbox_is_unsent", default=False)


@contextmanager
def unsent() -> Iterator[None]:
    """Leave what is owed inside to the sweep: for a load of many facts, while there may be no broker yet."""
    token = _is_unsent.set(True)
    try:
        yield
    finally:
        _is_unsent.reset(token)


def owe(kind: str, *, key: str, now: datetime, **payload: Any) -> None:
    """Owe something of a registered kind, in the caller's transaction; a key is owed once.

    Raises:
        LookupError: nobody has registered the kind.
    """
    if kind not in HANDLERS:
        raise LookupError(f"nobody works what is owed as {kind!r}")
    row = Outbox(
        id=uuid7(now=now),
        kind=kind,
        key=key,
        payload=payload,
        owed_at=now,
        due_at=now,
        sent_at=None if _is_unsent.get() else now,
    )
    # With the key there already nothing is written, and the message, naming no row, is passed over.
    Outbox.objects.bulk_create([row], ignore_conflicts=True)
    if not _is_unsent.get():
        transaction.on_commit(partial(send, row.id, kind))


def send(owed_id: UUID, kind: str) -> None:
    """Tell a worker; with the broker away the row stays unsent, for the sweep."""
    from config.celery import app  # the web process loads Celery when it first sends

    try:
        app.send_task(
            "jobs.tasks.work_owed", args=[str(owed_id)], queue=HANDLERS[kind].queue, retry_policy=RETRY
        )
    except OperationalError as error:
        log.warning("the broker is away, %s %s stays unsent: %s", kind, owed_id, error)
        Outbox.objects.filter(pk=owed_id, state=Outbox.State.WAITING).update(sent_at=None)


def work(owed_id: UUID, *, now: datetime) -> None:
    """Work one owed row, unless it is done, parked, or in somebody else's hands.

    What its handler raises is noted, counted and raised again.
    """
    row = _take(owed_id, now=now)
    if row is None:
        return
    try:
        effect = HANDLERS[row.kind].errand(Owed(row.id, row.kind, row.key, row.payload), now=now)
        _finish(row, effect, now=now)
    except Exception as error:
        _put_back(row, error, now=now)
        raise


def _take(owed_id: UUID, *, now: datetime) -> Outbox | None:
    row = Outbox.objects.filter(pk=owed_id).first()
    if row is None or not _is_free(row, now=now):
        return None
    mine = Outbox.objects.filter(pk=row.pk, state=row.state, attempts=row.attempts)
    if row.attempts >= MOST_ATTEMPTS:
        if mine.update(state=Outbox.State.PARKED):
            log.error("%s %s is parked: its last attempt did not end", row.kind, row.key)
        return None
    if not mine.update(state=Outbox.State.RUNNING, attempts=row.attempts + 1, taken_at=now):
        return None
    row.attempts += 1
    return row


def _is_free(row: Outbox, *, now: datetime) -> bool:
    if row.state == Outbox.State.WAITING:
        return row.due_at <= now + SKEW
    if row.state == Outbox.State.RUNNING and row.taken_at is not None:
        return row.taken_at + HANDLERS[row.kind].lease <= now
    return False


def _held(row: Outbox) -> QuerySet[Outbox]:
    """Return the row if it is still in the hands of the attempt that read it."""
    return Outbox.objects.filter(pk=row.pk, state=Outbox.State.RUNNING, attempts=row.attempts)


@transaction.atomic
def _finish(row: Outbox, effect: Effect | None, *, now: datetime) -> None:
    # Marked first, so that on PostgreSQL a second worker waits at the row until the effect is there too.
    # The contents go: a link's secret may be among them.
    if not _held(row).update(state=Outbox.State.DONE, done_at=now, payload={}, last_error=""):
        log.warning("%s %s was taken over by a later attempt", row.kind, row.key)
        return
    if effect is not None:
        effect()


def _put_back(row: Outbox, error: Exception, *, now: datetime) -> None:
    said = f"{type(error).__name__}: {error}"[:500]
    if row.attempts >= MOST_ATTEMPTS:
        _held(row).update(state=Outbox.State.PARKED, last_error=said)
        log.error("%s %s is parked after %s attempts", row.kind, row.key, row.attempts)
        return
    due_at = now + PAUSES[row.attempts - 1]
    _held(row).update(state=Outbox.State.WAITING, last_error=said, due_at=due_at, sent_at=None)


def sweep(*, now: datetime) -> int:
    """Send again what is due and unsent, lost on the way, or in the hands of the dead; return how many."""
    found = [row for row in _due(now=now)[:SWEEP_AT_MOST] if _is_free(row, now=now)]
    Outbox.objects.filter(pk__in=[row.pk for row in found]).update(sent_at=now)
    for row in found:
        send(row.pk, row.kind)
    Pulse.objects.update_or_create(name=SWEEP, defaults={"beat_at": now})
    return len(found)


def _due(*, now: datetime) -> QuerySet[Outbox]:
    is_open = Q(state__in=[Outbox.State.WAITING, Outbox.State.RUNNING])
    is_silent = Q(sent_at__isnull=True) | Q(sent_at__lte=now - LOST_AFTER)
    return Outbox.objects.filter(is_open, is_silent, due_at__lte=now).order_by("due_at")


def prune(*, now: datetime) -> int:
    """Throw away what was done `KEEP_DONE` ago; return how many rows."""
    return Outbox.objects.filter(state=Outbox.State.DONE, done_at__lt=now - KEEP_DONE).delete()[0]


def parked() -> QuerySet[Outbox]:
    """Return what was given up, oldest first."""
    return Outbox.objects.filter(state=Outbox.State.PARKED).order_by("owed_at")


def try_again(owed_id: UUID, *, now: datetime) -> bool:
    """Owe a parked row anew, from the first attempt; return whether it was parked."""
    again = Outbox.objects.filter(pk=owed_id, state=Outbox.State.PARKED).update(
        state=Outbox.State.WAITING, attempts=0, due_at=now, sent_at=None
    )
    return bool(again)


@dataclass(frozen=True, slots=True)
class Standing:
    """How the outbox stands: how many were given up, and how long the oldest of the others waits."""

    parked: int
    oldest_open: timedelta | None


def standing(*, now: datetime) -> Standing:
    """Return how the outbox stands, for the readiness page."""
    is_open = Outbox.objects.filter(state__in=[Outbox.State.WAITING, Outbox.State.RUNNING])
    oldest = is_open.aggregate(at=Min("owed_at"))["at"]
    return Standing(parked().count(), None if oldest is None else now - oldest)


def last_sweep() -> datetime | None:
    """Return when the periodic sweep last ran; None: never."""
    last: datetime | None = Pulse.objects.filter(name=SWEEP).aggregate(at=Max("beat_at"))["at"]
    return last
