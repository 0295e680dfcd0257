"""What the firm remembers of files with the same header: the answers that the header decides, and nothing else.

Not remembered is what depends on the rows of one file: which pass of a repeated hour, whether the logger's clock
was changed in its night, whose rows are meant, which rows are left out.  A clock that nobody changes is remembered
all the same, as the offset that it was answered with.  A place is used again only for a site in that time zone:
a logger set at another site carries another clock, and its header looks the same.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from jobs.core.logger_file import Ask, FileError, ReadOut, answers_of, read
from jobs.models import LoggerMapping, Person

#: The answers that hold for every file with the header.
REMEMBERED = (
    "time_zone",
    "day_first",
    "unit",
    "humidity",
    "counts",
    "morning",
    "time_column",
    "date_column",
    "temperature_column",
    "humidity_column",
)
#: Where a file does not read with these, they may be another file's.
_PLACES = ("counts", "morning", "time_column", "date_column", "temperature_column", "humidity_column")
#: No room stays beyond these: under a remembered unit, °F read as °C, and °C read as °F.
NO_ROOM_ABOVE_C = 50.0
NO_ROOM_BELOW_F = 50.0
LONGEST_HEADER = 4_000


@dataclass(frozen=True, slots=True)
class Recalled:
    """What came of a file with the answers that were remembered of its header.

    `used` are those that were filled in, `contradicted` those that the file's own rows exclude: they were not.
    """

    out: ReadOut | Ask | FileError
    mapping: LoggerMapping | None
    used: Mapping[str, str]
    contradicted: tuple[str, ...] = ()


def header_key(header: Sequence[str]) -> str | None:
    """Return the key of a header, blanks and case aside; None for a file without one: it could be any file."""
    texts = [" ".join(text.split()).casefold() for text in header]
    while texts and not texts[-1]:
        texts.pop()
    if not any(texts):
        return None
    return hashlib.sha256("\x1f".join(texts).encode()).hexdigest()


def mapping_of(header: Sequence[str]) -> LoggerMapping | None:
    """Return what is remembered of files with this header, or None."""
    key = header_key(header)
    if key is None:
        return None
    return LoggerMapping.objects.filter(header_key=key).select_related("by").first()


def recall(body: bytes, header: Sequence[str], given: Mapping[str, str], *, site_zone: str) -> Recalled:
    """Read a file with what a person has answered, and with what is remembered where they have not.

    A remembered answer that the rows exclude is dropped: the file is read, or asks, as if it had not been given.
    """
    mapping = mapping_of(header)
    used = {} if mapping is None else _fitting(mapping, given, site_zone)
    out = read(body, answers_of({**used, **given}))
    unfit: list[str] = []
    while used and (wrong := _to_blame(out, used)):
        unfit += wrong
        used = {name: said for name, said in used.items() if name not in wrong}
        out = read(body, answers_of({**used, **given}))
    return Recalled(out, mapping, used, tuple(unfit))


def _fitting(mapping: LoggerMapping, given: Mapping[str, str], site_zone: str) -> dict[str, str]:
    """Return the remembered answers that nobody has given anew, and that hold at this site."""
    answers = {
        name: said for name, said in mapping.answers.items() if name in REMEMBERED and name not in given
    }
    if not holds_at("time_zone", answers.get("time_zone", ""), site_zone):
        del answers["time_zone"]
    return answers


def holds_at(name: str, said: str, site_zone: str) -> bool:
    """Return whether a remembered answer holds at a site: a place only in its own time zone."""
    return name != "time_zone" or "/" not in said or said == site_zone


def _to_blame(out: ReadOut | Ask | FileError, used: Mapping[str, str]) -> list[str]:
    """Return the remembered answers to drop: the one that the rows exclude, or all that say where things stand."""
    match out:
        case FileError(answer=None):
            return [name for name in used if name in _PLACES]
        case FileError(answer=name) if name in used:
            return [str(name)]
        case ReadOut(readings):
            values = [reading.value for reading in readings]
            is_no_room = {"c": min(values) > NO_ROOM_ABOVE_C, "f": max(values) < NO_ROOM_BELOW_F}
            return ["unit"] if is_no_room.get(used.get("unit", ""), False) else []
    return []


def remember(
    header: Sequence[str],
    given: Mapping[str, str],
    *,
    contradicted: Sequence[str] = (),
    by: Person,
    now: datetime,
) -> LoggerMapping | None:
    """Remember the answers of a file that was stored; a changed one takes the place of the old.

    Args:
        given: what was answered or filled in; what a header does not decide is left out here.
        contradicted: remembered answers that this file's rows exclude: they are forgotten.

    Returns None where there is nothing to remember, or no header to remember it by.
    """
    key = header_key(header)
    if key is None:
        return None
    before = mapping_of(header)
    known = {} if before is None else before.answers
    kept = {name: said for name, said in known.items() if name not in contradicted}
    answers = kept | {name: said for name, said in given.items() if name in REMEMBERED}
    if answers == known:
        return before
    mapping, _made = LoggerMapping.objects.update_or_create(
        header_key=key,
        defaults={"answers": answers, "by": by, "at": now},
        create_defaults={
            "answers": answers,
            "by": by,
            "at": now,
            "header": " | ".join(header)[:LONGEST_HEADER],
        },
    )
    return mapping


def forget(mapping: LoggerMapping) -> None:
    """Forget what was answered about files with this header: it is asked again."""
    mapping.delete()
