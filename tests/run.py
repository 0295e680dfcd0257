"""The whole suite, on SQLite with the browser and on PostgreSQL: `python -m tests.run [for pytest …]`."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from types import FrameType

from tests.programs import chromium, postgresql, running_postgresql

NO_CHROMIUM = "No Chromium here, so the browser tests do not run.  Get it: apt-get install chromium"
NO_POSTGRESQL = "No PostgreSQL here, so the suite runs on SQLite only.  Get it: apt-get install postgresql"


def main(arguments: list[str]) -> int:
    """Run everything that this machine can; return 0 if nothing failed and, under CI, nothing lacked."""
    signal.signal(signal.SIGTERM, _end)
    is_ci = os.environ.get("CI") == "true"
    failed = False

    if chromium() is None:
        print(NO_CHROMIUM, flush=True)
        failed |= is_ci
        failed |= _suite("SQLite", arguments, marks="not browser")
    else:
        failed |= _suite("SQLite, browser", arguments)

    programs = postgresql()
    if programs is None:
        print(NO_POSTGRESQL, flush=True)
        failed |= is_ci
    else:
        with running_postgresql(programs) as url:
            failed |= _suite("PostgreSQL", arguments, marks="not browser and not process", DATABASE_URL=url)
    return int(failed)


def _suite(name: str, arguments: list[str], *, marks: str = "", **environment: str) -> bool:
    print(f"== {name} ==", flush=True)
    command = [sys.executable, "-m", "pytest", *(["-m", marks] if marks else []), *arguments]
    env = {name: value for name, value in os.environ.items() if name not in ("DATABASE_URL", "REDIS_URL")}
    return subprocess.run(command, env=env | environment, check=False).returncode != 0


def _end(number: int, frame: FrameType | None) -> None:
    sys.exit(128 + number)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
