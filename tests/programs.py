"""Programs of the system that some tests need, and where they are: PostgreSQL and Chromium."""

from __future__ import annotations

import os
import pwd
import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

POSTGRESQL_USER = "postgres"


def chromium() -> str | None:
    """Return Chromium's path, or None where there is none; CHROMIUM names another."""
    names = [os.environ.get("CHROMIUM", ""), "chromium", "chromium-browser", "google-chrome"]
    return next((found for name in names if name and (found := shutil.which(name))), None)


def postgresql() -> Path | None:
    """Return the folder of PostgreSQL's newest server programs, or None where they, or their user, lack."""
    if os.geteuid() == 0 and POSTGRESQL_USER not in {user.pw_name for user in pwd.getpwall()}:
        return None
    folders = sorted(
        Path("/usr/lib/postgresql").glob("*/bin"), key=lambda folder: int(folder.parent.name), reverse=True
    )
    on_path = shutil.which("initdb")
    if on_path:
        folders.append(Path(on_path).resolve().parent)
    return next((folder for folder in folders if (folder / "initdb").exists()), None)


@contextmanager
def running_postgresql(programs: Path) -> Iterator[str]:
    """Run a server of our own in a temporary folder and yield its DATABASE_URL; nothing of it stays."""
    # The server refuses to be root, so root starts it as its own user.
    user = POSTGRESQL_USER if os.geteuid() == 0 else None
    folder = Path(tempfile.mkdtemp(prefix="setday-pg-"))
    if user:
        shutil.chown(folder, user)
    try:
        subprocess.run(
            [programs / "initdb", "-D", folder / "data", "-U", "setday", "-A", "trust", "-E", "UTF8",
             "--locale=C.UTF-8", "--no-sync"],
            check=True, stdout=subprocess.DEVNULL, user=user, cwd=folder,
        )  # fmt: skip
        off = [f"--{name}=off" for name in ("fsync", "synchronous_commit", "full_page_writes")]
        with open(folder / "log", "w") as log:
            server = subprocess.Popen(
                [programs / "postgres", "-D", folder / "data", "-k", folder, "--listen_addresses=", *off],
                stdout=log, stderr=log, user=user, cwd=folder, start_new_session=True,
            )  # fmt: skip
        try:
            _wait_until_ready(programs, folder, server)
            yield f"postgres://setday@/setday?host={folder}"
        finally:
            server.terminate()
            server.wait()
    finally:
        shutil.rmtree(folder)


def _wait_until_ready(programs: Path, folder: Path, server: subprocess.Popen[bytes]) -> None:
    asks: list[str | Path] = [
        programs / "pg_isready",
        "--quiet",
        "-h",
        folder,
        "-U",
        "setday",
        "-d",
        "postgres",
    ]
    for _ in range(300):
        if server.poll() is not None:
            break
        if subprocess.run(asks, check=False).returncode == 0:
            return
        time.sleep(0.1)
    raise RuntimeError(f"PostgreSQL did not start:\n{(folder / 'log').read_text()}")
