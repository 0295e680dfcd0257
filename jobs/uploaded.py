"""What every uploaded file has, whatever is in it: a name that is no path, a hash, and a refusal with words."""

from __future__ import annotations

import hashlib
import re
import unicodedata

from jobs.core.words import Say

LONGEST_NAME = 120
#: As much of an extension as is kept when a long name is cut.
_LONGEST_END = 10

#: What a file system or a header reads as more than a letter.
_NOT_IN_NAMES = re.compile(r'[<>:"|?*/\\]')
#: Names that are devices on some machines, whatever follows the first full stop.
_DEVICES = re.compile(r"(?:con|prn|aux|nul|com[0-9]|lpt[0-9])(?:\.|$)", re.IGNORECASE)


class FileRefused(ValueError):
    """A file that cannot be taken; `why` is the sentence for the person who chose it."""

    def __init__(self, why: Say) -> None:
        super().__init__(why.text.format_map(why.values))
        self.why = why


def sha256_of(body: bytes) -> str:
    """Return the SHA-256 of the bytes as they came, in hexadecimal: the proof that an original is unchanged."""
    return hashlib.sha256(body).hexdigest()


def clean_name(name: str) -> str:
    """Return a file's name to show and to offer for download: no path, nothing unseen, `LONGEST_NAME` at most.

    It is never used to find a file.  What is left of a name that had nothing else is `unnamed`.
    """
    last = re.split(r"[/\\]", unicodedata.normalize("NFC", name))[-1]
    # Unseen letters (categories C…) can turn the reading order round, so that `gpj.exe` looks like `exe.jpg`.
    seen = "".join(letter if unicodedata.category(letter)[0] != "C" else " " for letter in last)
    text = " ".join(_NOT_IN_NAMES.sub("_", seen).split()).strip(". ")
    if _DEVICES.match(text):
        text = f"_{text}"
    return _shortened(text) or "unnamed"


def _shortened(text: str) -> str:
    if len(text) <= LONGEST_NAME:
        return text
    stem, stop, end = text.rpartition(".")
    if not stop or not stem or len(end) > _LONGEST_END:
        return text[:LONGEST_NAME].strip(". ")
    return f"{stem[: LONGEST_NAME - len(end) - 1].strip('. ')}.{end}"
