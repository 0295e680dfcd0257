"""What a room's page says of its stacks: when the middle is warm, what laying out would save, whether they sweat."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import lru_cache
from math import acos
from zoneinfo import ZoneInfo

from django.contrib.humanize.templatetags.humanize import apnumber
from django.utils.translation import gettext as _

from jobs.core.words import Say, Value, say, say_n
from jobs.models import Room
from materials import queries as stock_queries
from materials.core import stack as core
from materials.core.stack import Counts, Lies, LotsPlan, Range, Warming, ruled_words, took_words
from materials.core.stock import SetDown, Standing
from materials.core.sweat import Sweat, Wetness
from materials.models import Placement, Product, StackReading
from materials.rules import Asked, asked_of, overrides_of
from materials.stack_queries import Measured, stack_facts
from scheduling.answers import StoredRest
from scheduling.models import SheetsSet
from scheduling.printing import number_words
from scheduling.stack_drawing import Section, WarmLine, section, warm_line
from scheduling.warmth import HOUR, QUARTER, Warmed, hourly_air, rounded_down, rounded_up, warmed

DAY = timedelta(days=1)
#: A stack no higher than this is warm within a day even by the slow constants: 16 sheets of 2.3 mm on a skid.
SURELY_WARMED_NM = 36_800_000
#: Laying sheets out and stacking them again is work; what saves less than this is not proposed.
WORTH_LAYING_OUT = timedelta(hours=6)


@dataclass(frozen=True, slots=True)
class Named:
    """One fact of a list: what it is, and what it says."""

    name: Say
    says: Say


@dataclass(frozen=True, slots=True)
class WrapView:
    """Whether cold sheets sweat: what to do about the wrap, and why."""

    act: Say
    why: Say
    #: Of the sheets below, which a dry top face says nothing of.
    below: Say


@dataclass(frozen=True, slots=True)
class StackView:
    """What is said of one stack.  Of one that nobody measured there is only `lies` and what is asked."""

    lies: Say
    #: That nobody said how cold it came; None: somebody did.
    asks: Say | None = None
    answer: Say | None = None
    #: What laying it out would save.
    saves: Say | None = None
    #: What a rest warms, beside what lies here.
    beside: Say | None = None
    facts: tuple[Named, ...] = ()
    basis: Say | None = None
    #: Whether the rest waits for it.
    binding: Say | None = None
    wrap: WrapView | None = None
    section: Section | None = None
    height: Say | None = None
    line: WarmLine | None = None
    range: Say | None = None
    rest: timedelta | None = None
    may_lay_out: bool = False
    is_warm: bool = False


def stack_views(
    room: Room,
    rests: Sequence[StoredRest],
    products: Mapping[int, Product],
    *,
    zone: ZoneInfo,
    now: datetime,
) -> dict[str, StackView]:
    """Return what is said of the stacks of a room, by placement; of those that need no word there is none.

    Args:
        rests: as the room's state keeps them.
        products: by key, of all of them that have sheets.
    """
    here = [one for one in rests if one.sheets]
    asked = [one for one in here if one.stack is not None or _is_thick(one, products[one.product])]
    if not asked:
        return {}
    measured = {one.placement: one for one in asked if one.stack is not None}
    rules: dict[int, Asked] = {}
    found: dict[str, Warmed] = {}
    # Where nobody measured anything nothing more is asked: it is most rooms.
    if measured:
        overrides = overrides_of({room.job_id}).get(room.job_id, ())
        rules = {key: asked_of(product, overrides) for key, product in products.items()}
        rows = stock_queries.placements_for([room.pk])
        found = _warmed(rows, measured, products, rules, now=now)
    views = {}
    for one in asked:
        stack = found.get(one.placement)
        if stack is None:
            views[one.placement] = _unknown(one)
        else:
            is_binding = rules[one.product].core_is_binding
            views[one.placement] = _view(one, stack, products[one.product], is_binding, zone, now=now)
    return views


def _is_thick(one: StoredRest, product: Product) -> bool:
    return one.sheets * product.thickness_nm > SURELY_WARMED_NM


def _warmed(
    rows: Sequence[Placement],
    measured: Mapping[str, StoredRest],
    products: Mapping[int, Product],
    rules: Mapping[int, Asked],
    *,
    now: datetime,
) -> dict[str, Warmed]:
    """Return the stacks that somebody measured, as they are now: between readings their warmth slides."""
    facts = stack_facts(rows)
    sets = SheetsSet.objects.standing().filter(placement__in=[row.origin for row in rows])
    down = [SetDown(str(place), count) for place, count in sets.values_list("placement", "sheets")]
    standing = stock_queries.stock_among(rows, down)
    mine = {key: standing[key] for key in measured if key in standing}
    air = hourly_air({stay.zone for one in mine.values() for stay in one.stays}, _since(mine.values()))
    found = {
        key: warmed(
            one,
            products[one.product],
            facts.get(key),
            needs_opening=rules[one.product].needs_opening,
            air=air,
            last={},
            now=now,
        )
        for key, one in mine.items()
    }
    return {key: one for key, one in found.items() if one is not None}


def _since(standing: Iterable[Standing]) -> datetime | None:
    return min((one.stays[0].in_at for one in standing), default=None)


# ---- words ----


def _unknown(one: StoredRest) -> StackView:
    ask = say_n(
        "Nobody has said how cold this sheet came, so whether its middle is warm is not known.",
        "Nobody has said how cold these {n} sheets came, so whether the middle of the stack is warm is not known.",
        n=one.sheets,
    )
    lies, lot_of = one.lying or (Lies.SKID.value, None)
    return StackView(
        lies=_lies_words(lies, lot_of),
        asks=ask,
        may_lay_out=not one.wrapped and Lies(lies) in (Lies.SKID, Lies.BEARERS),
    )


def _view(
    one: StoredRest,
    stack: Warmed,
    product: Product,
    is_binding: bool,
    zone: ZoneInfo,
    *,
    now: datetime,
) -> StackView:
    warming = stack.warming
    phase = warming.phase
    plan = _plan(stack) if _may_lay_out(stack) else None
    lies = _lies_words(phase.lies, phase.lot_of if phase.lies is Lies.LOTS else None)
    wrap = _wrap(stack) if stack.sweat is not None else None
    if stack.is_warm:
        return StackView(lies, answer=_warm_words(stack), basis=_basis(stack), wrap=wrap, is_warm=True)
    return StackView(
        lies=lies,
        answer=_answer(stack, plan, now=now),
        saves=_saves(plan) if plan is not None else None,
        beside=_beside(one, stack, product),
        facts=_facts(stack),
        basis=_basis(stack),
        binding=_binding_words(is_binding),
        wrap=wrap,
        section=_section(stack),
        height=_height_words(stack),
        line=_line(one, stack, zone, now=now),
        range=say("in {range}", range=_range_words(stack, now=now)),
        rest=one.rest.required or None,
        may_lay_out=_may_lay_out(stack),
    )


def _plan(stack: Warmed) -> LotsPlan | None:
    """Return what laying the stack out takes; None: that would save too little to be told."""
    plan = core.laid_out(stack.stack, stack.warming)
    return plan if plan.saves is None or plan.saves >= WORTH_LAYING_OUT else None


def _may_lay_out(stack: Warmed) -> bool:
    return stack.warming.phase.lies in (Lies.SKID, Lies.BEARERS) and not stack.is_warm


def _range_words(stack: Warmed, *, now: datetime) -> Say:
    when = stack.warming.warm_at
    return took_words(_from_now(when.earliest, now), _from_now(when.latest, now))


def _from_now(at: datetime | None, now: datetime) -> timedelta | None:
    return None if at is None else max(timedelta(0), at - now)


def _answer(stack: Warmed, plan: LotsPlan | None, *, now: datetime) -> Say:
    """Return when the middle is warm, and what laying the stack out would take."""
    values: dict[str, Value] = {
        "kelvin": _kelvins(stack.warming.tolerance_k),
        "range": _range_words(stack, now=now),
    }
    if plan is None or plan.takes.central is None:
        return say(
            "The middle of the stack comes within {kelvin} of the room in {range}.",
            **values,
        )
    return say_n(
        "The middle of the stack comes within {kelvin} of the room in {range}; laid out in a flat lot of {lot}"
        " ({sheets} sheets: one lot), about {takes}, {floor} of floor.",
        "The middle of the stack comes within {kelvin} of the room in {range}; laid out in flat lots of {lot}"
        " ({sheets} sheets: {lots} lots), about {takes}, {floor} of floor.",
        n=plan.lots,
        lots=str(apnumber(plan.lots)),
        lot=_("ten") if plan.lot_of == core.LOT_OF else str(plan.lot_of),
        sheets=stack.stack.sheets,
        takes=about(plan.takes.central),
        floor=with_unit(max(1, round(plan.floor_m2)), "m²"),
        **values,
    )


def _saves(plan: LotsPlan) -> Say:
    """Return how much sooner a stack is warm laid out, by the central constants."""
    if plan.saves is None:
        return say("Left as it lies it does not come there within two months.")
    days = round(plan.saves / DAY)
    if plan.saves < 2 * DAY:
        return say("Laying it out saves about {length}.", length=about(plan.saves))
    return say_n("Laying it out saves about {n} day.", "Laying it out saves about {n} days.", n=days)


def about(length: timedelta) -> timedelta:
    """Return a length as roughly as it is known: to the hour, below two hours to the quarter."""
    step = HOUR if length >= 2 * HOUR - QUARTER else QUARTER
    return max(step, round(length / step) * step)


def _beside(one: StoredRest, stack: Warmed, product: Product) -> Say | None:
    """Return what the rest alone warms, beside what lies here; None: no rest is asked, or it lies in lots."""
    phase = stack.warming.phase
    if not one.rest.required or phase.lies not in (Lies.SKID, Lies.BEARERS):
        return None
    most = _most(
        one.rest.required,
        product.thickness_nm,
        phase.lies,
        core.told(stack.stack.start.t_c),
        core.told(stack.warming.room_c),
        stack.warming.tolerance_k,
    )
    return say(
        "{rest} of rest warm a stack of about {central} such sheets ({low} to {high}), unwrapped. Here lie {n}.",
        rest=one.rest.required,
        central=most.central,
        low=most.low,
        high=most.high,
        n=stack.stack.sheets,
    )


@lru_cache(maxsize=256)
def _most(
    rest: timedelta, thickness_nm: int, lies: Lies, start_c: float, room_c: float, tolerance_k: float
) -> Counts:
    """Return the most sheets that a rest warms: the same for every visitor, from temperatures to the half kelvin."""
    return core.most_sheets_warmed(
        rest,
        thickness_nm=thickness_nm,
        lies=lies,
        start_c=start_c,
        room_c=room_c,
        tolerance_k=tolerance_k,
    )


def _facts(stack: Warmed) -> tuple[Named, ...]:
    warming = stack.warming
    return (
        Named(say("Room"), say("{t_c}", t_c=_celsius(warming.room_c))),
        Named(say("Top sheet"), _range_c(warming.face_c)),
        Named(say("Middle"), _range_c(warming.core_c)),
        Named(say("Came at"), _came(stack.start)),
    )


def _range_c(one: Range) -> Say:
    if one.low == one.high:
        return say("{t_c}", t_c=_celsius(one.central))
    return say(
        "about {t_c} ({low} to {high})",
        t_c=_celsius(one.central),
        low=number_words(one.low),
        high=number_words(one.high),
    )


def with_unit(figure: float, unit: str) -> str:
    """Return a figure to a tenth with its unit, which no line end parts."""
    return f"{number_words(round(figure, 1))}\N{NO-BREAK SPACE}{unit}"


def _celsius(t_c: float) -> str:
    return with_unit(t_c, "°C")


def _kelvins(difference: float) -> str:
    return with_unit(difference, "K")


def _came(start: Measured) -> Say:
    values: dict[str, Value] = {"t_c": _celsius(start.t_c), "at": start.at, "by": start.by}
    if start.place == StackReading.Place.LORRY:
        return say("{t_c} in the lorry, as told ({at}, {by})", **values)
    if start.place == StackReading.Place.CORE:
        return say("{t_c} in its middle ({at}, {by})", **values)
    return say("{t_c} on the top sheet ({at}, {by})", **values)


def _basis(stack: Warmed) -> Say:
    """Return whether a probe or the model says so, and what makes the range wide."""
    warming = stack.warming
    if warming.probe is not None:
        return say(
            "A probe in the middle read {t_c}, {at}: it overrules what is worked out. What makes the range"
            " so wide is {ruled}.",
            t_c=_celsius(warming.probe.t_c),
            at=warming.probe.at,
            ruled=ruled_words(warming.ruled_by),
        )
    return say(
        "Worked out from the room’s own readings, not measured; what makes the range so wide is {ruled}.",
        ruled=ruled_words(warming.ruled_by),
    )


def _warm_words(stack: Warmed) -> Say:
    probe = stack.warming.probe
    if probe is not None:
        return say(
            "The middle of the stack has come to the room: {t_c} by a probe.",
            t_c=_celsius(probe.t_c),
        )
    return say("The middle of the stack has come to the room, even by the slowest reckoning.")


def _binding_words(is_binding: bool) -> Say:
    if is_binding:
        return say("The rest here is not done before the middle is warm, whatever the hours say.")
    return say("Advice: the rest clock counts hours, and does not wait for the middle.")


def _lies_words(lies: str, lot_of: int | None) -> Say:
    match Lies(lies):
        case Lies.LOTS:
            return say_n(
                "Laid out, {n} sheet in a lot.", "Laid out in flat lots of {n}.", n=lot_of or core.LOT_OF
            )
        case Lies.APART:
            return say("Every sheet lies by itself.")
        case Lies.BEARERS:
            return say("In one stack on bearers, air below.")
    return say("In one stack on its skid.")


# ---- sweat ----


def _wrap(stack: Warmed) -> WrapView | None:
    """Return what to do about the wrap and the sheets below; None: nothing of it is wet or may become so."""
    sweat = stack.sweat
    assert sweat is not None
    if sweat.state is Wetness.DRY:
        return None
    act = _wrap_act(stack, sweat)
    return WrapView(act, _why(sweat), _below(sweat, stack.warming))


def _wrap_act(stack: Warmed, sweat: Sweat) -> Say:
    if not stack.warming.phase.wrapped:
        if sweat.top.state is Wetness.DRY:
            return say("The top face is dry; the sheets below are not safe yet.")
        return say("The sheets may be wet. Wipe and dry both faces before any adhesive.")
    if stack.is_too_damp:
        return say(
            "Leave the wrap on, and dry the air: in this air the sheets would sweat whenever it comes off."
        )
    if stack.open_from is not None:
        return say("Leave the wrap on until about {at}.", at=stack.open_from)
    return say("The wrap may come off; lift no sheets off one another yet.")


def _why(sweat: Sweat) -> Say:
    return say(
        "The air’s dew point is {dew}, give or take {error}; the top face is at {face}, and surely dry"
        " from {margin} above it.",
        dew=_celsius(sweat.dew_c),
        error=_kelvins(sweat.dew_error_k),
        face=_celsius(sweat.top.t_c.low),
        margin=_kelvins(sweat.margin_k),
    )


def _below(sweat: Sweat, warming: Warming) -> Say:
    """Return what a dry top face does not tell, and what to do if sheets must be lifted apart cold."""
    dry_at = sweat.inside.dry_at.latest
    humidity = max(1, int(sweat.lowest_rh_pct))
    if dry_at is None:
        return say(
            "A dry top face says nothing of the sheets below: when they may be lifted apart dry cannot be told."
            " Before that, first lower the humidity below {humidity}, or wipe and dry both faces.",
            humidity=with_unit(humidity, "%"),
        )
    return say(
        "A dry top face says nothing of the sheets below: they may be lifted apart dry from about {at}. Sooner,"
        " first lower the humidity below {humidity}, or wipe and dry both faces.",
        at=rounded_up(dry_at, HOUR if dry_at - warming.as_of > 12 * HOUR else QUARTER),
        humidity=with_unit(humidity, "%"),
    )


# ---- drawings ----


def _section(stack: Warmed) -> Section:
    phase, sheets = stack.warming.phase, stack.stack.sheets
    in_pile = {Lies.LOTS: min(phase.lot_of, sheets), Lies.APART: 1}.get(phase.lies, sheets)
    return section(
        sheet_mm=stack.stack.thickness_nm / 1_000_000,
        in_pile=in_pile,
        piles=-(-sheets // in_pile),
        on_skid=phase.lies is Lies.SKID,
        cold=_cold_part(stack.warming, both_faces=phase.lies is not Lies.SKID),
    )


def _cold_part(warming: Warming, *, both_faces: bool) -> tuple[float, float] | None:
    """Return from and to where a pile is not proven warm, 0 at its foot: by the slow constants, as a cosine."""
    middle = abs(warming.room_c - _farthest(warming.core_c, warming.room_c))
    face = abs(warming.room_c - _farthest(warming.face_c, warming.room_c))
    if middle <= warming.tolerance_k:
        return None
    if face > warming.tolerance_k:
        return 0.0, 1.0
    bend = acos(min(1.0, face / middle))
    reach = min(1.0, acos(warming.tolerance_k / middle) / bend) if bend else 1.0
    return ((1 - reach) / 2, (1 + reach) / 2) if both_faces else (0.0, reach)


def _farthest(one: Range, room_c: float) -> float:
    return max((one.low, one.high), key=lambda t_c: abs(room_c - t_c))


def _height_words(stack: Warmed) -> Say:
    phase, sheets = stack.warming.phase, stack.stack.sheets
    in_pile = {Lies.LOTS: min(phase.lot_of, sheets), Lies.APART: 1}.get(phase.lies, sheets)
    return say("{height}", height=with_unit(round(in_pile * stack.stack.thickness_nm / 1_000_000), "mm"))


def _line(one: StoredRest, stack: Warmed, zone: ZoneInfo, *, now: datetime) -> WarmLine | None:
    when = stack.warming.warm_at
    if when.earliest is None or when.latest is None:
        return None
    from_at = one.opened_at or stack.start.at
    return warm_line(
        from_at=min(from_at, now, when.earliest),
        rest=one.rest.required,
        early_at=rounded_down(when.earliest, HOUR),
        late_at=rounded_up(when.latest, HOUR),
        zone=zone,
        now=now,
    )
