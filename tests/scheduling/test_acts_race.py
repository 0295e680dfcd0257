"""Two people at the same act at the same moment, with real transactions: one wins, the other is told."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pytest
from django.urls import reverse

from config import clock
from jobs.models import Reading
from materials.models import Arrival, Opening, Placement
from scheduling.models import Finish, Start
from scheduling.services import handling
from tests.conftest import NOW
from tests.scheduling import acts_world
from tests.scheduling.acts_world import act_path, filled, words_of
from tests.threads import errors, together


@dataclass
class Race:
    """An act that two people send at once, and what must stand after."""

    path: Any
    typed: Any
    #: The status of the one who comes second.
    second: int
    after: Any


RACES = {
    "start": Race(
        lambda w: act_path("rooms", w.ready, "start"),
        lambda w: {},
        409,
        lambda w: Start.objects.filter(room=w.ready).count() == 1,
    ),
    "finish": Race(
        lambda w: act_path("rooms", w.begun, "finish"),
        lambda w: {},
        409,
        lambda w: Finish.objects.filter(room=w.begun).count() == 1,
    ),
    "arrival": Race(
        lambda w: act_path("dispatches", w.dispatch, "arrival"),
        lambda w: {},
        409,
        lambda w: Arrival.objects.filter(dispatch=w.dispatch).count() == 1,
    ),
    "opening": Race(
        lambda w: act_path("placements", w.wrapped, "open"),
        lambda w: {},
        409,
        lambda w: Opening.objects.filter(placement=w.wrapped).count() == 1,
    ),
    "move": Race(
        lambda w: act_path("placements", w.wrapped, "move"),
        lambda w: {"sheets": "5", "room": str(w.twin.pk)},
        422,
        lambda w: handling.standing_of(w.wrapped).sheets == 3,
    ),
    "inspection": Race(
        lambda w: act_path("placements", w.wrapped, "inspect"),
        lambda w: {"inspected": "8"},
        422,
        lambda w: handling.standing_of(w.wrapped).inspected == 8,
    ),
    "sheets set": Race(
        lambda w: act_path("rooms", w.begun, "sheets-set"),
        lambda w: {f"sheets_{w.begun_placed.origin}": "4"},
        422,
        lambda w: handling.standing_of(w.begun_placed).sheets == 2,
    ),
    "correction": Race(
        lambda w: reverse("scheduling:correct", args=[w.reading.pk]),
        lambda w: {"temperature": "19"},
        409,
        lambda w: Reading.objects.filter(origin=w.reading.origin).count() == 2,
    ),
    "withdrawal": Race(
        lambda w: reverse("scheduling:withdraw", args=[w.wrapped.pk]),
        lambda w: {"reason": "other site"},
        409,
        lambda w: Placement.objects.filter(origin=w.wrapped.origin).count() == 2,
    ),
}


@pytest.mark.parametrize("name", RACES)
@pytest.mark.django_db(transaction=True)
def test_one_wins_and_the_other_is_told(name, monkeypatch):
    monkeypatch.setattr(clock, "read", lambda: NOW)
    world, race = acts_world.build(), RACES[name]
    path = race.path(world)
    clients = [world.client("lead"), world.client("boss")]
    sent = [filled(client, path, race.typed(world)) for client in clients]

    answers = together(*(lambda c=c, s=s: c.post(path, s) for c, s in zip(clients, sent, strict=True)))

    assert not errors(answers)
    assert sorted(answer.status_code for answer in answers) == [302, race.second], [
        words_of(answer) for answer in answers
    ]
    assert race.after(world)


@pytest.mark.django_db(transaction=True)
def test_one_person_who_presses_twice_records_once(monkeypatch):
    monkeypatch.setattr(clock, "read", lambda: NOW)
    world = acts_world.build()
    path = act_path("rooms", world.ready, "start")
    client = world.client("lead")
    sent = filled(client, path, {})

    answers = together(*(lambda: client.post(path, sent) for _press in range(4)))

    assert not errors(answers)
    assert {answer.status_code for answer in answers} == {302}
    assert Start.objects.filter(room=world.ready).count() == 1
