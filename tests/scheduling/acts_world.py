"""A small firm at work, on which the tests of the acts record: rows by name, and forms sent as a browser sends them."""

from __future__ import annotations

import html
import re
from dataclasses import dataclass, field
from datetime import date, timedelta
from decimal import Decimal
from html.parser import HTMLParser
from typing import Any

from django.test import Client
from django.urls import reverse

from jobs.services import loggers, seen
from materials.models import Placement
from materials.services import deliveries, sheets
from scheduling.services import crews, handling, work
from tests import make
from tests.conftest import NOW

HOUR = timedelta(hours=1)


@dataclass
class World:
    """One job with a room at every stage, its people, and what has come for it."""

    rows: dict[str, Any] = field(default_factory=dict)

    def __getattr__(self, name):
        try:
            return self.rows[name]
        except KeyError:
            raise AttributeError(name) from None

    def client(self, person) -> Client:
        """Return a browser in which `person` (by name) is signed in; None: nobody is."""
        client = Client()
        if person is not None:
            client.force_login(self.rows[person])
        return client


def build() -> World:
    """Build the world as of NOW."""
    world = World()
    rows = world.rows
    rows["boss"] = make.manager(name="Ada Holm")
    rows["lead"] = make.crew_lead(name="Rosa Pires")
    rows["helper"] = make.crew_lead(name="Jon Bako")
    rows["stranger"] = make.crew_lead(name="Nobody Here")
    rows["firm"] = make.supplier_firm(name="Quarry Panels")
    rows["supplier"] = make.supplier(firm=rows["firm"])
    rows["rival"] = make.supplier()
    rows["site"] = make.site(name="Quay Clinic")
    rows["job"] = make.job(site=rows["site"], name="Kitchens")
    rows["zone"] = make.zone(job=rows["job"], name="East wing")
    rows["annex"] = make.zone(job=rows["job"], name="Annex")
    rows["logger"], _token = loggers.add_logger(
        name="L3", zones=[rows["zone"]], silent_after=HOUR, by=rows["boss"], now=NOW - 80 * HOUR
    )
    rows["sheet"] = make.sheet(name="Gloss sheet", is_batch_matched=True)
    rows["plain"] = make.sheet(name="Matt sheet")
    rows["backed"] = make.sheet(name="Board panel", kind="backed", moisture_min_pct=6, moisture_max_pct=12)
    rows["glue"] = make.adhesive(name="Wall glue")
    for name in ("room", "twin", "ready", "begun", "done"):
        rows[name] = make.room(zone=rows["zone"], name=f"Room {name}")
        make.requirement(rows[name], rows["sheet"], 4)
    rows["faraway"] = make.room(zone=rows["annex"], name="Room faraway")
    rows["ceiling"] = make.milestone(rows["room"], name="Ceiling grid")
    rows["crew"] = make.crew(rows["lead"], name="Heron")
    rows["other_crew"] = make.crew(rows["helper"], name="Plover")
    rows["elsewhere"] = make.room(job=make.job())
    crews.attach_crew(rows["other_crew"], rows["job"], now=NOW)
    for day, name in enumerate(("room", "twin", "ready", "begun", "done"), start=15):
        crews.give_day(
            make.envelope(rows["boss"], now=NOW - 80 * HOUR),
            room=rows[name],
            crew=rows["crew"],
            first_on=date(2026, 6, day),
        )
    _order(world)
    _stock(world)
    _ready(world, "ready")
    _ready(world, "begun")
    rows["start"] = work.start_room(
        make.envelope(rows["lead"], ago=HOUR), room=rows["begun"], crew=rows["crew"]
    )
    _ready(world, "done")
    work.start_room(make.envelope(rows["lead"], ago=2 * HOUR), room=rows["done"], crew=rows["crew"])
    work.finish_room(make.envelope(rows["lead"], ago=HOUR), room=rows["done"])
    return world


def _order(world: World) -> None:
    rows = world.rows
    rows["order"] = make.order(rows["room"], rows["sheet"], 40, supplier=rows["firm"], number="O-77")
    rows["line"] = rows["order"].lines.get()
    rows["dispatch"] = deliveries.record_dispatch(
        make.envelope(rows["supplier"], ago=30 * HOUR),
        order=rows["order"],
        lines=[deliveries.BatchLine(rows["line"], "K1", 10), deliveries.BatchLine(rows["line"], "K2", 6)],
        expected_at=NOW + HOUR,
        paper="P-1",
    )


def _stock(world: World) -> None:
    """Put two batches down for `room`: one still wrapped, one opened and partly inspected."""
    rows = world.rows
    rows["arrival"] = deliveries.record_arrival(
        make.envelope(rows["lead"], ago=50 * HOUR),
        zone=rows["zone"],
        lines=[
            deliveries.PlacedLine(rows["sheet"], "A1", 20, rows["room"]),
            deliveries.PlacedLine(rows["sheet"], "A2", 8, rows["room"]),
        ],
    )
    rows["wrapped"] = Placement.objects.get(batch="A2")
    rows["opened"] = Placement.objects.get(batch="A1")
    rows["opening"] = sheets.open_placement(
        make.envelope(rows["lead"], ago=49 * HOUR), placement=rows["opened"]
    )
    deliveries.record_arrival(
        make.envelope(rows["lead"], ago=50 * HOUR),
        zone=rows["annex"],
        lines=[deliveries.PlacedLine(rows["backed"], "B1", 6, rows["faraway"])],
    )
    rows["boarded"] = Placement.objects.get(batch="B1")
    rows["inspection"] = handling.inspect(
        make.envelope(rows["lead"], ago=48 * HOUR),
        placement=rows["opened"],
        inspected=12,
        rejects={"chip": 1},
        mark_seen=True,
    )


def _ready(world: World, name: str) -> None:
    """Clear every hold of a room: four inspected sheets, rested by readings every two hours, prep passed."""
    rows, room = world.rows, world.rows[name]
    lead = rows["lead"]
    deliveries.record_arrival(
        make.envelope(lead, ago=40 * HOUR),
        zone=room.zone,
        lines=[deliveries.PlacedLine(rows["sheet"], f"R-{name}", 6, room)],
    )
    placed = Placement.objects.get(batch=f"R-{name}")
    rows[f"{name}_placed"] = placed
    sheets.open_placement(make.envelope(lead, ago=40 * HOUR), placement=placed)
    if "reading" not in rows:
        for hours in range(40, -1, -2):
            rows["reading"] = seen.record_reading(
                make.envelope(lead, ago=hours * HOUR),
                zone=room.zone,
                temperature=21.0,
                unit="c",
                humidity_pct=45,
            )
    handling.inspect(
        make.envelope(lead, ago=39 * HOUR), placement=placed, inspected=6, rejects={}, mark_seen=True
    )
    for check in seen.needed_checks(room):
        value = {"gypsum_dry": "0.5", "flat": "2", "warm_for_glue": "20"}.get(check.code)
        rows["check"], *_ = seen.record_checks(
            make.envelope(lead, ago=20 * HOUR),
            rooms=[room],
            check_code=check.code,
            passed=True,
            value=Decimal(value) if value else None,
        )


class _Fields(HTMLParser):
    """Reads a page's act form: what a browser would send if nothing were changed."""

    def __init__(self) -> None:
        super().__init__()
        self.inside, self.select, self.area = False, None, None
        self.fields: dict[str, list[str]] = {}
        self.wrong: set[str] = set()

    def handle_starttag(self, tag, attrs):
        given = dict(attrs)
        if tag == "form" and given.get("id") == "act":
            self.inside = True
        if not self.inside:
            return
        name = given.get("name")
        if name and given.get("aria-invalid") == "true":
            self.wrong.add(name)
        if tag == "input":
            kind = given.get("type", "text")
            if kind in ("checkbox", "radio"):
                if "checked" in given:
                    self.fields.setdefault(name, []).append(given.get("value", "on"))
            elif kind not in ("submit", "button") and name:
                self.fields.setdefault(name, []).append(given.get("value", ""))
        elif tag == "select":
            self.select = name
            self.first = None
        elif tag == "option" and self.select:
            if self.first is None:
                self.first = given["value"]
            if "selected" in given:
                self.fields[self.select] = [given["value"]]
        elif tag == "textarea":
            self.area = name
            self.fields[name] = [""]

    def handle_data(self, data):
        if self.inside and self.area:
            self.fields[self.area][0] += data

    def handle_endtag(self, tag):
        if tag == "select" and self.select:
            self.fields.setdefault(self.select, [self.first or ""])
            self.select = None
        if tag == "textarea" and self.area:
            self.fields[self.area][0] = self.fields[self.area][0].strip("\r\n")
            self.area = None
        if tag == "form":
            self.inside = False


def form_of(response) -> dict[str, list[str]]:
    """Return what a browser would send of the act's form on this page."""
    reader = _Fields()
    reader.feed(response.content.decode())
    return reader.fields


def wrong_in(response) -> set[str]:
    """Return the names of the fields that the page marks as wrong."""
    reader = _Fields()
    reader.feed(response.content.decode())
    return reader.wrong


def words_of(response) -> str:
    """Return the page's text, on one line."""
    text = re.sub(r"<(script|style|svg|title)[^>]*>.*?</\1>", " ", response.content.decode(), flags=re.S)
    plain = html.unescape(re.sub(r"<[^>]+>", " ", text)).replace("\N{NO-BREAK SPACE}", " ")
    return re.sub(r" ([,.:])", r"\1", " ".join(plain.split()))


def act_path(subject: str, row, name: str) -> str:
    """Return the path of an act about a row; a fact is named by its origin."""
    return reverse("scheduling:act", args=[subject, getattr(row, "origin", row.pk), name])


def filled(client, path, changes):
    """Return the form at `path` as a browser would send it, with `changes` typed in."""
    page = client.get(path)
    assert page.status_code == 200, page.status_code
    return form_of(page) | {
        name: value if isinstance(value, list) else [value] for name, value in changes.items()
    }
