"""Builders of rows for tests: keyword-only, sensible, never random; each returns what it stored."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any
from uuid import UUID, uuid5

from jobs.facts import Envelope
from jobs.models import Firm, Job, Milestone, Person, Room, Site, Zone
from materials.models import ConsumableNeed, Order, OrderLine, Product, Requirement
from scheduling.models import Crew
from scheduling.services import crews as crew_services
from tests.conftest import NOW

WEEK = {day: [["07:00", "15:30"]] for day in ("mon", "tue", "wed", "thu", "fri")}
OPEN = {day: [["06:00", "18:00"]] for day in ("mon", "tue", "wed", "thu", "fri")}
_NAMESPACE = UUID("6d1f3b2a-7d57-5ac1-8a52-6a4e9b1f0c33")


class _Count:
    value = 0


def name(word: str) -> str:
    """Return the word with a number that no other row of this process has."""
    _Count.value += 1
    return f"{word} {_Count.value}"


def ident(word: str = "act") -> UUID:
    """Return an id that no other fact of this process has."""
    return uuid5(_NAMESPACE, name(word))


def envelope(
    by: Person,
    *,
    at: datetime | None = None,
    ago: timedelta = timedelta(0),
    now: datetime = NOW,
    **rest: Any,
) -> Envelope:
    """Return an envelope of something that happened `ago` before `now`, or at `at`."""
    return Envelope(id=rest.pop("id", None) or ident(), happened_at=at or now - ago, by=by, now=now, **rest)


def firm(*, kind: str = Firm.Kind.CONTRACTOR, **fields: Any) -> Firm:
    return Firm.objects.create(**{"name": name("Firm"), "kind": kind, **fields})


def supplier_firm(**fields: Any) -> Firm:
    return firm(kind=Firm.Kind.SUPPLIER, **{"lead_days": 10, **fields})


def person(**fields: Any) -> Person:
    label = name("person")
    defaults: dict[str, Any] = {
        "name": label.title(),
        "email": f"{label.replace(' ', '.')}@people.example",
        "time_zone": "Europe/Paris",
    }
    if "firm" not in fields:
        defaults["firm"] = Firm.objects.filter(kind=Firm.Kind.CONTRACTOR).first() or firm()
    return Person.objects.create(**{**defaults, **fields})


def manager(**fields: Any) -> Person:
    return person(is_manager=True, **fields)


def crew_lead(**fields: Any) -> Person:
    return person(is_crew_lead=True, **fields)


def supplier(**fields: Any) -> Person:
    return person(is_supplier=True, **{"firm": fields.pop("firm", None) or supplier_firm(), **fields})


def site(**fields: Any) -> Site:
    defaults = {"name": name("Site"), "address": "1 Quay Street", "time_zone": "Europe/Paris", "week": OPEN}
    return Site.objects.create(**{**defaults, **fields})


def job(**fields: Any) -> Job:
    defaults: dict[str, Any] = {"number": name("J"), "name": "Kitchens"}
    return Job.objects.create(**{"site": fields.pop("site", None) or site(), **defaults, **fields})


def zone(**fields: Any) -> Zone:
    defaults = {"name": name("Zone"), "t_min": 18, "t_max": 24, "rh_min": 35, "rh_max": 55}
    return Zone.objects.create(**{"job": fields.pop("job", None) or job(), **defaults, **fields})


def room(**fields: Any) -> Room:
    air = fields.pop("zone", None) or zone(**({"job": fields.pop("job")} if "job" in fields else {}))
    defaults = {
        "name": name("Room"),
        "substrate": "gypsum_board",
        "fixing": "glued",
        "crew_hours": Decimal(8),
    }
    return Room.objects.create(**{"zone": air, "job": air.job, **defaults, **fields})


def sheet(**fields: Any) -> Product:
    defaults = {"name": name("Sheet"), "kind": Product.Kind.SHEET, "unit": "sheets"}
    return Product.objects.create(**{**defaults, **fields})


def adhesive(**fields: Any) -> Product:
    band = {"set_t_min": 10, "set_t_max": 30, "set_rh_min": 20, "set_rh_max": 70}
    defaults = {"name": name("Adhesive"), "kind": Product.Kind.ADHESIVE, "unit": "kg"}
    return Product.objects.create(**{**defaults, **band, **fields})


def requirement(room: Room, product: Product, sheets: int) -> Requirement:
    return Requirement.objects.create(room=room, product=product, sheets=sheets)


def need(room: Room, product: Product, quantity: object) -> ConsumableNeed:
    return ConsumableNeed.objects.create(room=room, product=product, quantity=Decimal(str(quantity)))


def milestone(room: Room, **fields: Any) -> Milestone:
    made = Milestone.objects.create(**{"job": room.job, "name": name("Milestone"), **fields})
    made.rooms.add(room)
    return made


def order(room: Room, product: Product, sheets: int, *, supplier: Firm | None = None, **fields: Any) -> Order:
    made = Order.objects.create(
        **{"job": room.job, "supplier": supplier or supplier_firm(), "number": name("O"), **fields}
    )
    OrderLine.objects.create(order=made, product=product, room=room, sheets=sheets)
    return made


def crew(*people: Person, now: datetime = NOW, **fields: Any) -> Crew:
    defaults: Mapping[str, Any] = {"name": name("Crew"), "home_zone": "Europe/Paris", "week": WEEK}
    made = Crew.objects.create(**{**defaults, **fields})
    for one in people:
        crew_services.add_to_crew(one, made, from_on=now.date(), now=now)
    return made
