"""Signing in by links, printed and mailed, and the operator's commands that make them."""

from __future__ import annotations

import email
import re
from datetime import timedelta
from io import StringIO

import pytest
from django.contrib.sessions.models import Session
from django.core.management import CommandError, call_command
from django.test import Client

from config import clock
from jobs.models import Firm, Outbox, Person, SignInLink
from jobs.services import people
from scheduling.models import FeedSecret
from tests import make
from tests.conftest import NOW

pytestmark = pytest.mark.django_db

MINUTE = timedelta(minutes=1)


@pytest.fixture(autouse=True)
def at(monkeypatch):
    """Stand the requests' clock at NOW; a test that lets time pass sets it again."""

    def set_to(now):
        monkeypatch.setattr(clock, "read", lambda: now)

    set_to(NOW)
    return set_to


@pytest.fixture
def lead():
    return make.crew_lead(name="Rosa Pires", email="rosa@firm.example")


@pytest.fixture
def mailbox(settings, tmp_path):
    settings.EMAIL_BACKEND = "config.mail.Mailbox"
    settings.EMAIL_FILE_PATH = str(tmp_path)
    return tmp_path


def path_of(address):
    assert address.startswith("http://localhost:8000/sign-in/")
    return address.removeprefix("http://localhost:8000")


def printed(person, *, now=NOW):
    return path_of(people.sign_in_link_for(person, now=now))


def mailed(person, mailbox, work_owed, *, now=NOW):
    """Ask for a link and return the path in the mail that came."""
    known = set(mailbox.glob("*.eml"))
    Client().post("/sign-in/", {"email": person.email})
    work_owed(now=now)
    (came,) = set(mailbox.glob("*.eml")) - known
    message = email.message_from_bytes(came.read_bytes())
    assert message["To"] == person.email
    text = message.get_payload(decode=True).decode()
    return path_of(re.search(r"http://\S+", text)[0])


def is_in(client):
    return client.get("/jobs/").status_code == 200


# ---- printed


def test_a_printed_link_signs_in_on_opening_and_serves_until_it_ends(lead, at):
    path = printed(lead)

    for later in (timedelta(0), 23 * 60 * MINUTE):
        at(NOW + later)
        client = Client()
        answer = client.get(path)
        assert (answer.status_code, answer["Location"]) == (302, "/")
        assert answer["Referrer-Policy"] == "strict-origin"
        assert is_in(client)

    at(NOW + people.PRINTED_LASTS)
    client = Client()
    assert client.get(path).status_code == 404
    assert not is_in(client)


def test_looking_at_the_headers_of_a_link_signs_nobody_in(lead):
    client = Client()

    assert client.head(printed(lead)).status_code == 405

    assert not is_in(client)
    assert SignInLink.objects.get().used_at is None


# ---- mailed


def test_a_mailed_link_shows_a_button_and_serves_once(lead, mailbox, work_owed):
    path = mailed(lead, mailbox, work_owed)
    scanner, first, second = Client(), Client(), Client()

    for reader in (scanner, first, second):
        opened = reader.get(path)
        assert opened.status_code == 200
        assert "Rosa Pires" in opened.content.decode()
        assert opened["Referrer-Policy"] == "strict-origin"
    assert not is_in(scanner)

    assert first.post(path).status_code == 302
    assert is_in(first)

    # The second tab had the button already; it is told, and nobody is signed in there.
    late = second.post(path)
    assert late.status_code == 404
    assert "This link has ended" in late.content.decode()
    assert not is_in(second)
    assert Client().get(path).status_code == 404


def test_a_mailed_link_ends_by_itself(lead, mailbox, work_owed, at):
    path = mailed(lead, mailbox, work_owed)

    at(NOW + people.MAILED_LASTS - timedelta(seconds=1))
    assert Client().get(path).status_code == 200
    at(NOW + people.MAILED_LASTS)
    assert Client().get(path).status_code == 404
    assert Client().post(path).status_code == 404


def test_the_mail_is_owed_and_its_secret_is_forgotten_when_it_has_gone(lead, mailbox, work_owed):
    Client().post("/sign-in/", {"email": "  ROSA@firm.example "})
    owed = Outbox.objects.get(kind="mail_link")
    secret = owed.payload["secret"]
    assert list(mailbox.glob("*.eml")) == []

    work_owed(now=NOW)

    owed.refresh_from_db()
    assert (owed.state, owed.payload) == (Outbox.State.DONE, {})
    assert secret not in str(SignInLink.objects.values())
    assert len(list(mailbox.glob("*.eml"))) == 1


def test_who_is_not_known_reads_the_same_and_gets_no_mail(lead):
    Person.objects.create(
        name="Gone", email="gone@firm.example", firm=lead.firm, time_zone="UTC", is_active=False
    )

    answers = {
        re.sub(r'value="\w{20,}"', "", Client().post("/sign-in/", {"email": address}).content.decode())
        for address in ("rosa@firm.example", "nobody@firm.example", "gone@firm.example")
    }

    assert len(answers) == 1
    assert Outbox.objects.filter(kind="mail_link").count() == 1


def test_nobody_can_fill_a_mailbox(lead):
    for _ in range(people.MOST_MAILED + 3):
        Client().post("/sign-in/", {"email": lead.email})

    assert Outbox.objects.filter(kind="mail_link").count() == people.MOST_MAILED


@pytest.mark.parametrize("typed", ["", "rosa", "rosa@", "a b@firm.example"])
def test_what_is_no_address_is_said_at_the_field(typed):
    answer = Client().post("/sign-in/", {"email": typed})

    assert answer.status_code == 422
    assert 'aria-invalid="true"' in answer.content.decode()


@pytest.mark.parametrize("path", ["/sign-in/" + "x" * 43 + "/", "/sign-in/short/"])
def test_a_link_that_never_was_is_told_like_one_that_has_ended(path):
    for answer in (Client().get(path), Client().post(path)):
        assert answer.status_code == 404
        assert "This link has ended" in answer.content.decode()


# ---- where to, and until when


@pytest.mark.parametrize(
    ("going", "comes"),
    [
        ("/jobs/?rooms=all", "/jobs/?rooms=all"),
        ("http://testserver/jobs/", "http://testserver/jobs/"),
        ("https://elsewhere.example/", "/"),
        ("//elsewhere.example/", "/"),
        ("/\\elsewhere.example/", "/"),
        ("javascript:alert(1)", "/"),
        ("", "/"),
    ],
)
def test_signing_in_leads_on_to_a_page_of_ours_alone(lead, going, comes):
    client = Client()
    client.get("/sign-in/", {"next": going})

    assert client.get(printed(lead))["Location"] == comes
    # Who is signed in already is sent on the same way.
    assert client.get("/sign-in/", {"next": going})["Location"] == comes


def test_a_page_asked_for_before_signing_in_comes_after_it(lead):
    client = Client()
    asked = client.get("/jobs/")
    assert asked["Location"] == "/sign-in/?next=/jobs/"
    client.get(asked["Location"])

    assert client.get(printed(lead))["Location"] == "/jobs/"


def test_a_stranger_who_knocks_leaves_no_row():
    client = Client()

    client.get("/sign-in/", {"next": "/jobs/"})

    assert not Session.objects.exists()


def test_a_session_ends_when_its_person_is_switched_off_and_links_with_it(lead):
    client, path = Client(), printed(lead)
    client.get(path)
    assert is_in(client)

    Person.objects.filter(pk=lead.pk).update(is_active=False)

    assert not is_in(client)
    assert Client().get(path).status_code == 404


def test_signing_out_ends_the_session(lead):
    client = Client()
    client.get(printed(lead))
    key = client.session.session_key

    assert client.post("/sign-out/")["Location"] == "/sign-in/"

    assert not is_in(client)
    assert not Session.objects.filter(session_key=key).exists()
    assert client.get("/sign-out/").status_code == 405


def test_signing_in_gives_a_session_of_its_own(lead):
    client = Client()
    session = client.session
    session["left by"] = "somebody else"
    session.save()
    before = session.session_key

    client.get(printed(lead))

    assert client.session.session_key != before  # nobody can hand a session on and wait


# ---- at the keyboard


def said(*words, **options):
    out = StringIO()
    call_command(*words, stdout=out, **options)
    return out.getvalue().splitlines()


def test_the_first_manager_of_an_empty_firm_gets_a_link():
    (link,) = said(
        "first_manager", "Ada Holm", "ada@firm.example", firm="Holm Walls", time_zone="Europe/Oslo"
    )
    client = Client()

    assert client.get(path_of(link))["Location"] == "/"
    assert client.get("/")["Location"] == "/morning/"
    assert client.get("/morning/").status_code == 200
    ada = Person.objects.get()
    assert (ada.name, ada.is_manager, ada.time_zone, ada.firm.name) == (
        "Ada Holm",
        True,
        "Europe/Oslo",
        "Holm Walls",
    )
    assert ada.firm.kind == Firm.Kind.CONTRACTOR


@pytest.mark.parametrize(
    ("name", "address", "zone", "why"),
    [
        (" ", "ada@firm.example", "Europe/Oslo", "A person has a name"),
        ("Ada", "ada", "Europe/Oslo", "valid e"),
        ("Ada", "ada@firm.example", "Oslo", "time zone"),
    ],
)
def test_a_first_manager_that_cannot_be_is_refused_in_words_and_leaves_nothing(name, address, zone, why):
    with pytest.raises(CommandError, match=why):
        said("first_manager", name, address, time_zone=zone)

    assert (Person.objects.count(), Firm.objects.count()) == (0, 0)


def test_there_is_one_first_manager():
    said("first_manager", "Ada Holm", "ada@firm.example")

    with pytest.raises(CommandError, match="manager already"):
        said("first_manager", "Bo Holm", "bo@firm.example")


def test_the_operator_lists_people_and_prints_a_link_by_name_or_address(lead):
    make.manager(name="Ada Holm", is_crew_lead=True, firm=lead.firm)
    make.supplier(name="Sam Quarry", firm=make.supplier_firm(name="Quarry Panels"))
    Person.objects.create(
        name="Gone", email="gone@firm.example", firm=lead.firm, time_zone="UTC", is_active=False
    )

    listed = [line.split("\t") for line in said("sign_in_link", list=True)]

    assert listed == [
        ["Ada Holm", "crew lead, operations manager", lead.firm.name],
        ["Rosa Pires", "crew lead", lead.firm.name],
        ["Sam Quarry", "supplier", "Quarry Panels"],
    ]
    for word in ("Rosa Pires", "rosa pires", "ROSA@firm.example"):
        client = Client()
        (link,) = said("sign_in_link", word)
        client.get(path_of(link))
        assert is_in(client)
    for word in ("Gone", "Nobody"):
        with pytest.raises(CommandError, match="nobody called"):
            said("sign_in_link", word)
    with pytest.raises(CommandError, match="Name a person"):
        said("sign_in_link")


def test_two_of_one_name_are_told_apart_by_address(lead):
    make.crew_lead(name="Rosa Pires", email="rosa.two@firm.example")

    with pytest.raises(CommandError, match=r"rosa@firm\.example, rosa\.two@firm\.example|rosa\.two"):
        said("sign_in_link", "Rosa Pires")

    assert len(said("sign_in_link", "rosa.two@firm.example")) == 1


def test_each_feed_address_is_a_further_one_and_ends_none():
    make.crew(name="Plover")
    make.crew(name="Heron")
    make.crew(name="Closed", closed_at=NOW)

    assert said("feed_url", list=True) == ["Heron", "Plover"]
    addresses = [said("feed_url", word)[0] for word in ("Heron", "heron")]

    assert len(set(addresses)) == 2
    for address in addresses:
        path = address.removeprefix("http://localhost:8000")
        assert Client().get(path).status_code == 200
    assert FeedSecret.objects.filter(person=None, ended_at=None).count() == 2
    for word in ("Closed", "Nobody"):
        with pytest.raises(CommandError, match="no crew called"):
            said("feed_url", word)


# ---- the page of a crew's calendar


def test_the_address_of_a_calendar_is_shown_this_once_and_can_be_ended(lead):
    crew = make.crew(lead, name="Heron")
    client = Client()
    client.force_login(lead)
    page = f"/crews/{crew.pk}/calendar/"

    made = client.post(page)
    address = re.search(r"http://localhost:8000(/feeds/[\w-]{43}\.ics)", made.content.decode())[1]
    again = client.get(page)

    assert f"webcal://localhost:8000{address}" in made.content.decode()
    for answer in (made, again):
        # From a page of "no-referrer" browsers post without an origin, and its forms are refused.
        assert answer["Referrer-Policy"] == "same-origin"
        assert answer["X-Content-Type-Options"] == "nosniff"
    assert "no-store" in made["Cache-Control"]
    assert address[7:50] not in again.content.decode()
    assert Client().get(address).status_code == 200

    secret = FeedSecret.objects.get()
    ended = client.post(f"{page}{secret.pk}/end/", follow=True)

    assert "subscribe again there" in ended.content.decode()
    assert Client().get(address).status_code == 404
