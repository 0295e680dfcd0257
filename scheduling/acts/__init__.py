"""Every act that a person can record through a page, by what it is about and its name in the path."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from django.apps import apps

from jobs.models import Entry, Fact, ReadingFile
from materials.models import Arrival
from scheduling.acts import air, clocks, days, deliveries, meter, prep, sheets, site, stacks, work
from scheduling.acts.base import Act, ActForm, Allowed, Subject
from scheduling.models import Assignment, BeganHeld, DayGiven

_BY_PATH = (
    *air.ACTS,
    *meter.ACTS,
    *clocks.ACTS,
    *site.ACTS,
    *prep.ACTS,
    *sheets.ACTS,
    *stacks.ACTS,
    *deliveries.ACTS,
    *work.ACTS,
    *days.ACTS,
)
#: Acts without a page of their own: each corrects one fact that another act recorded among several.
_CORRECTIONS = (*prep.CORRECTIONS, *sheets.CORRECTIONS, *work.CORRECTIONS)
#: Facts that are only taken back, each with the act whose rights and place it has.
_TAKEN_BACK = (
    Act(
        name="arrival",
        subject=Subject.ZONE,
        title="",
        verb="",
        form=ActForm,
        allowed=Allowed.SITE,
        fact=Arrival,
    ),
    Act(
        name="logger-file",
        subject=Subject.ZONE,
        title="",
        verb="",
        form=ActForm,
        allowed=Allowed.SITE,
        fact=ReadingFile,
    ),
)

ACTS: Mapping[tuple[Subject, str], Act] = MappingProxyType({(act.subject, act.name): act for act in _BY_PATH})
BY_FACT: Mapping[type[Fact], Act] = MappingProxyType(
    {act.fact: act for act in (*_BY_PATH, *_CORRECTIONS, *_TAKEN_BACK) if act.fact}
)
#: Facts that are changed by an act of the room, not by a correction: its name, and that which takes them back.
INSTEAD: Mapping[type[Fact], tuple[str, str]] = MappingProxyType(
    {DayGiven: ("day", "day-back"), Assignment: ("day", "day-back")}
)
ONLY_TAKEN_BACK = frozenset(act.fact for act in _TAKEN_BACK)


@dataclass(frozen=True, slots=True)
class Ways:
    """How one kind of fact can be changed, and by whom."""

    correct: bool
    take_back: bool
    allowed: Allowed


def ways_of(entry: Entry) -> Ways:
    """Return how the fact of a history line can be changed."""
    kind = apps.get_model(entry.kind)
    if kind in INSTEAD or kind is BeganHeld:
        return Ways(correct=True, take_back=True, allowed=Allowed.MANAGER)
    return Ways(correct=kind not in ONLY_TAKEN_BACK, take_back=True, allowed=BY_FACT[kind].allowed)
