"""One shift of a crew in words: from what is known of its room to what its calendar event shows."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

from jobs.core.forecast import Forecast
from jobs.core.words import Say, say
from scheduling.core.calendar import EventFields, Status, is_doubled, window_day
from scheduling.core.calendar_text import (
    LEAST_REMAINDER,
    Tell,
    Words,
    clean_text,
    cut,
    join_lines,
    one_line,
)

#: A phone's week view shows about 15 characters of a title, its day view about this many.
LONGEST_TITLE = 60
LONGEST_DESCRIPTION = 1_000
#: No single line may crowd out those after it: a waiver and the reading at the door must be named.
LONGEST_LINE = 240


@dataclass(frozen=True, slots=True)
class StandingHold:
    """A hold that keeps the room from being fit to send: its name ("rest"), its end (None: unknown)."""

    name: Words
    forecast: Forecast | None = None


@dataclass(frozen=True, slots=True)
class NextAct:
    """The next act, who is to do it, and the last moment for it, if that is a fixed instant."""

    act: Words
    who: Words
    latest_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class SignedWaiver:
    """A hold waived, who signed, and why."""

    hold: Words
    by: str
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Begun:
    """When the work began, and whether it did so while the room was held."""

    at: datetime
    while_held: bool = False


@dataclass(frozen=True, slots=True)
class Withdrawal:
    """When the shift was taken out of the plan in force, and why."""

    at: datetime
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ShiftFacts:
    """What is known of one shift and its room.

    Nothing in it may slide with the clock: a sentence that counts from the present would be wrong in a
    calendar by the time it is read.  And nothing that the feed's reader may not see: no telephone numbers,
    customers' names or door codes, as a feed travels to third parties' servers.
    """

    uid: str
    start_at: datetime
    end_at: datetime
    zone: str
    room: str
    kind: str  # of work: Prep, Install, Finish; constant words, never a crew's name
    url: str  # needs a login; never the feed's secret
    beside: str = ""  # the job in a crew's feed, the crew in a job's
    day: int = 1
    days: int = 1
    address: str = ""  # postal, so that a map finds it
    entrance: str = ""  # gate or floor
    fit_to_send: bool = False
    released: bool = False
    begun: Begun | None = None
    finished_at: datetime | None = None
    withdrawn: Withdrawal | None = None
    holds: tuple[StandingHold, ...] = ()  # in the order a room clears them
    next_act: NextAct | None = None
    bring: tuple[Words, ...] = ()
    waivers: tuple[SignedWaiver, ...] = ()
    at_the_door: tuple[Words, ...] = ()  # what is to be read there before the first sheet
    access: Words = ""


def event_fields(facts: ShiftFacts, *, tell: Tell) -> EventFields:
    """Return what the shift's event shows; `tell` prints instants on the clock of the site.

    Raises:
        ValueError: the shift starts or ends in an hour that its zone's clock shows twice, or is no event.
    """
    if is_doubled(facts.start_at, facts.zone) or is_doubled(facts.end_at, facts.zone):
        raise ValueError("a shift may not start or end in an hour that comes twice")
    return EventFields(
        uid=facts.uid,
        start_at=facts.start_at,
        end_at=facts.end_at,
        zone=facts.zone,
        status=status_of(facts),
        summary=title_of(facts, tell=tell),
        location=", ".join(filter(None, (one_line(facts.address), one_line(facts.entrance)))),
        description=description_of(facts, tell=tell),
        category=one_line(facts.kind),
        url=one_line(facts.url),
    )


def status_of(facts: ShiftFacts) -> Status:
    """Return CONFIRMED while the room is fit to send and ever after the work began, held or not."""
    if facts.withdrawn:
        return Status.CANCELLED
    return Status.CONFIRMED if facts.fit_to_send or facts.begun else Status.TENTATIVE


def title_of(facts: ShiftFacts, *, tell: Tell) -> str:
    """Return one line of at most 60 characters: how firm, the room, what it belongs to, which day.

    How firm stands first because several programs show TENTATIVE and CANCELLED like any other event.  Where
    it is too long what stands beside the room is cut, then the room, never the day.
    """
    status = status_of(facts)

    def framed(what: str) -> str:
        if facts.days > 1:
            what = tell(say("{what}, day {day} of {days}", what=what, day=facts.day, days=facts.days))
        if status is Status.TENTATIVE:
            what = tell(say("Held: {what}", what=what))
        if status is Status.CANCELLED:
            what = tell(say("Cancelled: {what}", what=what))
        return what

    left = LONGEST_TITLE - len(framed(""))
    room, beside = cut(one_line(facts.room), left), one_line(facts.beside)
    left -= len(room) + len(", ")
    if beside and left >= min(len(beside), LEAST_REMAINDER):
        return framed(f"{room}, {cut(beside, left)}")
    return framed(room)


def description_of(facts: ShiftFacts, *, tell: Tell) -> str:
    """Return at most 1,000 characters of plain text, most needed first, the link always last."""
    lines = (cut(clean_text(tell(line)), LONGEST_LINE) for line in _lines(facts))
    link = tell(say("Open: {url}", url=one_line(facts.url))) if facts.url else ""
    return join_lines(lines, last=link, limit=LONGEST_DESCRIPTION)


def _lines(facts: ShiftFacts) -> Iterator[Say]:
    if facts.withdrawn:
        yield _withdrawn_line(facts.withdrawn, facts.zone)
    elif facts.finished_at:
        yield say("Finished {at}.", at=facts.finished_at)
    else:
        yield from _state_lines(facts)
        yield from _work_lines(facts)


def _withdrawn_line(withdrawn: Withdrawal, zone: str) -> Say:
    day = window_day(zone, withdrawn.at)
    if reason := one_line(withdrawn.reason):
        return say("Withdrawn {day}: {reason}", day=day, reason=reason)
    return say("Withdrawn {day}.", day=day)


def _state_lines(facts: ShiftFacts) -> Iterator[Say]:
    """Say how firm the shift is, and what holds the room."""
    if facts.day > 1:
        yield say("Follows day {day}.", day=facts.day - 1)
    if facts.begun:
        yield _begun_line(facts.begun)
    elif facts.released:
        yield say("Released. Nothing holds this room.")
    elif facts.fit_to_send:
        yield say("Fit to send.")
    if facts.begun or (facts.day == 1 and not facts.fit_to_send):
        yield from map(_hold_line, facts.holds)
    if facts.day == 1 and status_of(facts) is Status.TENTATIVE:
        yield from _doubt_lines(facts)


def _is_told_by_first_day(facts: ShiftFacts) -> bool:
    """Return whether this is a later day of work that has not begun: the first day's text says the rest."""
    return facts.day > 1 and not facts.begun


def _begun_line(begun: Begun) -> Say:
    if begun.while_held:
        return say("Begun while held {at}.", at=begun.at)
    return say("Begun {at}.", at=begun.at)


def _hold_line(hold: StandingHold) -> Say:
    """Say a hold and when it clears: as an instant if that is fixed, else as the time still to rest."""
    if hold.forecast is None:
        return say("Held by {hold}, no date known.", hold=hold.name)
    if hold.forecast.at is not None:
        return say("Held by {hold}, forecast clear {at}.", hold=hold.name, at=hold.forecast.at)
    assert hold.forecast.after is not None
    return say("Held by {hold}, {span} still to rest.", hold=hold.name, span=_rounded_up(hold.forecast.after))


def _rounded_up(span: timedelta) -> timedelta:
    """Return whole minutes: printed cut off, the crew would come too early."""
    return timedelta(minutes=-(-span // timedelta(minutes=1)))


def _doubt_lines(facts: ShiftFacts) -> Iterator[Say]:
    """Say that the day is in doubt where a forecast lies past the start; the event itself does not move.

    A forecast that counts from the present is turned round, into the last moment from which it still fits.
    """
    forecasts = [hold.forecast for hold in facts.holds if hold.forecast]
    if any(forecast.at > facts.start_at for forecast in forecasts if forecast.at):
        yield say("The day is in doubt: the forecast is after the planned start.")
    if after := max((forecast.after for forecast in forecasts if forecast.after), default=None):
        by = facts.start_at - after
        yield say("The day is in doubt if the rest is not running again by {at}.", at=by)


def _work_lines(facts: ShiftFacts) -> Iterator[Say]:
    """Say what is to be done, brought and known."""
    if facts.next_act and not _is_told_by_first_day(facts):
        yield _next_line(facts.next_act)
    if facts.bring and not _is_told_by_first_day(facts):
        yield say("Bring: {things}.", things=facts.bring)
    yield from map(_waiver_line, facts.waivers)
    if facts.fit_to_send and not facts.released and facts.at_the_door:
        yield say("Read at the door, before the first sheet: {what}.", what=facts.at_the_door)
    if facts.access:
        yield say("Access: {access}", access=facts.access)


def _next_line(next_act: NextAct) -> Say:
    if next_act.latest_at is None:
        return say("Next: {act} ({who}).", act=next_act.act, who=next_act.who)
    return say("Next: {act} ({who}), latest {at}.", act=next_act.act, who=next_act.who, at=next_act.latest_at)


def _waiver_line(waiver: SignedWaiver) -> Say:
    if reason := one_line(waiver.reason):
        return say("Waived: {hold}, signed by {by}: {reason}", hold=waiver.hold, by=waiver.by, reason=reason)
    return say("Waived: {hold}, signed by {by}.", hold=waiver.hold, by=waiver.by)


def feed_description(what: str, *, as_of: datetime | None, page: str, tell: Tell) -> str:
    """Return the calendar's own sentence: what it is, as of when, that it may be late, where the truth is.

    `as_of` is the last `revised_at` of its events, never the time of a request; None where there are none.
    """
    if as_of is None:
        return tell(
            say(
                "This calendar shows the days of {what}: it may be up to a day late, the truth is at {page}.",
                what=what,
                page=page,
            )
        )
    return tell(
        say(
            "This calendar shows the days of {what} as of {at}: "
            "it may be up to a day late, the truth is at {page}.",
            what=what,
            at=as_of,
            page=page,
        )
    )
