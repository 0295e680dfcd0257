"""The columns of rules in words: what each is called, how it is typed, and how its value reads."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from decimal import Decimal
from enum import StrEnum
from typing import Any

from jobs.core.units import NM_PER_MM
from jobs.core.words import Say, Value, say
from materials.models import Product


class Kind(StrEnum):
    """What a column of a rule is measured in."""

    HOURS = "hours"
    CELSIUS = "celsius"
    PERCENT = "percent"
    KELVIN = "kelvin"
    LENGTH = "length"
    YES_NO = "yes_no"
    RESTART_ON = "restart_on"


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a rule; `hint` says what it does, `least` and `most` are in the unit it is typed in."""

    name: str
    label: Say
    kind: Kind
    hint: Say | None = None
    least: float = 0
    most: float = 8_760
    #: Whether nothing may stand there: the maker says nothing of it.
    may_be_empty: bool = False


#: A week, hours: two readings further apart prove nothing of the time between.
WEEK_H = 168

REST = (
    Column("rest_required_s", say("Rest"), Kind.HOURS, say("0: none is asked.")),
    Column(
        "rest_max_gap_s",
        say("Longest gap between readings"),
        Kind.HOURS,
        say("Two readings in band prove the time between, up to this; a week at most."),
        least=0.01,
        most=WEEK_H,
    ),
    Column(
        "rest_fine_gap_s",
        say("Shown as bridged from a gap of"),
        Kind.HOURS,
        say("A gap longer than this counts, but is shown apart."),
        least=0.01,
        most=WEEK_H,
    ),
    Column(
        "rest_restart_after_s",
        say("Out of band before it starts again"),
        Kind.HOURS,
        say("A shorter time out of band only pauses."),
    ),
    Column("rest_restart_on", say("What starts it again"), Kind.RESTART_ON),
    Column("rest_needs_opening", say("Rests only once it is opened"), Kind.YES_NO),
    Column(
        "core_is_binding",
        say("The middle of the stack must have come to the room"),
        Kind.YES_NO,
        say("Else what the stack's warmth says is advice."),
    ),
)
LIMITS = (
    Column("t_min", say("Air from"), Kind.CELSIUS, least=-40, most=60),
    Column("t_max", say("Air to"), Kind.CELSIUS, least=-40, most=60),
    Column("rh_min", say("Humidity from"), Kind.PERCENT, most=100),
    Column("rh_max", say("Humidity to"), Kind.PERCENT, most=100),
)
SHEET = (
    Column("sheet_w_nm", say("Width"), Kind.LENGTH),
    Column("sheet_h_nm", say("Height"), Kind.LENGTH),
    Column("thickness_nm", say("Thickness"), Kind.LENGTH),
    Column(
        "core_tolerance_k",
        say("Tolerance of a stack's middle"),
        Kind.KELVIN,
        say("How near it must come to the room."),
        least=0.1,
        most=20,
    ),
)
MOISTURE = (
    Column("moisture_min_pct", say("Pin meter from"), Kind.PERCENT, most=100, may_be_empty=True),
    Column("moisture_max_pct", say("Pin meter to"), Kind.PERCENT, most=100, may_be_empty=True),
)
SETTING = (
    Column("set_t_min", say("Setting air from"), Kind.CELSIUS, least=-40, most=60, may_be_empty=True),
    Column("set_t_max", say("Setting air to"), Kind.CELSIUS, least=-40, most=60, may_be_empty=True),
    Column("set_rh_min", say("Setting humidity from"), Kind.PERCENT, most=100, may_be_empty=True),
    Column("set_rh_max", say("Setting humidity to"), Kind.PERCENT, most=100, may_be_empty=True),
    Column("set_fresh_s", say("A reading speaks for the air for"), Kind.HOURS, least=0.01),
)
CURE = (
    Column("cure_s", say("In the setting band after the setting"), Kind.HOURS, may_be_empty=True),
    Column("no_washing_s", say("Not washed down before"), Kind.HOURS, may_be_empty=True),
    Column("no_cooling_s", say("A cold store not cooled before"), Kind.HOURS, may_be_empty=True),
    # While it cures, too, the air is known only between readings that lie no further apart.
    next(column for column in REST if column.name == "rest_max_gap_s"),
)
STATEMENTS = (
    Column("accepts_statements", say("A signed word counts where no instrument stood"), Kind.YES_NO),
)

#: Columns that hold the least and the most of one band.
BANDS = (
    ("t_min", "t_max"),
    ("rh_min", "rh_max"),
    ("set_t_min", "set_t_max"),
    ("set_rh_min", "set_rh_max"),
    ("moisture_min_pct", "moisture_max_pct"),
)
#: Columns that are filled in together or not at all.
WHOLE = (
    (
        ("set_t_min", "set_t_max", "set_rh_min", "set_rh_max"),
        say("The label's band is written whole or not at all."),
    ),
    (("moisture_min_pct", "moisture_max_pct"), say("What the maker allows is written whole or not at all.")),
)
#: What is written behind a column's name where it is typed as a bare figure.
UNITS = {Kind.HOURS: say("hours"), Kind.CELSIUS: say("°C"), Kind.PERCENT: say("%"), Kind.KELVIN: say("K")}
RESTART_WORDS = {
    Product.RestartOn.ANY.value: say("temperature or humidity out of band"),
    Product.RestartOn.TEMPERATURE.value: say("temperature out of band only"),
}


@dataclass(frozen=True, slots=True)
class Group:
    """Columns that stand together, and their heading."""

    title: Say
    columns: tuple[Column, ...]


#: Every column by the name of its record's field.
BY_NAME = {
    column.name: column
    for group in (REST, LIMITS, SHEET, MOISTURE, SETTING, CURE, STATEMENTS)
    for column in group
}


def groups_of(product: Product) -> tuple[Group, ...]:
    """Return the rules that a product of its kind has."""
    found = []
    if product.is_panel:
        found.append(Group(say("The rest"), REST))
        found.append(Group(say("Air it may rest in, whatever the room"), LIMITS))
        found.append(Group(say("One sheet, and a stack of them"), SHEET))
    if product.kind == Product.Kind.BACKED:
        found.append(Group(say("What the maker allows a pin meter on the wood"), MOISTURE))
    if product.kind not in (Product.Kind.FASTENER, Product.Kind.MOULDING):
        found.append(Group(say("The label's setting band"), SETTING))
    if product.kind in (Product.Kind.ADHESIVE, Product.Kind.SEALANT):
        found.append(Group(say("After the setting, by the label"), CURE))
    return tuple(found)


def shown(column: Column, value: Any) -> Value:
    """Return a column's value as it reads; nothing is "not said"."""
    if value is None or value == "":
        return say("not said")
    match column.kind:
        case Kind.HOURS if column.name == "rest_required_s" and value == 0:
            return say("none is asked")
        case Kind.HOURS:
            return timedelta(seconds=value)
        case Kind.CELSIUS:
            return say("{value} °C", value=float(value))
        case Kind.PERCENT:
            return say("{value} %", value=float(value))
        case Kind.KELVIN:
            return say("{value} K", value=float(value))
        case Kind.LENGTH:
            return length_typed(value)
        case Kind.YES_NO:
            return say("yes") if value else say("no")
        case Kind.RESTART_ON:
            return RESTART_WORDS[value]


def length_typed(nm: int) -> str:
    """Return a length as it may be typed again, exactly: `1219.2 mm`."""
    return f"{Decimal(nm) / NM_PER_MM:f} mm"


def hours_typed(seconds: int) -> str:
    """Return seconds as hours that may be typed again: `1.5`."""
    return f"{round(Decimal(seconds) / 3600, 4).normalize():f}"
