"""The acts of panels under way: orders, dispatches, promised arrivals, and what came to the dock."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from django import forms
from django.db.models import Sum
from django.forms import BoundField
from django.urls import reverse
from django.utils.functional import cached_property
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from jobs.core.words import Say, say, say_n
from jobs.facts import Envelope, is_earlier
from jobs.models import Fact, Firm, Room, TemperatureUnit, Zone
from materials.models import (
    Arrival,
    ArrivalPromise,
    Dispatch,
    DispatchLine,
    OrderLine,
    Placement,
    Product,
    Requirement,
    StackReading,
)
from materials.queries import expected_arrivals
from materials.services import deliveries
from materials.services.deliveries import BatchLine, PlacedLine, StackTemperature
from materials.services.orders import OrderedLine, place_order
from scheduling.acts.air import RANGES, unit_of, usual_unit
from scheduling.acts.base import Act, ActForm, Allowed, Shown, Subject
from scheduling.acts.rows import Row, Rows
from scheduling.acts.sheets import room_choices
from scheduling.acts.times import YEARS, SiteTimeField
from scheduling.acts.weights import weight_of
from scheduling.cold import wrap_words
from scheduling.inputs import CountField, DayInput, FigureField, StampInput
from scheduling.parts import Note


def _batch_field() -> forms.CharField:
    return forms.CharField(
        required=False, max_length=60, label=gettext_lazy("Batch, as printed"), widget=StampInput
    )


def _sheets_field() -> CountField:
    return CountField(required=False, label=gettext_lazy("Sheets"))


# ---- dispatches ----


class BatchRow(Row):
    """A batch and how many sheets of it, for one line of the order."""

    needed = ("batch", "sheets")

    #: The count that the form offered: left as it was, with no batch beside it, it says nothing.
    offered = forms.CharField(required=False, widget=forms.HiddenInput)
    batch = _batch_field()
    sheets = _sheets_field()

    def arrange(self) -> None:
        assert isinstance(self.act, DispatchForm)
        choices = [(key, line.product.name) for key, line in self.act.order_lines.items()]
        self.fields["line"] = forms.ChoiceField(choices=choices, widget=forms.HiddenInput)

    @property
    def is_written(self) -> bool:
        typed = {name: str(self[name].data or "").strip() for name in ("batch", "sheets", "offered")}
        return bool(typed["batch"]) or typed["sheets"] not in ("", typed["offered"])


class BatchRows(Rows):
    """The batches of a dispatch."""

    row = BatchRow


@dataclass(frozen=True, slots=True)
class OrderedGroup:
    """A line of the order, and the batches written for it."""

    line: OrderLine
    #: Ordered, and not yet sent by other dispatches.
    open: int
    rows: list[Row]


class DispatchForm(ActForm):
    """That part of an order was sent off: batches and counts against each line of the order."""

    template = "scheduling/acts/_dispatch.html"
    when_label = gettext_lazy("Left at")
    rows_class = BatchRows

    expected_at = SiteTimeField(
        required=False,
        label=gettext_lazy("Arrives at"),
        help_text=gettext_lazy("On the site's clock. Leave it empty if no time is given."),
    )
    paper = forms.CharField(required=False, max_length=60, label=gettext_lazy("Number of the delivery paper"))
    more = forms.BooleanField(required=False, label=gettext_lazy("More was sent than was ordered"))
    #: Whether more was written than was ordered.
    is_over = False

    @cached_property
    def order_lines(self) -> dict[str, OrderLine]:
        """The lines of the order, by key."""
        lines = self.order.lines.select_related("product", "room").order_by("pk")
        return {str(line.pk): line for line in lines}

    @cached_property
    def open_by_line(self) -> dict[str, int]:
        """Sheets ordered and not yet sent, by line; never below 0."""
        sent = DispatchLine.objects.filter(
            order_line__order=self.order, dispatch__superseded_by__isnull=True, dispatch__withdraws=False
        )
        if self.corrects is not None:
            sent = sent.exclude(dispatch__origin=self.corrects.origin)
        # A repeat of the same act is not judged against itself.
        if self.is_bound:
            sent = sent.exclude(dispatch=self.data["act"])
        counts = dict(
            sent.values_list("order_line").annotate(Sum("sheets")).values_list("order_line", "sheets__sum")
        )
        return {key: max(0, line.sheets - counts.get(line.pk, 0)) for key, line in self.order_lines.items()}

    def offered(self) -> list[dict[str, Any]]:
        still = {key: count for key, count in self.open_by_line.items() if count}
        lines = still or self.open_by_line
        return [
            {"line": key, "sheets": count or None, "offered": count or ""} for key, count in lines.items()
        ]

    def lines_of(self, fact: Any) -> list[dict[str, Any]]:
        return [
            {"line": str(line.order_line_id), "batch": line.batch, "sheets": line.sheets}
            for line in fact.lines.order_by("order_line", "batch", "pk")
        ]

    @property
    def groups(self) -> list[OrderedGroup]:
        """The lines of the order, each with what was written for it."""
        assert self.rows is not None
        rows: dict[str, list[Row]] = defaultdict(list)
        for row in self.rows.forms:
            rows[str(row["line"].value() or "")].append(row)
        for key in rows:
            _number(rows[key], lead="batch")
        return [
            OrderedGroup(line, self.open_by_line[key], rows[key]) for key, line in self.order_lines.items()
        ]

    @property
    def times(self) -> list[BoundField]:
        """The promised arrival, with the question which of two times is meant."""
        return [bound for bound in self.own_fields if bound.name.startswith("expected_at")]

    @property
    def asks_more(self) -> bool:
        """Whether the tick for more than was ordered is shown."""
        return "more" in self.typed or self.is_over

    @property
    def answer(self) -> Shown:
        still = sum(self.open_by_line.values())
        if not still and self.corrects is None:
            return say(
                "All {n} sheets of order {order} are sent.", n=self._ordered(), order=self.order.number
            )
        return say("{n} of {all} sheets are still to send.", n=still, all=self._ordered())

    @property
    def notes(self) -> tuple[Note, ...]:
        by_room: dict[int, set[str]] = defaultdict(set)
        rows = self.rows.filled if self.rows is not None and self.is_bound else []
        for row in rows:
            line = self.order_lines.get(str(row["line"].value()))
            if line is not None and line.product.is_batch_matched and line.room_id is not None:
                by_room[line.room_id].add(str(row["batch"].value() or "").strip())
        if any(len(batches) > 1 for batches in by_room.values()):
            return (
                Note(
                    say("Two batches for one room"),
                    say("Colour may differ. Say so to the manager, or send one batch."),
                ),
            )
        return ()

    def judge(self) -> None:
        assert self.rows is not None
        if not self.rows.filled:
            self.rows.forms[0].add_error("batch", _("Write at least one batch, as it is printed."))
        over = self._too_many()
        self.is_over = bool(over)
        if not self.cleaned_data["more"]:
            for row, ordered in over:
                message = _("%(typed)d is more than the %(open)d still to send. If it is right, tick below.")
                row.add_error("sheets", message % {"typed": row.cleaned_data["sheets"], "open": ordered})

    def perform(self, envelope: Envelope) -> Fact:
        assert self.rows is not None
        lines = [
            BatchLine(
                self.order_lines[row.cleaned_data["line"]],
                row.cleaned_data["batch"],
                row.cleaned_data["sheets"],
            )
            for row in self.rows.filled
        ]
        data = self.cleaned_data
        return deliveries.record_dispatch(
            envelope, order=self.order, lines=lines, expected_at=data["expected_at"], paper=data["paper"]
        )

    @classmethod
    def initial_of(cls, fact: Any) -> dict[str, Any]:
        return {"expected_at": fact.expected_at, "paper": fact.paper}

    def _ordered(self) -> int:
        return sum(line.sheets for line in self.order_lines.values())

    def _too_many(self) -> list[tuple[Row, int]]:
        """Return the last line written for each line of the order that got more than was still to send."""
        assert self.rows is not None
        totals: dict[str, int] = defaultdict(int)
        last: dict[str, Row] = {}
        for row in self.rows.filled:
            data = getattr(row, "cleaned_data", {})
            key = str(data.get("line", ""))
            totals[key] += data.get("sheets") or 0
            last[key] = row
        return [
            (last[key], self.open_by_line[key])
            for key, total in totals.items()
            if key in self.open_by_line and total > self.open_by_line[key]
        ]


class PromiseForm(ActForm):
    """A later word on when a dispatch will arrive."""

    when_label = gettext_lazy("Said at")

    expected_at = SiteTimeField(required=False, label=gettext_lazy("Arrives at"))
    unknown = forms.BooleanField(required=False, label=gettext_lazy("It is not known any more"))

    @property
    def answer(self) -> Shown:
        expected = expected_arrivals([self.dispatch])[self.dispatch.origin]
        if expected is None:
            return say("No arrival is promised.")
        return say("Promised for {at}.", at=expected)

    def judge(self) -> None:
        data = self.cleaned_data
        if data["expected_at"] is None and not data["unknown"]:
            self.add_error("expected_at", _("Write when it arrives, or tick that it is not known any more."))
        elif data["expected_at"] is not None and data["unknown"]:
            self.add_error("unknown", _("A time is written above; empty it, or take this tick away."))

    def perform(self, envelope: Envelope) -> ArrivalPromise:
        return deliveries.promise_arrival(
            envelope, dispatch=self.dispatch, expected_at=self.cleaned_data["expected_at"]
        )

    @classmethod
    def initial_of(cls, fact: Any) -> dict[str, Any]:
        return {"expected_at": fact.expected_at, "unknown": fact.expected_at is None}


# ---- arrivals ----


class CameRow(Row):
    """A batch that came: how many sheets of which product, and for which room."""

    needed = ("product", "batch", "sheets")

    #: The count on the paper; empty where the paper says nothing of it.
    offered = forms.CharField(required=False, widget=forms.HiddenInput)
    #: Set by the button that asks for another line.
    line = forms.CharField(required=False, widget=forms.HiddenInput)
    batch = _batch_field()
    sheets = _sheets_field()

    def arrange(self) -> None:
        assert isinstance(self.act, CameForm)
        products = self.act.products
        choices = [(key, product.name) for key, product in products.items()]
        # Where only one product can have come there is nothing to choose.
        widget = forms.Select if len(choices) > 1 else forms.HiddenInput
        if len(choices) > 1:
            choices = [("", _("choose")), *choices]
        self.fields["product"] = forms.ChoiceField(
            required=False, label=_("Product"), choices=choices, widget=widget
        )
        self.fields["room"] = forms.ChoiceField(
            required=False, label=_("For"), choices=room_choices(self.act.rooms)
        )
        self.order_fields(["batch", "sheets", "product", "room"])

    def clean(self) -> dict[str, Any]:
        """Take the only product there is where none is named."""
        assert isinstance(self.act, CameForm)
        if not self.cleaned_data.get("product") and len(self.act.products) == 1:
            self.cleaned_data["product"] = next(iter(self.act.products))
        return super().clean()

    @property
    def is_written(self) -> bool:
        """Whether some came: a batch counted as 0 did not."""
        typed = {name: str(self[name].data or "").strip() for name in ("batch", "sheets")}
        return typed["sheets"] != "0" and (bool(typed["batch"]) or bool(typed["sheets"]))

    def placed(self) -> PlacedLine:
        """Return the line as it was counted."""
        assert isinstance(self.act, CameForm)
        data = self.cleaned_data
        room = self.act.rooms[data["room"]] if data["room"] else None
        return PlacedLine(self.act.products[data["product"]], data["batch"], data["sheets"], room)


class CameRows(Rows):
    """The batches that came."""

    row = CameRow


class CameForm(ActForm):
    """What came to a zone, batch by batch."""

    template = "scheduling/acts/_arrival.html"
    when_label = gettext_lazy("Arrived at")
    rows_class = CameRows

    more = forms.BooleanField(required=False, label=gettext_lazy("More came than the paper says"))
    face = FigureField(
        required=False,
        label=gettext_lazy("Sheets, by hand-held"),
        help_text=gettext_lazy("on the top sheet"),
        low=0,
        high=0,
    )
    lorry = FigureField(
        required=False,
        label=gettext_lazy("Lorry, as told"),
        help_text=gettext_lazy("by the driver or its display"),
        low=0,
        high=0,
    )
    #: Whether more was counted than the paper says.
    is_over = False

    @cached_property
    def products(self) -> dict[str, Product]:
        """The products that may have come, by key."""
        raise NotImplementedError

    def arrange(self) -> None:
        zones = Zone.objects.filter(job=self.where.job).order_by("name")
        self.zones = {str(zone.pk): zone for zone in zones}
        rooms = Room.objects.filter(job=self.where.job).select_related("zone").order_by("zone__name", "name")
        self.rooms = {str(room.pk): room for room in rooms}
        choices = [(key, zone.name) for key, zone in self.zones.items()]
        if len(choices) > 1:
            choices = [("", _("choose")), *choices]
        self.fields["zone"] = forms.ChoiceField(
            label=_("Put down in"), choices=choices, help_text=_("Flat on skids, off the floor.")
        )
        self.fields["unit"] = forms.ChoiceField(
            required=False,
            label=_("Unit"),
            choices=TemperatureUnit.choices,
            initial=usual_unit(self),
        )
        for name in ("face", "lorry"):
            field = self.fields[name]
            assert isinstance(field, FigureField)
            field.low, field.high = RANGES[unit_of(self)]
        self.order_fields(["zone"])

    @cached_property
    def weight(self) -> Say | None:
        heaviest = max(self.products.values(), key=_size, default=None)
        return weight_of(heaviest, 1) if heaviest else None

    @property
    def numbered(self) -> list[Row]:
        """The lines, told apart where there are several."""
        assert self.rows is not None
        _number(self.rows.forms, lead="batch")
        return list(self.rows.forms)

    @property
    def asks_more(self) -> bool:
        """Whether the tick for more than the paper says is shown."""
        return "more" in self.typed or self.is_over

    def judge(self) -> None:
        assert self.rows is not None
        if not self.rows.filled:
            self.rows.forms[0].add_error("batch", _("Write at least one batch that came."))
        over = self._too_many()
        self.is_over = bool(over)
        if not self.cleaned_data["more"]:
            for row, paper in over:
                message = _(
                    "%(typed)d is more than the %(paper)d on the paper. Count again; if more came, tick below."
                )
                row.add_error("sheets", message % {"typed": row.cleaned_data["sheets"], "paper": paper})

    def perform(self, envelope: Envelope) -> Arrival:
        assert self.rows is not None
        return deliveries.record_arrival(
            envelope,
            zone=self.zones[self.cleaned_data["zone"]],
            lines=[row.placed() for row in self.rows.filled if isinstance(row, CameRow)],
            dispatch=self.where.dispatch,
            temperatures=self._temperatures(),
        )

    def _temperatures(self) -> list[StackTemperature]:
        data = self.cleaned_data
        unit = data["unit"] or usual_unit(self)
        given = ((StackReading.Place.FACE, data["face"]), (StackReading.Place.LORRY, data["lorry"]))
        return [StackTemperature(place, degrees, unit) for place, degrees in given if degrees is not None]

    def url_after(self, facts: list[Fact]) -> str:
        rooms = set(
            Placement.objects.filter(arrival__in=[fact.pk for fact in facts]).values_list("room", flat=True)
        )
        if len(rooms) == 1 and None not in rooms:
            return reverse("scheduling:room", args=[rooms.pop()])
        return reverse("scheduling:job", args=[self.where.job.pk])

    def warning(self, facts: list[Fact]) -> str | None:
        placed = Placement.objects.filter(arrival__in=[fact.pk for fact in facts])
        return wrap_words(placed, zone=self.where.time_zone, now=self.now)

    def _too_many(self) -> list[tuple[Row, int]]:
        assert self.rows is not None
        found = []
        for row in self.rows.filled:
            paper = str(row["offered"].value() or "")
            counted = getattr(row, "cleaned_data", {}).get("sheets") or 0
            if paper.isascii() and paper.isdigit() and counted > int(paper):
                found.append((row, int(paper)))
        return found


def _size(product: Product) -> int:
    return product.sheet_w_nm * product.sheet_h_nm * product.thickness_nm


class ArrivalForm(CameForm):
    """That a dispatch came to the dock, counted batch by batch against its paper."""

    @cached_property
    def products(self) -> dict[str, Product]:
        """The products of the order."""
        found = Product.objects.filter(order_lines__order=self.order).distinct().order_by("name")
        return {str(product.pk): product for product in found}

    @cached_property
    def paper_lines(self) -> list[DispatchLine]:
        """What the paper says."""
        lines = self.dispatch.lines.select_related("order_line__product", "order_line__room")
        return list(lines.order_by("order_line", "batch", "pk"))

    def defaults(self) -> dict[str, Any]:
        zones = [
            line.order_line.room.zone_id for line in self.paper_lines if line.order_line.room is not None
        ]
        usual = max(set(zones), key=zones.count, default=None)
        return {"zone": str(usual)} if usual is not None else {}

    def offered(self) -> list[dict[str, Any]]:
        return [
            {
                "product": str(line.order_line.product_id),
                "batch": line.batch,
                "sheets": line.sheets,
                "offered": line.sheets,
                "room": str(line.order_line.room_id or ""),
            }
            for line in self.paper_lines
        ]

    @property
    def answer(self) -> Shown:
        sheets = sum(line.sheets for line in self.paper_lines)
        return say_n(
            "{n} sheet on the paper of order {order}. Count what came.",
            "{n} sheets on the paper of order {order}. Count what came.",
            n=sheets,
            order=self.order.number,
        )

    @property
    def notes(self) -> tuple[Note, ...]:
        arrived = (
            Arrival.objects.standing()
            .filter(dispatch=self.dispatch.origin)
            .select_related("recorded_by")
            .first()
        )
        if arrived is None or self.is_bound:
            return ()
        return (
            Note(
                say("{who} has already confirmed this arrival", who=arrived.recorded_by.name),
                say(
                    "It arrived {at}. What is wrong about it is corrected where the sheets stand.",
                    at=arrived.happened_at,
                ),
                kind="clash",
                mark="clash",
            ),
        )

    def warning(self, facts: list[Fact]) -> str | None:
        (arrival,) = facts
        came = sum(Placement.objects.filter(arrival=arrival.pk).values_list("sheets", flat=True))
        paper = sum(line.sheets for line in self.paper_lines)
        words = []
        if came != paper:
            words.append(_("%(came)d came of the %(paper)d on the paper.") % {"came": came, "paper": paper})
        if is_earlier(arrival.happened_at, self.dispatch.happened_at):
            words.append(
                _("By the supplier's record it was sent off later than that; one of the two times is wrong.")
            )
        cold = super().warning(facts)
        return " ".join([*words, *([cold] if cold else [])]) or None


class UnannouncedForm(CameForm):
    """A delivery that nobody had announced."""

    @cached_property
    def products(self) -> dict[str, Product]:
        """The panels, those that this job takes first."""
        found = Product.objects.filter(kind__in=Product.PANELS).order_by("name")
        taken = set(found.filter(requirements__room__job=self.where.job).values_list("pk", flat=True))
        ordered = sorted(found, key=lambda one: (one.pk not in taken, one.name))
        return {str(product.pk): product for product in ordered}

    def defaults(self) -> dict[str, Any]:
        return {"zone": next(iter(self.zones))} if len(self.zones) == 1 else {}

    def offered(self) -> list[dict[str, Any]]:
        return [{}]


# ---- orders ----


class OrderRow(Row):
    """So many sheets of a product, and the room they are for."""

    needed = ("product", "sheets")

    line = forms.CharField(required=False, widget=forms.HiddenInput)
    #: The count that the form offered: emptied, the line is not ordered.
    offered = forms.CharField(required=False, widget=forms.HiddenInput)
    sheets = _sheets_field()

    def arrange(self) -> None:
        assert isinstance(self.act, OrderForm)
        choices = [("", _("choose")), *((key, product.name) for key, product in self.act.products.items())]
        self.fields["product"] = forms.ChoiceField(required=False, label=_("Product"), choices=choices)
        self.fields["room"] = forms.ChoiceField(
            required=False, label=_("For"), choices=room_choices(self.act.rooms)
        )
        self.order_fields(["product", "sheets", "room"])

    @property
    def is_written(self) -> bool:
        typed = {name: str(self[name].data or "").strip() for name in ("product", "sheets", "offered")}
        return bool(typed["sheets"]) or (bool(typed["product"]) and not typed["offered"])


class OrderRows(Rows):
    """The lines of an order."""

    row = OrderRow


class OrderForm(ActForm):
    """A new order from one supplier for one job."""

    is_fact = False
    template = "scheduling/acts/_order.html"
    rows_class = OrderRows

    number = forms.CharField(max_length=40, label=gettext_lazy("Order number"))
    ordered_on = forms.DateField(required=False, label=gettext_lazy("Ordered on"), widget=DayInput)

    def arrange(self) -> None:
        self.suppliers = {
            str(firm.pk): firm for firm in Firm.objects.filter(kind=Firm.Kind.SUPPLIER).order_by("name")
        }
        choices = [("", _("choose")), *((key, firm.name) for key, firm in self.suppliers.items())]
        self.fields["supplier"] = forms.ChoiceField(label=_("Supplier"), choices=choices)
        rooms = Room.objects.filter(job=self.where.job).select_related("zone").order_by("zone__name", "name")
        self.rooms = {str(room.pk): room for room in rooms}
        self.fields["ordered_on"].error_messages["invalid"] = _("This is no day; write it as 2026-05-14.")
        self.order_fields(["supplier", "number", "ordered_on"])

    @cached_property
    def products(self) -> dict[str, Product]:
        """The panels."""
        found = Product.objects.filter(kind__in=Product.PANELS).order_by("name")
        return {str(product.pk): product for product in found}

    def defaults(self) -> dict[str, Any]:
        only = {"supplier": next(iter(self.suppliers))} if len(self.suppliers) == 1 else {}
        return {**only, "ordered_on": self.now.astimezone(self.where.time_zone).date()}

    def offered(self) -> list[dict[str, Any]]:
        """Return what rooms of the job still lack an order for; else one empty line."""
        ordered: dict[tuple[int, int | None], int] = defaultdict(int)
        lines = OrderLine.objects.filter(order__job=self.where.job)
        for product, room, count in lines.values_list("product", "room", "sheets"):
            ordered[product, room] += count
        lacking = []
        needs = Requirement.objects.filter(room__job=self.where.job).order_by("room__name", "product__name")
        for need in needs:
            missing = need.sheets - ordered[need.product_id, need.room_id]
            if missing > 0:
                offered = {"sheets": missing, "offered": missing}
                lacking.append({"product": str(need.product_id), "room": str(need.room_id), **offered})
        return lacking if 0 < len(lacking) <= MOST_OFFERED else [{}]

    @property
    def numbered(self) -> list[Row]:
        """The lines, told apart where there are several."""
        assert self.rows is not None
        _number(self.rows.forms, lead="product")
        return list(self.rows.forms)

    def judge(self) -> None:
        assert self.rows is not None
        if not self.rows.filled:
            self.rows.forms[0].add_error("product", _("Order one product at least."))
        day = self.cleaned_data["ordered_on"]
        if day is not None and day.year not in YEARS:
            self.add_error("ordered_on", _("The year {year} is not meant.").format(year=day.year))
        elif day is not None and day > self.now.astimezone(self.where.time_zone).date():
            self.add_error("ordered_on", _("This day is still to come."))

    def perform(self, envelope: Envelope) -> Iterable[Fact]:
        assert self.rows is not None
        data = self.cleaned_data
        self.made = place_order(
            job=self.where.job,
            supplier=self.suppliers[data["supplier"]],
            number=data["number"],
            ordered_on=data["ordered_on"],
            lines=[self._line(row) for row in self.rows.filled],
            by=self.person,
            now=self.now,
        )
        return []

    def done(self, facts: list[Fact]) -> Say:
        return say(
            "Order {number} is placed with {supplier}.",
            number=self.made.number,
            supplier=self.made.supplier.name,
        )

    def url_after(self, facts: list[Fact]) -> str:
        return reverse("scheduling:order", args=[self.made.pk])

    def _line(self, row: Row) -> OrderedLine:
        data = row.cleaned_data
        room = self.rooms[data["room"]] if data["room"] else None
        return OrderedLine(self.products[data["product"]], room, data["sheets"])


#: More lines than this are not offered at once; they are written.
MOST_OFFERED = 12


def _number(rows: list[Row], *, lead: str) -> None:
    """Tell lines that stand together apart by a number, so that each field has a name of its own.

    Args:
        lead: the field that names the line.
    """
    if len(rows) < 2:
        return
    word = {"batch": _("batch"), "product": _("product")}[lead]
    for number, row in enumerate(rows, start=1):
        for bound in row.visible_fields():
            label = str(row.fields[bound.name].label)
            named = f"{word[:1].upper()}{word[1:]} {number}"
            bound.label = named if bound.name == lead else f"{label}, {word} {number}"


ACTS = (
    Act(
        name="dispatch",
        subject=Subject.ORDER,
        title=gettext_lazy("Log a dispatch"),
        verb=gettext_lazy("Log the dispatch"),
        form=DispatchForm,
        allowed=Allowed.SUPPLIER,
        fact=Dispatch,
    ),
    Act(
        name="promise",
        subject=Subject.DISPATCH,
        title=gettext_lazy("Change the arrival"),
        verb=gettext_lazy("Promise this arrival"),
        form=PromiseForm,
        allowed=Allowed.SUPPLIER,
        fact=ArrivalPromise,
    ),
    Act(
        name="arrival",
        subject=Subject.DISPATCH,
        title=gettext_lazy("Confirm the arrival"),
        verb=gettext_lazy("Confirm what came"),
        form=ArrivalForm,
        allowed=Allowed.SITE,
        cautions=("skid", "lifting", "wet"),
    ),
    Act(
        name="arrival",
        subject=Subject.JOB,
        title=gettext_lazy("Log a delivery nobody announced"),
        verb=gettext_lazy("Log the delivery"),
        form=UnannouncedForm,
        allowed=Allowed.SITE,
        says=gettext_lazy("What came, batch by batch, as you counted it."),
        cautions=("skid", "lifting", "wet"),
    ),
    Act(
        name="order",
        subject=Subject.JOB,
        title=gettext_lazy("Order panels"),
        verb=gettext_lazy("Place the order"),
        form=OrderForm,
        allowed=Allowed.MANAGER,
        says=gettext_lazy("From one supplier, for this job."),
    ),
)
