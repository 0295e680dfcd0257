"""The simulated logger at a live server, through a night on which the clocks go back: silent, replayed, told."""

from __future__ import annotations

import json
import socket
import subprocess
import sys
from contextlib import closing
from datetime import UTC, datetime, timedelta
from http.client import HTTPConnection

import pytest

from tests.service import CHECKOUT, Service, serving

pytestmark = pytest.mark.process

# The clocks of Paris went back on Sunday 26 October 2025 at 01:00 UTC, from 03:00 to 02:00.  Source: the IANA time
# zone database.  A year that is past wherever the test runs: no server takes readings that are still to come.
NIGHT = ["--from", "2025-10-25T20:00:00+02:00", "--to", "2025-10-26T08:00:00+01:00"]
NIGHT += ["--time-zone", "Europe/Paris"]
#: Two hours over the change: 02:30 came at 00:30 UTC, 03:30 at 02:30 UTC.
SILENT = ["--silent", "2025-10-26T02:30:00+02:00", "2025-10-26T03:30:00+01:00"]
#: From 18:00 to 07:00 UTC are 13 hours; every five minutes, both ends included.
READINGS = 13 * 12 + 1
IN_THE_SILENCE = 2 * 12

SET_UP = """
from datetime import timedelta
from config import clock
from jobs.models import Firm, Job, Person, Site, Zone
from jobs.services.loggers import add_logger
now = clock.read()
firm = Firm.objects.create(name="Holm Linings", kind=Firm.Kind.CONTRACTOR)
boss = Person.objects.create(
    firm=firm, name="Ada Holm", email="ada@people.example", time_zone="Europe/Paris", is_manager=True
)
site = Site.objects.create(name="Quay", address="1 Quay Street", time_zone="Europe/Paris")
job = Job.objects.create(site=site, number="J1", name="Wards")
zone = Zone.objects.create(job=job, name="Ward A", t_min=18, t_max=24, rh_min=35, rh_max=60)
print(add_logger(name="L3", zones=[zone], silent_after=timedelta(hours=1), by=boss, now=now)[1])
"""
READ_BACK = """
import json
from jobs.models import Reading
rows = Reading.objects.order_by("happened_at").values_list("happened_at", "temperature", "humidity_pct", "logger")
print(json.dumps([[at.isoformat(), *rest] for at, *rest in rows]))
"""


@pytest.fixture(scope="module")
def service(tmp_path_factory):
    with serving(tmp_path_factory.mktemp("night") / "data") as service:
        assert service.get("/livez")[0] == 200
        yield service


@pytest.fixture(scope="module")
def token(service: Service) -> str:
    return service.manage("shell", "-v", "0", "-c", SET_UP)


def posted(service, token, *arguments):
    """Run the program and return its exit status and what it printed of each post."""
    command = [sys.executable, "fixtures/simulated_logger.py", f"http://127.0.0.1:{service.port}"]
    command += ["--token", token, "--zone", "Ward A", *arguments]
    ended = subprocess.run(command, cwd=CHECKOUT, text=True, capture_output=True)
    assert ended.stderr == ""
    return ended.returncode, [json.loads(line) for line in ended.stdout.splitlines()]


def counts(posts, name):
    return sum(post[name] for post in posts)


def test_a_night_with_a_silence_and_a_replay_is_told_and_stored_exactly(service, token):
    status, told = posted(service, token, *NIGHT, *SILENT, "--replay")

    *posts, replay = told
    assert status == 0
    # A reading that stands in the repeated hour twice is two readings: their offsets tell them apart.
    assert counts(posts, "stored") == READINGS - IN_THE_SILENCE
    assert [counts(posts, name) for name in ("known", "conflict", "refused")] == [0, 0, 0]
    assert (replay["stored"], replay["known"]) == (IN_THE_SILENCE, READINGS - IN_THE_SILENCE)
    assert (replay["conflict"], replay["refused"], replay["status"]) == (0, 0, 200)
    assert (replay["first"], replay["last"]) == ("2025-10-25T20:00:00+02:00", "2025-10-26T08:00:00+01:00")

    rows = json.loads(service.manage("shell", "-v", "0", "-c", READ_BACK))
    first = datetime(2025, 10, 25, 18, 0, tzinfo=UTC)
    assert [row[0] for row in rows] == [
        (first + n * timedelta(minutes=5)).isoformat() for n in range(READINGS)
    ]
    assert {row[3] for row in rows} == {"L3"}

    # All of it again, by whomever: nothing is added.  With other air: the first stands.
    assert counts(posted(service, token, *NIGHT, "--batch", "10000")[1], "known") == READINGS
    assert counts(posted(service, token, *NIGHT, "--air", "22")[1], "conflict") == READINGS
    assert json.loads(service.manage("shell", "-v", "0", "-c", READ_BACK)) == rows


def test_a_clock_that_is_slow_says_other_instants(service, token):
    day = ["--from", "2025-11-03T08:00:00+01:00", "--to", "2025-11-03T09:00:00+01:00"]

    _status, (post, _last) = posted(
        service, token, *day, "--clock-ahead", "-60", "--time-zone", "Europe/Paris"
    )

    assert (post["first"], post["stored"]) == ("2025-11-03T07:00:00+01:00", 12)


def test_a_wrong_token_ends_with_a_status_and_the_reason(service):
    status, posts = posted(service, "d3Jvbmc", *NIGHT, "--batch", "500")

    assert status == 1
    assert [(post["status"], post["error"]) for post in posts] == [(401, "This token is not known here.")]


def sent(service, token, body, **how):
    """Return status and answer of a body that is sent as it is."""
    headers = {"Authorization": f"Bearer {token}", "Content-Type": "application/json"}
    with closing(HTTPConnection("127.0.0.1", service.port, timeout=30)) as server:
        server.request("POST", "/ingest/readings", body, headers, **how)
        answer = server.getresponse()
        return answer.status, json.loads(answer.read())


def test_ten_megabytes_are_answered_though_they_are_not_taken(service, token):
    found = sent(service, token, b" " * 10_000_000)

    assert found == (413, {"error": "A body has at most 4 MB; send the readings in parts."})


def test_a_body_in_pieces_without_a_length_is_asked_for_it(service, token):
    found = sent(service, token, iter([b'{"readings": ', b"[]}"]), encode_chunked=True)

    assert found == (411, {"error": "Say with “Content-Length” how long the body is."})


def test_half_a_body_stores_nothing_and_the_next_is_taken(service, token):
    with closing(socket.create_connection(("127.0.0.1", service.port), timeout=30)) as half:
        head = f"POST /ingest/readings HTTP/1.1\r\nHost: localhost\r\nAuthorization: Bearer {token}\r\n"
        half.sendall(f"{head}Content-Type: application/json\r\nContent-Length: 900\r\n\r\n".encode())
        half.sendall(b'{"readings": [{"zone": "Ward A", "at": "2025-11-0')

    assert sent(service, token, b'{"readings": [{"zone"')[0] == 400
    assert sent(service, token, b'{"readings": []}') == (400, {"error": "There is no reading in it."})
