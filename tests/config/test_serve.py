"""The whole service as real processes: started, visited, killed and started again on the same data."""

import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing

import psutil
import pytest

from tests.service import CHECKOUT, PATIENCE_S, at_keyboard, free_port, line, ours, serving

PARTS = ["database", "migrations", "outbox", "broker", "beat"]

pytestmark = pytest.mark.process


def still_there(family):
    """Return which of these live on, after a fair time to go."""
    _, alive = psutil.wait_procs(family, timeout=PATIENCE_S)
    return [line(process) for process in alive if process.status() != psutil.STATUS_ZOMBIE]


def kill_one(service, what):
    """Kill the first process of the service whose command holds `what`; return them all."""
    service.get("/livez")
    family = service.family()
    next(process for process in family if what in line(process)).kill()
    return family


@pytest.fixture(scope="module")
def data(tmp_path_factory):
    """A data folder whose database is made: making it is most of a first start."""
    folder = tmp_path_factory.mktemp("data")
    at_keyboard(folder, free_port(), "migrate", "-v0")
    return folder


def test_one_command_serves_refuses_a_second_and_leaves_nothing_behind(data, tmp_path):
    secret = (data / "secret").read_text()
    with serving(data) as service:
        assert service.get("/livez") == (200, "ok\n")
        family = service.family()
        assert len(family) >= 10  # supervisor, watcher, broker, web and its two, worker and its two, beat
        assert service.ready() == dict.fromkeys(PARTS, "ok")

        with serving(data) as second, serving(tmp_path / "other", port=service.port) as elsewhere:
            answers = [second.ended(), elsewhere.ended()]
        running = f"another one is running on {data} (process {service.process.pid})."
        assert answers[0] == (1, f"Setday cannot start: {running}\n")
        taken = f"port {service.port} is taken by another program; name a free one with PORT=…."
        assert answers[1] == (1, f"Setday cannot start: {taken}\n")

        status, printed = service.end(signal.SIGTERM)

    assert status == 0, printed
    assert f"Setday is at http://localhost:{service.port}/" in printed
    assert "up to date" not in printed  # the database was found, not made
    assert (data / "secret").read_text() == secret
    assert still_there(family) == []


def test_whatever_is_killed_everything_ends_and_the_next_start_finds_the_folder_free(data):
    with serving(data) as killed:
        family = kill_one(killed, "manage.py serve")
        killed.process.wait(PATIENCE_S)

    with serving(data) as service:  # it waits for what the killed supervisor left
        service.get("/livez")
        assert still_there(family) == []
        family = kill_one(service, "redis-server")
        status, printed = service.ended()

    assert status == 1, printed
    assert "broker ended with status -9; everything stops." in printed
    assert still_there(family) == []


OWE_MAILS = """
import django
django.setup()
from config import clock
from jobs import outbox
from jobs.services.people import add_first_manager

now = clock.read()
person = add_first_manager(
    name="Ada", email="ada@firm.example", firm="Firm", time_zone="Europe/London", now=now
)
for number in range({number}):
    outbox.owe("mail_link", key=f"mail/{{number}}", now=now, person=person.pk, secret=str(number))
"""


def test_what_was_owed_when_the_broker_was_killed_is_done_once_soon_after_the_next_start(data):
    number = 40
    mailbox = data / "mailbox"
    with serving(data) as service:
        family = service.family()
        owing = subprocess.Popen(
            [sys.executable, "-c", OWE_MAILS.format(number=number)],
            cwd=CHECKOUT, env=ours(data, service.port), stderr=subprocess.DEVNULL,
        )  # fmt: skip
        while not mailbox.exists():
            assert service.process.poll() is None, service.ended()
            time.sleep(0.01)
        next(process for process in family if "redis-server" in line(process)).kill()
        assert owing.wait(PATIENCE_S) == 0  # the facts are recorded, broker or no broker
        service.ended()
    first = len(list(mailbox.glob("*.eml")))

    with serving(data) as service:
        deadline = time.monotonic() + PATIENCE_S
        while service.ready()["outbox"] != "ok" or len(list(mailbox.glob("*.eml"))) < number:
            assert time.monotonic() < deadline
            time.sleep(0.2)

    assert first < number
    assert len(list(mailbox.glob("*.eml"))) == number
    with closing(sqlite3.connect(data / "setday.sqlite3")) as database:
        states = database.execute("SELECT state, count(*) FROM jobs_outbox GROUP BY state").fetchall()
    assert states == [("done", number)]


def test_an_interrupt_while_the_database_is_made_leaves_nothing_behind(tmp_path):
    with serving(tmp_path) as service:
        while not (tmp_path / "setday.sqlite3").exists():
            time.sleep(0.01)
        supervisor = psutil.Process(service.process.pid)
        family = [supervisor, *supervisor.children(recursive=True)]

        status, printed = service.end(signal.SIGINT)  # as Ctrl-C

    assert status == 0, printed
    assert still_there(family) == []
