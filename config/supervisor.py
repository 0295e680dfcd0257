"""One command for the whole service: broker, database, web, worker and beat, in order; one dies, all stop."""

from __future__ import annotations

import errno
import fcntl
import http.client
import os
import signal
import socket
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import FrameType

from config import broker
from config.environment import Refused
from config.processes import BROKER, GRACE_S, Child, Watcher, end

#: How long a supervisor that was killed may leave its children to the watcher.
TAKEOVER_S = GRACE_S + 10
#: The worker and beat wait for the first page, so that it has both cores; but not for ever.
FIRST_PAGE_WITHIN_S = 60.0
CHECKOUT = Path(__file__).resolve().parent.parent


class Stopped(BaseException):
    """A signal asked the supervisor to stop."""


class ChildDied(Exception):
    """A process ended that should not have."""


@dataclass(frozen=True, slots=True)
class Plan:
    """What is to run, and where."""

    data: Path
    processes: Sequence[str]
    queues: Sequence[str]
    concurrency: int
    #: Where the web listens: an address of this machine, and the name it may be asked by.
    bind: str
    host: str
    port: int
    redis_url: str
    has_own_broker: bool


class Supervisor:
    """Starts what `plan` names and keeps it together until a signal or a death."""

    def __init__(
        self,
        plan: Plan,
        *,
        prepare: Callable[[], None],
        furnish: Callable[[], None],
        greet: Callable[[], None],
    ) -> None:
        """Take a plan and three calls.

        `prepare` runs before the web starts, `furnish` while it does, `greet` once there is a first page.
        """
        self._plan = plan
        self._prepare = prepare
        self._furnish = furnish
        self._greet = greet
        self._children: list[Child] = []
        self._watcher: Watcher | None = None
        self._is_stopping = False
        self._may_interrupt = False

    def run(self) -> int:
        """Run until a signal (then 0) or a death (then 1) and return that status; leave no process behind.

        Raises:
            Refused: the folder or the port is taken, or the broker does not answer.
        """
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            signal.signal(number, self._stop)
        try:
            self._start()
            while True:
                self._check()
                time.sleep(0.2)
        except Stopped:
            print("Stopping …", flush=True)
            return 0
        except ChildDied as death:
            print(f"{death}; everything stops.", file=sys.stderr, flush=True)
            return 1
        finally:
            self._may_interrupt = False
            end({child.name: child.pid for child in self._children})
            if any(child.name == BROKER for child in self._children):
                broker.remove_socket(self._plan.data)
            if self._watcher is not None:
                self._watcher.dismiss()

    def _start(self) -> None:
        plan = self._plan
        lock = hold_folder(plan.data)
        listener = listen(plan.bind, plan.port) if "web" in plan.processes else None
        self._watcher = Watcher(lock)
        if plan.has_own_broker:
            self._start_broker()
        with self._interruptible():
            self._prepare()
        if listener is not None:
            self._add("web", web_command(listener), keep=[listener.fileno()])
        with self._interruptible():
            self._furnish()
        if listener is not None:
            self._await_first_page()
        with self._interruptible():
            self._greet()
        if "worker" in plan.processes:
            self._add("worker", worker_command(plan))
        if "beat" in plan.processes:
            self._add("beat", beat_command())

    def _start_broker(self) -> None:
        path = broker.private_socket(self._plan.data)
        broker.note_address(path, self._plan.data)
        self._add(BROKER, broker.command(path, self._plan.data))
        deadline = time.monotonic() + broker.READY_WITHIN_S
        while not broker.answers(self._plan.redis_url):
            self._check()
            if time.monotonic() > deadline:
                raise Refused(f"the broker does not answer; see {self._plan.data / 'broker.log'}.")
            time.sleep(0.02)

    def _await_first_page(self) -> None:
        deadline = time.monotonic() + FIRST_PAGE_WITHIN_S
        while not answers_livez(self._plan) and time.monotonic() < deadline:
            self._check()
            time.sleep(0.05)

    def _add(self, name: str, command: Sequence[str], *, keep: Sequence[int] = ()) -> None:
        self._check()
        env = os.environ | {"DATA": str(self._plan.data), "PYTHONUNBUFFERED": "1"}
        child = Child(name, command, env=env, cwd=CHECKOUT, keep=keep)
        self._children.append(child)
        assert self._watcher is not None
        self._watcher.note(child)

    def _check(self) -> None:
        if self._is_stopping:
            raise Stopped
        for child in self._children:
            if child.has_ended():
                raise ChildDied(f"{child.name} ended with status {child.process.returncode}")

    def _stop(self, number: int, frame: FrameType | None) -> None:
        # Raised only where nothing is half started; elsewhere the next check sees the flag.
        self._is_stopping = True
        if self._may_interrupt:
            self._may_interrupt = False
            raise Stopped

    @contextmanager
    def _interruptible(self) -> Iterator[None]:
        self._may_interrupt = True
        try:
            self._check()
            yield
        finally:
            self._may_interrupt = False


def hold_folder(data: Path) -> int:
    """Lock the data folder and return the lock's file descriptor; whoever holds it holds the folder."""
    data.mkdir(mode=0o700, parents=True, exist_ok=True)
    lock = os.open(data / "lock", os.O_RDWR | os.O_CREAT, 0o600)
    deadline = time.monotonic() + TAKEOVER_S
    while not _has_locked(lock):
        holder = os.pread(lock, 32, 0).decode().strip()
        if _is_alive(holder) or time.monotonic() > deadline:
            raise Refused(f"another one is running on {data} (process {holder}).")
        # Its supervisor was killed; the watcher is ending what is left of it.
        time.sleep(0.1)
    os.ftruncate(lock, 0)
    os.pwrite(lock, str(os.getpid()).encode(), 0)
    return lock


def _has_locked(lock: int) -> bool:
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


def _is_alive(pid: str) -> bool:
    if not pid.isdigit():
        return False
    try:
        os.kill(int(pid), 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True


def listen(bind: str, port: int) -> socket.socket:
    """Open the web's port here, so that it is ours from the first moment and early visitors wait in line."""
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((bind, port))
        listener.listen(2048)
    except OSError as error:
        if error.errno == errno.EADDRINUSE:
            raise Refused(f"port {port} is taken by another program; name a free one with PORT=….") from error
        raise Refused(f"port {port} cannot be used: {error.strerror}.") from error
    return listener


def answers_livez(plan: Plan) -> bool:
    """Return whether the web answers; how, does not matter."""
    connection = http.client.HTTPConnection("127.0.0.1", plan.port, timeout=2)
    try:
        connection.request("GET", "/livez", headers={"Host": plan.host})
        connection.getresponse().read()
    except (OSError, http.client.HTTPException):
        return False
    finally:
        connection.close()
    return True


def web_command(listener: socket.socket) -> list[str]:
    """Return the web server's command, on the port that is open already."""
    memory = ["--worker-tmp-dir", "/dev/shm"] if Path("/dev/shm").is_dir() else []
    return [
        *(sys.executable, "-m", "gunicorn", "config.wsgi", "--bind", f"fd://{listener.fileno()}"),
        *("--worker-class", "gthread", "--workers", "2", "--threads", "4"),
        *("--timeout", "60", "--graceful-timeout", "20", "--log-level", "warning", "--no-control-socket"),
        *memory,
    ]


def worker_command(plan: Plan) -> list[str]:
    """Return the worker's command; without gossip and mingle it starts faster and loses nothing."""
    return [
        *(sys.executable, "-m", "celery", "--quiet", "-A", "config", "worker"),
        *("--queues", ",".join(plan.queues), "--concurrency", str(plan.concurrency)),
        *("--without-gossip", "--without-mingle"),
    ]


def beat_command() -> list[str]:
    """Return the timetable's command; exactly one of it runs in a deployment."""
    return [sys.executable, "-m", "celery", "--quiet", "-A", "config", "beat", "--pidfile="]
