"""Who gets what: one table over every route, every act and every change of a fact, for every kind of person.

OUT: asked to sign in.  TOKEN: asked for a logger's token.  HIDDEN: answers as if it did not exist.
NO: may be seen, but not done.  YES: is done.
"""

# ruff: noqa: F811  # a fixture that is imported is asked for by its name

from __future__ import annotations

from datetime import date

import pytest
from django.test import Client
from django.urls import URLPattern, get_resolver, reverse

from jobs.facts import record
from jobs.models import Entry, Person, ReadingFile
from jobs.services import loggers, seen
from jobs.services.kept import keep_file
from jobs.services.mappings import remember
from jobs.services.people import sign_in_link_for
from materials.services import deliveries, sheets, stacks
from scheduling import feeds
from scheduling.acts import ACTS, BY_FACT, INSTEAD
from scheduling.models import DayGiven, FeedSecret, Finish
from scheduling.services import crews, handling, work
from tests import make
from tests.conftest import NOW
from tests.scheduling.conftest import built_world, world  # noqa: F401  # fixtures
from tests.scheduling.rooms import HOUR

OUT, HIDDEN, NO, YES = "out", "hidden", "no", "yes"
TOKEN = "token"

#: In the order of the columns.  `stranger` leads a crew that has nothing to do with this job; `helper` leads one
#: attached to the job; `lead` leads the one planned for the room; `rival` is another supplier.
PEOPLE = (None, "stranger", "supplier", "rival", "helper", "lead", "boss")

EVERYBODY = (YES,) * 7
SIGNED_IN = (OUT, *(YES,) * 6)
MANAGER = (OUT, *(HIDDEN,) * 5, YES)
CREW_LEADS = (OUT, YES, HIDDEN, HIDDEN, YES, YES, HIDDEN)
NO_SUPPLIER = (OUT, YES, HIDDEN, HIDDEN, YES, YES, YES)
ON_THE_JOB = (OUT, HIDDEN, HIDDEN, HIDDEN, YES, YES, YES)
IN_THE_ROOM = (OUT, HIDDEN, HIDDEN, HIDDEN, NO, YES, YES)
MANAGER_ON_THE_JOB = (OUT, HIDDEN, HIDDEN, HIDDEN, NO, NO, YES)
ORDERS_READER = (OUT, HIDDEN, YES, HIDDEN, YES, YES, YES)
ORDERS_SENDER = (OUT, HIDDEN, YES, HIDDEN, NO, NO, YES)
WHO_TRADES = (OUT, HIDDEN, YES, YES, HIDDEN, HIDDEN, YES)
ITS_CREW = (OUT, HIDDEN, HIDDEN, HIDDEN, HIDDEN, YES, YES)

ROUTES = [
    # route, method, what the path names, columns of PEOPLE
    ("livez", "get", (), EVERYBODY),
    ("readyz", "get", (), EVERYBODY),
    ("jobs:sign_in", "get", (), EVERYBODY),
    ("jobs:sign_in", "post", (), EVERYBODY),
    ("jobs:sign_in_by_link", "get", ("link",), EVERYBODY),
    ("jobs:sign_in_by_link", "post", ("link",), EVERYBODY),
    ("jobs:sign_out", "post", (), EVERYBODY),
    ("scheduling:home", "get", (), SIGNED_IN),
    ("scheduling:morning", "get", (), MANAGER),
    ("scheduling:today", "get", (), CREW_LEADS),
    ("scheduling:jobs", "get", (), NO_SUPPLIER),
    ("scheduling:job", "get", ("job",), ON_THE_JOB),
    ("scheduling:stock", "get", ("job",), ON_THE_JOB),
    ("scheduling:room", "get", ("room",), ON_THE_JOB),
    ("scheduling:orders", "get", (), WHO_TRADES),
    ("scheduling:order", "get", ("order",), ORDERS_READER),
    ("scheduling:products", "get", (), MANAGER),
    ("scheduling:product", "get", ("sheet",), MANAGER),
    ("scheduling:product_rule", "get", ("sheet",), MANAGER),
    ("scheduling:product_rule", "post", ("sheet",), MANAGER),
    ("scheduling:job_rules", "get", ("job",), MANAGER),
    ("scheduling:job_rule", "get", ("job",), MANAGER),
    ("scheduling:job_rule", "post", ("job",), MANAGER),
    ("scheduling:job_product_rule", "get", ("job", "sheet"), MANAGER),
    ("scheduling:job_product_rule", "post", ("job", "sheet"), MANAGER),
    ("scheduling:job_statements", "get", ("job",), MANAGER),
    ("scheduling:job_statements", "post", ("job",), MANAGER),
    ("scheduling:zone", "get", ("zone",), ON_THE_JOB),
    ("scheduling:zone_band", "get", ("zone",), MANAGER),
    ("scheduling:zone_band", "post", ("zone",), MANAGER),
    ("scheduling:crews", "get", (), MANAGER),
    ("scheduling:crew_calendar", "get", ("crew",), ITS_CREW),
    ("scheduling:crew_calendar", "post", ("crew",), ITS_CREW),
    ("scheduling:end_calendar", "post", ("crew", "leads_secret"), ITS_CREW),
    ("scheduling:end_calendar", "post", ("crew", "boss_secret"), MANAGER),
    ("scheduling:workbook", "get", (), MANAGER),
    ("scheduling:workbook", "post", (), MANAGER),
    ("scheduling:workbook_template", "get", (), MANAGER),
    ("scheduling:workbook_sample", "get", (), MANAGER),
    ("scheduling:logger_file", "get", ("zone",), ON_THE_JOB),
    ("scheduling:logger_file", "post", ("zone",), ON_THE_JOB),
    ("scheduling:logger_sample", "get", ("zone",), ON_THE_JOB),
    ("scheduling:logger_original", "get", ("reading_file",), ON_THE_JOB),
    ("scheduling:forget_mapping", "post", ("mapping",), MANAGER),
    ("scheduling:loggers", "get", (), MANAGER),
    ("scheduling:loggers", "post", (), MANAGER),
    ("scheduling:logger", "get", ("logger",), MANAGER),
    ("scheduling:logger", "post", ("logger",), MANAGER),
    ("scheduling:renew_token", "post", ("logger",), MANAGER),
    ("scheduling:end_logger", "post", ("logger",), MANAGER),
    ("scheduling:ingest", "post", (), (TOKEN,) * 7),
    ("scheduling:feed", "get", ("secret",), EVERYBODY),
    ("scheduling:feed", "head", ("secret",), EVERYBODY),
]

ACTIONS = {
    # subject, act: what the path names, columns; the same for looking at the form and for sending it
    ("zones", "reading"): ("zone", ON_THE_JOB),
    ("zones", "memory"): ("zone", ON_THE_JOB),
    ("zones", "meter"): ("zone", ON_THE_JOB),
    ("zones", "statement"): ("zone", ON_THE_JOB),
    ("zones", "logger-clock"): ("zone", ON_THE_JOB),
    ("jobs", "milestone"): ("job", ON_THE_JOB),
    ("jobs", "lot"): ("job", ON_THE_JOB),
    ("jobs", "arrival"): ("job", ON_THE_JOB),
    ("jobs", "order"): ("job", MANAGER_ON_THE_JOB),
    ("jobs", "attach-crew"): ("job", MANAGER_ON_THE_JOB),
    ("rooms", "milestone"): ("room", ON_THE_JOB),
    ("rooms", "lot"): ("room", ON_THE_JOB),
    ("rooms", "prep"): ("room", IN_THE_ROOM),
    ("rooms", "wetting"): ("room", ON_THE_JOB),
    ("rooms", "open"): ("room", ON_THE_JOB),
    ("rooms", "mix"): ("room", IN_THE_ROOM),
    ("rooms", "waive"): ("room", MANAGER_ON_THE_JOB),
    ("rooms", "start"): ("ready", IN_THE_ROOM),
    ("rooms", "began-held"): ("room", IN_THE_ROOM),
    ("rooms", "sheets-set"): ("begun", IN_THE_ROOM),
    ("rooms", "finish"): ("begun", IN_THE_ROOM),
    ("rooms", "turned-away"): ("room", ON_THE_JOB),
    ("rooms", "day"): ("room", MANAGER_ON_THE_JOB),
    ("rooms", "day-back"): ("room", MANAGER_ON_THE_JOB),
    ("placements", "open"): ("wrapped", ON_THE_JOB),
    ("placements", "lay-out"): ("opened", ON_THE_JOB),
    ("placements", "temperature"): ("opened", ON_THE_JOB),
    ("placements", "moisture"): ("boarded", ON_THE_JOB),
    ("placements", "inspect"): ("opened", IN_THE_ROOM),
    ("placements", "move"): ("opened", ON_THE_JOB),
    ("orders", "dispatch"): ("order", ORDERS_SENDER),
    ("dispatches", "promise"): ("dispatch", ORDERS_SENDER),
    # A supplier sees its own dispatch, but what arrived is the crew's word.
    ("dispatches", "arrival"): ("dispatch", (OUT, HIDDEN, NO, HIDDEN, YES, YES, YES)),
}

#: Correcting a fact and taking it back.
FACTS = {
    "Reading": ON_THE_JOB,
    "ReadingFile": ON_THE_JOB,
    "Memory": ON_THE_JOB,
    "Statement": ON_THE_JOB,
    "LoggerClock": ON_THE_JOB,
    "MilestoneReport": ON_THE_JOB,
    "ConsumableLot": ON_THE_JOB,
    "PrepCheck": IN_THE_ROOM,
    "Wetting": ON_THE_JOB,
    "Arrival": ON_THE_JOB,
    "Placement": ON_THE_JOB,
    "Opening": ON_THE_JOB,
    "LaidOut": ON_THE_JOB,
    "StackReading": ON_THE_JOB,
    "MoistureReading": ON_THE_JOB,
    "Inspection": IN_THE_ROOM,
    "MixAcknowledged": IN_THE_ROOM,
    "Dispatch": ORDERS_SENDER,
    "ArrivalPromise": ORDERS_SENDER,
    "Waiver": MANAGER_ON_THE_JOB,
    "Start": IN_THE_ROOM,
    "BeganHeld": IN_THE_ROOM,
    "SheetsSet": IN_THE_ROOM,
    "Finish": IN_THE_ROOM,
    "TurnedAway": ON_THE_JOB,
    "DayGiven": MANAGER_ON_THE_JOB,
    "Assignment": MANAGER_ON_THE_JOB,
}
OWN_TABLES = {"scheduling:act", "scheduling:correct", "scheduling:withdraw"}
METHODS = ("get", "head", "post", "put", "patch", "delete")


# ---- the world the table speaks of


@pytest.fixture
def keys(world):
    """Return what stands in paths, by the word of the table."""
    made = {name: row.pk for name, row in world.rows.items()}
    made |= {name: world.rows[name].origin for name in ("wrapped", "opened", "boarded", "dispatch")}
    for name in ("lead", "boss"):
        feeds.new_feed_secret(world.crew, person=world.rows[name], now=NOW)
        made[f"{name}s_secret" if name == "lead" else f"{name}_secret"] = FeedSecret.objects.latest("pk").pk
    made["secret"] = last_part(feeds.new_feed_secret(world.crew, person=None, now=NOW)).removesuffix(".ics")
    kept = keep_file("a.csv", b"time,t_c,rh\n", by=world.boss, now=NOW)
    file = ReadingFile(
        zone=world.zone, name="a.csv", sha256=kept.sha256, logger="b", new=0, known=0, conflicts=0
    )
    made["reading_file"] = record(file, make.envelope(world.boss)).pk
    made["mapping"] = remember(["time", "t"], {"unit": "c"}, by=world.boss, now=NOW).pk
    made["link"] = last_part(sign_in_link_for(world.boss, now=NOW))
    return made


def last_part(address):
    return address.rstrip("/").rsplit("/", 1)[1]


@pytest.fixture
def facts(world):
    """Return one standing fact of each kind, by its kind."""
    by, at = world.boss, make.envelope
    room, begun = world.room, world.begun
    found = {
        "Reading": world.reading,
        "ReadingFile": record(
            ReadingFile(
                zone=world.zone, name="a.csv", sha256="0" * 64, logger="a", new=0, known=0, conflicts=0
            ),
            at(by),
        ),
        "Memory": seen.record_memory(
            at(by), zone=world.zone, from_at=NOW - HOUR, t_min=20, t_max=22, unit="c", rh_min=40, rh_max=50
        ),
        "Statement": seen.state_air(at(by), zone=world.zone, from_at=NOW - HOUR),
        "LoggerClock": loggers.state_clock(
            at(by), zone=world.zone, logger="L3", from_at=NOW - HOUR, offset=HOUR
        ),
        "MilestoneReport": seen.report_milestone(at(by), milestone=world.ceiling, is_done=False),
        "ConsumableLot": sheets.bring_lot(
            at(by), job=world.job, room=room, product=world.glue, quantity=1, good_through=None
        ),
        "PrepCheck": world.check,
        "Wetting": seen.record_wetting(at(by), room=room),
        "Arrival": world.arrival,
        "Placement": world.wrapped,
        "Opening": world.opening,
        "LaidOut": stacks.lay_out(at(by), placement=world.opened, lies="lots", lot_of=10),
        "StackReading": stacks.measure_stack(
            at(by), placement=world.opened, place="core", temperature=4, unit="c"
        ),
        "MoistureReading": stacks.measure_moisture(at(by), placement=world.boarded, moisture_pct=11),
        "Inspection": world.inspection,
        "MixAcknowledged": sheets.acknowledge_mix(at(by), room=room, product=world.sheet),
        "Dispatch": world.dispatch,
        "ArrivalPromise": deliveries.promise_arrival(at(by), dispatch=world.dispatch, expected_at=None),
        "Waiver": work.waive_hold(at(by, reason="as agreed"), room=room, hold="substrate", until_at=None),
        "Start": world.start,
        "BeganHeld": work.record_began_held(at(by, reason="in haste"), room=room, crew=world.crew),
        "SheetsSet": handling.set_sheets(at(by), room=begun, counts={world.begun_placed: 1})[0],
        "Finish": Finish.objects.get(room=world.done),
        "TurnedAway": work.record_turned_away(
            at(by, reason="no lift"), room=room, crew=world.crew, refused_by=""
        ),
        "DayGiven": DayGiven.objects.get(assignment__room=room),
        "Assignment": DayGiven.objects.get(assignment__room=room).assignment,
    }
    assert all(type(fact).__name__ == kind for kind, fact in found.items())
    return found


def verdict(answer):
    if answer.status_code == 302 and answer["Location"].startswith("/sign-in/?next="):
        return OUT
    if answer.status_code in (403, 404):
        return {403: NO, 404: HIDDEN}[answer.status_code]
    if answer.status_code == 401 and answer["WWW-Authenticate"].startswith("Bearer"):
        return TOKEN
    # 409 and 422: was let in, and what was sent is no good; 503: /readyz, where no broker runs.
    assert answer.status_code in (200, 302, 409, 422, 503), answer.status_code
    return YES


def ask(world, person, method, path):
    client = Client() if person is None else world.client(person)
    return verdict(getattr(client, method)(path))


# ---- the table


@pytest.mark.parametrize(
    ("route", "method", "named", "expected"),
    ROUTES,
    ids=[" ".join((row[0], row[1], *row[2])) for row in ROUTES],
)
def test_every_route_answers_each_as_the_table_says(
    world,
    keys,
    settings,
    route,
    method,
    named,
    expected,
):
    settings.REDIS_URL = "unix:///nowhere/redis.sock"
    path = reverse(route, args=[keys[name] for name in named])

    found = tuple(ask(world, person, method, path) for person in PEOPLE)

    assert dict(zip(PEOPLE, found, strict=True)) == dict(zip(PEOPLE, expected, strict=True))


@pytest.mark.parametrize(("subject", "act"), ACTIONS)
def test_every_act_is_open_to_whom_the_table_says(world, keys, subject, act):
    named, expected = ACTIONS[subject, act]
    path = reverse("scheduling:act", args=[subject, keys[named], act])
    wanted = dict(zip(PEOPLE, expected, strict=True))
    before = Entry.objects.count()

    assert {person: ask(world, person, "get", path) for person in PEOPLE} == wanted
    # Those whom it is not open to first: nothing of theirs is recorded.
    for person in sorted(PEOPLE, key=lambda person: wanted[person] == YES):
        assert Entry.objects.count() == before or wanted[person] == YES
        assert ask(world, person, "post", path) == wanted[person], person


@pytest.mark.parametrize("change", ["correct", "withdraw"])
def test_every_fact_is_changed_by_whom_the_table_says(world, facts, change):
    before = Entry.objects.count()

    for kind, fact in facts.items():
        wanted = dict(zip(PEOPLE, FACTS[kind], strict=True))
        path = reverse(f"scheduling:{change}", args=[fact.pk])
        assert {person: ask(world, person, "get", path) for person in PEOPLE} == wanted, kind
        sent = {person: ask(world, person, "post", path) for person in PEOPLE if wanted[person] != YES}
        assert sent == {person: word for person, word in wanted.items() if word != YES}, kind
    assert Entry.objects.count() == before


# ---- nothing is missing from it


def routes(resolver=None, space=""):
    """Yield the name of every path there is."""
    for part in (resolver or get_resolver()).url_patterns:
        if isinstance(part, URLPattern):
            assert part.name, f"{part.pattern} has no name"
            yield space + part.name
        else:
            yield from routes(part, f"{part.namespace}:" if part.namespace else space)


def test_the_table_has_every_route():
    assert set(routes()) == {row[0] for row in ROUTES} | OWN_TABLES


def test_the_table_has_every_act():
    assert set(ACTIONS) == {(subject.value, name) for subject, name in ACTS}


def test_the_table_has_every_fact_that_can_be_changed():
    assert set(FACTS) == {kind.__name__ for kind in (*BY_FACT, *INSTEAD)}


def test_a_method_that_the_table_lacks_is_refused(world, keys, facts):
    client = world.client("boss")
    asked = {}
    for route, method, named, _expected in ROUTES:
        path = reverse(route, args=[keys[name] for name in named])
        asked.setdefault(path, set()).update({method, "head"} if method == "get" else {method})
    asked[reverse("scheduling:act", args=["rooms", keys["room"], "wetting"])] = {"get", "head", "post"}
    asked[reverse("scheduling:correct", args=[facts["Wetting"].pk])] = {"get", "head", "post"}
    asked[reverse("scheduling:withdraw", args=[facts["Wetting"].pk])] = {"get", "head", "post"}

    for path, known in asked.items():
        for method in set(METHODS) - known:
            assert getattr(client, method)(path).status_code == 405, (method, path)


# ---- and what a page that is shown says


def test_a_supplier_reads_nothing_of_another_nor_of_zones_and_crews(world):
    theirs = make.order(world.room, world.sheet, 5, supplier=world.rival.firm, number="R-99")
    lead_said = make.envelope(world.lead)
    deliveries.record_arrival(
        lead_said,
        zone=world.zone,
        dispatch=world.dispatch,
        lines=[deliveries.PlacedLine(world.sheet, "K1", 10, world.room)],
    )
    client = world.client("supplier")

    pages = [client.get(path) for path in (reverse("scheduling:orders"), f"/orders/{world.order.pk}/")]

    # For which room a line is stands on the order itself: the skid is marked with it.
    hidden = [theirs.number, world.rival.firm.name, world.zone.name]
    hidden += [world.crew.name, world.other_crew.name, world.lead.name, world.helper.name]
    for page in pages:
        assert page.status_code == 200
        text = page.content.decode()
        assert world.order.number in text
        assert [word for word in hidden if word in text] == []


def test_a_right_ends_with_the_day_that_gave_it(world):
    path = reverse("scheduling:act", args=["rooms", world.room.pk, "prep"])
    assert world.client("lead").get(path).status_code == 200

    crews.give_day(
        make.envelope(world.boss), room=world.room, crew=world.other_crew, first_on=date(2026, 6, 25)
    )

    assert world.client("lead").get(path).status_code == 403
    assert world.client("helper").get(path).status_code == 200


def test_who_is_switched_off_is_out_at_once(world):
    client = world.client("lead")
    assert client.get(reverse("scheduling:jobs")).status_code == 200

    Person.objects.filter(pk=world.lead.pk).update(is_active=False)

    assert verdict(client.get(reverse("scheduling:jobs"))) == OUT
