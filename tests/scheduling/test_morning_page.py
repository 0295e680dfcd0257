"""What of the acts that keep the days is due today, on the manager's morning."""

from __future__ import annotations

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from jobs.models import Entry, Job
from jobs.services import seen
from scheduling import states
from scheduling.models import RoomState
from scheduling.pages.morning import back_on_site, morning_page
from scheduling.pages.room import history_line
from scheduling.printing import plain
from tests import make
from tests.conftest import NOW
from tests.scheduling.rooms import promised_room

PARIS = ZoneInfo("Europe/Paris")
WEEKDAYS = {day: [["06:30", "18:00"]] for day in ("mon", "tue", "wed", "thu", "fri")}


@pytest.mark.parametrize(
    ("week", "now", "back"),
    [
        # 10 June 2026 is a Wednesday; Paris is two hours ahead of UTC.
        pytest.param(WEEKDAYS, "2026-06-10T09:00Z", "2026-06-11T04:30Z", id="tomorrow"),
        pytest.param(WEEKDAYS, "2026-06-12T09:00Z", "2026-06-15T04:30Z", id="after-the-week-end"),
        pytest.param(WEEKDAYS, "2026-06-10T22:00Z", "2026-06-12T04:30Z", id="midnight-at-the-site"),
        # The clocks go back on Sunday 25 October 2026: Monday's 06:30 is an hour later in UTC.
        pytest.param(WEEKDAYS, "2026-10-23T09:00Z", "2026-10-26T05:30Z", id="clock-change"),
        pytest.param({}, "2026-06-10T09:00Z", "2026-06-10T22:00Z", id="nobody-is-let-in"),
    ],
)
def test_what_has_to_be_done_before_anybody_is_back_is_due_today(week, now, back):
    found = back_on_site(week, PARIS, now=datetime.fromisoformat(now))

    assert found == datetime.fromisoformat(back)


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("before_opening", "due"),
    [
        pytest.param(timedelta(seconds=1), True, id="in-the-night"),
        pytest.param(timedelta(0), False, id="at-the-opening"),
    ],
)
def test_an_act_of_the_coming_night_is_an_act_of_today(before_opening, due):
    boss = make.manager()
    crew = make.crew()
    room, _ceiling, _day = promised_room(boss, crew)
    states.refresh_due(now=NOW)
    state = RoomState.objects.get(room=room)
    by = back_on_site(room.job.site.week, PARIS, now=NOW) - before_opening
    state.brief["acts"] = [act | {"latest_at": by.isoformat()} for act in state.brief["acts"]]
    state.save(update_fields=["brief"])

    page = morning_page(boss, Job.objects.all(), now=NOW)

    assert len(state.brief["acts"]) == 1
    assert (page.acts is not None) == due


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("late", "said"),
    [
        pytest.param(timedelta(seconds=59), "Ada", id="as-it-happened"),
        pytest.param(timedelta(minutes=1), "Ada, recorded Wed 10 Jun 11:00", id="later"),
    ],
)
def test_when_a_fact_was_recorded_is_said_where_it_was_later(late, said):
    ada = make.manager(name="Ada")
    room = make.room()
    air = {"temperature": 21, "unit": "c", "humidity_pct": 45}
    reading = seen.record_reading(make.envelope(ada, ago=late), zone=room.zone, **air)

    line = history_line(Entry.objects.get(fact=reading.pk), frozenset())

    assert plain(line.detail, zone="Europe/Paris").replace("\N{NO-BREAK SPACE}", " ") == said
