"""Files that wait between the page that shows what is in them and the act that reads them in.

A logger's file that was read in is kept for good: it is the evidence of its readings.
"""

from __future__ import annotations

import hashlib
from datetime import datetime, timedelta

from jobs.models import KeptFile, Person, ReadingFile

#: Somebody who was called away comes back the next Monday.
KEPT_FOR = timedelta(days=7)
LONGEST_NAME = 200


def keep_file(name: str, body: bytes, *, by: Person, now: datetime) -> KeptFile:
    """Keep the bytes under their SHA-256 and return them; the same bytes again are kept once, and longer."""
    sha256 = hashlib.sha256(body).hexdigest()
    kept, _made = KeptFile.objects.update_or_create(
        sha256=sha256,
        defaults={"name": name[-LONGEST_NAME:], "kept_at": now, "by": by},
        create_defaults={"name": name[-LONGEST_NAME:], "kept_at": now, "by": by, "body": body},
    )
    return kept


def kept_file(sha256: str) -> KeptFile | None:
    """Return the file with this hash, or None if it was never kept or no longer is."""
    return KeptFile.objects.filter(sha256=sha256).first()


def forget_files(*, now: datetime) -> int:
    """Throw away what nobody came back for; return how many files.  What readings came from stays."""
    waiting = KeptFile.objects.filter(kept_at__lt=now - KEPT_FOR)
    gone, _by_model = waiting.exclude(sha256__in=ReadingFile.objects.values("sha256")).delete()
    return gone
