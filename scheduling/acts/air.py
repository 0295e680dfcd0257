"""The acts of a zone's air: a reading by hand, a meter's memory, a statement."""

from __future__ import annotations

from typing import Any, ClassVar

from django import forms
from django.forms import BoundField
from django.utils.functional import Promise
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from jobs.clocks import meant_by, with_offset
from jobs.core.units import fahrenheit
from jobs.core.words import say
from jobs.facts import Envelope
from jobs.models import Job, Memory, Reading, Statement, TemperatureUnit
from jobs.services import seen
from scheduling.acts.base import Act, ActForm, Allowed, Shown, Subject
from scheduling.acts.times import SiteTimeField
from scheduling.inputs import FigureField
from scheduling.parts import Note
from scheduling.printing import range_words

#: What a meter on a site reads, in each unit.
RANGES = {
    TemperatureUnit.C: (seen.COLDEST_C, seen.HOTTEST_C),
    TemperatureUnit.F: (fahrenheit(seen.COLDEST_C), fahrenheit(seen.HOTTEST_C)),
}
DRIEST, WETTEST = 0.0, 100.0


def unit_of(form: ActForm) -> TemperatureUnit:
    """Return the unit that was chosen in a form, else the one to offer."""
    typed = form.data.get("unit")
    if typed in TemperatureUnit.values:
        return TemperatureUnit(typed)
    return TemperatureUnit(form.corrects.unit) if form.corrects is not None else usual_unit(form)


def usual_unit(form: ActForm) -> TemperatureUnit:
    """Return the unit in which a job's people read temperatures."""
    return TemperatureUnit.F if form.where.job.units == Job.Units.CUSTOMARY else TemperatureUnit.C


class AirForm(ActForm):
    """What forms of temperatures and humidities share: the unit, and the limits in it."""

    #: Fields that hold a temperature, and those that hold a humidity.
    temperatures: ClassVar[tuple[str, ...]]
    humidities: ClassVar[tuple[str, ...]]

    def arrange(self) -> None:
        self.fields["unit"] = forms.ChoiceField(label=_("Unit"), choices=TemperatureUnit.choices)
        unit = unit_of(self)
        for name in self.temperatures:
            field = self.fields[name]
            assert isinstance(field, FigureField)
            field.low, field.high = RANGES[unit]
            field.help_text = self._band(unit)
        for name in self.humidities:
            field = self.fields[name]
            assert isinstance(field, FigureField)
            field.help_text = _("band %(band)s") % {
                "band": range_words(self.zone.rh_min, self.zone.rh_max, "%")
            }
            # A logger at its edge reads a little over 100 %: what it said may be corrected as it stands.
            said = getattr(self.corrects, name, None)
            field.high = max(WETTEST, said) if said is not None else WETTEST

    def defaults(self) -> dict[str, Any]:
        return {"unit": usual_unit(self)}

    @property
    def figures(self) -> list[BoundField]:
        """The figures, to stand side by side."""
        return [self[name] for name in (*self.temperatures, *self.humidities)]

    @property
    def spans(self) -> list[BoundField]:
        """The times of the form's own, with the question which of two is meant."""
        return [bound for bound in self.own_fields if bound.name.startswith("from_at")]

    def _band(self, unit: TemperatureUnit) -> str:
        low, high = self.zone.t_min, self.zone.t_max
        if unit is TemperatureUnit.F:
            low, high = fahrenheit(low), fahrenheit(high)
        return _("band %(band)s") % {"band": range_words(low, high, unit.label)}


class ReadingForm(AirForm):
    """Air and humidity of a zone, read by hand."""

    template = "scheduling/acts/_air.html"
    temperatures = ("temperature",)
    humidities = ("humidity_pct",)

    temperature = FigureField(label=gettext_lazy("Air"), low=0, high=0)
    humidity_pct = FigureField(label=gettext_lazy("Humidity, %"), low=DRIEST, high=WETTEST)

    def perform(self, envelope: Envelope) -> Reading:
        data = self.cleaned_data
        return seen.record_reading(
            envelope,
            zone=self.zone,
            temperature=data["temperature"],
            unit=data["unit"],
            humidity_pct=data["humidity_pct"],
            logger=self.corrects.logger if self.corrects else "",
        )

    @classmethod
    def initial_of(cls, fact: Any) -> dict[str, Any]:
        return {"temperature": fact.temperature, "unit": fact.unit, "humidity_pct": fact.humidity_pct}

    @property
    def answer(self) -> Shown:
        readings = with_offset(Reading.objects.standing().filter(zone=self.zone))
        last = readings.order_by("-happened_at").first()
        if last is None:
            return say("Nobody has read the air of {zone} yet.", zone=self.zone.name)
        at, said_at = meant_by(last)
        if said_at is not None:
            return say(
                "Last read {at}, the logger said {said}: {fact}", at=at, said=said_at, fact=last.says()
            )
        return say("Last read {at}: {fact}", at=at, fact=last.says())


class MemoryForm(AirForm):
    """The extremes that a meter remembered over a span."""

    template = "scheduling/acts/_air.html"
    when_label = gettext_lazy("Read at")
    temperatures = ("t_min", "t_max")
    humidities = ("rh_min", "rh_max")

    from_at = SiteTimeField(
        label=gettext_lazy("Since"), help_text=gettext_lazy("When the meter was last set to zero.")
    )
    t_min = FigureField(label=gettext_lazy("Lowest air"), low=0, high=0)
    t_max = FigureField(label=gettext_lazy("Highest air"), low=0, high=0)
    rh_min = FigureField(label=gettext_lazy("Lowest humidity, %"), low=DRIEST, high=WETTEST)
    rh_max = FigureField(label=gettext_lazy("Highest humidity, %"), low=DRIEST, high=WETTEST)

    def perform(self, envelope: Envelope) -> Memory:
        names = ("from_at", "t_min", "t_max", "unit", "rh_min", "rh_max")
        return seen.record_memory(
            envelope, zone=self.zone, **{name: self.cleaned_data[name] for name in names}
        )

    @classmethod
    def initial_of(cls, fact: Any) -> dict[str, Any]:
        return {
            name: getattr(fact, name) for name in ("from_at", "t_min", "t_max", "unit", "rh_min", "rh_max")
        }


class StatementForm(ActForm):
    """A person's signed word that a zone was held in its band."""

    when_label: ClassVar[Promise] = gettext_lazy("Until")

    from_at = SiteTimeField(label=gettext_lazy("From"))

    def perform(self, envelope: Envelope) -> Statement:
        return seen.state_air(envelope, zone=self.zone, from_at=self.cleaned_data["from_at"])

    @classmethod
    def initial_of(cls, fact: Any) -> dict[str, Any]:
        return {"from_at": fact.from_at}

    @property
    def answer(self) -> Shown:
        air = range_words(self.zone.t_min, self.zone.t_max, "°C")
        humidity = range_words(self.zone.rh_min, self.zone.rh_max, "%")
        return say(
            "{zone} was held within {air} and {humidity}.", zone=self.zone.name, air=air, humidity=humidity
        )

    @property
    def notes(self) -> tuple[Note, ...]:
        if self.where.job.accepts_statements:
            return (
                Note(
                    say("A statement counts on this job"),
                    say("It fills the time between readings, and is always shown as stated."),
                    mark="clear",
                ),
            )
        return (
            Note(
                say("A statement proves no rest on this job"),
                say("It is kept and shown. Only a reading or a meter's memory counts here."),
            ),
        )


ACTS = (
    Act(
        name="reading",
        subject=Subject.ZONE,
        title=gettext_lazy("Log a reading"),
        verb=gettext_lazy("Keep this reading"),
        form=ReadingForm,
        allowed=Allowed.SITE,
        fact=Reading,
    ),
    Act(
        name="memory",
        subject=Subject.ZONE,
        title=gettext_lazy("Enter a meter’s memory"),
        verb=gettext_lazy("Keep this memory"),
        form=MemoryForm,
        allowed=Allowed.SITE,
        says=gettext_lazy("The lowest and highest that the meter remembers."),
        fact=Memory,
    ),
    Act(
        name="statement",
        subject=Subject.ZONE,
        title=gettext_lazy("Sign a statement"),
        verb=gettext_lazy("Sign it"),
        form=StatementForm,
        allowed=Allowed.SITE,
        fact=Statement,
    ),
)
