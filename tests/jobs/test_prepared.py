"""A prepared query gives what the query gives, whatever the keys, their number and the thread."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.db import connection
from django.db.models import Count
from django.test.utils import CaptureQueriesContext

from jobs import prepared
from jobs.models import Reading, Room
from jobs.prepared import Prepared
from jobs.services import seen
from tests import make
from tests.conftest import NOW
from tests.threads import errors, together

pytestmark = pytest.mark.django_db
HOUR = timedelta(hours=1)


def rooms_of(keys):
    return Room.objects.filter(zone__in=keys).select_related("zone__job", "job").order_by("-pk")


def readings_of(keys):
    return Reading.objects.standing().filter(zone__in=keys).annotate(n=Count("flags")).order_by("pk")


def times_of(keys):
    return (
        Reading.objects.filter(origin__in=keys).order_by("happened_at").values_list("origin", "happened_at")
    )


def later_than(keys, at):
    return Reading.objects.filter(zone__in=keys, happened_at__gt=at).order_by("pk")


@pytest.fixture
def zones():
    by, zones = make.manager(), [make.room().zone for _ in range(6)]
    for number, zone in enumerate(zones):
        for hour in range(number % 3):
            envelope = make.envelope(by, ago=(hour + 1) * HOUR)
            seen.record_reading(envelope, zone=zone, temperature=20.5, unit="c", humidity_pct=45)
    return zones


@pytest.mark.parametrize("build", [rooms_of, readings_of])
def test_it_gives_the_same_rows_for_any_number_of_keys(zones, build):
    asked = Prepared(build)
    for count in (0, 1, 2, 3, 5, 6, 3):
        keys = [zone.pk for zone in zones[:count]]
        rows = asked(keys)

        assert rows == list(build(keys))
        assert [row.__dict__.keys() for row in rows] == [row.__dict__.keys() for row in build(keys)]
        assert [getattr(row, "n", None) for row in rows] == [getattr(row, "n", None) for row in build(keys)]


def test_what_is_joined_comes_with_it_in_one_query(zones):
    asked = Prepared(rooms_of)
    with CaptureQueriesContext(connection) as queries:
        names = [room.zone.job.name for room in asked([zone.pk for zone in zones])]

    assert len(queries) == 1
    assert names == [room.zone.job.name for room in rooms_of([zone.pk for zone in zones])]


def test_keys_may_be_uuids_and_rows_values(zones):
    asked = Prepared(times_of)
    origins = [reading.origin for reading in Reading.objects.all()]

    assert asked(origins) == list(times_of(origins))
    assert len(asked(origins[:3])) == 3
    assert asked(origins)[0][1].tzinfo == NOW.tzinfo


def test_an_instant_may_differ_too(zones):
    asked = Prepared(later_than)
    keys = [zone.pk for zone in zones]

    for ago in (2.5 * HOUR, 1.5 * HOUR, HOUR, 0.5 * HOUR):
        assert asked(keys, NOW - ago) == list(later_than(keys, NOW - ago))
    assert asked(keys, NOW - 2.5 * HOUR) != asked(keys, NOW - 1.5 * HOUR)


def test_other_rows_are_found_when_there_are_others(zones):
    asked = Prepared(rooms_of)
    before = asked([zones[0].pk])
    more = make.room(zone=zones[0])

    assert set(asked([zones[0].pk])) == {*before, more}
    assert asked([zones[1].pk]) == list(rooms_of([zones[1].pk]))


def test_more_keys_than_are_prepared_for_are_asked_as_ever(zones, monkeypatch):
    monkeypatch.setattr(prepared, "MOST_KEYS", 2)
    keys = [zone.pk for zone in zones]

    assert Prepared(rooms_of)(keys) == list(rooms_of(keys))


@pytest.mark.parametrize(
    "build",
    [
        lambda keys: Room.objects.filter(zone__in=keys[:1]),
        lambda keys: Room.objects.filter(zone=max(keys) + 1),
    ],
    ids=["leaves one out", "changes it"],
)
def test_a_query_that_does_not_use_its_keys_as_they_are_is_refused(zones, build):
    with pytest.raises(ValueError, match="as they are"):
        Prepared(build)([zone.pk for zone in zones[:2]])


@pytest.mark.django_db(transaction=True)
def test_each_thread_asks_on_its_own_connection():
    zones = [make.room().zone for _ in range(4)]
    asked = Prepared(rooms_of)
    expected = [[room.pk for room in rooms_of([zone.pk])] for zone in zones]

    came = together(*[lambda zone=zone: [room.pk for room in asked([zone.pk])] for zone in zones])

    assert not errors(came)
    assert came == expected
