"""The only reader of the clock: everything else is given `now`."""

from __future__ import annotations

from datetime import UTC, datetime


def read() -> datetime:
    """Return the present instant in UTC, cut to whole seconds."""
    return datetime.now(UTC).replace(microsecond=0)
