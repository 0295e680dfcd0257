"""The acts of the site: air, milestones by others, prep checks, wettings."""

from __future__ import annotations

from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from jobs.facts import Envelope
from jobs.models import Reading, TemperatureUnit
from jobs.services import seen
from scheduling.acts.base import Act, ActForm, Allowed, Subject


class ReadingForm(ActForm):
    """Air and humidity of a zone, read by hand."""

    temperature = forms.FloatField(label=_("Air"))
    unit = forms.ChoiceField(label=_("Unit"), choices=TemperatureUnit.choices)
    humidity_pct = forms.FloatField(label=_("Humidity, %"))

    def perform(self, envelope: Envelope) -> Reading:
        assert self.where.zone is not None
        data = self.cleaned_data
        return seen.record_reading(
            envelope,
            zone=self.where.zone,
            temperature=data["temperature"],
            unit=data["unit"],
            humidity_pct=data["humidity_pct"],
        )

    @classmethod
    def initial_of(cls, fact: Any) -> dict[str, Any]:
        return {"temperature": fact.temperature, "unit": fact.unit, "humidity_pct": fact.humidity_pct}


ACTS = (
    Act(
        name="reading",
        subject=Subject.ZONE,
        title=_("Log a reading"),
        verb=_("Keep this reading"),
        form=ReadingForm,
        allowed=Allowed.SITE,
        fact=Reading,
    ),
)
