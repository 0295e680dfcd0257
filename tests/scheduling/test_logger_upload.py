"""A logger's file through its pages: asked, read back in words, stored; again, and with other values."""

from __future__ import annotations

import html
import re
from datetime import timedelta

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client

from config import clock
from jobs.models import Entry, Reading, ReadingFile, Site
from scheduling import states
from scheduling.models import RoomState
from scheduling.services import crews
from tests import make
from tests.conftest import NOW
from tests.scheduling.test_workbook_views import Body, posted, words

pytestmark = pytest.mark.django_db

#: Times with their offset leave nothing to ask: RFC 3339.
CERTAIN = (
    "time,temperature °C,relative humidity %\n"
    "2026-06-10T08:00:00+02:00,20.5,45\n"
    "2026-06-10T08:10:00+02:00,20.6,45.5\n"
    "2026-06-10T08:20:00+02:00,20.7,46\n"
)
#: Neither the zone, nor the order of day and month, nor the unit.
OPEN = "time,temperature,humidity\n04/05/2026 08:00,20.5,45\n04/05/2026 08:10,20.6,45\n"


@pytest.fixture(autouse=True)
def present(monkeypatch):
    """The clock of the requests stands at NOW: 09:00 UTC, 11:00 in Paris."""
    monkeypatch.setattr(clock, "read", lambda: NOW)


@pytest.fixture
def room():
    return make.room(zone=make.zone(name="East"))


@pytest.fixture
def url(room):
    return f"/zones/{room.zone_id}/logger-file/"


@pytest.fixture
def page(client):
    """A manager's browser."""
    client.force_login(make.manager())
    return client


def chosen(page, url, text, *, name="kitchen.csv", **fields):
    body = text if isinstance(text, bytes) else text.encode()
    return page.post(url, {"file": SimpleUploadedFile(name, body), **fields})


def form_of(response, *, button=None):
    """Return what the page's first form with hidden fields would send; `asked` may come several times."""
    sent = {}
    text = response.content.decode()
    for name, value in re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)"', text):
        if name != "csrfmiddlewaretoken":
            sent.setdefault(name, [])
            if html.unescape(value) not in sent[name] or name == "asked":
                sent[name].append(html.unescape(value))
    if button:
        assert f'name="{button}"' in text
        sent[button] = ["yes"]
    return sent


def store(page, url, text, **rest):
    """Choose a file that leaves nothing open, and press the button that stores it."""
    return page.post(url, form_of(chosen(page, url, text, **rest), button="store"), follow=True)


def test_the_page_takes_a_file_and_offers_a_sample(page, url, room):
    response = page.get(url)

    assert response.status_code == 200
    assert f"/zones/{room.zone_id}/sample-logger.csv" in response.content.decode()


def test_a_certain_file_is_read_back_in_words_before_anything_is_stored(page, url):
    response = chosen(page, url, CERTAIN)

    text = words(response)
    assert response.status_code == 200
    assert "3 new, 0 known. Nothing is stored yet." in text
    assert "Each row carries its own offset from UTC." in text
    assert "Temperature is read from “temperature °C” in °C" in text
    # The first rows, on the site's clock.
    assert "Row 2 Wed 10 Jun 08:00 20.5 °C 45 %" in text.replace("\N{NO-BREAK SPACE}", " ")
    assert "Store these 3 readings" in text
    assert not Reading.objects.exists()


def test_what_was_read_back_is_stored_and_told_on_the_rooms_page(page, url, room):
    response = store(page, url, CERTAIN)

    assert response.redirect_chain == [(f"/rooms/{room.pk}/", 302)]
    assert "“kitchen.csv”: 3 new, 0 known." in words(response)
    assert sorted(Reading.objects.values_list("temperature", flat=True)) == [20.5, 20.6, 20.7]
    assert ReadingFile.objects.get().logger == "kitchen"
    assert RoomState.objects.get().facts_version == 1


def test_with_several_rooms_the_way_goes_on_to_the_zone(page, url, room):
    make.room(zone=room.zone)

    assert store(page, url, CERTAIN).redirect_chain == [(f"/zones/{room.zone_id}/", 302)]


def test_the_same_file_again_is_known_under_whatever_name_it_comes(page, url):
    start = NOW - timedelta(hours=10)
    rows = "".join(f"{(start + n * timedelta(minutes=1)).isoformat()},20.5,45\n" for n in range(412))
    text = "time,temperature °C,relative humidity %\n" + rows
    store(page, url, text)

    again = chosen(page, url, text, name="other name.csv")

    assert "0 new, 412 known. Nothing is left to store." in words(again)
    assert "Store these" not in words(again)
    # Whoever sends the step all the same changes nothing and is told so.
    response = page.post(url, form_of(again) | {"store": ["yes"]}, follow=True)
    assert "0 new, 412 known." in words(response)
    assert (Reading.objects.count(), Entry.objects.count()) == (412, 1)


def test_a_second_copy_of_a_longer_file_is_the_same_loggers(page, url):
    store(page, url, CERTAIN)
    longer = CERTAIN + "2026-06-10T08:30:00+02:00,20.7,46\n"

    assert "1 new, 3 known." in words(chosen(page, url, longer, name="kitchen (1).csv"))


def test_a_logger_has_the_name_that_a_person_gives_it(page, url):
    store(page, url, CERTAIN, logger="L-7 by the window")

    assert set(Reading.objects.values_list("logger", flat=True)) == {"L-7 by the window"}


def test_another_value_is_shown_beside_the_one_that_stands_before_and_after(page, url):
    store(page, url, CERTAIN)
    other = CERTAIN.replace("20.6", "25.1") + "2026-06-10T08:30:00+02:00,20.7,46\n"

    shown = chosen(page, url, other)
    done = page.post(url, form_of(shown, button="store"))

    for response in (shown, done):
        text = words(response).replace("\N{NO-BREAK SPACE}", " ")
        assert "1 new, 2 known, 1 in conflict." in text
        assert "Row 3 Wed 10 Jun 08:10 20.6 °C, 45.5 % 25.1 °C, 45.5 %" in text
    assert 25.1 not in Reading.objects.values_list("temperature", flat=True)
    assert Reading.objects.count() == 4


# ---- questions ----


def test_what_a_file_leaves_open_is_asked_with_the_sites_own_zone_suggested(page, url):
    response = chosen(page, url, OPEN)

    text = response.content.decode()
    assert response.status_code == 200
    assert "leaves 3 things open" in words(response)
    assert 'name="time_zone" value="Europe/Paris"' in text
    assert set(re.findall(r'type="radio" name="(\w+)" value="(\w+)"', text)) == {
        ("unit", "c"),
        ("unit", "f"),
        ("day_first", "yes"),
        ("day_first", "no"),
    }
    assert "Row 2: 04/05/2026 08:00" in words(response)


def test_the_answers_decide_how_the_file_is_read_and_are_carried_to_the_end(page, url):
    asked = chosen(page, url, OPEN)

    shown = page.post(url, form_of(asked) | {"time_zone": "Europe/Paris", "day_first": "yes", "unit": "c"})
    assert "Row 2 Mon 4 May 08:00 20.5 °C 45 %" in words(shown).replace("\N{NO-BREAK SPACE}", " ")
    page.post(url, form_of(shown, button="store"))

    # The 4th of May, 08:00 in Paris.
    first = Reading.objects.order_by("happened_at").first()
    assert first.happened_at.isoformat() == "2026-05-04T06:00:00+00:00"


def test_a_question_that_is_left_open_is_asked_again_with_the_error_at_its_field(page, url):
    asked = chosen(page, url, OPEN)

    response = page.post(url, form_of(asked) | {"time_zone": "Europe/Paris", "day_first": "yes"})

    assert response.status_code == 422
    assert "leaves one thing open" in words(response)
    assert "Choose one." in words(response)
    # What was answered travels on.
    assert form_of(response)["day_first"] == ["yes"]


@pytest.mark.parametrize("typed", ["Europe/Pariss", "", "x" * 70])
def test_a_zone_that_does_not_exist_is_refused_at_its_field(page, url, typed):
    asked = chosen(page, url, OPEN)

    response = page.post(url, form_of(asked) | {"time_zone": typed, "day_first": "yes", "unit": "c"})

    assert response.status_code == 422
    assert 'id="id_time_zone-wrong"' in response.content.decode()
    assert not Reading.objects.exists()


def test_a_forged_answer_is_no_answer(page, url):
    asked = chosen(page, url, OPEN)

    response = page.post(
        url, form_of(asked) | {"time_zone": "Europe/Paris", "day_first": "maybe", "unit": "r"}
    )

    assert response.status_code == 422
    assert "leaves 2 things open" in words(response)


def test_a_file_whose_clock_never_changes_may_be_answered_by_an_offset(page, url):
    asked = chosen(page, url, OPEN)
    answers = {"time_zone": "UTC+01:00", "day_first": "yes", "unit": "c"}

    page.post(url, form_of(page.post(url, form_of(asked) | answers), button="store"))

    first = Reading.objects.order_by("happened_at").first()
    assert first.happened_at.isoformat() == "2026-05-04T07:00:00+00:00"


def test_answers_that_put_readings_into_the_future_are_refused_by_row_and_can_be_given_anew(page, url):
    text = OPEN.replace("04/05/2026", "07/06/2026")
    answers = {"time_zone": "Europe/Paris", "day_first": "no", "unit": "c"}

    # The 6th of July, where the 7th of June was meant.
    response = page.post(url, form_of(chosen(page, url, text)) | answers)

    assert response.status_code == 422
    assert "row 2 (2026-07-06 08:00)" in words(response)
    again = form_of(response) | answers | {"day_first": "yes"}
    assert "2 new, 0 known." in words(page.post(url, again))


def test_the_repeated_hour_of_a_clock_change_is_asked_for_after_the_zone(page, url):
    # Central Europe's clock was put back on 26 October 2025 at 03:00 (Directive 2000/84/EC).
    text = "time,temperature °C,relative humidity %\n2025-10-26 02:30,20.5,45\n"
    asked = chosen(page, url, text)
    assert "leaves one thing open" in words(asked)

    follow_up = page.post(url, form_of(asked) | {"time_zone": "Europe/Paris"})

    assert follow_up.status_code == 200
    assert set(re.findall(r'type="radio" name="fold" value="(\w+)"', follow_up.content.decode())) == {
        "first",
        "second",
        "no",
    }
    shown = page.post(url, form_of(follow_up) | {"fold": "second"})
    page.post(url, form_of(shown, button="store"))
    # The second 02:30 is at UTC+1.
    assert Reading.objects.get().happened_at.isoformat() == "2025-10-26T01:30:00+00:00"


# ---- rows that hold no reading ----


@pytest.mark.parametrize(
    ("text", "why"),
    [
        (CERTAIN.replace("20.6", "-200"), "A temperature on a site is between"),
        (CERTAIN.replace("45.5", "130"), "A relative humidity is between"),
        (CERTAIN.replace("20.6", ""), "This row has no temperature."),
        (CERTAIN.replace("20.6", "---"), "“---” is no value."),
    ],
)
def test_a_row_without_a_reading_is_shown_and_left_out_if_a_person_says_so(page, url, text, why):
    asked = chosen(page, url, text)

    assert asked.status_code == 200
    assert f"Row 3 holds no reading: {why}" in words(asked)
    shown = page.post(url, form_of(asked) | {"leave_out": "yes"})
    assert "2 new, 0 known. Nothing is stored yet." in words(shown)
    assert "One row holds no reading and is left out: row 3." in words(shown)
    page.post(url, form_of(shown, button="store"))
    assert sorted(Reading.objects.values_list("temperature", flat=True)) == [20.5, 20.7]


def test_a_row_without_a_reading_refuses_the_file_if_a_person_says_so(page, url):
    asked = chosen(page, url, CERTAIN.replace("20.6", "ERR"))

    response = page.post(url, form_of(asked) | {"leave_out": "no"})

    assert response.status_code == 422
    assert "Row 3, column temperature °C: “ERR” is no value." in words(response)
    assert not Reading.objects.exists()


# ---- what cannot be read ----


@pytest.mark.parametrize(
    ("text", "why"),
    [
        (CERTAIN.replace("T08:20", "T11:30"), "row 4 (2026-06-10 11:30)"),
        ("time,temperature °C,relative humidity %\n", "kitchen.csv cannot be read like this."),
    ],
)
def test_what_cannot_be_right_is_refused_with_its_row_and_column(page, url, text, why):
    response = chosen(page, url, text)

    assert response.status_code == 422
    assert why in words(response)
    assert not Reading.objects.exists()


def test_an_empty_file_is_refused_at_its_field(page, url):
    response = chosen(page, url, "")

    assert response.status_code == 422
    assert 'id="id_file-wrong"' in response.content.decode()


def test_a_closed_job_takes_no_file(page, url, room):
    room.job.closed_at = NOW
    room.job.save()

    response = chosen(page, url, CERTAIN)

    assert response.status_code == 422
    assert "is closed" in words(response)


def test_no_file_and_a_forgotten_file_are_told_at_the_field(page, url):
    assert "Choose a file." in words(page.post(url, {}))

    response = page.post(url, {"kept": "0" * 64, "store": "yes"})

    assert response.status_code == 422
    assert "Choose it again." in words(response)


def test_200_megabytes_are_refused_by_their_length(page, url):
    body = Body(200 * 1024 * 1024)

    response = posted(page, url, body)

    assert response.status_code == 422
    assert "larger than 50 MB" in words(response)
    assert body.largest <= 1024 * 1024


# ---- who may ----


def test_a_crew_lead_reads_in_files_on_the_jobs_of_the_crew_and_nowhere_else(client, url, room):
    lead = make.crew_lead()
    crews.attach_crew(make.crew(lead), room.job, now=NOW)
    client.force_login(lead)
    elsewhere = make.zone()

    assert store(client, url, CERTAIN).status_code == 200
    assert Reading.objects.count() == 3
    assert client.get(f"/zones/{room.zone_id}/sample-logger.csv").status_code == 200
    assert client.get(f"/zones/{elsewhere.pk}/logger-file/").status_code == 404
    assert client.get(f"/zones/{elsewhere.pk}/sample-logger.csv").status_code == 404


def test_a_supplier_sees_no_zone(client, url):
    client.force_login(make.supplier())

    assert client.get(url).status_code == 404


def test_a_stranger_is_sent_to_sign_in(client, url):
    assert client.get(url).status_code == 302


def test_a_forged_request_is_refused(url):
    client = Client(enforce_csrf_checks=True)
    client.force_login(make.manager())

    assert chosen(client, url, CERTAIN).status_code == 403


# ---- the sample ----


def test_the_sample_is_40_hours_up_to_now_and_leaves_nothing_open(page, url, room):
    body = page.get(f"/zones/{room.zone_id}/sample-logger.csv").content

    shown = chosen(page, url, body, name="sample-logger.csv")

    # One each ten minutes, both ends included: 40 * 6 + 1.
    assert "241 new, 0 known." in words(shown)
    page.post(url, form_of(shown, button="store"))
    ends = Reading.objects.order_by("happened_at")
    assert (ends.first().happened_at, ends.last().happened_at) == (NOW - timedelta(hours=40), NOW)
    assert not states.stale(now=NOW).exists()


@pytest.mark.parametrize("zone_name", ["America/St_Johns", "Australia/Lord_Howe"])
def test_the_sample_is_on_the_clock_of_its_site(page, url, room, zone_name):
    Site.objects.update(time_zone=zone_name)

    body = page.get(f"/zones/{room.zone_id}/sample-logger.csv").content

    assert "241 new" in words(chosen(page, url, body))
