"""`manage.py bench`: take the figures and print them, met or not."""

from __future__ import annotations

import json
import os
import platform
import random
import subprocess
import sys
import tempfile
from argparse import ArgumentParser
from dataclasses import asdict
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.db import connection

from config import bench, clock

#: What would send a benchmark to the operator's own database or broker.
NOT_OURS = ("DATABASE_URL", "REDIS_URL", "EMAIL_URL", "SETDAY_HOSTS", "SETDAY_SECRET", "SETDAY_HTTPS", "DEMO")


class Command(BaseCommand):
    """Runs benchmarks, each in a process and a folder of its own, in shuffled order."""

    help = "Measure and print the named figures, or all; each on a data folder of its own."

    def add_arguments(self, parser: ArgumentParser) -> None:
        """Take names, a file for JSON, and the inner mark of a benchmark's own process."""
        parser.add_argument("names", nargs="*", metavar="NAME")
        parser.add_argument("--json", type=Path, metavar="FILE", help="write the rows as JSON too")
        parser.add_argument(
            "--into", type=Path, metavar="FILE", help="used by itself: write one benchmark's rows"
        )

    def handle(self, **options: Any) -> None:
        """Measure and print."""
        names, file, into = options["names"], options["json"], options["into"]
        chosen = _chosen(names)
        if into is not None:
            into.write_text(_as_json([row for key in chosen for row in bench.load()[key]()]))
            return
        random.shuffle(chosen)
        found = {row.name: row for key in chosen for row in self._apart(key)}
        rows = [found[name] for key in bench.load() for name in key if name in found]
        self.stdout.write(bench.table(rows))
        self.stdout.write(_machine_line())
        if file is not None:
            file.write_text(_as_json(rows))

    def _apart(self, key: tuple[str, ...]) -> list[bench.Row]:
        self.stderr.write(f"{', '.join(key)} …")
        with (
            tempfile.TemporaryDirectory(prefix="setday-bench-") as folder,
            bench.scratch_database(os.environ.get("DATABASE_URL")) as database,
        ):
            into = Path(folder) / "rows.json"
            env = {name: value for name, value in os.environ.items() if name not in NOT_OURS} | database
            env["DATA"] = str(Path(folder) / "data")
            command = [sys.executable, "manage.py", "bench", key[0], "--into", str(into)]
            subprocess.run(command, cwd=bench.CHECKOUT, env=env, check=True, stdout=subprocess.DEVNULL)
            return [bench.Row(**row) for row in json.loads(into.read_text())["rows"]]


def _chosen(names: list[str]) -> list[tuple[str, ...]]:
    known = bench.load()
    unknown = set(names) - {name for key in known for name in key}
    if unknown:
        every = ", ".join(name for key in known for name in key)
        raise CommandError(f"There is no figure named {', '.join(sorted(unknown))}; there are {every}.")
    return [key for key in known if not names or set(names) & set(key)]


def _machine_line() -> str:
    told = _machine()
    return (
        f"{told['database']}, {told['cores']} cores, load average {told['load']:.1f}, Python {told['python']}"
    )


def _machine() -> dict[str, Any]:
    """Return what the figures depend on beside our code; the load is that of the last minute."""
    return {
        "python": platform.python_version(),
        "cores": os.cpu_count(),
        "load": os.getloadavg()[0],
        "database": connection.vendor,
    }


def _as_json(rows: list[bench.Row]) -> str:
    said = [asdict(row) for row in rows]
    return json.dumps({"at": clock.read().isoformat(), "machine": _machine(), "rows": said}, indent=1) + "\n"
