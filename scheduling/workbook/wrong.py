"""One thing to be put right in a workbook: where it stands, what stands there, what would be right."""

from __future__ import annotations

from dataclasses import dataclass

from jobs.core.words import Say


@dataclass(frozen=True, slots=True)
class Wrong:
    """A place in the file and what is wrong with it.

    `row` counts as the person's program does, from 1; None and an empty `column`: the whole sheet.
    `seen` is what stands there, empty where there is nothing.
    """

    sheet: str
    row: int | None
    column: str
    seen: str
    right: Say


class Unusable(ValueError):
    """A file that cannot be read as a workbook at all; `why` is for the person who chose it."""

    def __init__(self, why: Say) -> None:
        super().__init__(why.text)
        self.why = why
