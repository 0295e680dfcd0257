"""Log lines as text or as JSON, each with its request's name and without any secret that stood in a path."""

from __future__ import annotations

import json
import logging
import re
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar

_request: ContextVar[str] = ContextVar("request", default="")

#: What follows a slash and is as long as a feed's or a sign-in link's secret (43 characters); a UUID has 36.
SECRET_IN_PATH = re.compile(r"(?<=/)[A-Za-z0-9_:-]{40,}")


@contextmanager
def request_named() -> Iterator[str]:
    """Name the request being answered, for its log lines and its answer's X-Request-ID."""
    token = _request.set(secrets.token_hex(6))
    try:
        yield _request.get()
    finally:
        _request.reset(token)


def masked(line: str) -> str:
    """Return the line without the secrets of links."""
    return SECRET_IN_PATH.sub("…", line)


class Text(logging.Formatter):
    """One line to read."""

    def __init__(self) -> None:
        super().__init__("%(levelname)s %(name)s %(message)s")

    def format(self, record: logging.LogRecord) -> str:
        """Return the record as text."""
        name = _request.get()
        return masked(super().format(record) + (f" [{name}]" if name else ""))


class Json(logging.Formatter):
    """One JSON object a line, for a collector."""

    def format(self, record: logging.LogRecord) -> str:
        """Return the record as JSON."""
        said = {
            "at": self.formatTime(record, "%Y-%m-%dT%H:%M:%S%z"),
            "level": record.levelname,
            "logger": record.name,
            "message": record.getMessage(),
        }
        if name := _request.get():
            said["request"] = name
        if record.exc_info:
            said["error"] = self.formatException(record.exc_info)
        return masked(json.dumps(said, ensure_ascii=False))
