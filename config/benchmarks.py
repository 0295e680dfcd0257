"""The figure of the wiring: how soon after `make run` there is a page."""

from __future__ import annotations

import subprocess
import tempfile
from pathlib import Path
from statistics import median

from config.bench import CHECKOUT, Row, await_page, benchmark, served, spread_of

ROUNDS = 3


@benchmark("first_page_s", "first_page_again_s")
def first_page() -> list[Row]:
    """Time `make run` on an installed venv: in an empty folder with the demo to load, and in one that has it."""
    subprocess.run(["make", "--silent", "install"], cwd=CHECKOUT, check=True)
    took: dict[str, list[float]] = {"first_page_s": [], "first_page_again_s": []}
    for _ in range(ROUNDS):
        with tempfile.TemporaryDirectory(prefix="setday-bench-") as folder:
            for times in took.values():
                times.append(_one_start(Path(folder)))
    return [
        Row(name, median(times), "s", "less", goal=8, spread=spread_of(times)) for name, times in took.items()
    ]


def _one_start(data: Path) -> float:
    # make takes PORT and DATA from the environment as from its command line.
    with served(data, command=["make", "--silent", "run", "DEMO=1"]) as (address, process):
        return await_page(f"{address}/", process)
