import pytest
from django.http import HttpResponse
from django.test import RequestFactory

from config import clock, http


def test_each_request_has_one_present_and_its_answer_one_name():
    seen = []

    def view(request):
        seen.append((request.now, request.now))
        return HttpResponse()

    before = clock.read()
    answer = http.stamp(view)(RequestFactory().get("/"))

    assert seen[0][0] is seen[0][1]
    assert before <= seen[0][0] <= clock.read()
    assert len(answer["X-Request-ID"]) == 12


@pytest.mark.django_db
def test_a_page_loads_nothing_from_elsewhere_and_stands_in_no_frame(client):
    answer = client.get("/livez")

    policy = dict(part.strip().split(" ", 1) for part in answer["Content-Security-Policy"].split(";"))
    assert policy["default-src"] == policy["script-src"] == policy["style-src"] == "'self'"
    assert policy["object-src"] == policy["base-uri"] == policy["frame-ancestors"] == "'none'"
    assert answer["X-Content-Type-Options"] == "nosniff"
    assert answer["Referrer-Policy"] == "same-origin"
    assert answer["X-Frame-Options"] == "DENY"


@pytest.mark.django_db
@pytest.mark.parametrize("path", ["/livez", "/feeds/no-such-secret.ics"])
def test_what_machines_ask_for_starts_no_session_and_sets_no_cookie(client, path):
    answer = client.get(path)

    assert answer.cookies == {}
    assert "Cookie" not in answer.get("Vary", "")


def test_the_watchdogs_question_touches_no_database(client, django_assert_num_queries):
    assert client.get("/livez").content == b"ok\n"
    assert client.post("/livez").status_code == 405
