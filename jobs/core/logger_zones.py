"""From a logger's wall clock to instants: its time zone, and the hours that a change of clocks repeats."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from itertools import pairwise

from jobs.core.logger_stamps import ABBREVIATIONS, offset_of, offset_words
from jobs.core.logger_values import Answers, Choice, Example, Question, Refused, Unanswered
from jobs.core.words import Say, say, say_n
from jobs.core.worktime import time_zone

_DAY = 86_400
#: So many even steps make an interval.
_FEWEST_STEPS = 3
_CHANGED = (
    Choice("yes", say("Yes, it was changed with the season")),
    Choice("no", say("No, it shows the same offset all year")),
)
_PLACE = re.compile(r"(?<![A-Za-z])[A-Z][A-Za-z]+/[A-Z][A-Za-z_]+(?:/[A-Z][A-Za-z_]+)?(?![A-Za-z])")
_CLOCK = re.compile(
    r"(?<![A-Za-z])(?:UTC|GMT)(?![A-Za-z])(?:\s?[+\-−]\s?[0-9]{1,2}(?::?[0-9]{2})?)?"
    r"|(?<![\w:])(?P<bare>[+\-−][0-9]{2}:[0-9]{2})(?![\w:])",
    re.IGNORECASE,
)
_NAMES = "|".join(ABBREVIATIONS)
#: In small letters (`est` is a word too) only behind a bracket or an underscore.
_ABBREVIATION = re.compile(rf"(?:(?<![A-Za-z])(?:{_NAMES})|(?<=[_(\[])(?:{_NAMES.lower()}))(?![A-Za-z])")
_TIME_WORDS = re.compile(
    r"time|date|timestamp|datetime|datum|zeit|zeitpunkt|uhrzeit|heure|hora|fecha|at|offset", re.I
)
_ZONE_LINE = re.compile(r"zone|\btz\b|fuseau|huso", re.I)


@dataclass(frozen=True, slots=True)
class Stated:
    """What the file says of its clock: `zone` if that is certain.

    Else perhaps a hint: an `offset` (seconds ahead of UTC) or an `abbreviation` that some programs print all
    year, whether or not their clock changes.  `text` is how the file puts it.
    """

    text: str = ""
    zone: tzinfo | None = None
    offset: int | None = None
    abbreviation: str | None = None


@dataclass(frozen=True, slots=True)
class Known:
    """The zone of the file's times and how it is known; `zone` None: each row carries its own offset."""

    zone: tzinfo | None
    how: Say


@dataclass(frozen=True, slots=True)
class Walls:
    """The rows' times by the logger's clock, in the order of the file.

    `seconds` count from 1970 as if the clock showed UTC; `rows` are lines in the file; `zones` what each row
    says of its own clock.  `same(a, b)` says whether two rows (by index) agree but for the time; `example`
    shows a row; `column` names the one that holds the time.
    """

    seconds: Sequence[int]
    rows: Sequence[int]
    zones: Sequence[str | None]
    same: Callable[[int, int], bool]
    example: Callable[[int], Example]
    column: str | int


# ---- zones by name ----


def zone_named(name: str) -> tzinfo:
    """Return the zone of an IANA name, or of a fixed offset written `UTC+02:00`.

    Raises:
        Refused: there is none of this name.
    """
    offset = offset_of(name.strip())
    if offset is not None:
        return fixed(offset)
    try:
        return time_zone(name.strip())
    except ValueError as error:
        raise Refused(say("There is no time zone {name}.", name=name)) from error


def fixed(offset: int) -> tzinfo:
    """Return the zone that is always `offset` seconds ahead of UTC."""
    return timezone(timedelta(seconds=offset), offset_words(offset)) if offset else UTC


def is_fixed(zone: tzinfo) -> bool:
    """Return whether a zone's clock never changes."""
    return isinstance(zone, timezone)


def zone_words(zone: tzinfo) -> str:
    """Return the zone's IANA name, or `UTC+02:00`."""
    return str(zone)


def stated_zone(time_headers: Sequence[str], rows_above: Sequence[Sequence[str]]) -> Stated:
    """Return what the headers of time and date say of the clock, or else what a line above says of one."""
    for header in time_headers:
        if (stated := _stated_in(header)).text:
            return stated
    lines = [" ".join(cells) for cells in rows_above]
    of_zones = [line for line in lines if _ZONE_LINE.search(line)]
    for line in of_zones or lines:
        stated = _stated_in(line)
        if stated.text:
            # Many programs print a place's winter offset here all year, and others when the file was made.
            is_certain = bool(of_zones) and ("/" in stated.text or stated.text.upper() == "UTC")
            return stated if is_certain else _as_hint(stated)
    return Stated()


def _as_hint(stated: Stated) -> Stated:
    if stated.zone is None:
        return stated
    offset = stated.zone.utcoffset(None)
    return Stated(stated.text, offset=None if offset is None else int(offset.total_seconds()))


def _stated_in(text: str) -> Stated:
    for name in _PLACE.findall(text):
        try:
            return Stated(name, zone=time_zone(name))
        except ValueError:
            # `Date/Time` has the shape of a place and is none.
            continue
    if found := _CLOCK.search(text):
        offset = offset_of(re.sub(r"\s", "", found[0]).upper())
        if offset is None:
            return Stated()
        # Words after it (`daylight saving`, names of towns) leave open whether the clock changes.
        tail = _TIME_WORDS.sub("", text[found.end() :])
        is_certain = not re.search(r"[^\W\d_]", tail)
        return Stated(found[0], zone=fixed(offset)) if is_certain else Stated(found[0], offset=offset)
    if found := _ABBREVIATION.search(text):
        return Stated(found[0], abbreviation=ABBREVIATIONS[found[0].upper()])
    return Stated()


# ---- which zone ----


def zone_of(
    texts: Mapping[str | None, int],
    stated: Stated,
    answers: Answers,
    *,
    year: int,
    example: Example,
    column: str | int,
) -> Known:
    """Return the zone: as the rows say, else as the file says, else as the person says.

    `texts` are the different things that rows say of their clock (None: nothing), each with its first row;
    `year` is one that the file speaks of.

    Raises:
        Unanswered: nobody said.
        Refused: the rows contradict each other.
    """
    said = {text: row for text, row in texts.items() if text is not None}
    if said and None in texts:
        why = say(
            "Row {row} says which clock it is read from, and this row does not.", row=min(said.values())
        )
        raise Refused(why, row=texts[None], column=column)
    offsets = {offset_of(text) for text in said}
    if said and None not in offsets:
        if len(offsets) > 2:
            why = say("The rows have more than two offsets from UTC, and a clock has two a year at most.")
            raise Refused(why, row=max(said.values()), column=column)
        return Known(None, say("Each row carries its own offset from UTC."))
    own = _placed(said, column) or stated.zone
    zone = own or _answered_zone(stated, answers, year, example)
    # A clock that never changes has no names for two seasons; one name a person may explain by an offset.
    if is_fixed(zone) and len(said) > (0 if own else 1):
        why = say("This row is read from another clock than {zone}.", zone=zone_words(zone))
        raise Refused(why, row=max(said.values()), column=column)
    if own is None:
        return Known(zone, say("Times are those of {zone}, as answered.", zone=zone_words(zone)))
    return Known(zone, say("Times are those of {zone}, as the file says.", zone=zone_words(zone)))


def _placed(said: Mapping[str, int], column: str | int) -> tzinfo | None:
    """Return the zone of the one place that all rows name, or None where they name none."""
    places = [text for text in said if "/" in text]
    if places and len(said) > 1:
        why = say("The rows are read from more than one clock: {clocks}.", clocks=tuple(said))
        raise Refused(why, row=max(said.values()), column=column)
    return zone_named(places[0]) if places else None


def _answered_zone(stated: Stated, answers: Answers, year: int, example: Example) -> tzinfo:
    if answers.time_zone is None:
        raise Unanswered([_zone_question(stated, example)])
    zone = zone_named(answers.time_zone)
    if is_fixed(zone) or "no" not in (answers.clock_changed, answers.fold):
        return zone
    names = _names(zone, year)
    offset = stated.offset if stated.abbreviation is None else names.get(stated.abbreviation)
    if offset is not None:
        return fixed(offset)
    offsets = sorted(set(names.values()), reverse=True)
    if len(offsets) == 1:
        return zone
    text = say("How far ahead of UTC is the logger's clock, summer and winter?")
    raise Unanswered([Question("time_zone", text, tuple(map(_offset_choice, offsets)), example)])


def _names(zone: tzinfo, year: int) -> dict[str, int]:
    """Return the offset of each name that the zone's clock goes by in a year."""
    days = [datetime(year, month, 1, 12, tzinfo=zone) for month in range(1, 13)]
    return {day.tzname() or "": _offset(day) for day in days}


def _zone_question(stated: Stated, example: Example) -> Question:
    if stated.offset is not None:
        text = say(
            "The file says {stated}, and not whether its times follow summer time. "
            "In which time zone is its clock?",
            stated=stated.text,
        )
        return Question("time_zone", text, (_offset_choice(stated.offset),), example)
    if stated.abbreviation is not None:
        text = say(
            "The file says {stated}, which is no place. In which time zone is its clock?", stated=stated.text
        )
        return Question("time_zone", text, (), example)
    return Question("time_zone", say("In which time zone is the logger's clock?"), (), example)


def _offset_choice(offset: int) -> Choice:
    words = offset_words(offset)
    return Choice(words, say("{offset}, summer and winter", offset=words))


# ---- wall time to instants ----


def instants_of(
    walls: Walls, known: Known, stated: Stated, answers: Answers
) -> tuple[list[int], tuple[Say, ...]]:
    """Return each row's instant, in seconds since 1970, and what was decided about repeated hours.

    Raises:
        Unanswered: the pass of a repeated hour is open, or whether the logger's clock was changed at all.
        Refused: a time that the zone's clock never showed, or that a row's own clock contradicts.
    """
    if known.zone is None:
        own = {text: offset_of(text) or 0 for text in walls.zones if text is not None}
        pairs = zip(walls.seconds, walls.zones, strict=True)
        return [wall - own[text] for wall, text in pairs if text is not None], ()
    if is_fixed(known.zone):
        offset = int((known.zone.utcoffset(None) or timedelta(0)).total_seconds())
        return [wall - offset for wall in walls.seconds], ()
    clock = _Clock(walls, known.zone, answers)
    return clock.instants(stated), tuple(clock.told)


def _offset(local: datetime) -> int:
    return int((local.utcoffset() or timedelta(0)).total_seconds())


@dataclass(slots=True)
class _Repeated:
    """Rows of one repeated hour, by index and in the order of time; the second pass must begin at `turn`."""

    indexes: list[int]
    before: int | None
    after: int | None = None
    turn: int | None = None


class _Clock:
    """A clock that changes with the season, and the rows read from it."""

    def __init__(self, walls: Walls, zone: tzinfo, answers: Answers) -> None:
        self.walls = walls
        self.wall = walls.seconds
        self.zone = zone
        self.answers = answers
        self.told: list[Say] = []
        self.is_pass_answered = False
        #: Both offsets of each row whose time came twice, the first pass's first.
        self.twice: dict[int, tuple[int, int]] = {}
        #: Each row's instant; of a time that came twice, the first.
        self.at: list[int] = []

    def instants(self, stated: Stated) -> list[int]:
        self._lay()
        self._believe_rows()
        if self.twice:
            self._settle()
        self._refuse_unchanged()
        self._refuse_hint(stated)
        return self.at

    def _lay(self) -> None:
        """Set each row's instant, with one look at the zone for each day whose offset never changes."""
        days: dict[int, int | None] = {}
        for index, wall in enumerate(self.wall):
            day = wall // _DAY
            if day not in days:
                days[day] = self._whole_day(day)
            offset = days[day]
            if offset is None:
                offset = self._changing(index, wall)
            self.at.append(wall - offset)

    def _whole_day(self, day: int) -> int | None:
        offsets = {offset for wall in (day * _DAY, day * _DAY + _DAY) for offset in self._both(wall)}
        return offsets.pop() if len(offsets) == 1 else None

    def _both(self, wall: int) -> tuple[int, int]:
        """Return the offsets before and after a change, twice the same where there is none."""
        local = datetime.fromtimestamp(wall, UTC).replace(tzinfo=self.zone)
        return _offset(local), _offset(local.replace(fold=1))

    def _changing(self, index: int, wall: int) -> int:
        first, second = self._both(wall)
        if first < second:
            raise Refused(
                say(
                    "This time does not exist: the clock of {zone} was put forward past it. "
                    "If the logger's clock is never changed, its time zone is {winter} or {summer}.",
                    zone=zone_words(self.zone),
                    winter=offset_words(first),
                    summer=offset_words(second),
                ),
                row=self.walls.rows[index],
                column=self.walls.column,
                answer=None if self.answers.time_zone is None else "time_zone",
            )
        if first > second:
            self.twice[index] = first, second
        return first

    def _believe_rows(self) -> None:
        """Take the pass that a row's own clock names (`CEST`), and refuse a row whose clock is another."""
        for index, text in enumerate(self.walls.zones):
            if text is None or "/" in text:
                continue
            passes = self.twice.pop(index, (self.wall[index] - self.at[index],))
            fitting = [offset for offset in passes if self._is_named(index, offset, text)]
            if len(fitting) != 1:
                why = say(
                    "This row says {clock}, which is not the time of {zone}.",
                    clock=text,
                    zone=zone_words(self.zone),
                )
                raise Refused(why, row=self.walls.rows[index], column=self.walls.column)
            self.at[index] = self.wall[index] - fitting[0]

    def _is_named(self, index: int, offset: int, text: str) -> bool:
        if (number := offset_of(text)) is not None:
            return number == offset
        local = datetime.fromtimestamp(self.wall[index] - offset, UTC).astimezone(self.zone)
        return local.tzname() == ABBREVIATIONS.get(text)

    # -- the repeated hour --

    def _settle(self) -> None:
        """Decide the pass of each time that came twice: by the rows' order, their interval, or the answer."""
        forwards = range(len(self.at))
        in_order = [runs for runs in map(self._runs, (forwards, forwards[::-1])) if runs is not None]
        # Rows in no order, or in both, show nothing.
        runs, every = [_Repeated(list(self.twice), None)], None
        if len(in_order) == 1:
            runs = in_order[0]
            known = [pair for pair in pairwise(forwards) if self.twice.keys().isdisjoint(pair)]
            every = _every(abs(self.at[after] - self.at[before]) for before, after in known)
        for run in runs:
            turn = self._turn(run, every)
            for index in run.indexes[turn:]:
                self.at[index] = self.wall[index] - self.twice[index][1]

    def _runs(self, order: range) -> list[_Repeated] | None:
        """Return the runs of times that came twice if the rows follow each other in time, else None."""
        runs: list[_Repeated] = []
        before: int | None = None
        for index in order:
            is_open = index in self.twice
            if before is not None and self._latest(index) < self.at[before]:
                return None
            if is_open and before in self.twice and self.wall[index] - self.wall[before] < _DAY:
                run = runs[-1]
                run.indexes.append(index)
                if not self._may_follow(before, index):
                    if run.turn is not None:
                        return None
                    run.turn = len(run.indexes) - 1
            elif is_open:
                runs.append(_Repeated([index], before))
            elif before in self.twice:
                runs[-1].after = index
            before = index
        return runs

    def _latest(self, index: int) -> int:
        return self.wall[index] - self.twice[index][1] if index in self.twice else self.at[index]

    def _may_follow(self, before: int, index: int) -> bool:
        """Return whether a row may follow another in the same pass: later, or the same once more."""
        step = self.wall[index] - self.wall[before]
        return step > 0 or (step == 0 and self.walls.same(before, index))

    def _turn(self, run: _Repeated, every: int | None) -> int:
        """Return the place in the run where its second pass begins; its length if there is none."""
        if run.turn is not None:
            self._tell(run, say("the rows show where the second pass begins"))
            return run.turn
        turns = [] if every is None else self._even_turns(run, every)
        if len(turns) == 1:
            self._tell(run, say("the interval of the rows fits only this"))
            return turns[0]
        if self.answers.fold not in ("first", "second"):
            raise Unanswered([self._fold_question(run)])
        self.is_pass_answered = True
        self._tell(run, say("as answered"))
        return len(run.indexes) if self.answers.fold == "first" else 0

    def _even_turns(self, run: _Repeated, every: int) -> list[int]:
        """Return the places where a second pass may begin so that all rows keep the interval `every`."""
        last = len(run.indexes)
        steps = [self.wall[b] - self.wall[a] for a, b in pairwise(run.indexes)]
        uneven = [at for at, step in enumerate(steps, start=1) if not _is_near(step, every)]
        first_offset, second_offset = self.twice[run.indexes[0]]
        inner = range(1, last) if not uneven else uneven if len(uneven) == 1 else ()
        turns = [at for at in inner if _is_near(steps[at - 1] + first_offset - second_offset, every)]
        if not uneven:
            turns += [0, last]
        return [turn for turn in sorted(turns) if self._is_even_outside(run, turn, every)]

    def _is_even_outside(self, run: _Repeated, turn: int, every: int) -> bool:
        """Return whether the rows before and after the run keep the interval too."""
        first, last = run.indexes[0], run.indexes[-1]
        first_at = self.wall[first] - self.twice[first][0 if turn > 0 else 1]
        last_at = self.wall[last] - self.twice[last][0 if turn == len(run.indexes) else 1]
        is_before = run.before is None or _is_near(first_at - self.at[run.before], every)
        return is_before and (run.after is None or _is_near(self.at[run.after] - last_at, every))

    def _tell(self, run: _Repeated, why: Say) -> None:
        self.told.append(
            say_n(
                "One row is from an hour that came twice: {why}.",
                "{n} rows are from an hour that came twice: {why}.",
                n=len(run.indexes),
                why=why,
            )
        )

    def _fold_question(self, run: _Repeated) -> Question:
        first, second = self.twice[run.indexes[0]]
        text = say(
            "The clock of {zone} was put back that night, so this time came twice, and the rows do not show "
            "which is meant. If the logger's clock was not put back, its time zone is {summer} or {winter}.",
            zone=zone_words(self.zone),
            summer=offset_words(first),
            winter=offset_words(second),
        )
        choices = [
            Choice("first", say("The first time, before the clock was put back")),
            Choice("second", say("The second time, after the clock was put back")),
        ]
        # Where the file itself names the place, its clock is the place's.
        if self.answers.time_zone == zone_words(self.zone):
            choices.append(Choice("no", say("Nobody put the logger's clock back")))
        return Question("fold", text, tuple(choices), self.walls.example(run.indexes[0]))

    # -- a clock that nobody changed --

    def _refuse_unchanged(self) -> None:
        """Ask where rows run on evenly over a change: it seems that nobody changed the logger's clock."""
        if self.answers.clock_changed == "yes" or self.is_pass_answered:
            return
        order = sorted(range(len(self.at)), key=self.at.__getitem__)
        steps = [(self.wall[b] - self.wall[a], self.at[b] - self.at[a], b) for a, b in pairwise(order)]
        changes = [step for step in steps if step[0] != step[1]]
        every = _every(by_wall for by_wall, by_instant, _index in steps if by_wall == by_instant)
        for by_wall, by_instant, index in changes:
            if every is not None and _is_near(by_wall, every) and not _is_near(by_instant, every):
                raise Unanswered([self._change_question(index)])

    def _change_question(self, index: int) -> Question:
        text = say(
            "Before this row the clock of {zone} changed, and the rows run on as if the logger's had not. "
            "Was it changed?",
            zone=zone_words(self.zone),
        )
        return Question("clock_changed", text, _CHANGED, self.walls.example(index))

    def _refuse_hint(self, stated: Stated) -> None:
        """Ask where the file names a clock that is not always the zone's."""
        if self.answers.clock_changed == "yes" or (stated.offset is None and stated.abbreviation is None):
            return
        one_of_each = {
            wall - at: index for index, (wall, at) in enumerate(zip(self.wall, self.at, strict=True))
        }
        for offset, index in sorted(one_of_each.items()):
            name = datetime.fromtimestamp(self.at[index], UTC).astimezone(self.zone).tzname()
            if offset != stated.offset and name != stated.abbreviation:
                text = say(
                    "The file says {stated}, and at this row the clock of {zone} shows another time. "
                    "Does the logger's clock follow it?",
                    stated=stated.text,
                    zone=zone_words(self.zone),
                )
                raise Unanswered([Question("clock_changed", text, _CHANGED, self.walls.example(index))])


def _every(seconds: Iterable[int]) -> int | None:
    """Return the interval that nine in ten steps from row to row keep, or None."""
    steps = [step for step in seconds if step > 0]
    if len(steps) < _FEWEST_STEPS:
        return None
    every = Counter(steps).most_common(1)[0][0]
    return every if sum(_is_near(step, every) for step in steps) * 10 >= len(steps) * 9 else None


def _is_near(step: int, every: int) -> bool:
    """Return whether a step is the interval, but for a logger's little unevenness."""
    return abs(step - every) <= min(every // 4, 300)
