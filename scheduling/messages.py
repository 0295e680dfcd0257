"""Word that people are owed: written in the transaction that makes it true, sent through the outbox."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import TYPE_CHECKING

from django.conf import settings
from django.db.models import QuerySet
from django.urls import reverse

from jobs import outbox
from jobs.core.words import Say, say
from jobs.models import Person, Room
from jobs.says import to_json
from scheduling.curing import upset_words, waits_words
from scheduling.models import BeganHeld, CrewMember, Message, TurnedAway
from scheduling.models.work import untranslated
from scheduling.silence import StoredSilence, silent_words, together

if TYPE_CHECKING:
    from materials.core.cure import Cure
    from scheduling.answers import Loss
    from scheduling.gather import Gathered


def tell_managers_held_again(room: Room, loss: Loss, *, version: int, now: datetime) -> None:
    """Owe every manager word that a promised room which was fit to send is held again."""
    holds = tuple(Say(untranslated(name)) for name in loss.holds)
    subject = say("{room} is held again by {holds}", room=room.name, holds=holds)
    body = say(
        "{room}, {job}: it was fit to send and is held again by {holds}. Its day in the crew's calendar says Held"
        " once more.",
        room=room.name,
        job=room.job.name,
        holds=holds,
    )
    _tell_managers(f"held_again/{room.pk}/{version}/{loss.at:%Y%m%dT%H%M%SZ}", room, subject, body, now=now)


def tell_managers_began_held(fact: BeganHeld, *, now: datetime) -> None:
    """Owe every manager word that a crew began while the room was held."""
    subject = say("{room} was begun while held", room=fact.room.name)
    _tell_managers(f"began_held/{fact.pk}", fact.room, subject, fact.says(), now=now)


def tell_managers_turned_away(fact: TurnedAway, *, now: datetime) -> None:
    """Owe every manager word that a crew came and could not work."""
    subject = say("{crew} was turned away from {room}", crew=fact.crew.name, room=fact.room.name)
    _tell_managers(f"turned_away/{fact.pk}", fact.room, subject, fact.says(), now=now)


def tell_of_cure(gathered: Gathered, cure: Cure, *, now: datetime) -> None:
    """Owe managers and the room's crew word of air that left the setting band, and of what must wait."""
    room = gathered.room
    people = _managers() | _crew_of(gathered)
    for spell in cure.upset:
        subject = say("The air of {room} left its band while the adhesive cures", room=room.name)
        body = say(
            "{room}, {job}: since {since}. {what} It should be held until {until}; what was set may let go."
            " The adhesive’s maker says what to do.",
            room=room.name,
            job=room.job.name,
            since=spell.from_at,
            what=upset_words(spell),
            until=cure.until_at,
        )
        _tell(people, f"cure/{room.pk}/{spell.from_at:%Y%m%dT%H%M%SZ}", room, subject, body, now=now)
    waits = waits_words(cure)
    is_ahead = any(at is not None and now < at for at in (cure.washing_from, cure.cooling_from))
    if gathered.finished_at is not None and waits is not None and is_ahead:
        subject = say("What must wait in {room}", room=room.name)
        who = room.job.site_agent or say("whoever cleans and cools it")
        body = say(
            "{room}, {job}: {waits} Tell {who}.", room=room.name, job=room.job.name, waits=waits, who=who
        )
        _tell(people, f"waits/{room.pk}/{cure.last_set_at:%Y%m%dT%H%M%SZ}", room, subject, body, now=now)


def tell_of_silence(fallen: Iterable[tuple[Room, StoredSilence]], *, now: datetime) -> None:
    """Owe every manager word of each logger that fell silent where panels rest or an adhesive cures, once."""
    rooms: dict[tuple[str, int], Room] = {}
    silent = []
    for room, one in fallen:
        rooms.setdefault(one.key, room)
        silent.append(one)
    for one in together(silent):
        room = rooms[one.key]
        subject = say("Logger {logger} in {zone} fell silent", logger=one.logger, zone=one.zone_name)
        body = say("{job}: {silent}", job=room.job.name, silent=silent_words(one))
        key = f"silent/{one.zone}/{one.logger}/{one.since:%Y%m%dT%H%M%SZ}"
        _tell_managers(key, room, subject, body, now=now)


def _managers() -> QuerySet[Person]:
    return Person.objects.filter(is_manager=True, is_active=True)


def _crew_of(gathered: Gathered) -> QuerySet[Person]:
    """Return the people of the crew that a room was given to."""
    crew = gathered.planned.crew if gathered.planned else None
    members = CrewMember.objects.filter(crew=crew, to_on__isnull=True)
    return Person.objects.filter(is_active=True, pk__in=members.values("person"))


def _tell_managers(key: str, room: Room, subject: Say, body: Say, *, now: datetime) -> None:
    _tell(_managers(), key, room, subject, body, now=now)


def _tell(people: QuerySet[Person], key: str, room: Room, subject: Say, body: Say, *, now: datetime) -> None:
    Message.objects.bulk_create(
        [
            Message(
                key=key, person=person, room=room, subject=to_json(subject), body=to_json(body), owed_at=now
            )
            for person in people
        ],
        ignore_conflicts=True,
    )
    for message in Message.objects.filter(key=key, person__in=people):
        outbox.owe("send_message", key=f"message/{message.pk}", now=now, message=message.pk)


def address_of(room: Room) -> str:
    """Return the whole address of a room's page."""
    return settings.BASE_URL + reverse("scheduling:room", args=[room.pk])
