"""A logger that falls silent: part of the rooms' state, told once, named on the morning page, gone when it speaks."""

from __future__ import annotations

from datetime import timedelta

import pytest

from jobs.core.logger_values import Reading as ReadOut
from jobs.core.posted import Batch, Posted
from jobs.says import from_json
from jobs.services import loggers
from jobs.services.ingest import take
from materials.models import Placement
from materials.services import deliveries, sheets
from scheduling import states
from scheduling.models import Message, RoomState
from scheduling.printing import plain
from scheduling.silence import silences_of
from tests import make
from tests.conftest import NOW

pytestmark = pytest.mark.django_db
MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)
#: What is heard before the silence: a reading every ten minutes until 07:00 UTC, 09:00 in Paris.
LAST = NOW - 2 * HOUR


class Ward:
    """A zone with a room whose panels rest, and the logger that watches them."""

    def __init__(self, *, rests=24 * HOUR, max_gap=4 * HOUR, silent_after=HOUR):
        self.boss = make.manager(name="Ada Holm")
        self.zone = make.zone(name="Ward A")
        self.logger, self.token = loggers.add_logger(
            name="L3", zones=[self.zone], silent_after=silent_after, by=self.boss, now=NOW - 90 * HOUR
        )
        self.sheet = make.sheet(
            rest_required_s=rests.total_seconds(),
            rest_max_gap_s=max_gap.total_seconds(),
            rest_fine_gap_s=HOUR.total_seconds(),
        )
        self.room = self.add_room("Room 1", batch="7")

    def add_room(self, name, *, batch):
        room = make.room(zone=self.zone, name=name)
        make.requirement(room, self.sheet, 4)
        deliveries.record_arrival(
            make.envelope(self.boss, at=LAST - 10 * HOUR, now=LAST - 10 * HOUR),
            zone=self.zone,
            lines=[deliveries.PlacedLine(self.sheet, batch, 6, room)],
        )
        placed = Placement.objects.get(batch=batch)
        envelope = make.envelope(self.boss, at=LAST - 10 * HOUR, now=LAST - 10 * HOUR)
        sheets.open_placement(envelope, placement=placed)
        return room

    def hear(self, *, upto=LAST, count=61, every=10 * MINUTE, t=21.0, now=None):
        rows = [
            Posted(self.zone.pk, ReadOut(upto - every * (count - 1 - n), t + n % 3 / 10, "c", 45.0, n + 1))
            for n in range(count)
        ]
        now = now or max(upto, LAST)
        return take(Batch(tuple(rows)), loggers.sender_of(self.token, now=now), now=now)

    def silent(self, *, now):
        states.refresh_due(now=now)
        return silences_of(RoomState.objects.get(room=self.room).watch)

    def good_until(self):
        return RoomState.objects.get(room=self.room).good_until


@pytest.fixture
def ward():
    ward = Ward()
    ward.hear()
    return ward


def told():
    return [plain(from_json(one.subject), zone="Europe/Paris") for one in Message.objects.order_by("pk")]


def test_it_is_silent_from_its_limit_on_and_the_state_is_good_until_then(ward):
    assert ward.silent(now=LAST) == ()
    assert ward.good_until() == LAST + HOUR

    assert ward.silent(now=LAST + HOUR - timedelta(seconds=1)) == ()
    (one,) = ward.silent(now=LAST + HOUR)

    assert (one.logger, one.zone_name, one.since) == ("L3", "Ward A", LAST)


def test_what_it_will_cost_is_named_with_the_last_moment_that_saves_it(ward):
    (one,) = ward.silent(now=NOW)

    # A gap of four hours is the longest that the rule lets count: read by 07:00 + 4 h UTC, 13:00 in Paris.
    assert one.read_by == LAST + 4 * HOUR
    assert [plain(cost, zone="Europe/Paris") for cost in one.costs] == [
        "the rest of batch 7 is proven only if the air is read by Wed 10 Jun 13:00"
    ]


def test_past_the_last_moment_it_says_that_the_rest_stands_still(ward):
    (one,) = ward.silent(now=LAST + 5 * HOUR)

    assert one.read_by is None
    assert [plain(cost, zone="UTC") for cost in one.costs] == [
        "the rest of batch 7 stands still until it is read"
    ]


def test_it_is_gone_when_it_speaks_again(ward):
    assert ward.silent(now=NOW)

    ward.hear(upto=NOW, count=1)

    assert ward.silent(now=NOW) == ()


def test_a_replay_of_what_was_said_before_is_no_speaking(ward):
    ward.silent(now=NOW)

    assert set(ward.hear(now=NOW)) == {"known"}

    assert ward.silent(now=NOW)


def test_a_clock_that_is_an_hour_slow_is_put_right_first(ward):
    assert ward.silent(now=LAST + HOUR)

    loggers.state_clock(
        make.envelope(ward.boss, now=LAST + HOUR),
        zone=ward.zone,
        logger="L3",
        from_at=LAST - 9 * HOUR,
        offset=HOUR,
    )

    assert ward.silent(now=LAST + HOUR) == ()
    (one,) = ward.silent(now=LAST + 2 * HOUR)
    assert one.since == LAST + HOUR


def test_managers_are_told_once_a_silence(ward):
    ward.add_room("Room 2", batch="8")
    for minutes in range(0, 180, 20):
        states.refresh_due(now=LAST + minutes * MINUTE)

    assert told() == ["Logger L3 in Ward A fell silent"]
    message = Message.objects.get()
    assert message.person == ward.boss
    words = plain(from_json(message.body), zone="Europe/Paris")
    assert "Logger L3 in Ward A silent since Wed 10 Jun 09:00" in words
    assert "the rest of batch 7 is proven only if the air is read by Wed 10 Jun 13:00" in words
    assert "the rest of batch 8 is proven only if the air is read by Wed 10 Jun 13:00" in words


def test_a_further_silence_is_told_again(ward):
    ward.silent(now=NOW)
    ward.hear(upto=NOW, count=1)
    ward.silent(now=NOW)

    ward.silent(now=NOW + HOUR)

    assert told() == ["Logger L3 in Ward A fell silent"] * 2


def test_a_silence_that_nobody_looked_at_is_told_when_somebody_does(ward):
    states.refresh_due(now=LAST)

    states.refresh_due(now=LAST + 30 * HOUR)

    assert told().count("Logger L3 in Ward A fell silent") == 1


def test_where_nothing_rests_a_silence_bothers_nobody(ward):
    empty = make.room(zone=make.zone(name="Hall", job=ward.room.job))
    loggers.edit_logger(ward.logger, zones=[ward.zone, empty.zone], silent_after=HOUR, by=ward.boss, now=LAST)
    row = Posted(empty.zone.pk, ReadOut(LAST, 20.0, "c", 45.0, 1))
    take(Batch((row,)), loggers.sender_of(ward.token, now=LAST), now=LAST)
    states.refresh_due(now=NOW)

    assert silences_of(RoomState.objects.get(room=empty).watch) == ()
    assert told() == ["Logger L3 in Ward A fell silent"]


def test_a_rest_that_is_proven_needs_nobody_to_speak():
    ward = Ward(rests=6 * HOUR)
    ward.hear()

    assert ward.silent(now=NOW) == ()
    assert told() == []


def test_a_wrapped_skid_does_not_rest():
    ward = Ward()
    ward.hear()
    wrapped = make.room(zone=ward.zone)
    make.requirement(wrapped, ward.sheet, 4)
    deliveries.record_arrival(
        make.envelope(ward.boss, at=LAST, now=LAST),
        zone=ward.zone,
        lines=[deliveries.PlacedLine(ward.sheet, "9", 6, wrapped)],
    )
    states.refresh_due(now=NOW)

    assert silences_of(RoomState.objects.get(room=wrapped).watch) == ()
    assert ward.silent(now=NOW)


def test_an_ended_logger_is_silent_for_good(ward):
    assert ward.silent(now=NOW)

    loggers.end_logger(ward.logger, by=ward.boss, now=NOW)

    assert ward.silent(now=NOW) == ()


def test_a_zone_that_was_taken_from_a_logger_is_none_of_its_silence(ward):
    assert ward.silent(now=NOW)

    loggers.edit_logger(ward.logger, zones=[], silent_after=HOUR, by=ward.boss, now=NOW)

    assert ward.silent(now=NOW) == ()


def test_a_longer_patience_ends_a_silence(ward):
    assert ward.silent(now=NOW)

    loggers.edit_logger(ward.logger, zones=[ward.zone], silent_after=3 * HOUR, by=ward.boss, now=NOW)

    assert ward.silent(now=NOW) == ()
    assert ward.silent(now=LAST + 3 * HOUR)


def test_who_never_reported_is_not_silent():
    ward = Ward()

    assert ward.silent(now=NOW) == ()


def test_where_another_logger_still_reports_it_costs_nothing_yet(ward):
    second, token = loggers.add_logger(
        name="L4", zones=[ward.zone], silent_after=6 * HOUR, by=ward.boss, now=LAST
    )
    row = Posted(ward.zone.pk, ReadOut(LAST + MINUTE, 21.0, "c", 45.0, 1))
    take(Batch((row,)), loggers.sender_of(token, now=LAST + MINUTE), now=LAST + MINUTE)

    (one,) = ward.silent(now=NOW)

    assert (one.logger, one.read_by) == ("L3", None)
    assert [plain(cost, zone="UTC") for cost in one.costs] == ["nothing as long as L4 still reports there"]
    loggers.end_logger(second, by=ward.boss, now=NOW)
    (one,) = ward.silent(now=NOW)
    assert one.read_by == LAST + MINUTE + 4 * HOUR
