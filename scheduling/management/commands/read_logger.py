"""Read a logger's file as the import page reads it: no database, no broker, no clock."""

from __future__ import annotations

import json
import os
import stat
import sys
from argparse import ArgumentParser
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import fields
from datetime import UTC
from itertools import islice
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand

from jobs.core.logger_file import Answers, Ask, FileError, Question, Reading, ReadOut, read, size_error
from jobs.core.words import Say, say
from scheduling.printing import plain, stamp_utc

ASKED = 3
REFUSED = 2
_LINES_AT_ONCE = 10_000


class Command(BaseCommand):
    help = (
        'Read a logger\'s file: its readings as JSON lines {"at","t_c","rh_pct"} in UTC; or one line {"ask"} '
        'and exit status 3, where the file leaves something open; or one line {"error"} and exit status 2.'
    )
    requires_system_checks = ()

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("file", metavar="FILE", help="the logger's CSV file")
        parser.add_argument("--time-zone", metavar="NAME", help="Europe/Paris, or UTC+01:00 all year")
        parser.add_argument(
            "--day-first", choices=["yes", "no", "year"], help="no: the month; year: a short year"
        )
        parser.add_argument("--unit", choices=["c", "f", "k"], help="of the temperatures")
        parser.add_argument(
            "--fold", choices=["first", "second", "no"], help="which pass of an hour that came twice"
        )
        parser.add_argument("--clock-changed", choices=["yes", "no"], help="whether it follows its time zone")
        parser.add_argument(
            "--counts",
            choices=["seconds", "milliseconds", "days", "days_1904"],
            help="of a bare number in place of a time",
        )
        parser.add_argument(
            "--morning", metavar="WORD", help="the word behind the hours before noon; -: none"
        )
        parser.add_argument("--which", metavar="all|only NAME", help="whose rows are read")
        parser.add_argument("--leave-out", choices=["yes", "no"], help="leave out rows that hold no reading")
        parser.add_argument("--humidity", choices=["share", "percent"], help="where none is above 1")
        parser.add_argument("--doubtful", choices=["keep", "leave"], help="rows that look damaged")
        for name in ("time", "date", "temperature", "humidity"):
            parser.add_argument(f"--{name}-column", type=int, metavar="N", help="counted from 1")

    def handle(self, *args: Any, file: str, **options: Any) -> None:
        answers = Answers(**{one.name: options[one.name] for one in fields(Answers)})
        match _read(file, answers):
            case FileError() as error:
                self.stdout.write(json.dumps({"error": _error(error)}))
                sys.exit(REFUSED)
            case Ask(questions):
                self.stdout.write(json.dumps(_asked(questions)))
                sys.exit(ASKED)
            case ReadOut(readings):
                self._write(readings)

    def _write(self, readings: Sequence[Reading]) -> None:
        lines = _lines(readings)
        try:
            while some := list(islice(lines, _LINES_AT_ONCE)):
                self.stdout.write("\n".join(some))
            self.stdout.flush()
        except BrokenPipeError:
            # Whoever read us has enough; without this Python complains once more at its end.
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _read(name: str, answers: Answers) -> ReadOut | Ask | FileError:
    """Return what the reader makes of a file, or why there is none to read."""
    path = Path(name)
    try:
        status = path.stat()
        if not stat.S_ISREG(status.st_mode):
            return FileError(None, None, say("{name} is no file.", name=name))
        return size_error(status.st_size) or read(path.read_bytes(), answers)
    except FileNotFoundError:
        return FileError(None, None, say("There is no file {name}.", name=name))
    except (OSError, ValueError):
        return FileError(None, None, say("{name} cannot be read.", name=name))


def _lines(readings: Iterable[Reading]) -> Iterator[str]:
    t_c: dict[tuple[float, str], float] = {}
    for reading in readings:
        read_as = (reading.value, reading.unit)
        if read_as not in t_c:
            t_c[read_as] = reading.t_c
        yield json.dumps({"at": stamp_utc(reading.at), "t_c": t_c[read_as], "rh_pct": reading.rh_pct})


def _error(error: FileError) -> dict[str, object]:
    return {"row": error.row, "column": error.column, "why": _words(error.why)}


def _asked(questions: Sequence[Question]) -> dict[str, object]:
    """Return one question's key, or a list of keys, and under `questions` each in words."""
    keys = [question.key for question in questions]
    return {"ask": keys[0] if len(keys) == 1 else keys, "questions": [_question(one) for one in questions]}


def _question(question: Question) -> dict[str, object]:
    example = question.example
    return {
        "key": question.key,
        "question": _words(question.text),
        "choices": [{"value": choice.value, "words": _words(choice.words)} for choice in question.choices],
        "likely": question.likely,
        "example": None if example is None else {"row": example.row, "text": example.text},
    }


def _words(said: Say) -> str:
    return plain(said, zone=UTC)
