"""The acts of stacks: opening and laying out as one handling, how sheets lie, and what is measured on them."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any
from uuid import UUID, uuid5

from django import forms
from django.utils.functional import cached_property
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from jobs.core.words import Say, say, say_n
from jobs.facts import Envelope
from jobs.models import Fact, TemperatureUnit
from materials.models import LaidOut, MoistureReading, Product, StackReading
from materials.services import stacks as stack_services
from scheduling.acts.air import DRIEST, RANGES, WETTEST, AirForm, unit_of, usual_unit
from scheduling.acts.base import Act, ActForm, Allowed, Shown, Subject
from scheduling.acts.sheets import INSPECT, RejectFields, StandingForm, named
from scheduling.acts.weights import weight_of
from scheduling.cold import wrap_notes
from scheduling.inputs import CountField, FigureField
from scheduling.parts import Labelled, Note
from scheduling.services import handling, stacks
from scheduling.services.stacks import AirRead, Handled, LookedAt, Lying

#: Sheets in a flat lot where nobody says otherwise: thin enough to warm in about two hours.
USUAL_LOT = 10


def _ways() -> list[tuple[str, Labelled]]:
    """Return how sheets may lie, each with what it does; on edge is not among them."""
    hints = {
        LaidOut.Lies.LOTS: _("Warm in hours. Takes floor."),
        LaidOut.Lies.APART: _("Warm in minutes. Takes the most floor."),
        LaidOut.Lies.BEARERS: _("Air below as well. Warm in days."),
        LaidOut.Lies.SKID: _("As it came. The middle of a full skid stays cold for days."),
    }
    return [(way.value, Labelled(_first_up(str(way.label)), hint=hint)) for way, hint in hints.items()]


def _first_up(words: str) -> str:
    return words[:1].upper() + words[1:]


def lying_fields(fields: dict[str, forms.Field], *, most: int | None = None) -> None:
    """Add the questions how sheets lie and, of lots, how many in each."""
    fields["lies"] = forms.ChoiceField(
        required=False,
        label=_("How they lie now"),
        choices=_ways(),
        widget=forms.RadioSelect,
        help_text=_("Flat, off the floor. Never on edge: sheets bow, and they topple."),
    )
    fields["lot_of"] = CountField(
        required=False, least=1, most=stack_services.MOST_IN_A_LOT, label=_("Sheets in a lot")
    )


def lying_of(form: ActForm) -> Lying | None:
    """Return how the sheets of a valid form lie; None: nothing was said of it."""
    lies = form.cleaned_data["lies"]
    if not lies:
        return None
    return Lying(lies, form.cleaned_data["lot_of"] if lies == LaidOut.Lies.LOTS else None)


def judge_lying(form: ActForm) -> None:
    """Ask of lots how many sheets lie in each."""
    data = form.cleaned_data
    if data["lies"] == LaidOut.Lies.LOTS and data["lot_of"] is None:
        form.add_error("lot_of", _("Say how many sheets lie in one lot."))


def lots_words(product: Product, sheets: int) -> str:
    """Return how many lots of the usual size so many sheets make, and how much floor they take."""
    lots = -(-sheets // USUAL_LOT)
    area = lots * product.sheet_w_nm * product.sheet_h_nm * 1e-18
    words = ngettext(
        "%(sheets)d sheets in lots of ten: %(n)d lot, about %(area)d m² of floor.",
        "%(sheets)d sheets in lots of ten: %(n)d lots, about %(area)d m² of floor.",
        lots,
    )
    return words % {"sheets": sheets, "n": lots, "area": max(1, round(area))}


class OpenAndLayOutForm(RejectFields, AirForm):
    """A placement opened: how it lies, what was looked at, how warm it is and the air, in one handling."""

    template = "scheduling/acts/_open.html"
    when_label = gettext_lazy("Opened at")
    shown_at = {"rejects": "inspected"}
    temperatures = ("core", "temperature")
    humidities = ("humidity_pct",)

    inspected = CountField(required=False, least=1, label=gettext_lazy("Sheets looked at"))
    mark_seen = forms.BooleanField(
        required=False,
        label=gettext_lazy("Maker’s mark seen on every back"),
        help_text=gettext_lazy("A sheet without its mark is set apart."),
    )
    core = FigureField(required=False, label=gettext_lazy("Middle of the stack"), low=0, high=0)
    temperature = FigureField(required=False, label=gettext_lazy("Air"), low=0, high=0)
    humidity_pct = FigureField(required=False, label=gettext_lazy("Humidity, %"), low=DRIEST, high=WETTEST)

    def arrange(self) -> None:
        super().arrange()
        lying_fields(self.fields)
        self.add_rejects()
        self.fields["core"].help_text = _("by a probe pushed between the sheets")
        self.fields["inspected"].help_text = _("%(n)d to go") % {"n": self.standing.to_inspect}

    def defaults(self) -> dict[str, Any]:
        return {**super().defaults(), "lies": LaidOut.Lies.LOTS.value, "lot_of": USUAL_LOT}

    @cached_property
    def may_inspect(self) -> bool:
        """Whether this person may also record what was looked at here."""
        return INSPECT.is_open_to(self.person, self.where, now=self.now)

    @property
    def has_looked(self) -> bool:
        """Whether anything is written about sheets looked at, so that it is not folded away."""
        names = ("inspected", "mark_seen")
        return any(self[name].errors or self[name].value() for name in names) or self.reject_count > 0

    @property
    def has_measured(self) -> bool:
        """Whether anything is measured, so that it is not folded away."""
        names = ("core", "temperature", "humidity_pct")
        return any(self[name].errors or str(self[name].value() or "") for name in names)

    @property
    def answer(self) -> Shown:
        return say_n(
            "{n} sheet of batch {batch} is opened: lay it flat in the open.",
            "{n} sheets of batch {batch} are opened: lay them out flat in the open.",
            n=self.standing.sheets,
            batch=self.placement.batch,
        )

    @cached_property
    def notes(self) -> tuple[Note, ...]:
        return wrap_notes(self.where.room, {str(self.placement.origin)}, now=self.now)

    @property
    def lots_words(self) -> str:
        """How many lots of the usual size that makes, and how much floor."""
        return lots_words(self.placement.product, self.standing.sheets)

    def judge(self) -> None:
        judge_lying(self)
        data = self.cleaned_data
        if (data["temperature"] is None) != (data["humidity_pct"] is None):
            lacking = "temperature" if data["temperature"] is None else "humidity_pct"
            self.add_error(
                lacking, _("A reading of the air is a temperature and a humidity: write both, or none.")
            )
        looked = data["inspected"] is not None
        if not looked and (data["mark_seen"] or any(self.rejects().values())):
            self.add_error("inspected", _("Say how many sheets were looked at."))
        if looked and not self.may_inspect:
            self.add_error("inspected", _("Inspecting for this room is its own crew’s."))

    def perform(self, envelope: Envelope) -> Iterable[Fact]:
        return stacks.open_and_lay_out(envelope, placement=self.placement, handled=self._handled())

    def _handled(self) -> Handled:
        data = self.cleaned_data
        looked_at = air = None
        if data["inspected"] is not None:
            looked_at = LookedAt(data["inspected"], self.rejects(), data["mark_seen"])
        if data["temperature"] is not None:
            air = AirRead(data["temperature"], data["humidity_pct"])
        return Handled(lying_of(self), looked_at, data["core"], air, data["unit"])


class OpenSeveralForm(ActForm):
    """That placements of a room were unwrapped and how they lie, as one handling."""

    template = "scheduling/acts/_open_several.html"
    when_label = gettext_lazy("Opened at")

    def arrange(self) -> None:
        typed = self.typed.getlist("placements")
        self.standing = {
            str(placement.origin): (placement, one)
            for placement, one in handling.standing_in(self.room)
            if (one.sheets and one.opened_at is None) or str(placement.origin) in typed
        }
        choices = [(key, named(placement, one)) for key, (placement, one) in self.standing.items()]
        self.fields["placements"] = forms.MultipleChoiceField(
            choices=choices,
            widget=forms.CheckboxSelectMultiple,
            label=_("Opened and laid flat in the open"),
            help_text=_("Rest counts from here on."),
        )
        lying_fields(self.fields)

    def defaults(self) -> dict[str, Any]:
        return {
            "placements": list(self.standing),
            "lies": LaidOut.Lies.LOTS.value,
            "lot_of": USUAL_LOT,
        }

    @cached_property
    def weight(self) -> Say | None:
        products = {one.pk: one for one in Product.objects.filter(placements__room=self.room).distinct()}
        here = [(one.sheets, placement.product_id) for placement, one in self.standing.values()]
        if not here:
            return None
        sheets, product = max(here)
        return weight_of(products[product], sheets)

    def judge(self) -> None:
        judge_lying(self)

    @cached_property
    def notes(self) -> tuple[Note, ...]:
        cold = wrap_notes(self.room, set(self.standing), now=self.now)
        if self.standing:
            return cold
        return (
            Note(
                say("Nothing here is still wrapped"),
                say("What has come for this room is open."),
                mark="clear",
            ),
        )

    def perform(self, envelope: Envelope) -> Iterable[Fact]:
        chosen = [self.standing[key][0] for key in self.cleaned_data["placements"]]
        return stacks.open_several(envelope, chosen, lying=lying_of(self))

    def fact_ids(self, act: UUID) -> Iterable[UUID]:
        return [act, *(uuid5(act, f"placement/{key}") for key in self.standing)]


class LayOutForm(StandingForm):
    """How a placement lies from now on."""

    template = "scheduling/acts/_lay_out.html"
    when_label = gettext_lazy("Laid out at")

    def arrange(self) -> None:
        lying_fields(self.fields)
        self.fields["lies"].required = True

    def defaults(self) -> dict[str, Any]:
        return {"lies": LaidOut.Lies.LOTS.value, "lot_of": USUAL_LOT}

    @property
    def answer(self) -> Shown:
        return say_n(
            "{n} sheet of batch {batch} stands here.",
            "{n} sheets of batch {batch} stand here.",
            n=self.standing.sheets,
            batch=self.placement.batch,
        )

    @property
    def lots_words(self) -> str:
        """How many lots of the usual size that makes, and how much floor."""
        return lots_words(self.placement.product, self.standing.sheets)

    def judge(self) -> None:
        judge_lying(self)

    def perform(self, envelope: Envelope) -> LaidOut:
        lying = lying_of(self)
        assert lying is not None
        return stack_services.lay_out(
            envelope, placement=self.placement, lies=lying.lies, lot_of=lying.lot_of
        )

    @classmethod
    def initial_of(cls, fact: Any) -> dict[str, Any]:
        return {"lies": fact.lies, "lot_of": fact.lot_of}


class StackReadingForm(ActForm):
    """A temperature measured on a placement, or told of the lorry that brought it."""

    template = "scheduling/acts/_stack_reading.html"
    when_label = gettext_lazy("Measured at")

    temperature = FigureField(label=gettext_lazy("Temperature"), low=0, high=0)

    def arrange(self) -> None:
        self.fields["place"] = forms.ChoiceField(
            label=_("Where"), choices=_places(), widget=forms.RadioSelect
        )
        self.fields["unit"] = forms.ChoiceField(label=_("Unit"), choices=TemperatureUnit.choices)
        field = self.fields["temperature"]
        assert isinstance(field, FigureField)
        field.low, field.high = RANGES[unit_of(self)]
        self.order_fields(["place", "temperature", "unit"])

    def defaults(self) -> dict[str, Any]:
        return {"place": StackReading.Place.CORE.value, "unit": usual_unit(self)}

    @property
    def answer(self) -> Shown:
        found = StackReading.objects.standing().filter(placement=self.placement.origin)
        last = found.select_related("placement").order_by("-happened_at", "-pk").first()
        if last is None:
            return say("Nobody has measured batch {batch} yet.", batch=self.placement.batch)
        return say("Last measured {at}: {fact}", at=last.happened_at, fact=last.says())

    def perform(self, envelope: Envelope) -> StackReading:
        data = self.cleaned_data
        return stack_services.measure_stack(
            envelope,
            placement=self.placement,
            place=data["place"],
            temperature=data["temperature"],
            unit=data["unit"],
        )

    @classmethod
    def initial_of(cls, fact: Any) -> dict[str, Any]:
        return {"place": fact.place, "temperature": fact.temperature, "unit": fact.unit}


def _places() -> list[tuple[str, Labelled]]:
    hints = {
        StackReading.Place.CORE: _(
            "A probe between the sheets, halfway down. It overrules what is worked out."
        ),
        StackReading.Place.FACE: _("A hand-held on the top sheet. It says nothing of the sheets below."),
        StackReading.Place.LORRY: _("What the driver or its display says."),
    }
    return [(place.value, Labelled(_first_up(str(place.label)), hint=hint)) for place, hint in hints.items()]


class MoistureForm(ActForm):
    """What a pin meter read on the wood backing of a placement."""

    when_label = gettext_lazy("Read at")

    moisture_pct = FigureField(label=gettext_lazy("Moisture of the wood, %"), low=0, high=100)

    def arrange(self) -> None:
        limits = moisture_limits(self.placement.product)
        self.fields["moisture_pct"].help_text = (
            _("the maker allows %(limits)s") % {"limits": limits} if limits else _("pins into the back")
        )

    @property
    def notes(self) -> tuple[Note, ...]:
        if self.placement.product.kind != Product.Kind.BACKED:
            title = say("{product} has no wood on its back", product=self.placement.product.name)
            return (Note(title, say("There is nothing for pins to read.")),)
        return (
            Note(
                say("Hours do not prove the wood"),
                say(
                    "Wood follows the humidity over days, and in a stack hardly at all. A pin meter on the"
                    " back is the proof; move a panel out of the middle to read it."
                ),
                mark="prov",
            ),
        )

    @property
    def can_send(self) -> bool:
        return self.placement.product.kind == Product.Kind.BACKED

    def perform(self, envelope: Envelope) -> MoistureReading:
        return stack_services.measure_moisture(
            envelope, placement=self.placement, moisture_pct=self.cleaned_data["moisture_pct"]
        )

    @classmethod
    def initial_of(cls, fact: Any) -> dict[str, Any]:
        return {"moisture_pct": fact.moisture_pct}


def moisture_limits(product: Product) -> str | None:
    """Return what the maker allows in the wood, in words; None: it is not known."""
    if product.moisture_min_pct is None or product.moisture_max_pct is None:
        return None
    return f"{product.moisture_min_pct:g}–{product.moisture_max_pct:g}\N{NO-BREAK SPACE}%"


CAUTIONS = ("wet", "lifting", "skid")

ACTS = (
    Act(
        name="open",
        subject=Subject.ROOM,
        title=gettext_lazy("Open and lay out"),
        verb=gettext_lazy("Record that they are open"),
        form=OpenSeveralForm,
        allowed=Allowed.SITE,
        says=gettext_lazy("Flat in the open, never on edge: so the sheets take on the room’s air."),
        cautions=CAUTIONS,
    ),
    Act(
        name="open",
        subject=Subject.PLACEMENT,
        title=gettext_lazy("Open and lay out"),
        verb=gettext_lazy("Record that they are open"),
        form=OpenAndLayOutForm,
        allowed=Allowed.SITE,
        cautions=CAUTIONS,
    ),
    Act(
        name="lay-out",
        subject=Subject.PLACEMENT,
        title=gettext_lazy("Lay out"),
        verb=gettext_lazy("Record how they lie"),
        form=LayOutForm,
        allowed=Allowed.SITE,
        fact=LaidOut,
        cautions=CAUTIONS,
    ),
    Act(
        name="temperature",
        subject=Subject.PLACEMENT,
        title=gettext_lazy("Measure the stack"),
        verb=gettext_lazy("Keep this temperature"),
        form=StackReadingForm,
        allowed=Allowed.SITE,
        fact=StackReading,
    ),
    Act(
        name="moisture",
        subject=Subject.PLACEMENT,
        title=gettext_lazy("Read the wood on the back"),
        verb=gettext_lazy("Keep this reading"),
        form=MoistureForm,
        allowed=Allowed.SITE,
        says=gettext_lazy("What the pin meter shows."),
        fact=MoistureReading,
    ),
)
