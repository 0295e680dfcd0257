"""What the firm remembers of a logger's files, the files themselves, and an upload that broke off."""

from __future__ import annotations

import hashlib
import io
import re
from datetime import timedelta

import pytest
from django.urls import reverse

from config import clock
from jobs.models import KeptFile, LoggerMapping, Reading, ReadingFile, Site
from jobs.services.kept import KEPT_FOR, forget_files
from jobs.services.mappings import header_key, mapping_of, remember
from tests import make
from tests.conftest import NOW
from tests.scheduling.test_logger_upload import CERTAIN, OPEN, chosen, form_of
from tests.scheduling.test_workbook_views import words

pytestmark = pytest.mark.django_db

HEADER = ("time", "temperature", "humidity")
ANSWERS = {"time_zone": "Europe/Paris", "day_first": "yes", "unit": "c"}
#: The same header a week later: nothing of it is settled by the rows either.
NEXT = OPEN.replace("04/05/2026", "11/05/2026")


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
def boss():
    return make.manager()


@pytest.fixture
def page(client, boss):
    """A manager's browser."""
    client.force_login(boss)
    return client


def read_in(page, url, text, answers=ANSWERS, **rest):
    """Take a file through all its steps; returns the page that read it back."""
    shown = chosen(page, url, text, **rest)
    if 'name="asked"' in shown.content.decode():
        shown = page.post(url, form_of(shown) | answers)
    page.post(url, form_of(shown, button="store"))
    return shown


def said(response):
    text = words(response).replace("\N{NO-BREAK SPACE}", " ")
    return re.sub(r" (?=[.:,])", "", text)


# ---- remembered ----


def test_the_next_file_with_the_same_header_goes_straight_to_the_page_that_reads_it_back(page, url, boss):
    read_in(page, url, OPEN)

    shown = chosen(page, url, NEXT)

    assert (
        f"As {boss.name} answered of files with this header on Wed 10 Jun: "
        "times of Europe/Paris, the day first and °C."
    ) in said(shown)
    assert "Row 2 Mon 11 May 08:00 20.5 °C 45 %" in said(shown)
    page.post(url, form_of(shown, button="store"))
    # The 11th of May, 08:00 in Paris.
    assert Reading.objects.filter(happened_at="2026-05-11T06:00:00+00:00").exists()


def test_blanks_and_case_make_no_other_header(page, url):
    read_in(page, url, OPEN)

    shown = chosen(page, url, NEXT.replace("time,temperature,humidity", "TIME, Temperature ,humidity"))

    assert "2 new, 0 known. Nothing is stored yet." in said(shown)


def test_another_header_is_asked_about(page, url):
    read_in(page, url, OPEN)

    assert "leaves 3 things open" in said(chosen(page, url, NEXT.replace("temperature", "temp")))


def test_a_file_without_a_header_could_be_any_and_is_always_asked_about(page, url):
    bare = "04/05/2026 08:00,20.5,45\n04/05/2026 08:10,20.6,45\n"
    columns = {"temperature_column": "2", "humidity_column": "3"}

    asked = chosen(page, url, bare)
    more = page.post(url, form_of(asked) | columns)
    shown = page.post(url, form_of(more) | ANSWERS)
    page.post(url, form_of(shown, button="store"))

    assert Reading.objects.count() == 2
    assert not LoggerMapping.objects.exists()
    assert "leaves 2 things open" in said(chosen(page, url, bare.replace("04/", "11/")))


def test_nothing_is_remembered_before_a_file_is_stored(page, url):
    page.post(url, form_of(chosen(page, url, OPEN)) | ANSWERS)

    assert not LoggerMapping.objects.exists()


def test_an_answer_can_be_changed_from_the_page_that_reads_back_and_is_remembered_in_turn(page, url):
    read_in(page, url, OPEN)
    shown = chosen(page, url, NEXT)

    sent = form_of(shown)
    asked = page.post(url, {name: sent[name] for name in ("kept", "logger")} | {"anew": "yes"})
    text = asked.content.decode()
    # What was answered before is chosen beforehand.
    assert 'name="day_first" value="yes"' in text
    assert 'value="yes" checked' in text or "checked" in text
    changed = page.post(url, form_of(asked) | ANSWERS | {"day_first": "no"})
    # 11/05 with the month first is the 5th of November, which is still to come.
    assert changed.status_code == 422
    changed = page.post(url, form_of(asked) | ANSWERS | {"unit": "f"})
    assert "Row 2 Mon 11 May 08:00 20.5 °F 45 %" in said(changed)
    page.post(url, form_of(changed, button="store"))

    assert LoggerMapping.objects.get().answers == ANSWERS | {"unit": "f"}


def test_a_remembered_answer_that_the_rows_exclude_is_not_used_and_forgotten(page, url, boss):
    remember(HEADER, ANSWERS | {"day_first": "no"}, by=boss, now=NOW)

    shown = chosen(page, url, OPEN.replace("04/05/2026", "13/05/2026"))

    text = said(shown)
    assert "Row 2 Wed 13 May 08:00 20.5 °C 45 %" in text
    assert "the month first. It does not fit the rows of this one and is not used." in text
    page.post(url, form_of(shown, button="store"))
    assert "day_first" not in LoggerMapping.objects.get().answers


@pytest.mark.parametrize(
    ("unit", "values"),
    [
        # 68 °F is 20 °C, and 68 °C is no room; 20 °F is -7 °C, and a room that is proven to rest is none.
        pytest.param("c", ("68.9", "69.1"), id="fahrenheit-under-celsius"),
        pytest.param("f", ("20.5", "20.6"), id="celsius-under-fahrenheit"),
        # 293.65 K is 20.5 °C.
        pytest.param("c", ("293.65", "293.75"), id="kelvin-under-celsius"),
    ],
)
def test_a_remembered_unit_that_makes_no_room_is_asked_again(page, url, boss, unit, values):
    remember(HEADER, ANSWERS | {"unit": unit}, by=boss, now=NOW)
    text = OPEN.replace("20.5", values[0]).replace("20.6", values[1])

    asked = chosen(page, url, text)

    assert "leaves one thing open" in said(asked)
    assert form_of(asked)["asked"] == ["unit"]
    assert "It does not fit the rows of this one and is not used." in said(asked)


def test_a_place_is_not_used_again_at_a_site_in_another_time_zone(page, url, boss, room):
    remember(HEADER, ANSWERS, by=boss, now=NOW)
    Site.objects.update(time_zone="America/Chicago")

    asked = chosen(page, url, NEXT)

    assert form_of(asked)["asked"] == ["time_zone"]
    assert 'value="America/Chicago"' in asked.content.decode()


def test_an_offset_is_the_loggers_own_and_used_again_at_any_site(page, url, boss):
    remember(HEADER, ANSWERS | {"time_zone": "UTC+01:00"}, by=boss, now=NOW)
    Site.objects.update(time_zone="America/Chicago")

    assert "2 new, 0 known." in said(chosen(page, url, NEXT))


def test_which_pass_of_an_hour_depends_on_the_night_and_is_asked_each_time(page, url):
    # Central Europe's clock was put back on 26 October 2025 at 03:00 (Directive 2000/84/EC).
    text = "time,temperature °C,relative humidity %\n2025-10-26 02:30,20.5,45\n"
    asked = page.post(url, form_of(chosen(page, url, text)) | {"time_zone": "Europe/Paris"})
    shown = page.post(url, form_of(asked) | {"fold": "second"})
    page.post(url, form_of(shown, button="store"))

    assert LoggerMapping.objects.get().answers == {"time_zone": "Europe/Paris"}
    again = chosen(page, url, text.replace("20.5", "20.6"))
    assert form_of(again)["asked"] == ["fold"]


def test_rows_that_were_left_out_once_are_asked_about_the_next_time(page, url, boss):
    remember(HEADER, ANSWERS, by=boss, now=NOW)

    asked = chosen(page, url, NEXT.replace("20.6", "---"))
    shown = page.post(url, form_of(asked) | {"leave_out": "yes"})
    page.post(url, form_of(shown, button="store"))

    assert form_of(asked)["asked"] == ["leave_out"]
    # What is remembered is shown beside the question.
    assert "times of Europe/Paris, the day first and °C" in said(asked)
    assert Reading.objects.count() == 1
    assert form_of(chosen(page, url, OPEN.replace("20.6", "---")))["asked"] == ["leave_out"]


def test_what_was_shown_is_stored_though_the_memory_is_changed_meanwhile(page, url, boss):
    remember(HEADER, ANSWERS, by=boss, now=NOW)
    shown = chosen(page, url, NEXT)
    remember(HEADER, {"unit": "f"}, by=boss, now=NOW)

    page.post(url, form_of(shown, button="store"))

    assert set(Reading.objects.values_list("unit", flat=True)) == {"c"}
    assert LoggerMapping.objects.get().answers == ANSWERS


def test_a_file_that_cannot_be_read_says_so_and_leaves_the_memory(page, url, boss):
    remember(HEADER, ANSWERS, by=boss, now=NOW)

    response = chosen(page, url, NEXT.replace(",20.6,45", ",20.6,45,9"))

    assert response.status_code == 422
    assert "This row has 4 cells below a header of 3." in said(response)
    assert LoggerMapping.objects.get().answers == ANSWERS


def test_a_remembered_answer_that_puts_readings_into_the_future_can_be_given_anew(page, url, boss):
    remember(HEADER, ANSWERS | {"day_first": "no"}, by=boss, now=NOW)
    text = OPEN.replace("04/05/2026", "07/06/2026")

    response = chosen(page, url, text)

    # The 6th of July, where the 7th of June was meant.
    assert response.status_code == 422
    assert "row 2 (2026-07-06 08:00)" in said(response)
    assert "2 new, 0 known." in said(page.post(url, form_of(response) | ANSWERS))


def test_a_manager_sees_what_is_remembered_and_makes_it_forgotten(page, url, boss, room):
    mapping = remember(HEADER, ANSWERS, by=boss, now=NOW)
    assert "time | temperature | humidity times of Europe/Paris, the day first and °C" in said(page.get(url))

    response = page.post(
        reverse("scheduling:forget_mapping", args=[mapping.pk]), {"zone": room.zone_id}, follow=True
    )

    assert response.redirect_chain == [(url, 302)]
    assert "Forgotten" in said(response)
    assert not LoggerMapping.objects.exists()
    assert page.post(reverse("scheduling:forget_mapping", args=[mapping.pk])).status_code == 404


@pytest.mark.parametrize("zone", ["", "x", "9" * 30, "-1"])
def test_a_forged_way_back_leads_to_the_jobs(page, boss, zone):
    mapping = remember(HEADER, ANSWERS, by=boss, now=NOW)

    response = page.post(reverse("scheduling:forget_mapping", args=[mapping.pk]), {"zone": zone})

    assert response["Location"] == "/jobs/"


def test_the_header_alone_makes_the_key():
    assert header_key(["Time ", "T  °C", ""]) == header_key(["time", "t °c"])
    assert header_key(["time", "t"]) != header_key(["timet"])
    assert header_key(["", " "]) is None
    assert mapping_of(["", ""]) is None
    assert remember(["", ""], ANSWERS, by=None, now=NOW) is None


# ---- the file itself ----


def test_a_file_that_was_read_in_is_kept_for_good_and_handed_out_byte_for_byte(page, url):
    body = CERTAIN.encode("utf-16")
    read_in(page, url, body, name="cuisine été.csv")
    chosen(page, url, OPEN)
    file = ReadingFile.objects.get()

    # The one that nobody stored goes.
    assert forget_files(now=NOW + KEPT_FOR + timedelta(days=400)) == 1

    response = page.get(reverse("scheduling:logger_original", args=[file.pk]))
    assert response.content == body
    assert hashlib.sha256(response.content).hexdigest() == file.sha256 == KeptFile.objects.get().sha256
    assert response["X-Content-Type-Options"] == "nosniff"
    assert response["Content-Type"] == "application/octet-stream"
    assert response["Content-Disposition"] == "attachment; filename*=utf-8''cuisine%20%C3%A9t%C3%A9.csv"


def test_the_zones_files_stand_beside_the_form_with_the_way_to_them(page, url, room):
    read_in(page, url, CERTAIN)
    file = ReadingFile.objects.get()
    other = make.room(zone=make.zone(name="West"))

    text = page.get(url).content.decode()

    assert reverse("scheduling:logger_original", args=[file.pk]) in text
    assert "kitchen.csv" in text
    assert "kitchen.csv" not in page.get(f"/zones/{other.zone_id}/logger-file/").content.decode()


def test_a_file_of_which_only_the_hash_is_known_is_not_found(page, url):
    read_in(page, url, CERTAIN)
    KeptFile.objects.all().delete()
    file = ReadingFile.objects.get()

    assert page.get(reverse("scheduling:logger_original", args=[file.pk])).status_code == 404
    assert reverse("scheduling:logger_original", args=[file.pk]) not in page.get(url).content.decode()


def test_a_file_that_is_stored_on_its_last_day_is_not_thrown_away(page, url, monkeypatch):
    shown = chosen(page, url, CERTAIN)
    late = NOW + KEPT_FOR
    monkeypatch.setattr(clock, "read", lambda: late)

    page.post(url, form_of(shown, button="store"))

    assert KeptFile.objects.get().kept_at == late


# ---- what is typed is not lost ----


def test_the_loggers_name_stays_where_the_file_cannot_be_read(page, url):
    response = chosen(page, url, "no readings at all\n", logger="L-7 by the window")

    assert response.status_code == 422
    assert 'value="L-7 by the window"' in response.content.decode()


class Broken(io.BytesIO):
    """A body that ends before the length that its request has said."""

    def close(self):
        """Stay readable: the request is judged after it was read."""


@pytest.mark.parametrize("missing", [1, 30, 120])
def test_an_upload_that_broke_off_is_not_taken_for_the_file(page, url, missing):
    begin = (
        b'--edge\r\nContent-Disposition: form-data; name="logger"\r\n\r\nL-7\r\n'
        b'--edge\r\nContent-Disposition: form-data; name="file"; filename="a.csv"\r\n'
        b"Content-Type: text/csv\r\n\r\n" + CERTAIN.encode()
    )
    whole = begin + b"\r\n--edge--\r\n"
    came = whole[: len(begin) - missing]

    response = page.generic(
        "POST",
        url,
        CONTENT_TYPE="multipart/form-data; boundary=edge",
        CONTENT_LENGTH=str(len(whole)),
        **{"wsgi.input": Broken(came)},
    )

    assert response.status_code == 422
    assert "The file came only in part" in said(response)
    assert 'value="L-7"' in response.content.decode()
    assert not KeptFile.objects.exists()


@pytest.mark.parametrize(
    ("body", "why"),
    [
        pytest.param(b"Temp\n20.1\n20.2\n", "There are no readings here", id="one-column"),
        pytest.param(bytes(range(256)) * 40, "The file is damaged here, or no text.", id="binary"),
        pytest.param(b"PK\x03\x04" + bytes(200), "This is a spreadsheet", id="spreadsheet"),
        pytest.param(b'{"at": "2026-06-10T08:00:00Z", "t_c": 20.5}\n', "This is JSON", id="json"),
    ],
)
def test_what_is_no_table_is_refused_in_plain_words(page, url, body, why):
    response = chosen(page, url, body)

    assert response.status_code == 422
    assert why in said(response)
