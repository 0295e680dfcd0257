"""Shifts for the tests of feeds, and the plainest way to say a sentence."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from jobs.core.words import Say, Value
from scheduling.core.calendar import FeedEvent, Status


def tell(said: Say, zone: str = "Europe/Paris") -> str:
    """Return the sentence in English, its instants on the clock of `zone`."""

    def printed(value: Value) -> str:
        match value:
            case Say():
                return tell(value, zone)
            case datetime():
                return f"{value.astimezone(ZoneInfo(zone)):%a %d %b %H:%M}"
            case date():
                return f"{value:%a %d %b}"
            case timedelta():
                hours, minutes = divmod(value // timedelta(minutes=1), 60)
                return f"{hours} h {minutes:02}"
            case tuple():
                return " + ".join(map(printed, value))
        return str(value)

    return said.text.format(**{name: printed(value) for name, value in said.values.items()})


def at(zone: str, wall: str, *, fold: int = 0) -> datetime:
    """Return the instant of a wall time such as 2026-03-12T07:00."""
    return datetime.fromisoformat(wall).replace(tzinfo=ZoneInfo(zone), fold=fold).astimezone(UTC)


def shift(uid: str, zone: str, start: str, end: str, summary: str = "Room", **more: Any) -> FeedEvent:
    usual: dict[str, Any] = {
        "status": Status.CONFIRMED,
        "sequence": 0,
        "revised_at": datetime(2026, 3, 1, 8, tzinfo=UTC),
    }
    return FeedEvent(
        uid=f"{uid}@feeds.setday.example",
        zone=zone,
        start_at=at(zone, start),
        end_at=at(zone, end),
        summary=summary,
        **(usual | more),
    )


def paris(uid: str = "a-1", day: str = "2026-03-12", **more: Any) -> FeedEvent:
    return shift(uid, "Europe/Paris", f"{day}T07:00", f"{day}T15:30", **more)
