"""Sentences as values: a template and what fills it, so that the core speaks without knowing language or zone.

The shell translates the template, prints each value in the reader's zone and units, and fills it in.
`say` and `say_n` are also the marks by which the templates are found for translation.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Union

Value = Union[str, int, float, datetime, date, timedelta, "Say", tuple["Value", ...]]


@dataclass(frozen=True, slots=True)
class Say:
    """A sentence: `text` with `{name}` places, and a value for each; with `many`, `values["n"]` chooses."""

    text: str
    values: Mapping[str, Value] = field(default_factory=dict)
    many: str | None = None


def say(text: str, **values: Value) -> Say:
    """Return the sentence `text` with its places filled by `values`."""
    return Say(text, values)


def say_n(one: str, many: str, *, n: int, **values: Value) -> Say:
    """Return a sentence whose wording depends on the count `n`, which is also a value of it."""
    return Say(one, {"n": n, **values}, many)
