"""The demo: an invented contractor with three sites, loaded relative to the present through the real services."""

from __future__ import annotations

from datetime import datetime, timedelta
from decimal import Decimal
from hashlib import sha256

from django.db import transaction
from django.db.models import F

from jobs import outbox
from jobs.core.worktime import Calendar, time_zone
from jobs.models import Firm, Job, Milestone, Outbox, Person, Room, Zone
from jobs.services.people import add_first_manager
from materials.models import Order, Product
from scheduling import states
from scheduling.demo.acts import Scene, tell
from scheduling.demo.air import HUMID_FOR, Air
from scheduling.demo.days import Days
from scheduling.demo.lines import FOUND, LOGGERS, WORKBOOK, read_lines, read_table
from scheduling.models import Crew, Message
from scheduling.workbook.check import check
from scheduling.workbook.load import load as load_rows
from scheduling.workbook.read import packed, read_tables

CONTRACTOR = "Thackmoor Linings"
MANAGER = ("Agnes Thorley", "agnes@thackmoor.example", "Europe/London")
#: How long before the present the firm began with Setday: before anything that the demo tells.
BEGAN = timedelta(days=45)


class NotEmpty(Exception):
    """There is a firm already, whose records the demo must not be mixed with."""


class Untellable(Exception):
    """A fixture says what cannot be loaded; the words name the file and the row."""


@transaction.atomic
def load(*, now: datetime) -> None:
    """Load the demo into an empty database, as of `now`: all of it or nothing.

    Every fact is recorded with the time at which it is told to have happened as its present, in that order,
    so that each was judged by what was known then.

    Raises:
        NotEmpty: there is a firm already.
        Untellable: a fixture is not right.
    """
    if Firm.objects.exists():
        raise NotEmpty
    with outbox.unsent():
        _load_records(now=now - BEGAN)
        _tell_facts(now=now)
        states.refresh_due(now=now)
    _settle_the_past(now=now)


def _load_records(*, now: datetime) -> None:
    who, email, zone = MANAGER
    manager = add_first_manager(name=who, email=email, firm=CONTRACTOR, time_zone=zone, now=now)
    files = [(path.name, path.read_bytes()) for path in sorted(WORKBOOK.glob("*.csv"))]
    name, body = packed(files)
    checked = check(read_tables(name, body), by=manager, now=now)
    if checked.wrongs:
        raise Untellable(f"{len(checked.wrongs)} cells of the workbook are wrong, first {checked.wrongs[0]}")
    load_rows(checked.rows, name=name, digest=sha256(body).hexdigest(), by=manager, now=now)


def _tell_facts(*, now: datetime) -> None:
    crews = {crew.name: crew for crew in Crew.objects.all()}
    products = {product.name: product for product in Product.objects.all()}
    jobs = Job.objects.select_related("site")
    scenes = {job.number: _scene(job, crews, products, now=now) for job in jobs}
    people = {person.name: person for person in Person.objects.select_related("firm")}
    lines = [(scenes[line.job].days.at(line.when), line) for line in read_lines()]
    for at, line in sorted(lines, key=lambda pair: pair[0]):
        try:
            tell(line, scenes[line.job], by=people[line.who], at=at)
        except Exception as error:
            raise Untellable(f"{line}: {error}") from error


def _scene(job: Job, crews: dict[str, Crew], products: dict[str, Product], *, now: datetime) -> Scene:
    zone = time_zone(job.site.time_zone)
    crew = Crew.objects.filter(job_crews__job=job).order_by("pk")[0]
    days = Days(zone, Calendar.of_week(zone, crew.week), Calendar.of_week(zone, job.site.week), now)
    rooms = Room.objects.filter(job=job).select_related("zone", "job__site")
    zones = {one.name: one for one in Zone.objects.filter(job=job)}
    return Scene(
        job=job,
        days=days,
        rooms={room.name: room for room in rooms},
        zones=zones,
        milestones={one.name: one for one in Milestone.objects.filter(job=job)},
        orders={order.number: order for order in Order.objects.filter(job=job).select_related("job__site")},
        crews=crews,
        products=products,
        loggers=_loggers(job, zones, days),
        found={row["check"]: Decimal(row["value"]) for row in read_table(FOUND)},
    )


def _loggers(job: Job, zones: dict[str, Zone], days: Days) -> dict[str, Air]:
    strikes = {"cold night": days.night(), "humid morning": (days.now - HUMID_FOR, days.now)}
    return {
        row["zone"]: Air(
            zone=zones[row["zone"]],
            logger=row["logger"],
            every=timedelta(minutes=int(row["every min"])),
            hangs_since=days.now - timedelta(days=int(row["for days"])),
            air_c=float(row["air"]),
            humidity_pct=float(row["humidity"]),
            story=row["story"],
            strikes=strikes.get(row["story"], (days.now, days.now)),
        )
        for row in read_table(LOGGERS)
        if row["job"] == job.number
    }


def _settle_the_past(*, now: datetime) -> None:
    """Mark done what was owed before the present: the states are computed, and old news is not mailed again."""
    owed = Outbox.objects.filter(state=Outbox.State.WAITING)
    owed.filter(owed_at__lt=now).update(
        state=Outbox.State.DONE, sent_at=F("owed_at"), done_at=F("owed_at"), payload={}
    )
    Message.objects.filter(owed_at__lt=now).update(sent_at=F("owed_at"))
