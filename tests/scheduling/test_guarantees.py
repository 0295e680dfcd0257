"""What Setday must never do, on both databases and with several people at once."""

from __future__ import annotations

import email
from datetime import date, timedelta

import pytest
from django.core.exceptions import ValidationError
from django.db import DatabaseError, IntegrityError, connection, transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from jobs.facts import AlreadyDone
from jobs.models import Reading
from jobs.services import seen
from materials.models import Order, OrderLine, Placement
from materials.services import deliveries, sheets
from scheduling import feeds, states
from scheduling.events import uid_of
from scheduling.gather import planned_for
from scheduling.models import (
    Assignment,
    BeganHeld,
    CrewFeed,
    DayGiven,
    FeedEvent,
    Message,
    Release,
    RoomState,
    SheetsSet,
    Start,
)
from scheduling.services import corrections, handling, work
from tests import make
from tests.conftest import NOW
from tests.scheduling.rooms import (
    HOUR,
    THURSDAY,
    done,
    events,
    give,
    not_done,
    promised_room,
    shown,
    take_back,
    waiting_room,
)
from tests.test_access import facts  # noqa: F401  # a fixture: one fact of each kind
from tests.threads import errors, together

MINUTE = timedelta(minutes=1)
DAY = timedelta(days=1)


@pytest.fixture
def boss(db):
    return make.manager()


# ---- no fact is lost, and no sheet counted twice
# What is recorded cannot be changed: see test_never_changed.py.


def test_an_order_has_one_line_for_a_product_and_no_room(boss):
    order = make.order(make.room(), make.sheet(), 5)
    product = make.sheet()
    OrderLine.objects.create(order=order, product=product, room=None, sheets=1)

    with pytest.raises(IntegrityError), transaction.atomic():
        OrderLine.objects.create(order=order, product=product, room=None, sheets=2)

    OrderLine.objects.create(order=order, product=make.sheet(), room=None, sheets=2)
    assert Order.objects.get().lines.count() == 3


# ---- no held room is started


def start_by_hand(boss, room, release):
    ident = make.ident()
    Start(
        id=ident, origin=ident, room=room, release=release, happened_at=NOW, recorded_at=NOW, recorded_by=boss
    ).save(force_insert=True)


def test_the_database_refuses_a_start_without_the_release_of_its_room_and_its_present_facts(boss):
    room, _ceiling = waiting_room(boss)
    other, _other_ceiling = waiting_room(boss)
    room.refresh_from_db()
    of_another = Release.objects.create(room=other, facts_version=room.facts_version, made_at=NOW)
    of_before = Release.objects.create(room=room, facts_version=room.facts_version - 1, made_at=NOW)
    of_later = Release.objects.create(room=room, facts_version=room.facts_version + 1, made_at=NOW)

    for release in (of_another, of_before, of_later):
        with pytest.raises(IntegrityError, match="rests on the release"), transaction.atomic():
            start_by_hand(boss, room, release)
    with pytest.raises(DatabaseError), transaction.atomic():
        start_by_hand(boss, room, None)
    assert not Start.objects.exists()

    start_by_hand(
        boss, room, Release.objects.create(room=room, facts_version=room.facts_version, made_at=NOW)
    )
    assert Start.objects.count() == 1


def test_a_release_serves_one_start(boss):
    room, ceiling = waiting_room(boss)
    done(boss, ceiling)
    start = work.start_room(make.envelope(boss), room=room, crew=None)
    room.refresh_from_db()
    Release.objects.get_or_create(room=room, facts_version=room.facts_version, defaults={"made_at": NOW})

    with pytest.raises(IntegrityError), transaction.atomic():
        start_by_hand(boss, room, start.release)


def test_a_held_room_is_not_started_by_any_service_and_says_by_what(boss):
    room, _ceiling = waiting_room(boss)

    with pytest.raises(work.RoomIsHeld, match="Held by work by others"):
        work.start_room(make.envelope(boss), room=room, crew=None)
    assert not Release.objects.exists()


def test_a_room_that_was_held_at_the_time_that_is_claimed_is_not_started_then(boss):
    room, ceiling = waiting_room(boss)
    done(boss, ceiling)

    with pytest.raises(work.RoomIsHeld):
        work.start_room(make.envelope(boss, ago=HOUR / 2), room=room, crew=None)
    assert work.start_room(make.envelope(boss), room=room, crew=None).pk


def test_a_release_names_the_waivers_it_rests_on(boss):
    room, _ceiling = waiting_room(boss)
    waiver = work.waive_hold(
        make.envelope(boss, reason="agreed"), room=room, hold="work_by_others", until_at=None
    )

    start = work.start_room(make.envelope(boss), room=room, crew=None)

    assert list(start.release.waivers.all()) == [waiver]


class Between:
    """Records a fact once, between the look at a room and the act: when the service asks whether it is finished."""

    def __init__(self, fact):
        self.fact, self.came = fact, False

    def __call__(self, execute, sql, params, many, context):
        asks = "scheduling_finish" in sql and "LIMIT 1" in sql
        if asks and not self.came:
            self.came = True
            self.fact()
        return execute(sql, params, many, context)


def test_facts_that_changed_between_look_and_act_are_judged_again(boss):
    """A reading that changes nothing lets the start through, on a release of the newer facts; water does not."""
    room, ceiling = waiting_room(boss)
    done(boss, ceiling)

    def read():
        seen.record_reading(make.envelope(boss), zone=room.zone, temperature=21, unit="c", humidity_pct=45)

    between = Between(read)
    with connection.execute_wrapper(between):
        start = work.start_room(make.envelope(boss), room=room, crew=None)
    room.refresh_from_db()
    assert between.came
    assert start.release.facts_version == room.facts_version - 1  # the start itself raised it once more

    other, other_ceiling = waiting_room(boss)
    done(boss, other_ceiling)
    between = Between(lambda: seen.record_wetting(make.envelope(boss, now=NOW + MINUTE), room=other))
    with connection.execute_wrapper(between), pytest.raises(work.RoomIsHeld, match="substrate"):
        work.start_room(make.envelope(boss, now=NOW + MINUTE), room=other, crew=None)
    assert between.came
    assert not Start.objects.filter(room=other).exists()


@pytest.mark.django_db(transaction=True)
def test_of_two_who_start_a_room_one_wins_and_the_other_is_told():
    boss, other = make.manager(), make.manager()
    for _round in range(3):
        room, ceiling = waiting_room(boss)
        done(boss, ceiling)

        came = together(
            *[
                lambda by=by, room=room: work.start_room(make.envelope(by), room=room, crew=None)
                for by in (boss, other)
            ]
        )

        (told,) = errors(came)
        assert isinstance(told, AlreadyDone)
        assert Start.objects.filter(room=room).count() == 1


@pytest.mark.django_db(transaction=True)
def test_no_room_is_started_while_a_fact_that_holds_it_is_being_recorded():
    """Whichever comes first, both stand in the order they came: no start rests on facts that were past."""
    boss = make.manager()
    for number in range(4):
        room, ceiling = waiting_room(boss)
        done(boss, ceiling)

        together(
            lambda room=room: work.start_room(make.envelope(boss), room=room, crew=None),
            lambda room=room: seen.record_wetting(make.envelope(boss), room=room),
        )

        room.refresh_from_db()
        start = Start.objects.filter(room=room).first()
        wetting = room.wetting_facts.get()
        assert wetting.pk
        if start is not None:
            # The start came first, and the wetting after it.
            assert start.release.facts_version == room.facts_version - 2, number


# ---- what happened is never refused, and never forgotten


def test_begun_while_held_is_accepted_and_shows_through_all_that_follows(boss):
    crew = make.crew()
    room, ceiling, _day = promised_room(boss, crew)
    fact = work.record_began_held(make.envelope(boss, reason="the crew was there"), room=room, crew=crew)
    assert fact.holds == ["work_by_others"]

    def is_shown():
        states.refresh_due(now=NOW)
        return RoomState.objects.get(room=room).began_held

    assert is_shown()
    done(boss, ceiling)
    assert is_shown()
    work.start_room(make.envelope(boss), room=room, crew=crew)
    assert is_shown()
    work.waive_hold(make.envelope(boss, reason="late"), room=room, hold="work_by_others", until_at=None)
    assert is_shown()
    work.finish_room(make.envelope(boss), room=room)
    assert is_shown()
    assert Message.objects.filter(key=f"began_held/{fact.pk}", person=boss).count() == 1
    feeds.renew(crew, now=NOW)
    assert b"Begun while held" not in bytes(CrewFeed.objects.get().body)  # the event says: finished
    assert BeganHeld.objects.standing().filter(room=room).exists()


@pytest.mark.parametrize("hold", ["substrate", "work_by_others"])
def test_a_room_held_by_anything_may_be_recorded_as_begun(boss, hold):
    room, ceiling = waiting_room(boss)
    if hold == "substrate":
        done(boss, ceiling)
        seen.record_wetting(make.envelope(boss), room=room)

    fact = work.record_began_held(make.envelope(boss, reason="in haste"), room=room, crew=None)

    assert fact.holds == [hold]
    with pytest.raises(ValidationError, match="Say why"):
        work.record_began_held(make.envelope(boss, reason=" "), room=room, crew=None)


def test_only_a_manager_takes_back_that_a_room_was_begun_while_held(boss):
    room, _ceiling = waiting_room(boss)
    lead = make.crew_lead()
    fact = work.record_began_held(make.envelope(lead, reason="in haste"), room=room, crew=None)

    with pytest.raises(ValidationError, match="Only a manager"):
        corrections.take_back(fact, make.envelope(lead, reason="nobody saw it"))

    assert BeganHeld.objects.standing().filter(room=room).exists()


# ---- the calendar follows, and who must know is told


def test_a_correction_that_brings_a_hold_back_is_told_once_and_moves_the_event_back(
    boss, settings, tmp_path, work_owed
):
    settings.EMAIL_BACKEND, settings.EMAIL_FILE_PATH = "config.mail.Mailbox", str(tmp_path)
    crew = make.crew()
    room, ceiling, _day = promised_room(boss, crew)
    glue = make.adhesive()
    make.need(room, glue, 1)
    sheets.bring_lot(
        make.envelope(boss), job=room.job, room=room, product=glue, quantity=1, good_through=date(2026, 9, 1)
    )
    done(boss, ceiling)
    reading = seen.record_reading(
        make.envelope(boss), zone=room.zone, temperature=21, unit="c", humidity_pct=45
    )
    assert event_of(crew) == ("CONFIRMED", 0)

    seen.record_reading(
        make.envelope(boss, at=reading.happened_at, now=NOW + MINUTE, supersedes=reading, reason="misread"),
        zone=room.zone,
        temperature=4,
        unit="c",
        humidity_pct=45,
    )

    assert event_of(crew, now=NOW + MINUTE) == ("TENTATIVE", 1)
    assert Reading.objects.count() == 2  # both stay
    for _time in range(3):
        states.refresh_due(now=NOW + MINUTE)
        work_owed(now=NOW + MINUTE)
    (mail,) = [email.message_from_bytes(path.read_bytes()) for path in tmp_path.glob("*.eml")]
    assert mail["Subject"] == f"{room.name} is held again by room conditions"
    assert f"http://localhost:8000/rooms/{room.pk}/" in mail.get_payload(decode=True).decode()
    assert Message.objects.get().sent_at == NOW + MINUTE


def event_of(crew, *, now=NOW):
    feeds.renew(crew, now=now)
    (event,) = events(bytes(CrewFeed.objects.get(crew=crew).body))
    return shown(event)[:2]


DAYS = [THURSDAY + n * DAY for n in (0, 1, 4, 5)]
ACTS = st.lists(
    st.one_of(
        st.tuples(
            st.just("give"),
            st.integers(0, 1),
            st.integers(0, 1),
            st.sampled_from(DAYS),
            st.sampled_from([2, 8, 12]),
        ),
        st.tuples(st.just("back"), st.integers(0, 1)),
        st.tuples(st.just("flip"), st.integers(0, 1)),
    ),
    min_size=3,
    max_size=8,
)


def test_no_calendar_contradicts_the_plan_in_force(boss):
    """After any acts of a manager: each shift in force is in its crew's calendar, firm as its room, and no other."""
    both = [make.crew(), make.crew()]
    rooms = [waiting_room(boss) for _ in range(2)]

    @settings(max_examples=6, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
    @given(ACTS)
    def calendars_agree(acts):
        with transaction.atomic():
            reports, last = {}, {}
            for number, (kind, which, *rest) in enumerate(acts, start=1):
                now = NOW + number * MINUTE
                room, ceiling = rooms[which]
                try:
                    with transaction.atomic():
                        if kind == "give":
                            give(boss, room, both[rest[0]], on=rest[1], hours=rest[2], now=now)
                        elif kind == "back":
                            take_back(boss, room, now=now)
                        elif which in reports:
                            not_done(boss, reports.pop(which), now=now)
                        else:
                            reports[which] = done(boss, ceiling, now=now)
                except ValidationError:
                    pass  # a crew that has another room then, or a room without a day: nothing was given
                for crew in both:
                    agree(crew, [room for room, _ceiling in rooms], now=now)
                for event in FeedEvent.objects.all():
                    before = last.get(event.pk, event)
                    assert event.sequence >= before.sequence
                    assert event.revised_at >= before.revised_at
                    last[event.pk] = event
            transaction.set_rollback(True)

    calendars_agree()


def agree(crew, rooms, *, now):
    feeds.renew(crew, now=now)
    body = bytes(CrewFeed.objects.get(crew=crew).body)
    planned = planned_for([room.pk for room in rooms])
    in_force = {
        (f"{one.assignment}-{number}@feeds.setday.example", start, end): room
        for room, one in planned.items()
        if one.crew == crew.pk
        for number, (start, end) in enumerate(one.shifts, start=1)
    }
    rows = {uid_of(row): row for row in FeedEvent.objects.filter(assignment__crew=crew)}
    shows = {}
    for event in events(body):
        status, _sequence, _title = shown(event)
        if status != "CANCELLED":
            row = rows[event.value("UID")]
            shows[event.value("UID"), row.start_at, row.end_at] = status
    assert set(shows) == set(in_force)
    for key, room in in_force.items():
        is_fit = states.judge([room], now=now)[room].answer.fit_to_send
        assert shows[key] == ("CONFIRMED" if is_fit else "TENTATIVE")


# ---- several managers and crew leads at once


@pytest.mark.django_db(transaction=True)
def test_two_managers_cannot_give_a_room_to_two_crews():
    ada, bo = make.manager(), make.manager()
    one, two = make.crew(), make.crew()
    for number in range(3):
        room, _ceiling = waiting_room(ada)
        first_on = THURSDAY + number * timedelta(weeks=1)

        came = together(
            lambda room=room, on=first_on: give(ada, room, one, on=on),
            lambda room=room, on=first_on: give(bo, room, two, on=on),
        )

        (told,) = errors(came)
        assert isinstance(told, AlreadyDone)
        latest = {}
        for day in DayGiven.objects.filter(assignment__room=room).order_by("recorded_at", "pk"):
            latest[day.assignment_id] = day
        assert sum(bool(day.shifts) for day in latest.values()) == 1


@pytest.mark.django_db(transaction=True)
def test_two_managers_cannot_book_a_crew_twice():
    ada, bo = make.manager(), make.manager()
    crew = make.crew()
    for number in range(3):
        first, second = waiting_room(ada)[0], waiting_room(ada)[0]
        first_on = THURSDAY + number * timedelta(weeks=1)

        came = together(
            lambda room=first, on=first_on: give(ada, room, crew, on=on),
            lambda room=second, on=first_on: give(bo, room, crew, on=on),
        )

        (told,) = errors(came)
        assert isinstance(told, ValidationError)
        assert "first_on" in told.error_dict
        assert len(planned_for([first.pk, second.pk])) == 1


def test_who_waited_for_another_manager_is_told_if_the_other_day_is_the_later_one(boss):
    quicker = make.manager(name="Bo Holm")
    room, _ceiling = waiting_room(boss)
    give(quicker, room, make.crew(), now=NOW + MINUTE)

    with pytest.raises(AlreadyDone, match="Bo Holm was quicker"):
        give(boss, room, make.crew(), now=NOW)
    with pytest.raises(AlreadyDone, match="Bo Holm was quicker"):
        take_back(boss, room, now=NOW)
    assert Assignment.objects.count() == 1


@pytest.mark.django_db(transaction=True)
def test_sheets_are_not_set_while_they_are_taken_back_nor_counted_twice():
    boss = make.manager()
    for _round in range(3):
        room, placement = begun_room(boss)

        came = together(
            lambda room=room, p=placement: handling.set_sheets(make.envelope(boss), room=room, counts={p: 3}),
            lambda p=placement: corrections.take_back(p, make.envelope(boss, reason="another room's")),
        )
        (told,) = errors(came)
        assert isinstance(told, ValidationError), told

        set_here = SheetsSet.objects.filter(room=room).exists()
        assert set_here == Placement.objects.standing().filter(origin=placement.origin).exists()

        room, placement = begun_room(boss)
        came = together(
            *[
                lambda room=room, p=placement: handling.set_sheets(
                    make.envelope(boss), room=room, counts={p: 3}
                )
            ]
            * 2
        )
        assert len(errors(came)) == 1
        assert sum(SheetsSet.objects.filter(room=room).values_list("sheets", flat=True)) == 3


def begun_room(boss):
    """Return a room that was begun while held, and a placement of five sheets for it."""
    room, product = make.room(), make.sheet()
    make.requirement(room, product, 5)
    arrival = deliveries.record_arrival(
        make.envelope(boss, ago=HOUR), zone=room.zone, lines=[deliveries.PlacedLine(product, "A1", 5, room)]
    )
    work.record_began_held(make.envelope(boss, ago=HOUR, reason="in haste"), room=room, crew=None)
    return room, Placement.objects.get(arrival=arrival)
