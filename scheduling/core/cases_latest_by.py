"""The kind of case `latest_by`, as `work_case` reads and prints it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta
from types import MappingProxyType

from jobs.core import worktime
from jobs.core.case_fields import Fields, written
from jobs.core.units import Unreadable
from jobs.core.worktime import Calendar, Window
from scheduling.core.latest_by import START, Act, Circle, Latest, NoWorkingTime, TooEarly, latest_by

LONGEST_S = 31_536_000


def work_latest_by(case: Fields) -> dict[str, object]:
    """Return the last moment of each act before a planned start."""
    start = case.instant("start")
    now = case.nullable("now", case.instant)
    calendars = case.optional("calendars", {}, case.entries, _calendar)
    drafts = case.parts("acts", _act)
    case.end()

    acts = [_placed(case, i, draft, calendars) for i, draft in enumerate(drafts)]
    _refuse_unknown(case, acts)
    place = {act.id: f"acts[{i}]" for i, act in enumerate(acts)}
    try:
        found = latest_by(start, acts, now=now)
    except Circle as circle:
        raise case.refusal(f"{place[circle.ids[0]]}.before", f"goes round in a circle: {circle}") from None
    except NoWorkingTime as error:
        raise case.refusal(f"{place[error.id]}.calendar", str(error)) from None
    except TooEarly as error:
        raise case.refusal(f"{place[error.id]}.before", str(error)) from None
    return {"acts": [_printed(act, now) for act in found.acts]}


def _calendar(calendars: Fields, name: str) -> Calendar:
    return calendars.part(calendars.id_named(name), _read_calendar)


def _read_calendar(calendar: Fields) -> Calendar:
    return Calendar(
        zone=calendar.time_zone("zone"),
        week=calendar.part("week", _week),
        days=MappingProxyType(calendar.optional("days", {}, _days_of, calendar)),
    )


def _week(week: Fields) -> tuple[tuple[Window, ...], ...]:
    return tuple(week.optional(day, (), _windows_of, week) for day in worktime.DAYS)


def _days_of(name: str, calendar: Fields) -> Mapping[date, tuple[Window, ...]]:
    entries = calendar.entries(name, lambda days, day: (days.day_named(day), _windows_of(day, days)))
    return dict(entries.values())


def _windows_of(name: str, days: Fields) -> tuple[Window, ...]:
    windows = days.each(name, _window)
    fault = worktime.first_fault(windows)
    if fault is not None:
        raise days.refusal(
            f"{name}[{fault}]", "must end after it begins, and begin after the one before ends"
        )
    return windows


def _window(windows: Fields, item: str) -> Window:
    minutes = windows.each(item, _minute)
    if len(minutes) != 2:
        raise windows.refusal(item, 'must be two times: ["07:00", "16:00"]')
    return minutes[0], minutes[1]


def _minute(window: Fields, item: str) -> int:
    try:
        return worktime.minute_of(window.text(item), ends=item == "[1]")
    except Unreadable as error:
        raise window.refusal(item, str(error)) from None


def _act(act: Fields) -> tuple[Act, str | None]:
    """Return an act that has no calendar yet, and the name of the one it wants."""
    id = act.text("id")
    if id == START:
        raise act.refusal("id", "is the name of the planned start")
    before = act.parts("before", _before)
    if not before:
        raise act.refusal("before", "must name what the act comes before")
    duration = act.seconds("duration_s", 0, LONGEST_S)
    return Act(id, duration, None, before), act.nullable("calendar", act.text)


def _placed(case: Fields, i: int, draft: tuple[Act, str | None], calendars: Mapping[str, Calendar]) -> Act:
    act, calendar = draft
    if calendar is None:
        return act
    if calendar not in calendars:
        raise case.refusal(f"acts[{i}].calendar", "is none of the calendars")
    return replace(act, calendar=calendars[calendar])


def _before(before: Fields) -> tuple[str, timedelta]:
    return before.text("act"), before.optional("lag_s", timedelta(0), before.seconds)


def _refuse_unknown(case: Fields, acts: Sequence[Act]) -> None:
    case.distinct("acts", [act.id for act in acts])
    known = {START, *(act.id for act in acts)}
    for i, act in enumerate(acts):
        for j, (follower, _lag) in enumerate(act.before):
            if follower not in known:
                raise case.refusal(f"acts[{i}].before[{j}].act", "is none of the acts")


def _printed(act: Latest, now: datetime | None) -> dict[str, object]:
    return {
        "id": act.id,
        "latest_start": written(act.latest_start),
        "latest_finish": written(act.latest_finish),
        "late_s": None if now is None else act.late(now=now) // timedelta(seconds=1),
        "decided_by": act.decided_by,
    }
