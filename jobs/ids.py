"""Identifiers made by us: time-ordered for what a person records, derived for what a logger repeats."""

from __future__ import annotations

import secrets
from collections.abc import Callable
from datetime import datetime
from hashlib import sha1
from uuid import UUID, uuid5

#: The name space of everything a logger says; any constant would do, it must only never change.
LOGGER_NAMESPACE = UUID("7d0f4f0e-5d5c-5f43-9a53-0f6f1c7a2b11")
#: The digit that bears the variant: its two upper bits are 1 and 0 (RFC 9562 section 4.1).
_VARIANT = {f"{digit:x}": f"{digit & 0x3 | 0x8:x}" for digit in range(16)}


def uuid7(*, now: datetime) -> UUID:
    """Return a version 7 UUID (RFC 9562 section 5.7): 48 bits of milliseconds, then random bits."""
    milliseconds = int(now.timestamp() * 1000) & ((1 << 48) - 1)
    value = milliseconds << 80 | secrets.randbits(80)
    value = value & ~(0xF << 76) | 0x7 << 76
    return UUID(int=value & ~(0x3 << 62) | 0x2 << 62)


def reading_id(*, zone: int, logger: str, at: datetime) -> UUID:
    """Return the UUID of what `logger` said of `zone` at `at` (UTC): the same line twice is the same fact."""
    return uuid5(LOGGER_NAMESPACE, f"{zone}/{logger}/{at:%Y-%m-%dT%H:%M:%SZ}")


def reading_hex(*, zone: int, logger: str) -> Callable[[datetime], str]:
    """Return what gives the 32 digits of `reading_id` for an instant (UTC), for thousands of them.

    A version 5 UUID is the first 128 bits of a SHA-1, with version and variant put in (RFC 9562 section 5.5).
    """
    begun = sha1(LOGGER_NAMESPACE.bytes + f"{zone}/{logger}/".encode(), usedforsecurity=False)

    def digits(at: datetime) -> str:
        hashed = begun.copy()
        hashed.update(b"%sZ" % at.isoformat()[:19].encode())
        text = hashed.hexdigest()
        return f"{text[:12]}5{text[13:16]}{_VARIANT[text[16]]}{text[17:32]}"

    return digits
