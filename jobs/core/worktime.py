"""Shifts, days off and access windows: local wall time to instants, working time in elapsed seconds."""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from zoneinfo import ZoneInfo


def time_zone(name: str) -> ZoneInfo:
    """Return the time zone of an IANA name, links and `Etc/…` included.

    Raises:
        ValueError: the zone database has no such name.
    """
    if name not in _zone_names():
        raise ValueError(f"no time zone is called {name!r}")
    return ZoneInfo(name)


@cache
def _zone_names() -> frozenset[str]:
    """Return the names of the zone database that is pinned with the service, not of this machine's."""
    return frozenset(files("tzdata").joinpath("zones").read_text("utf-8").split())
