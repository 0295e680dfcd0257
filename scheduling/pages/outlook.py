"""What a page shows of an outlook: by waiting, and each choice with its earliest finish and the day it keeps."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime

from jobs.core.words import Say, say
from materials.core.choice_words import as_it_is, choice_words
from materials.core.choices import Limit, Outlook, Way

#: What a page lists of the choices; they are sorted by their finish.
CHOICES_AT_ONCE = 5


@dataclass(frozen=True, slots=True)
class ChoiceLine:
    """One choice in words; `day`: that it is in time for the promised day or too late, where one is given out."""

    words: Say
    day: Say | None
    is_late: bool


@dataclass(frozen=True, slots=True)
class OutlookView:
    """An outlook in words; `cautions` are names of those that belong to its choices."""

    waiting: ChoiceLine
    choices: tuple[ChoiceLine, ...]
    cautions: tuple[str, ...]


def outlook_view(outlook: Outlook | None, *, day: datetime | None, now: datetime) -> OutlookView | None:
    """Return an outlook as a page shows it; None where there is none.

    Args:
        day: the promised start; None: no day is given out.
    """
    if outlook is None:
        return None
    waiting = _line(as_it_is(outlook), outlook.finish, day)
    lines = [_line(choice_words(one, now=now), one.finish, day) for one in outlook.choices[:CHOICES_AT_ONCE]]
    if waiting.day is not None and not waiting.is_late:
        # Where waiting is in time, so is whatever is no slower; only what is too late is worth a word.
        lines = [one if one.is_late else replace(one, day=None) for one in lines]
    return OutlookView(
        waiting=waiting,
        choices=tuple(lines),
        cautions=_cautions(outlook),
    )


def _line(words: Say, finish: datetime | None, day: datetime | None) -> ChoiceLine:
    if day is None or finish is None:
        return ChoiceLine(words, None, is_late=False)
    if finish <= day:
        return ChoiceLine(words, say("In time for {day}.", day=day), is_late=False)
    return ChoiceLine(words, say("Too late for {day}.", day=day), is_late=True)


def _cautions(outlook: Outlook) -> tuple[str, ...]:
    limits = {off.limit for one in outlook.choices if one.way is Way.CLEAR for off in one.off}
    names = []
    if Limit.COLD in limits:
        names.append("heater")
    if limits:
        names.append("machines")
    return tuple(names)
