"""The whole service as real processes, for tests that need it: started, visited, asked at the keyboard, ended."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import psutil

CHECKOUT = Path(__file__).resolve().parents[1]
#: A supervisor that does not end by itself within this time is at fault.
PATIENCE_S = 60


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def ours(data: Path, port: int, **more: str) -> dict[str, str]:
    """Return this process's environment with the embedded default on `data` and `port`, and `more`."""
    others = ("DATABASE_URL", "REDIS_URL", "EMAIL_URL", "DEMO")
    kept = {name: value for name, value in os.environ.items() if name not in others and "SETDAY" not in name}
    own = {"DATA": str(data), "PORT": str(port), "DJANGO_SETTINGS_MODULE": "config.settings"}
    return kept | own | more


def at_keyboard(data: Path, port: int, *arguments: str) -> str:
    """Run a command of `manage.py` on a service's data and return what it prints."""
    command = [sys.executable, "manage.py", *arguments]
    ended = subprocess.run(command, cwd=CHECKOUT, env=ours(data, port), text=True, capture_output=True)
    assert ended.returncode == 0, ended.stdout + ended.stderr
    return ended.stdout.strip()


class Service:
    """One `manage.py serve` on a folder and a port of its own."""

    def __init__(self, data: Path, *, port: int | None = None, **variables: str) -> None:
        self.data = data
        self.port = port or free_port()
        data.mkdir(parents=True, exist_ok=True)
        # A file, not a pipe: one that nobody reads fills up and stops the service.
        self._output = data / f"printed-{self.port}"
        with open(self._output, "w") as output:
            self.process = subprocess.Popen(
                [sys.executable, "manage.py", "serve"], cwd=CHECKOUT, env=ours(data, self.port, **variables),
                stdout=output, stderr=subprocess.STDOUT, start_new_session=True,
            )  # fmt: skip

    @property
    def address(self) -> str:
        """Where its pages are, as it prints them itself."""
        return f"http://localhost:{self.port}"

    def printed(self) -> str:
        """Return all that it has printed so far."""
        return self._output.read_text()

    def manage(self, *arguments: str) -> str:
        """Run a command of `manage.py` on the same data and return what it prints."""
        return at_keyboard(self.data, self.port, *arguments)

    def get(self, path: str) -> tuple[int, str]:
        """Return the status and body of a page, waiting for the service to come up."""
        deadline = time.monotonic() + PATIENCE_S
        while time.monotonic() < deadline:
            try:
                with urllib.request.urlopen(f"http://127.0.0.1:{self.port}{path}", timeout=10) as answer:
                    return answer.status, answer.read().decode()
            except urllib.error.HTTPError as answer:
                return answer.code, answer.read().decode()
            except OSError:
                assert self.process.poll() is None, self.printed()
                time.sleep(0.05)
        raise AssertionError("no page came")

    def greeted(self) -> None:
        """Wait until it says where it is: its first page is there, and its demo if it loads one."""
        for _ in range(PATIENCE_S * 10):
            if f"Setday is at {self.address}" in self.printed():
                return
            assert self.process.poll() is None, self.printed()
            time.sleep(0.1)
        raise AssertionError(self.printed())

    def ready(self) -> dict[str, str]:
        """Return what each part answers once all are ready, or after a fair time what they answer then."""
        for _ in range(PATIENCE_S * 5):
            status, body = self.get("/readyz")
            if status == 200:
                break
            time.sleep(0.2)
        return {part: answer for part, answer in json.loads(body).items() if part != "ready"}

    def family(self) -> list[psutil.Process]:
        """Return every process of the service, once the worker's children and beat are there too."""
        for _ in range(PATIENCE_S * 10):
            assert self.process.poll() is None, self.printed()
            supervisor = psutil.Process(self.process.pid)
            found = [supervisor, *supervisor.children(recursive=True)]
            lines = [line(process) for process in found]
            workers = [said for said in lines if "celery" in said and "worker" in said]
            if len(workers) >= 3 and any("beat" in said for said in lines):
                return found
            time.sleep(0.1)
        raise AssertionError("worker and beat did not come")

    def end(self, number: int = signal.SIGTERM) -> tuple[int, str]:
        """Signal the supervisor and return its exit status and all it printed."""
        self.process.send_signal(number)
        return self.ended()

    def ended(self) -> tuple[int, str]:
        """Wait for the supervisor and return its exit status and all it printed."""
        status = self.process.wait(timeout=PATIENCE_S)
        return status, self.printed()


def line(process: psutil.Process) -> str:
    try:
        return " ".join(process.cmdline())
    except psutil.NoSuchProcess:
        return ""


@contextmanager
def serving(data: Path, *, port: int | None = None, **variables: str) -> Iterator[Service]:
    """Run the service on `data`, with environment variables of its own, and end it."""
    service = Service(data, port=port, **variables)
    try:
        yield service
    finally:
        if service.process.poll() is None:
            service.end()
