"""Recording what happens in rooms: waivers, starts, sheets set, finishes, crews turned away.

Permission can be refused, a fact never: `start_room` asks for a release, `record_began_held` for nothing.
"""

from __future__ import annotations

from datetime import datetime

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from jobs.facts import AlreadyDone, Envelope, check_expected, is_earlier, is_repeat, record
from jobs.models import Room
from materials.core.stock import Standing
from materials.models import Placement
from scheduling import messages, states
from scheduling.core.holds import HoldState, RoomAnswer
from scheduling.models import (
    BeganHeld,
    Crew,
    Finish,
    HoldName,
    Release,
    SheetsSet,
    Start,
    TurnedAway,
    Waiver,
)
from scheduling.models.work import ReleaseWaiver

#: How often a start is judged again because the facts changed between look and act.
MOST_JUDGEMENTS = 3


class RoomIsHeld(ValidationError):
    """A start was refused because holds stand; `answer` carries them all."""

    def __init__(self, message: str, answer: RoomAnswer) -> None:
        super().__init__(message)
        self.answer = answer


def waive_hold(envelope: Envelope, *, room: Room, hold: str, until_at: datetime | None) -> Waiver:
    """Record that a manager signs for starting a room in spite of one hold.

    Raises:
        ValidationError: there is no such hold, no reason, or the waiver ends before it begins.
    """
    if hold not in HoldName.values:
        raise ValidationError({"hold": _("There is no such hold.")})
    if not envelope.reason.strip():
        raise ValidationError({"reason": _("A waiver is signed with a reason.")})
    if until_at is not None and until_at <= envelope.happened_at:
        raise ValidationError({"until_at": _("It must end after it begins.")})
    check_expected(until_at, now=envelope.now, column="until_at")
    return record(Waiver(room=room, hold=hold, until_at=until_at), envelope)


def start_room(envelope: Envelope, *, room: Room, crew: Crew | None) -> Start:
    """Record the first sheet of a room, if the room is released now and was at the time that is claimed.

    The holds are computed outside the transaction and the version of the facts is checked inside it; if
    a fact came in between, the act is judged again.

    Raises:
        RoomIsHeld: a hold stands; nothing is recorded.
        AlreadyDone: the room has been started, or is finished.
    """
    if is_repeat(Start, envelope):
        return record_start(envelope, room=room, crew=crew, release=Start.objects.get(pk=envelope.id).release)
    for _attempt in range(MOST_JUDGEMENTS):
        judged = _judge(room, envelope)
        _check_not_started(room, envelope)
        if not judged.answer.released:
            raise RoomIsHeld(refusal(judged.answer), judged.answer)
        try:
            return _start(envelope, room=room, crew=crew, judged=judged)
        except StaleFacts:
            continue
    raise AlreadyDone(_("The facts of this room are changing just now. Look again, then start."))


class StaleFacts(Exception):
    """The facts of a room changed after they were looked at."""


@transaction.atomic
def _start(envelope: Envelope, *, room: Room, crew: Crew | None, judged: states.Judged) -> Start:
    locked = Room.objects.select_for_update(no_key=True).get(pk=room.pk)
    known = Start.objects.filter(pk=envelope.id).first()
    if known is not None:
        # The same act came twice at once, and the other one was first.
        return record_start(envelope, room=locked, crew=crew, release=known.release)
    if locked.facts_version != judged.gathered.facts_version:
        raise StaleFacts
    release, _made = Release.objects.get_or_create(
        room=locked, facts_version=judged.gathered.facts_version, defaults={"made_at": envelope.now}
    )
    if _made:
        ReleaseWaiver.objects.bulk_create(
            [ReleaseWaiver(release=release, waiver_id=waiver) for waiver in _waivers_behind(judged)]
        )
    return record_start(envelope, room=locked, crew=crew, release=release)


def record_start(envelope: Envelope, *, room: Room, crew: Crew | None, release: Release) -> Start:
    """Record a start that rests on `release`; the database refuses any other."""
    return record(Start(room=room, crew=crew, release=release), envelope)


def correct_start(envelope: Envelope, *, start: Start, crew: Crew | None) -> Start:
    """Correct the time or the crew of a start, which keeps the release it rested on.

    Raises:
        RoomIsHeld: the room was held at the corrected time.
    """
    if envelope.happened_at < start.happened_at and not is_repeat(Start, envelope):
        then = states.judge([start.room_id], now=envelope.happened_at)[start.room_id]
        if not then.answer.released:
            raise RoomIsHeld(refusal(then.answer), then.answer)
    return record_start(envelope, room=start.room, crew=crew, release=start.release)


@transaction.atomic
def record_began_held(envelope: Envelope, *, room: Room, crew: Crew | None) -> BeganHeld:
    """Record that a crew began without a release; the manager is owed word of it, but not of its correction.

    Raises:
        ValidationError: no reason is given.
    """
    if not envelope.reason.strip():
        raise ValidationError({"reason": _("Say why it was begun; nobody is blamed, but it stays visible.")})
    known = BeganHeld.objects.filter(pk=envelope.id).first()
    held = known.holds if known else _held_at(room, min(envelope.happened_at, envelope.now))
    fact = record(BeganHeld(room=room, crew=crew, holds=held), envelope)
    if envelope.supersedes is None:
        messages.tell_managers_began_held(fact, now=envelope.now)
    return fact


def _held_at(room: Room, at: datetime) -> list[str]:
    answer = states.judge([room.pk], now=at)[room.pk].answer
    return [hold.kind.value for hold in answer.holds if hold.state is HoldState.HELD]


def record_sheets_set(
    envelope: Envelope, *, room: Room, placement: Placement, standing: Standing, sheets: int
) -> SheetsSet:
    """Record that so many sheets of a placement are on the walls of its room.

    Raises:
        ValidationError: the room was not begun by then, or finished before; the sheets are another room's,
            had not come, or are more than stand there.
    """
    _check_begun(room, envelope)
    if placement.room_id != room.pk:
        raise ValidationError({"placement": _("These sheets are not reserved for this room.")})
    finish = Finish.objects.standing().filter(room=room).first()
    if finish is not None and envelope.happened_at > finish.happened_at:
        raise ValidationError({"happened_at": _("This room was finished before this time.")})
    if is_earlier(envelope.happened_at, placement.happened_at):
        raise ValidationError({"happened_at": _("The sheets had not come yet.")})
    if not is_repeat(SheetsSet, envelope) and not 1 <= sheets <= standing.good:
        message = ngettext(
            "%(n)d good sheet stands here; %(typed)d cannot be set.",
            "%(n)d good sheets stand here; %(typed)d cannot be set.",
            standing.good,
        ) % {"n": standing.good, "typed": sheets}
        raise ValidationError({"sheets": message})
    return record(SheetsSet(placement_id=placement.origin, room=room, sheets=sheets), envelope)


@transaction.atomic
def finish_room(envelope: Envelope, *, room: Room) -> Finish:
    """Record that a room is done.

    Raises:
        ValidationError: it was not begun by then, or sheets were set after.
        AlreadyDone: it is finished.
    """
    # The lock makes the second of two people wait and then see the first one's finish.
    Room.objects.select_for_update(no_key=True).get(pk=room.pk)
    _check_begun(room, envelope)
    later = SheetsSet.objects.standing().filter(room=room).order_by("-happened_at").first()
    if later is not None and is_earlier(envelope.happened_at, later.happened_at):
        raise ValidationError({"happened_at": _("Sheets were still set after this time.")})
    done = Finish.objects.standing().filter(room=room).exclude(pk=envelope.id)
    if done.exists() and envelope.supersedes is None:
        raise AlreadyDone(_("This room is finished already."))
    return record(Finish(room=room), envelope)


def record_turned_away(envelope: Envelope, *, room: Room, crew: Crew, refused_by: str) -> TurnedAway:
    """Record that a crew came to a room and could not work; the manager is owed word of it.

    Raises:
        ValidationError: nothing says why.
    """
    if not envelope.reason.strip():
        raise ValidationError({"reason": _("Say why the crew could not work.")})
    with transaction.atomic():
        fact = record(TurnedAway(room=room, crew=crew, refused_by=refused_by.strip()), envelope)
        if envelope.supersedes is None:
            messages.tell_managers_turned_away(fact, now=envelope.now)
    return fact


def begins_of(room: Room) -> list[Start | BeganHeld]:
    """Return the standing starts of a room, those while it was held included."""
    return [*Start.objects.standing().filter(room=room), *BeganHeld.objects.standing().filter(room=room)]


def begun_at(room: Room) -> datetime | None:
    """Return when the first sheet of a room was set, with or without a release; None: not begun."""
    return min((begin.happened_at for begin in begins_of(room)), default=None)


def _check_begun(room: Room, envelope: Envelope) -> None:
    """Refuse what only happens in a room that was begun, at a time before it was."""
    begun = begun_at(room)
    if begun is None:
        raise ValidationError(
            _("This room was not begun. Start it first, or record that it was begun while held.")
        )
    if is_earlier(envelope.happened_at, begun):
        raise ValidationError({"happened_at": _("The room had not been begun yet.")})


def refusal(answer: RoomAnswer) -> str:
    """Return why a start is refused, in one sentence that names the holds."""
    held = [str(HoldName(hold.kind.value).label) for hold in answer.holds if hold.state is HoldState.HELD]
    return _("Held by %(holds)s. The room may not be started.") % {"holds": ", ".join(held)}


def _judge(room: Room, envelope: Envelope) -> states.Judged:
    """Return the room judged now, or as it was at the time that is claimed, if it was held then."""
    judged = states.judge([room.pk], now=envelope.now)[room.pk]
    if judged.answer.released and envelope.happened_at < envelope.now:
        then = states.judge([room.pk], now=envelope.happened_at)[room.pk]
        return judged if then.answer.released else then
    return judged


def _waivers_behind(judged: states.Judged) -> list[str]:
    """Return the waivers without which a released room would be held."""
    waived = [hold for hold in judged.answer.holds if hold.state is HoldState.WAIVED]
    signed = {waiver.id for waiver in judged.gathered.facts.waivers}
    return sorted({ident for hold in waived for ident in hold.evidence if ident in signed})


def _check_not_started(room: Room, envelope: Envelope) -> None:
    if Start.objects.standing().filter(room=room).exclude(pk=envelope.id).exists():
        raise AlreadyDone(_("This room has been started already."))
    if Finish.objects.standing().filter(room=room).exists():
        raise AlreadyDone(_("This room is finished already."))
