"""The pure part of the answer that carries a feed: its tag, its name as a file, its headers."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from datetime import UTC, date, datetime
from email.utils import format_datetime

from scheduling.core.calendar import FORMAT


def version_tag(feed_version: int, day: date, tzdata: str, format_digit: int = FORMAT) -> str:
    """Return the strong ETag of a feed's plain bytes, quotes included (RFC 9110 section 8.8.3).

    It must change with every byte.  `day` is the feed's `window_day`.  `feed_version` is a counter, raised in
    the transaction of any change that shows, and also when time alone changed the bytes within a day: a
    withdrawn event that goes, or a midnight in a second zone.
    """
    return f'"{feed_version}-{day:%Y%m%d}-{tzdata}-{format_digit}"'


def file_name(name: str) -> str:
    """Return an ASCII file name for a feed: `Crew Heron` is `crew-heron.ics`."""
    ascii_only = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    return f"{re.sub('[^a-z0-9]+', '-', ascii_only).strip('-') or 'calendar'}.ics"


def standing_headers(*, tag: str, revised_at: datetime) -> Mapping[str, str]:
    """Return the headers of a feed's 200 and of its 304 alike (RFC 9110 section 15.4.5).

    `revised_at` is the later of the last change and the last time that the window rolled: stored, so that it
    is never in the future and never goes back.
    """
    return {
        "ETag": tag,
        "Last-Modified": format_datetime(revised_at.astimezone(UTC), usegmt=True),
        "Cache-Control": "private, no-cache",
        "Vary": "Accept-Encoding",
        "Access-Control-Allow-Origin": "*",
        "Referrer-Policy": "no-referrer",
        "X-Robots-Tag": "noindex, nofollow, noarchive",
        "X-Content-Type-Options": "nosniff",
    }


def content_headers(*, name: str, body: bytes) -> Mapping[str, str]:
    """Return the headers that a 200 adds: no `method=`, as there is no METHOD, and never an attachment."""
    return {
        "Content-Type": "text/calendar; charset=utf-8",
        "Content-Length": str(len(body)),
        "Content-Disposition": f'inline; filename="{file_name(name)}"',
    }
