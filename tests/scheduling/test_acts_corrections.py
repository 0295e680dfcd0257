"""Every kind of fact corrected or taken back through the real client, and what follows from it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.apps import apps
from django.contrib.messages import get_messages
from django.urls import reverse

from jobs.models import Entry, Fact, Reading, ReadingFile
from jobs.services import loggers, seen
from materials.models import Dispatch, Placement
from materials.services import deliveries, sheets, stacks
from scheduling.acts import BY_FACT, INSTEAD, ONLY_TAKEN_BACK, ways_of
from scheduling.acts.base import Allowed
from scheduling.models import Assignment, BeganHeld, DayGiven, Finish, Start, Waiver
from scheduling.services import handling, work
from tests import make
from tests.conftest import NOW
from tests.scheduling.acts_world import HOUR, act_path, filled, form_of, words_of, wrong_in


@dataclass
class Fix:
    """A fact of one kind: how it comes to be, what is corrected about it, and the column that shows it."""

    made: Any
    typed: dict[str, Any]
    column: str
    value: Any
    by: str = "lead"


def envelope(world, by="lead", **rest):
    return make.envelope(world.rows[by], **rest)


FIXES = {
    "jobs.reading": Fix(lambda w: w.reading, {"temperature": "19"}, "temperature", 19),
    "jobs.memory": Fix(
        lambda w: seen.record_memory(
            envelope(w),
            zone=w.zone,
            from_at=NOW - 9 * HOUR,
            t_min=18,
            t_max=22,
            unit="c",
            rh_min=40,
            rh_max=50,
        ),
        {"t_max": "23"},
        "t_max",
        23,
    ),
    "jobs.statement": Fix(
        lambda w: seen.state_air(envelope(w), zone=w.zone, from_at=NOW - 9 * HOUR),
        # 04:00 in Paris is 02:00 UTC, seven hours before NOW.
        {"from_at": "2026-06-10T04:00"},
        "from_at",
        NOW - 7 * HOUR,
    ),
    "jobs.loggerclock": Fix(
        lambda w: loggers.state_clock(
            envelope(w), zone=w.zone, logger="L3", from_at=NOW - 9 * HOUR, offset=HOUR
        ),
        {"minutes": "30"},
        "offset_s",
        1_800,
    ),
    "jobs.milestonereport": Fix(
        lambda w: seen.report_milestone(envelope(w), milestone=w.ceiling, is_done=True),
        {"state": "no_date"},
        "is_done",
        False,
    ),
    "jobs.prepcheck": Fix(lambda w: w.check, {"passed": "failed"}, "passed", False),
    "jobs.wetting": Fix(
        lambda w: seen.record_wetting(envelope(w, reason="leak"), room=w.room),
        {"reason": "a spill"},
        "reason",
        "a spill",
    ),
    "materials.dispatch": Fix(lambda w: w.dispatch, {"paper": "P-9"}, "paper", "P-9", by="supplier"),
    "materials.arrivalpromise": Fix(
        lambda w: deliveries.promise_arrival(
            envelope(w, "supplier"), dispatch=w.dispatch, expected_at=NOW + HOUR
        ),
        {"expected_at": "", "unknown": "on"},
        "expected_at",
        None,
        by="supplier",
    ),
    "materials.placement": Fix(lambda w: w.wrapped, {"sheets": "9"}, "sheets", 9),
    "materials.laidout": Fix(
        lambda w: stacks.lay_out(envelope(w, ago=HOUR), placement=w.opened, lies="lots", lot_of=10),
        {"lies": "apart"},
        "lies",
        "apart",
    ),
    "materials.stackreading": Fix(
        lambda w: stacks.measure_stack(
            envelope(w, ago=HOUR), placement=w.opened, place="core", temperature=3, unit="c"
        ),
        {"place": "face"},
        "place",
        "face",
    ),
    "materials.moisturereading": Fix(
        lambda w: stacks.measure_moisture(envelope(w, ago=HOUR), placement=w.boarded, moisture_pct=16),
        {"moisture_pct": "10,5"},
        "moisture_pct",
        10.5,
    ),
    "materials.opening": Fix(
        lambda w: w.opening,
        {"happened_at": "2026-06-08T10:30"},
        "happened_at",
        NOW - 48 * HOUR - 30 * HOUR / 60,
    ),
    "materials.inspection": Fix(lambda w: w.inspection, {"inspected": "13"}, "inspected", 13),
    "materials.mixacknowledged": Fix(
        lambda w: sheets.acknowledge_mix(envelope(w), room=w.room, product=w.sheet),
        {"reason": "customer agreed in writing"},
        "reason",
        "customer agreed in writing",
    ),
    "materials.consumablelot": Fix(
        lambda w: sheets.bring_lot(
            envelope(w),
            job=w.job,
            room=None,
            product=w.glue,
            quantity=Decimal(5),
            good_through=date(2026, 9, 1),
        ),
        {"quantity": "4.5"},
        "quantity",
        Decimal("4.5"),
    ),
    "scheduling.waiver": Fix(
        lambda w: work.waive_hold(envelope(w, "boss", reason="no"), room=w.room, hold="rest", until_at=None),
        {"reason": "signed by both"},
        "reason",
        "signed by both",
        by="boss",
    ),
    "scheduling.start": Fix(lambda w: w.start, {"crew": ""}, "crew", None),
    "scheduling.beganheld": Fix(
        lambda w: work.record_began_held(envelope(w, reason="haste"), room=w.room, crew=w.crew),
        {"reason": "the ward was opened"},
        "reason",
        "the ward was opened",
        by="boss",
    ),
    "scheduling.sheetsset": Fix(
        lambda w: handling.set_sheets(envelope(w), room=w.begun, counts={w.begun_placed: 3})[0],
        {"sheets": "4"},
        "sheets",
        4,
    ),
    "scheduling.finish": Fix(
        lambda w: Finish.objects.get(room=w.done),
        {"happened_at": "2026-06-10T10:30"},
        "happened_at",
        NOW - HOUR / 2,
    ),
    "scheduling.turnedaway": Fix(
        lambda w: work.record_turned_away(
            envelope(w, reason="occupied"), room=w.room, crew=w.crew, refused_by=""
        ),
        {"refused_by": "site agent"},
        "refused_by",
        "site agent",
    ),
}
#: Kinds that are only taken back, and the two that an act of the room changes.
ONLY_BACK = {
    "materials.arrival": lambda w: w.arrival,
    "jobs.readingfile": lambda w: _file(w),
}
CHANGED_BY_ACT = {
    "scheduling.daygiven": lambda w: DayGiven.objects.filter(assignment__room=w.room).latest("pk"),
    "scheduling.assignment": lambda w: Assignment.objects.get(room=w.room),
}
BACK = {**{name: fix.made for name, fix in FIXES.items()}, **ONLY_BACK}


def _file(world):
    """Return a logger's file of two readings, which share its line of history."""
    from jobs.facts import record

    file = record(
        ReadingFile(
            zone=world.zone, name="east.csv", sha256="0" * 64, logger="L1", new=2, known=0, conflicts=0
        ),
        envelope(world),
    )
    for minutes in (10, 20):
        ident = make.ident()
        Reading.objects.create(
            id=ident,
            origin=ident,
            happened_at=NOW - timedelta(minutes=minutes),
            recorded_at=NOW,
            recorded_by=world.lead,
            zone=world.zone,
            temperature=20.5,
            unit="c",
            humidity_pct=102,
            logger="L1",
            file=file,
        )
    return file


def correct_path(fact):
    return reverse("scheduling:correct", args=[fact.pk])


def withdraw_path(fact):
    return reverse("scheduling:withdraw", args=[fact.pk])


def facts_of_all_kinds():
    return {model for model in apps.get_models() if issubclass(model, Fact)}


def test_every_kind_of_fact_has_its_way_to_be_changed():
    assert facts_of_all_kinds() == set(BY_FACT) | set(INSTEAD)
    labels = {model._meta.label_lower for model in facts_of_all_kinds()}
    assert labels == set(FIXES) | set(ONLY_BACK) | set(CHANGED_BY_ACT)
    assert {model._meta.label_lower for model in ONLY_TAKEN_BACK} == set(ONLY_BACK)


@pytest.mark.parametrize("kind", FIXES)
def test_a_fact_is_corrected_by_its_form_filled_with_what_it_says(kind, world):
    fix = FIXES[kind]
    old = fix.made(world)
    client = world.client(fix.by)
    unchanged = filled(client, correct_path(old), {})
    sent = filled(client, correct_path(old), {**fix.typed, "said_by": "foreman"})
    assert unchanged["act"] != sent["act"]

    answers = [client.post(correct_path(old), sent) for _time in range(2)]

    assert [answer.status_code for answer in answers] == [302, 302], words_of(answers[0])
    (new,) = type(old).objects.standing().filter(origin=old.origin)
    assert (new.supersedes_id, new.said_by) == (old.pk, "foreman")
    assert getattr(new, fix.column) == fix.value
    if "happened_at" not in fix.typed:
        # The form shows minutes; what is left as it stands keeps its seconds.
        assert new.happened_at == old.happened_at
    entry = Entry.objects.get(pk=new.pk)
    assert entry.supersedes_id in (old.pk, None)


@pytest.mark.parametrize("kind", FIXES)
def test_a_correction_to_the_future_is_refused_and_keeps_what_was_typed(kind, world):
    fix = FIXES[kind]
    old = fix.made(world)
    client = world.client(fix.by)
    sent = filled(client, correct_path(old), {**fix.typed, "happened_at": "2026-06-10T11:30"})

    answer = client.post(correct_path(old), sent)

    assert answer.status_code == 422
    assert wrong_in(answer) == {"happened_at"}, words_of(answer)
    assert form_of(answer)["happened_at"] == ["2026-06-10T11:30"]
    assert type(old).objects.standing().filter(pk=old.pk).exists()


@pytest.mark.parametrize("kind", BACK)
def test_a_fact_is_taken_back_with_a_reason_once(kind, world):
    old = BACK[kind](world)
    client = world.client("boss")
    page = client.get(withdraw_path(old))
    assert page.status_code == 200
    bare = client.post(withdraw_path(old), form_of(page))
    assert (bare.status_code, wrong_in(bare)) == (422, {"reason"})
    sent = form_of(page) | {"reason": ["written by mistake"]}

    answers = [client.post(withdraw_path(old), sent) for _time in range(2)]

    assert [answer.status_code for answer in answers] == [302, 302], words_of(answers[0])
    assert not type(old).objects.standing().filter(origin=old.origin).exists()
    last = type(old).objects.get(supersedes=old.pk)
    assert (last.withdraws, last.reason) == (True, "written by mistake")
    entry = Entry.objects.get(pk=last.pk)
    assert entry.withdraws
    assert entry.says == Entry.objects.get(pk=old.pk).says


@pytest.mark.parametrize("kind", CHANGED_BY_ACT)
def test_a_day_is_changed_by_giving_another_or_taking_it_back(kind, world):
    old = CHANGED_BY_ACT[kind](world)
    client = world.client("boss")

    assert client.get(correct_path(old))["Location"] == act_path("rooms", world.room, "day")
    assert client.get(withdraw_path(old))["Location"] == act_path("rooms", world.room, "day-back")
    assert world.client("lead").get(correct_path(old)).status_code == 403
    assert world.client("stranger").get(correct_path(old)).status_code == 404


@pytest.mark.parametrize("kind", ONLY_BACK)
def test_what_cannot_be_corrected_leads_to_taking_it_back(kind, world):
    fact = ONLY_BACK[kind](world)

    answer = world.client("boss").get(correct_path(fact))

    assert answer["Location"] == withdraw_path(fact)
    assert "only taken back" in str(list(get_messages(answer.wsgi_request))[-1])
    assert world.client("stranger").get(correct_path(fact)).status_code == 404


@pytest.mark.parametrize("kind", BACK)
def test_only_those_who_may_do_the_act_may_change_its_fact(kind, world):
    old = BACK[kind](world)
    allowed = BY_FACT[type(old)].allowed
    expected = {
        Allowed.SITE: {"lead": 200, "helper": 200, "stranger": 404, "rival": 404},
        Allowed.ROOM: {"lead": 200, "helper": 403, "stranger": 404, "rival": 404},
        Allowed.MANAGER: {"lead": 403, "helper": 403, "stranger": 404, "rival": 404},
        Allowed.SUPPLIER: {"lead": 403, "supplier": 200, "stranger": 404, "rival": 404},
    }[allowed]

    for name, status in expected.items():
        client = world.client(name)
        assert client.get(withdraw_path(old)).status_code == status, name
        if kind in FIXES:
            assert client.get(correct_path(old)).status_code == status, name
        if status != 200:
            before = Entry.objects.count()
            assert client.post(withdraw_path(old), {"reason": "x"}).status_code == status
            assert Entry.objects.count() == before


def test_who_corrects_second_is_told_and_keeps_what_was_typed(world):
    first, second = world.client("lead"), world.client("boss")
    mine = filled(first, correct_path(world.reading), {"temperature": "19"})
    theirs = filled(second, correct_path(world.reading), {"temperature": "18"})
    assert first.post(correct_path(world.reading), mine).status_code == 302

    answer = second.post(correct_path(world.reading), theirs)

    assert answer.status_code == 409
    assert "Somebody corrected this in the meantime" in words_of(answer)
    assert form_of(answer)["temperature"] == ["18"]
    back = second.post(withdraw_path(world.reading), {"reason": "wrong"})
    assert back.status_code == 409
    assert Reading.objects.standing().get(origin=world.reading.origin).temperature == 19


def test_a_link_to_what_no_longer_stands_leads_to_what_does(world):
    client = world.client("lead")
    client.post(
        correct_path(world.reading), filled(client, correct_path(world.reading), {"temperature": "19"})
    )

    answer = client.get(correct_path(world.reading))

    assert answer["Location"] == reverse("scheduling:zone", args=[world.zone.pk])
    assert "corrected or taken back since" in str(list(get_messages(answer.wsgi_request))[-1])


def test_a_reading_of_a_file_is_corrected_like_any_other(world):
    file = _file(world)
    reading = Reading.objects.filter(file=file).latest("happened_at")
    client = world.client("lead")
    page = client.get(correct_path(reading))
    # A sensor at its edge says 102 %, and what it said may stand.
    assert form_of(page)["humidity_pct"] == ["102.0"]

    answer = client.post(correct_path(reading), form_of(page) | {"temperature": ["35"]})

    assert answer.status_code == 302
    new = Reading.objects.standing().get(origin=reading.origin)
    assert (new.temperature, new.logger, new.happened_at) == (35, "L1", reading.happened_at)
    assert Entry.objects.get(pk=new.pk).supersedes is None


def test_a_file_taken_back_takes_its_readings_with_it(world):
    file = _file(world)
    client = world.client("lead")
    version = world.room.facts_version

    client.post(withdraw_path(file), filled(client, withdraw_path(file), {"reason": "of another zone"}))

    assert not Reading.objects.standing().filter(file=file).exists()
    world.room.refresh_from_db()
    assert world.room.facts_version > version


def test_an_arrival_taken_back_takes_what_was_moved_on_with_it(world):
    moved = handling.move(envelope(world), placement=world.opened, count=5, to=world.zone, room=world.twin)
    handling.move(envelope(world), placement=moved, count=2, to=world.annex, room=None)
    client = world.client("lead")

    client.post(
        withdraw_path(world.arrival), filled(client, withdraw_path(world.arrival), {"reason": "other site"})
    )

    assert not Placement.objects.standing().filter(batch__in=["A1", "A2"]).exists()


@pytest.mark.parametrize(
    ("made", "words"),
    [
        pytest.param(lambda w: w.start, "Sheets were set in this room", id="the-start-under-sheets-set"),
        pytest.param(lambda w: w.begun_placed, "were set on walls", id="the-placement-under-sheets-set"),
        pytest.param(
            lambda w: w.begun_placed.arrival, "were set on walls", id="the-arrival-under-sheets-set"
        ),
        pytest.param(
            lambda w: Start.objects.get(room=w.done), "This room was finished", id="the-start-of-a-finish"
        ),
    ],
)
def test_what_a_later_fact_rests_on_is_not_taken_back(made, words, world):
    handling.set_sheets(envelope(world), room=world.begun, counts={world.begun_placed: 3})
    fact = made(world)
    client = world.client("boss")

    answer = client.post(withdraw_path(fact), filled(client, withdraw_path(fact), {"reason": "wrong"}))

    assert answer.status_code == 422
    assert words in words_of(answer)
    assert type(fact).objects.standing().filter(pk=fact.pk).exists()


def test_a_dispatch_that_arrived_is_not_taken_back(world):
    deliveries.record_arrival(
        envelope(world),
        zone=world.zone,
        dispatch=world.dispatch,
        lines=[deliveries.PlacedLine(world.sheet, "K1", 10, world.room)],
    )
    client = world.client("supplier")

    answer = client.post(
        withdraw_path(world.dispatch), filled(client, withdraw_path(world.dispatch), {"reason": "wrong"})
    )

    assert (answer.status_code, Dispatch.objects.standing().filter(pk=world.dispatch.pk).count()) == (422, 1)
    assert "It has arrived" in words_of(answer)


@pytest.mark.parametrize(
    ("typed", "field", "words"),
    [
        # 20 came, and 12 were looked at, the 3 moved on among them: only the other 8 can turn out missing.
        pytest.param(
            {"sheets": "11"}, "sheets", "12 of them were looked at, moved on or set", id="fewer-than-handled"
        ),
        pytest.param({"sheets": ""}, "sheets", "Nothing is written", id="empty"),
        pytest.param({"batch": " "}, "batch", "Nothing is written", id="no-batch"),
        pytest.param(
            {"happened_at": "2026-06-09T09:00"}, "happened_at", "opened, looked at or moved", id="too-late"
        ),
    ],
)
def test_a_recount_contradicts_nothing_that_was_done(typed, field, words, world):
    handling.move(envelope(world), placement=world.opened, count=3, to=world.zone, room=world.twin)
    client = world.client("lead")

    answer = client.post(correct_path(world.opened), filled(client, correct_path(world.opened), typed))

    assert (answer.status_code, wrong_in(answer)) == (422, {field})
    assert words in words_of(answer)


def test_a_recount_may_take_away_all_that_nobody_touched(world):
    client = world.client("lead")

    answer = client.post(
        correct_path(world.opened), filled(client, correct_path(world.opened), {"sheets": "12"})
    )

    assert answer.status_code == 302
    standing = handling.standing_of(Placement.objects.standing().get(origin=world.opened.origin))
    assert (standing.sheets, standing.to_inspect) == (12, 0)


def test_a_batch_read_wrongly_is_put_right_wherever_its_sheets_went(world):
    moved = handling.move(envelope(world), placement=world.opened, count=5, to=world.zone, room=world.twin)
    client = world.client("lead")
    sent = filled(client, correct_path(world.opened), {"batch": "A7"})

    answers = [client.post(correct_path(world.opened), sent) for _time in range(2)]

    assert [answer.status_code for answer in answers] == [302, 302]
    batches = Placement.objects.standing().filter(origin__in=[world.opened.origin, moved.origin])
    assert list(batches.values_list("batch", flat=True)) == ["A7", "A7"]


def test_a_move_is_not_corrected_to_more_than_stood_there(world):
    moved = handling.move(envelope(world), placement=world.opened, count=5, to=world.zone, room=world.twin)
    client = world.client("lead")

    most = client.post(correct_path(moved), filled(client, correct_path(moved), {"sheets": "21"}))
    batch = client.post(correct_path(moved), filled(client, correct_path(moved), {"batch": "B9"}))
    all_of_it = client.post(correct_path(moved), filled(client, correct_path(moved), {"sheets": "20"}))

    assert (most.status_code, "20 sheets stood there" in words_of(most)) == (422, True)
    assert (batch.status_code, "correct the batch there" in words_of(batch)) == (422, True)
    assert all_of_it.status_code == 302


def test_a_start_is_not_corrected_to_a_time_when_the_room_was_held(world):
    client = world.client("lead")

    answer = client.post(
        correct_path(world.start),
        filled(client, correct_path(world.start), {"happened_at": "2026-06-09T10:00"}),
    )

    assert answer.status_code == 422
    assert "The room may not be started" in words_of(answer)
    assert "Record that it was begun while held" in words_of(answer)


def test_a_manager_is_told_of_what_was_begun_while_held_once(world):
    from scheduling.models import Message

    fact = work.record_began_held(envelope(world, reason="haste"), room=world.room, crew=None)
    client = world.client("lead")

    client.post(correct_path(fact), filled(client, correct_path(fact), {"reason": "the ward was opened"}))

    assert BeganHeld.objects.standing().get(origin=fact.origin).holds == fact.holds
    assert Message.objects.filter(key__startswith="began_held/").count() == 1


def test_facts_that_nobody_changes_are_not_found(world):
    client = world.client("boss")
    withdrawn = client.post(
        withdraw_path(world.reading), filled(client, withdraw_path(world.reading), {"reason": "wrong"})
    )
    assert withdrawn.status_code == 302
    copy = Reading.objects.get(supersedes=world.reading)

    assert client.get(correct_path(copy)).status_code == 404
    assert client.get(reverse("scheduling:correct", args=[make.ident()])).status_code == 404


def test_the_ways_of_a_line_of_history_are_those_of_its_routes(world):
    def ways(fact):
        return ways_of(Entry.objects.get(pk=fact.pk))

    assert (ways(world.reading).correct, ways(world.reading).allowed) == (True, Allowed.SITE)
    assert (ways(world.arrival).correct, ways(world.arrival).take_back) == (False, True)
    day = DayGiven.objects.filter(assignment__room=world.room).latest("pk")
    assert (ways(day).correct, ways(day).allowed) == (True, Allowed.MANAGER)


def test_what_is_corrected_reaches_the_rooms_it_touched_before_and_after(world):
    moved = handling.move(envelope(world), placement=world.opened, count=5, to=world.zone, room=world.twin)
    world.twin.refresh_from_db()
    version = world.twin.facts_version
    client = world.client("lead")

    answer = client.post(correct_path(moved), filled(client, correct_path(moved), {"sheets": "6"}))

    assert answer.status_code == 302
    world.twin.refresh_from_db()
    assert world.twin.facts_version > version


def test_what_is_done_to_sheets_reaches_the_rooms_they_were_moved_on_to(world):
    client = world.client("lead")
    client.post(correct_path(world.wrapped), filled(client, correct_path(world.wrapped), {"batch": "A9"}))
    recounted = Placement.objects.standing().get(origin=world.wrapped.origin)
    moved = handling.move(envelope(world), placement=recounted, count=3, to=world.zone, room=world.twin)
    handling.move(envelope(world), placement=moved, count=1, to=world.zone, room=world.ready)

    opening = sheets.open_placement(envelope(world, ago=HOUR), placement=recounted)

    assert set(opening.touched_rooms()) == {world.room, world.twin, world.ready}
    assert set(moved.touched_rooms()) == {world.room, world.twin, world.ready}


def test_the_history_offers_each_reader_the_changes_that_are_theirs(world):
    work.waive_hold(envelope(world, "boss", reason="signed"), room=world.room, hold="rest", until_at=None)
    path = reverse("scheduling:room", args=[world.room.pk]) + "?history=all"

    pages = {name: world.client(name).get(path).content.decode() for name in ("boss", "lead", "helper")}

    waiver = Waiver.objects.get()
    offered = {name: correct_path(waiver) in page for name, page in pages.items()}
    assert offered == {"boss": True, "lead": False, "helper": False}
    inspection = {name: withdraw_path(world.inspection) in page for name, page in pages.items()}
    assert inspection == {"boss": True, "lead": True, "helper": False}
    # An arrival is only taken back.
    assert (correct_path(world.arrival) in pages["lead"], withdraw_path(world.arrival) in pages["lead"]) == (
        False,
        True,
    )
