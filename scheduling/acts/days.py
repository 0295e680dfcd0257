"""The acts of a manager's planning: a crew and a day for a room, the day taken back, a crew attached to a job."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from django import forms
from django.utils.functional import cached_property
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from jobs.core.words import Say, say
from jobs.core.worktime import DAYS
from jobs.facts import Envelope, check_open
from jobs.models import Fact
from scheduling.acts.base import Act, ActForm, Allowed, Shown, Subject
from scheduling.acts.figures import ExactField
from scheduling.acts.times import is_skipped
from scheduling.gather import planned_for
from scheduling.inputs import DayInput, WordsInput
from scheduling.models import Assignment, Crew, DayGiven, Finish, JobCrew, TimeOff
from scheduling.parts import Note
from scheduling.services import crews

#: How far ahead the page shows when crews are busy or off.
SHOWN_AHEAD = timedelta(days=28)
#: A day further ahead than this is a slip of the year.
FARTHEST = timedelta(days=2 * 366)
MOST_SHOWN = 12


@dataclass(frozen=True, slots=True)
class CrewLine:
    """What a crew has to do in the weeks to come, so that a day can be chosen around it."""

    name: str
    busy: tuple[Say, ...]


class DayForm(ActForm):
    """A crew and a day for a room, given out at once."""

    template = "scheduling/acts/_day.html"
    when_label = gettext_lazy("Given out at")
    from_query = ("crew", "first_on")

    first_on = forms.DateField(label=gettext_lazy("Day"), widget=DayInput)
    from_time = forms.TimeField(
        required=False,
        label=gettext_lazy("From"),
        help_text=gettext_lazy("On the site's clock. Leave it empty: from the start of the shift."),
        widget=forms.TimeInput(attrs={"type": "time"}, format="%H:%M"),
    )
    hours = ExactField(required=False, label=gettext_lazy("Crew-hours"), low=0.25, high=2000, places=2)

    def arrange(self) -> None:
        working = Crew.objects.filter(closed_at__isnull=True).order_by("name")
        self.crews = {str(crew.pk): crew for crew in working}
        choices = [("", _("choose")), *((key, crew.name) for key, crew in self.crews.items())]
        self.fields["crew"] = forms.ChoiceField(label=_("Crew"), choices=choices)
        self.fields["hours"].help_text = _("Leave it empty: %(hours)s, as the room says.") % {
            "hours": f"{self.room.crew_hours.normalize():f}"
        }
        self.fields["first_on"].error_messages["invalid"] = _("This is no day; write it as 2026-05-14.")
        self.fields["from_time"].error_messages["invalid"] = _("This is no time; write it as 07:30.")
        self.order_fields(["crew", "first_on", "from_time", "hours"])

    @cached_property
    def today(self) -> date:
        """The present day at the site."""
        return self.now.astimezone(self.where.time_zone).date()

    @property
    def answer(self) -> Shown:
        planned = planned_for([self.room.pk]).get(self.room.pk)
        if planned is None:
            return say("No day is given out for {room}.", room=self.room.name)
        crew = Crew.objects.get(pk=planned.crew)
        return say(
            "{crew} sets {room} from {start}.",
            crew=crew.name,
            room=self.room.name,
            start=planned.shifts[0][0],
        )

    @property
    def notes(self) -> tuple[Note, ...]:
        closures = [
            say("from {first} to {last}: {reason}", first=one.from_on, last=one.to_on, reason=one.reason)
            for one in self.where.job.site.closures.filter(to_on__gte=self.today).order_by("from_on")
        ]
        found = []
        if closures:
            title = say("{site} is closed", site=self.where.job.site.name)
            found.append(Note(title, say("{closures}.", closures=tuple(closures))))
        lets_in = [day for day in DAYS if self.where.job.site.week.get(day)]
        if not lets_in:
            title = say("{site} lets nobody in", site=self.where.job.site.name)
            found.append(Note(title, say("Its access hours are empty, so no day can be given.")))
        return tuple(found)

    @cached_property
    def crew_lines(self) -> list[CrewLine]:
        """When each crew is busy or off in the weeks to come."""
        until = self.now + SHOWN_AHEAD
        busy: dict[int, list[tuple[Any, Say]]] = defaultdict(list)
        rooms = (
            Assignment.objects.standing().filter(crew__in=list(self.crews.values())).exclude(room=self.room)
        )
        open_rooms = rooms.exclude(room__in=Finish.objects.standing().values("room"))
        names = dict(open_rooms.values_list("room", "room__name"))
        for room, planned in planned_for(list(names)).items():
            for start, end in planned.shifts:
                if end > self.now and start < until:
                    words = say("{room} {start} to {end}", room=names[room], start=start, end=end)
                    busy[planned.crew].append((start.date(), words))
        for off in TimeOff.objects.filter(
            crew__in=list(self.crews.values()), to_on__gte=self.today, from_on__lt=until.date()
        ):
            words = say("off from {first} to {last}", first=off.from_on, last=off.to_on)
            if off.reason:
                words = say("{off}, {reason}", off=words, reason=off.reason)
            busy[off.crew_id].append((off.from_on, words))
        lines = []
        for crew in self.crews.values():
            entries = [words for _at, words in sorted(busy[crew.pk], key=lambda entry: entry[0])]
            lines.append(CrewLine(crew.name, tuple(entries[:MOST_SHOWN])))
        return lines

    def judge(self) -> None:
        day = self.cleaned_data["first_on"]
        if day < self.today:
            self.add_error("first_on", _("This day is over."))
        elif day > self.today + FARTHEST:
            self.add_error("first_on", _("This is more than two years ahead; look at the year."))
        from_time = self.cleaned_data["from_time"]
        if from_time is not None and is_skipped(datetime.combine(day, from_time), self.where.time_zone):
            self.add_error(
                "from_time", _("The clocks skip this time that night; write one after the change.")
            )

    def perform(self, envelope: Envelope) -> DayGiven:
        data = self.cleaned_data
        return crews.give_day(
            envelope,
            room=self.room,
            crew=self.crews[data["crew"]],
            first_on=data["first_on"],
            from_time=data["from_time"],
            hours=data["hours"],
        )

    def defaults(self) -> dict[str, Any]:
        planned = planned_for([self.room.pk]).get(self.room.pk)
        if planned is not None:
            start = planned.shifts[0][0].astimezone(self.where.time_zone)
            return {"crew": str(planned.crew), "first_on": start.date()}
        return {"crew": next(iter(self.crews))} if len(self.crews) == 1 else {}


class DayBackForm(ActForm):
    """That the day of a room is taken back, and why; the crew reads it in its calendar."""

    when_label = gettext_lazy("Taken back at")

    reason = forms.CharField(
        max_length=500,
        label=gettext_lazy("Why"),
        help_text=gettext_lazy("The crew reads it in its calendar."),
        widget=WordsInput({"rows": 2}),
    )

    @property
    def answer(self) -> Shown:
        planned = planned_for([self.room.pk]).get(self.room.pk)
        if planned is None:
            return say("No day is given out for {room}.", room=self.room.name)
        crew = Crew.objects.get(pk=planned.crew)
        return say(
            "{crew} sets {room} from {start}.",
            crew=crew.name,
            room=self.room.name,
            start=planned.shifts[0][0],
        )

    def perform(self, envelope: Envelope) -> DayGiven:
        return crews.take_day_back(envelope, room=self.room)


class AttachForm(ActForm):
    """That a crew is attached to a job, so that its people may record what they see there."""

    is_fact = False

    def arrange(self) -> None:
        working = Crew.objects.filter(closed_at__isnull=True).order_by("name")
        self.crews = {str(crew.pk): crew for crew in working}
        attached = set(JobCrew.objects.filter(job=self.where.job).values_list("crew", flat=True))
        named = [
            (key, _("{crew}, attached already").format(crew=crew.name) if crew.pk in attached else crew.name)
            for key, crew in self.crews.items()
        ]
        self.fields["crew"] = forms.ChoiceField(label=_("Crew"), choices=[("", _("choose")), *named])

    def perform(self, envelope: Envelope) -> Iterable[Fact]:
        check_open(self.where.job)
        self.attached = crews.attach_crew(self.crews[self.cleaned_data["crew"]], self.where.job, now=self.now)
        return []

    def done(self, facts: list[Fact]) -> Say:
        return say("{crew} is attached to {job}.", crew=self.attached.crew.name, job=self.where.job.name)


ACTS = (
    Act(
        name="day",
        subject=Subject.ROOM,
        title=gettext_lazy("Give a crew and a day"),
        verb=gettext_lazy("Give out this day"),
        form=DayForm,
        allowed=Allowed.MANAGER,
    ),
    Act(
        name="day-back",
        subject=Subject.ROOM,
        title=gettext_lazy("Take the day back"),
        verb=gettext_lazy("Take the day back"),
        form=DayBackForm,
        allowed=Allowed.MANAGER,
    ),
    Act(
        name="attach-crew",
        subject=Subject.JOB,
        title=gettext_lazy("Attach a crew"),
        verb=gettext_lazy("Attach this crew"),
        form=AttachForm,
        allowed=Allowed.MANAGER,
        says=gettext_lazy("Its people may then record what they see on this site."),
    ),
)
