"""Papers: delivery notes, guides and safety sheets as PDF, checked to be one before they are kept.

What is checked is that the file is whole and begins and ends as a PDF must: the version in its first bytes; the mark of
its end; the place of its cross-references, found where it says; and a root that the file holds.  That is what a
file cut off on its way, or another kind of file under this name, does not have.  What its pages show, and what a
reader may do when it opens them, is not checked: serve it for download, never as a part of a page.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from jobs.core.words import Say, say
from jobs.photos import Kind, kind_of
from jobs.uploaded import FileRefused, sha256_of

MOST_BYTES = 25 * 1024 * 1024
PAPER_TYPE = "application/pdf"

# ISO 32000-1: the version 7.5.2, the end 7.5.5, its table of references 7.5.4, the same as a stream 7.5.8; from memory.
_VERSION = re.compile(rb"%PDF-(1\.[0-7]|2\.0)")
_END = re.compile(rb"startxref\s+([0-9]{1,10})\s+%%EOF\s*")
#: Readers look for the end in so much of the last bytes, for mail and servers sometimes add some.
_END_WITHIN = 1_024
_ROOT = re.compile(rb"/Root\s+([0-9]{1,10})\s+([0-9]{1,5})\s+R\b")
_STREAM = re.compile(rb"[0-9]{1,10}\s+[0-9]{1,5}\s+obj\b")
#: A trailer, or the dictionary of a stream of references, is far smaller; a long table stands before it.
_DICTIONARY = 65_536


@dataclass(frozen=True, slots=True)
class Paper:
    """A PDF that was checked; `is_locked`: it is encrypted, and may ask its reader for a password."""

    version: str
    sha256: str
    is_locked: bool


def check_paper(body: bytes) -> Paper:
    """Return what a PDF says of itself.

    Raises:
        FileRefused: it is too large, is none, or is cut off or damaged.
    """
    if len(body) > MOST_BYTES:
        most = MOST_BYTES // 1024**2
        raise FileRefused(say("A paper has at most {most} MB.", most=most))
    version = _VERSION.match(body)
    if version is None:
        raise FileRefused(_not_a_paper(kind_of(body)))
    dictionary = _last_dictionary(body)
    root = _ROOT.search(dictionary)
    if root is None or not _holds(body, root[1], root[2]):
        raise FileRefused(_DAMAGED)
    return Paper(version[1].decode("ascii"), sha256_of(body), b"/Encrypt" in dictionary)


_DAMAGED = say("This PDF is cut off or damaged. Send it again.")


def _not_a_paper(kind: Kind) -> Say:
    match kind:
        case Kind.PDF:
            return say("This says that it is a PDF but does not begin as one. Save it as PDF again.")
        case Kind.JPEG | Kind.PNG | Kind.WEBP | Kind.HEIC:
            return say("This is a photo, not a PDF. Add it as a photo.")
        case _:
            return say("This is no PDF, whatever its name says. Save it as PDF and choose it again.")


def _last_dictionary(body: bytes) -> bytes:
    """Return the bytes in which the newest trailer, or stream of references, names the root."""
    tail = body[-_END_WITHIN:]
    ends = list(_END.finditer(tail))
    if not ends:
        raise FileRefused(_DAMAGED)
    at = int(ends[-1][1])
    # Some writers point at the end of the line before.
    at += len(body[at : at + 4]) - len(body[at : at + 4].lstrip())
    if body.startswith(b"xref", at):
        trailer = body.find(b"trailer", at)
        if trailer < 0:
            raise FileRefused(_DAMAGED)
        return _until(body, trailer, b"startxref")
    if _STREAM.match(body, at):
        return _until(body, at, b"stream")
    raise FileRefused(_DAMAGED)


def _until(body: bytes, at: int, mark: bytes) -> bytes:
    """Return the bytes from `at` to the mark, or nothing if it is not near."""
    end = body.find(mark, at, at + _DICTIONARY)
    return body[at:end] if end >= 0 else b""


def _holds(body: bytes, number: bytes, generation: bytes) -> bool:
    """Return whether the file holds an object, or streams of objects in which it may be."""
    written = re.compile(rb"(?<![0-9])0*%d\s+0*%d\s+obj\b" % (int(number), int(generation)))
    return bool(written.search(body)) or b"/ObjStm" in body
