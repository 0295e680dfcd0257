"""Typed rows: what a checked workbook says, by sheet, row and heading."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from scheduling.workbook.layout import Sheet


@dataclass(frozen=True, slots=True)
class Typed:
    """One row by heading: only headings that its sheet has, and only what could be read."""

    number: int
    values: Mapping[str, Any]

    def __getitem__(self, name: str) -> Any:
        return self.values[name]

    def has(self, *names: str) -> bool:
        """Return whether all of these could be read."""
        return all(name in self.values for name in names)

    def get(self, sheet: Sheet, name: str) -> Any:
        """Return a value, or what an empty cell would mean where the sheet has no such column."""
        return self.values.get(name, sheet.column(name).default)


#: By sheet name, the rows in the order of the file.
Rows = Mapping[str, tuple[Typed, ...]]
