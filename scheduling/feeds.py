"""The crews' calendars: rendered when something in them changed, answered from stored bytes, found by secret."""

from __future__ import annotations

import logging
from datetime import datetime, timedelta
from hmac import compare_digest

from django.conf import settings
from django.db import transaction
from django.db.models import Exists, F, OuterRef, Q
from django.urls import reverse

from jobs.core.words import Say, say
from jobs.core.worktime import time_zone
from jobs.models import Person, Room
from jobs.services.people import digest_of, new_secret
from scheduling import states
from scheduling.core import calendar
from scheduling.core.calendar_answer import version_tag
from scheduling.core.calendar_text import Tell
from scheduling.core.vtimezone import tzdata_version
from scheduling.events import stored_event
from scheduling.models import Assignment, Crew, CrewFeed, FeedEvent, FeedSecret, RoomState
from scheduling.printing import plain

log = logging.getLogger(__name__)

#: "Last fetched" is kept to the hour, so that a client which asks every minute does not write every minute.
FETCH_NOTED_EVERY = timedelta(hours=1)

DESCRIPTION = say(
    "The days given out to {crew}. A calendar program may show them up to a day late; the crew's page at {url}"
    " is the truth."
)


def find_secret(secret: str) -> FeedSecret | None:
    """Return the live secret of a crew that works, with its feed and whether a room in it has newer facts."""
    digest = digest_of(secret)
    rooms = Assignment.objects.filter(crew=OuterRef("feed"))
    behind = rooms.filter(
        Q(room__state__isnull=True) | ~Q(room__state__facts_version=F("room__facts_version"))
    )
    found = (
        FeedSecret.objects.filter(digest=digest, ended_at__isnull=True, feed__crew__closed_at__isnull=True)
        .select_related("feed__crew")
        .defer("feed__body")
        .annotate(is_behind=Exists(behind))
        .first()
    )
    return found if found is not None and compare_digest(found.digest, digest) else None


def is_due(secret: FeedSecret, *, now: datetime) -> bool:
    """Return whether the feed of a secret that `find_secret` returned must be rendered before it is answered."""
    feed = secret.feed
    ran_out = feed.good_until is not None and feed.good_until <= now
    return bool(secret.is_behind) or feed.rendered_at is None or ran_out  # type: ignore[attr-defined]


def renew(crew: Crew, *, now: datetime) -> CrewFeed:
    """Bring the states of the crew's rooms up to date and render its feed if anything shows otherwise."""
    states.refresh_due(Room.objects.filter(assignment_facts__crew=crew), now=now)
    CrewFeed.objects.get_or_create(crew=crew)
    with transaction.atomic():
        feed = CrewFeed.objects.select_for_update().get(crew=crew)
        return _render(feed, crew, now=now)


def new_feed_secret(crew: Crew, *, person: Person | None, now: datetime) -> str:
    """Make a further secret of a crew's feed and return the feed's whole address; it is shown this once."""
    feed, _made = CrewFeed.objects.get_or_create(crew=crew)
    secret = new_secret()
    FeedSecret.objects.create(feed=feed, digest=digest_of(secret), person=person, made_at=now)
    return settings.BASE_URL + reverse("scheduling:feed", args=[secret])


def end_feed_secret(secret: FeedSecret, *, now: datetime) -> None:
    """End one subscriber's secret; its address then answers like one that never was."""
    FeedSecret.objects.filter(pk=secret.pk, ended_at__isnull=True).update(ended_at=now)


def note_fetch(secret: FeedSecret, *, now: datetime) -> None:
    """Remember that the feed was asked for, to the hour."""
    if secret.last_fetched_at is None or secret.last_fetched_at <= now - FETCH_NOTED_EVERY:
        FeedSecret.objects.filter(pk=secret.pk).update(last_fetched_at=now)


def _render(feed: CrewFeed, crew: Crew, *, now: datetime) -> CrewFeed:
    rows = list(FeedEvent.objects.filter(assignment__crew=crew).order_by("start_at", "pk"))
    stored = {row.pk: stored_event(row) for row in rows}
    kept = [
        event for event in stored.values() if calendar.keeps(event, now) and calendar.in_window(event, now)
    ]
    day = calendar.window_day(crew.home_zone, now)
    rendered = calendar.render(_feed(crew, kept), day=day, tell=_tell(crew))
    if rendered.shortened or rendered.left_out:
        log.warning("feed of crew %s was too large: %s cut", crew.pk, rendered.left_out or rendered.shortened)
    for zone in rendered.listed_zones:
        log.info("feed of crew %s has a zone without yearly rules: %s", crew.pk, zone)
    changed = rendered.body != bytes(feed.body)
    feed.version += changed
    feed.body = rendered.body
    # A roll of the window changed the body at the instant the feed was good until, not when somebody asked.
    if changed or feed.last_modified is None:
        at = _changed_at(feed, kept, now=now)
        feed.last_modified = max(at, feed.last_modified or at)
    feed.etag = version_tag(feed.version, day, tzdata_version())
    feed.rendered_at = now
    feed.good_until = _good_until(crew, list(stored.values()), now=now)
    feed.save()
    shown = {event.uid for event in kept}
    unserved = [row.pk for row in rows if not row.was_served and stored[row.pk].uid in shown]
    FeedEvent.objects.filter(pk__in=unserved).update(was_served=True)
    return feed


def _feed(crew: Crew, kept: list[calendar.StoredEvent]) -> calendar.Feed:
    url = settings.BASE_URL + reverse("scheduling:today")
    values = {"crew": crew.name, "url": url}
    return calendar.Feed(
        name=f"{crew.name} \N{EN DASH} Setday",
        home_zone=crew.home_zone,
        events=kept,
        description=_tell(crew)(Say(DESCRIPTION.text, values)),
    )


def _changed_at(feed: CrewFeed, kept: list[calendar.StoredEvent], *, now: datetime) -> datetime:
    rolled = [feed.good_until] if feed.good_until is not None and feed.good_until <= now else []
    return max([*rolled, *(event.revised_at for event in kept)], default=now)


def _good_until(crew: Crew, events: list[calendar.StoredEvent], *, now: datetime) -> datetime | None:
    """Return the first instant at which a room's state or the window changes the feed by time alone."""
    ends = RoomState.objects.filter(room__assignment_facts__crew=crew, good_until__isnull=False)
    until = ends.order_by("good_until").values_list("good_until", flat=True).first()
    turn = calendar.next_window_change(events, now, home_zone=crew.home_zone)
    # The tag names the window's day, so the day's end renews it even where no event comes or goes.
    midnight = calendar.first_instant(
        calendar.window_day(crew.home_zone, now) + timedelta(days=1), crew.home_zone
    )
    return min(at for at in (until, turn, midnight) if at is not None)


def _tell(crew: Crew) -> Tell:
    zone = time_zone(crew.home_zone)
    return lambda said: plain(said, zone=zone)
