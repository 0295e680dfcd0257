"""The crews' page: who is in each, when it works, when it is off, and its calendar."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from jobs.core.worktime import print_week
from scheduling.models import Crew, CrewMember, TimeOff


@dataclass(frozen=True, slots=True)
class CrewView:
    """One crew as the manager sees it."""

    crew: Crew
    people: tuple[str, ...]
    week: str
    off: tuple[TimeOff, ...]


def crews_page(*, now: datetime) -> tuple[CrewView, ...]:
    """Return every crew that works, by name."""
    crews = list(Crew.objects.filter(closed_at__isnull=True).order_by("name"))
    members = CrewMember.objects.filter(crew__in=crews, to_on__isnull=True).select_related("person")
    people: dict[int, list[str]] = {}
    for member in members.order_by("person__name"):
        people.setdefault(member.crew_id, []).append(member.person.name)
    off: dict[int, list[TimeOff]] = {}
    for one in TimeOff.objects.filter(crew__in=crews, to_on__gte=now.date()).order_by("from_on"):
        off.setdefault(one.crew_id, []).append(one)
    return tuple(
        CrewView(crew, tuple(people.get(crew.pk, ())), print_week(crew.week), tuple(off.get(crew.pk, ())))
        for crew in crews
    )
