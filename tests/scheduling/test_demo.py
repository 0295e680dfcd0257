"""The demo: it loads at any instant, and every state that a room can be in is there to be looked at."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from django.core.management import CommandError, call_command
from django.db.models import F

from config.management.commands import serve
from jobs.core.logger_file import read
from jobs.core.worktime import Calendar, parse_week, time_zone
from jobs.models import Entry, Firm, Outbox, Person, PrepCheck, Reading, ReadingFile, Role, Room, Site
from jobs.services.kept import kept_file
from materials.core.rest import Kind, RestState
from materials.models import ConsumableLot, MoistureReading, Placement, Requirement, StackReading
from scheduling import answers, demo
from scheduling.core.holds import Act, Hold, HoldState
from scheduling.core.room_facts import HoldKind
from scheduling.demo import acts, lines
from scheduling.demo.days import Days, Unreadable
from scheduling.models import Crew, DayGiven, Message, RoomState, SheetsSet, TurnedAway
from scheduling.pages.loggers import loggers_page
from tests import make

HOUR = timedelta(hours=1)
# 2026: Europe changes its clocks on 29 March and 25 October at 01:00 UTC (IANA zone database, rule EU).
A_WEDNESDAY = datetime(2026, 6, 10, 7, 40, tzinfo=UTC)
ODD_INSTANTS = {
    # 29 February 2020 was one.
    "a-saturday-at-half-past-eleven-at-night": datetime(2020, 2, 29, 23, 30, tzinfo=UTC),
    "the-night-of-23-hours": datetime(2026, 3, 29, 1, 40, tzinfo=UTC),
}


@dataclass(frozen=True)
class Seen:
    """A room of the demo as its stored state shows it."""

    room: Room
    state: RoomState
    holds: dict[HoldKind, Hold]
    rests: tuple[answers.StoredRest, ...]
    now: datetime

    def is_held(self, kind):
        return self.holds[kind].state is HoldState.HELD

    def asks_for(self, kind, act):
        return self.is_held(kind) and self.holds[kind].act is not None and self.holds[kind].act.act is act


def is_waiting(seen):
    return seen.state.stage == RoomState.Stage.WAITING


def has_out_of_band(seen):
    return any(stretch.kind is Kind.OUT_OF_BAND for one in seen.rests for stretch in one.rest.strip)


def is_resting(seen):
    return any(one.rest.state is RestState.RESTING for one in seen.rests) and not has_out_of_band(seen)


def was_paused_by_a_cold_night(seen):
    """A stretch out of band while people sleep, shorter than what sets the count to zero, and it goes on."""
    zone = time_zone(seen.room.job.site.time_zone)
    return any(
        one.rest.state is RestState.RESTING
        and one.rest.zero_at is None
        and stretch.kind is Kind.OUT_OF_BAND
        and 0 <= stretch.from_at.astimezone(zone).hour < 6
        and 2 * HOUR < stretch.length <= one.restart_after
        for one in seen.rests
        for stretch in one.rest.strip
    )


def is_short_by_rejects(seen):
    needed = Requirement.objects.get(room=seen.room).sheets
    sheets, rejected = (sum(getattr(one, name) for one in seen.rests) for name in ("sheets", "rejected"))
    return seen.is_held(HoldKind.PANELS_ON_SITE) and sheets >= needed > sheets - rejected


def has_adhesive_out_of_date(seen):
    lots = ConsumableLot.objects.standing().filter(room=seen.room, good_through__lt=seen.now.date())
    return seen.is_held(HoldKind.CONSUMABLES) and lots.filter(product__kind="adhesive").exists()


def has_a_stale_reading(seen):
    conditions = seen.holds[HoldKind.ROOM_CONDITIONS]
    return seen.state.is_fit_to_send and conditions.state is HoldState.HELD and bool(conditions.evidence)


def is_wet_under_the_compound(seen):
    failed = PrepCheck.objects.standing().filter(room=seen.room, check_code="compound_dry", passed=False)
    return seen.is_held(HoldKind.SUBSTRATE) and failed.exists()


def has_a_probe(seen):
    placements = [one.placement for one in seen.rests]
    return StackReading.objects.standing().filter(placement__in=placements, place="core").exists()


def has_damp_wood(seen):
    placements = [one.placement for one in seen.rests]
    read = MoistureReading.objects.standing().filter(placement__in=placements)
    return read.filter(moisture_pct__gt=F("placement__product__moisture_max_pct")).exists()


#: The issue's list, then what else a manager meets.
STATES = {
    "waiting for others, with a date": lambda seen: (
        seen.is_held(HoldKind.WORK_BY_OTHERS) and seen.holds[HoldKind.WORK_BY_OTHERS].forecast is not None
    ),
    "waiting for others, no date given": lambda seen: (
        seen.is_held(HoldKind.WORK_BY_OTHERS) and seen.holds[HoldKind.WORK_BY_OTHERS].forecast is None
    ),
    "wet compound": is_wet_under_the_compound,
    "resting": is_resting,
    "paused by a cold night": was_paused_by_a_cold_night,
    "paused now": lambda seen: any(one.rest.state is RestState.PAUSED for one in seen.rests),
    "restarted": lambda seen: any(
        one.rest.zero_at is not None and one.rest.state is not RestState.PROVEN for one in seen.rests
    ),
    "rejects short of the count": is_short_by_rejects,
    "mixed batches": lambda seen: seen.asks_for(HoldKind.PANELS_ON_SITE, Act.ACKNOWLEDGE_MIX),
    "adhesive out of date": has_adhesive_out_of_date,
    "adhesive that does not fit the wall": lambda seen: (
        seen.is_held(HoldKind.CONSUMABLES) and "does not fit" in seen.holds[HoldKind.CONSUMABLES].says.text
    ),
    "stale reading": has_a_stale_reading,
    "air too damp to set in": lambda seen: "Too damp" in seen.holds[HoldKind.ROOM_CONDITIONS].says.text,
    "waived": lambda seen: any(hold.state is HoldState.WAIVED for hold in seen.holds.values()),
    "begun while held": lambda seen: seen.state.began_held,
    "fit to send": lambda seen: is_waiting(seen) and seen.state.is_fit_to_send and not seen.state.is_released,
    "released": lambda seen: is_waiting(seen) and seen.state.is_released,
    "under way": lambda seen: (
        seen.state.stage == RoomState.Stage.STARTED
        and not seen.state.began_held
        and SheetsSet.objects.standing().filter(room=seen.room).exists()
    ),
    "turned away": lambda seen: TurnedAway.objects.standing().filter(room=seen.room).exists(),
    "done": lambda seen: seen.state.stage == RoomState.Stage.FINISHED,
    "held again after a correction": lambda seen: (
        answers.loss_of(seen.state.answer) is not None
        and PrepCheck.objects.standing().filter(room=seen.room, supersedes__isnull=False).exists()
    ),
    "delivery on its way": lambda seen: seen.asks_for(HoldKind.PANELS_ON_SITE, Act.CONFIRM_ARRIVAL),
    "ordered and not sent off": lambda seen: seen.asks_for(HoldKind.PANELS_ON_SITE, Act.LOG_DISPATCH),
    "unopened": lambda seen: any(one.opened_at is None for one in seen.rests),
    "inspected in part": lambda seen: any(0 < one.inspected < one.sheets for one in seen.rests),
    "rest by statement": lambda seen: any(one.rest.stated for one in seen.rests),
    # Source: trade facts, section 4: 80 sheets on a skid need 64 h and more, a day's rest warms 43 at the most.
    "rested and cold in the middle": lambda seen: any(
        one.rest.state is RestState.PROVEN and one.sheets >= 80 and one.stack is not None
        for one in seen.rests
    ),
    "a probe in the middle": has_a_probe,
    "wrap that stays on": lambda seen: any(
        one.wrapped and one.stack is not None and one.stack.open_from is not None for one in seen.rests
    ),
    "wood too damp": has_damp_wood,
    "not promised": lambda seen: is_waiting(seen) and seen.state.planned_start is None,
}


def rooms_seen(*, now):
    found = []
    for state in RoomState.objects.select_related("room__job__site"):
        holds = {hold.kind: hold for hold in answers.holds_of(state.answer)}
        rests = tuple(answers.rest_from_json(one, now=now) for one in state.rests)
        found.append(Seen(state.room, state, holds, rests, now))
    return found


def missing_states(*, now):
    seen = rooms_seen(now=now)
    missing = [name for name, is_so in STATES.items() if not any(is_so(one) for one in seen)]
    if not Placement.objects.standing().filter(room__isnull=True).exists():
        missing.append("reserved for nobody")
    return missing


@pytest.mark.django_db
@pytest.mark.parametrize("now", ODD_INSTANTS.values(), ids=ODD_INSTANTS.keys())
def test_at_odd_instants_too_every_state_of_a_room_is_there(now):
    demo.load(now=now)

    assert missing_states(now=now) == []


@pytest.fixture(scope="module")
def loaded(django_db_setup, django_db_blocker):
    """Load the demo once for the tests that only look; return the instant."""
    from django.db import transaction

    with django_db_blocker.unblock(), transaction.atomic():
        demo.load(now=A_WEDNESDAY)
        yield A_WEDNESDAY
        transaction.set_rollback(True)


def test_every_state_of_a_room_is_there_to_be_looked_at(loaded):
    assert RoomState.objects.count() == Room.objects.count() == 32
    assert missing_states(now=loaded) == []


def test_it_has_the_firm_that_the_issue_asks_for(loaded):
    assert Site.objects.count() == 3
    assert len({site.time_zone for site in Site.objects.all()}) == 2
    assert Firm.objects.filter(kind=Firm.Kind.SUPPLIER).count() == 2
    assert Crew.objects.count() == 4
    roles = [person.roles for person in Person.objects.all()]
    assert {Role.MANAGER} in roles
    assert {Role.MANAGER, Role.CREW_LEAD} in roles
    assert roles.count(frozenset({Role.CREW_LEAD})) == 3
    assert roles.count(frozenset({Role.SUPPLIER})) == 2


def test_everybody_is_greeted_with_a_link_of_their_own(loaded, monkeypatch):
    monkeypatch.setenv("DEMO", "1")

    address, *people = serve.greeting().splitlines()

    assert address.startswith("Setday is at http://localhost:")
    assert len(people) == len({line.split()[-1] for line in people}) == 7
    assert people[0].startswith("  Agnes Thorley (operations manager), Thackmoor Linings: http://localhost:")
    assert people[1].startswith("  Bram Oduya (operations manager, crew lead), Thackmoor Linings: ")
    assert people[-1].startswith("  Gil Maddern (supplier), Vannock Panels: ")


def test_an_empty_firm_is_told_how_its_first_manager_comes_in(db, monkeypatch, settings):
    monkeypatch.setenv("DEMO", "0")
    settings.DATA = Path("/srv/our firm")

    _address, _nobody, command = serve.greeting().splitlines()

    assert command == "  DATA='/srv/our firm' .venv/bin/python manage.py first_manager \"NAME\" EMAIL"
    make.manager()
    assert len(serve.greeting().splitlines()) == 1


def test_it_is_not_mixed_with_records_that_are_there(loaded):
    with pytest.raises(CommandError, match="There is a firm already"):
        call_command("load_demo")


def test_its_facts_were_recorded_over_two_weeks_and_none_ahead_of_the_present(loaded):
    recorded = list(Entry.objects.order_by("recorded_at").values_list("recorded_at", flat=True))

    assert recorded[-1] <= loaded
    assert recorded[0] < loaded - timedelta(days=9)
    # Since yesterday evening there is news, and not only the loggers'.
    news = Entry.objects.filter(recorded_at__gte=loaded - 14 * HOUR)
    assert {"jobs.readingfile", "jobs.prepcheck", "materials.arrivalpromise"} <= {one.kind for one in news}
    assert Reading.objects.filter(happened_at__gt=loaded).count() == 0


def test_days_are_given_out_on_working_days_and_some_of_them_are_still_to_come(loaded):
    starts = [day.spans[0][0] for day in DayGiven.objects.standing() if day.shifts]

    assert {start.weekday() for start in starts} <= {0, 1, 2, 3, 4}
    assert sum(start > loaded for start in starts) > 10
    assert sum(start < loaded for start in starts) > 3


def test_only_what_is_new_is_still_owed_to_people(loaded):
    owed = Outbox.objects.filter(state=Outbox.State.WAITING)
    unsent = Message.objects.filter(sent_at__isnull=True)

    assert {row.kind for row in owed} == {"send_message"}
    assert {message.key.split("/")[0] for message in unsent} == {"held_again", "waits", "silent"}
    assert {message.key.split("/")[0] for message in Message.objects.all()} == {
        "held_again",
        "began_held",
        "turned_away",
        "waits",
        "silent",
    }


def test_one_logger_reports_by_itself_and_one_fell_silent_where_panels_rest(loaded):
    (silent, reports) = sorted(loggers_page(now=loaded).live, key=lambda one: not one.is_silent)

    assert (silent.logger.name, reports.logger.name) == ("TH-22", "TH-21")
    assert not reports.is_silent
    (told,) = [one for one in Message.objects.filter(key__startswith="silent/") if one.person.is_crew_lead]
    assert told.room.zone.name == "Hall B"


def test_the_loggers_files_are_kept_and_say_what_is_stored_of_them(loaded):
    file = ReadingFile.objects.order_by("recorded_at", "pk").first()

    out = read(bytes(kept_file(file.sha256).body))

    stored = Reading.objects.filter(file=file).order_by("happened_at")
    assert [(one.at, one.value, one.rh_pct) for one in out.readings] == list(
        stored.values_list("happened_at", "temperature", "humidity_pct")
    )


def test_everybody_and_every_place_is_invented_and_nothing_is_left_of_the_making():
    files = [path for path in lines.FOLDER.rglob("*") if path.is_file()]
    text = "\n".join(path.read_text(encoding="utf-8") for path in files)

    # RFC 2606 section 2 keeps ".example" free of real addresses.
    addresses = re.findall(r"[\w.]+@[\w.]+", text)
    assert len(addresses) >= 9
    assert [address for address in addresses if not address.endswith(".example")] == []
    left = [
        word for word in ("todo", "fixme", "lorem", "xxx", "://", "/home", "/tmp") if word in text.lower()
    ]
    assert left == []


def test_every_act_of_a_timeline_is_known_and_told_by_somebody_of_the_firm():
    people = {row["name"] for row in lines.read_table(lines.WORKBOOK / "people.csv")}
    told = list(lines.read_lines())

    assert {line.act for line in told} == set(acts.ACTS)
    assert {line.who for line in told} <= people


@pytest.mark.django_db
def test_a_line_that_cannot_be_told_is_named_and_nothing_is_loaded(tmp_path, monkeypatch):
    head = "when,who,act,where,what"
    (tmp_path / "K-231.csv").write_text(f"{head}\n5 h ago,Bram Oduya,reading,Dock 2,air: 400; humidity: 40\n")
    monkeypatch.setattr(lines, "FACTS", tmp_path)

    with pytest.raises(demo.Untellable, match=r"K-231\.csv, row 2 \(reading\)"):
        demo.load(now=A_WEDNESDAY)
    assert not Firm.objects.exists()


# ---- days in words; the days of the week worked by hand from a calendar ----

PARIS = time_zone("Europe/Paris")
SHIFT = Calendar.of_week(PARIS, parse_week("Mon-Fri 07:00-15:30"))
LET_IN = Calendar.of_week(PARIS, parse_week("Mon-Thu 06:00-18:00; Fri 06:00-12:00; Sat 08:00-12:00"))


def on_the_clock(*parts):
    return datetime(*parts, tzinfo=PARIS).astimezone(UTC)


def days(*, now):
    return Days(PARIS, SHIFT, LET_IN, now)


@pytest.mark.parametrize(
    ("now", "words", "day"),
    [
        pytest.param(
            on_the_clock(2026, 6, 10, 11, 30), "in 0 days", date(2026, 6, 10), id="today-with-four-hours-left"
        ),
        pytest.param(
            on_the_clock(2026, 6, 10, 11, 31), "in 0 days", date(2026, 6, 11), id="tomorrow-with-less"
        ),
        pytest.param(
            on_the_clock(2026, 6, 12, 8, 0), "in 0 days", date(2026, 6, 12), id="cut-to-the-sites-hours"
        ),
        pytest.param(on_the_clock(2026, 6, 12, 8, 1), "in 0 days", date(2026, 6, 15), id="over-the-weekend"),
        pytest.param(
            on_the_clock(2026, 6, 13, 9), "in 1 day", date(2026, 6, 16), id="a-day-of-nobodys-shift"
        ),
        pytest.param(on_the_clock(2026, 6, 10, 0, 1), "1 day ago", date(2026, 6, 9), id="the-day-before"),
        pytest.param(
            on_the_clock(2026, 6, 15, 9), "1 day ago", date(2026, 6, 12), id="back-over-the-weekend"
        ),
        pytest.param(on_the_clock(2028, 3, 1, 9), "1 day ago", date(2028, 2, 29), id="a-leap-day"),
        pytest.param(on_the_clock(2026, 6, 15, 9), "yesterday", date(2026, 6, 14), id="a-sunday"),
        pytest.param(on_the_clock(2026, 6, 15, 9), "in 30 calendar days", date(2026, 7, 15), id="a-month-on"),
        pytest.param(
            on_the_clock(2026, 6, 15, 9), "3 calendar days ago", date(2026, 6, 12), id="three-days-back"
        ),
    ],
)
def test_days_are_counted_from_the_present(now, words, day):
    assert days(now=now).on(words) == day


def test_hours_and_minutes_ago_are_written_to_the_minute():
    noon = days(now=on_the_clock(2026, 6, 10, 12, 0, 30))

    assert noon.at("25 min ago") == datetime(2026, 6, 10, 9, 35, tzinfo=UTC)
    assert noon.at("5 h ago") == datetime(2026, 6, 10, 5, 0, tzinfo=UTC)
    assert noon.at("1 day ago 15:05") == datetime(2026, 6, 9, 13, 5, tzinfo=UTC)


@pytest.mark.parametrize("words", ["", "ago", "soon", "in 2 days", "25 min", "in -1 days 09:00"])
def test_words_that_name_no_instant_are_refused(words):
    with pytest.raises(Unreadable):
        days(now=on_the_clock(2026, 6, 10, 12)).at(words)


@pytest.mark.parametrize(
    ("now", "night"),
    [
        # From 01:30 for 3 h 10, and 90 minutes more: 06:10.
        pytest.param(
            on_the_clock(2026, 6, 10, 6, 10), datetime(2026, 6, 9, 23, 30, tzinfo=UTC), id="last-night"
        ),
        pytest.param(
            on_the_clock(2026, 6, 10, 6, 9), datetime(2026, 6, 8, 23, 30, tzinfo=UTC), id="the-one-before"
        ),
    ],
)
def test_the_cold_night_is_one_that_was_read_in(now, night):
    assert days(now=now).night()[0] == night
    assert days(now=now).on("the day before the cold night") == night.astimezone(PARIS).date() - timedelta(
        days=1
    )
