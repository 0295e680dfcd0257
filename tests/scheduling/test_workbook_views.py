"""The job workbook's page: chosen, shown, loaded, each step without script; and files that are too large."""

from __future__ import annotations

import io
import re

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse

from jobs.models import Change, KeptFile, Room, Site
from scheduling.models import RoomState
from scheduling.uploads import FORM_BYTES
from scheduling.workbook.read import LARGEST_FILE, read_tables
from scheduling.workbook.write import sample_workbook
from tests import make
from tests.conftest import NOW
from tests.scheduling.workbook_files import csv_of, small, xlsx

pytestmark = pytest.mark.django_db
URL = "/workbook/"


@pytest.fixture
def boss():
    return make.manager()


@pytest.fixture
def page(client, boss):
    """A manager's browser."""
    client.force_login(boss)
    return client


def chosen(page, *files):
    uploads = [SimpleUploadedFile(name, body) for name, body in files]
    return page.post(URL, {"workbook": uploads})


def hash_in(response):
    return re.search(r'name="load" value="([0-9a-f]{64})"', response.content.decode())[1]


def words(response):
    """Return a page's text as a reader sees it."""
    text = re.sub(r"<(script|style|svg).*?</\1>", " ", response.content.decode(), flags=re.DOTALL)
    return " ".join(re.sub(r"<[^>]+>", " ", text).replace("&quot;", '"').replace("&nbsp;", " ").split())


def test_the_page_offers_the_empty_and_the_filled_workbook(page):
    response = page.get(URL)

    assert response.status_code == 200
    assert reverse("scheduling:workbook_template") in response.content.decode()
    assert reverse("scheduling:workbook_sample") in response.content.decode()
    assert "What a later file leaves out stays as it is." in words(response)


def test_a_workbook_is_shown_first_and_loaded_when_the_shown_hash_comes_back(page):
    shown = chosen(page, ("clinic.xlsx", xlsx(small())))

    assert shown.status_code == 200
    assert "18 rows new, 0 changed, 0 the same." in words(shown)
    assert not Site.objects.exists()

    response = page.post(URL, {"load": hash_in(shown)}, follow=True)

    assert response.redirect_chain == [("/jobs/", 302)]
    assert "“clinic.xlsx” is loaded: 18 rows new, 0 changed, 0 the same." in words(response)
    assert Room.objects.count() == RoomState.objects.count() == 2


def test_the_sample_leads_an_empty_firm_to_its_first_job(page):
    assert "First steps" in words(page.get("/morning/"))
    sample = page.get(reverse("scheduling:workbook_sample"))
    assert sample["Content-Type"].endswith("spreadsheetml.sheet")
    assert 'filename="sample-workbook.xlsx"' in sample["Content-Disposition"]

    page.post(URL, {"load": hash_in(chosen(page, ("sample.xlsx", sample.content)))})

    assert "School kitchen" in words(page.get("/jobs/"))
    assert "First steps" not in words(page.get("/morning/"))


def test_the_template_is_a_workbook_of_ours(page):
    body = page.get(reverse("scheduling:workbook_template")).content

    assert read_tables("template.xlsx", body).wrongs == ()


def test_the_same_file_again_has_nothing_to_load(page):
    body = xlsx(small())
    page.post(URL, {"load": hash_in(chosen(page, ("clinic.xlsx", body)))})

    again = chosen(page, ("clinic.xlsx", body))

    assert "Nothing would change. 0 rows new, 0 changed, 18 the same." in words(again)
    assert "Load it" not in words(again)


def test_the_empty_workbook_as_it_was_handed_out_has_nothing_to_load(page):
    body = page.get(reverse("scheduling:workbook_template")).content

    assert "Nothing would change. 0 rows new" in words(chosen(page, ("empty.xlsx", body)))


def test_a_changed_file_shows_what_would_change(page):
    page.post(URL, {"load": hash_in(chosen(page, ("clinic.xlsx", xlsx(small()))))})
    sheets = small()
    sheets["Rooms"][0]["crew-hours"] = 6

    shown = chosen(page, ("clinic.xlsx", xlsx(sheets)))

    assert "Rooms, row 2 J1, Kitchen 1 crew-hours 8 6" in words(shown)


def test_several_csv_files_are_loaded_as_one_workbook(page):
    files = [(f"{name}.csv", csv_of(rows)) for name, rows in small().items()]

    page.post(URL, {"load": hash_in(chosen(page, *files))})

    assert Room.objects.count() == 2


def test_what_is_wrong_is_a_table_and_nothing_is_kept_or_loaded(page):
    sheets = small()
    sheets["Rooms"][0] |= {"zone": "Est", "crew-hours": "<many>"}

    response = chosen(page, ("clinic.xlsx", xlsx(sheets)))

    assert response.status_code == 422
    assert "Nothing is loaded. 2 things to put right in the file." in words(response)
    assert "Rooms 2 zone “Est” a zone of the sheet Zones: “East”?" in words(response)
    assert "“&lt;many&gt;”" in response.content.decode()
    assert not KeptFile.objects.exists()
    assert not Site.objects.exists()


def test_of_very_many_wrongs_the_page_says_how_many_it_leaves_out(page):
    rows = csv_of([{"supplier": f"S {number}", "lead days": "x"} for number in range(250)])

    response = chosen(page, ("Suppliers.csv", rows))

    assert "250 things to put right" in words(response)
    assert "50 rows are left out here." in words(response)


@pytest.mark.parametrize(
    ("name", "body", "why"),
    [
        ("clinic.pdf", b"%PDF", "is none of XLSX, CSV and ZIP"),
        ("clinic.xlsx", b"PK\x03\x04", "damaged"),
        ("Rooms.csv", b"\xff\xfe", "UTF-8"),
    ],
)
def test_a_file_that_is_no_workbook_is_refused_at_its_field(page, name, body, why):
    response = chosen(page, (name, body))

    assert response.status_code == 422
    assert why in words(response)
    assert 'id="id_workbook-wrong"' in response.content.decode()


def test_no_file_is_refused_at_its_field(page):
    response = page.post(URL, {})

    assert response.status_code == 422
    assert "Choose a file." in words(response)


def test_a_hash_of_nothing_kept_asks_for_the_file_again(page):
    response = page.post(URL, {"load": "0" * 64})

    assert response.status_code == 422
    assert "Choose it again." in words(response)


def test_what_became_wrong_since_it_was_shown_is_not_loaded(page):
    sheets = {"Jobs": small()["Jobs"]}
    make.site(name="Harbour clinic")
    shown = chosen(page, ("Jobs.csv", csv_of(sheets["Jobs"])))
    Site.objects.all().delete()

    response = page.post(URL, {"load": hash_in(shown)})

    assert response.status_code == 422
    assert "Harbour clinic" in words(response)


def test_what_is_loaded_is_remembered_with_who_did_it(page, boss):
    page.post(URL, {"load": hash_in(chosen(page, ("clinic.xlsx", xlsx(small()))))})

    assert set(Change.objects.values_list("by", flat=True)) == {boss.pk}


@pytest.mark.parametrize("person", ["crew_lead", "supplier"])
@pytest.mark.parametrize("path", [URL, "/workbook/template.xlsx", "/workbook/sample.xlsx"])
def test_only_a_manager_has_workbooks(client, person, path):
    client.force_login(getattr(make, person)())

    assert client.get(path).status_code == 404
    if path == URL:
        assert chosen(client, ("clinic.xlsx", xlsx(small()))).status_code == 404


def test_a_stranger_is_sent_to_sign_in(client):
    assert client.get(URL).status_code == 302
    assert client.post(URL, {"load": "0" * 64}).status_code == 302


def test_a_forged_request_is_refused(boss):
    client = Client(enforce_csrf_checks=True)
    client.force_login(boss)

    assert chosen(client, ("clinic.xlsx", xlsx(small()))).status_code == 403
    assert client.post(URL, {"load": "0" * 64}).status_code == 403

    token = re.search(r'csrfmiddlewaretoken" value="(\w+)"', client.get(URL).content.decode())[1]
    upload = SimpleUploadedFile("clinic.xlsx", xlsx(small()))
    assert client.post(URL, {"csrfmiddlewaretoken": token, "workbook": upload}).status_code == 200


# ---- too large ----


class Body(io.RawIOBase):
    """A request's body of zeros that counts what is read of it, and holds none of it."""

    def __init__(self, size):
        self.size, self.taken, self.largest = size, 0, 0

    def read(self, size=-1):
        part = self.size - self.taken if size is None or size < 0 else min(size, self.size - self.taken)
        self.taken += part
        self.largest = max(self.largest, part)
        return bytes(part)


def posted(page, url, body):
    return page.generic(
        "POST",
        url,
        content_type="multipart/form-data; boundary=XX",
        **{"CONTENT_LENGTH": str(body.size), "wsgi.input": body},
    )


def test_200_megabytes_are_refused_by_their_length_and_never_held(page):
    body = Body(200 * 1024 * 1024)

    response = posted(page, URL, body)

    assert response.status_code == 422
    assert "This is larger than 10 MB" in words(response)
    # Heard out in small parts, so that the browser shows the answer and not a broken connection.
    assert body.taken == body.size
    assert body.largest <= 1024 * 1024


def test_files_that_together_are_too_large_are_stopped_while_they_come(page):
    half = bytes(LARGEST_FILE // 2 + 1)

    response = chosen(page, ("Rooms.csv", half), ("Sites.csv", half))

    assert response.status_code == 422
    assert "This is larger than 10 MB" in words(response)


def test_a_file_of_just_the_largest_size_is_looked_at(page):
    assert FORM_BYTES > 10_000

    response = chosen(page, ("Rooms.csv", b"\n" * LARGEST_FILE))

    assert "There is nothing in" in words(response)


def test_the_date_of_the_sample_is_the_day_it_is_made():
    orders = read_tables("s.xlsx", sample_workbook(NOW.date())).tables["Orders"]

    at = orders.heads.index("ordered on")
    assert {(NOW.date() - row.cells[at].date()).days for row in orders.rows} == {14}
