"""The derived state of rooms: computed from the facts, stored with the version it came from, renewed when read.

Nothing that anyone sees depends on a worker having run: whoever reads a state that is past its `good_until`,
or older than the room's facts, computes it again in one short transaction.  What follows from a change of
state (calendar events, word to the manager) is written in that same transaction.

A room that was not looked at for a while is judged at every instant at which its state turned, one after the
other: so its state, and all that follows from it, is the same whoever computes it and when.  What turned by
itself between the last look and a fact that came after it is not told apart from that fact.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db import transaction
from django.db.models import F, Max, Q, QuerySet

from jobs.core.words import Say, say
from jobs.core.worktime import Calendar, time_zone
from jobs.facts import CLOCK_TOLERANCE
from jobs.models import Room
from jobs.prepared import Prepared
from materials.core.cure import Cure
from materials.models import OrderLine
from materials.rules import NOTHING, Pretended
from scheduling import answers, events, messages
from scheduling.core.as_found import is_air_bad, latest_readings
from scheduling.core.backward import OpenAct, open_acts
from scheduling.core.holds import Hold, HoldState, RoomAnswer, judge_room
from scheduling.core.latest_by import NoWorkingTime, TooEarly
from scheduling.core.moment import Moment
from scheduling.core.room_facts import HoldKind
from scheduling.core.silence import Silence
from scheduling.curing import Cures, cure_to_json
from scheduling.gather import Gathered, Known
from scheduling.models import Crew, RoomState
from scheduling.outlooks import asks_to_json
from scheduling.silence import Silences, StoredSilence, silence_to_json, silences_of, stored_silence

#: How many rooms are computed in one go: a transaction stays short whatever the backlog.
AT_ONCE = 200
#: How often rooms are judged beside other people's facts, before they are locked and judged.
MOST_TRIES = 3


@dataclass(frozen=True, slots=True)
class Judged:
    """A room with its holds judged at one instant, on one version of its facts."""

    at: datetime
    gathered: Gathered
    answer: RoomAnswer
    acts: tuple[OpenAct, ...]
    #: Why no last moments can be given for the acts that keep the day; None: they can.
    no_acts: Say | None
    good_until: datetime | None
    #: The air after the setting; None: nothing is on the walls, or no label asks for anything.
    cure: Cure | None = None
    #: Loggers that say nothing where something hangs on it.
    silent: tuple[Silence, ...] = ()

    @property
    def keeping(self) -> tuple[Hold, ...]:
        """The holds that keep the room from being fit to send: a reading that is only old is taken at the door."""
        conditions = self.gathered.facts.conditions
        at_the_door = not is_air_bad(conditions, latest_readings(conditions, Moment(self.at)))
        held = [hold for hold in self.answer.holds if hold.state is HoldState.HELD]
        return tuple(hold for hold in held if not (at_the_door and hold.kind is HoldKind.ROOM_CONDITIONS))


def stale(*, now: datetime) -> QuerySet[Room]:
    """Return the rooms whose stored state is missing, older than their facts, past its time, or of a wrong clock."""
    return Room.objects.filter(
        Q(state__isnull=True)
        | ~Q(state__facts_version=F("facts_version"))
        | Q(state__good_until__lte=now)
        | Q(state__computed_at__gt=now + CLOCK_TOLERANCE)
    )


def refresh_due(rooms: QuerySet[Room] | None = None, *, now: datetime) -> int:
    """Compute anew the states that are due, of `rooms` or of all; return how many there were."""
    due = stale(now=now)
    if rooms is not None:
        due = due.filter(pk__in=rooms.values("pk"))
    keys = list(due.order_by("pk").values_list("pk", flat=True))
    for first in range(0, len(keys), AT_ONCE):
        refresh(keys[first : first + AT_ONCE], now=now)
    return len(keys)


def refresh(rooms: Collection[int], *, now: datetime) -> None:
    """Bring those of these rooms that are due up to `now`.

    They are judged outside the transaction; one whose facts or state change meanwhile is judged again, at last
    while nobody else can write to it.
    """
    left = set(rooms)
    for _try in range(MOST_TRIES):
        left = _bring(left, now=now)
        if not left:
            return
    with transaction.atomic():
        _locked(left)
        _bring(left, now=now)


def judge(rooms: Collection[int], *, pretended: Pretended = NOTHING, now: datetime) -> dict[int, Judged]:
    """Return the rooms judged at `now`, records taken as `pretended`; writes nothing."""
    judges = _Judges(rooms, pretended=pretended, now=now)
    return {room: judges.at(room, now=now) for room in judges.rooms}


class _Judges:
    """Judges rooms at any instants, from rows that are read once."""

    def __init__(self, rooms: Collection[int], *, pretended: Pretended = NOTHING, now: datetime) -> None:
        self._known = Known(rooms, pretended=pretended, now=now)
        self._crews = _crews_of(self._known)
        self._leads = _leads(rooms)
        begun = {pk: one.at for pk, one in self._known.begun.items()}
        finished = self._known.finished
        self._cures = Cures(self._known.rooms, begun=begun, finished=finished, pretended=pretended, now=now)
        self._silences = Silences(self._known.rooms)

    def store_runs(self) -> None:
        """Store how far the runs over the zones' air have come, in the caller's transaction."""
        self._known.store_runs()

    @property
    def rooms(self) -> Mapping[int, Room]:
        """The rooms, as they were when the rows were read."""
        return self._known.rooms

    def at(self, room: int, *, now: datetime) -> Judged:
        """Return a room judged at `now`."""
        one = self._known.at(room, now=now)
        answer = judge_room(one.facts, now=now)
        acts, no_acts = self._acts(one, answer)
        cure = self._cures.at(room, now=now)
        instants = [answer.good_until, *(rested.good_until for rested in one.rests)]
        instants.append(cure.good_until if cure else None)
        silent, next_silence = self._silences.at(one, cure, now=now)
        instants.append(next_silence)
        good_until = min((at for at in instants if at is not None), default=None)
        return Judged(now, one, answer, acts, no_acts, good_until, cure, silent)

    def steps(self, room: int, *, since: datetime, now: datetime) -> tuple[Judged, ...]:
        """Return a room judged at `since`, and at every instant up to `now` at which its state turned by itself."""
        step = self.at(room, now=since)
        steps = [step]
        while step.good_until is not None and step.good_until <= now:
            if step.good_until <= step.at:
                raise ValueError(f"room {room}: judged good until before it was judged")
            step = self.at(room, now=step.good_until)
            steps.append(step)
        return tuple(steps)

    def _acts(self, one: Gathered, answer: RoomAnswer) -> tuple[tuple[OpenAct, ...], Say | None]:
        """Return the acts that keep the day given out, or why their last moments cannot be told."""
        if one.planned is None or one.stage != RoomState.Stage.WAITING:
            return (), None
        crew = self._crews[one.room.pk]
        start = one.planned.shifts[0][0]
        try:
            lead = self._leads.get(one.room.pk)
            return open_acts(one.facts, answer.holds, start=start, crew=crew.calendar, lead=lead), None
        except (NoWorkingTime, TooEarly):
            return (), say("No last moments can be told: {crew} has too little time before.", crew=crew.name)


def _bring(rooms: Collection[int], *, now: datetime) -> set[int]:
    """Judge the rooms that are due and store what came of it; return those that changed in the meantime."""
    before = _stored(rooms)
    judges = _Judges(rooms, now=now)
    since = {pk: _since(room, before.get(pk), now=now) for pk, room in judges.rooms.items()}
    steps = {pk: judges.steps(pk, since=at, now=now) for pk, at in since.items() if at is not None}
    if not steps:
        return set()
    with transaction.atomic():
        versions = _locked(steps)
        marks = _marks(versions)
        sound = {
            pk: all_of
            for pk, all_of in steps.items()
            if versions.get(pk) == all_of[-1].gathered.facts_version
            and marks.get(pk) == _mark(before.get(pk))
        }
        _store(sound, before, now=now)
        events.revise_events(sound)
        judges.store_runs()
    return set(versions) - set(sound)


def _stored(rooms: Collection[int]) -> dict[int, RoomState]:
    return {state.room_id: state for state in _STATES(rooms)}


def _locked(rooms: Iterable[int]) -> dict[int, int]:
    """Lock the rooms, so that no fact of them is recorded before the transaction ends; return their versions."""
    locked = Room.objects.select_for_update(no_key=True).filter(pk__in=list(rooms))
    return dict(locked.order_by("pk").values_list("pk", "facts_version"))


def _marks(rooms: Iterable[int]) -> dict[int, tuple[int, datetime]]:
    """Return the marks of the stored states; asked after the rooms are locked, so that no other comes to be stored."""
    return {room: (version, at) for room, version, at in _MARKS(list(rooms))}


def _mark(state: RoomState | None) -> tuple[int, datetime] | None:
    """Return what tells whether somebody else has stored another state."""
    return (state.facts_version, state.computed_at) if state else None


def _since(room: Room, old: RoomState | None, *, now: datetime) -> datetime | None:
    """Return from when on a room must be judged anew, by stored instants; None: what is stored is still good.

    A state that ran out turned at its `good_until`; one that facts made old, when the last of them was recorded.
    """
    latest = now + CLOCK_TOLERANCE
    if old is not None and old.computed_at > latest:
        return now
    if old is not None and old.facts_version == room.facts_version:
        return old.good_until if old.good_until is not None and old.good_until <= now else None
    instants = (room.facts_at, old.computed_at if old else None)
    # Never earlier than before, or a request that came a second sooner would undo what a later one saw.
    return max((at for at in instants if at is not None and at <= latest), default=now)


def _store(steps: Mapping[int, Sequence[Judged]], before: Mapping[int, RoomState], *, now: datetime) -> None:
    rows = []
    fallen: list[tuple[Room, StoredSilence]] = []
    for pk, all_of in steps.items():
        old, last = before.get(pk), all_of[-1]
        fallen += _fallen_silent(all_of, silences_of(old.watch) if old else ())
        known = answers.loss_of(old.answer) if old else None
        loss = _loss_after(all_of, known, was_fit=old is not None and old.is_fit_to_send)
        rows.append(_row(last, loss))
        if last.cure is not None:
            messages.tell_of_cure(last.gathered, last.cure, now=now)
        if loss is not None and (known is None or known.at != loss.at):
            room = last.gathered.room
            messages.tell_managers_held_again(room, loss, version=last.gathered.facts_version, now=now)
    messages.tell_of_silence(fallen, now=now)
    columns = [field.name for field in RoomState._meta.concrete_fields if field.name != "room"]
    RoomState.objects.bulk_create(rows, update_conflicts=True, unique_fields=["room"], update_fields=columns)


def _row(one: Judged, loss: answers.Loss | None) -> RoomState:
    gathered, planned = one.gathered, one.gathered.planned
    return RoomState(
        room=gathered.room,
        facts_version=gathered.facts_version,
        computed_at=one.at,
        good_until=one.good_until,
        stage=gathered.stage,
        began_held=gathered.begun is not None and gathered.begun.while_held,
        is_released=one.answer.released,
        is_fit_to_send=one.answer.fit_to_send,
        planned_start=planned.shifts[0][0] if planned else None,
        crew_id=planned.crew if planned else None,
        answer={**answers.answer_to_json(one.answer, loss), "asks": asks_to_json(gathered.facts, one.answer)},
        brief=answers.brief_to_json(
            one.answer, one.acts, on_site_by=_on_site_by(gathered), no_acts=one.no_acts
        ),
        rests=[answers.rest_to_json(rested) for rested in gathered.rests],
        watch={"cure": cure_to_json(one.cure), "silent": [silence_to_json(silent) for silent in one.silent]},
    )


def _fallen_silent(
    steps: Sequence[Judged], before: Sequence[StoredSilence]
) -> Iterator[tuple[Room, StoredSilence]]:
    """Yield the silences that began in these steps: told once, however long they last."""
    known = {one.key for one in before}
    for step in steps:
        for silent in step.silent:
            if silent.key not in known:
                yield step.gathered.room, stored_silence(silent)
        known = {silent.key for silent in step.silent}


def _on_site_by(gathered: Gathered) -> datetime | None:
    """Return the last arrival that leaves the panels their whole rest before the promised start."""
    if gathered.planned is None:
        return None
    return gathered.planned.shifts[0][0] - gathered.facts.rest_required


def _loss_after(steps: Sequence[Judged], loss: answers.Loss | None, *, was_fit: bool) -> answers.Loss | None:
    """Return that a promised room is held again after it was fit to send; it lasts until it is fit or begun."""
    for step in steps:
        waiting = step.gathered.stage == RoomState.Stage.WAITING and step.gathered.planned is not None
        if not waiting or step.answer.fit_to_send:
            loss = None
        elif loss is not None or was_fit:
            loss = answers.Loss(loss.at if loss else step.at, tuple(hold.kind.value for hold in step.keeping))
        was_fit = step.answer.fit_to_send
    return loss


@dataclass(frozen=True, slots=True)
class _CrewOf:
    """The crew of a planned room, and when it works on the clock of the room's site."""

    name: str
    calendar: Calendar


def _crews_of(known: Known) -> dict[int, _CrewOf]:
    crews = {crew.pk: crew for crew in _CREWS({one.crew for one in known.planned.values()})}
    made: dict[tuple[int, str], Calendar] = {}
    found = {}
    for room, planned in known.planned.items():
        zone = known.rooms[room].job.site.time_zone
        crew = crews[planned.crew]
        key = (crew.pk, zone)
        if key not in made:
            made[key] = Calendar.of_week(time_zone(zone), crew.week)
        found[room] = _CrewOf(crew.name, made[key])
    return found


def _leads(rooms: Collection[int]) -> dict[int, timedelta]:
    """Return the longest lead time among the suppliers that a room's panels are ordered from."""
    return {row["room"]: timedelta(days=row["days"]) for row in _LEAD_DAYS(rooms)}


# ---- what is asked by keys alone ----

_STATES = Prepared(lambda rooms: RoomState.objects.filter(room__in=rooms).defer("rests"))
_MARKS = Prepared(
    lambda rooms: RoomState.objects.filter(room__in=rooms).values_list("room", "facts_version", "computed_at")
)
_CREWS = Prepared(lambda crews: Crew.objects.filter(pk__in=crews))
_LEAD_DAYS = Prepared(
    lambda rooms: (
        OrderLine.objects.filter(room__in=rooms, order__supplier__lead_days__isnull=False)
        .values("room")
        .annotate(days=Max("order__supplier__lead_days"))
    )
)
