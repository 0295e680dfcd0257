"""The pages of rules: products, one product, a job's overrides, and what a change would do."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.db.models import Q, QuerySet
from django.urls import reverse

from jobs.core.words import Say, Value, say, say_n
from jobs.core.worktime import time_zone
from jobs.models import Change, Job, Room, Zone
from materials.models import Product, RestOverride
from materials.rules import OVERRIDABLE, overrides_of, said_of
from scheduling import parts
from scheduling.effects import CureAs, Effects, RestAs, RestChange, RoomAs, RoomChange
from scheduling.models import RoomState
from scheduling.models.work import untranslated
from scheduling.rules.columns import BY_NAME, REST, groups_of, shown
from scheduling.rules.subjects import panels_of

#: What a preview lists; the rest is counted.
ROOMS_AT_ONCE = 100


@dataclass(frozen=True, slots=True)
class RuleLine:
    """One column of a rule and what it says; `note`: where that comes from, where it is not the record's own."""

    label: Say
    value: Value
    note: Say | None = None


@dataclass(frozen=True, slots=True)
class RuleGroup:
    """Lines under one heading; `key` makes its id."""

    key: str
    title: Say
    lines: tuple[RuleLine, ...]


@dataclass(frozen=True, slots=True)
class ProductLine:
    """A product in the list."""

    product: Product
    kind: str
    rest: Say
    air: Say
    setting: Say


@dataclass(frozen=True, slots=True)
class ProductPage:
    """All that a product's page shows."""

    product: Product
    answer: Say
    groups: tuple[RuleGroup, ...]
    #: Jobs that ask otherwise.
    jobs: tuple[Job, ...]
    history: tuple[parts.LogRow, ...]


@dataclass(frozen=True, slots=True)
class AskedOf:
    """A panel on a job: what is asked of its rest there, and whose word each part is."""

    name: Say
    url: str
    lines: tuple[RuleLine, ...]


@dataclass(frozen=True, slots=True)
class JobRulesPage:
    """All that the page of a job's rules shows."""

    job: Job
    zone: ZoneInfo
    answer: Say
    overall: AskedOf
    panels: tuple[AskedOf, ...]
    zones: tuple[tuple[Zone, Say], ...]
    history: tuple[parts.LogRow, ...]


@dataclass(frozen=True, slots=True)
class PreviewPage:
    """What a change would do, before it is saved."""

    answer: Say
    trouble: tuple[Say, ...]
    good: tuple[Say, ...]
    edits: parts.Ledger
    rooms: parts.Ledger | None
    touched: Say


# ---- products ----


def products_page() -> tuple[ProductLine, ...]:
    """Return every product with its rule in short, panels first."""
    order = {kind: at for at, kind in enumerate(Product.Kind.values)}
    products = sorted(Product.objects.all(), key=lambda one: (order[one.kind], one.name.casefold()))
    return tuple(
        ProductLine(one, one.get_kind_display(), _rest_in_short(one), _air_in_short(one), _setting(one))
        for one in products
    )


def product_page(product: Product) -> ProductPage:
    """Return what the page of a product shows."""
    groups = tuple(
        RuleGroup(
            group.columns[0].name,
            group.title,
            tuple(
                RuleLine(column.label, shown(column, getattr(product, column.name)))
                for column in group.columns
            ),
        )
        for group in groups_of(product)
    )
    answer = _rest_in_short(product) if product.is_panel else _setting(product)
    changes = Change.objects.filter(record="materials.product", record_pk=str(product.pk))
    return ProductPage(product, answer, groups, tuple(_jobs_otherwise(product)), history_of(changes))


def _jobs_otherwise(product: Product) -> QuerySet[Job]:
    """Return the jobs with this panel that ask something else of it, by a word on it or on every panel."""
    asks = (Q(requirements__product=product), Q(placements__product=product))
    with_it = Q(rooms__in=Room.objects.filter(asks[0] | asks[1])) | Q(orders__lines__product=product)
    overrides = RestOverride.objects.filter(
        Q(product=product) | Q(product__isnull=True, job__in=Job.objects.filter(with_it))
    )
    jobs = {one.job_id for one in overrides if list(_own_lines(one))}
    return Job.objects.filter(pk__in=jobs).order_by("number")


def _rest_in_short(product: Product) -> Say:
    if not product.is_panel:
        return say("No panel: it does not rest.")
    if not product.rest_required_s:
        return say("No rest is asked.")
    needed = timedelta(seconds=product.rest_required_s)
    after = timedelta(seconds=product.rest_restart_after_s)
    if product.rest_restart_on == Product.RestartOn.ANY:
        return say("Rests {needed}. Out of band over {after} starts it again.", needed=needed, after=after)
    return say(
        "Rests {needed}. Temperature out of band over {after} starts it again.", needed=needed, after=after
    )


def _air_in_short(product: Product) -> Say:
    if not product.is_panel:
        return say("not asked")
    return band_words(product)


def band_words(band: Product | Zone) -> Say:
    """Return a product's limits or a zone's band as one says it."""
    return say(
        "{t_min}–{t_max} °C, {rh_min}–{rh_max} %",
        t_min=band.t_min,
        t_max=band.t_max,
        rh_min=band.rh_min,
        rh_max=band.rh_max,
    )


def _setting(product: Product) -> Say:
    if product.set_t_min is None or product.set_t_max is None:
        return say("The label asks nothing of the air.")
    assert product.set_rh_min is not None
    assert product.set_rh_max is not None
    return say(
        "Set in {t_min}–{t_max} °C and {rh_min}–{rh_max} %.",
        t_min=product.set_t_min,
        t_max=product.set_t_max,
        rh_min=product.set_rh_min,
        rh_max=product.set_rh_max,
    )


# ---- a job's rules ----


def job_rules_page(job: Job) -> JobRulesPage:
    """Return what a job asks instead of its products, and of its air."""
    overrides = overrides_of([job.pk]).get(job.pk, ())
    overall = next((one for one in overrides if one.product_id is None), None)
    panels = tuple(_asked_of(job, product, overrides) for product in panels_of(job))
    zones = tuple((zone, band_words(zone)) for zone in Zone.objects.filter(job=job).order_by("name"))
    return JobRulesPage(
        job=job,
        zone=time_zone(job.site.time_zone),
        answer=_job_answer(overrides),
        overall=AskedOf(
            say("Every panel of this job"),
            reverse("scheduling:job_rule", args=[job.pk]),
            tuple(_own_lines(overall)),
        ),
        panels=panels,
        zones=zones,
        history=history_of(_changes_of_job(job, overrides, [zone for zone, _band in zones])),
    )


def _job_answer(overrides: Iterable[RestOverride]) -> Say:
    says = [one for one in overrides if list(_own_lines(one))]
    if not says:
        return say("Every panel rests here as its product says.")
    return say_n(
        "One rule of this job goes before what its products say.",
        "{n} rules of this job go before what its products say.",
        n=len(says),
    )


def _own_lines(override: RestOverride | None) -> Iterable[RuleLine]:
    """Yield the columns that an override itself fills in."""
    for column in REST:
        value = getattr(override, column.name, None)
        if value is not None and value != "":
            yield RuleLine(column.label, shown(column, value))


def _asked_of(job: Job, product: Product, overrides: Sequence[RestOverride]) -> AskedOf:
    lines = []
    for column in REST:
        said = said_of(column.name, product, overrides)
        note = None
        if said.by is not None:
            every = say("this job’s, for every panel")
            note = every if said.by.product_id is None else say("this job’s")
        lines.append(RuleLine(column.label, shown(column, said.value), note))
    url = reverse("scheduling:job_product_rule", args=[job.pk, product.pk])
    return AskedOf(say("{name}", name=product.name), url, tuple(lines))


def _changes_of_job(job: Job, overrides: Iterable[RestOverride], zones: Iterable[Zone]) -> QuerySet[Change]:
    of_job = Q(record="jobs.job", record_pk=str(job.pk), after__has_key="accepts_statements")
    of_overrides = Q(record="materials.restoverride", record_pk__in=[str(one.pk) for one in overrides])
    of_zones = Q(record="jobs.zone", record_pk__in=[str(one.pk) for one in zones])
    return Change.objects.filter(of_job | of_overrides | of_zones)


# ---- history ----


def history_of(changes: QuerySet[Change]) -> tuple[parts.LogRow, ...]:
    """Return the changes of rules, latest first: what, from what to what, who, when and why."""
    names = _Names()
    rows = []
    for one in changes.select_related("by").order_by("-at", "-pk"):
        by = one.by.name if one.by is not None else say("whoever set this up")
        detail = say("{by}: {reason}", by=by, reason=one.reason) if one.reason else say("{by}", by=by)
        fact = _edit_words(one)
        if fact is not None:
            name = names.of(one)
            rows.append(
                parts.LogRow(
                    at=one.at,
                    fact=say("{name}. {edits}", name=name, edits=fact) if name else fact,
                    detail=detail,
                    key=f"change-{one.pk}",
                )
            )
    return tuple(rows)


class _Names:
    """What the records of a job's history are called; a product's own page need not say."""

    def __init__(self) -> None:
        self._names: dict[tuple[str, str], str | Say] = {}

    def of(self, change: Change) -> str | Say | None:
        if change.record == "jobs.zone":
            return self._name(change, lambda: Zone.objects.get(pk=change.record_pk).name)
        if change.record == "materials.restoverride":
            return self._name(change, lambda: _override_name(change.record_pk))
        return None

    def _name(self, change: Change, find: Any) -> str | Say:
        key = (change.record, change.record_pk)
        if key not in self._names:
            self._names[key] = find()
        return self._names[key]


def _override_name(pk: str) -> str | Say:
    override = RestOverride.objects.select_related("product").get(pk=pk)
    return override.product.name if override.product is not None else say("Every panel of this job")


def _edit_words(change: Change) -> Say | None:
    """Return what a change did to the columns of rules; None: it was of something else."""
    if not change.before:
        return _added_words(change)
    edits = tuple(
        say(
            "{name}: {before} → {after}",
            name=BY_NAME[name].label,
            before=_read(change, name, before),
            after=_read(change, name, change.after.get(name)),
        )
        for name, before in change.before.items()
        if name in BY_NAME
    )
    return say("{edits}.", edits=edits) if edits else None


def _added_words(change: Change) -> Say | None:
    if change.record == "jobs.job":
        return None
    if change.record != "materials.restoverride":
        return say("Added.")
    said = tuple(
        say("{name}: {value}", name=BY_NAME[name].label, value=shown(BY_NAME[name], change.after[name]))
        for name in OVERRIDABLE
        if change.after.get(name) not in (None, "")
    )
    return say("Added: {said}.", said=said) if said else say("Added.")


def _read(change: Change, name: str, value: Any) -> Value:
    if change.record == "materials.restoverride" and (value is None or value == ""):
        return say("as the product")
    return shown(BY_NAME[name], value)


# ---- what a change would do ----


def preview_page(record: Any, changes: dict[str, Any], effects: Effects) -> PreviewPage:
    """Return what a change would do, in words and row by row."""
    rooms = effects.rooms
    counts = _counts(rooms)
    answer = say("Nothing changes in any room.")
    if rooms:
        answer = say_n("One room changes.", "{n} rooms change.", n=len(rooms))
    touched = say_n("It touches one open room.", "It touches {n} open rooms.", n=effects.touched)
    if not effects.touched:
        touched = say("It touches no open room.")
    return PreviewPage(
        answer=answer,
        trouble=tuple(words for words, is_bad in counts if is_bad),
        good=tuple(words for words, is_bad in counts if not is_bad),
        edits=_edits(record, changes),
        rooms=_rooms_ledger(rooms) if rooms else None,
        touched=touched,
    )


def _counts(rooms: Sequence[RoomChange]) -> list[tuple[Say, bool]]:
    """Return what is said first, and whether it is to be feared."""
    lost = sum(one.loses_fit for one in rooms)
    gained = sum(one.gains_fit for one in rooms)
    days_lost = sum(one.loses_day for one in rooms)
    days_gained = sum(one.gains_day for one in rooms)
    restarts = sum(rest.after.restarts > rest.before.restarts for one in rooms for rest in one.rests)
    upset = sum(_is_upset(one) for one in rooms)
    spared = sum(rest.after.restarts < rest.before.restarts for one in rooms for rest in one.rests)
    every = (
        (lost, "One room is no longer fit to send.", "{n} rooms are no longer fit to send.", True),
        (days_lost, "One promised day is out of reach.", "{n} promised days are out of reach.", True),
        (restarts, "One rest went back to zero.", "{n} rests went back to zero.", True),
        (
            upset,
            "In one room the air after the setting turns out to be out of band.",
            "In {n} rooms the air after the setting turns out to be out of band.",
            True,
        ),
        (gained, "One room becomes fit to send.", "{n} rooms become fit to send.", False),
        (days_gained, "One promised day comes into reach.", "{n} promised days come into reach.", False),
        (spared, "One rest is spared its new start.", "{n} rests are spared their new start.", False),
    )
    return [(say_n(one, many, n=n), is_bad) for n, one, many, is_bad in every if n]


def _is_upset(one: RoomChange) -> bool:
    before, after = one.cures or (None, None)
    return after is not None and after.is_upset and not (before is not None and before.is_upset)


def _edits(record: Any, changes: dict[str, Any]) -> parts.Ledger:
    is_override = isinstance(record, RestOverride)

    def read(name: str, value: Any) -> Value:
        if is_override and (value is None or value == ""):
            return say("as the product")
        return shown(BY_NAME[name], value)

    rows = tuple(
        parts.LedgerRow(
            (
                parts.Entry(BY_NAME[name].label),
                parts.Entry(read(name, getattr(record, name))),
                parts.Entry(read(name, value)),
            )
        )
        for name, value in changes.items()
    )
    heads = (parts.Head(say("Rule")), parts.Head(say("As it stands")), parts.Head(say("As it would be")))
    return parts.Ledger(say("What is changed"), heads, rows)


def _rooms_ledger(rooms: Sequence[RoomChange]) -> parts.Ledger:
    listed = sorted(rooms, key=lambda one: (not one.loses_day, not one.loses_fit, not one.gains_fit))
    heads = (
        parts.Head(say("Room")),
        parts.Head(say("Promised")),
        parts.Head(say("Stands")),
        parts.Head(say("Rest proven")),
        parts.Head(say("Back to zero")),
        parts.Head(say("Rest complete")),
        parts.Head(say("Fit to send from")),
    )
    return parts.Ledger(
        say("Rooms that change"),
        heads,
        tuple(_room_row(one) for one in listed[:ROOMS_AT_ONCE]),
        left_out=max(0, len(listed) - ROOMS_AT_ONCE),
    )


def _room_row(one: RoomChange) -> parts.LedgerRow:
    url = reverse("scheduling:room", args=[one.room.pk])
    return parts.LedgerRow(
        (
            parts.Entry(one.room.name, note=one.room.job.name, url=url),
            parts.Entry(_day(one), note=_day_note(one)),
            parts.Entry(
                _moved(_stands(one, one.before), _stands(one, one.after)),
                note=_cure_note(one),
                risk=one.loses_fit,
            ),
            parts.Entry(_rests(one.rests, _proven_of)),
            parts.Entry(_rests(one.rests, _restarts_of)),
            parts.Entry(_rests(one.rests, _full_of)),
            parts.Entry(_moved(_fit_from(one, one.before), _fit_from(one, one.after)), risk=one.loses_day),
        ),
        key=f"room-{one.room.pk}",
    )


def _cure_note(one: RoomChange) -> Say | None:
    """Return what the change alters after the setting; None: nothing."""
    if one.cures is None:
        return None
    before, after = (_cure_words(cure) for cure in one.cures)
    return say("After the setting: {before} → {after}", before=before, after=after)


def _cure_words(cure: CureAs | None) -> Say:
    if cure is None:
        return say("nothing is asked of the air")
    until = say("air in band until {at}", at=cure.until_at)
    if cure.spells:
        until = say_n("{until}, once out of it", "{until}, {n} times out of it", n=cure.spells, until=until)
    if cure.washing_from is not None:
        until = say("{until}, washed down from {at}", until=until, at=cure.washing_from)
    if cure.cooling_from is not None:
        until = say("{until}, cooled from {at}", until=until, at=cure.cooling_from)
    return until


def _day_note(one: RoomChange) -> Say | None:
    if one.loses_day:
        return say("out of reach")
    return say("comes into reach") if one.gains_day else None


def _day(one: RoomChange) -> Value:
    if one.stage != RoomState.Stage.WAITING:
        return say("begun")
    return one.day if one.day is not None else say("no day given out")


def _stands(room: RoomChange, one: RoomAs) -> Value:
    if room.stage == RoomState.Stage.FINISHED:
        return say("Finished")
    if room.stage == RoomState.Stage.STARTED:
        return say("Started")
    if one.released:
        return say("Released")
    if one.fit:
        return say("Fit to send")
    return say("Held by {holds}", holds=tuple(Say(untranslated(kind.value)) for kind in one.held))


def _fit_from(room: RoomChange, one: RoomAs) -> Value:
    if room.stage != RoomState.Stage.WAITING:
        return say("begun")
    if one.fit:
        return say("now")
    return one.fit_at if one.fit_at is not None else say("not known")


def _rests(rests: Sequence[RestChange], part: Any) -> Value:
    """Return one part of each rest, before and after; of several with the batch it is of."""
    if not rests:
        return say("as before")
    said = [_moved(part(one.before), part(one.after)) for one in rests]
    if len(rests) == 1:
        return said[0]
    return tuple(
        say("{batch}: {said}", batch=one.batch, said=words) for one, words in zip(rests, said, strict=True)
    )


def _proven_of(one: RestAs) -> Value:
    if not one.required:
        return say("none is asked")
    return say("{proven} of {required}", proven=one.proven, required=one.required)


def _restarts_of(one: RestAs) -> Value:
    return say_n("once", "{n} times", n=one.restarts) if one.restarts else say("never")


def _full_of(one: RestAs) -> Value:
    if not one.required:
        return say("at once")
    return one.full_at if one.full_at is not None else say("not known")


def _moved(before: Value, after: Value) -> Value:
    return before if before == after else say("{before} → {after}", before=before, after=after)
