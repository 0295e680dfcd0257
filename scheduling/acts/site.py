"""The acts of the site: work by others, and lots of consumables brought."""

from __future__ import annotations

from typing import Any

from django import forms
from django.db.models import QuerySet
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from jobs.core.words import Say, say
from jobs.facts import Envelope
from jobs.models import Milestone, MilestoneReport, Room
from jobs.services import seen
from materials.models import ConsumableLot, Product
from materials.services import sheets
from scheduling.acts.base import Act, ActForm, Allowed, Shown, Subject
from scheduling.acts.figures import ExactField
from scheduling.acts.times import YEARS, SiteTimeField
from scheduling.inputs import DayInput, StampInput
from scheduling.parts import Note
from scheduling.printing import plain

DONE, EXPECTED, NO_DATE = "done", "expected", "no_date"


class MilestoneForm(ActForm):
    """That work by others is done, or when it is expected."""

    when_label = gettext_lazy("When it was done, or when you heard")
    subject_fields = ("milestone",)
    from_query = ("milestone",)

    def arrange(self) -> None:
        milestones = self._milestones()
        latest = self._latest(milestones)
        choices = [(str(one.pk), self._named(one, latest.get(one.pk))) for one in milestones]
        self.fields["milestone"] = forms.ChoiceField(
            label=_("Work by others"),
            choices=choices,
            widget=forms.RadioSelect if len(choices) < 6 else forms.Select,
        )
        self.fields["state"] = forms.ChoiceField(
            label=_("How far it is"),
            choices=[
                (DONE, _("Done")),
                (EXPECTED, _("Not done; expected at the time below")),
                (NO_DATE, _("Not done; no date given")),
            ],
            widget=forms.RadioSelect,
        )
        self.fields["expected_at"] = SiteTimeField(required=False, label=_("Expected"))
        self.milestones = {str(one.pk): one for one in milestones}

    def defaults(self) -> dict[str, Any]:
        only = list(self.milestones) if len(self.milestones) == 1 else []
        return {"milestone": only[0]} if only else {}

    @property
    def notes(self) -> tuple[Note, ...]:
        if self.milestones:
            return ()
        return (Note(say("This waits for nobody else"), say("No work by others is named here.")),)

    def judge(self) -> None:
        data = self.cleaned_data
        if data["state"] == EXPECTED and data.get("expected_at") is None:
            self.add_error("expected_at", _("Write when it is expected, or say that no date is given."))
        if data["state"] != EXPECTED and data.get("expected_at") is not None:
            self.add_error("state", _("A time is written below; choose “expected”, or empty it."))

    def perform(self, envelope: Envelope) -> MilestoneReport:
        data = self.cleaned_data
        return seen.report_milestone(
            envelope,
            milestone=self.milestones[data["milestone"]],
            is_done=data["state"] == DONE,
            expected_at=data.get("expected_at"),
        )

    @classmethod
    def initial_of(cls, fact: Any) -> dict[str, Any]:
        state = DONE if fact.is_done else NO_DATE if fact.expected_at is None else EXPECTED
        return {"milestone": str(fact.milestone_id), "state": state, "expected_at": fact.expected_at}

    def _milestones(self) -> list[Milestone]:
        waits: QuerySet[Milestone] = Milestone.objects.filter(job=self.where.job)
        if self.where.room is not None:
            waits = waits.filter(rooms=self.where.room)
        return list(waits.order_by("before", "name"))

    def _latest(self, milestones: list[Milestone]) -> dict[int, MilestoneReport]:
        reports = (
            MilestoneReport.objects.standing().filter(milestone__in=milestones).select_related("milestone")
        )
        return {one.milestone_id: one for one in reports.order_by("happened_at", "recorded_at", "pk")}

    def _named(self, milestone: Milestone, latest: MilestoneReport | None) -> str:
        if latest is None:
            return _("{name}, nothing recorded yet").format(name=milestone.name)
        said = plain(latest.says(), zone=self.where.time_zone, now=self.now)
        return said if said.startswith(milestone.name) else f"{milestone.name}: {said}"


class LotForm(ActForm):
    """So much of a consumable on site, with the last day its label gives."""

    template = "scheduling/acts/_lot.html"
    when_label = gettext_lazy("On site since")
    subject_fields = ("product",)
    from_query = ("product",)

    quantity = ExactField(label=gettext_lazy("Quantity"), low=0, high=999_999, places=3)
    good_through = forms.DateField(
        required=False,
        label=gettext_lazy("Good through"),
        help_text=gettext_lazy("The last day on the label. Leave it empty if the label gives none."),
        widget=DayInput,
    )
    batch = forms.CharField(
        required=False, max_length=60, label=gettext_lazy("Batch, as printed"), widget=StampInput
    )

    def arrange(self) -> None:
        self.products = {str(one.pk): one for one in self._products()}
        choices = [
            ("", _("choose")),
            *((key, f"{one.name} ({one.unit})") for key, one in self.products.items()),
        ]
        self.fields["product"] = forms.ChoiceField(label=_("What was brought"), choices=choices)
        self.rooms = {str(one.pk): one for one in Room.objects.filter(job=self.where.job).order_by("name")}
        self.fields["room"] = forms.ChoiceField(
            required=False,
            label=_("For"),
            choices=[("", _("any room of this job")), *((key, one.name) for key, one in self.rooms.items())],
        )
        self.fields["good_through"].error_messages["invalid"] = _("This is no day; write it as 2026-05-14.")
        self.order_fields(["product", "quantity", "good_through", "batch", "room"])

    def defaults(self) -> dict[str, Any]:
        return {"room": str(self.where.room.pk)} if self.where.room is not None else {}

    def judge(self) -> None:
        day = self.cleaned_data["good_through"]
        if day is not None and day.year not in YEARS:
            self.add_error("good_through", _("The year {year} is not meant.").format(year=day.year))

    def perform(self, envelope: Envelope) -> ConsumableLot:
        data = self.cleaned_data
        return sheets.bring_lot(
            envelope,
            job=self.where.job,
            room=self.rooms[data["room"]] if data["room"] else None,
            product=self.products[data["product"]],
            quantity=data["quantity"],
            good_through=data["good_through"],
            batch=data["batch"],
        )

    @classmethod
    def initial_of(cls, fact: Any) -> dict[str, Any]:
        return {
            "product": str(fact.product_id),
            "quantity": fact.quantity,
            "good_through": fact.good_through,
            "batch": fact.batch,
            "room": str(fact.room_id) if fact.room_id else "",
        }

    @property
    def answer(self) -> Shown | None:
        if self.where.room is None:
            return None
        needs = [
            _amount(need.quantity, need.product)
            for need in self.where.room.consumable_needs.select_related("product").order_by("pk")
        ]
        if not needs:
            return say("{room} needs no consumables.", room=self.where.room.name)
        return say("{room} takes {needs}.", room=self.where.room.name, needs=tuple(needs))

    def _products(self) -> list[Product]:
        """Return the consumables, those that this job needs first."""
        found = Product.objects.exclude(kind__in=Product.PANELS).order_by("name")
        needed = set(found.filter(consumable_needs__room__job=self.where.job).values_list("pk", flat=True))
        return sorted(found, key=lambda one: (one.pk not in needed, one.name))


def _amount(quantity: Any, product: Product) -> Say:
    return say(
        "{amount} {unit} of {product}", amount=float(quantity), unit=product.unit, product=product.name
    )


_MILESTONE = Act(
    name="milestone",
    subject=Subject.JOB,
    title=gettext_lazy("Record work by others"),
    verb=gettext_lazy("Record it"),
    form=MilestoneForm,
    allowed=Allowed.SITE,
    says=gettext_lazy("What somebody else had to do here, and how far it is."),
    fact=MilestoneReport,
)
_LOT = Act(
    name="lot",
    subject=Subject.JOB,
    title=gettext_lazy("Enter a lot of a consumable"),
    verb=gettext_lazy("Keep this lot"),
    form=LotForm,
    allowed=Allowed.SITE,
    says=gettext_lazy("What was brought, how much, and until when it is good."),
    fact=ConsumableLot,
    cautions=("adhesive",),
)
ACTS = (_MILESTONE, _MILESTONE.about(Subject.ROOM), _LOT, _LOT.about(Subject.ROOM))
