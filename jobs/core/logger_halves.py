"""Clocks of twelve hours: am and pm, words that a person has to explain, and hours that say neither."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Protocol

from jobs.core.logger_values import Choice, Example, Question, Refused, Unanswered
from jobs.core.words import say, say_n

_HOUR = 3600
_HALF_DAY = 12 * _HOUR
#: Answers beside the words themselves.
_AFTERNOON, _NO_HALF = "-", "="
#: Times of a clock of twelve hours fall back by twelve hours less their interval; a clock put back, by one.
_FALL_BACK = 6 * _HOUR


class Timed(Protocol):
    """The rows, as far as their times of day go: `seconds` into the day, by index."""

    lines: list[int]
    date_texts: list[str]
    seconds: list[int]
    time_label: str | int

    def at_line(self, wanted: int) -> Example:
        """Return a row as it stands in the file, by its line."""


def part_halves(rows: Timed, seen: Mapping[str, int], words: Sequence[str], morning: str | None) -> None:
    """Move the hours of the afternoon, where words that a person has to explain stand behind them.

    Args:
        seen: what stands behind the hours (`a`, `p`, a word, nothing), each with its first line.
        words: the same of each row.
        morning: the word before noon, as answered; `-`: the one there is stands after it; `=`: it says nothing.

    Raises:
        Refused: some rows have am, pm or a word and others have none, or the hours seem to be of such a clock
            and do not say so.
        Unanswered: which of the words is before noon.
    """
    if "" in seen and len(seen) > 1:
        other = min(line for word, line in seen.items() if word)
        why = say("Row {row} has am or pm, and this row has not.", row=other)
        raise Refused(why, row=seen[""], column=rows.time_label)
    unknown = [word for word in seen if word not in ("", "a", "p")]
    if unknown and (len(seen) > 1 or all(_HOUR <= second < 13 * _HOUR for second in rows.seconds)):
        _refuse_odd_words(rows, seen, words)
        if morning == _NO_HALF:
            return
        if morning is None or (morning != _AFTERNOON and morning not in unknown):
            raise Unanswered([_question(rows, seen)])
        for at, word in enumerate(words):
            hour = rows.seconds[at] % _HALF_DAY
            rows.seconds[at] = hour if word == morning else hour + _HALF_DAY
    elif unknown or "" in seen:
        # One word behind hours of a day of 24 is a manner of speaking.
        _refuse_unsaid(rows)


def _refuse_odd_words(rows: Timed, seen: Mapping[str, int], words: Sequence[str]) -> None:
    if len(seen) > 2 or {"a", "p"} & seen.keys():
        why = say("Behind the times stand different words: {words}.", words=tuple(seen))
        raise Refused(why, row=max(seen.values()), column=rows.time_label)
    late = next((at for at, second in enumerate(rows.seconds) if second >= 13 * _HOUR), None)
    if late is not None:
        why = say("“{word}” stands behind an hour past twelve.", word=words[late])
        raise Refused(why, row=rows.lines[late], column=rows.time_label)


def _question(rows: Timed, seen: Mapping[str, int]) -> Question:
    text = say_n(
        "{words} stands behind the times. Is it before noon?",
        "{words} stand behind the times. Which of them is before noon?",
        n=len(seen),
        words=tuple(say("“{word}”", word=word) for word in seen),
    )
    choices = [Choice(word, say("“{word}” is before noon", word=word)) for word in seen]
    if len(seen) == 1:
        word = next(iter(seen))
        choices.append(Choice(_AFTERNOON, say("“{word}” is after noon", word=word)))
        choices.append(Choice(_NO_HALF, say("“{word}” says nothing, the hours run to 24", word=word)))
    return Question("morning", text, tuple(choices), rows.at_line(min(seen.values())))


def _refuse_unsaid(rows: Timed) -> None:
    """Refuse times that fall back within a day and never leave 1 to 12: a clock of twelve without am and pm."""
    seconds, texts = rows.seconds, rows.date_texts
    if min(seconds) < _HOUR or max(seconds) >= 13 * _HOUR:
        return
    steps = {at: seconds[at] - seconds[at - 1] for at in range(1, len(seconds)) if texts[at] == texts[at - 1]}
    is_forward = sum(step > 0 for step in steps.values()) * 2 >= len(steps)
    for at, step in steps.items():
        if (-step if is_forward else step) >= _FALL_BACK:
            why = say(
                "The times seem to be of a clock of twelve hours, and do not say am or pm. "
                "Export them with either, or with 24 hours."
            )
            raise Refused(why, row=rows.lines[at], column=rows.time_label)
