"""The demo's fixtures as lines: who did what, where and when, still in words."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from django.conf import settings

FOLDER = Path(settings.BASE_DIR) / "fixtures" / "demo"
WORKBOOK = FOLDER / "workbook"
FACTS = FOLDER / "facts"
FOUND = FOLDER / "found.csv"
LOGGERS = FOLDER / "loggers.csv"

#: `key: value` pairs are parted by a semicolon before the next key; a reason may hold others.
_NEXT_KEY = re.compile(r"; (?=[a-z ]+: )")


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a timeline: of which file and row, and its words."""

    job: str
    row: int
    when: str
    who: str
    act: str
    where: str
    values: dict[str, str]

    def __str__(self) -> str:
        return f"{self.job}.csv, row {self.row} ({self.act})"


def read_lines() -> Iterator[Line]:
    """Return the lines of every timeline, in the order of the files; a file is named by its job."""
    for path in sorted(FACTS.glob("*.csv")):
        with path.open(encoding="utf-8", newline="") as file:
            for number, row in enumerate(csv.reader(file), start=1):
                if number > 1 and row and not row[0].startswith("#"):
                    when, who, act, where, what = row
                    yield Line(path.stem, number, when, who, act, where, _values(what))


def read_table(path: Path) -> list[dict[str, str]]:
    """Return the rows of a small table by heading."""
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def _values(what: str) -> dict[str, str]:
    pairs = (part.split(": ", 1) for part in _NEXT_KEY.split(what) if part)
    return {key: value for key, value in pairs}
