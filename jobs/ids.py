"""Identifiers made by us: time-ordered for what a person records, derived for what a logger repeats."""

from __future__ import annotations

import secrets
from datetime import datetime
from uuid import UUID, uuid5

#: The name space of everything a logger says; any constant would do, it must only never change.
LOGGER_NAMESPACE = UUID("7d0f4f0e-5d5c-5f43-9a53-0f6f1c7a2b11")


def uuid7(*, now: datetime) -> UUID:
    """Return a version 7 UUID (RFC 9562 section 5.7): 48 bits of milliseconds, then random bits."""
    milliseconds = int(now.timestamp() * 1000) & ((1 << 48) - 1)
    value = milliseconds << 80 | secrets.randbits(80)
    value = value & ~(0xF << 76) | 0x7 << 76
    return UUID(int=value & ~(0x3 << 62) | 0x2 << 62)


def reading_id(*, zone: int, logger: str, at: datetime) -> UUID:
    """Return the UUID of what `logger` said of `zone` at `at` (UTC): the same line twice is the same fact."""
    return uuid5(LOGGER_NAMESPACE, f"{zone}/{logger}/{at:%Y-%m-%dT%H:%M:%SZ}")
