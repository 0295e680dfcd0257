"""The act of a logger's clock: by how much it is off, and from which day on."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Any, ClassVar

from django import forms
from django.utils.functional import Promise
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from jobs.core.words import say
from jobs.core.worktime import instant_at, time_zone
from jobs.facts import Envelope
from jobs.models import LoggerClock
from jobs.models.loggers import FARTHEST_CLOCK_S
from jobs.services.loggers import loggers_of, state_clock
from scheduling.acts.base import Act, ActForm, Allowed, Shown, Subject
from scheduling.acts.times import SiteTimeField
from scheduling.inputs import DayInput, FigureField
from scheduling.parts import Note

FARTHEST_MIN = FARTHEST_CLOCK_S / 60


class LoggerClockForm(ActForm):
    """How far a logger's clock is off: in minutes, or as what it showed and what time it was."""

    template = "scheduling/acts/_clock.html"
    when_label: ClassVar[Promise] = gettext_lazy("Seen at")
    subject_fields = ("logger",)
    from_query = ("logger",)
    shown_at = {"from_at": "from_on", "offset_s": "minutes"}

    logger = forms.ChoiceField(label=gettext_lazy("Logger"))
    showed_at = SiteTimeField(required=False, label=gettext_lazy("It showed"))
    was_at = SiteTimeField(required=False, label=gettext_lazy("when it was"))
    minutes = FigureField(
        required=False,
        low=-FARTHEST_MIN,
        high=FARTHEST_MIN,
        label=gettext_lazy("Or: minutes to add"),
        help_text=gettext_lazy(
            "60 if it is an hour slow, -60 if it is an hour ahead, 0 if it is right again."
        ),
    )
    from_on = forms.DateField(
        label=gettext_lazy("From"),
        widget=DayInput(),
        help_text=gettext_lazy("The first day, as the logger writes it, on which it was so."),
        error_messages={"invalid": gettext_lazy("Write a day as 2026-05-14.")},
    )

    def arrange(self) -> None:
        names = loggers_of(self.zone)
        if self.corrects is not None and self.corrects.logger not in names:
            names.append(self.corrects.logger)
        self.fields["logger"].choices = [(name, name) for name in names]  # type: ignore[attr-defined]

    def judge(self) -> None:
        showed, was, minutes = (self.cleaned_data.get(name) for name in ("showed_at", "was_at", "minutes"))
        said = was - showed if showed is not None and was is not None else None
        if (showed is None) != (was is None):
            self.add_error("was_at" if was is None else "showed_at", _("Say both, or the minutes."))
        elif said is None and minutes is None:
            self.add_error("minutes", _("Say by how much: both times, or the minutes."))
        elif said is not None and minutes is not None and said != timedelta(minutes=minutes):
            words = _("The times say {said} and this says {minutes}.")
            told = {"said": f"{said.total_seconds() / 60:+g}", "minutes": f"{minutes:+g}"}
            self.add_error("minutes", words.format(**told))

    def perform(self, envelope: Envelope) -> LoggerClock:
        data = self.cleaned_data
        return state_clock(
            envelope,
            zone=self.zone,
            logger=data["logger"],
            from_at=self._from_at(data["from_on"]),
            offset=self._offset(),
        )

    @classmethod
    def initial_of(cls, fact: Any) -> dict[str, Any]:
        zone = time_zone(fact.zone.job.site.time_zone)
        return {
            "logger": fact.logger,
            "minutes": f"{fact.offset_s / 60:.10g}",
            "from_on": fact.from_at.astimezone(zone).date(),
        }

    @property
    def answer(self) -> Shown:
        return say("Readings of {zone} are counted at the time they were meant.", zone=self.zone.name)

    @property
    def can_send(self) -> bool:
        return bool(self.fields["logger"].choices)  # type: ignore[attr-defined]

    @property
    def notes(self) -> tuple[Note, ...]:
        if self.can_send:
            return ()
        return (
            Note(
                say("No logger has reported here"),
                say("Read a logger's file in first, or give a logger this zone."),
            ),
        )

    @property
    def clock_fields(self) -> list[forms.BoundField]:
        """The two times side by side, each with the question which of two is meant."""
        return [bound for bound in self.own_fields if bound.name.startswith(("showed_at", "was_at"))]

    def _offset(self) -> timedelta:
        if self.cleaned_data["minutes"] is not None:
            return timedelta(minutes=self.cleaned_data["minutes"])
        showed: datetime = self.cleaned_data["showed_at"]
        was: datetime = self.cleaned_data["was_at"]
        return was - showed

    def _from_at(self, day: date) -> datetime:
        if self.corrects is not None and self.initial.get("from_on") == day:
            said: datetime = self.corrects.from_at
            return said
        return instant_at(day, 0, time_zone(self.where.job.site.time_zone))


ACTS = (
    Act(
        name="logger-clock",
        subject=Subject.ZONE,
        title=gettext_lazy("Say that a logger’s clock is off"),
        verb=gettext_lazy("Put its clock right"),
        form=LoggerClockForm,
        allowed=Allowed.SITE,
        fact=LoggerClock,
    ),
)
