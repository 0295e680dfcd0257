"""Word that people are owed: written in the transaction that makes it true, sent through the outbox."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

from django.conf import settings
from django.urls import reverse

from jobs import outbox
from jobs.core.words import Say, say
from jobs.models import Person, Room
from jobs.says import to_json
from scheduling.models import BeganHeld, Message, TurnedAway
from scheduling.models.work import untranslated

if TYPE_CHECKING:
    from scheduling.answers import Loss


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


def _tell_managers(key: str, room: Room, subject: Say, body: Say, *, now: datetime) -> None:
    managers = Person.objects.filter(is_manager=True, is_active=True)
    Message.objects.bulk_create(
        [
            Message(
                key=key, person=person, room=room, subject=to_json(subject), body=to_json(body), owed_at=now
            )
            for person in managers
        ],
        ignore_conflicts=True,
    )
    for message in Message.objects.filter(key=key, person__in=managers):
        outbox.owe("send_message", key=f"message/{message.pk}", now=now, message=message.pk)


def address_of(room: Room) -> str:
    """Return the whole address of a room's page."""
    return settings.BASE_URL + reverse("scheduling:room", args=[room.pk])
