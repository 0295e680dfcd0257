"""Recording a fact: once by its id, never edited, corrected by a later one, and all that follows with it."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from django.core.exceptions import ValidationError

from jobs.facts import AlreadyDone, SaidOtherwise, is_repeat, raise_versions, record, standing, withdraw
from jobs.models import Entry, Outbox, Reading, Room, Wetting
from jobs.services import seen
from materials.models import Inspection, Placement, Reject
from materials.services import deliveries
from materials.services.sheets import bring_lot
from tests import make
from tests.conftest import NOW
from tests.threads import errors, together

pytestmark = pytest.mark.django_db
MINUTE = timedelta(minutes=1)


@pytest.fixture
def boss():
    return make.manager()


@pytest.fixture
def room():
    return make.room()


def read(envelope, zone, *, temperature=21.0):
    return seen.record_reading(envelope, zone=zone, temperature=temperature, unit="c", humidity_pct=45)


def versions():
    return dict(Room.objects.values_list("pk", "facts_version"))


# ---- recording


def test_a_fact_raises_the_version_of_every_room_it_touches_and_of_no_other(boss, room):
    beside, elsewhere = make.room(zone=room.zone), make.room()

    read(make.envelope(boss), room.zone)

    assert versions() == {room.pk: 1, beside.pk: 1, elsewhere.pk: 0}
    assert Room.objects.get(pk=room.pk).facts_at == NOW
    assert Room.objects.get(pk=elsewhere.pk).facts_at is None


def test_with_a_fact_come_its_line_of_history_and_the_push_that_is_owed(boss, room):
    envelope = make.envelope(boss, ago=MINUTE, said_by=" site agent, by phone ")

    fact = read(envelope, room.zone)

    entry = Entry.objects.get()
    assert (entry.fact, entry.kind, entry.job) == (fact.pk, "jobs.reading", room.job)
    assert (entry.happened_at, entry.recorded_at) == (NOW - MINUTE, NOW)
    assert (entry.recorded_by, entry.said_by) == (boss, "site agent, by phone")
    assert list(entry.rooms.all()) == [room]
    assert Outbox.objects.get().key == f"facts_changed/{fact.pk}"
    assert fact.origin == fact.pk == envelope.id


def test_instants_are_kept_in_whole_seconds(boss, room):
    fact = read(make.envelope(boss, at=datetime(2026, 6, 10, 8, 59, 59, 999_999, tzinfo=UTC)), room.zone)

    assert Reading.objects.get(pk=fact.pk).happened_at == datetime(2026, 6, 10, 8, 59, 59, tzinfo=UTC)


def test_the_same_act_again_changes_nothing_and_answers_the_same(boss, room):
    envelope = make.envelope(boss)
    first = read(envelope, room.zone)
    before = (versions(), Entry.objects.count(), Outbox.objects.count())

    again = read(replace(envelope, now=NOW + MINUTE), room.zone)

    assert again == first
    assert again.recorded_at == NOW
    assert is_repeat(Reading, envelope)
    assert (versions(), Entry.objects.count(), Outbox.objects.count()) == before


def test_the_same_id_with_other_values_is_told_and_the_first_stands(boss, room):
    envelope = make.envelope(boss)
    read(envelope, room.zone)

    with pytest.raises(SaidOtherwise):
        read(envelope, room.zone, temperature=20.0)
    with pytest.raises(SaidOtherwise):
        read(replace(envelope, happened_at=NOW - MINUTE), room.zone)
    with pytest.raises(ValidationError, match="something else"):
        seen.record_wetting(envelope, room=room)

    assert Reading.objects.get().temperature == 21.0


@pytest.mark.parametrize(
    ("at", "is_refused"),
    [
        (NOW + 5 * MINUTE, False),
        (NOW + 5 * MINUTE + timedelta(seconds=1), True),
        (datetime(2000, 1, 1, tzinfo=UTC), False),
        (datetime(1999, 12, 31, 23, 59, 59, tzinfo=UTC), True),
    ],
)
def test_a_time_to_come_is_refused_beyond_what_a_phones_clock_is_off(boss, room, at, is_refused):
    if not is_refused:
        assert read(make.envelope(boss, at=at), room.zone).happened_at == at
        return
    with pytest.raises(ValidationError) as refused:
        read(make.envelope(boss, at=at), room.zone)
    assert list(refused.value.error_dict) == ["happened_at"]
    assert versions() == {room.pk: 0}


def test_a_closed_job_takes_nothing_more(boss, room):
    room.job.closed_at = NOW
    room.job.save()

    with pytest.raises(ValidationError, match="closed"):
        read(make.envelope(boss), room.zone)


def test_what_fails_half_way_leaves_nothing(boss, room):
    product = make.sheet()
    make.requirement(room, product, 3)
    arrival = deliveries.record_arrival(
        make.envelope(boss), zone=room.zone, lines=[deliveries.PlacedLine(product, "A1", 3, room)]
    )
    placement = Placement.objects.get(arrival=arrival)
    before = (versions(), Entry.objects.count(), Outbox.objects.count())
    inspection = Inspection(placement=placement, inspected=3, mark_seen=True)
    envelope = make.envelope(boss)
    inspection.id = envelope.id
    impossible = Reject(id=make.ident(), inspection=inspection, kind="chip", sheets=0)

    with pytest.raises(Exception, match="reject_is_some"):
        record(inspection, envelope, parts=[impossible])

    assert (versions(), Entry.objects.count(), Outbox.objects.count()) == before


# ---- correcting


def test_a_correction_stands_in_the_place_of_the_first_which_stays(boss, room):
    first = read(make.envelope(boss), room.zone)
    second = read(
        make.envelope(boss, now=NOW + MINUTE, supersedes=first, reason="misread"), room.zone, temperature=19
    )

    assert second.origin == first.pk
    assert list(Reading.objects.standing()) == [second]
    assert standing(Reading, first.pk) == second
    assert Reading.objects.get(pk=first.pk).temperature == 21.0
    line = Entry.objects.get(pk=second.pk)
    assert (line.supersedes_id, line.reason) == (first.pk, "misread")
    assert versions() == {room.pk: 2}
    assert Room.objects.get().facts_at == NOW + MINUTE


def test_only_what_stands_is_corrected_and_by_one(boss, room):
    first = read(make.envelope(boss), room.zone)
    read(make.envelope(boss, supersedes=first), room.zone, temperature=19)

    with pytest.raises(AlreadyDone):
        read(make.envelope(boss, supersedes=first), room.zone, temperature=18)
    with pytest.raises(AlreadyDone):
        withdraw(first, make.envelope(boss, reason="wrong"))


def test_a_correction_speaks_of_the_same_thing(boss, room):
    first = read(make.envelope(boss), room.zone)

    with pytest.raises(ValidationError, match="same thing"):
        read(make.envelope(boss, supersedes=first), make.zone(job=room.job))


def test_taking_back_needs_a_reason_and_leaves_both(boss, room):
    first = read(make.envelope(boss, said_by="site agent"), room.zone)
    with pytest.raises(ValidationError) as refused:
        withdraw(first, make.envelope(boss, reason="  "))
    assert list(refused.value.error_dict) == ["reason"]

    back = withdraw(first, make.envelope(boss, now=NOW + MINUTE, reason="another zone"))

    assert list(Reading.objects.standing()) == []
    assert standing(Reading, first.pk) is None
    assert (back.withdraws, back.temperature, back.happened_at, back.said_by) == (
        True,
        21.0,
        NOW,
        "site agent",
    )
    with pytest.raises(AlreadyDone):
        read(make.envelope(boss, supersedes=back), room.zone)


def test_a_correction_that_moves_a_fact_touches_where_it_was_and_where_it_is(boss, room):
    other = make.room(zone=room.zone)
    lot = brought(boss, room)
    assert versions() == {room.pk: 1, other.pk: 0}
    make.need(other, lot.product, 1)

    withdraw(lot, make.envelope(boss, reason="it was for the other room"))

    assert versions() == {room.pk: 2, other.pk: 1}


def brought(boss, room):
    glue = make.adhesive()
    make.need(room, glue, 1)
    return bring_lot(
        make.envelope(boss), job=room.job, room=room, product=glue, quantity=1, good_through=None
    )


# ---- several at once


@pytest.mark.django_db(transaction=True)
def test_the_same_act_sent_twice_at_once_is_recorded_once():
    boss, room = make.manager(), make.room()

    for _round in range(3):
        envelope = make.envelope(boss)
        came = together(*[lambda envelope=envelope: seen.record_wetting(envelope, room=room)] * 3)
        assert errors(came) == []
        assert {fact.pk for fact in came} == {envelope.id}

    assert Wetting.objects.count() == Entry.objects.count() == 3
    assert versions() == {room.pk: 3}


@pytest.mark.django_db(transaction=True)
def test_of_two_who_correct_the_same_fact_one_is_told():
    boss, room = make.manager(), make.room()
    first = seen.record_wetting(make.envelope(boss, ago=MINUTE), room=room)

    came = together(
        *[
            lambda: seen.record_wetting(make.envelope(boss, ago=2 * MINUTE, supersedes=first), room=room),
            lambda: withdraw(first, make.envelope(boss, reason="it was dry")),
        ]
    )

    (told,) = errors(came)
    assert isinstance(told, AlreadyDone)
    assert Wetting.objects.count() == 2


@pytest.mark.django_db(transaction=True)
def test_versions_of_the_same_rooms_are_raised_in_one_order_and_lose_none():
    rooms = [make.room().pk for _ in range(4)]

    came = together(
        *[lambda keys=keys: raise_versions(keys, now=NOW) for keys in (rooms, rooms[::-1], rooms[1:], rooms)]
    )

    assert errors(came) == []
    assert sorted(versions().values()) == [3, 4, 4, 4]


def test_a_request_that_was_a_second_slower_does_not_turn_the_instant_back(room):
    raise_versions([room.pk], now=NOW + MINUTE)
    raise_versions([room.pk], now=NOW)

    assert Room.objects.get().facts_at == NOW + MINUTE
