"""The acts of work in a room: waivers, the start, begun while held, sheets set, the finish, a crew turned away."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any
from uuid import UUID, uuid5

from django import forms
from django.core.exceptions import ValidationError
from django.db.models import Q, QuerySet
from django.forms import BoundField
from django.urls import reverse
from django.utils.functional import cached_property
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from jobs.core.words import say, say_n
from jobs.facts import Envelope
from jobs.models import Fact
from materials.core.stock import Standing
from materials.models import Placement
from scheduling import states
from scheduling.acts.base import Act, ActForm, Allowed, Shown, Subject
from scheduling.acts.times import SiteTimeField
from scheduling.core.holds import HoldState, RoomAnswer
from scheduling.gather import planned_for
from scheduling.inputs import CountField, WordsInput
from scheduling.models import BeganHeld, Crew, Finish, HoldName, SheetsSet, Start, TurnedAway, Waiver
from scheduling.parts import STATES, HoldRow, Labelled, Note, hold_row
from scheduling.printing import plain
from scheduling.services import handling, work


class WaiveForm(ActForm):
    """A manager's signature for starting a room in spite of one hold."""

    when_label = gettext_lazy("Signed at")
    subject_fields = ("hold",)
    from_query = ("hold",)

    reason = forms.CharField(
        max_length=500,
        label=gettext_lazy("Why it may be started all the same"),
        help_text=gettext_lazy("It stands wherever the room is shown, with your name."),
        widget=WordsInput({"rows": 3}),
    )
    until_at = SiteTimeField(
        required=False,
        label=gettext_lazy("Until"),
        help_text=gettext_lazy("Leave it empty: until the room is finished."),
    )

    def arrange(self) -> None:
        holds = {hold.kind.value: hold for hold in judged(self).answer.holds}
        choices = []
        for name in HoldName:
            hold = holds[name.value]
            says = plain(hold.says, zone=self.where.time_zone, now=self.now)
            hint = f"{STATES[hold.state.value].word}. {says}"
            label = str(name.label)
            choices.append((name.value, Labelled(label[:1].upper() + label[1:], hint=hint)))
        # Those that stand come first; the order a room clears them is kept among them.
        choices.sort(key=lambda choice: holds[choice[0]].state is not HoldState.HELD)
        self.fields["hold"] = forms.ChoiceField(label=_("Hold"), choices=choices, widget=forms.RadioSelect)
        self.order_fields(["hold", "until_at"])

    @property
    def answer(self) -> Shown:
        held = [hold for hold in judged(self).answer.holds if hold.state is HoldState.HELD]
        if not held:
            return say("No hold stands in {room}.", room=self.room.name)
        return say_n(
            "One hold stands in {room}. A waiver signs it away.",
            "{n} holds stand in {room}. A waiver signs one away.",
            n=len(held),
            room=self.room.name,
        )

    def perform(self, envelope: Envelope) -> Waiver:
        data = self.cleaned_data
        return work.waive_hold(envelope, room=self.room, hold=data["hold"], until_at=data["until_at"])

    @classmethod
    def initial_of(cls, fact: Any) -> dict[str, Any]:
        return {"hold": fact.hold, "reason": fact.reason, "until_at": fact.until_at}


class CrewForm(ActForm):
    """What forms share that name the crew: the one that is planned, else a crew of the person's own."""

    crew_required = False

    def arrange(self) -> None:
        planned = planned_for([self.room.pk]).get(self.room.pk)
        self.planned_crew = planned.crew if planned else None
        self.crews = {str(crew.pk): crew for crew in crews_open_to(self)}
        choices = [(key, crew.name) for key, crew in self.crews.items()]
        if not self.crew_required or len(choices) != 1:
            choices = [("", _("choose") if self.crew_required else _("not said")), *choices]
        self.fields["crew"] = forms.ChoiceField(required=self.crew_required, label=_("Crew"), choices=choices)

    def defaults(self) -> dict[str, Any]:
        if self.planned_crew is not None and str(self.planned_crew) in self.crews:
            return {"crew": str(self.planned_crew)}
        return {"crew": next(iter(self.crews))} if len(self.crews) == 1 else {}

    @classmethod
    def initial_of(cls, fact: Any) -> dict[str, Any]:
        return {"crew": str(fact.crew_id or "")}

    def crew(self) -> Crew | None:
        """Return the crew that was chosen."""
        return self.crews.get(self.cleaned_data["crew"])


class StartForm(CrewForm):
    """The first sheet of a room: asked for, and refused with the holds that stand."""

    template = "scheduling/acts/_start.html"
    when_label = gettext_lazy("Started at")

    def arrange(self) -> None:
        super().arrange()
        #: The holds that refused the start that was asked for; None: none was refused.
        self.refused: RoomAnswer | None = None

    @property
    def holds(self) -> tuple[HoldRow, ...]:
        """The holds that stand, those of a refused start if there was one."""
        answer = self.refused or judged(self).answer
        return tuple(hold_row(hold) for hold in answer.holds if hold.state is HoldState.HELD)

    @property
    def waived(self) -> tuple[HoldRow, ...]:
        """The holds that a manager signed away: the start rests on these signatures."""
        answer = judged(self).answer
        return tuple(hold_row(hold) for hold in answer.holds if hold.state is HoldState.WAIVED)

    @property
    def can_send(self) -> bool:
        """Whether the button is open: nothing holds the room, and it was not begun."""
        return self.corrects is not None or (judged(self).answer.released and not self._has_started)

    @cached_property
    def _has_started(self) -> bool:
        return bool(Start.objects.standing().filter(room=self.room).exists())

    @property
    def began_held_url(self) -> str:
        """Where it is recorded that the room was begun all the same."""
        return reverse("scheduling:act", args=[Subject.ROOM.value, self.room.pk, "began-held"])

    @property
    def answer(self) -> Shown:
        if self._has_started:
            return say("{room} has been started.", room=self.room.name)
        if self.holds:
            names = tuple(str(row.name).lower() for row in self.holds)
            return say("Held by {holds}. The room may not be started.", holds=names)
        return say("Released: {room} may be started.", room=self.room.name)

    def perform(self, envelope: Envelope) -> Start:
        if self.corrects is not None:
            return work.correct_start(envelope, start=self.corrects, crew=self.crew())
        return work.start_room(envelope, room=self.room, crew=self.crew())

    def take(self, error: ValidationError) -> None:
        if isinstance(error, work.RoomIsHeld):
            self.refused = error.answer
        super().take(error)


class BeganHeldForm(CrewForm):
    """That a crew began while the room was held: always accepted, never forgotten."""

    when_label = gettext_lazy("Begun at")

    reason = forms.CharField(
        max_length=500,
        label=gettext_lazy("Why it was begun"),
        help_text=gettext_lazy("Nobody is blamed for writing it. It stays visible, and a manager is told."),
        widget=WordsInput({"rows": 3}),
    )

    def perform(self, envelope: Envelope) -> BeganHeld:
        return work.record_began_held(envelope, room=self.room, crew=self.crew())

    @classmethod
    def initial_of(cls, fact: Any) -> dict[str, Any]:
        return {**super().initial_of(fact), "reason": fact.reason}


class SheetsSetForm(ActForm):
    """How many sheets of each placement are on the walls since the last count."""

    template = "scheduling/acts/_sheets_set.html"
    when_label = gettext_lazy("Counted at")

    def arrange(self) -> None:
        self.standing: dict[str, tuple[Placement, Standing]] = {}
        for placement, one in handling.standing_in(self.room):
            name = f"sheets_{placement.origin}"
            if one.sheets or (self.is_bound and name in self.data):
                self.standing[name] = (placement, one)
                self.fields[name] = CountField(
                    required=False,
                    initial=0,
                    label=_("Batch %(batch)s") % {"batch": placement.batch},
                    help_text=_("%(n)d good stand here") % {"n": one.good},
                )

    @property
    def counts(self) -> list[BoundField]:
        """The counts, a placement each."""
        return [self[name] for name in self.standing]

    @cached_property
    def on_the_walls(self) -> int:
        """Sheets set in this room so far."""
        return sum(SheetsSet.objects.standing().filter(room=self.room).values_list("sheets", flat=True))

    @property
    def answer(self) -> Shown:
        needed = sum(self.room.requirements.values_list("sheets", flat=True))
        return say("{n} of {needed} sheets are on the walls.", n=self.on_the_walls, needed=needed)

    @property
    def notes(self) -> tuple[Note, ...]:
        if work.begun_at(self.room) is None:
            return (not_begun(self),)
        if self.standing:
            return ()
        return (
            Note(say("No sheets stand here for this room"), say("What was set is counted from what stands.")),
        )

    def judge(self) -> None:
        if not any(self.cleaned_data[name] for name in self.standing):
            first = next(iter(self.standing), None)
            self.add_error(first, _("Count at least one sheet; what was set before is counted already."))

    def perform(self, envelope: Envelope) -> Iterable[Fact]:
        data = self.cleaned_data
        counts = {placement: data[name] for name, (placement, _one) in self.standing.items() if data[name]}
        return handling.set_sheets(envelope, room=self.room, counts=counts)

    def fact_ids(self, act: UUID) -> Iterable[UUID]:
        return [uuid5(act, f"placement/{placement.origin}") for placement, _one in self.standing.values()]

    def take(self, error: ValidationError) -> None:
        if isinstance(error, handling.PlacementRefused):
            self.add_error(f"sheets_{error.placement}", error.messages)
            return
        super().take(error)


class SheetsSetAgainForm(ActForm):
    """One count of sheets set, put right."""

    sheets = CountField(least=1, label=gettext_lazy("Sheets set"))

    def perform(self, envelope: Envelope) -> Iterable[Fact]:
        placement = Placement.objects.filter(origin=self.corrects.placement_id).standing().first()
        if placement is None:
            raise ValidationError(_("These sheets were taken back since."))
        return handling.set_sheets(envelope, room=self.room, counts={placement: self.cleaned_data["sheets"]})

    @classmethod
    def initial_of(cls, fact: Any) -> dict[str, Any]:
        return {"sheets": fact.sheets}

    def take(self, error: ValidationError) -> None:
        if isinstance(error, handling.PlacementRefused):
            self.add_error("sheets", error.messages)
            return
        super().take(error)


class FinishForm(ActForm):
    """That the last sheet, moulding and seal of a room is done."""

    when_label = gettext_lazy("Finished at")

    @cached_property
    def _counts(self) -> tuple[int, int]:
        """Sheets that are set, and that the room takes."""
        done = sum(SheetsSet.objects.standing().filter(room=self.room).values_list("sheets", flat=True))
        return done, sum(self.room.requirements.values_list("sheets", flat=True))

    @property
    def answer(self) -> Shown:
        done, needed = self._counts
        return say("{n} of {needed} sheets are on the walls.", n=done, needed=needed)

    @property
    def notes(self) -> tuple[Note, ...]:
        if work.begun_at(self.room) is None:
            return (not_begun(self),)
        done, needed = self._counts
        if done >= needed or self.corrects is not None:
            return ()
        return (
            Note(
                say("Fewer sheets are counted as set than the room takes"),
                say("Count the rest first, if they are on the walls. The room can be finished all the same."),
                url=reverse("scheduling:act", args=[Subject.ROOM.value, self.room.pk, "sheets-set"]),
                act=say("Count the sheets set"),
            ),
        )

    def perform(self, envelope: Envelope) -> Finish:
        return work.finish_room(envelope, room=self.room)


class TurnedAwayForm(CrewForm):
    """That a crew came and could not work: who refused, and why."""

    crew_required = True
    subject_fields = ("crew",)

    refused_by = forms.CharField(
        required=False,
        max_length=120,
        label=gettext_lazy("Who refused"),
        help_text=gettext_lazy("“Site agent”, “customer's night manager”."),
    )
    reason = forms.CharField(
        max_length=500, label=gettext_lazy("Why the crew could not work"), widget=WordsInput({"rows": 3})
    )

    def arrange(self) -> None:
        super().arrange()
        self.order_fields(["crew", "refused_by"])

    def perform(self, envelope: Envelope) -> TurnedAway:
        crew = self.crew()
        assert crew is not None
        return work.record_turned_away(
            envelope, room=self.room, crew=crew, refused_by=self.cleaned_data["refused_by"]
        )

    @classmethod
    def initial_of(cls, fact: Any) -> dict[str, Any]:
        return {**super().initial_of(fact), "refused_by": fact.refused_by, "reason": fact.reason}


def not_begun(form: ActForm) -> Note:
    """Return word that a room was not begun, and where it is."""
    url = reverse("scheduling:act", args=[Subject.ROOM.value, form.room.pk, "start"])
    words = say("Start it first, or record that it was begun while held.")
    return Note(say("This room was not begun"), words, url=url, act=say("Start setting"))


def judged(form: ActForm) -> states.Judged:
    """Return a form's room judged at its present, once a form."""
    known = form.__dict__.get("_judged")
    if known is None:
        known = states.judge([form.room.pk], now=form.now)[form.room.pk]
        form.__dict__["_judged"] = known
    return known


def crews_open_to(form: CrewForm) -> QuerySet[Crew]:
    """Return the crews that a person may name here: a manager any that works, others their own and the planned."""
    crews = Crew.objects.filter(closed_at__isnull=True)
    if not form.person.is_manager:
        crews = crews.filter(
            Q(members__person=form.person, members__to_on__isnull=True) | Q(pk=form.planned_crew)
        )
    # The crew of a fact to be corrected is named, whoever corrects it.
    if form.corrects is not None and form.corrects.crew_id is not None:
        crews = crews | Crew.objects.filter(pk=form.corrects.crew_id)
    return crews.distinct().order_by("name")


ACTS = (
    Act(
        name="waive",
        subject=Subject.ROOM,
        title=gettext_lazy("Sign a waiver"),
        verb=gettext_lazy("Sign the waiver"),
        form=WaiveForm,
        allowed=Allowed.MANAGER,
        fact=Waiver,
    ),
    Act(
        name="start",
        subject=Subject.ROOM,
        title=gettext_lazy("Start setting"),
        verb=gettext_lazy("Start setting"),
        form=StartForm,
        allowed=Allowed.ROOM,
        fact=Start,
        cautions=("services", "adhesive", "lifting", "cutting", "ladders", "damp"),
    ),
    Act(
        name="began-held",
        subject=Subject.ROOM,
        title=gettext_lazy("Begun while held"),
        verb=gettext_lazy("Record that it was begun"),
        form=BeganHeldForm,
        allowed=Allowed.ROOM,
        says=gettext_lazy("It was begun without a release."),
        fact=BeganHeld,
        cautions=("services", "adhesive", "lifting", "cutting", "ladders", "damp"),
    ),
    Act(
        name="sheets-set",
        subject=Subject.ROOM,
        title=gettext_lazy("Sheets set today"),
        verb=gettext_lazy("Keep this count"),
        form=SheetsSetForm,
        allowed=Allowed.ROOM,
    ),
    Act(
        name="finish",
        subject=Subject.ROOM,
        title=gettext_lazy("Finish the room"),
        verb=gettext_lazy("Finish the room"),
        form=FinishForm,
        allowed=Allowed.ROOM,
        fact=Finish,
    ),
    Act(
        name="turned-away",
        subject=Subject.ROOM,
        title=gettext_lazy("Turned away"),
        verb=gettext_lazy("Record that the crew was turned away"),
        form=TurnedAwayForm,
        allowed=Allowed.SITE,
        says=gettext_lazy("A crew came and could not work. A manager is told."),
        fact=TurnedAway,
    ),
)
CORRECTIONS = (
    Act(
        name="sheets",
        subject=Subject.ROOM,
        title=gettext_lazy("Sheets set"),
        verb=gettext_lazy("Keep this count"),
        form=SheetsSetAgainForm,
        allowed=Allowed.ROOM,
        fact=SheetsSet,
    ),
)
