"""Times of the site in the acts' forms: the hour a clock change repeats is asked for, one it skips is refused."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from config import clock
from jobs.models import Memory, Reading
from jobs.services import seen
from scheduling.acts.times import SiteTimeField, comes_twice, is_skipped
from tests import make
from tests.scheduling.acts_world import act_path, filled, form_of, words_of, wrong_in

# The clocks of Paris went back on Sunday 25 October 2026 at 01:00 UTC, from 03:00 to 02:00: 02:30 came twice,
# at 00:30 and 01:30 UTC.  Chicago's went back on 1 November 2026 at 07:00 UTC, from 02:00 to 01:00.
# Source: the IANA time zone database.
AUTUMN = datetime(2026, 11, 2, 12, 0, tzinfo=UTC)
TWICE = [
    pytest.param(
        "Europe/Paris",
        "2026-10-25T02:30",
        {
            "first": datetime(2026, 10, 25, 0, 30, tzinfo=UTC),
            "second": datetime(2026, 10, 25, 1, 30, tzinfo=UTC),
        },
        id="paris",
    ),
    pytest.param(
        "America/Chicago",
        "2026-11-01T01:15",
        {
            "first": datetime(2026, 11, 1, 6, 15, tzinfo=UTC),
            "second": datetime(2026, 11, 1, 7, 15, tzinfo=UTC),
        },
        id="chicago",
    ),
]


@pytest.fixture
def in_autumn(db, monkeypatch):
    """Return a zone on a job in a time zone, and the manager's browser, after the clocks went back."""
    monkeypatch.setattr(clock, "read", lambda: AUTUMN)

    def made(time_zone, client):
        boss = make.manager()
        client.force_login(boss)
        return make.zone(job=make.job(site=make.site(time_zone=time_zone))), boss

    return made


@pytest.mark.parametrize(("time_zone", "typed", "instants"), TWICE)
@pytest.mark.parametrize("which", ["first", "second"])
def test_a_time_that_came_twice_is_asked_for_by_a_choice(
    which, time_zone, typed, instants, in_autumn, client
):
    zone, _boss = in_autumn(time_zone, client)
    path = act_path("zones", zone, "reading")
    sent = filled(client, path, {"temperature": "20", "humidity_pct": "47", "happened_at": typed})
    assert "happened_at_again" not in sent

    asked = client.post(path, sent)

    assert (asked.status_code, wrong_in(asked)) == (422, {"happened_at_again"})
    assert f"Which {typed[-5:]}?" in words_of(asked)
    assert "This time came twice that night" in words_of(asked)
    kept = form_of(asked)
    assert (kept["happened_at"], kept["temperature"]) == ([typed], ["20"])
    answered = client.post(path, kept | {"happened_at_again": [which]})
    assert answered.status_code == 302
    assert Reading.objects.get(pk=sent["act"][0]).happened_at == instants[which]


@pytest.mark.parametrize(("time_zone", "typed", "instants"), TWICE)
@pytest.mark.parametrize("which", ["first", "second"])
def test_a_correction_says_which_of_the_two_it_was(which, time_zone, typed, instants, in_autumn, client):
    zone, boss = in_autumn(time_zone, client)
    at = instants[which] + timedelta(seconds=37)
    fact = seen.record_reading(
        make.envelope(boss, at=at, now=AUTUMN), zone=zone, temperature=20, unit="c", humidity_pct=47
    )

    page = client.get(f"/facts/{fact.pk}/correct/")
    shown = form_of(page)
    client.post(f"/facts/{fact.pk}/correct/", shown | {"temperature": ["21"]})

    assert (shown["happened_at"], shown["happened_at_again"]) == ([typed], [which])
    assert Reading.objects.standing().get(origin=fact.origin).happened_at == at


def test_each_time_of_a_form_is_asked_for_on_its_own(in_autumn, client):
    zone, _boss = in_autumn("Europe/Paris", client)
    path = act_path("zones", zone, "memory")
    figures = {"t_min": "18", "t_max": "20", "rh_min": "40", "rh_max": "50"}
    sent = filled(client, path, {"from_at": "2026-10-25T02:30", "happened_at": "2026-10-25T02:30", **figures})

    asked = client.post(path, sent)
    both = {"from_at_again": ["first"], "happened_at_again": ["second"]}
    answered = client.post(path, form_of(asked) | both)

    assert wrong_in(asked) == {"from_at_again", "happened_at_again"}
    assert answered.status_code == 302
    memory = Memory.objects.get()
    assert memory.happened_at - memory.from_at == timedelta(hours=1)


@pytest.mark.parametrize(
    ("time_zone", "typed"),
    [
        # 29 March 2026, 02:00 to 03:00 in Paris; 8 March 2026, 02:00 to 03:00 in Chicago: IANA time zone database.
        pytest.param("Europe/Paris", "2026-03-29T02:00", id="paris-from-its-first-minute"),
        pytest.param("Europe/Paris", "2026-03-29T02:59", id="paris-to-its-last"),
        pytest.param("America/Chicago", "2026-03-08T02:30", id="chicago"),
    ],
)
def test_a_time_that_the_clocks_skipped_is_refused(time_zone, typed, in_autumn, client):
    zone, _boss = in_autumn(time_zone, client)
    path = act_path("zones", zone, "reading")

    answer = client.post(
        path, filled(client, path, {"temperature": "20", "humidity_pct": "47", "happened_at": typed})
    )

    assert (answer.status_code, wrong_in(answer)) == (422, {"happened_at"})
    assert "The clocks skip this time" in words_of(answer)


def test_the_hour_around_a_change_is_told_to_the_minute():
    paris = ZoneInfo("Europe/Paris")

    twice = [datetime(2026, 10, 25, hour, minute) for hour, minute in ((1, 59), (2, 0), (2, 59), (3, 0))]  # noqa: DTZ001
    skipped = [datetime(2026, 3, 29, hour, minute) for hour, minute in ((1, 59), (2, 0), (2, 59), (3, 0))]  # noqa: DTZ001

    assert [comes_twice(wall, paris) for wall in twice] == [False, True, True, False]
    assert [is_skipped(wall, paris) for wall in skipped] == [False, True, True, False]
    assert not any(comes_twice(wall, paris) for wall in skipped)


@pytest.mark.parametrize(
    ("typed", "instant"),
    [
        ("2026-05-14T07:30", datetime(2026, 5, 14, 5, 30, tzinfo=UTC)),
        ("2026-05-14 07:30", datetime(2026, 5, 14, 5, 30, tzinfo=UTC)),
        ("2026-01-14T07:30:15", datetime(2026, 1, 14, 6, 30, 15, tzinfo=UTC)),
        ("", None),
    ],
)
def test_a_wall_time_is_read_on_the_sites_clock(typed, instant):
    field = SiteTimeField(required=False)
    field.zone = ZoneInfo("Europe/Paris")

    assert field.clean(typed) == instant


@pytest.mark.parametrize(
    "typed",
    [
        "07:30",
        "2026-05-14",
        "2026-13-01T07:30",
        "2026-W20-4T07:30",
        "0001-01-01T00:00",
        "9999-12-31T23:59",
        "٢٠٢٦",
    ],
)
def test_what_is_no_time_is_refused_as_it_was_typed(typed, in_autumn, client):
    zone, _boss = in_autumn("Pacific/Auckland", client)
    path = act_path("zones", zone, "reading")

    answer = client.post(
        path, filled(client, path, {"temperature": "20", "humidity_pct": "47", "happened_at": typed})
    )

    assert (answer.status_code, wrong_in(answer)) == (422, {"happened_at"})
    assert form_of(answer)["happened_at"] == [typed]
