"""Cold stacks and damp wood on a room's page and in its holds, as time goes on and facts come."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from config import clock
from jobs.facts import withdraw
from jobs.services import seen
from materials.core.stack import Lies, LotsPlan, Took
from materials.models import LaidOut, Placement, RestOverride
from materials.services import deliveries, sheets, stacks
from materials.services.deliveries import StackTemperature
from scheduling import answers, states
from scheduling.core.holds import Act, HoldState
from scheduling.core.room_facts import HoldKind
from scheduling.models import FeedEvent, RoomState
from scheduling.pages.room import room_page
from scheduling.pages.stack import _saves, about
from scheduling.pages.today import today_page
from scheduling.printing import plain
from scheduling.services import crews, handling
from tests import make
from tests.conftest import NOW
from tests.scheduling.acts_world import words_of

pytestmark = pytest.mark.django_db

HOUR = timedelta(hours=1)
DAY = 24 * HOUR
ZONE = "Europe/Paris"


@pytest.fixture(autouse=True)
def clock_at_now(monkeypatch):
    """Let the clock of the requests stand at NOW."""
    monkeypatch.setattr(clock, "read", lambda: NOW)


@pytest.fixture
def boss():
    return make.manager()


@pytest.fixture
def room():
    return make.room(name="Salting room")


def read_air(room, boss, *, since, until=timedelta(0), t_c=21.0, rh_pct=50.0, now=NOW):
    """Read the air of a room every hour."""
    hours = int((since - until) / HOUR)
    for back in range(hours + 1):
        seen.record_reading(
            make.envelope(boss, at=now - since + back * HOUR, now=now),
            zone=room.zone,
            temperature=t_c,
            unit="c",
            humidity_pct=rh_pct,
        )


def bring(room, boss, *, count=80, ago=30 * HOUR, face=2.0, product=None, now=NOW, need=True):
    """Put sheets down for a room, as cold as they are; None: nobody said."""
    product = product or make.sheet()
    if need:
        make.requirement(room, product, count - 4)
    temperatures = [] if face is None else [StackTemperature("face", face, "c")]
    arrival = deliveries.record_arrival(
        make.envelope(boss, at=now - ago, now=now),
        zone=room.zone,
        lines=[deliveries.PlacedLine(product, make.name("B"), count, room)],
        temperatures=temperatures,
    )
    return Placement.objects.get(arrival=arrival.pk)


def open_it(placement, boss, *, ago, now=NOW):
    return sheets.open_placement(make.envelope(boss, at=now - ago, now=now), placement=placement)


def look_at_all(placement, boss, *, now=NOW):
    handling.inspect(
        make.envelope(boss, now=now),
        placement=placement,
        inspected=placement.sheets,
        rejects={},
        mark_seen=True,
    )


def stack_on(room, boss, *, now=NOW):
    """Return what the page says of the one stack in a room."""
    states.refresh_due(now=now)
    (placement,) = room_page(room, boss, may_record=True, may_record_site=True, now=now).placements
    return placement.stack


def said(value):
    return plain(value, zone=ZONE)


def rest_hold(room, *, now=NOW):
    states.refresh_due(now=now)
    holds = answers.holds_of(RoomState.objects.get(room=room).answer)
    return next(hold for hold in holds if hold.kind is HoldKind.REST)


# ---- what a manager sees


def test_a_day_of_rest_does_not_warm_a_skid_of_eighty_and_the_page_says_so(room, boss):
    read_air(room, boss, since=31 * HOUR)
    placement = bring(room, boss)
    open_it(placement, boss, ago=29 * HOUR)

    stack = stack_on(room, boss)

    # Source: trade facts, section 4: 64 to 372 h from 2 °C in 21 °C, 29 h of them gone: 35 to 343 h, 1 to 14 days.
    answer = said(stack.answer)
    assert answer.startswith("The middle of the stack comes within 2 K of the room in ")
    assert " days; laid out in flat lots of ten (80 sheets: eight lots), about 2 h, 24 m² of floor." in answer
    # 24 h warm a bare skid of 25 sheets, 16 to 43 by the inputs.
    beside = said(stack.beside)
    assert beside == ("24 h of rest warm a stack of about 25 such sheets (16 to 43), unwrapped. Here lie 80.")
    # By the central inputs 160 h, of which 29 h are gone and one was wrapped, against two hours in lots: 5 days.
    assert said(stack.saves) == "Laying it out saves about 5 days."
    assert stack.section.piles[0].cold_y is not None
    assert said(stack.height) == "184 mm"
    assert said(stack.binding).startswith("Advice")
    assert stack.may_lay_out


def test_what_is_still_cold_stands_at_the_head_of_a_room_that_nothing_holds(room, boss):
    read_air(room, boss, since=31 * HOUR)
    placement = bring(room, boss)
    open_it(placement, boss, ago=29 * HOUR)
    client = Client()
    client.force_login(boss)
    path, words = (
        reverse("scheduling:room", args=[room.pk]),
        f"The middle of batch {placement.batch} is still cold",
    )

    states.refresh_due(now=NOW)
    before = client.get(path).content.decode()
    stacks.lay_out(make.envelope(boss, ago=29 * HOUR), placement=placement, lies="lots", lot_of=10)
    after = client.get(path).content.decode()

    assert (before.count(words), after.count(words)) == (1, 0)


def test_the_same_sheets_laid_out_are_warm_within_the_day(room, boss):
    read_air(room, boss, since=31 * HOUR)
    placement = bring(room, boss)
    open_it(placement, boss, ago=29 * HOUR)
    stacks.lay_out(make.envelope(boss, ago=29 * HOUR), placement=placement, lies="lots", lot_of=10)

    stack = stack_on(room, boss)

    assert stack.is_warm
    assert said(stack.lies) == "Laid out in flat lots of 10."
    assert said(stack.answer).startswith("The middle of the stack has come to the room")
    assert (stack.section, stack.line, stack.may_lay_out) == (None, None, False)


def test_advice_ends_when_the_slowest_reckoning_is_past(room, boss):
    read_air(room, boss, since=31 * HOUR)
    placement = bring(room, boss)
    open_it(placement, boss, ago=29 * HOUR)

    # Source: trade facts, section 4: at most 372 h unwrapped; one hour of it was wrapped.
    assert not stack_on(room, boss).is_warm
    assert not stack_on(room, boss, now=NOW + 30 * HOUR).is_warm
    assert stack_on(room, boss, now=NOW + 17 * DAY).is_warm


def test_nothing_is_guessed_of_a_stack_that_nobody_measured(room, boss):
    read_air(room, boss, since=31 * HOUR)
    placement = bring(room, boss, face=None)
    open_it(placement, boss, ago=29 * HOUR)

    stack = stack_on(room, boss)

    assert "Nobody has said how cold these 80 sheets came" in said(stack.asks)
    assert (stack.answer, stack.section, stack.line) == (None, None, None)
    page = Client()
    page.force_login(boss)
    shown = page.get(reverse("scheduling:room", args=[room.pk]))
    assert reverse("scheduling:act", args=["placements", placement.origin, "temperature"]) in str(
        shown.content
    )


def test_a_thin_stack_that_nobody_measured_needs_no_word(room, boss):
    bring(room, boss, count=16, face=None)

    # Source: trade facts, section 4: a day warms 16 sheets even by the slow inputs.
    assert stack_on(room, boss) is None


def test_a_face_measured_hours_later_does_not_say_how_cold_the_stack_came(room, boss):
    read_air(room, boss, since=31 * HOUR)
    placement = bring(room, boss, face=None)
    stacks.measure_stack(
        make.envelope(boss, ago=20 * HOUR), placement=placement, place="face", temperature=18, unit="c"
    )

    assert stack_on(room, boss).asks is not None


@pytest.mark.parametrize(
    ("lorry", "face", "words"),
    [
        pytest.param(-3.0, None, "−3 °C in the lorry, as told", id="the-lorry-alone"),
        pytest.param(-3.0, 2.0, "2 °C on the top sheet", id="the-hand-held-goes-before-the-lorry"),
    ],
)
def test_the_page_says_what_the_reckoning_begins_with(room, boss, lorry, face, words):
    read_air(room, boss, since=31 * HOUR)
    placement = bring(room, boss, face=face)
    stacks.measure_stack(
        make.envelope(boss, ago=30 * HOUR), placement=placement, place="lorry", temperature=lorry, unit="c"
    )

    facts = {said(one.name): said(one.says) for one in stack_on(room, boss).facts}

    assert words in facts["Came at"]
    assert facts["Room"] == "21 °C"


def test_a_probe_in_the_middle_overrules_what_is_worked_out(room, boss):
    read_air(room, boss, since=31 * HOUR)
    placement = bring(room, boss)
    open_it(placement, boss, ago=29 * HOUR)
    assert not stack_on(room, boss).is_warm

    stacks.measure_stack(make.envelope(boss), placement=placement, place="core", temperature=20.5, unit="c")

    stack = stack_on(room, boss)
    assert stack.is_warm
    assert said(stack.answer) == "The middle of the stack has come to the room: 20.5 °C by a probe."


def test_a_probe_that_is_taken_back_says_nothing_more(room, boss):
    read_air(room, boss, since=31 * HOUR)
    placement = bring(room, boss)
    open_it(placement, boss, ago=29 * HOUR)
    probe = stacks.measure_stack(
        make.envelope(boss), placement=placement, place="core", temperature=20.5, unit="c"
    )
    assert stack_on(room, boss).is_warm

    withdraw(probe, make.envelope(boss, now=NOW, reason="wrong skid"))

    assert not stack_on(room, boss).is_warm


def test_sheets_moved_on_keep_how_cold_they_came(room, boss):
    read_air(room, boss, since=31 * HOUR)
    other = make.room(zone=room.zone)
    placement = bring(room, boss)
    product = placement.product
    make.requirement(other, product, 40)
    handling.move(make.envelope(boss, ago=28 * HOUR), placement=placement, count=40, to=room.zone, room=other)

    stack = stack_on(other, boss)

    assert "2 °C on the top sheet" in said(stack.facts[-1].says)
    assert said(stack.facts[-1].name) == "Came at"


# ---- where the rule makes it binding


def binding_room(room, boss, **given):
    read_air(room, boss, since=31 * HOUR)
    placement = bring(room, boss, **given)
    open_it(placement, boss, ago=29 * HOUR)
    look_at_all(placement, boss)
    return placement


def test_a_cold_middle_holds_the_rest_only_where_the_rule_says_so(room, boss):
    placement = binding_room(room, boss)
    assert rest_hold(room).state is HoldState.CLEAR

    RestOverride.objects.create(job=room.job, core_is_binding=True)
    states.refresh([room.pk], now=NOW)
    look_again(room, boss, placement)

    hold = rest_hold(room)
    assert hold.state is HoldState.HELD
    assert "the middle of the stack may be cold until" in said(hold.says)
    assert hold.act.act is Act.LAY_OUT
    assert hold.forecast is not None


def look_again(room, boss, placement):
    """Record a fact, so that the room is judged anew under the rule as it is now."""
    seen.record_wetting(make.envelope(boss), room=room)


def test_a_binding_middle_lets_go_at_the_late_end_of_its_range(room, boss):
    binding_room(room, boss, product=make.sheet(core_is_binding=True))
    hold = rest_hold(room)
    late = hold.forecast.at

    assert late is not None
    # Source: trade facts, section 4: 372 h unwrapped at the slowest, of which 29 h are gone; one hour was wrapped.
    assert 13 * DAY < late - NOW < 16 * DAY
    assert rest_hold(room, now=late - timedelta(seconds=1)).state is HoldState.HELD
    assert rest_hold(room, now=late).state is HoldState.CLEAR


def test_what_laying_out_brings_stands_among_the_choices_where_the_middle_is_binding(room, boss):
    """Source: trade facts, section 4: ten sheets with air on both faces 2.7 h, 4.6 h at the slowest."""
    binding_room(room, boss, product=make.sheet(core_is_binding=True))
    states.refresh_due(now=NOW)

    page = room_page(room, boss, may_record=True, may_record_site=True, now=NOW)

    (choice,) = page.outlook.choices
    told = re.fullmatch(r"Laid out in flat lots now: Wed 10 Jun (\d\d):(\d\d)\.", said(choice.words))
    # NOW is 11:00 in Paris; of the range the late end, to the quarter hour.
    assert 2.7 < int(told[1]) + int(told[2]) / 60 - 11 <= 4.75
    # Opened 29 h ago, at 06:00 of the day before, and read every hour: 24 h later its hours are full.
    assert said(page.placements[0].state).startswith(
        "Its hours are full since Wed 10 Jun 06:00; its middle may be cold until "
    )


def test_a_binding_middle_lets_go_when_a_probe_says_so(room, boss):
    placement = binding_room(room, boss, product=make.sheet(core_is_binding=True))
    assert rest_hold(room).state is HoldState.HELD

    stacks.measure_stack(make.envelope(boss), placement=placement, place="core", temperature=20, unit="c")

    assert rest_hold(room).state is HoldState.CLEAR


def test_a_binding_middle_that_nobody_measured_is_asked_for(room, boss):
    binding_room(room, boss, product=make.sheet(core_is_binding=True), face=None)

    hold = rest_hold(room)

    assert (hold.state, hold.forecast, hold.act.act) == (HoldState.HELD, None, Act.MEASURE_STACK)


def test_a_binding_stack_that_is_laid_out_clears_within_the_day(room, boss):
    placement = binding_room(room, boss, product=make.sheet(core_is_binding=True))
    assert rest_hold(room).state is HoldState.HELD

    stacks.lay_out(make.envelope(boss), placement=placement, lies="lots", lot_of=10)

    hold = rest_hold(room)
    assert hold.act.act is Act.LOG_READING
    assert NOW < hold.forecast.at < NOW + DAY


# ---- sweat


def test_the_wrap_of_a_cold_delivery_stays_on_and_the_crew_lead_is_told_until_when(room, boss):
    read_air(room, boss, since=3 * HOUR)
    bring(room, boss, ago=HOUR)

    hold, stack = rest_hold(room), stack_on(room, boss)

    assert hold.act.act is Act.OPEN
    assert said(hold.act.says).startswith("Leave the wrap on until about ")
    until = hold.act.says.values["at"]
    assert until > NOW
    assert until.minute % 15 == 0
    assert said(stack.wrap.act) == said(hold.act.says).split(", then")[0] + "."
    # Source: trade facts, section 1: 21 °C and 50 % have their dew point at 10.2 °C, ± 1.0 K.
    assert "dew point is 10.2 °C, give or take 1 K" in said(stack.wrap.why)
    assert "A dry top face says nothing of the sheets below" in said(stack.wrap.below)
    # Source: trade facts, section 1: 2 °C sweats in 21 °C from 28.4 % on.
    assert "lower the humidity below 28 %" in said(stack.wrap.below)


def test_when_it_would_sweat_no_more_the_act_is_to_unwrap(room, boss):
    read_air(room, boss, since=3 * HOUR)
    bring(room, boss, ago=HOUR)
    until = rest_hold(room).act.says.values["at"]

    assert said(rest_hold(room, now=until - timedelta(seconds=1)).act.says).startswith("Leave the wrap on")
    assert said(rest_hold(room, now=until).act.says) == "Unwrap 80 sheets"


def test_a_delivery_as_warm_as_the_room_is_unwrapped_at_once(room, boss):
    read_air(room, boss, since=3 * HOUR)
    bring(room, boss, ago=HOUR, face=20.0)

    assert said(rest_hold(room).act.says) == "Unwrap 80 sheets"
    assert stack_on(room, boss).wrap is None


def test_air_that_is_too_damp_is_dried_first(room, boss):
    read_air(room, boss, since=3 * HOUR, rh_pct=95.0)
    bring(room, boss, ago=HOUR)

    assert said(rest_hold(room).act.says) == "Dry the air, then unwrap 80 sheets"
    assert "dry the air" in said(stack_on(room, boss).wrap.act)


def test_an_arrival_says_at_once_until_when_the_wrap_stays_on(room, boss):
    read_air(room, boss, since=3 * HOUR)
    client = Client()
    client.force_login(boss)
    sheet = make.sheet()
    make.requirement(room, sheet, 76)
    path = reverse("scheduling:act", args=["jobs", room.job_id, "arrival"])
    sent = {
        "act": str(make.ident()),
        "zone": str(room.zone_id),
        "face": "2",
        "unit": "c",
        "rows-TOTAL_FORMS": "1",
        "rows-INITIAL_FORMS": "0",
        "rows-0-product": str(sheet.pk),
        "rows-0-batch": "C7",
        "rows-0-sheets": "80",
        "rows-0-room": str(room.pk),
    }

    answer = client.post(path, sent, follow=True)

    assert "The sheets are cold: leave the wrap on until about " in words_of(answer)


# ---- wood


def backed(**fields):
    return make.sheet(kind="backed", moisture_min_pct=6, moisture_max_pct=12, **fields)


def wood_on(room, boss):
    states.refresh_due(now=NOW)
    (placement,) = room_page(room, boss, may_record=True, may_record_site=True, now=NOW).placements
    return placement.wood


@pytest.mark.parametrize(
    ("moisture", "trouble"),
    [
        pytest.param(5.9, "Too dry: 5.9 %, at least 6 % allowed.", id="too-dry"),
        pytest.param(6.0, None, id="at-the-least"),
        pytest.param(12.0, None, id="at-the-most"),
        pytest.param(13.5, "Too damp: 13.5 %, at most 12 % allowed.", id="too-damp"),
    ],
)
def test_pins_are_held_against_what_the_maker_allows(room, boss, moisture, trouble):
    placement = bring(room, boss, count=13, face=None, product=backed())
    stacks.measure_moisture(make.envelope(boss), placement=placement, moisture_pct=moisture)

    wood = wood_on(room, boss)

    assert (wood.trouble is None) == (trouble is None)
    assert trouble is None or said(wood.trouble).startswith(trouble)
    assert said(wood.limits) == "The maker allows 6 to 12 %."
    assert rest_hold(room).state is HoldState.HELD


def test_the_page_says_where_the_air_of_the_last_days_draws_the_wood(room, boss):
    read_air(room, boss, since=3 * DAY, t_c=21.0, rh_pct=50.0)
    bring(room, boss, count=13, face=None, product=backed())

    wood = wood_on(room, boss)

    # Source: trade facts, section 2: 21 °C and 50 % settle at 9.25 %.
    assert "draws wood to 9.2 % (9.2 to 9.2), give or take 1." in said(wood.drawn_to)
    assert said(wood.read) == "Nobody has read the wood with pins yet."


def test_sheets_without_wood_have_no_word_on_it(room, boss):
    bring(room, boss, count=13, face=None)

    assert wood_on(room, boss) is None


def test_the_page_says_that_hours_do_not_prove_the_wood(room, boss):
    bring(room, boss, count=13, face=None, product=backed())
    client = Client()
    client.force_login(boss)

    said_of_it = words_of(client.get(reverse("scheduling:room", args=[room.pk])))

    assert "Hours do not prove the wood" in said_of_it


# ---- cost


def test_a_room_with_several_cold_stacks_asks_no_more_than_one_with_one(room, boss):
    read_air(room, boss, since=31 * HOUR)
    product = make.sheet()
    make.requirement(room, product, 300)
    bring(room, boss, product=product, need=False)
    states.refresh_due(now=NOW)
    client = Client()
    client.force_login(boss)
    path = reverse("scheduling:room", args=[room.pk])
    client.get(path)
    with CaptureQueriesContext(connection) as once:
        assert client.get(path).status_code == 200
    for _more in range(3):
        bring(room, boss, product=product, need=False)
    client.get(path)

    with CaptureQueriesContext(connection) as more:
        assert client.get(path).status_code == 200

    assert len(more) <= len(once), [query["sql"] for query in more]


def test_a_room_without_sheets_shows_none_of_it(room, boss):
    states.refresh_due(now=NOW)

    assert room_page(room, boss, may_record=True, may_record_site=True, now=NOW).placements == ()


@pytest.mark.parametrize(
    ("length", "told"),
    [
        pytest.param(timedelta(minutes=10), timedelta(minutes=15), id="never-nothing"),
        pytest.param(timedelta(minutes=52), timedelta(minutes=45), id="to-the-quarter"),
        pytest.param(timedelta(hours=2, minutes=9), 2 * HOUR, id="to-the-hour"),
        pytest.param(timedelta(hours=2, minutes=31), 3 * HOUR, id="half-up"),
    ],
)
def test_a_length_is_told_as_roughly_as_it_is_known(length, told):
    # Worked by hand.
    assert about(length) == told


def test_ways_of_lying_are_the_same_in_the_core_and_in_the_facts():
    assert {way.value for way in Lies} == set(LaidOut.Lies.values)


# ---- the crew lead's list, and the form that opens


def lead_of(room):
    lead = make.crew_lead()
    crew = make.crew(lead)
    crews.attach_crew(crew, room.job, now=NOW)
    return lead


def test_the_crew_leads_list_says_not_before_when_cold_sheets_are_opened(room, boss):
    lead = lead_of(room)
    read_air(room, boss, since=3 * HOUR)
    placement = bring(room, boss, ago=HOUR)
    states.refresh_due(now=NOW)

    (row,) = today_page(lead, now=NOW).cold

    assert said(row.fact).startswith("Open 80 sheets not before about ")
    assert row.at == row.fact.values["at"] > NOW
    assert row.url == reverse("scheduling:act", args=["placements", placement.origin, "open"])
    states.refresh_due(now=row.at)
    (later,) = today_page(lead, now=row.at).cold
    assert said(later.fact) == "Open and lay out 80 sheets"


def test_the_list_holds_nothing_that_is_open_or_that_nobody_measured(room, boss):
    lead = lead_of(room)
    read_air(room, boss, since=3 * HOUR)
    product = make.sheet()
    make.requirement(room, product, 100)
    open_it(bring(room, boss, ago=HOUR, product=product, need=False), boss, ago=timedelta(0))
    bring(room, boss, ago=HOUR, product=product, need=False, face=None)
    states.refresh_due(now=NOW)

    assert today_page(lead, now=NOW).cold == ()


def test_nobody_reads_of_a_cold_delivery_of_another_job(room, boss):
    lead_of(room)
    stranger = lead_of(make.room())
    read_air(room, boss, since=3 * HOUR)
    bring(room, boss, ago=HOUR)
    states.refresh_due(now=NOW)

    assert today_page(stranger, now=NOW).cold == ()


@pytest.mark.parametrize("subject", ["placements", "rooms"])
def test_the_form_that_opens_cold_sheets_warns_first(room, boss, subject):
    read_air(room, boss, since=3 * HOUR)
    placement = bring(room, boss, ago=HOUR)
    client = Client()
    client.force_login(boss)
    key = placement.origin if subject == "placements" else room.pk

    page = words_of(client.get(reverse("scheduling:act", args=[subject, key, "open"])))

    assert "Leave the wrap on until about" in page


def test_the_calendar_does_not_move_with_every_reading_while_sheets_are_cold(room, boss):
    read_air(room, boss, since=3 * HOUR)
    bring(room, boss, ago=HOUR)
    crews.give_day(make.envelope(boss), room=room, crew=make.crew(), first_on=(NOW + 9 * DAY).date())
    states.refresh_due(now=NOW)
    before = [(event.sequence, event.description) for event in FeedEvent.objects.all()]

    for minutes in range(5, 65, 5):
        at = NOW + timedelta(minutes=minutes)
        seen.record_reading(
            make.envelope(boss, now=at),
            zone=room.zone,
            temperature=20.0 + minutes % 7 / 10,
            unit="c",
            humidity_pct=50,
        )
        states.refresh_due(now=at)

    assert [(event.sequence, event.description) for event in FeedEvent.objects.all()] == before
    assert "Leave the wrap on; unwrap 80 sheets once they are warm enough" in before[0][1]


def note_over_the_holds(room, boss):
    client = Client()
    client.force_login(boss)
    states.refresh_due(now=NOW)
    return "is still cold" in words_of(client.get(reverse("scheduling:room", args=[room.pk])))


@pytest.mark.parametrize("is_laid_out", [False, True])
def test_what_no_hold_says_of_a_cold_middle_stands_over_them(room, boss, is_laid_out):
    read_air(room, boss, since=31 * HOUR)
    placement = bring(room, boss)
    open_it(placement, boss, ago=29 * HOUR)
    if is_laid_out:
        stacks.lay_out(make.envelope(boss, ago=20 * HOUR), placement=placement, lies="lots", lot_of=10)

    assert note_over_the_holds(room, boss) is not is_laid_out


@pytest.mark.parametrize(
    ("saves", "told"),
    [
        pytest.param(
            None, "Left as it lies it does not come there within two months.", id="never-as-it-lies"
        ),
        pytest.param(9 * HOUR, "Laying it out saves about 9 h.", id="hours"),
        pytest.param(2 * DAY, "Laying it out saves about 2 days.", id="days"),
        pytest.param(5 * DAY + 11 * HOUR, "Laying it out saves about 5 days.", id="to-the-day"),
    ],
)
def test_what_laying_out_saves_is_told_as_roughly_as_it_is_known(saves, told):
    # Worked by hand.
    took = Took(HOUR, 2 * HOUR, 4 * HOUR)

    assert said(_saves(LotsPlan(10, 8, 24_000_000, took, saves))) == told
