"""Plain text for calendars: what is stripped from it, and how it is cut to a length."""

from __future__ import annotations

import unicodedata
from collections.abc import Callable, Iterable

from jobs.core.words import Say

#: Says a sentence as plain text in the feed's language, its instants on the site's clock and nothing in it
#: depending on the present: the shell's part.
Tell = Callable[[Say], str]
#: Free text as somebody typed it, or a sentence of the core.
Words = str | Say

ELLIPSIS = "…"
#: A cut remainder shorter than this says nothing: leave it out.
LEAST_REMAINDER = 20

#: C0 controls and DEL go, but line feed; tab is a space; every other line end is a line feed.  A byte order
#: mark goes too: the library drops it at the front of a value, so that a text would not come back as it was.
_STRIPPED = {code: None for code in (*range(0x20), 0x7F, 0xFEFF)} | {
    ord("\n"): "\n",
    ord("\r"): "\n",
    ord("\t"): " ",
    0x85: "\n",
    0x2028: "\n",
    0x2029: "\n",
}


def clean_text(typed: str) -> str:
    """Return what people typed without what a calendar's line cannot carry (RFC 5545 section 3.1).

    Use it before storing.  Half of a surrogate pair, which UTF-8 cannot write, becomes U+FFFD.
    """
    whole = typed.encode("utf-16-le", "surrogatepass").decode("utf-16-le", "replace")
    return whole.replace("\r\n", "\n").translate(_STRIPPED)


def one_line(typed: str) -> str:
    """Return a cleaned text as one line, every run of blanks a single space."""
    return " ".join(clean_text(typed).split())


def cut(text: str, limit: int) -> str:
    """Return at most `limit` characters of `text`, an ellipsis for what is lost.

    An accent or a joined picture is never parted from its base.
    """
    if len(text) <= limit:
        return text
    if limit < 1:
        return ""
    end = limit - 1
    while end > 0 and (_clings(text[end]) or text[end - 1] == "\u200d"):
        end -= 1
    return text[:end].rstrip(" ,;:") + ELLIPSIS


def _clings(char: str) -> bool:
    """Return whether a character belongs to the one before: a mark, a joiner, a variant or a skin tone."""
    return char == "\u200d" or "\U0001f3fb" <= char <= "\U0001f3ff" or unicodedata.category(char)[0] == "M"


def join_lines(lines: Iterable[str], *, last: str, limit: int) -> str:
    """Return the lines, most needed first, that fit into `limit` characters, and always `last`, if any."""
    text = ""
    left = limit - len(last) - 1
    for line in filter(None, lines):
        if len(line) > left:
            text += cut(line, left) + "\n" if left > LEAST_REMAINDER else ""
            break
        text += line + "\n"
        left -= len(line) + 1
    return (text + last).rstrip("\n")
