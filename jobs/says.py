"""Sentences of the core to and from JSON, so that a stored answer keeps its words untranslated."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Any

from jobs.core.words import Say, Value


def to_json(value: Value | None) -> Any:
    """Return `value` as JSON values; instants, days, durations and nested sentences are tagged objects."""
    match value:
        case None | str() | int() | float():
            return value
        case Say():
            said: dict[str, Any] = {"say": value.text}
            if value.many is not None:
                said["many"] = value.many
            if value.values:
                said["with"] = {name: to_json(part) for name, part in value.values.items()}
            return said
        case datetime():
            return {"at": value.isoformat()}
        case date():
            return {"on": value.isoformat()}
        case timedelta():
            return {"s": value.total_seconds()}
        case tuple():
            return [to_json(part) for part in value]
    raise TypeError(f"no sentence carries a {type(value).__name__}")


def from_json(stored: Any) -> Any:
    """Return what `to_json` was given.

    Raises:
        ValueError: the object is none that `to_json` writes.
    """
    match stored:
        case {"say": text}:
            values = {name: from_json(part) for name, part in stored.get("with", {}).items()}
            return Say(text, values, stored.get("many"))
        case {"at": text}:
            return datetime.fromisoformat(text)
        case {"on": text}:
            return date.fromisoformat(text)
        case {"s": seconds}:
            return timedelta(seconds=seconds)
        case list():
            return tuple(from_json(part) for part in stored)
        case dict():
            raise ValueError(f"not a stored sentence: {sorted(stored)}")
    return stored
