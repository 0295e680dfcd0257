"""Run the core of a kind on cases that hold everything: no database, no broker, no clock."""

from __future__ import annotations

import json
import sys
from argparse import ArgumentParser
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand

from jobs.core.case_fields import Fields, Refused, case_of, parse
from jobs.core.cases import work_dew
from materials.core.cases import work_rest
from materials.core.cases_warmup import work_warmup
from scheduling.core.cases_holds import work_holds
from scheduling.core.cases_latest_by import work_latest_by

KINDS: Mapping[str, Callable[[Fields], dict[str, object]]] = {
    "rest": work_rest,
    "dew": work_dew,
    "warmup": work_warmup,
    "holds": work_holds,
    "latest_by": work_latest_by,
}
STDIN = "-"
REFUSED = 2


class Command(BaseCommand):
    help = "Work cases: one JSON object a file, or on stdin (-) one or one a line; one line out for each."
    requires_system_checks = ()

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("files", nargs="+", metavar="FILE", help="a case or a worked example; - is stdin")

    def handle(self, *args: Any, files: list[str], **options: Any) -> None:
        refused = False
        for name in files:
            for label, data in _texts(name):
                try:
                    answer: dict[str, object] = work(data)
                except Refused as error:
                    refused = True
                    answer = {"error": {"at": error.at, "why": error.why}}
                    self.stderr.write(_one_line(f"{label}: {error.at}: {error.why}"))
                self.stdout.write(json.dumps(answer))
        if refused:
            sys.exit(REFUSED)


def work(data: bytes | Refused) -> dict[str, object]:
    """Return the answer to the case in a JSON text.

    Raises:
        Refused: the text could not be read, or the case is one that the contract does not allow.
    """
    if isinstance(data, Refused):
        raise data
    case = case_of(data)
    return KINDS[case.choice("kind", *KINDS)](case)


def _texts(name: str) -> Iterator[tuple[str, bytes | Refused]]:
    """Yield the label and the text of each case in a file, or on stdin, or why there is none."""
    if name == STDIN:
        for i, text in enumerate(split(sys.stdin.buffer.read())):
            yield f"{STDIN}:{i + 1}", text
        return
    try:
        yield name, Path(name).read_bytes()
    except (OSError, ValueError) as error:
        yield name, Refused("$", f"cannot be read: {error}")


def split(data: bytes) -> list[bytes]:
    """Return the texts on stdin: all of it if it is one JSON value or one broken one, else its lines.

    Broken means that the first line is no JSON by itself and no other line is an object: it is somebody's one
    object over many lines, with a mistake in it.
    """
    lines = [line for line in data.split(b"\n") if line.strip()]
    if len(lines) < 2:
        return lines
    whole = [b"\n".join(lines)]
    if _is_json(whole[0]) or not (_is_json(lines[0]) or any(_is_object(line) for line in lines)):
        return whole
    return lines


def _is_json(text: bytes) -> bool:
    try:
        parse(text)
    except Refused:
        return False
    return True


def _is_object(text: bytes) -> bool:
    return text.strip().startswith(b"{") and _is_json(text)


def _one_line(text: str) -> str:
    """Return the text fit for one line of any terminal."""
    return text.encode("unicode_escape").decode("ascii") if not text.isprintable() else text
