"""What is known of one room when its holds are judged: the facts, and the names by which people call them.

A label is how a thing is called in the middle of a sentence (`ceiling grid`, `adhesive`), `by` who said or recorded the
fact ("" if that is not known).  A fact given twice under one id is one fact; facts may come in any order.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from decimal import Decimal
from enum import StrEnum
from typing import Protocol, TypeVar
from zoneinfo import ZoneInfo

from jobs.core.conditions import Band
from jobs.core.forecast import Forecast
from jobs.core.words import Say
from materials.core.rest import RestState as RestState

Label = str | Say


class HoldKind(StrEnum):
    """The reasons why a room may not be started, in the order a room clears them."""

    WORK_BY_OTHERS = "work_by_others"
    SUBSTRATE = "substrate"
    PANELS_ON_SITE = "panels_on_site"
    INSPECTION = "inspection"
    REST = "rest"
    ROOM_CONDITIONS = "room_conditions"
    CONSUMABLES = "consumables"


@dataclass(frozen=True, slots=True, kw_only=True)
class Milestone:
    """Work of others that this room waits for."""

    id: str
    label: Label
    done_at: datetime | None = None  # None: not yet
    expected_at: datetime | None = None  # None: no date given
    by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """A prep check that the substrate and the fixing method need."""

    id: str
    label: Label


@dataclass(frozen=True, slots=True, kw_only=True)
class PrepRecord:
    """One check as it was found, passed or failed; `finding` is a whole sentence where there is more to say."""

    id: str
    check: str
    at: datetime
    passed: bool
    finding: Label | None = None
    by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wetting:
    """Water on the wall."""

    id: str
    at: datetime
    by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Prep:
    """What the substrate needs and what was found; `voided_by_wetting` names the checks that water undoes."""

    checks: tuple[Check, ...] = ()
    records: tuple[PrepRecord, ...] = ()
    wettings: tuple[Wetting, ...] = ()
    voided_by_wetting: frozenset[str] | None = None  # None: all of them


@dataclass(frozen=True, slots=True, kw_only=True)
class Requirement:
    """Sheets of one product that are still to be set, 1 or more; `one_batch` if they must match."""

    product: str
    label: Label
    sheets: int
    one_batch: bool = False

    def __post_init__(self) -> None:
        if self.sheets < 1:
            raise ValueError("a requirement asks for at least one sheet")


@dataclass(frozen=True, slots=True, kw_only=True)
class ColdStack:
    """That the middle of a stack is not known to have come to the room, where the rule makes it part of the rest.

    `until`: the late end of when it will have; None: it cannot be told.  `measured`: somebody said how cold it
    came.  `laid_out_in`: how long it would take laid out in flat lots; None: it lies so, or that does not help.
    """

    until: datetime | None = None
    measured: bool = True
    laid_out_in: timedelta | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacementRest:
    """The rest of one placement as its clock tells it; durations None where only the state is known."""

    state: RestState = RestState.NOT_STARTED
    proven_at: datetime | None = None  # None: not yet
    forecast: Forecast | None = None  # None: unknown
    proven: timedelta | None = None
    provisional: timedelta | None = None
    required: timedelta | None = None
    last_reading_at: datetime | None = None
    read_again_by: datetime | None = None  # None: no reading is due to keep the clock running
    good_until: datetime | None = None  # None: by itself it never changes
    cold: ColdStack | None = None  # None: the middle of its stack is warm, or nothing is asked of it


@dataclass(frozen=True, slots=True, kw_only=True)
class Placement:
    """Sheets of one batch standing in the zone of the room and reserved for it, from `in_at` until `out_at`."""

    id: str
    product: str
    batch: str
    sheets: int
    in_at: datetime
    out_at: datetime | None = None  # None: still here
    rest: PlacementRest = PlacementRest()
    wrapped: bool = False  # its rest begins when it is opened
    open_from: datetime | None = None  # it sweats when it is opened sooner; None: not known, or it does not
    too_damp_to_open: bool = False  # it would sweat in this air however long the wrap stays on
    by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Inspection:
    """All that was inspected of a placement by `at`: counts are cumulative."""

    id: str
    placement: str
    at: datetime
    inspected: int
    rejected: int
    mark_seen: bool
    by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mix:
    """A manager's word that batches of a product may be set side by side."""

    id: str
    product: str
    at: datetime
    by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivery:
    """Sheets for this room that have not come yet; `by` is the supplier."""

    id: str
    product: str
    batch: str | None  # None: not known, and taken for a batch of its own
    sheets: int
    expected_at: datetime | None  # None: no date given
    dispatched: bool = True
    by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """Air of the room's zone: °C and percent."""

    id: str
    at: datetime
    t_c: float
    rh_pct: float
    by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """The setting band, how long a reading speaks for the air, and the readings.

    `band_conflict`: bands are asked for that do not meet; then `band` is None and no air is right.
    """

    band: Band | None = None  # None: nothing is asked of the air
    fresh: timedelta = timedelta(0)
    readings: tuple[Reading, ...] = ()
    band_conflict: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Need:
    """How much of a consumable the room takes."""

    item: str
    label: Label
    qty: Decimal
    unit: Label = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lot:
    """A consumable on site.  `unfit` is a clause that says why it does not count here: `it is water-borne`."""

    id: str
    item: str
    qty: Decimal
    on_site_at: datetime
    good_through: date | None = None  # None: does not go out of date
    unfit: Say | None = None
    by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Consumables:
    """What the room takes beside its panels, and what is there."""

    needs: tuple[Need, ...] = ()
    lots: tuple[Lot, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """When somebody expects a hold to clear whose facts do not tell; None: no date given."""

    substrate: datetime | None = None
    inspection: datetime | None = None
    room_conditions: datetime | None = None
    consumables: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Waiver:
    """A manager's signed decision to start in spite of one hold."""

    id: str
    hold: HoldKind
    at: datetime
    until: datetime | None = None  # None: no end
    by: str = ""
    reason: str = ""


class Fact(Protocol):
    """Anything with an id."""

    @property
    def id(self) -> str: ...


F = TypeVar("F", bound=Fact)


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomFacts:
    """One room; `time_zone` is its site's, and `planned_start` decides on which day consumables must be good."""

    time_zone: ZoneInfo
    planned_start: datetime | None = None  # None: not planned, today counts
    milestones: tuple[Milestone, ...] = ()
    prep: Prep = Prep()
    requirement: tuple[Requirement, ...] = ()
    placements: tuple[Placement, ...] = ()
    inspections: tuple[Inspection, ...] = ()
    mixes: tuple[Mix, ...] = ()
    deliveries: tuple[Delivery, ...] = ()
    rest_required: timedelta = timedelta(hours=24)
    conditions: Conditions = Conditions()
    consumables: Consumables = Consumables()
    expected: Expected = field(default_factory=Expected)
    waivers: tuple[Waiver, ...] = ()

    def once_each(self) -> RoomFacts:
        """Return the same room with each fact that is counted given once; the others are found by their id."""
        counted: tuple[tuple[Fact, ...], ...] = (self.milestones, self.deliveries, self.consumables.lots)
        if not any(map(_has_repeats, counted)):
            return self
        return replace(
            self,
            milestones=_once(self.milestones),
            deliveries=_once(self.deliveries),
            consumables=replace(self.consumables, lots=_once(self.consumables.lots)),
        )


def _has_repeats(facts: tuple[Fact, ...]) -> bool:
    return len({fact.id for fact in facts}) < len(facts)


def _once(facts: tuple[F, ...]) -> tuple[F, ...]:
    return tuple({fact.id: fact for fact in facts}.values())
