"""Rooms that one fact makes fit to send or held again, for tests of what follows from it; and their calendars."""

from __future__ import annotations

from datetime import date, datetime, timedelta

from jobs.facts import withdraw
from jobs.services import seen
from jobs.services.seen import needed_checks
from scheduling import feeds
from scheduling.services import crews
from tests import make
from tests.conftest import NOW
from tests.scheduling.core import ics

HOUR = timedelta(hours=1)
THURSDAY = date(2026, 6, 11)


def pass_prep(by, room, *, now=NOW, ago=HOUR):
    """Record every check that the room's walls need as passed."""
    for check in needed_checks(room):
        value = None
        if check.limit is not None:
            value = check.limit.value - (0 if check.limit.bound == "at_least" else 1)
        envelope = make.envelope(by, ago=ago, now=now)
        seen.record_checks(envelope, rooms=[room], check_code=check.code, passed=True, value=value)


def waiting_room(boss, **fields):
    """Return a room with one hold left, and the milestone that clears it: it asks for no sheet and no air."""
    room = make.room(**fields)
    pass_prep(boss, room)
    return room, make.milestone(room, name="Ceiling grid")


def promised_room(boss, crew, *, on=THURSDAY, now=NOW, reason="", **fields):
    """Return such a room, its milestone and the day given out for it."""
    room, ceiling = waiting_room(boss, **fields)
    return room, ceiling, give(boss, room, crew, on=on, now=now, reason=reason)


def give(boss, room, crew, *, on=THURSDAY, now=NOW, reason="", **rest):
    return crews.give_day(
        make.envelope(boss, now=now, reason=reason), room=room, crew=crew, first_on=on, **rest
    )


def take_back(boss, room, *, now=NOW, reason="the site is closed"):
    return crews.take_day_back(make.envelope(boss, now=now, reason=reason), room=room)


def done(by, milestone, *, now=NOW, **envelope):
    """Record that the work by others is done: the room is fit to send."""
    return seen.report_milestone(make.envelope(by, now=now, **envelope), milestone=milestone, is_done=True)


def not_done(by, report, *, now=NOW):
    """Take that back: the room is held again."""
    return withdraw(report, make.envelope(by, now=now, reason="the tiles are missing"))


def address(crew, *, person=None, now=NOW):
    """Return the path of a further address of the crew's calendar."""
    return "/feeds/" + feeds.new_feed_secret(crew, person=person, now=now).rsplit("/", 1)[1]


def events(body: bytes) -> list[ics.Component]:
    """Return the events of a calendar that keeps every rule, by start."""
    return ics.check(body).all("VEVENT")


def shown(event: ics.Component) -> tuple[str, int, str]:
    return event.value("STATUS"), int(event.value("SEQUENCE")), event.text("SUMMARY")


def stamp(at: datetime) -> str:
    """Return an instant as DTSTAMP writes it (RFC 5545 section 3.3.5, form 2)."""
    return f"{at:%Y%m%dT%H%M%SZ}"
