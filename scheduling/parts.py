"""What the parts of a page are filled with: one frozen value a part, and builders where a drawing is made.

A part prints what it is given: it decides no state and asks no right.  `Words` are plain text (a name, a
typed reason) or a sentence of the core, which the template prints in the page's language and zone.  How a
page includes each part stands in `templates/scheduling/parts/README.md`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from functools import lru_cache
from typing import Literal, Self
from zoneinfo import ZoneInfo

from django.http import QueryDict
from django.utils.functional import Promise
from django.utils.translation import gettext_lazy as _
from django.utils.translation import pgettext_lazy

from jobs.core.conditions import Band
from jobs.core.forecast import Forecast
from jobs.core.words import Say, Value, say
from scheduling import drawing
from scheduling.core.holds import Hold

Words = str | Say


@dataclass(frozen=True, slots=True)
class Shown:
    """A state as it is shown: its mark and its word."""

    mark: str
    word: str | Promise


#: Every state a page may show.  The keys are the states' own names in code.
STATES: Mapping[str, Shown] = {
    "held": Shown("held", _("Held")),
    "counting": Shown("prov", _("Held, counting")),
    "clear": Shown("clear", pgettext_lazy("of a hold", "Clear")),
    "waived": Shown("waived", _("Waived")),
    "not_needed": Shown("none", _("Not needed")),
    "fit_to_send": Shown("released", _("Fit to send")),
    "released": Shown("released", _("Released")),
    "started": Shown("started", _("Started")),
    "begun_while_held": Shown("begun", _("Begun while held")),
    "finished": Shown("finished", _("Finished")),
    "turned_away": Shown("turned", _("Turned away")),
    "kept": Shown("kept", _("Kept")),
    "sent": Shown("sent", _("Sent")),
    "disagrees": Shown("clash", _("Disagrees")),
}

#: The holds in the order a room clears them, by the name they have in code.
HOLD_NAMES: Mapping[str, str | Promise] = {
    "work_by_others": _("Work by others"),
    "substrate": _("Substrate"),
    "panels_on_site": _("Panels on site"),
    "inspection": _("Inspection"),
    "rest": _("Rest"),
    "room_conditions": _("Room conditions"),
    "consumables": _("Consumables"),
}


#: Who acts, where no crew or firm can be named.
WHO_NAMES: Mapping[str, str | Promise] = {
    "crew_lead": _("Crew lead"),
    "supplier": _("Supplier"),
    "manager": _("Manager"),
    "others_on_site": _("Others on site"),
}


# ---- frame of a page ----


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell of the title block: a page's name, and the figure that would make a person go there."""

    name: str
    figure: Words
    url: str
    current: bool = False


@dataclass(frozen=True, slots=True)
class SignedIn:
    """Who is signed in, as the title block says it: `line` is the role, crew or plan in force."""

    name: str
    line: Words
    sign_out_url: str


#: The same inside a sentence, as short as it is still plain.
HOLD_SHORT: Mapping[str, str | Promise] = {
    "work_by_others": _("work by others"),
    "substrate": _("substrate"),
    "panels_on_site": _("panels"),
    "inspection": _("inspection"),
    "rest": _("rest"),
    "room_conditions": _("conditions"),
    "consumables": _("consumables"),
}


# ---- rod of holds ----


@dataclass(frozen=True, slots=True)
class HoldRow:
    """One hold on the rod.

    `act` is the next act, linked where `act_url` is given; `by` its latest-by.  `clears` is the forecast
    while the hold stands (None: not known), with `condition` under it ("if it stays in band").  `clear_since`
    is for a hold that is clear.  `fresh` marks the row after an act of this person changed it.
    """

    kind: str
    state: str
    says: Words
    proof: Words | None = None
    counting: bool = False
    act: Words | None = None
    act_url: str | None = None
    who: Words | None = None
    by: datetime | None = None
    clears: Forecast | None = None
    condition: Words | None = None
    clear_since: datetime | None = None
    fresh: bool = False

    @property
    def shown(self) -> Shown:
        """Return the mark and word of this hold."""
        return STATES["counting" if self.state == "held" and self.counting else self.state]

    @property
    def name(self) -> str | Promise:
        """Return the hold's name."""
        return HOLD_NAMES[self.kind]

    @property
    def stands(self) -> bool:
        """Return whether the hold keeps the room from being started."""
        return self.state == "held"


def hold_row(
    hold: Hold,
    *,
    who: Words | None = None,
    act_url: str | None = None,
    by: datetime | None = None,
    condition: Words | None = None,
    fresh: bool = False,
) -> HoldRow:
    """Return the row of a judged hold.

    `who` names the crew or firm where the page knows it; `by` is the plan's latest-by, else the hold's own.
    """
    act = hold.act
    return HoldRow(
        kind=hold.kind.value,
        state=hold.state.value,
        says=hold.says,
        proof=hold.proof,
        counting=hold.counting,
        act=act.says if act else None,
        act_url=act_url if act else None,
        who=who or (str(WHO_NAMES[hold.who.value]) if hold.who else None),
        by=by or (act.by if act else None),
        clears=hold.forecast,
        condition=condition or (say("if it stays in band") if hold.counting else None),
        fresh=fresh,
    )


@dataclass(frozen=True, slots=True)
class Rodlet:
    """A room's holds on one line, followed by the names of those that stand."""

    shape: drawing.Rodlet
    standing: tuple[str | Promise, ...]
    all_stand: bool


def rodlet(states: Mapping[str, str]) -> Rodlet:
    """Return the small rod of `{kind: state}`; a counting rest is given as the state `counting`."""
    return _rodlet(tuple((kind, states[kind]) for kind in HOLD_NAMES if kind in states))


# A list draws one for every room, and few of them differ.
@lru_cache(maxsize=512)
def _rodlet(states: tuple[tuple[str, str], ...]) -> Rodlet:
    standing = tuple(HOLD_SHORT[kind] for kind, state in states if state in ("held", "counting"))
    return Rodlet(
        drawing.rodlet([STATES[state].mark for _kind, state in states]),
        standing,
        all_stand=len(standing) == len(states) > 0,
    )


# ---- rest ----


@dataclass(frozen=True, slots=True)
class RestClock:
    """The rest of one placement: what it needs, what is proven or provisional, and when it can be full.

    `stated` and `bridged` are parts of `proven`, always said beside it.
    """

    needed: timedelta
    proven: timedelta
    provisional: timedelta
    stated: timedelta
    bridged: timedelta
    full_at: Forecast | None
    condition: Words | None
    shape: drawing.Clock

    @property
    def full(self) -> bool:
        """Return whether the rest is proven in full."""
        return self.proven >= self.needed

    @property
    def to_go(self) -> timedelta:
        """Return what is neither proven nor provisional yet."""
        return max(timedelta(0), self.needed - self.proven - self.provisional)


def rest_clock(
    *,
    needed: timedelta,
    proven: timedelta,
    provisional: timedelta = timedelta(0),
    stated: timedelta = timedelta(0),
    bridged: timedelta = timedelta(0),
    full_at: Forecast | None = None,
    condition: Words | None = None,
) -> RestClock:
    """Return the clock of a rest, drawn to the scale of what it needs."""
    # A full rest needs no more, and what would print as "0 min" is not worth a word.
    if proven >= needed or provisional < timedelta(minutes=1):
        provisional = timedelta(0)
    shape = drawing.clock(needed=needed, proven=proven, provisional=provisional)
    return RestClock(needed, proven, provisional, stated, bridged, full_at, condition, shape)


#: What each kind of stretch is called in the key; below, why it counts or not where a page knows no better.
STRETCH_WORDS: Mapping[str, str | Promise] = {
    "counted": _("counted"),
    "bridged": _("counted, readings far apart"),
    "stated": _("stated, not measured"),
    "provisional": _("provisional"),
    "out_of_band": _("paused"),
    "gap": _("not counted"),
    "lost": _("counted, then lost"),
    "wrapped": _("still wrapped"),
    "absent": _("not here"),
}
#: Kinds whose time is part of what is proven; all but the first are always told apart from it.
COUNTING = ("counted", "bridged", "stated")
STRETCH_WHY: Mapping[str, Say] = {
    "counted": say("In band."),
    "bridged": say("In band at both ends, the readings far apart."),
    "stated": say("In band by a signed statement, no instrument."),
    "provisional": say("No reading since; the next one in band proves it."),
    "out_of_band": say("Out of band: paused."),
    "gap": say("No reading near enough to prove it: not counted."),
    "lost": say("In band; lost when the count went back to zero."),
    "wrapped": say("Not opened yet."),
    "absent": say("Out of the zone."),
}


@dataclass(frozen=True, slots=True)
class StretchRow:
    """One stretch of a rest.  `kind` is the core's; `lost` takes its place where a later restart undid it."""

    from_at: datetime
    to_at: datetime
    kind: str
    restart: bool = False
    why: Words | None = None

    @property
    def length(self) -> timedelta:
        """Return how long the stretch is."""
        return self.to_at - self.from_at

    @property
    def counts(self) -> bool:
        """Return whether the stretch is part of what is proven."""
        return self.kind in COUNTING

    @property
    def words(self) -> Words:
        """Return why it counts or not."""
        return STRETCH_WHY[self.kind] if self.why is None else self.why


def with_losses(stretches: Sequence[StretchRow]) -> tuple[StretchRow, ...]:
    """Return the stretches, those that counted before the last setting to zero turned into `lost`."""
    zeroes = [s.from_at for s in stretches if s.restart]
    if not zeroes:
        return tuple(stretches)
    last = max(zeroes)
    return tuple(
        replace(s, kind="lost") if s.from_at < last and s.kind in {*COUNTING, "provisional"} else s
        for s in stretches
    )


@dataclass(frozen=True, slots=True)
class ReadingPoint:
    """One reading to be drawn: °C and percent."""

    at: datetime
    t_c: float
    rh_pct: float


@dataclass(frozen=True, slots=True)
class MemorySpell:
    """What a meter remembered over a span, to be drawn: °C and percent."""

    from_at: datetime
    to_at: datetime
    t_min: float
    t_max: float
    rh_min: float
    rh_max: float


@dataclass(frozen=True, slots=True)
class RestStrip:
    """How the rest of a `batch` was earned: the drawing, and the stretches for the table under it."""

    batch: str
    band: Band
    stretches: tuple[StretchRow, ...]
    proven: timedelta
    needed: timedelta
    kinds: tuple[str, ...]
    has_saw: bool
    shape: drawing.Strip


def rest_strip(
    *,
    batch: str = "",
    band: Band,
    stretches: Sequence[StretchRow],
    readings: Sequence[drawing.ReadingLike],
    memories: Sequence[drawing.MemoryLike] = (),
    break_after: timedelta | None = None,
    needed: timedelta,
    zone: ZoneInfo,
    now: datetime,
) -> RestStrip:
    """Return the strip over the whole of a rest.  `break_after` is the rule's longest gap.

    A page with more than one strip names each one's `batch`.

    Raises:
        ValueError: there is no stretch, so nothing has arrived: show the empty state instead.
    """
    if not stretches:
        raise ValueError("a rest that has not begun has no strip")
    rows = with_losses(stretches)
    span = drawing.strip_span(rows[0].from_at, rows[-1].to_at, zone=zone)
    shape = drawing.strip(
        span,
        band=band,
        readings=readings,
        stretches=rows,
        memories=memories,
        break_after=break_after,
        zone=zone,
        now=now,
    )
    present = {row.kind for row in rows}
    return RestStrip(
        batch=batch,
        band=band,
        stretches=rows,
        proven=sum((row.length for row in rows if row.counts), timedelta(0)),
        needed=needed,
        kinds=tuple(kind for kind in STRETCH_WORDS if kind in present),
        has_saw=bool(shape.saws),
        shape=shape,
    )


@dataclass(frozen=True, slots=True)
class AirNow:
    """The latest reading against its band, with a vial each; from `stale_at` on it says nothing."""

    at: datetime
    t_c: float
    rh_pct: float
    band: Band
    source: Words | None
    stale_at: datetime | None
    stale: bool
    air: drawing.Vial
    humidity: drawing.Vial

    @property
    def inside(self) -> bool:
        """Return whether both are inside the band."""
        return self.air.inside and self.humidity.inside


def air_now(
    reading: drawing.ReadingLike,
    *,
    band: Band,
    source: Words | None = None,
    stale_at: datetime | None = None,
    now: datetime,
) -> AirNow:
    """Return a reading with its two vials."""
    return AirNow(
        at=reading.at,
        t_c=reading.t_c,
        rh_pct=reading.rh_pct,
        band=band,
        source=source,
        stale_at=stale_at,
        stale=stale_at is not None and stale_at < now,
        air=drawing.vial(reading.t_c, low=band.t_min, high=band.t_max),
        humidity=drawing.vial(reading.rh_pct, low=band.rh_min, high=band.rh_max),
    )


# ---- latest-by list ----


@dataclass(frozen=True, slots=True)
class ActRow:
    """One act of the latest-by list, what it keeps, and what happens else."""

    by: datetime
    act: Words
    url: str | None
    detail: Words | None = None
    batch: str | None = None
    keeps_at: datetime | None = None
    note: Words | None = None
    key: str = ""
    slack: drawing.Slack | None = None


@dataclass(frozen=True, slots=True)
class ActGroup:
    """The acts of one actor, earliest first.  `left_out` further ones stand at `url`."""

    who: Words
    rows: tuple[ActRow, ...]
    left_out: int = 0
    url: str | None = None


@dataclass(frozen=True, slots=True)
class ActTable:
    """The latest-by list under the tape it is measured against."""

    tape: drawing.Tape
    groups: tuple[ActGroup, ...]


def act_table(groups: Sequence[ActGroup], *, limit: timedelta, zone: ZoneInfo, now: datetime) -> ActTable:
    """Return the list with the time left of each act drawn; less than `limit` is a risk.

    Groups come in the order of their earliest act, rows by time.
    """
    span = drawing.rest_of_day(zone=zone, now=now)
    filled = [
        replace(
            group,
            rows=tuple(
                replace(row, slack=drawing.slack(span, by=row.by, limit=limit, now=now))
                for row in sorted(group.rows, key=lambda row: row.by)
            ),
        )
        for group in groups
        if group.rows
    ]
    filled.sort(key=lambda group: group.rows[0].by)
    return ActTable(drawing.tape(span, zone=zone, now=now), tuple(filled))


@dataclass(frozen=True, slots=True)
class SlipRow:
    """A promise that moves as things stand: from the promised to the forecast instant (None: not known)."""

    room: str
    url: str | None
    where: Words
    promised_at: datetime
    forecast_at: datetime | None
    moved: Words
    because: Words


# ---- facts ----


@dataclass(frozen=True, slots=True)
class LogLink:
    """Another fact of the same log, or a page, that a row points to."""

    words: Words
    url: str


@dataclass(frozen=True, slots=True)
class LogRow:
    """One fact in a run of facts.

    `state`: it `stands`; was `corrected` or `withdrawn` (struck through, with `link` to what took its place);
    or `disagrees` with another (both kept, with `link` to the other).  `key` makes the row's id, `fact-KEY`.
    `shows` is a key of STATES, said before the fact.  A day alone has no hour; without either: "no day".
    """

    at: datetime | date | None
    fact: Words
    detail: Words | None = None
    batch: str | None = None
    url: str | None = None
    state: Literal["stands", "corrected", "withdrawn", "disagrees"] = "stands"
    link: LogLink | None = None
    shows: str | None = None
    risk: bool = False
    fresh: bool = False
    key: str = ""
    acts: tuple[LogLink, ...] = ()

    @property
    def struck(self) -> bool:
        """Return whether the fact no longer stands."""
        return self.state in ("corrected", "withdrawn")


# ---- ledgers ----


@dataclass(frozen=True, slots=True)
class Head:
    """A column's heading; figures stand right."""

    words: Words
    figures: bool = False


@dataclass(frozen=True, slots=True)
class Entry:
    """One cell of a ledger.  `stamp` prints a batch as the panel bears it; `state` is a key of STATES."""

    value: Value | None = ""
    note: Words | None = None
    url: str | None = None
    stamp: bool = False
    state: str | None = None
    risk: bool = False
    head: bool = False

    @property
    def is_plain(self) -> bool:
        """Whether its value alone is shown."""
        return not (self.note or self.url or self.stamp or self.state or self.risk)


@dataclass(frozen=True, slots=True)
class LedgerRow:
    """One row; its first cell names it.  `key` makes the row's id."""

    entries: tuple[Entry, ...]
    key: str = ""
    fresh: bool = False


@dataclass(frozen=True, slots=True)
class Ledger:
    """Any other table.  `name` is read out, `caption` shown.  `left_out` rows stand at `left_out_url`."""

    name: Words
    heads: tuple[Head, ...]
    rows: tuple[LedgerRow, ...]
    foot: tuple[Entry, ...] = ()
    caption: Words | None = None
    left_out: int = 0
    left_out_url: str | None = None

    @property
    def lines(self) -> tuple[tuple[LedgerRow, tuple[tuple[Head, Entry], ...]], ...]:
        """Return each row with its cells beside their headings."""
        return tuple((row, tuple(zip(self.heads, row.entries, strict=True))) for row in self.rows)

    @property
    def sums(self) -> tuple[tuple[Head, Entry], ...]:
        """Return the foot's cells beside their headings."""
        return tuple(zip(self.heads, self.foot, strict=True)) if self.foot else ()


# ---- crew's day ----


@dataclass(frozen=True, slots=True)
class StopRow:
    """One room of the crew's day: when, where, its state, and what is to do there."""

    at: datetime
    room: str
    url: str
    state: str
    words: Words | None = None
    place: Words | None = None
    todo: Words | None = None


@dataclass(frozen=True, slots=True)
class TravelRow:
    """The way between two stops."""

    length: timedelta
    words: Words


# ---- notes, empty states ----


@dataclass(frozen=True, slots=True)
class Note:
    """What a page must say first.  `kind`: plain, `kept` (on this phone) or `clash` (what is wrong)."""

    title: Words
    words: Words | None = None
    kind: Literal["plain", "kept", "clash"] = "plain"
    mark: str = "held"
    url: str | None = None
    act: Words | None = None
    #: Where more is shown of what it is about.
    more_url: str | None = None
    more: Words | None = None


@dataclass(frozen=True, slots=True)
class Bare:
    """An empty state: why it is empty, and the act that fills it."""

    title: Words
    words: Words
    act: Words | None = None
    url: str | None = None
    main: bool = False
    other: Words | None = None
    other_url: str | None = None


# ---- forms ----


class Labelled(str):
    """A choice's label with a smaller line under it."""

    hint: str

    def __new__(cls, label: str, *, hint: str = "") -> Self:
        """Return the label carrying its hint."""
        made = super().__new__(cls, label)
        made.hint = hint
        return made


def stepped(data: QueryDict, *, most: int = 9999) -> QueryDict | None:
    """Return the typed data with one more or one fewer in the field whose button was pressed.

    None means that no such button was pressed: the form was meant.  What is no number stays as it was typed.
    """
    for name, step in (("more", 1), ("less", -1)):
        field = data.get(name)
        if field and field in data:
            changed = data.copy()
            typed = str(data[field]).strip() or "0"
            if typed.isascii() and typed.isdigit():
                changed[field] = str(min(most, max(0, int(typed) + step)))
            return changed
    return None
