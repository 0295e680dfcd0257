"""A crew's shifts as RFC 5545 bytes: what an event shows, what a change of it is, how long it stays.

Everything here is a function of stored facts: the same facts give the same bytes in every process.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields, replace
from datetime import UTC, date, datetime, timedelta
from enum import StrEnum
from typing import Any
from zoneinfo import ZoneInfo

from icalendar import Calendar, Event, vCategory, vDatetime, vDuration, vInt, vText, vUri

from jobs.core.words import say
from scheduling.core.calendar_text import Tell, clean_text, cut
from scheduling.core.vtimezone import ZoneClock, zone_clock

#: Raise it when the same facts are to be written in another way: it is in PRODID and in the tag.
FORMAT = 1
PRODID = f"-//Setday//Crew feed {FORMAT}//EN"
#: How often a client may ask again; one client's refresh stops at a value that is no duration.
REFRESH = timedelta(hours=1)

DAYS_BACK = 28
DAYS_AHEAD = 180
#: A withdrawn event stays this long: longer than any client's refresh interval.
WITHDRAWN_STAYS = timedelta(days=14)

#: One large client is said to drop events at random above 1 MB or about 1,100 events.
MOST_OCTETS = 900_000
MOST_EVENTS = 1_000
#: What a description is shortened to in a feed that would be too large.
SHORT_DESCRIPTION = 200
#: Kept free for the sentence that says what was cut, and for a frame that changes with what is left.
CUT_RESERVE = 2_000

LONGEST_UID = 255

END = b"END:VCALENDAR\r\n"


class Status(StrEnum):
    """How firm a shift is (RFC 5545 section 3.8.1.11)."""

    TENTATIVE = "TENTATIVE"
    CONFIRMED = "CONFIRMED"
    CANCELLED = "CANCELLED"


#: Whether the crew's time is taken, and the same for the client that reads neither this nor STATUS.
TRANSPARENCY = {Status.TENTATIVE: "OPAQUE", Status.CONFIRMED: "OPAQUE", Status.CANCELLED: "TRANSPARENT"}
BUSY_STATUS = {Status.TENTATIVE: "TENTATIVE", Status.CONFIRMED: "BUSY", Status.CANCELLED: "FREE"}


@dataclass(frozen=True, slots=True, kw_only=True)
class EventFields:
    """What one shift shows: all of an event but its sequence and its stamps.

    Raises:
        ValueError: an instant is not UTC in whole seconds, the end is not after the start, the title is empty
            or more than one line, or the UID is empty or longer than 255 octets.
    """

    uid: str
    start_at: datetime
    end_at: datetime
    zone: str  # IANA name of the site's zone: the clock that the event is printed on
    status: Status
    summary: str
    location: str = ""
    description: str = ""
    category: str = ""
    url: str = ""

    def __post_init__(self) -> None:
        _require_whole_utc(self.start_at)
        _require_whole_utc(self.end_at)
        if self.end_at <= self.start_at:
            raise ValueError("an event ends after it starts")
        if not self.summary.strip() or "\n" in self.summary:
            raise ValueError("a title is one line with something in it")
        if not 0 < len(self.uid.encode()) <= LONGEST_UID:
            raise ValueError(f"a UID has 1 to {LONGEST_UID} octets")


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedEvent(EventFields):
    """An event as a feed carries it; `revised_at` is the last change that shows, never a request's time."""

    sequence: int
    revised_at: datetime

    def __post_init__(self) -> None:
        EventFields.__post_init__(self)
        _require_whole_utc(self.revised_at)


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredEvent(FeedEvent):
    """An event as it is kept: whether a feed ever carried it, and when it was withdrawn (None: it is not)."""

    served: bool = False
    withdrawn_at: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Feed:
    """One calendar: a whole snapshot, in which what is missing is gone.

    `name` is the crew, then the product; `colour` a CSS3 colour name; `home_zone` the zone of a feed without
    events.  An empty `description` is left out.
    """

    name: str
    home_zone: str
    events: Sequence[FeedEvent]
    description: str = ""
    colour: str = "teal"

    def __post_init__(self) -> None:
        if not re.fullmatch("[a-z]+", self.colour):
            raise ValueError("a colour is a CSS3 name, never a number")
        if len({event.uid for event in self.events}) < len(self.events):
            raise ValueError("two events with one UID")


@dataclass(frozen=True, slots=True)
class Rendered:
    """A feed's bytes, and what the shell must log: what was cut, and zones that some readers misread."""

    body: bytes
    shortened: int = 0  # descriptions cut because the feed would be too large
    left_out: tuple[str, ...] = ()  # UIDs at the far end, left out for the same reason
    listed_zones: tuple[str, ...] = ()  # zones without yearly rules


def _require_whole_utc(at: datetime) -> None:
    if at.tzinfo is None or at.utcoffset() or at.microsecond:
        raise ValueError(f"not a whole second in UTC: {at.isoformat()}")


def event_uid(assignment: object, ordinal: int, domain: str) -> str:
    """Return the UID of the `ordinal`th shift (from 1) of an assignment, for life (RFC 7986 section 5.3).

    By ordinal, not by date: work that moves on by a week moves its events.  `domain` is ours and constant,
    not the host of the moment.
    """
    if ordinal < 1:
        raise ValueError("shifts count from 1")
    return f"{assignment}-{ordinal}@{domain}"


# Change


_SHOWN = tuple(field.name for field in fields(EventFields))


def shows(event: EventFields) -> tuple[object, ...]:
    """Return all that shows in the event, in a fixed order."""
    return tuple(getattr(event, name) for name in _SHOWN)


def digest(event: EventFields) -> str:
    """Return the SHA-256 of what shows, as 64 hexadecimal digits: two equal ones need no writing."""
    shown = [part.isoformat() if isinstance(part, datetime) else part for part in shows(event)]
    return hashlib.sha256(json.dumps(shown).encode()).hexdigest()


def _acted_on(event: EventFields) -> tuple[object, ...]:
    """Return what people act on: its change raises SEQUENCE, another text does not."""
    return event.start_at, event.end_at, event.zone, event.status, event.location, event.summary


def revise(old: StoredEvent | None, new: EventFields, *, at: datetime) -> StoredEvent:
    """Return the event to store when `new` is what it shows from `at` on; `old` itself if nothing changed.

    SEQUENCE begins at 0 and rises by one when start, end, status, place or title changes, also when a change
    is undone; another text changes the stamps only (RFC 5545 section 3.8.7.4).  The stamps never go back.

    Raises:
        ValueError: `new` is another event.
    """
    shown: dict[str, Any] = dict(zip(_SHOWN, shows(new), strict=True))
    withdrawn_at = at if new.status is Status.CANCELLED else None
    if old is None:
        return StoredEvent(**shown, sequence=0, revised_at=at, withdrawn_at=withdrawn_at)
    if old.uid != new.uid:
        raise ValueError(f"{new.uid} is not {old.uid}")
    if shows(old) == shows(new):
        return old
    return replace(
        old,
        **shown,
        sequence=old.sequence + (_acted_on(old) != _acted_on(new)),
        revised_at=max(at, old.revised_at),
        withdrawn_at=withdrawn_at and (old.withdrawn_at or withdrawn_at),
    )


# Window


def first_instant(on: date, zone: str) -> datetime:
    """Return the instant at which a day begins in a zone, in UTC.

    Where midnight is skipped the day begins at the change, where it comes twice at the first.
    """
    return datetime(on.year, on.month, on.day, tzinfo=ZoneInfo(zone)).astimezone(UTC)


def window_day(zone: str, now: datetime) -> date:
    """Return the day that the window stands on: today, on the clock of `zone`."""
    return now.astimezone(ZoneInfo(zone)).date()


def _window(event: EventFields) -> tuple[datetime, datetime]:
    """Return from when until when the window holds the event: whole days in its zone, by the shift's end.

    A shift that ends at midnight belongs to the day that it ends.
    """
    last = (event.end_at - timedelta(seconds=1)).astimezone(ZoneInfo(event.zone)).date()
    enters = first_instant(last - timedelta(days=DAYS_AHEAD), event.zone)
    return enters, first_instant(last + timedelta(days=DAYS_BACK + 1), event.zone)


def in_window(event: EventFields, now: datetime) -> bool:
    """Return whether the event lies between 28 days back and 180 ahead."""
    enters, leaves = _window(event)
    return enters <= now < leaves


def _kept_until(event: StoredEvent) -> datetime | None:
    """Return when a withdrawn event goes, the first of its two ends; None: it is not withdrawn."""
    if event.withdrawn_at is None:
        return None
    return min(event.end_at, event.withdrawn_at + WITHDRAWN_STAYS) if event.served else event.withdrawn_at


def keeps(event: StoredEvent, now: datetime) -> bool:
    """Return whether a feed still carries the event.

    A withdrawn one stays until its shift's end or 14 days after the withdrawal; what was never served leaves
    no trace.
    """
    until = _kept_until(event)
    return until is None or now < until


def visible(events: Iterable[StoredEvent], now: datetime) -> list[StoredEvent]:
    """Return the events that a feed carries at `now`."""
    return [event for event in events if keeps(event, now) and in_window(event, now)]


def next_window_change(events: Iterable[StoredEvent], now: datetime, *, home_zone: str) -> datetime | None:
    """Return the first instant after `now` at which the feed's bytes change by time alone.

    Events enter and leave the window, withdrawn ones go, and a feed without events gets the next year's
    clock of its home zone (at once too early where that clock's rules stay the same).  None: never.
    """
    events = list(events)
    turns = {at for event in events for at in _turns(event) if at > now}
    if not visible(events, now):
        turns.add(first_instant(date(window_day(home_zone, now).year + 1, 1, 1), home_zone))
    return min(turns, default=None)


def _turns(event: StoredEvent) -> tuple[datetime, ...]:
    """Return when the event appears and when it goes; nothing if it goes before it could appear."""
    enters, leaves = _window(event)
    until = _kept_until(event)
    leaves = leaves if until is None else min(leaves, until)
    return (enters, leaves) if enters < leaves else ()


# Bytes


class _Text(vText):
    """A TEXT value, escaped as RFC 5545 section 3.3.11 says.

    The library's own leaves NAME and its like unescaped, and takes a typed `\\N` for a line break.
    """

    def to_ical(self) -> bytes:
        escaped = self.replace("\\", "\\\\").replace(";", "\\;").replace(",", "\\,").replace("\n", "\\n")
        return escaped.encode()


def _text(value: str) -> _Text:
    return _Text(clean_text(value))


def render(feed: Feed, *, day: date, tell: Tell) -> Rendered:
    """Write a feed; the same feed on the same `window_day` gives the same bytes.

    A feed of more than 900 kB or 1,000 events gets shorter descriptions first (which cannot help against a
    count), then loses its far end; its own description says so.

    Raises:
        ValueError: an event starts or ends in the second run of a doubled hour, which no TZID can say.
    """
    events = sorted(feed.events, key=lambda event: (event.start_at, event.uid))
    parts = [_event(event) for event in events]
    clocks = _clocks(feed, events, day)
    listed = tuple(clock.zone for clock in clocks if clock.listed)
    body = _body(feed, clocks, parts)
    if len(events) <= MOST_EVENTS and len(body) <= MOST_OCTETS:
        return Rendered(body, listed_zones=listed)

    room = MOST_OCTETS - CUT_RESERVE - (len(body) - sum(map(len, parts)))
    shortened = 0
    if sum(map(len, parts)) > room:
        short = [replace(event, description=_shorter(event)) for event in events]
        shortened = sum(one != other for one, other in zip(short, events, strict=True))
        parts = [_event(event) for event in short]
    kept = _how_many_fit(parts, room)
    note = _cut_note(shortened, events[kept:], tell)
    feed = replace(feed, description=f"{feed.description} {note}".strip())
    clocks = _clocks(feed, events[:kept], day)
    body = _body(feed, clocks, parts[:kept])
    return Rendered(body, shortened, tuple(event.uid for event in events[kept:]), listed)


def _how_many_fit(parts: Sequence[bytes], room: int) -> int:
    """Return how many events, the nearest first, fit into `room` octets and the most events."""
    size = 0
    for count, part in enumerate(parts):
        size += len(part)
        if size > room or count == MOST_EVENTS:
            return count
    return len(parts)


def _shorter(event: FeedEvent) -> str:
    """Return the event's description cut short, its link kept at the end."""
    lines = event.description.split("\n")
    link = lines.pop() if event.url and lines[-1].endswith(event.url) else ""
    text = cut("\n".join(lines), SHORT_DESCRIPTION)
    return f"{text}\n{link}".strip("\n")


def _cut_note(shortened: int, left_out: Sequence[FeedEvent], tell: Tell) -> str:
    """Return the sentences that tell the calendar's reader what is missing."""
    notes = [tell(say("Texts are shortened because this calendar is long."))] if shortened else []
    if left_out:
        on = window_day(left_out[0].zone, left_out[0].start_at)
        notes.append(tell(say("Shifts from {day} on are left out because this calendar is long.", day=on)))
    return " ".join(notes)


def _clocks(feed: Feed, events: Sequence[FeedEvent], day: date) -> list[ZoneClock]:
    """Return one VTIMEZONE for each zone used, by name; a feed without events has its home zone's."""
    years: dict[str, list[int]] = {}
    for event in events:
        zone = ZoneInfo(event.zone)
        ends = (event.start_at.astimezone(zone).year, event.end_at.astimezone(zone).year)
        years.setdefault(event.zone, []).extend(ends)
    years = years or {feed.home_zone: [day.year]}
    return [zone_clock(zone, min(seen), max(seen)) for zone, seen in sorted(years.items())]


def _body(feed: Feed, clocks: Sequence[ZoneClock], parts: Iterable[bytes]) -> bytes:
    """Put a calendar together: its own properties, its clocks, its events (RFC 5545 section 3.6)."""
    calendar = _head(feed, only_zone=clocks[0].zone if len(clocks) == 1 else None)
    head = calendar.to_ical(sorted=False).removesuffix(END)
    return b"".join((head, *(clock.body for clock in clocks), *parts, END))


def _head(feed: Feed, *, only_zone: str | None) -> Calendar:
    """Write the calendar's own properties, in the order of calendar programs' habits and RFC 7986."""
    calendar = Calendar()
    calendar["VERSION"] = vText("2.0")
    calendar["PRODID"] = vText(PRODID)
    calendar["CALSCALE"] = vText("GREGORIAN")
    calendar["NAME"] = calendar["X-WR-CALNAME"] = _text(feed.name)
    if feed.description:
        calendar["DESCRIPTION"] = calendar["X-WR-CALDESC"] = _text(feed.description)
    if only_zone is not None:
        calendar["X-WR-TIMEZONE"] = vText(only_zone)
    # Without VALUE=DURATION the interval is a text of no meaning (RFC 7986 section 5.7).
    calendar["REFRESH-INTERVAL"] = vDuration(REFRESH, params={"VALUE": "DURATION"})
    calendar["X-PUBLISHED-TTL"] = vDuration(REFRESH)
    calendar["COLOR"] = vText(feed.colour)
    return calendar


def _event(event: FeedEvent) -> bytes:
    """Write one event; assignment, unlike the library's `add`, never writes a property twice."""
    part = Event()
    part["UID"] = _text(event.uid)
    part["DTSTAMP"] = part["LAST-MODIFIED"] = vDatetime(event.revised_at.astimezone(UTC))
    part["SEQUENCE"] = vInt(event.sequence)
    part["DTSTART"] = _wall_time(event.start_at, event.zone)
    part["DTEND"] = _wall_time(event.end_at, event.zone)
    part["SUMMARY"] = _text(event.summary)
    part["STATUS"] = vText(event.status.value)
    part["TRANSP"] = vText(TRANSPARENCY[event.status])
    part["X-MICROSOFT-CDO-BUSYSTATUS"] = vText(BUSY_STATUS[event.status])
    if event.location:
        part["LOCATION"] = _text(event.location)
    if event.description:
        part["DESCRIPTION"] = _text(event.description)
    if event.category:
        part["CATEGORIES"] = vCategory([_text(event.category)])
    if event.url:
        part["URL"] = vUri(clean_text(event.url))
    body: bytes = part.to_ical(sorted=False)
    return body


def _wall_time(at: datetime, zone: str) -> vDatetime:
    """Return an instant as a wall time with the site's TZID (RFC 5545 section 3.3.5, form 3).

    A site whose zone is called UTC gets form 2, `Z`: the library leaves that TZID out, and a time without
    either floats.
    """
    local = at.astimezone(ZoneInfo(zone))
    if local.fold:
        raise ValueError(f"{local.isoformat()} comes twice in {zone}, and this is its second time")
    if zone == "UTC":
        return vDatetime(at.astimezone(UTC))
    wall = vDatetime(local.replace(tzinfo=None))
    wall.params["TZID"] = zone
    return wall


def is_doubled(at: datetime, zone: str) -> bool:
    """Return whether an instant's wall time comes twice in its zone: no shift may start or end there.

    A skipped wall time is none that an instant can have.
    """
    local = at.astimezone(ZoneInfo(zone))
    return local.replace(fold=0).utcoffset() != local.replace(fold=1).utcoffset()
