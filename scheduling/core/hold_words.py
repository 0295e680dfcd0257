"""Every sentence that a hold says: what stands, and the fact that proves it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from decimal import Decimal

from jobs.core.conditions import Band
from jobs.core.words import Say, Value, say, say_n
from scheduling.core.as_found import Checked, Standing, Stock, Stored, next_delivery, worst
from scheduling.core.moment import Moment
from scheduling.core.room_facts import (
    ColdStack,
    Conditions,
    Delivery,
    Lot,
    Milestone,
    Need,
    Placement,
    PlacementRest,
    Reading,
    Requirement,
    RestState,
    RoomFacts,
    Waiver,
    Wetting,
)

#: More than so many names make a sentence longer than a line.
MOST_NAMED = 3


def noted(at: datetime, by: str) -> Say:
    """Return who said something and when, or only when."""
    return say("{by}, {at}", by=by, at=at) if by else say("{at}", at=at)


def promised(at: datetime, by: str) -> Say:
    """Return for when something is promised, and by whom if that is known."""
    return say("{at}, {by}", by=by, at=at) if by else say("{at}", at=at)


def waived(proof: Say | None, waiver: Waiver) -> Say:
    """Return the proof of a hold with the waiver that lies over it."""
    if waiver.by:
        signed = say("Waived {at} by {by}: “{reason}”", at=waiver.at, by=waiver.by, reason=waiver.reason)
    else:
        signed = say("Waived {at}: “{reason}”", at=waiver.at, reason=waiver.reason)
    return say("{proof}. {signed}", proof=proof, signed=signed) if proof else signed


# ---- work by others


def works(milestones: Iterable[Milestone]) -> tuple[Value, ...]:
    """Return what the milestones are called."""
    return tuple(milestone.label for milestone in milestones)


def last_work(milestones: Iterable[Milestone]) -> Say:
    """Return which work was done last."""
    done = [(one.done_at, one.id, one) for one in milestones if one.done_at]
    at, _, last = max(done, key=lambda entry: entry[:2])
    return say("Last was {work}: {noted}", work=last.label, noted=noted(at, last.by))


def work_promised(waits: Sequence[Milestone], moment: Moment) -> Say:
    """Return what was promised for the work that is not done: no date, a date that is past, or the last date."""
    undated = [one for one in waits if one.expected_at is None]
    if undated:
        return say("No date given for {works}", works=works(undated))
    dated = [(one.expected_at, one.id, one) for one in waits if one.expected_at]
    past = [entry for entry in dated if moment.expectation(entry[0]) is None]
    at, _, last = max(past or dated, key=lambda entry: entry[:2])
    if past:
        return say("Promised: {work} for {when}; that is past", work=last.label, when=promised(at, last.by))
    return say("Promised: {work} for {when}", work=last.label, when=promised(at, last.by))


# ---- substrate


def checks_passed(checked: Sequence[Checked]) -> Say:
    """Say that prep is done."""
    return say_n("The one prep check passed.", "All {n} prep checks passed.", n=len(checked))


def last_check(checked: Iterable[Checked]) -> Say:
    """Return which check was made last."""
    last = max(checked, key=lambda one: (one.latest[0].at, one.latest[0].id))
    record = last.latest[0]
    return say("Last was {check}: {noted}", check=last.check.label, noted=noted(record.at, record.by))


def checks_to_do(to_do: Sequence[Checked]) -> Say:
    """Say what prep lacks; one check that failed speaks for itself where its finding does."""
    failed = to_do[0].failed
    if len(to_do) == 1 and failed and failed[0].finding:
        return say("{finding}", finding=failed[0].finding)
    known = [one for one in to_do if one.failed or one.undone]
    unmade = [one for one in to_do if not (one.failed or one.undone)]
    parts = [_check_to_do(one) for one in known]
    if len(unmade) > MOST_NAMED:
        parts.append(say("{n} checks have not been made", n=len(unmade)))
    else:
        parts += [_check_to_do(one) for one in unmade]
    return say("Prep is not done: {checks}.", checks=tuple(parts))


def checks_to_make(to_do: Sequence[Checked]) -> Say:
    """Return the act that clears them: by name, or by count where a list would be longer than a line."""
    if len(to_do) > MOST_NAMED:
        return say("Make {n} prep checks", n=len(to_do))
    return say("Check {checks}", checks=tuple(one.check.label for one in to_do))


def _check_to_do(one: Checked) -> Say:
    if one.failed:
        return say("{check} failed", check=one.check.label)
    if one.undone:
        return say("{check} passed before the wall got wet", check=one.check.label)
    return say("{check} has not been checked", check=one.check.label)


def check_failed(to_do: Iterable[Checked], wet: Sequence[Wetting]) -> Say | None:
    """Return the last failure, or else the water that undid a check; None: nobody has checked."""
    failed = [one for one in to_do if one.failed]
    if failed:
        last = max(failed, key=lambda one: (one.failed[0].at, one.failed[0].id))
        record = last.failed[0]
        return say("Failed: {check}; {noted}", check=last.check.label, noted=noted(record.at, record.by))
    return say("Wet: {noted}", noted=noted(wet[0].at, wet[0].by)) if wet else None


# ---- panels on site


def enough_stands(stock: Stock) -> Say:
    """Say that enough good sheets stand here."""
    if len(stock.needs) > 1:
        products = tuple(_count(need, stock) for need in stock.needs)
        return say("Enough good sheets of every product stand here: {products}.", products=products)
    need = stock.needs[0]
    good, batches = stock.good(need), len({batch for batch, sheets in stock.counts(need) if sheets})
    if stock.needs_mix(need):
        return say(
            "{good} good sheets stand here, {needed} needed, of {batches} batches whose mix is acknowledged.",
            good=good,
            needed=need.sheets,
            batches=batches,
        )
    if need.one_batch and batches == 1:
        return say_n(
            "One good sheet stands here, {needed} needed.",
            "{n} good sheets stand here, {needed} needed, all one batch.",
            n=good,
            needed=need.sheets,
        )
    return say_n(
        "One good sheet stands here, {needed} needed.",
        "{n} good sheets stand here, {needed} needed.",
        n=good,
        needed=need.sheets,
    )


def _count(need: Requirement, stock: Stock) -> Say:
    return say("{product} {good} of {needed}", good=stock.good(need), needed=need.sheets, product=need.label)


def short(needs: Sequence[Requirement], stock: Stock) -> Say:
    """Say how many sheets lack, or that no batch is enough."""
    if len(needs) > 1:
        return say("Short of {products}.", products=tuple(_lack(need, stock) for need in needs))
    need, good = needs[0], stock.good(needs[0])
    if not good:
        return say_n(
            "The one sheet needed is not here.", "None of the {n} sheets needed is here.", n=need.sheets
        )
    if good >= need.sheets:
        return say(
            "{good} good sheets stand here, but no batch has the {needed} needed.",
            good=good,
            needed=need.sheets,
        )
    return say_n(
        "One good sheet stands here, {needed} needed: {lack} short.",
        "{n} good sheets stand here, {needed} needed: {lack} short.",
        n=good,
        needed=need.sheets,
        lack=need.sheets - good,
    )


def _lack(need: Requirement, stock: Stock) -> Say:
    lack = need.sheets - stock.good(need)
    if lack <= 0:
        return say("one batch with {needed} of {product}", needed=need.sheets, product=need.label)
    return say("{lack} of {product}", lack=lack, product=need.label)


def placed(standing: Sequence[Standing]) -> Say:
    """Return how many were placed, and what was rejected since."""
    sheets, good = sum(one.placement.sheets for one in standing), sum(one.count[1] for one in standing)
    last = max((one.placement for one in standing), key=lambda placement: (placement.in_at, placement.id))
    when = noted(last.in_at, last.by)
    if good == sheets:
        return say("{placed} placed; {noted}", placed=sheets, noted=when)
    return say(
        "{placed} placed, {rejected} of them rejected; {noted}",
        placed=sheets,
        rejected=sheets - good,
        noted=when,
    )


def placed_and_coming(need: Requirement, stock: Stock, deliveries: Iterable[Delivery]) -> Say:
    """Return what of a product was placed, and what comes next."""
    mine = [one for one in stock.standing if one.product == need.product]
    here = placed(mine) if mine else say("None placed yet")
    due = next_delivery(delivery for delivery in deliveries if delivery.product == need.product)
    return say("{here}. {coming}", here=here, coming=_coming(due))


def _coming(due: Delivery | None) -> Say:
    if due is None:
        return say("None on the way")
    if due.expected_at is None:
        return say("No date given for the {sheets} on order", sheets=due.sheets)
    return say("{sheets} due {when}", sheets=due.sheets, when=promised(due.expected_at, due.by))


# ---- inspection


def all_seen(stock: Stock) -> Say:
    """Say how many sheets were looked at, all or enough."""
    here = sum(one.placement.sheets for one in stock.standing)
    looked_at = sum(one.placement.sheets for one in stock.standing if one.seen)
    rejected = looked_at - sum(one.count[1] for one in stock.standing if one.seen)
    if not all(one.seen for one in stock.standing):
        return say(
            "{looked_at} of {here} sheets were looked at, front and back, and that is enough.",
            looked_at=looked_at,
            here=here,
        )
    if rejected:
        return say_n(
            "The one sheet here was looked at, front and back, and rejected.",
            "All {n} sheets here were looked at, front and back: {rejected} rejected.",
            n=here,
            rejected=rejected,
        )
    return say_n(
        "The one sheet here was looked at, front and back.",
        "All {n} sheets here were looked at, front and back.",
        n=here,
    )


def not_seen(stock: Stock) -> Say:
    """Say how many sheets are still to be looked at."""
    if not stock.standing:
        return say("There are no sheets here to look at.")
    unseen = [one for one in stock.standing if not one.seen]
    if not unseen:
        missing = tuple(need.label for need in stock.needs if not stock.counts(need))
        return say("Of {products} nothing is here to look at.", products=missing)
    here, lack = sum(one.placement.sheets for one in stock.standing), sum(one.unseen for one in unseen)
    if lack:
        return say_n(
            "One of {here} sheets has not been looked at, front and back.",
            "{n} of {here} sheets have not been looked at, front and back.",
            n=lack,
            here=here,
        )
    return say_n(
        "The maker’s mark on the back was not seen on one of {here} sheets.",
        "The maker’s mark on the back was not seen on {n} of {here} sheets.",
        n=sum(one.placement.sheets for one in unseen),
        here=here,
    )


def last_count(standing: Sequence[Standing]) -> Say | None:
    """Return the last inspection; None: there is nothing to inspect."""
    counts = [one.latest for one in standing if one.latest]
    if counts:
        last = max(counts, key=lambda count: (count.at, count.id))
        return say("Last count: {noted}", noted=noted(last.at, last.by))
    return say("No count yet. {placed}", placed=placed(standing)) if standing else None


# ---- rest


def rested(standing: Sequence[Standing], facts: RoomFacts) -> Say:
    """Say that the sheets have their rest."""
    full = max(one.placement.rest.required or facts.rest_required for one in standing)
    return say_n(
        "One sheet has its full {full} of rest.",
        "{n} sheets have their full {full} of rest.",
        n=sum(one.count[1] for one in standing),
        full=full,
    )


def proven(standing: Iterable[Standing]) -> Say | None:
    """Return when the last of them was proven."""
    instants = [one.placement.rest.proven_at for one in standing if one.placement.rest.proven_at]
    return say("Proven {at}", at=max(instants)) if instants else None


def not_rested(unrested: Sequence[Standing], asked: Sequence[Standing], facts: RoomFacts) -> Say:
    """Say how far the rest is of what is furthest behind."""
    if not asked:
        return say("There are no sheets here to rest.")
    if not unrested:
        return say_n(
            "One sheet has its full rest; more have to come first.",
            "{n} sheets have their full rest; more have to come first.",
            n=sum(one.count[1] for one in asked),
        )
    slowest = _slowest(unrested)
    how = _rest(slowest, facts)
    if len(unrested) == 1:
        return how
    return say(
        "Slowest of {n} placements, batch {batch}: {how}", n=len(unrested), batch=slowest.batch, how=how
    )


def _slowest(unrested: Iterable[Standing]) -> Placement:
    """Return the placement that is furthest behind: wrapped, cold in the middle, or with the least proven."""
    return min(
        (one.placement for one in unrested),
        key=lambda placement: (
            not placement.wrapped,
            placement.rest.cold is None,
            placement.rest.proven or timedelta(0),
            placement.id,
        ),
    )


def _rest(placement: Placement, facts: RoomFacts) -> Say:
    rest = placement.rest
    full, so_far = rest.required or facts.rest_required, rest.proven or timedelta(0)
    if placement.wrapped:
        return say_n(
            "One sheet is still wrapped, so its rest has not begun.",
            "{n} sheets are still wrapped, so their rest has not begun.",
            n=placement.sheets,
        )
    if rest.cold is not None:
        return _cold(rest, rest.cold, full=full, so_far=so_far)
    if rest.state is RestState.NOT_STARTED:
        return say("Nothing of {full} is proven.", full=full)
    if rest.state is RestState.PAUSED:
        return say("{proven} of {full} proven; the clock stands still.", proven=so_far, full=full)
    # Not by how much is provisional: that grows with the clock, and the words would change with no end to them.
    if rest.read_again_by and rest.last_reading_at:
        return say(
            "{proven} of {full} proven; what came after the reading of {at} is provisional.",
            proven=so_far,
            full=full,
            at=rest.last_reading_at,
        )
    return say("{proven} of {full} proven, and counting.", proven=so_far, full=full)


def _cold(rest: PlacementRest, cold: ColdStack, *, full: timedelta, so_far: timedelta) -> Say:
    """Say that the hours alone are not enough: the middle of the stack must have come to the room."""
    hours = {"proven": full if rest.state is RestState.PROVEN else so_far, "full": full}
    if not cold.measured:
        return say(
            "{proven} of {full} proven, but nobody has said how cold the stack came: its middle may be cold.",
            **hours,
        )
    if cold.until is None:
        return say(
            "{proven} of {full} proven, but the middle of the stack is cold, for longer than can be told.",
            **hours,
        )
    return say(
        "{proven} of {full} proven, but the middle of the stack may be cold until {until}.",
        until=cold.until,
        **hours,
    )


def last_reading(unrested: Sequence[Standing]) -> Say | None:
    """Return the last reading where the slowest placement stands, and when the next must come."""
    if not unrested:
        return None
    slowest = _slowest(unrested)
    last, again = slowest.rest.last_reading_at, slowest.rest.read_again_by
    if last and again:
        return say("Last reading {at}; the next must come by {by}", at=last, by=again)
    if last:
        return say("Last reading {at}", at=last)
    return say("{placed} placed; {noted}", placed=slowest.sheets, noted=noted(slowest.in_at, slowest.by))


# ---- room conditions


def air(reading: Reading) -> Say:
    """Say that the air is right."""
    return say("{t_c} °C and {rh_pct} %, both inside the band.", t_c=reading.t_c, rh_pct=reading.rh_pct)


def stale_air(readings: Sequence[Reading]) -> Say:
    """Say that nobody knows the air any more, or yet."""
    if not readings:
        return say("Nobody has read the air here.")
    return say(
        "{t_c} °C and {rh_pct} % were inside the band, but that reading is too old.",
        t_c=readings[0].t_c,
        rh_pct=readings[0].rh_pct,
    )


def bad_air(readings: Sequence[Reading], band: Band) -> Say:
    """Say what is wrong with the air, the temperature first."""
    reading = worst(readings, band)
    if reading.t_c < band.t_min:
        return say("Too cold: {t_c} °C, at least {least} °C wanted.", t_c=reading.t_c, least=band.t_min)
    if reading.t_c > band.t_max:
        return say("Too warm: {t_c} °C, at most {most} °C wanted.", t_c=reading.t_c, most=band.t_max)
    if reading.rh_pct < band.rh_min:
        return say(
            "Too dry: {rh_pct} %, at least {least} % wanted.", rh_pct=reading.rh_pct, least=band.rh_min
        )
    return say("Too damp: {rh_pct} %, at most {most} % wanted.", rh_pct=reading.rh_pct, most=band.rh_max)


def read(reading: Reading, conditions: Conditions) -> Say:
    """Return who read the air and when, and of air that is right until when that speaks for it."""
    if conditions.band and not conditions.band.admits(reading.t_c, reading.rh_pct):
        return noted(reading.at, reading.by)
    until = reading.at + conditions.fresh
    return say("{noted}; good until {until}", noted=noted(reading.at, reading.by), until=until)


# ---- consumables


def in_store(items: Iterable[Stored]) -> Say:
    """Say what is here of each item."""
    return say("Here and in date: {items}.", items=tuple(_item(item) for item in items))


def _item(item: Stored) -> Say:
    here, needed = _figure(item.here), _figure(item.need.qty)
    if item.need.unit:
        return say(
            "{here} of {needed} {unit} {item}",
            item=item.need.label,
            here=here,
            needed=needed,
            unit=item.need.unit,
        )
    return say("{here} of {needed} {item}", item=item.need.label, here=here, needed=needed)


def lacking(items: Sequence[Stored]) -> Say:
    """Say what lacks, and why what is here may not do."""
    unfit = [lot.unfit for item in items for lot in item.unfit if lot.unfit]
    if unfit:
        return say(
            "Short of {amounts}; what is here does not fit: {why}.", amounts=lacks(items), why=unfit[0]
        )
    return say("Short of {amounts}.", amounts=lacks(items))


def lacks(items: Iterable[Stored]) -> tuple[Value, ...]:
    """Return how much lacks of each item."""
    return tuple(_amount(item.lack, item.need) for item in items)


def _amount(qty: Decimal, need: Need) -> Say:
    if need.unit:
        return say("{qty} {unit} of {item}", qty=_figure(qty), unit=need.unit, item=need.label)
    return say("{qty} {item}", qty=_figure(qty), item=need.label)


def _figure(qty: Decimal) -> int | float:
    return int(qty) if qty == qty.to_integral_value() else float(qty)


def last_lot(items: Iterable[Stored]) -> Say | None:
    """Return which lot came last, and when the first goes out of date; None: nothing is needed of anything."""
    lots = [lot for item in items for lot in item.good]
    if not lots:
        return None
    last = max(lots, key=lambda lot: (lot.on_site_at, lot.id))
    came = noted(last.on_site_at, last.by)
    ends = [lot.good_through for lot in lots if lot.good_through]
    return say("In date to {day}; {noted}", day=min(ends), noted=came) if ends else came


def out_of_date(items: Sequence[Stored], planned_start: datetime | None) -> Say:
    """Return the first lot that is too old on the day, or else what is here."""
    outdated = [(item.need, lot) for item in items for lot in item.outdated]
    if not outdated:
        return say("Here and in date: {items}", items=tuple(_item(item) for item in items))
    return _too_old(*outdated[0], planned_start)


def _too_old(need: Need, lot: Lot, planned_start: datetime | None) -> Say:
    assert lot.good_through is not None
    amount = _amount(lot.qty, need)
    if planned_start is None:
        return say("{amount} went out of date after {end}", amount=amount, end=lot.good_through)
    return say(
        "{amount} is good to {end} only; it is wanted on {at}",
        amount=amount,
        end=lot.good_through,
        at=planned_start,
    )
