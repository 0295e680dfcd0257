"""A shift in words: how firm it is, what its title and its text say, and in which order."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from jobs.core.forecast import Forecast
from jobs.core.words import Say, say
from scheduling.core.calendar import Feed, Status, StoredEvent, render, revise
from scheduling.core.calendar_event import (
    Begun,
    NextAct,
    ShiftFacts,
    SignedWaiver,
    StandingHold,
    Withdrawal,
    event_fields,
    feed_description,
    status_of,
    title_of,
)
from scheduling.printing import plain
from tests.scheduling.core import ics
from tests.scheduling.core.shifts import at, tell

PARIS = "Europe/Paris"
START = at(PARIS, "2026-03-12T07:00")
GIVEN_OUT = at(PARIS, "2026-03-02T10:00")
LINK = "Open: https://setday.example/a/4f2c"
FACTS = ShiftFacts(
    uid="4f2c9a1e-1@feeds.setday.example",
    start_at=START,
    end_at=at(PARIS, "2026-03-12T15:30"),
    zone=PARIS,
    room="Scullery 2.14",
    kind="Install",
    url="https://setday.example/a/4f2c",
)
REST = StandingHold("rest", Forecast.fixed(at(PARIS, "2026-03-11T22:10")))
READING = NextAct("a reading in 2.14", "crew lead", at(PARIS, "2026-03-11T18:00"))
FIT = replace(FACTS, fit_to_send=True)


def lines(facts: ShiftFacts) -> list[str]:
    return event_fields(facts, tell=tell).description.split("\n")


def title(**known) -> str:
    return title_of(replace(FACTS, **known), tell=tell)


@pytest.mark.parametrize(
    ("known", "status", "first"),
    [
        ({}, Status.TENTATIVE, "Held: Scullery 2.14"),
        ({"fit_to_send": True}, Status.CONFIRMED, "Scullery 2.14"),
        ({"fit_to_send": True, "released": True}, Status.CONFIRMED, "Scullery 2.14"),
        ({"begun": Begun(START)}, Status.CONFIRMED, "Scullery 2.14"),
        ({"begun": Begun(START, while_held=True)}, Status.CONFIRMED, "Scullery 2.14"),
        ({"withdrawn": Withdrawal(START, "")}, Status.CANCELLED, "Cancelled: Scullery 2.14"),
        (
            {"withdrawn": Withdrawal(START, ""), "fit_to_send": True},
            Status.CANCELLED,
            "Cancelled: Scullery 2.14",
        ),
    ],
)
def test_a_shift_is_firm_while_its_room_is_fit_and_ever_after_it_began(known, status, first):
    fields = event_fields(replace(FACTS, **known), tell=tell)

    assert (fields.status, fields.summary) == (status, first)


@pytest.mark.parametrize(
    ("known", "whole"),
    [
        ({"day": 1, "days": 2}, "Held: Scullery 2.14, day 1 of 2"),  # source: calendar rules, section 6
        ({"day": 2, "days": 3, "fit_to_send": True}, "Scullery 2.14, day 2 of 3"),
        ({"beside": "Quay Street clinic", "days": 2}, "Held: Scullery 2.14, Quay Street clinic, day 1 of 2"),
        ({"room": " Scullery\r\n2.14\a "}, "Held: Scullery 2.14"),
    ],
)
def test_the_title_has_the_room_first_and_the_day_last(known, whole):
    assert title(**known) == whole


@pytest.mark.parametrize(
    ("room", "beside", "whole"),
    [
        # Worked by hand: 60 less "Held: " (6) and ", day 2 of 3" (12) leaves 42 for room and job.
        ("R" * 42, "", "Held: " + "R" * 42 + ", day 2 of 3"),
        ("R" * 43, "", "Held: " + "R" * 41 + "…, day 2 of 3"),
        ("🧱" * 60, "", "Held: " + "🧱" * 41 + "…, day 2 of 3"),
        # 13 for the room, 2 between, 27 left; 20 is the least that says something.
        ("Scullery 2.14", "J" * 27, "Held: Scullery 2.14, " + "J" * 27 + ", day 2 of 3"),
        ("Scullery 2.14", "J" * 28, "Held: Scullery 2.14, " + "J" * 26 + "…, day 2 of 3"),
        ("R" * 20, "J" * 21, "Held: " + "R" * 20 + ", " + "J" * 19 + "…, day 2 of 3"),
        ("R" * 21, "J" * 21, "Held: " + "R" * 21 + ", day 2 of 3"),
        ("R" * 35, "Quay", "Held: " + "R" * 35 + ", Quay, day 2 of 3"),
    ],
)
def test_a_long_title_is_cut_beside_the_room_then_in_the_room_never_in_the_day(room, beside, whole):
    assert len(whole) <= 60
    assert title(room=room, beside=beside, day=2, days=3) == whole


def test_a_longer_language_leaves_less_of_the_room():
    def in_long_words(said: Say) -> str:
        return tell(replace(said, text=said.text.replace("Held: ", "Noch nicht frei: ")))

    whole = title_of(replace(FACTS, room="R" * 80), tell=in_long_words)

    assert whole == "Noch nicht frei: " + "R" * 42 + "…"


def test_a_held_shift_says_what_holds_it_then_the_next_act_then_what_to_bring_and_the_link_last():
    facts = replace(
        FACTS,
        holds=(StandingHold("prep"), REST),
        next_act=READING,
        bring=("6 tubes sealant", "“J” mouldings"),
        waivers=(
            SignedWaiver("inspection", "A. Duarte", "seen by the maker"),
            SignedWaiver("prep", "A. Duarte"),
        ),
        access="by the yard, ring 14",
    )

    assert lines(facts) == [
        "Held by prep, no date known.",
        "Held by rest, forecast clear Wed 11 Mar 22:10.",
        "Next: a reading in 2.14 (crew lead), latest Wed 11 Mar 18:00.",
        "Bring: 6 tubes sealant + “J” mouldings.",
        "Waived: inspection, signed by A. Duarte: seen by the maker",
        "Waived: prep, signed by A. Duarte.",
        "Access: by the yard, ring 14",
        LINK,
    ]


@pytest.mark.parametrize(
    ("after", "span", "by"),
    [
        # Worked by hand: 07:00 on the 12th less 24 h is 07:00 on the 11th; less 12 h 39 min 01 s is 18:20:59.
        (timedelta(hours=24), "24 h 00", "Wed 11 Mar 07:00"),
        (timedelta(hours=12, minutes=39, seconds=1), "12 h 40", "Wed 11 Mar 18:20"),
    ],
)
def test_a_forecast_that_slides_is_told_as_hours_still_to_rest_and_never_as_an_instant(after, span, by):
    facts = replace(FACTS, holds=(StandingHold("rest", Forecast.sliding(after)),))

    assert lines(facts) == [
        f"Held by rest, {span} still to rest.",
        f"The day is in doubt if the rest is not running again by {by}.",
        LINK,
    ]


@pytest.mark.parametrize(("late", "in_doubt"), [(timedelta(0), False), (timedelta(seconds=1), True)])
def test_a_forecast_past_the_planned_start_puts_the_day_in_doubt_and_does_not_move_it(late, in_doubt):
    facts = replace(FACTS, holds=(StandingHold("rest", Forecast.fixed(START + late)),))
    fields = event_fields(facts, tell=tell)

    assert ("The day is in doubt: the forecast is after the planned start." in lines(facts)) is in_doubt
    assert (fields.start_at, fields.status) == (START, Status.TENTATIVE)


def test_a_later_day_follows_the_first_and_leaves_its_holds_to_it():
    # Source: the worked feed of the calendar rules.
    facts = replace(FACTS, day=2, days=2, holds=(REST,), next_act=READING, bring=("gloves",))

    assert lines(facts) == ["Follows day 1.", LINK]


def test_a_fit_room_names_what_is_to_be_read_at_the_door_and_who_signed_for_what():
    facts = replace(
        FIT,
        holds=(StandingHold("room conditions"),),
        at_the_door=("air 18–24 °C", "wall no colder than 15 °C"),
        waivers=(SignedWaiver("inspection", "A. Duarte"),),
    )

    assert lines(facts) == [
        "Fit to send.",
        "Waived: inspection, signed by A. Duarte.",
        "Read at the door, before the first sheet: air 18–24 °C + wall no colder than 15 °C.",
        LINK,
    ]


UIDS = [f"4f2c9a1e-{ordinal}@feeds.setday.example" for ordinal in (1, 2, 3)]


def planned(*first_days: str, days: int, uids: list[str] = UIDS) -> list[ShiftFacts]:
    """Return the shifts of one assignment, a day each."""
    return [
        replace(
            FACTS,
            uid=uid,
            start_at=at(PARIS, f"{on}T07:00"),
            end_at=at(PARIS, f"{on}T15:30"),
            day=day,
            days=days,
        )
        for day, (uid, on) in enumerate(zip(uids, first_days, strict=False), 1)
    ]


def given_out(
    stored: dict[str, StoredEvent], shifts: list[ShiftFacts], *, when: datetime = GIVEN_OUT
) -> dict[str, StoredEvent]:
    """Return what is stored, and in every feed, after these shifts are given out."""
    events = [event_fields(facts, tell=tell) for facts in shifts]
    return stored | {
        event.uid: replace(revise(stored.get(event.uid), event, at=when), served=True) for event in events
    }


def test_work_that_moves_on_by_a_week_moves_its_three_events():
    before = given_out({}, planned("2026-03-09", "2026-03-10", "2026-03-11", days=3))

    after = given_out(before, planned("2026-03-16", "2026-03-17", "2026-03-18", days=3))

    assert list(after) == UIDS
    assert [event.sequence for event in after.values()] == [1, 1, 1]
    assert [event.start_at.day for event in after.values()] == [16, 17, 18]


def test_a_day_less_cancels_the_last_and_a_day_more_brings_it_back():
    three = planned("2026-03-09", "2026-03-10", "2026-03-11", days=3)
    withdrawn = replace(three[2], withdrawn=Withdrawal(GIVEN_OUT, "done in two days"))

    shorter = given_out(given_out({}, three), [*planned("2026-03-09", "2026-03-10", days=2), withdrawn])
    longer = given_out(shorter, three)

    assert [event.status for event in shorter.values()] == [
        Status.TENTATIVE,
        Status.TENTATIVE,
        Status.CANCELLED,
    ]
    assert shorter[UIDS[2]].summary == "Cancelled: Scullery 2.14, day 3 of 3"
    assert [event.sequence for event in longer.values()] == [2, 2, 2]
    assert {event.status for event in longer.values()} == {Status.TENTATIVE}


def test_one_day_can_move_alone():
    before = given_out({}, planned("2026-03-09", "2026-03-10", days=2))

    after = given_out(before, planned("2026-03-09", "2026-03-13", days=2))

    assert [event.sequence for event in after.values()] == [0, 1]
    assert after[UIDS[0]] == before[UIDS[0]]


def test_work_given_to_another_crew_is_cancelled_under_one_uid_and_new_under_another_in_one_feed():
    (shift,) = planned("2026-03-12", days=1)
    handed = replace(shift, withdrawn=Withdrawal(GIVEN_OUT, "given to crew Heron"))
    theirs = replace(shift, uid="77b0d3c5-1@feeds.setday.example")

    after = given_out(given_out({}, [shift]), [handed, theirs])

    feed = Feed(name="Ana", home_zone=PARIS, events=list(after.values()))
    events = ics.check(render(feed, day=date(2026, 3, 10), tell=tell).body).all("VEVENT")
    assert [(event.value("UID")[:8], event.value("STATUS"), event.value("SEQUENCE")) for event in events] == [
        ("4f2c9a1e", "CANCELLED", "1"),
        ("77b0d3c5", "TENTATIVE", "0"),
    ]


def test_a_later_day_has_its_own_reading_at_the_door():
    assert lines(replace(FIT, day=2, days=2, at_the_door=("air",)))[:3] == [
        "Follows day 1.",
        "Fit to send.",
        "Read at the door, before the first sheet: air.",
    ]


def test_a_released_room_asks_for_nothing_at_the_door():
    assert lines(replace(FIT, released=True, at_the_door=("air",))) == [
        "Released. Nothing holds this room.",
        LINK,
    ]


@pytest.mark.parametrize(("while_held", "words"), [(False, "Begun"), (True, "Begun while held")])
def test_work_begun_says_so_and_what_holds_the_rest_of_it(while_held, words):
    begun = Begun(at(PARIS, "2026-03-12T07:05"), while_held)
    facts = replace(
        FACTS, begun=begun, holds=(StandingHold("panels on site", Forecast.fixed(START + timedelta(days=3))),)
    )

    assert lines(facts) == [
        f"{words} Thu 12 Mar 07:05.",
        "Held by panels on site, forecast clear Sun 15 Mar 07:00.",
        LINK,
    ]


def test_a_later_day_of_work_begun_says_what_holds_the_rest_of_it():
    facts = replace(FACTS, day=2, days=2, begun=Begun(START), holds=(StandingHold("rest"),), next_act=READING)

    assert lines(facts)[:4] == [
        "Follows day 1.",
        "Begun Thu 12 Mar 07:00.",
        "Held by rest, no date known.",
        "Next: a reading in 2.14 (crew lead), latest Wed 11 Mar 18:00.",
    ]


def test_finished_work_says_when_and_no_more():
    facts = replace(FACTS, begun=Begun(START), finished_at=at(PARIS, "2026-03-12T14:00"), bring=("gloves",))

    assert lines(facts) == ["Finished Thu 12 Mar 14:00.", LINK]


@pytest.mark.parametrize(
    ("reason", "line"),
    [
        ("moved to\nanother crew.", "Withdrawn Tue 10 Mar: moved to another crew."),
        ("", "Withdrawn Tue 10 Mar."),
    ],
)
def test_withdrawn_work_gives_its_reason_in_one_line(reason, line):
    # 23:30 UTC on the 9th is the 10th in Paris.
    withdrawn = Withdrawal(datetime(2026, 3, 9, 23, 30, tzinfo=UTC), reason)

    assert lines(replace(FACTS, withdrawn=withdrawn, holds=(REST,), bring=("gloves",))) == [line, LINK]


def test_the_place_is_the_address_then_the_gate_in_one_line():
    assert (
        event_fields(
            replace(FACTS, address="14 Quay Street\nLyon", entrance="gate 2; ring 14"), tell=tell
        ).location
        == "14 Quay Street Lyon, gate 2; ring 14"
    )
    assert event_fields(replace(FACTS, address="Quay"), tell=tell).location == "Quay"
    assert event_fields(FACTS, tell=tell).location == ""


def test_a_flood_of_words_leaves_the_waiver_the_door_and_the_link():
    facts = replace(
        FIT,
        next_act=NextAct("n" * 500, "crew lead"),
        bring=("b" * 500,),
        at_the_door=("air",),
        waivers=(SignedWaiver("rest", "A. Duarte", "w" * 500),),
        access="a" * 500,
    )

    text = event_fields(facts, tell=tell).description

    assert 900 < len(text) <= 1_000
    assert "Waived: rest, signed by A. Duarte: www" in text
    assert "Read at the door, before the first sheet: air." in text
    assert text.endswith("\n" + LINK)


@pytest.mark.parametrize(
    "known", [{"start_at": at(PARIS, "2026-10-25T02:30")}, {"end_at": at(PARIS, "2026-10-25T02:30")}]
)
def test_a_shift_may_not_start_or_end_in_a_doubled_hour(known):
    hours = {"start_at": at(PARIS, "2026-10-24T22:00"), "end_at": at(PARIS, "2026-10-25T06:00")} | known

    with pytest.raises(ValueError, match="twice"):
        event_fields(replace(FACTS, **hours), tell=tell)


def test_sentences_of_the_core_are_said_and_typed_words_kept():
    facts = replace(FACTS, holds=(StandingHold(say("rest of {n} sheets", n=40)),), access="{braces} stay")

    assert lines(facts) == ["Held by rest of 40 sheets, no date known.", "Access: {braces} stay", LINK]


def test_the_services_own_printing_says_it_with_ordinary_spaces():
    # Source: the look's rule on times, "Thu 14 May 07:00"; durations, "12 h 40".
    held = replace(
        FACTS, holds=(REST, StandingHold("rest", Forecast.sliding(timedelta(hours=12, minutes=40))))
    )

    said = event_fields(held, tell=lambda words: plain(words, zone=PARIS)).description

    assert said.startswith(
        "Held by rest, forecast clear Wed 11 Mar 22:10.\nHeld by rest, 12 h 40 still to rest.\n"
    )
    assert "\u00a0" not in said


def test_the_calendars_own_sentence_says_as_of_when_that_it_may_be_late_and_where_the_truth_is():
    sentence = feed_description(
        "crew Heron", as_of=at(PARIS, "2026-03-10T17:05"), page="https://setday.example/today", tell=tell
    )

    assert sentence == (
        "This calendar shows the days of crew Heron as of Tue 10 Mar 17:05: "
        "it may be up to a day late, the truth is at https://setday.example/today."
    )


def test_a_calendar_without_events_is_as_of_nothing():
    assert feed_description("crew Heron", as_of=None, page="https://setday.example", tell=tell) == (
        "This calendar shows the days of crew Heron: "
        "it may be up to a day late, the truth is at https://setday.example."
    )


typed = st.text(max_size=400) | st.text(alphabet="\\;,:{}\n\t\a é日🧱\u200d", max_size=400)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(room=typed, beside=typed, words=typed, days=st.integers(1, 3), fit=st.booleans())
def test_whatever_people_typed_becomes_a_sound_event(room, beside, words, days, fit):
    facts = replace(
        FACTS,
        room=f"2.14 {room}",
        beside=beside,
        days=days,
        fit_to_send=fit,
        holds=(StandingHold(words),),
        next_act=NextAct(words, words),
        bring=(words, words),
        waivers=(SignedWaiver(words, words, words),),
        at_the_door=(words,),
        access=words,
        address=words,
        entrance=words,
    )

    fields = event_fields(facts, tell=tell)
    event = revise(None, fields, at=datetime(2026, 3, 1, tzinfo=UTC))
    body = render(Feed(name="Crew", home_zone=PARIS, events=[event]), day=date(2026, 3, 1), tell=tell).body

    (shown,) = ics.check(body).all("VEVENT")
    assert len(fields.summary) <= 60
    assert len(fields.description) <= 1_000
    assert fields.description.endswith(LINK)
    assert (shown.text("SUMMARY"), shown.text("DESCRIPTION")) == (fields.summary, fields.description)
    assert status_of(facts) is (Status.CONFIRMED if fit else Status.TENTATIVE)
