"""The wood on the backs of panels: what pins read, what the maker allows, and where the room's air draws it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from uuid import UUID

from jobs.core.wood import ERROR_POINTS, SettledMoisture, hours_words, settled_moisture_over
from jobs.core.words import Say, Value, say
from materials.models import Product
from materials.stack_queries import Damp, last_moistures
from scheduling.pages.stack import with_unit
from scheduling.printing import number_words
from scheduling.warmth import NO_AIR, hourly_air

#: Over how long a zone's air is averaged: wood follows days, not hours.
LAST_DAYS = timedelta(days=3)
#: The rest that people speak of.
A_DAY = timedelta(hours=24)
#: Between readings further apart than this nothing is known of the air.
LONGEST_GAP = timedelta(hours=18)


@dataclass(frozen=True, slots=True)
class WoodView:
    """What is known of the wood of one placement of backed panels."""

    read: Say
    limits: Say
    #: What is wrong with it; None: nothing is, or nobody has read it.
    trouble: Say | None
    #: Where the air of the last days draws it; None: nobody has read the air.
    drawn_to: Say | None
    #: Why a rest does not prove it.
    hours: Say


def settled_in(zone: int, *, now: datetime) -> SettledMoisture | None:
    """Return the moisture to which a zone's air of the last days draws wood; None: too little of it was read."""
    air = hourly_air({zone}, now - LAST_DAYS).get(zone, NO_AIR)
    return settled_moisture_over(
        air.at, air.t_c, air.rh_pct, from_at=now - LAST_DAYS, to_at=now, max_gap=LONGEST_GAP
    )


def settled_words(settled: SettledMoisture | None) -> Say | None:
    """Return the same in words, for a page; None: it cannot be told."""
    if settled is None:
        return None
    values: dict[str, Value] = {
        "span": LAST_DAYS // timedelta(days=1),
        "moisture": with_unit(settled.mean_pct, "%"),
        "low": number_words(round(settled.low_pct, 1)),
        "high": number_words(round(settled.high_pct, 1)),
        "give": number_words(ERROR_POINTS),
    }
    if settled.covered >= LAST_DAYS - LONGEST_GAP:
        return say(
            "The air of the last {span} days draws wood to {moisture} ({low} to {high}), give or take {give}.",
            **values,
        )
    return say(
        "The air of the last {span} days, of which readings speak for {covered}, draws wood to {moisture}"
        " ({low} to {high}), give or take {give}.",
        covered=settled.covered,
        **values,
    )


def wood_views(placements: Mapping[str, Product], zone: int, *, now: datetime) -> dict[str, WoodView]:
    """Return what is known of the wood of placements, by origin; those without wood on their backs are left out."""
    backed = {key: one for key, one in placements.items() if one.kind == Product.Kind.BACKED}
    if not backed:
        return {}
    read = last_moistures([UUID(key) for key in backed])
    air = settled_words(settled_in(zone, now=now))
    return {key: _view(product, read.get(key), air) for key, product in backed.items()}


def _view(product: Product, damp: Damp | None, air: Say | None) -> WoodView:
    # The whole panel for its board: thicker, so that it errs on the slow side.
    hours = hours_words(A_DAY, board_nm=product.thickness_nm)
    return WoodView(_read(damp), _limits(product), _trouble(product, damp), air, hours)


def _read(damp: Damp | None) -> Say:
    if damp is None:
        return say("Nobody has read the wood with pins yet.")
    return say(
        "{moisture} by pins, {at}, {by}.",
        moisture=with_unit(damp.moisture_pct, "%"),
        at=damp.at,
        by=damp.by,
    )


def _limits(product: Product) -> Say:
    if product.moisture_min_pct is None or product.moisture_max_pct is None:
        return say("What the maker allows is not known.")
    return say(
        "The maker allows {low} to {high}.",
        low=number_words(product.moisture_min_pct),
        high=with_unit(product.moisture_max_pct, "%"),
    )


def _trouble(product: Product, damp: Damp | None) -> Say | None:
    low, high = product.moisture_min_pct, product.moisture_max_pct
    if damp is None or low is None or high is None or low <= damp.moisture_pct <= high:
        return None
    if damp.moisture_pct > high:
        return say(
            "Too damp: {moisture}, at most {high} allowed. Set now, it will shrink on the wall.",
            moisture=with_unit(damp.moisture_pct, "%"),
            high=with_unit(high, "%"),
        )
    return say(
        "Too dry: {moisture}, at least {low} allowed. Set now, it will swell on the wall.",
        moisture=with_unit(damp.moisture_pct, "%"),
        low=with_unit(low, "%"),
    )
