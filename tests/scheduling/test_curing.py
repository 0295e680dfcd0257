"""The air after the setting, in the stored state of a room and in word to people; hours worked by hand."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal

import pytest

from jobs.core.logger_values import Reading as ReadOut
from jobs.facts import withdraw
from jobs.models import Job
from jobs.services import seen
from jobs.services.loggers import state_clock
from jobs.services.readings import Source, store_readings
from materials.services import deliveries
from materials.services.sheets import bring_lot
from scheduling import states
from scheduling.curing import cure_from_json
from scheduling.models import Message, RoomState
from scheduling.pages.morning import morning_page
from scheduling.pages.room import room_page
from scheduling.pages.today import today_page
from scheduling.printing import plain
from scheduling.services import handling, work
from tests import make
from tests.conftest import NOW
from tests.scheduling.rooms import HOUR, done, promised_room

pytestmark = pytest.mark.django_db
DAY = 24 * HOUR


@pytest.fixture
def boss():
    return make.manager(name="Ada Holm")


@pytest.fixture
def lead():
    return make.crew_lead(name="Ben Tor")


@pytest.fixture
def room(boss, lead):
    """Return a room begun at NOW whose adhesive cures for a day between 10 and 30 °C and 20 and 70 %."""
    room, ceiling, _day = promised_room(boss, make.crew(lead))
    done(boss, ceiling)
    glue = make.adhesive(cure_s=86_400, no_washing_s=3 * 86_400, no_cooling_s=2 * 86_400)
    make.need(room, glue, 1)
    bring(boss, room, glue)
    read(boss, room, at=NOW)
    states.refresh_due(now=NOW)
    work.start_room(make.envelope(boss), room=room, crew=None)
    return room


def bring(boss, room, glue):
    envelope = make.envelope(boss, ago=HOUR)
    bring_lot(envelope, job=room.job, room=room, product=glue, quantity=Decimal(2), good_through=None)


def read(boss, room, *, at, t_c=20.0, rh_pct=45.0):
    return seen.record_reading(
        make.envelope(boss, now=at), zone=room.zone, temperature=t_c, unit="c", humidity_pct=rh_pct
    )


def cure(room, *, now):
    states.refresh_due(now=now)
    return cure_from_json(RoomState.objects.get(room=room).watch["cure"])


def told(room, kind):
    return sorted(
        Message.objects.filter(room=room, key__startswith=f"{kind}/").values_list("person__name", flat=True)
    )


def test_a_begun_room_is_watched_until_its_adhesive_has_cured(boss, room):
    one = cure(room, now=NOW + HOUR)
    assert (one.state, one.until_at, one.upset_since) == ("curing", NOW + DAY, None)
    assert RoomState.objects.get(room=room).good_until is not None

    assert cure(room, now=NOW + DAY).state == "cured"


def test_air_that_leaves_the_setting_band_is_told_once_to_managers_and_the_crew(boss, room):
    cold = read(boss, room, at=NOW + 3 * HOUR, t_c=6)
    assert cure(room, now=NOW + 3 * HOUR).upset_since == NOW + 3 * HOUR
    read(boss, room, at=NOW + 4 * HOUR, t_c=5)
    assert cure(room, now=NOW + 4 * HOUR).upset_since == NOW + 3 * HOUR
    assert told(room, "cure") == ["Ada Holm", "Ben Tor"]

    read(boss, room, at=NOW + 5 * HOUR)
    assert cure(room, now=NOW + 5 * HOUR).upset_since is None
    # A correction of the past takes it away; who was told, was told.
    withdraw(cold, make.envelope(boss, now=NOW + 5 * HOUR, reason="held in the hand"))
    assert cure(room, now=NOW + 5 * HOUR).upset_since is None
    assert told(room, "cure").count("Ben Tor") == 2


def test_the_hours_count_from_the_last_sheet_and_a_finished_room_says_what_must_wait(boss, room):
    read(boss, room, at=NOW + 6 * HOUR)
    work.finish_room(make.envelope(boss, now=NOW + 6 * HOUR), room=room)

    one = cure(room, now=NOW + 6 * HOUR)

    assert one.until_at == NOW + 6 * HOUR + DAY
    assert (one.washing_from, one.cooling_from) == (NOW + 6 * HOUR + 3 * DAY, NOW + 6 * HOUR + 2 * DAY)
    assert told(room, "waits") == ["Ada Holm", "Ben Tor"]


@pytest.mark.parametrize(("counted", "last_at"), [(3, NOW + 6 * HOUR), (4, NOW + 2 * HOUR)])
def test_sheets_that_nobody_counted_may_have_been_set_until_the_finish(boss, room, counted, last_at):
    product = make.sheet()
    make.requirement(room, product, 4)
    came = [deliveries.PlacedLine(product, "B1", 4, room)]
    deliveries.record_arrival(make.envelope(boss, ago=HOUR), zone=room.zone, lines=came)
    seen_at = make.envelope(boss, now=NOW + 2 * HOUR)
    handling.set_sheets(seen_at, room=room, counts={room.placements.get(): counted})
    read(boss, room, at=NOW + 6 * HOUR)
    work.finish_room(make.envelope(boss, now=NOW + 6 * HOUR), room=room)

    assert cure(room, now=NOW + 6 * HOUR).until_at == last_at + DAY


def test_one_bad_reading_is_told_as_one(boss, room):
    read(boss, room, at=NOW + 3 * HOUR, t_c=6.5, rh_pct=80)

    (spell,) = page(room, boss, now=NOW + 3 * HOUR).spells

    assert words(spell.detail) == "6.5 °C and 80 % were read, outside the setting band."


def test_a_room_whose_labels_ask_for_nothing_is_not_watched(boss):
    room, ceiling, _day = promised_room(boss, make.crew())
    done(boss, ceiling)
    states.refresh_due(now=NOW)
    work.start_room(make.envelope(boss), room=room, crew=None)

    assert cure(room, now=NOW + timedelta(minutes=1)) is None


def test_the_first_cold_reading_after_the_cure_troubles_nobody(boss, room):
    read(boss, room, at=NOW + 12 * HOUR)
    read(boss, room, at=NOW + DAY + HOUR, t_c=4)

    assert cure(room, now=NOW + DAY + HOUR).upset_since is None
    assert told(room, "cure") == []


def page(room, boss, *, now):
    states.refresh_due(now=now)
    return room_page(room, boss, may_record=True, may_record_site=True, now=now).cure


def words(said):
    return plain(said, zone="Europe/Paris", now=NOW)


def test_the_page_of_a_room_tells_each_spell_and_whom_to_tell_what_must_wait(boss, room):
    room.job.site_agent = "Site office"
    room.job.save()
    read(boss, room, at=NOW + 3 * HOUR, t_c=6.5)
    read(boss, room, at=NOW + 4 * HOUR, t_c=8)
    shown = page(room, boss, now=NOW + 4 * HOUR)
    assert words(shown.trouble) == "The air is out of the setting band since Wed 10 Jun 14:00."

    read(boss, room, at=NOW + 5 * HOUR)
    work.finish_room(make.envelope(boss, now=NOW + 5 * HOUR), room=room)
    shown = page(room, boss, now=NOW + 5 * HOUR)

    assert shown.trouble is None
    (spell,) = shown.spells
    assert words(spell.fact) == "Out of the setting band until Wed 10 Jun 16:00."
    assert words(spell.detail).startswith("6.5 to 8.0 °C")
    # 5 h after NOW (11:00 in Paris) and 72 h, and 48 h.
    assert words(shown.waits) == (
        "Not washed down before Sat 13 Jun 16:00. Not cooled below its band before Fri 12 Jun 16:00."
    )
    assert words(shown.tell) == "Tell Site office."


def test_a_page_long_after_still_tells_what_happened_and_asks_nobody_to_wait(boss, room):
    read(boss, room, at=NOW + 3 * HOUR, t_c=6.5)
    read(boss, room, at=NOW + 5 * HOUR)
    work.finish_room(make.envelope(boss, now=NOW + 6 * HOUR), room=room)

    shown = page(room, boss, now=NOW + 300 * DAY)

    assert (shown.waits, len(shown.spells)) == (None, 1)


def test_a_room_that_waits_has_no_such_part(boss):
    room, _ceiling, _day = promised_room(boss, make.crew())

    assert page(room, boss, now=NOW) is None


def test_the_crew_sees_its_curing_rooms_until_nothing_must_wait(boss, lead, room):
    read(boss, room, at=NOW + 3 * HOUR, t_c=6)
    states.refresh_due(now=NOW + 3 * HOUR)
    (line,) = today_page(lead, now=NOW + 3 * HOUR).curing
    assert "the air is out of the setting band since Wed 10 Jun 14:00" in words(line.fact)
    assert line.risk

    read(boss, room, at=NOW + 4 * HOUR)
    states.refresh_due(now=NOW + 2 * DAY)
    (line,) = today_page(lead, now=NOW + 2 * DAY).curing
    assert words(line.fact).endswith(": cured.")
    assert words(line.detail).startswith("Not washed down before Sat 13 Jun 11:00.")

    states.refresh_due(now=NOW + 3 * DAY)
    assert today_page(lead, now=NOW + 3 * DAY).curing == ()


def test_the_morning_names_the_room_until_its_air_is_back_in_band(boss, room):
    def notes(now):
        states.refresh_due(now=now)
        return [words(note.title) for note in morning_page(boss, Job.objects.all(), now=now).upset]

    read(boss, room, at=NOW + 3 * HOUR, t_c=6)
    assert notes(NOW + 3 * HOUR) == [
        f"The air of {room.name} is out of the setting band while its adhesive cures"
    ]

    read(boss, room, at=NOW + 4 * HOUR)
    assert notes(NOW + 4 * HOUR) == []


def test_the_cure_is_told_by_what_a_logger_meant_not_by_its_clock(boss, room):
    air = ReadOut(NOW + 2 * HOUR, 6.0, "c", 45.0, 2)
    store_readings([air], zone=room.zone, source=Source("l.csv", "0" * 64, "L3"), by=boss, now=NOW + 6 * HOUR)
    state_clock(
        make.envelope(boss, now=NOW + 6 * HOUR), zone=room.zone, logger="L3", from_at=NOW, offset=3 * HOUR
    )

    # It said two hours after the first sheet; its clock is three hours slow.
    assert cure(room, now=NOW + 6 * HOUR).upset_since == NOW + 5 * HOUR
