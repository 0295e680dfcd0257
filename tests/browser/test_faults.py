"""Killed in mid-work the service loses nothing and does nothing twice; without its worker it shows nothing stale."""

from __future__ import annotations

import email
import json
import socketserver
import sqlite3
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from datetime import timedelta
from http.cookiejar import CookieJar
from pathlib import Path

import pytest
from icalendar import Calendar

from config import clock
from config.celery import TIMETABLE
from jobs import outbox
from tests.browser.hands import plain
from tests.service import CHECKOUT, PATIENCE_S, Service, line, ours, serving

pytestmark = pytest.mark.process

#: What is owed is done so soon after a start at the latest.
DONE_WITHIN_S = 60
#: Word to each of three managers: of two rooms begun while held, and of one that was fit to send and is held again.
OWED = 3 * (2 + 1)


class PostOffice(socketserver.ThreadingTCPServer):
    """A mail server as slow as a test wants it: while `is_slow` it takes a mail in and does not say that it has it."""

    daemon_threads = True
    allow_reuse_address = True

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), _Counter)
        self.accepted: list[str] = []
        self.waiting = threading.Semaphore(0)
        self.is_slow = True

    @property
    def url(self) -> str:
        return f"smtp://127.0.0.1:{self.server_address[1]}?tls=0"


class _Counter(socketserver.StreamRequestHandler):
    """One caller's turn (RFC 5321: the replies that a plain client needs)."""

    server: PostOffice

    def handle(self) -> None:
        self._say("220 post office")
        for said in iter(self.rfile.readline, b""):
            match said.split()[0].upper():
                case b"DATA":
                    self._say("354 go on")
                    self._take(b"".join(iter(self.rfile.readline, b".\r\n")))
                case b"QUIT":
                    self._say("221 bye")
                    return
                case _:
                    self._say("250 ok")

    def _take(self, mail: bytes) -> None:
        if self.server.is_slow:
            self.server.waiting.release()
            # Until the caller is gone: whoever dies in the middle never heard that its mail was taken.
            self.rfile.read()
            return
        self.server.accepted.append(str(email.message_from_bytes(mail)["Message-ID"]))
        self._say("250 taken")

    def _say(self, words: str) -> None:
        self.wfile.write(words.encode() + b"\r\n")


@pytest.fixture
def post_office() -> Iterator[PostOffice]:
    with PostOffice() as office:
        thread = threading.Thread(target=office.serve_forever, daemon=True)
        thread.start()
        yield office
        office.shutdown()
        thread.join()


@pytest.fixture
def data(tmp_path: Path) -> Path:
    return tmp_path / "data"


def test_a_worker_killed_in_mid_mail_is_made_up_for_once_and_meanwhile_nothing_is_stale(data, post_office):
    with serving(data, EMAIL_URL=post_office.url) as service:
        family = service.family()
        beside(service, "owing")
        for _ in range(2):  # both children of the worker are in mid-mail, the rest waits in the broker
            assert post_office.waiting.acquire(timeout=PATIENCE_S)
        for process in family:
            if "celery" in line(process) and "worker" in line(process):
                process.kill()
        status, printed = service.ended()
        assert status == 1, printed
        assert "worker ended with status -9; everything stops." in printed
    assert post_office.accepted == []

    with serving(data, SETDAY_PROCESSES="web") as alone:
        alone.get("/livez")
        assert_nothing_is_stale(alone)

    as_if_a_minute_had_passed(data)
    post_office.is_slow = False
    with serving(data, EMAIL_URL=post_office.url) as again:
        again.get("/livez")
        deadline = time.monotonic() + DONE_WITHIN_S
        while undone(data):
            assert time.monotonic() < deadline, undone(data)
            time.sleep(0.2)
    assert len(post_office.accepted) == len(set(post_office.accepted)) == OWED


def test_the_sweep_that_follows_a_loss_comes_within_the_promised_minute():
    period = timedelta(seconds=TIMETABLE["send again what is owed and lost"]["schedule"])

    # Sent, or taken, just before the kill it is found by the first sweep that comes when it counts as lost.
    assert max(outbox.LOST_AFTER, outbox.LEASE) + period <= timedelta(seconds=DONE_WITHIN_S)


def assert_nothing_is_stale(service: Service) -> None:
    """Look at a room before and after time alone holds it, and at every page that shows it."""
    room = Shown.made(service)
    before = room.pages()
    etag, status, summary = room.calendar()
    assert clock.read().timestamp() < room.until
    assert all("Released" in words for words in before.values()), before
    assert (status, summary[:5]) == ("CONFIRMED", "Room ")

    time.sleep(max(0.0, room.until - clock.read().timestamp()) + 1)

    after = room.pages()
    assert not any("Released" in words for words in after.values()), after
    assert all("Held" in words for words in after.values()), after
    new_etag, status, summary = room.calendar(known=etag)
    assert new_etag != etag
    assert (status, summary[:6]) == ("TENTATIVE", "Held: ")


@dataclass(frozen=True, slots=True)
class Shown:
    """A room whose release ends within seconds, and where it is shown."""

    service: Service
    until: float
    room: int
    job: int
    feed: str
    browser: urllib.request.OpenerDirector

    @classmethod
    def made(cls, service: Service) -> Shown:
        said = json.loads(beside(service, "ending"))
        browser = urllib.request.build_opener(urllib.request.HTTPCookieProcessor(CookieJar()))
        browser.open(said.pop("link"), timeout=PATIENCE_S).read()
        return cls(service=service, browser=browser, **said)

    def pages(self) -> dict[str, str]:
        """Return the words of the pages that show the room."""
        paths = (f"/rooms/{self.room}/", f"/jobs/{self.job}/")
        return {path: self._words(path) for path in paths}

    def calendar(self, known: str = "") -> tuple[str, str, str]:
        """Return the calendar's tag, and the status and title of its one event."""
        asked = urllib.request.Request(self.feed, headers={"If-None-Match": known} if known else {})
        with urllib.request.urlopen(asked, timeout=PATIENCE_S) as answer:
            (event,) = Calendar.from_ical(answer.read()).walk("VEVENT")
            return answer.headers["ETag"], str(event["STATUS"]), str(event["SUMMARY"])

    def _words(self, path: str) -> str:
        with self.browser.open(self.service.address + path, timeout=PATIENCE_S) as answer:
            page = answer.read().decode()
        return plain(page[page.index("<main") : page.index("</main>")])


def beside(service: Service, what: str) -> str:
    """Write rows beside the running service and return what is said of them."""
    ended = subprocess.run(
        [sys.executable, "-m", "tests.browser.promised_room", what],
        cwd=CHECKOUT, env=ours(service.data, service.port), text=True, capture_output=True,
    )  # fmt: skip
    assert ended.returncode == 0, ended.stderr
    return ended.stdout


def as_if_a_minute_had_passed(data: Path) -> None:
    """Set back what was under way: who was killed longer ago than a lease is waited for no more."""
    with closing(sqlite3.connect(data / "setday.sqlite3")) as database, database:
        for column in ("sent_at", "taken_at"):
            database.execute(f"UPDATE jobs_outbox SET {column} = datetime({column}, '-1 minute')")


def undone(data: Path) -> list[tuple[str, str, int]]:
    """Return what is owed and not done, as the database says."""
    with closing(sqlite3.connect(data / "setday.sqlite3")) as database:
        rows = database.execute("SELECT kind, state, attempts FROM jobs_outbox WHERE state != 'done'")
        return rows.fetchall()
