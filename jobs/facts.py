"""Recording facts: one way in for every kind, in one transaction with all that follows from it at once.

A fact is never edited.  It is recorded under an id its maker chose, so that a repeat changes nothing;
it may correct an earlier fact, or only withdraw it; and with it, in its transaction, the versions of
the rooms it may touch are raised, its line of history is written, and the push to the worker is owed.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Any, TypeVar
from uuid import UUID, uuid5

from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.db.models import F, QuerySet
from django.db.models.functions import Coalesce, Greatest
from django.utils.translation import gettext as _

from jobs import outbox
from jobs.air import note_fact
from jobs.models import Entry, Fact, Job, Person, Room
from jobs.models.envelope import EntryRoom, FactPart
from jobs.says import to_json

#: How far ahead of ours a phone's clock may run before its time is refused.
CLOCK_TOLERANCE = timedelta(minutes=5)
EARLIEST = datetime(2000, 1, 1, tzinfo=UTC)
#: What is said to come later than this is a slip of the year.
FARTHEST_AHEAD = timedelta(days=5 * 366)

#: Columns of the envelope that the service fills in, so that no form asks for them.
FILLED_IN = frozenset({"id", "origin", "recorded_at", "recorded_by", "supersedes", "withdraws"})

AnyFact = TypeVar("AnyFact", bound=Fact)


class AlreadyDone(ValidationError):
    """Somebody else was first; the message says what stands now."""


class SaidOtherwise(AlreadyDone):
    """The same act was recorded before with other values, which stand."""


@dataclass(frozen=True, slots=True)
class Envelope:
    """What every fact travels in, as the person or machine that records it gives it."""

    id: UUID
    happened_at: datetime
    by: Person
    now: datetime
    said_by: str = ""
    reason: str = ""
    #: The standing fact that this one corrects.
    supersedes: Fact | None = None

    def part_id(self, name: str) -> UUID:
        """Return the id of a further fact or line written by the same act: the same act, the same id."""
        return uuid5(self.id, name)


@transaction.atomic
def record(
    fact: AnyFact, envelope: Envelope, *, parts: Sequence[FactPart] = (), also_rooms: Iterable[int] = ()
) -> AnyFact:
    """Store `fact` in `envelope`, with the lines that belong to it; answer a repeat with what stands.

    Args:
        fact: unsaved, its own columns filled in.
        parts: unsaved lines, already pointing at `fact`.
        also_rooms: keys of rooms it touches by what is stored after it.

    Raises:
        ValidationError: keyed by column; the time is not possible, a value is out of range, the job is
            closed, the id belongs to another fact, or the correction would make it another fact.
        AlreadyDone: the fact to be corrected has been corrected by somebody else.
    """
    put_in_envelope(fact, envelope)
    if known := _known(fact, parts):
        return known
    check(fact, envelope)
    before = set(_rooms_of(envelope.supersedes)) if envelope.supersedes else set()
    try:
        with transaction.atomic():
            fact.save(force_insert=True)
    except IntegrityError as error:
        # The same act may have come twice at once.
        if known := _known(fact, parts):
            return known
        raise _told(error, fact) from error
    for part in parts:
        part.save(force_insert=True)
    write_down(fact, also_rooms={*before, *also_rooms}, now=envelope.now)
    return fact


def write_down(fact: Fact, *, also_rooms: Iterable[int] = (), now: datetime) -> None:
    """Raise the versions of the air and the rooms that a stored fact touches, write its history, owe the push."""
    rooms = sorted({*_rooms_of(fact), *also_rooms})
    note_fact(fact)
    raise_versions(rooms, now=now)
    # A copy that only withdraws has none of the lines that the sentence counts.
    said = fact.supersedes if fact.withdraws and fact.supersedes else fact
    entry = Entry.objects.create(
        fact=fact.pk,
        kind=fact._meta.label_lower,
        job=fact.job_of(),
        happened_at=fact.happened_at,
        recorded_at=fact.recorded_at,
        recorded_by=fact.recorded_by,
        said_by=fact.said_by,
        supersedes_id=_entry_before(fact),
        withdraws=fact.withdraws,
        reason=fact.reason,
        says=to_json(said.says()),
    )
    EntryRoom.objects.bulk_create([EntryRoom(entry=entry, room_id=room) for room in rooms])
    outbox.owe("facts_changed", key=f"facts_changed/{fact.pk}", now=now)


def _entry_before(fact: Fact) -> UUID | None:
    """Return the history line of the fact that this one corrects; one line of a file has none of its own."""
    corrected = fact.supersedes.pk if fact.supersedes else None
    return corrected if corrected and Entry.objects.filter(pk=corrected).exists() else None


@transaction.atomic(savepoint=False)
def raise_versions(rooms: Collection[int] | QuerySet[Room, int], *, now: datetime) -> None:
    """Raise `facts_version` of the rooms, in the order of their keys so that two writers cannot lock each other.

    Args:
        rooms: their keys, or a query of them, which then costs no statement of its own.
    """
    # Not the key: whoever stores a row that points at the room needs it to exist, no more, and must not wait.
    locked = Room.objects.select_for_update(no_key=True).filter(pk__in=rooms).order_by("pk")
    Room.objects.filter(pk__in=list(locked.values_list("pk", flat=True))).update(
        facts_version=F("facts_version") + 1, facts_at=Greatest(Coalesce("facts_at", now), now)
    )


def withdraw(fact: AnyFact, envelope: Envelope) -> AnyFact:
    """Take a standing fact back, and return the correction that does so: a copy that counts for nothing.

    Raises:
        ValidationError: no reason is given, or as `record`.
    """
    if not envelope.reason.strip():
        raise ValidationError({"reason": _("Say why it is taken back; both stay in the history.")})
    columns = {field.attname: getattr(fact, field.attname) for field in fact._meta.concrete_fields}
    copy = type(fact)(**{**columns, "withdraws": True})
    said_by = envelope.said_by or fact.said_by
    return record(copy, replace(envelope, happened_at=fact.happened_at, said_by=said_by, supersedes=fact))


def standing(model: type[AnyFact], origin: UUID) -> AnyFact | None:
    """Return the standing wording of the fact that began as `origin`, or None if it was withdrawn."""
    found: AnyFact | None = model.objects.standing().filter(origin=origin).first()
    return found


def is_repeat(model: type[Fact], envelope: Envelope) -> bool:
    """Return whether this act was recorded before, so that its counts are not judged against themselves."""
    return model.objects.filter(pk=envelope.id).exists()


def put_in_envelope(fact: Fact, envelope: Envelope) -> None:
    """Fill in the envelope's columns of an unsaved fact."""
    fact.id = envelope.id
    fact.happened_at = envelope.happened_at.replace(microsecond=0)
    fact.recorded_at = envelope.now
    fact.recorded_by = envelope.by
    fact.said_by = envelope.said_by.strip()
    fact.reason = envelope.reason.strip()
    fact.supersedes = envelope.supersedes
    fact.origin = envelope.supersedes.origin if envelope.supersedes else envelope.id


def check(fact: Fact, envelope: Envelope) -> None:
    """Refuse what no fact of any kind may be.

    Raises:
        ValidationError: keyed by column.
        AlreadyDone: what it corrects has been corrected.
    """
    check_time(fact.happened_at, now=envelope.now)
    # The foreign keys were looked up by whoever built the fact; the database checks them again.
    keys = {field.name for field in fact._meta.concrete_fields if field.is_relation}
    fact.clean_fields(exclude=keys | FILLED_IN)
    check_open(fact.job_of())
    if envelope.supersedes is not None:
        _check_correction(fact, envelope.supersedes)


def check_time(at: datetime, *, now: datetime, column: str = "happened_at") -> None:
    """Refuse a time that lies ahead of the clock, or before there was anything to record."""
    if at > now + CLOCK_TOLERANCE:
        raise ValidationError(
            {column: _("This time is still to come; facts are recorded when they have happened.")}
        )
    if at < EARLIEST:
        raise ValidationError({column: _("This time is before the year 2000.")})


def check_expected(at: datetime | None, *, now: datetime, column: str = "expected_at") -> None:
    """Refuse a time to come that only a slip of the year explains."""
    if at is not None and at > now + FARTHEST_AHEAD:
        raise ValidationError({column: _("This is more than five years ahead; look at the year.")})
    if at is not None and at < EARLIEST:
        raise ValidationError({column: _("This time is before the year 2000.")})


def is_earlier(at: datetime, than: datetime) -> bool:
    """Return whether `at` lies before the minute of `than`: people write minutes, the clock gives seconds."""
    return at < than.replace(second=0)


def check_open(job: Job) -> None:
    """Refuse a fact of a job that is closed."""
    if job.closed_at is not None:
        message = _(
            "Job %(number)s is closed; nothing more is recorded for it until a manager opens it again."
        )
        raise ValidationError(message, params={"number": job.number})


def _check_correction(fact: Fact, old: Fact) -> None:
    if type(old) is not type(fact):
        raise ValidationError(_("A correction is of the same kind as what it corrects."))
    changed = [column for column in fact.SUBJECT if getattr(fact, column) != getattr(old, column)]
    if changed:
        raise ValidationError(
            _("A correction speaks of the same thing as before. Withdraw the old fact and record a new one.")
        )
    if old.withdraws or type(old).objects.filter(supersedes=old.pk).exists():
        raise AlreadyDone(_("Somebody corrected this in the meantime; look at what stands now."))


def _known(fact: AnyFact, parts: Sequence[FactPart]) -> AnyFact | None:
    """Return the stored fact of this id if it says the same, so that a repeat is answered alike.

    Raises:
        ValidationError: the id is taken by a fact that says something else.
    """
    # The history line is asked for first: it is written with its fact, so once it shows, the fact is there too.
    is_taken = Entry.objects.filter(pk=fact.pk).exists()
    stored = type(fact).objects.filter(pk=fact.pk).first()
    if stored is None:
        if is_taken:
            raise ValidationError(_("This act was already recorded as something else."))
        return None
    stored_parts = {
        part.pk: _columns(part)
        for kind in {type(part) for part in parts}
        for part in kind._default_manager.filter(pk__in=[part.pk for part in parts])
    }
    same = _columns(stored) == _columns(fact) and stored_parts == {part.pk: _columns(part) for part in parts}
    if not same:
        raise SaidOtherwise(_("This act was already recorded with other values; the first stands."))
    return stored  # type: ignore[no-any-return]


def _columns(row: Fact | FactPart) -> dict[str, Any]:
    """Return what a row says, less when it reached us."""
    fields = [field for field in row._meta.concrete_fields if field.name != "recorded_at"]
    return {field.attname: field.to_python(getattr(row, field.attname)) for field in fields}


def _rooms_of(fact: Fact) -> list[int]:
    return list(fact.touched_rooms().order_by().values_list("pk", flat=True))


def _told(error: IntegrityError, fact: Fact) -> ValidationError:
    """Return a constraint that the database refused as words for a person."""
    name = str(error)
    for constraint in fact._meta.constraints:
        if constraint.name in name and constraint.violation_error_message:
            return ValidationError(str(constraint.violation_error_message))
    if "supersedes" in name:
        return AlreadyDone(_("Somebody corrected this in the meantime; look at what stands now."))
    return AlreadyDone(_("Somebody recorded this in the meantime; look at what stands now."))
