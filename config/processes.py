"""Process groups: started with their output named, ended in order, even for a supervisor that was killed.

Each child leads a session of its own, so that a Ctrl-C in the terminal reaches the supervisor alone and a
group can be ended whole.  Standard library only: the watcher runs this file without Django.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import IO

#: From the polite signal to the last one: longer than the web's and the worker's own grace.
GRACE_S = 30.0
#: What the broker gets after all others are gone, to write its queue down.
BROKER_GRACE_S = 5.0
BROKER = "broker"


class Child:
    """One process of ours and its group; `name` stands before each line it prints."""

    def __init__(
        self, name: str, command: Sequence[str], *, env: Mapping[str, str], cwd: Path, keep: Sequence[int]
    ) -> None:
        """Start `command`; the file descriptors in `keep` stay open in it."""
        self.name = name
        self.process = subprocess.Popen(
            command,
            env=env,
            cwd=cwd,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            start_new_session=True,
            pass_fds=keep,
        )
        assert self.process.stdout is not None
        threading.Thread(target=_copy, args=(name, self.process.stdout), daemon=True).start()

    @property
    def pid(self) -> int:
        """The process, and the group it leads."""
        return self.process.pid

    def has_ended(self) -> bool:
        """Return whether the process is gone; its group may outlive it."""
        return self.process.poll() is not None


def _copy(name: str, output: IO[bytes]) -> None:
    for line in output:
        said = f"{name:<7}| ".encode() + line
        try:
            os.write(sys.stdout.fileno(), said)
        except OSError:
            # Nobody reads us any more; the child must still not be stopped by a full pipe.
            continue


class Watcher:
    """A small process that ends the children if the supervisor cannot: it waits at the end of a pipe.

    It holds the folder's lock as well, so that nobody starts on the data before the last child is gone.
    """

    def __init__(self, lock: int) -> None:
        """Start watching; `lock` is the file descriptor that holds the data folder."""
        self._process = subprocess.Popen(
            [sys.executable, "-I", "-S", __file__],
            stdin=subprocess.PIPE,
            start_new_session=True,
            pass_fds=[lock],
        )

    def note(self, child: Child) -> None:
        """Have this child ended too."""
        self._say(f"{child.name} {child.pid}")

    def dismiss(self) -> None:
        """Let the watcher go: the children are ended."""
        self._say("done 0")
        self._process.wait()

    def _say(self, line: str) -> None:
        assert self._process.stdin is not None
        self._process.stdin.write(line.encode() + b"\n")
        self._process.stdin.flush()


def end(groups: Mapping[str, int]) -> None:
    """End process groups by name: all but the broker together, then the broker, then whatever still lives."""
    others = [group for name, group in groups.items() if name != BROKER]
    _end_together(others, grace_s=GRACE_S)
    _end_together([group for group in groups.values() if group not in others], grace_s=BROKER_GRACE_S)


def _end_together(groups: Sequence[int], *, grace_s: float) -> None:
    # Only the leader is asked: it knows how to end its own workers.
    for group in groups:
        _signal(os.kill, group, signal.SIGTERM)
    deadline = time.monotonic() + grace_s
    while time.monotonic() < deadline and any(_lives(group) for group in groups):
        time.sleep(0.05)
    for group in groups:
        _signal(os.killpg, group, signal.SIGKILL)


def _lives(pid: int) -> bool:
    try:
        # Ours are reaped here; what belonged to a dead supervisor is reaped by the system.
        if os.waitpid(pid, os.WNOHANG) != (0, 0):
            return False
    except ChildProcessError:
        pass
    return _signal(os.kill, pid, 0)


def _signal(send: Callable[[int, int], None], target: int, number: int) -> bool:
    try:
        send(target, number)
    except ProcessLookupError:
        return False
    return True


def watch(lines: IO[str]) -> None:
    """Take note of groups, one "name pid" a line; when the lines stop, end them all."""
    groups: dict[str, int] = {}
    for line in lines:
        name, pid = line.split()
        if name == "done":
            return
        groups[name] = int(pid)
    end(groups)


if __name__ == "__main__":
    watch(sys.stdin)
