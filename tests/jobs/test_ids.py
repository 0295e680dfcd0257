"""The ids of readings: one rule, written twice for speed."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from uuid import UUID, uuid5

import pytest

from jobs.ids import LOGGER_NAMESPACE, reading_hex, reading_id

AT = datetime(2026, 10, 25, 0, 30, tzinfo=UTC)


@pytest.mark.parametrize("logger", ["L3", "Kühlraum, 2. OG", "a/b", ""])
def test_the_quick_way_gives_the_digits_of_the_librarys(logger):
    as_id = reading_hex(zone=7, logger=logger)

    for number in range(200):
        at = AT + number * timedelta(seconds=301)
        # RFC 9562 section 5.5, by the standard library.
        expected = uuid5(LOGGER_NAMESPACE, f"7/{logger}/{at:%Y-%m-%dT%H:%M:%SZ}")
        assert UUID(as_id(at)) == expected == reading_id(zone=7, logger=logger, at=at)
        assert (UUID(as_id(at)).version, UUID(as_id(at)).variant) == (5, expected.variant)
