"""The crews' calendars: rendered when something in them changed, answered from stored bytes, found by secret."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from hmac import compare_digest
from typing import Any

from django.conf import settings
from django.db import connection, transaction
from django.urls import reverse
from django.utils import translation

from jobs.core.worktime import time_zone
from jobs.models import Person, Room
from jobs.services.people import digest_of, new_secret
from scheduling import states
from scheduling.core import calendar
from scheduling.core.calendar_answer import version_tag
from scheduling.core.calendar_event import feed_description
from scheduling.core.calendar_text import Tell
from scheduling.core.vtimezone import tzdata_version
from scheduling.events import stored_event
from scheduling.models import Crew, CrewFeed, FeedEvent, FeedSecret
from scheduling.printing import plain

log = logging.getLogger(__name__)

#: "Last fetched" is kept to the hour, so that a client which asks every minute does not write every minute.
FETCH_NOTED_EVERY = timedelta(hours=1)
#: What ended so long ago is in no window, whatever the zone.
LONG_GONE = timedelta(days=calendar.DAYS_BACK + 2)
SECOND = timedelta(seconds=1)


class FeedFailed(Exception):
    """A feed could not be brought up to date: it is answered with an error, never with old bytes."""


@dataclass(frozen=True, slots=True)
class Found:
    """A live secret and its feed as they stand, as much as an unchanged copy needs."""

    secret: int
    crew: int
    etag: str
    #: None: never rendered.
    last_modified: datetime | None
    #: Whether the feed must be brought up to date before it is answered.
    is_due: bool
    #: Whether the last fetch that was noted is so long ago that this one is noted too.
    is_unnoted: bool


# One statement, because calendar programs ask all day and nearly always for nothing new: it is most of what a
# server without visitors does.  Written out, because building it anew would take longer than running it.
_FIND = """
SELECT s.id, s.digest, f.crew_id, f.etag, f.last_modified,
    f.rendered_at IS NULL OR f.good_until <= %(now)s OR EXISTS (
        SELECT 1 FROM scheduling_assignment a
        JOIN jobs_room r ON r.id = a.room_id
        LEFT JOIN scheduling_roomstate t ON t.room_id = r.id
        WHERE a.crew_id = f.crew_id
        AND (t.room_id IS NULL OR t.facts_version <> r.facts_version OR t.good_until <= %(now)s)),
    s.last_fetched_at IS NULL OR s.last_fetched_at <= %(noted)s
FROM scheduling_feedsecret s
JOIN scheduling_crewfeed f ON f.crew_id = s.feed_id
JOIN scheduling_crew c ON c.id = f.crew_id
LEFT JOIN jobs_person p ON p.id = s.person_id
WHERE s.digest = %(digest)s AND s.ended_at IS NULL AND c.closed_at IS NULL
AND (s.person_id IS NULL OR p.is_active AND (p.is_manager OR EXISTS (
    SELECT 1 FROM scheduling_crewmember m
    WHERE m.crew_id = c.id AND m.person_id = p.id AND m.to_on IS NULL)))
"""
_STAMP = CrewFeed._meta.get_field("last_modified").cached_col


def find_secret(secret: str, *, now: datetime) -> Found | None:
    """Return the live secret of a crew that works, in one query.

    None: it never was one, it is ended, its person is switched off or has left the crew, or the crew is closed.
    """
    digest = digest_of(secret)
    adapt = connection.ops.adapt_datetimefield_value
    values = {"digest": digest, "now": adapt(now), "noted": adapt(now - FETCH_NOTED_EVERY)}
    with connection.cursor() as cursor:
        cursor.execute(_FIND, values)
        row = cursor.fetchone()
    if row is None or not compare_digest(row[1], digest):
        return None
    ident, _digest, crew, etag, last_modified, is_due, is_unnoted = row
    is_due = bool(is_due) or not _is_of_this_code(etag)
    return Found(ident, crew, etag, _instant(last_modified), is_due, bool(is_unnoted))


def _instant(stored: Any) -> datetime | None:
    """Return an instant as the database's driver gave it."""
    for convert in connection.ops.get_db_converters(_STAMP):
        stored = convert(stored, _STAMP, connection)
    found: datetime | None = stored
    return found


def _is_of_this_code(etag: str) -> bool:
    """Return whether a feed was written with the zone database and in the form of this very code."""
    return etag.endswith(f'-{tzdata_version()}-{calendar.FORMAT}"')


def renew(crew: Crew, *, now: datetime) -> CrewFeed:
    """Bring the states of the crew's rooms up to date, and its feed if anything in it may show otherwise.

    Raises:
        FeedFailed: an event could not be written; nothing is stored.
    """
    try:
        states.refresh_due(Room.objects.filter(assignment_facts__crew=crew), now=now)
        CrewFeed.objects.get_or_create(crew=crew)
        with transaction.atomic(), translation.override(settings.LANGUAGE_CODE):
            feed = CrewFeed.objects.select_for_update(no_key=True).get(crew=crew)
            # Whoever waited for the lock finds it done, and cannot turn it back to an earlier day.
            return _render(feed, crew, now=now) if _is_due(feed, now=now) else feed
    except Exception as error:
        raise FeedFailed(f"the calendar of crew {crew.pk} could not be written") from error


def stored(crew: int) -> CrewFeed:
    """Return a crew's feed with its bytes."""
    return CrewFeed.objects.select_related("crew").get(crew=crew)


def served(crew: int) -> CrewFeed:
    """Return a crew's feed with its bytes, and note first that an answer carries its events.

    What no answer ever carried leaves no trace when it is withdrawn.
    """
    feed = stored(crew)
    if not feed.unserved:
        return feed
    with transaction.atomic():
        CrewFeed.objects.select_for_update(no_key=True).get(crew=crew)
        feed = stored(crew)
        FeedEvent.objects.filter(pk__in=feed.unserved).update(was_served=True)
        feed.unserved = []
        feed.save(update_fields=["unserved"])
    return feed


def new_feed_secret(crew: Crew, *, person: Person | None, now: datetime) -> str:
    """Make a further secret of a crew's feed and return the feed's whole address; it is shown this once."""
    feed, _made = CrewFeed.objects.get_or_create(crew=crew)
    secret = new_secret()
    FeedSecret.objects.create(feed=feed, digest=digest_of(secret), person=person, made_at=now)
    return settings.BASE_URL + reverse("scheduling:feed", args=[secret])


def end_feed_secret(secret: FeedSecret, *, now: datetime) -> None:
    """End one subscriber's secret; its address then answers like one that never was."""
    FeedSecret.objects.filter(pk=secret.pk, ended_at__isnull=True).update(ended_at=now)


def note_fetch(found: Found, *, now: datetime) -> None:
    """Remember that the feed was asked for, to the hour."""
    if found.is_unnoted:
        FeedSecret.objects.filter(pk=found.secret).update(last_fetched_at=now)


def _is_due(feed: CrewFeed, *, now: datetime) -> bool:
    if feed.rendered_at is None or not _is_of_this_code(feed.etag):
        return True
    return feed.good_until is not None and feed.good_until <= now


def _render(feed: CrewFeed, crew: Crew, *, now: datetime) -> CrewFeed:
    rows = FeedEvent.objects.filter(assignment__crew=crew, end_at__gt=now - LONG_GONE)
    events = {row.pk: stored_event(row) for row in rows}
    kept = calendar.visible(events.values(), now)
    day = calendar.window_day(crew.home_zone, now)
    rendered = calendar.render(_feed(crew, kept), day=day, tell=_tell(crew))
    if rendered.shortened or rendered.left_out:
        log.warning("feed of crew %s was too large: %s cut", crew.pk, rendered.left_out or rendered.shortened)
    for zone in rendered.listed_zones:
        log.info("feed of crew %s has a zone without yearly rules: %s", crew.pk, zone)
    if rendered.body != bytes(feed.body) or feed.last_modified is None:
        feed.version += 1
        feed.body = rendered.body
        feed.last_modified = _changed_at(feed, kept, now=now)
    carried = {event.uid for event in kept} - set(rendered.left_out)
    feed.unserved = [pk for pk, event in events.items() if not event.served and event.uid in carried]
    feed.etag = version_tag(feed.version, day, tzdata_version())
    feed.rendered_at = now
    feed.good_until = _good_until(crew, list(events.values()), now=now)
    feed.save()
    return feed


def _feed(crew: Crew, kept: Sequence[calendar.StoredEvent]) -> calendar.Feed:
    as_of = max((event.revised_at for event in kept), default=None)
    page = settings.BASE_URL + reverse("scheduling:today")
    return calendar.Feed(
        name=f"{crew.name} \N{EN DASH} Setday",
        home_zone=crew.home_zone,
        events=kept,
        description=feed_description(crew.name, as_of=as_of, page=page, tell=_tell(crew)),
    )


def _changed_at(feed: CrewFeed, kept: Sequence[calendar.StoredEvent], *, now: datetime) -> datetime:
    """Return when the bytes changed: with the last event, or when the window rolled, not when somebody asked."""
    rolled = [feed.good_until] if feed.good_until is not None and feed.good_until <= now else []
    at = max([*rolled, *(event.revised_at for event in kept)], default=now)
    before = feed.last_modified
    if before is None or at > before:
        return min(at, now)
    # Two changes in one second, or one that has no instant: a client that sends only a date must see it too.
    return min(before + SECOND, max(before, now))


def _good_until(crew: Crew, events: Sequence[calendar.StoredEvent], *, now: datetime) -> datetime:
    """Return the first instant at which the window changes the feed; the rooms' states have their own."""
    turn = calendar.next_window_change(events, now, home_zone=crew.home_zone)
    # The tag names the window's day, so the day's end renews it even where no event comes or goes.
    tomorrow = calendar.window_day(crew.home_zone, now) + timedelta(days=1)
    midnight = calendar.first_instant(tomorrow, crew.home_zone)
    return min(midnight, turn or midnight)


def _tell(crew: Crew) -> Tell:
    zone = time_zone(crew.home_zone)
    return lambda said: plain(said, zone=zone)
