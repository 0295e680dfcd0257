from datetime import UTC, datetime, timedelta

from config import clock


def test_the_clock_reads_whole_seconds_in_utc():
    before = datetime.now(UTC)  # noqa: TID251  (the clock's own test has to look past it)

    read = clock.read()

    assert read.tzinfo is UTC
    assert read.microsecond == 0
    assert before - timedelta(seconds=1) < read <= before + timedelta(seconds=5)
