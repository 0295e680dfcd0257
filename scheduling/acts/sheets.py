"""The acts of panels on site: opening, inspecting, moving, counting again, and a mix of batches."""

from __future__ import annotations

from typing import Any

from django import forms
from django.forms import BoundField
from django.utils.functional import cached_property
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from jobs.core.words import Say, say, say_n
from jobs.facts import Envelope
from jobs.models import Room, Zone
from materials.core.stock import Standing
from materials.models import DefectKind, Inspection, MixAcknowledged, Opening, Placement, Product
from materials.services import sheets
from scheduling.acts.base import Act, ActForm, Allowed, Shown, Subject
from scheduling.acts.weights import weight_of
from scheduling.inputs import CountField, StampInput
from scheduling.parts import Note
from scheduling.services import handling

#: Kinds of defect that are asked at once; the rest are folded away.
USUAL = (
    DefectKind.CHIP,
    DefectKind.CRACK,
    DefectKind.SCRATCH,
    DefectKind.STAIN,
    DefectKind.WARP,
    DefectKind.NO_MARK,
)


class OpenForm(ActForm):
    """When one placement was unwrapped, put right."""

    when_label = gettext_lazy("Opened at")

    @property
    def answer(self) -> Shown:
        return say_n(
            "{n} sheet of batch {batch} is opened and laid flat in the open.",
            "{n} sheets of batch {batch} are opened and laid flat in the open.",
            n=handling.standing_of(self.placement).sheets,
            batch=self.placement.batch,
        )

    def perform(self, envelope: Envelope) -> Opening:
        return sheets.open_placement(envelope, placement=self.placement)


class StandingForm(ActForm):
    """What forms share that handle what stands of a placement."""

    @cached_property
    def standing(self) -> Standing:
        """What stands there."""
        return handling.standing_of(self.placement)

    @cached_property
    def weight(self) -> Say:
        return weight_of(self.placement.product, self.standing.sheets)


class RejectFields(StandingForm):
    """What forms share that count sheets set apart, by kind of defect."""

    def add_rejects(self) -> None:
        """Add a count for each kind of defect."""
        for kind in (*USUAL, *(kind for kind in DefectKind if kind not in USUAL)):
            self.fields[_reject(kind)] = CountField(required=False, label=_named_kind(kind), initial=0)

    @property
    def usual(self) -> list[BoundField]:
        """The counts of the usual defects."""
        return [self[_reject(kind)] for kind in USUAL]

    @property
    def unusual(self) -> list[BoundField]:
        """The counts of the other defects."""
        return [self[_reject(kind)] for kind in DefectKind if kind not in USUAL]

    @property
    def unusual_count(self) -> int:
        """How many of the other defects have something written at them."""
        return _written(self.unusual)

    @property
    def reject_count(self) -> int:
        """How many defects have something written at them."""
        return _written([*self.usual, *self.unusual])

    def rejects(self) -> dict[str, int]:
        """Return the counts of a valid form by kind."""
        return {kind.value: self.cleaned_data[_reject(kind)] or 0 for kind in DefectKind}


def _written(counts: list[BoundField]) -> int:
    return sum(1 for bound in counts if bound.errors or str(bound.value() or "0") != "0")


class InspectForm(RejectFields):
    """A further part of a placement's inspection: so many looked at, so many of them set apart by kind."""

    template = "scheduling/acts/_inspect.html"
    shown_at = {"rejects": "inspected"}

    inspected = CountField(least=1, label=gettext_lazy("Sheets looked at"))
    mark_seen = forms.BooleanField(
        required=False,
        label=gettext_lazy("Maker’s mark seen on every back"),
        help_text=gettext_lazy("A sheet without its mark is set apart."),
    )

    def arrange(self) -> None:
        self.add_rejects()
        self.fields["inspected"].help_text = _("%(n)d to go") % {"n": self.standing.to_inspect}

    @cached_property
    def standing(self) -> Standing:
        """What stands, without the part that is being corrected."""
        return handling.standing_of(self.placement, without=self.corrects)

    @property
    def answer(self) -> Shown:
        return say(
            "Batch {batch}: {looked} of {here} looked at, {rejected} set apart, {left} to go.",
            batch=self.placement.batch,
            looked=self.standing.inspected,
            here=self.standing.sheets,
            rejected=self.standing.rejected,
            left=self.standing.to_inspect,
        )

    def perform(self, envelope: Envelope) -> Inspection:
        return handling.inspect(
            envelope,
            placement=self.placement,
            inspected=self.cleaned_data["inspected"],
            rejects=self.rejects(),
            mark_seen=self.cleaned_data["mark_seen"],
        )

    @classmethod
    def initial_of(cls, fact: Any) -> dict[str, Any]:
        rejects = {_reject(DefectKind(one.kind)): one.sheets for one in fact.rejects.all()}
        return {"inspected": fact.inspected, "mark_seen": fact.mark_seen, **rejects}


class MoveForm(StandingForm):
    """That sheets were moved to another zone, or are for another room from now on."""

    when_label = gettext_lazy("Moved at")
    shown_at = {"to": "to_zone"}

    sheets = CountField(least=1, label=gettext_lazy("Sheets"))

    def arrange(self) -> None:
        zones = Zone.objects.filter(job=self.where.job).order_by("name")
        self.zones = {str(zone.pk): zone for zone in zones}
        rooms = Room.objects.filter(job=self.where.job).select_related("zone").order_by("zone__name", "name")
        self.rooms = {str(room.pk): room for room in rooms}
        self.fields["to_zone"] = forms.ChoiceField(
            label=_("Into"), choices=[(key, zone.name) for key, zone in self.zones.items()]
        )
        self.fields["room"] = forms.ChoiceField(
            required=False, label=_("For"), choices=room_choices(self.rooms)
        )

    def defaults(self) -> dict[str, Any]:
        return {
            "sheets": self.standing.sheets,
            "to_zone": str(self.placement.zone_id),
            "room": str(self.placement.room_id or ""),
        }

    @property
    def answer(self) -> Shown:
        return say_n(
            "{n} sheet of batch {batch} stands in {zone}.",
            "{n} sheets of batch {batch} stand in {zone}.",
            n=self.standing.sheets,
            batch=self.placement.batch,
            zone=self.placement.zone.name,
        )

    def perform(self, envelope: Envelope) -> Placement:
        data = self.cleaned_data
        return handling.move(
            envelope,
            placement=self.placement,
            count=data["sheets"],
            to=self.zones[data["to_zone"]],
            room=self.rooms[data["room"]] if data["room"] else None,
        )


class RecountForm(ActForm):
    """The count, the batch or the time of a placement, put right."""

    when_label = gettext_lazy("Came at")

    batch = forms.CharField(max_length=60, label=gettext_lazy("Batch, as printed"), widget=StampInput)
    sheets = CountField(least=1, label=gettext_lazy("Sheets that came"))

    def perform(self, envelope: Envelope) -> Placement:
        data = self.cleaned_data
        return handling.recount(envelope, placement=self.corrects, batch=data["batch"], count=data["sheets"])

    @classmethod
    def initial_of(cls, fact: Any) -> dict[str, Any]:
        return {"batch": fact.batch, "sheets": fact.sheets}


class MixForm(ActForm):
    """That a batch-matched product may be set in a room from more than one batch."""

    subject_fields = ("product",)

    def arrange(self) -> None:
        matched = Product.objects.filter(requirements__room=self.room, is_batch_matched=True).order_by("name")
        self.products = {str(one.pk): one for one in matched}
        self.fields["product"] = forms.ChoiceField(
            label=_("Product"),
            choices=[(key, one.name) for key, one in self.products.items()],
            widget=forms.RadioSelect,
        )
        if self.corrects is None:
            self.fields["reason"] = forms.CharField(
                required=False,
                max_length=500,
                label=_("Who agreed, and how it is set"),
                help_text=_("“Customer, on site; batches change at the corner.”"),
            )

    def defaults(self) -> dict[str, Any]:
        return {"product": next(iter(self.products))} if len(self.products) == 1 else {}

    @property
    def answer(self) -> Shown:
        here = {
            placement.batch
            for placement, one in handling.standing_in(self.room)
            if one.sheets and str(placement.product_id) in self.products
        }
        if not here:
            return say("No sheets stand here for {room} yet.", room=self.room.name)
        return say_n(
            "{n} batch stands here for {room}: {batches}.",
            "{n} batches stand here for {room}: {batches}.",
            n=len(here),
            room=self.room.name,
            batches=tuple(sorted(here)),
        )

    @property
    def notes(self) -> tuple[Note, ...]:
        if not self.products:
            title = say("No product of this room has to be of one batch")
            return (Note(title, say("There is nothing to acknowledge."), mark="clear"),)
        return (
            Note(
                say("Colour may differ between batches"),
                say("Look at them side by side in the room’s own light."),
            ),
        )

    def perform(self, envelope: Envelope) -> MixAcknowledged:
        return sheets.acknowledge_mix(
            envelope, room=self.room, product=self.products[self.cleaned_data["product"]]
        )

    @classmethod
    def initial_of(cls, fact: Any) -> dict[str, Any]:
        return {"product": str(fact.product_id)}


def room_choices(rooms: dict[str, Room]) -> list[tuple[str, str]]:
    """Return the rooms of a job to choose from, each with its zone, and "no room yet"."""
    named = [(key, f"{room.name} ({room.zone.name})") for key, room in rooms.items()]
    return [("", _("no room yet")), *named]


def _reject(kind: DefectKind) -> str:
    return f"reject_{kind.value}"


def _named_kind(kind: DefectKind) -> str:
    label = str(kind.label)
    return label[:1].upper() + label[1:]


def named(placement: Placement, standing: Standing) -> str:
    words = ngettext("%(n)d sheet, batch %(batch)s", "%(n)d sheets, batch %(batch)s", standing.sheets)
    return words % {"n": standing.sheets, "batch": placement.batch}


INSPECT = Act(
    name="inspect",
    subject=Subject.PLACEMENT,
    title=gettext_lazy("Count and inspect"),
    verb=gettext_lazy("Keep this count"),
    form=InspectForm,
    allowed=Allowed.ROOM,
    fact=Inspection,
    cautions=("lifting",),
)
ACTS = (
    INSPECT,
    Act(
        name="move",
        subject=Subject.PLACEMENT,
        title=gettext_lazy("Move or reserve"),
        verb=gettext_lazy("Record the move"),
        form=MoveForm,
        allowed=Allowed.SITE,
        cautions=("lifting", "skid"),
    ),
    Act(
        name="mix",
        subject=Subject.ROOM,
        title=gettext_lazy("Acknowledge a mix of batches"),
        verb=gettext_lazy("Sign for the mix"),
        form=MixForm,
        allowed=Allowed.ROOM,
        fact=MixAcknowledged,
    ),
)
CORRECTIONS = (
    Act(
        name="opening",
        subject=Subject.PLACEMENT,
        title=gettext_lazy("An opening"),
        verb=gettext_lazy("Record that they are open"),
        form=OpenForm,
        allowed=Allowed.SITE,
        fact=Opening,
    ),
    Act(
        name="recount",
        subject=Subject.PLACEMENT,
        title=gettext_lazy("A placement"),
        verb=gettext_lazy("Keep this count"),
        form=RecountForm,
        allowed=Allowed.SITE,
        fact=Placement,
    ),
)
