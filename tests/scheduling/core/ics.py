"""A strict reader of calendar bytes, written from RFC 5545, that shares nothing with what writes them."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

from dateutil.rrule import rrulestr  # type: ignore[import-untyped]

#: The order decided for our own properties (RFC 5545 leaves it free, but for properties before components).
CALENDAR_ORDER = (
    *(
        "VERSION",
        "PRODID",
        "CALSCALE",
        "NAME",
        "X-WR-CALNAME",
        "DESCRIPTION",
        "X-WR-CALDESC",
        "X-WR-TIMEZONE",
    ),
    *("REFRESH-INTERVAL", "X-PUBLISHED-TTL", "COLOR"),
)
EVENT_ORDER = (
    *("UID", "DTSTAMP", "LAST-MODIFIED", "SEQUENCE", "DTSTART", "DTEND", "SUMMARY", "STATUS", "TRANSP"),
    *("X-MICROSOFT-CDO-BUSYSTATUS", "LOCATION", "DESCRIPTION", "CATEGORIES", "URL"),
)
OPTIONAL = {"DESCRIPTION", "X-WR-CALDESC", "X-WR-TIMEZONE", "LOCATION", "CATEGORIES", "URL"}
TEXTS = {"NAME", "X-WR-CALNAME", "DESCRIPTION", "X-WR-CALDESC", "UID", "SUMMARY", "LOCATION"}
ESCAPED = re.compile(r"(?:[^\\;,]|\\[\\;,n])*")
LINE = re.compile(r"([A-Z0-9-]+)((?:;[A-Z0-9-]+=[^;:,\"]+)*):(.*)", re.DOTALL)


@dataclass
class Component:
    """A component: its properties, (name, parameters, value) in the order of the file, and what is in it."""

    name: str
    lines: list[tuple[str, str, str]] = field(default_factory=list)
    inside: list[Component] = field(default_factory=list)

    def value(self, name: str) -> str:
        (found,) = [value for line, _, value in self.lines if line == name]
        return found

    def parameters(self, name: str) -> str:
        (found,) = [parameters for line, parameters, _ in self.lines if line == name]
        return found

    def has(self, name: str) -> bool:
        return any(line == name for line, _, _ in self.lines)

    def text(self, name: str) -> str:
        return unescape(self.value(name))

    def all(self, name: str) -> list[Component]:
        return [part for part in self.inside if part.name == name]


def unescape(value: str) -> str:
    """Undo RFC 5545 section 3.3.11, from left to right."""
    return re.sub(r"\\(.)", lambda found: "\n" if found[1] in "nN" else found[1], value)


def physical_lines(body: bytes) -> list[bytes]:
    """Return the lines as sent, refusing what RFC 5545 section 3.1 refuses."""
    assert not body.startswith(b"\xef\xbb\xbf"), "a byte order mark"
    assert body.endswith(b"\r\n"), "the last line does not end"
    lines = body[:-2].split(b"\r\n")
    for line in lines:
        assert line.strip(), "an empty line"
        assert len(line) <= 75, f"{len(line)} octets: {line!r}"
        text = line.decode()  # also: no fold inside a character
        assert not re.search("[\x00-\x1f\x7f]", text), f"a control character: {line!r}"
    return lines


def read(body: bytes) -> Component:
    """Return the calendar of a well-formed stream of bytes."""
    unfolded = b"\r\n".join(physical_lines(body)).replace(b"\r\n ", b"").decode()
    top = Component("")
    open_ones = [top]
    for line in unfolded.split("\r\n"):
        found = LINE.fullmatch(line)
        assert found, f"no content line: {line!r}"
        name, parameters, value = found.groups()
        if name == "BEGIN":
            open_ones[-1].inside.append(Component(value))
            open_ones.append(open_ones[-1].inside[-1])
        elif name == "END":
            assert open_ones.pop().name == value, f"END of {value} out of place"
        else:
            assert not open_ones[-1].inside, f"{name} after a component"
            open_ones[-1].lines.append((name, parameters.removeprefix(";"), value))
    assert open_ones == [top], "a component without END"
    (calendar,) = top.inside
    assert calendar.name == "VCALENDAR"
    return calendar


def check(body: bytes) -> Component:
    """Return the calendar after refusing whatever breaks RFC 5545, RFC 7986 or our own decisions on feeds."""
    calendar = read(body)
    check_order(calendar, CALENDAR_ORDER)
    assert calendar.parameters("REFRESH-INTERVAL") == "VALUE=DURATION"
    assert {part.name for part in calendar.inside} <= {"VTIMEZONE", "VEVENT"}
    assert calendar.inside, "a calendar holds at least one component"
    events = calendar.all("VEVENT")
    for event in events:
        check_event(event)
    most = Counter(event.value("UID") for event in events).most_common(1)
    assert not most or most[0][1] == 1, f"one UID twice: {most}"
    used = {zone_of(event, name) for event in events for name in ("DTSTART", "DTEND")}
    defined = [zone.value("TZID") for zone in calendar.all("VTIMEZONE")]
    assert len(defined) == len(set(defined)), "a zone defined twice"
    assert not events or set(defined) == used
    assert calendar.has("X-WR-TIMEZONE") == (len(defined) == 1)
    in_order = [(start, uid) for uid, (start, _) in hours(calendar).items()]
    assert in_order == sorted(in_order), "not by start, then UID"
    return calendar


def check_order(part: Component, order: tuple[str, ...]) -> None:
    names = [name for name, _, _ in part.lines]
    assert names == [name for name in order if name in names], f"order or repetition: {names}"
    assert set(order) - set(names) <= OPTIONAL, f"missing: {set(order) - set(names)}"
    for name, _, value in part.lines:
        assert name not in TEXTS or ESCAPED.fullmatch(value), f"not escaped: {name}:{value}"


def check_event(event: Component) -> None:
    check_order(event, EVENT_ORDER)
    assert len(event.value("UID").encode()) <= 255
    assert event.value("DTSTAMP") == event.value("LAST-MODIFIED")
    assert re.fullmatch(r"\d{8}T\d{6}Z", event.value("DTSTAMP"))
    assert re.fullmatch(r"\d+", event.value("SEQUENCE"))
    for name in ("DTSTART", "DTEND"):
        if event.parameters(name):
            assert re.fullmatch(r"TZID=[A-Za-z0-9_+/-]+", event.parameters(name))
            assert re.fullmatch(r"\d{8}T\d{6}", event.value(name))
        else:
            assert re.fullmatch(r"\d{8}T\d{6}Z", event.value(name)), "a floating time"
    assert "\\n" not in event.value("SUMMARY")
    shown = tuple(event.value(name) for name in ("STATUS", "TRANSP", "X-MICROSOFT-CDO-BUSYSTATUS"))
    assert shown in {
        ("TENTATIVE", "OPAQUE", "TENTATIVE"),
        ("CONFIRMED", "OPAQUE", "BUSY"),
        ("CANCELLED", "TRANSPARENT", "FREE"),
    }


# A zone's clock, from its VTIMEZONE alone


@dataclass(frozen=True)
class Onset:
    """One turn of a clock: its wall time on the clock before it, and both offsets."""

    wall: datetime
    old: timedelta
    new: timedelta

    @property
    def at(self) -> datetime:
        return (self.wall - self.old).replace(tzinfo=UTC)


def onsets(zone: Component, *, until: int) -> list[Onset]:
    """Return the turns up to the end of the year `until`, by time (RFC 5545 section 3.6.5)."""
    found = []
    for part in zone.inside:
        first = datetime.strptime(part.value("DTSTART"), "%Y%m%dT%H%M%S")  # noqa: DTZ007 a wall time
        old, new = offset(part.value("TZOFFSETFROM")), offset(part.value("TZOFFSETTO"))
        walls = [first]
        if part.has("RRULE"):
            rule = rrulestr(part.value("RRULE"), dtstart=first)
            walls = rule.between(datetime(2020, 1, 1), datetime(until + 1, 1, 1))  # noqa: DTZ001 wall times
        found += [Onset(wall, old, new) for wall in walls]
    return sorted(found, key=lambda onset: onset.at)


def offset(written: str) -> timedelta:
    """Return a UTC offset such as -0600."""
    sign = -1 if written[0] == "-" else 1
    return sign * timedelta(hours=int(written[1:3]), minutes=int(written[3:5]))


def instant(zone: Component, wall: str) -> datetime:
    """Return the instant of a wall time that comes once, by the clock of `zone` alone."""
    local = datetime.strptime(wall, "%Y%m%dT%H%M%S")  # noqa: DTZ007 a wall time
    turned = [onset for onset in onsets(zone, until=local.year + 1) if onset.wall <= local]
    return (local - turned[-1].new).replace(tzinfo=UTC)


def zone_of(event: Component, name: str) -> str:
    """Return the zone of a time; a time in UTC has none, and `UTC` stands for it here."""
    return event.parameters(name).removeprefix("TZID=") or "UTC"


def hours(calendar: Component) -> dict[str, tuple[datetime, datetime]]:
    """Return start and end of each event as instants, by the calendar's own clocks alone."""
    zones = {zone.value("TZID"): zone for zone in calendar.all("VTIMEZONE")}
    found = {}
    for event in calendar.all("VEVENT"):
        start, end = (
            instant(zones[zone_of(event, name)], event.value(name).removesuffix("Z"))
            for name in ("DTSTART", "DTEND")
        )
        found[event.value("UID")] = start, end
    return found
