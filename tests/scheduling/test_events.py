"""The calendar events of an assignment: their words from the room's state, and what a revision writes."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.db import connection
from django.utils import translation

from jobs.facts import raise_versions
from jobs.services import seen
from materials.models import Placement
from materials.services import deliveries, sheets
from scheduling import states
from scheduling.events import stored_event, uid_of
from scheduling.models import CrewFeed, FeedEvent
from scheduling.services import handling, work
from tests import make
from tests.conftest import NOW
from tests.scheduling.rooms import HOUR, THURSDAY, done, give, pass_prep, promised_room, take_back
from tests.threads import At

pytestmark = pytest.mark.django_db
MINUTE = timedelta(minutes=1)


@pytest.fixture
def boss():
    return make.manager(name="Ada Holm")


@pytest.fixture
def crew():
    return make.crew(name="Heron")


def lines(*, now=NOW, ordinal=1):
    """Return the text of an event, by line, without the link at its end."""
    states.refresh_due(now=now)
    *text, link = FeedEvent.objects.get(ordinal=ordinal).description.split("\n")
    assert link.startswith("Open: http://localhost:8000/rooms/")
    return text


def rested_in_part(boss, room, *, hours):
    """Bring five inspected sheets for a room that have rested so long by readings every two hours, up to now."""
    product = make.sheet()
    make.requirement(room, product, 5)
    arrival = deliveries.record_arrival(
        make.envelope(boss, ago=hours * HOUR),
        zone=room.zone,
        lines=[deliveries.PlacedLine(product, "A1", 5, room)],
    )
    placement = Placement.objects.get(arrival=arrival)
    sheets.open_placement(make.envelope(boss, ago=hours * HOUR), placement=placement)
    handling.inspect(
        make.envelope(boss, ago=HOUR), placement=placement, inspected=5, rejects={}, mark_seen=True
    )
    for ago in range(hours, -1, -2):
        read(boss, room, ago=ago * HOUR)


def read(boss, room, *, temperature=21, **envelope):
    return seen.record_reading(
        make.envelope(boss, **envelope), zone=room.zone, temperature=temperature, unit="c", humidity_pct=45
    )


def test_a_rest_that_runs_is_told_by_the_instant_at_which_it_is_full(boss, crew):
    room, ceiling, _day = promised_room(boss, crew)
    done(boss, ceiling)
    rested_in_part(boss, room, hours=10)

    # 14 of 24 hours are left: 09:00 UTC and 14 h is 01:00 on Thursday in Paris.
    assert lines()[0] == "Held by rest, forecast clear Thu 11 Jun 01:00."
    assert not any("in doubt" in line for line in lines())


def test_readings_that_come_by_themselves_leave_the_calendar_as_it_is(boss, crew):
    room, ceiling, _day = promised_room(boss, crew)
    done(boss, ceiling)
    rested_in_part(boss, room, hours=10)
    states.refresh_due(now=NOW)
    before = FeedEvent.objects.values().get()

    for minutes in range(5, 65, 5):
        read(boss, room, now=NOW + minutes * MINUTE)
        states.refresh_due(now=NOW + minutes * MINUTE)

    assert "Next: Log a reading (crew lead)." in before["description"]
    assert FeedEvent.objects.values().get() == before


def test_a_rest_that_stands_still_is_told_by_what_is_left_of_it_and_puts_the_day_in_doubt(boss, crew):
    room, ceiling, _day = promised_room(boss, crew)
    done(boss, ceiling)
    rested_in_part(boss, room, hours=10)
    read(boss, room, temperature=12, now=NOW + MINUTE)

    text = lines(now=NOW + MINUTE)

    # Proven 10 h by the reading at 09:00 UTC; the shift begins 05:00 UTC on Thursday, 14 h before that is 15:00.
    assert text[0] == "Held by rest, 14 h still to rest."
    assert "The day is in doubt if the rest is not running again by Wed 10 Jun 17:00." in text


def test_a_forecast_past_the_start_puts_the_day_in_doubt_and_moves_nothing(boss, crew):
    room, ceiling, _day = promised_room(boss, crew)
    before = FeedEvent.objects.count()
    states.refresh_due(now=NOW)
    start = FeedEvent.objects.get().start_at
    seen.report_milestone(make.envelope(boss), milestone=ceiling, is_done=False, expected_at=NOW + 48 * HOUR)

    text = lines()

    assert text[0] == "Held by work by others, forecast clear Fri 12 Jun 11:00."
    assert text[1] == "The day is in doubt: the forecast is after the planned start."
    assert (FeedEvent.objects.get().start_at, before) == (start, 0)
    assert room.pk


def test_the_next_act_is_told_with_who_and_its_last_moment(boss, crew):
    room, ceiling, _day = promised_room(boss, crew)
    done(boss, ceiling)
    seen.record_wetting(make.envelope(boss), room=room)

    (following,) = [line for line in lines() if line.startswith("Next: ")]

    # Quarter of an hour for each of the room's checks, inside the shift that ends 15:30 the day before.
    checks = len(seen.needed_checks(room))
    latest = timedelta(hours=15, minutes=30) - checks * timedelta(minutes=15)
    hours, minutes = divmod(int(latest.total_seconds()) // 60, 60)
    assert following.startswith("Next: Check ")
    assert following.endswith(f"(crew lead), latest Wed 10 Jun {hours:02}:{minutes:02}.")


def test_a_room_that_nothing_holds_is_released_then_begun_then_finished(boss, crew):
    room, ceiling, _day = promised_room(boss, crew)
    done(boss, ceiling)
    assert lines() == ["Released. Nothing holds this room."]

    work.start_room(make.envelope(boss, now=NOW + MINUTE), room=room, crew=crew)
    assert lines(now=NOW + MINUTE) == ["Begun Wed 10 Jun 11:01."]

    work.finish_room(make.envelope(boss, now=NOW + HOUR), room=room)
    assert lines(now=NOW + HOUR) == ["Finished Wed 10 Jun 12:00."]
    assert FeedEvent.objects.get().status == "CONFIRMED"
    assert FeedEvent.objects.get().sequence == 0


def test_nothing_in_an_event_moves_with_the_clock_alone(boss, crew):
    room, ceiling, _day = promised_room(boss, crew)
    done(boss, ceiling)
    rested_in_part(boss, room, hours=10)
    states.refresh_due(now=NOW)
    first = FeedEvent.objects.values().get()

    for minutes in range(10, 120, 10):
        # A fact of the job that says nothing of this room: each time it is judged anew.
        raise_versions([room.pk], now=NOW + minutes * MINUTE)
        states.refresh_due(now=NOW + minutes * MINUTE)

    assert FeedEvent.objects.values().get() == first


def test_a_revision_never_takes_back_that_an_event_was_served(boss, crew):
    room, ceiling, _day = promised_room(boss, crew)
    states.refresh_due(now=NOW)
    done(boss, ceiling, now=NOW + MINUTE)
    # Somebody fetches the calendar after the revision has read the event and before it writes it.
    fetched = At("INSERT", "scheduling_feedevent", do=lambda: FeedEvent.objects.update(was_served=True))

    with connection.execute_wrapper(fetched):
        states.refresh_due(now=NOW + MINUTE)

    event = FeedEvent.objects.get()
    assert (event.sequence, event.was_served) == (1, True)
    assert stored_event(event).served
    assert uid_of(event) == f"{event.assignment_id}-1@feeds.setday.example"
    assert room.pk


def test_a_change_marks_the_feeds_that_show_it_and_no_other(boss, crew):
    other = make.crew()
    _room, ceiling, _day = promised_room(boss, crew)
    states.refresh_due(now=NOW)
    for one in (crew, other):
        CrewFeed.objects.create(crew=one, rendered_at=NOW)

    done(boss, ceiling)
    states.refresh_due(now=NOW)

    rendered = dict(CrewFeed.objects.values_list("crew", "rendered_at"))
    assert rendered == {crew.pk: None, other.pk: NOW}


def test_events_are_written_in_the_feeds_language_whoever_looks(boss, crew):
    _room, ceiling, _day = promised_room(boss, crew)
    with translation.override("de"):
        states.refresh_due(now=NOW)

    assert FeedEvent.objects.get().summary.startswith("Held: ")
    assert "Wed 10 Jun" in lines_after(boss, ceiling)


def lines_after(boss, ceiling):
    with translation.override("fr"):
        seen.report_milestone(
            make.envelope(boss, now=NOW + MINUTE),
            milestone=ceiling,
            is_done=False,
            expected_at=NOW + 2 * HOUR,
        )
        states.refresh_due(now=NOW + MINUTE)
    return FeedEvent.objects.get().description


def test_days_given_taken_back_and_given_again_keep_their_ordinals(boss, crew):
    room, _ceiling, _day = promised_room(boss, crew, crew_hours=16)
    states.refresh_due(now=NOW)
    FeedEvent.objects.update(was_served=True)

    take_back(boss, room, now=NOW + MINUTE)
    states.refresh_due(now=NOW + MINUTE)
    gone = dict(FeedEvent.objects.values_list("ordinal", "summary"))
    give(boss, room, crew, on=THURSDAY, now=NOW + 2 * MINUTE, hours=20)
    states.refresh_due(now=NOW + 2 * MINUTE)

    beside = f"{room.name}, Kitchens"
    assert gone == {n: f"Cancelled: {beside}, day {n} of 2" for n in (1, 2)}
    back = list(FeedEvent.objects.order_by("ordinal").values_list("ordinal", "sequence", "summary"))
    assert back == [(n, s, f"Held: {beside}, day {n} of 3") for n, s in ((1, 2), (2, 2), (3, 0))]


def test_the_checks_of_a_room_can_be_passed_again_after_water(boss, crew):
    room, ceiling, _day = promised_room(boss, crew)
    done(boss, ceiling)
    seen.record_wetting(make.envelope(boss), room=room)
    assert lines()[0].startswith("Held by substrate")

    pass_prep(boss, room, now=NOW + MINUTE, ago=timedelta(0))

    assert lines(now=NOW + MINUTE) == ["Released. Nothing holds this room."]
