"""The tag, the file name and the headers of the answer that carries a feed."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta, timezone

import pytest

from scheduling.core.calendar import FORMAT
from scheduling.core.calendar_answer import content_headers, file_name, standing_headers, version_tag

# Source: the worked answer of the calendar rules.
WORKED = """\
Content-Type: text/calendar; charset=utf-8
Content-Length: 2790
Content-Disposition: inline; filename="crew-heron.ics"
ETag: "41-20260310-2026.6-1"
Last-Modified: Tue, 10 Mar 2026 16:05:00 GMT
Cache-Control: private, no-cache
Vary: Accept-Encoding
Access-Control-Allow-Origin: *
Referrer-Policy: no-referrer
X-Robots-Tag: noindex, nofollow, noarchive
X-Content-Type-Options: nosniff
"""


def test_the_headers_are_those_of_the_worked_answer():
    tag = version_tag(41, date(2026, 3, 10), "2026.6")
    standing = standing_headers(tag=tag, revised_at=datetime(2026, 3, 10, 16, 5, tzinfo=UTC))

    headers = {**content_headers(name="Crew Heron", body=b"x" * 2790), **standing}

    assert headers == dict(line.split(": ", 1) for line in WORKED.splitlines())


def test_a_304_has_what_its_200_had():
    # Source: RFC 9110 section 15.4.5.
    headers = standing_headers(tag='"1"', revised_at=datetime(2026, 3, 10, tzinfo=UTC))

    assert {"ETag", "Cache-Control", "Vary", "Last-Modified"} <= set(headers)
    assert not {"Content-Type", "Content-Length"} & set(headers)


def test_last_modified_is_in_greenwich_time():
    # Source: RFC 9110 section 5.6.7.
    revised_at = datetime(2026, 3, 10, 17, 5, tzinfo=timezone(timedelta(hours=1)))

    assert (
        standing_headers(tag='"1"', revised_at=revised_at)["Last-Modified"] == "Tue, 10 Mar 2026 16:05:00 GMT"
    )


@pytest.mark.parametrize(
    "other",
    [
        (42, date(2026, 3, 10), "2026.6", FORMAT),
        (41, date(2026, 3, 11), "2026.6", FORMAT),
        (41, date(2026, 3, 10), "2026.7", FORMAT),
        (41, date(2026, 3, 10), "2026.6", FORMAT + 1),
    ],
)
def test_every_part_changes_the_tag(other):
    assert version_tag(*other) != version_tag(41, date(2026, 3, 10), "2026.6", FORMAT)


@pytest.mark.parametrize(
    ("name", "file"),
    [
        ("Crew Heron", "crew-heron.ics"),
        ("Équipe d’été n° 3", "equipe-dete-n-3.ics"),
        ('a"b\r\nc/../d', "a-b-c-d.ics"),
        ("日本", "calendar.ics"),
        ("", "calendar.ics"),
    ],
)
def test_a_file_name_is_plain_ascii(name, file):
    assert file_name(name) == file
