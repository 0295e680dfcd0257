"""The act of reading a hand-held meter that remembers: the air now and its extremes, in one form."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any
from uuid import UUID, uuid5

from django.forms import BoundField
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from jobs.core.words import say
from jobs.facts import Envelope
from jobs.models import Fact, Memory
from jobs.services import meters
from scheduling.acts.air import DRIEST, WETTEST, AirForm
from scheduling.acts.base import Act, Allowed, Shown, Subject
from scheduling.acts.times import SiteTimeField
from scheduling.inputs import FigureField
from scheduling.printing import plain

EXTREMES = ("t_min", "t_max", "rh_min", "rh_max")


class MeterForm(AirForm):
    """What a meter shows now, and the lowest and highest it remembers; the memory may be left out."""

    template = "scheduling/acts/_meter.html"
    when_label = gettext_lazy("Read at")
    temperatures = ("temperature", "t_min", "t_max")
    humidities = ("humidity_pct", "rh_min", "rh_max")

    temperature = FigureField(label=gettext_lazy("Air now"), low=0, high=0)
    humidity_pct = FigureField(label=gettext_lazy("Humidity now, %"), low=DRIEST, high=WETTEST)
    t_min = FigureField(required=False, label=gettext_lazy("Lowest air"), low=0, high=0)
    t_max = FigureField(required=False, label=gettext_lazy("Highest air"), low=0, high=0)
    rh_min = FigureField(required=False, label=gettext_lazy("Lowest humidity, %"), low=DRIEST, high=WETTEST)
    rh_max = FigureField(required=False, label=gettext_lazy("Highest humidity, %"), low=DRIEST, high=WETTEST)
    from_at = SiteTimeField(
        required=False,
        label=gettext_lazy("Since"),
        help_text=gettext_lazy("When the meter was last set to zero."),
    )

    def defaults(self) -> dict[str, Any]:
        return {**super().defaults(), "from_at": meters.last_set_to_zero(self.zone, now=self.now)}

    @property
    def shown_now(self) -> list[BoundField]:
        """The figures of the present."""
        return [self["temperature"], self["humidity_pct"]]

    @property
    def remembered(self) -> list[BoundField]:
        """The figures that the meter remembers."""
        return [self[name] for name in EXTREMES]

    @property
    def answer(self) -> Shown:
        return say("What the meter shows in {zone} now, and what it remembers.", zone=self.zone.name)

    def judge(self) -> None:
        if not self._remembers():
            return
        for name in EXTREMES:
            if self.cleaned_data[name] is None:
                self.add_error(name, _("A memory is all four figures, or none."))
        if self.cleaned_data["from_at"] is None:
            self.add_error("from_at", _("Say since when the meter remembers."))

    def _remembers(self) -> bool:
        return any(self.cleaned_data[name] is not None for name in EXTREMES)

    def perform(self, envelope: Envelope) -> Iterable[Fact]:
        data = self.cleaned_data
        extremes = None
        if self._remembers():
            extremes = meters.Extremes(data["from_at"], *(data[name] for name in EXTREMES))
        reading, memory = meters.read_meter(
            envelope,
            zone=self.zone,
            temperature=data["temperature"],
            unit=data["unit"],
            humidity_pct=data["humidity_pct"],
            extremes=extremes,
        )
        return [reading] if memory is None else [reading, memory]

    def fact_ids(self, act: UUID) -> Iterable[UUID]:
        return [act, uuid5(act, meters.MEMORY)]

    def warning(self, facts: list[Fact]) -> str | None:
        return next((words for one in facts if (words := contradiction(one, self))), None)


def contradiction(fact: Fact, form: AirForm) -> str | None:
    """Return that a reading contradicts a meter's memory, in words; None: nothing does, or it is no memory."""
    other = meters.disagreeing(fact) if isinstance(fact, Memory) else None
    if other is None:
        return None
    words = say(
        "The meter does not remember what was read {at}: {fact} Both are kept. A reading out of band goes"
        " before a memory in band: correct the one that is wrong.",
        at=other.happened_at,
        fact=other.says(),
    )
    return plain(words, zone=form.where.time_zone, now=form.now)


ACTS = (
    Act(
        name="meter",
        subject=Subject.ZONE,
        title=gettext_lazy("Read the meter"),
        verb=gettext_lazy("Keep what it shows"),
        form=MeterForm,
        allowed=Allowed.SITE,
        says=gettext_lazy("What the meter shows now, and the lowest and highest that it remembers."),
    ),
)
