"""Every act through the real client: recorded, refused at the field, repeated, and open to whom."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any

import pytest
from django.urls import reverse

from jobs.models import Entry, LoggerClock, Memory, MilestoneReport, PrepCheck, Reading, Statement, Wetting
from materials.models import (
    Arrival,
    ArrivalPromise,
    ConsumableLot,
    Dispatch,
    Inspection,
    LaidOut,
    MixAcknowledged,
    MoistureReading,
    Opening,
    Order,
    Placement,
    StackReading,
)
from scheduling.acts import ACTS
from scheduling.acts.base import Subject
from scheduling.models import BeganHeld, DayGiven, Finish, JobCrew, SheetsSet, Start, TurnedAway, Waiver
from tests.conftest import NOW
from tests.scheduling.acts_world import act_path, filled, form_of, words_of, wrong_in

# NOW is 11:00 on Wednesday 10 June 2026 at the site, in Paris.
LATER = "2026-06-10T11:30"
NEXT_WEEK = "2026-06-17T09:00"


@dataclass
class Case:
    """One act: what is typed, what it records, where it leads, and what is refused at which field."""

    about: str
    typed: Any
    model: type | None
    #: How many facts it records.
    count: int = 1
    by: str = "lead"
    #: The row whose page comes after; None: the act's own thing.
    then: tuple[str, str] = ("scheduling:room", "room")
    #: What is typed over it, the fields at fault, and a word of the refusal.
    refused: list[tuple[Any, set[str], str]] = field(default_factory=list)
    #: Who may see but not do it, and who does not even see it; everybody else may do it.
    forbidden: tuple[str, ...] = ()
    unseen: tuple[str, ...] = ("stranger", "supplier", "rival")


SITE_ONLY = ()
ROOM_ONLY = ("helper",)
MANAGER_ONLY = ("lead", "helper")
JOB = ("scheduling:job", "job")
ZONE = ("scheduling:zone", "zone")
#: Times that no act accepts, and where the refusal stands.
BAD_TIMES: list[tuple[Any, set[str], str]] = [
    ({"happened_at": LATER}, {"happened_at"}, "still to come"),
    ({"happened_at": "1999-12-31T12:00"}, {"happened_at"}, "1999"),
    ({"happened_at": "yesterday"}, {"happened_at"}, "is no time"),
    ({"happened_at": "2026-03-29T02:30"}, {"happened_at"}, "skip this time"),
]


def _placement(name):
    return lambda world: [str(world.rows[name].origin)]


CASES: dict[tuple[str, str], Case] = {
    ("zones", "reading"): Case(
        "zone",
        {"temperature": "20,4", "humidity_pct": "47"},
        Reading,
        then=ZONE,
        refused=[
            ({"temperature": ""}, {"temperature"}, "Nothing is written"),
            ({"temperature": "-200"}, {"temperature"}, "−200 is not from −60 to 80"),
            ({"temperature": "200", "unit": "f"}, {"temperature"}, "200 is not from −76 to 176"),
            ({"temperature": "warm"}, {"temperature"}, "“warm” is no number"),
            ({"unit": "k"}, {"unit"}, "not one of the choices"),
            ({"humidity_pct": "130"}, {"humidity_pct"}, "130 is not from 0 to 100"),
            ({"humidity_pct": "470"}, {"humidity_pct"}, "Did you mean 47?"),
        ],
        forbidden=SITE_ONLY,
    ),
    ("zones", "memory"): Case(
        "zone",
        {
            "from_at": "2026-06-09T18:00",
            "happened_at": "2026-06-10T07:00",
            "t_min": "18.5",
            "t_max": "22",
            "rh_min": "40",
            "rh_max": "51",
        },
        Memory,
        then=ZONE,
        refused=[
            ({"from_at": ""}, {"from_at"}, "Nothing is written"),
            ({"from_at": "2026-06-10T08:00"}, {"from_at"}, "begin before it ends"),
            ({"from_at": "2026-04-01T08:00"}, {"from_at"}, "at most 31 days"),
            ({"t_max": "18"}, {"t_max"}, "below the lowest"),
            ({"rh_max": "39"}, {"rh_max"}, "below the lowest"),
            ({"rh_min": "-3"}, {"rh_min"}, "−3 is not from 0 to 100"),
        ],
    ),
    ("zones", "meter"): Case(
        "zone",
        {
            "temperature": "20.5",
            "humidity_pct": "45",
            "from_at": "2026-06-09T18:00",
            "happened_at": "2026-06-10T07:00",
            "t_min": "18.5",
            "t_max": "22",
            "rh_min": "40",
            "rh_max": "51",
        },
        Memory,
        count=1,
        then=ZONE,
        refused=[
            ({"temperature": ""}, {"temperature"}, "Nothing is written"),
            ({"temperature": "23"}, {"temperature"}, "The meter remembers 18.5 to 22"),
            ({"humidity_pct": "60"}, {"humidity_pct"}, "The meter remembers 40 to 51"),
            ({"from_at": ""}, {"from_at"}, "Say since when"),
            ({"from_at": "2026-06-10T08:00"}, {"from_at"}, "begin before it ends"),
            ({"t_max": ""}, {"t_max"}, "all four figures, or none"),
            ({"t_max": "18", "temperature": "18"}, {"t_max"}, "below the lowest"),
        ],
    ),
    ("zones", "statement"): Case(
        "zone",
        {"from_at": "2026-06-09T18:00"},
        Statement,
        then=ZONE,
        refused=[
            ({"from_at": ""}, {"from_at"}, "Nothing is written"),
            ({"from_at": LATER}, {"from_at"}, "still to come"),
        ],
    ),
    ("zones", "logger-clock"): Case(
        "zone",
        {"logger": "L3", "minutes": "60", "from_on": "2026-06-09"},
        LoggerClock,
        then=ZONE,
        refused=[
            ({"minutes": ""}, {"minutes"}, "both times, or the minutes"),
            ({"from_on": ""}, {"from_on"}, "Nothing is written"),
            ({"logger": "L9"}, {"logger"}, "not one of the choices"),
        ],
    ),
    ("rooms", "prep"): Case(
        "room",
        lambda world: {
            "check_clean": "passed",
            "check_flat": "",
            "value_flat": "2.5",
            "check_gypsum_dry": "failed",
            "reason": "low at the east door",
            "rooms": [str(world.twin.pk)],
        },
        PrepCheck,
        count=6,
        refused=[
            (
                {"check_clean": "", "value_flat": "", "check_gypsum_dry": ""},
                {"check_joints_filled"},
                "one check",
            ),
            ({"check_flat": "passed", "value_flat": "4"}, {"value_flat"}, "past the limit"),
            ({"value_flat": "wavy"}, {"value_flat"}, "is no number"),
            ({"value_flat": "2.125"}, {"value_flat"}, "more decimals"),
            ({"check_clean": "perhaps"}, {"check_clean"}, "not one of the choices"),
            ({"rooms": ["999999"]}, {"rooms"}, "not one of the choices"),
        ],
        forbidden=ROOM_ONLY,
    ),
    ("rooms", "wetting"): Case(
        "room",
        {"reason": "burst pipe above"},
        Wetting,
        refused=[
            ({"reason": "  "}, {"reason"}, "Nothing is written"),
            ({"reason": "x" * 501}, {"reason"}, "500"),
        ],
    ),
    ("rooms", "milestone"): Case(
        "room",
        {"state": "expected", "expected_at": NEXT_WEEK},
        MilestoneReport,
        refused=[
            ({"expected_at": ""}, {"expected_at"}, "Write when"),
            ({"state": "done"}, {"state"}, "A time is written"),
            ({"milestone": "999999"}, {"milestone"}, "not one of the choices"),
            ({"expected_at": "2062-06-17T09:00"}, {"expected_at"}, "look at the year"),
        ],
    ),
    ("jobs", "milestone"): Case(
        "job",
        {"state": "done"},
        MilestoneReport,
        then=JOB,
        refused=[({"state": ""}, {"state"}, "Choose one")],
    ),
    ("rooms", "lot"): Case(
        "room",
        lambda world: {
            "product": str(world.glue.pk),
            "quantity": "12,5",
            "good_through": "2026-09-01",
            "batch": "L 07",
        },
        ConsumableLot,
        refused=[
            ({"quantity": "-2"}, {"quantity"}, "−2 is not from 0"),
            ({"quantity": "0"}, {"quantity"}, "more than 0"),
            ({"quantity": "1.2345"}, {"quantity"}, "more decimals"),
            ({"product": ""}, {"product"}, "Choose one"),
            ({"good_through": "2026-02-30"}, {"good_through"}, "is no day"),
            ({"good_through": "0206-09-01"}, {"good_through"}, "206"),
        ],
    ),
    ("jobs", "lot"): Case(
        "job",
        lambda world: {"product": str(world.glue.pk), "quantity": "3"},
        ConsumableLot,
        then=JOB,
        refused=[({"room": "999999"}, {"room"}, "not one of the choices")],
    ),
    ("rooms", "open"): Case(
        "room",
        {"happened_at": "2026-06-10T08:00"},
        Opening,
        refused=[
            ({"placements": []}, {"placements"}, "Tick at least one"),
            ({"lies": "edge"}, {"lies"}, "not one of the choices"),
            ({"lot_of": ""}, {"lot_of"}, "how many sheets lie in one lot"),
            ({"happened_at": "2026-06-01T08:00"}, {"happened_at"}, "had not come yet"),
        ],
    ),
    ("placements", "open"): Case(
        "wrapped",
        {
            "inspected": "8",
            "reject_chip": "1",
            "mark_seen": "on",
            "core": "2,5",
            "temperature": "20",
            "humidity_pct": "50",
        },
        Opening,
        refused=[
            ({"happened_at": "2026-06-01T08:00"}, {"happened_at"}, "had not come yet"),
            ({"lies": "edge"}, {"lies"}, "not one of the choices"),
            ({"lot_of": ""}, {"lot_of"}, "how many sheets lie in one lot"),
            ({"lot_of": "501"}, {"lot_of"}, "501 is more than 500"),
            ({"inspected": "9"}, {"inspected"}, "8 sheets here have not been looked at; 9 cannot be"),
            ({"inspected": ""}, {"inspected"}, "Say how many sheets were looked at"),
            ({"core": "200"}, {"core"}, "200 is not from −60 to 80"),
            ({"temperature": ""}, {"temperature"}, "write both, or none"),
            ({"humidity_pct": ""}, {"humidity_pct"}, "write both, or none"),
            ({"humidity_pct": "130"}, {"humidity_pct"}, "130 is not from 0 to 100"),
        ],
    ),
    ("placements", "lay-out"): Case(
        "opened",
        {"lies": "bearers"},
        LaidOut,
        refused=[
            ({"happened_at": "2026-06-01T08:00"}, {"happened_at"}, "had not come yet"),
            ({"lies": "edge"}, {"lies"}, "not one of the choices"),
            ({"lies": "lots", "lot_of": ""}, {"lot_of"}, "how many sheets lie in one lot"),
            ({"lies": "lots", "lot_of": "0"}, {"lot_of"}, "0 is fewer than 1"),
        ],
    ),
    ("placements", "temperature"): Case(
        "opened",
        {"place": "face", "temperature": "-4"},
        StackReading,
        refused=[
            ({"happened_at": "2026-06-01T08:00"}, {"happened_at"}, "had not come yet"),
            ({"place": "floor"}, {"place"}, "not one of the choices"),
            ({"temperature": ""}, {"temperature"}, "Nothing is written"),
            ({"temperature": "-70"}, {"temperature"}, "−70 is not from −60 to 80"),
            ({"unit": "k"}, {"unit"}, "not one of the choices"),
        ],
    ),
    ("placements", "moisture"): Case(
        "boarded",
        {"moisture_pct": "11,5"},
        MoistureReading,
        then=("scheduling:room", "faraway"),
        refused=[
            ({"happened_at": "2026-06-01T08:00"}, {"happened_at"}, "had not come yet"),
            ({"moisture_pct": ""}, {"moisture_pct"}, "Nothing is written"),
            ({"moisture_pct": "115"}, {"moisture_pct"}, "Did you mean 11.5?"),
        ],
    ),
    ("placements", "inspect"): Case(
        "wrapped",
        {"inspected": "8", "reject_chip": "1", "reject_size": "1", "mark_seen": "on"},
        Inspection,
        refused=[
            ({"inspected": "9"}, {"inspected"}, "8 sheets here have not been looked at; 9 cannot be"),
            ({"inspected": ""}, {"inspected"}, "Nothing is written"),
            ({"inspected": "0"}, {"inspected"}, "fewer than 1"),
            ({"inspected": "7.5"}, {"inspected"}, "no whole number"),
            ({"inspected": "1"}, {"inspected"}, "2 rejected is more than the 1 looked at"),
            ({"reject_chip": "-1"}, {"reject_chip"}, "−1 is fewer than 0"),
            ({"happened_at": "2026-06-01T08:00"}, {"happened_at"}, "had not come yet"),
        ],
        forbidden=ROOM_ONLY,
    ),
    ("placements", "move"): Case(
        "opened",
        lambda world: {"sheets": "5", "to_zone": str(world.zone.pk), "room": str(world.twin.pk)},
        Placement,
        refused=[
            ({"sheets": "21"}, {"sheets"}, "20 sheets stand here"),
            ({"sheets": "0"}, {"sheets"}, "fewer than 1"),
            (lambda world: {"to_zone": str(world.annex.pk)}, {"room"}, "is not in Annex"),
            (lambda world: {"room": str(world.elsewhere.pk)}, {"room"}, "not one of the choices"),
            ({"happened_at": "2026-06-01T08:00"}, {"happened_at"}, "had not come yet"),
        ],
    ),
    ("rooms", "mix"): Case(
        "room",
        {"reason": "customer agreed"},
        MixAcknowledged,
        refused=[({"product": "999999"}, {"product"}, "not one of the choices")],
        forbidden=ROOM_ONLY,
    ),
    ("orders", "dispatch"): Case(
        "order",
        {"rows-0-batch": "K 3", "rows-0-sheets": "24", "expected_at": NEXT_WEEK, "paper": "P-2"},
        Dispatch,
        by="supplier",
        then=("scheduling:order", "order"),
        refused=[
            ({"rows-0-batch": ""}, {"rows-0-batch"}, "at least one batch"),
            ({"rows-0-batch": "", "rows-0-sheets": "23"}, {"rows-0-batch"}, "Nothing is written"),
            ({"rows-0-sheets": ""}, {"rows-0-sheets"}, "Nothing is written"),
            ({"rows-0-sheets": "-4"}, {"rows-0-sheets"}, "−4 is fewer than 0"),
            ({"rows-0-sheets": "0"}, {"rows-0-sheets"}, "no count of sheets"),
            ({"rows-0-sheets": "25"}, {"rows-0-sheets"}, "25 is more than the 24 still to send"),
            ({"rows-0-batch": "K" * 61}, {"rows-0-batch"}, "60"),
            ({"expected_at": "2026-06-10T10:00"}, {"expected_at"}, "cannot arrive before"),
            ({"expected_at": "2062-06-10T10:00"}, {"expected_at"}, "look at the year"),
        ],
        forbidden=("lead", "helper"),
        unseen=("stranger", "rival"),
    ),
    ("dispatches", "promise"): Case(
        "dispatch",
        {"expected_at": NEXT_WEEK},
        ArrivalPromise,
        by="supplier",
        then=("scheduling:order", "order"),
        refused=[
            ({"expected_at": ""}, {"expected_at"}, "Write when it arrives"),
            ({"unknown": "on"}, {"unknown"}, "A time is written"),
            ({"expected_at": "2026-06-01T10:00"}, {"expected_at"}, "cannot arrive before"),
            ({"happened_at": "2026-06-01T10:00"}, {"happened_at"}, "had not been sent off"),
        ],
        forbidden=("lead", "helper"),
        unseen=("stranger", "rival"),
    ),
    ("dispatches", "arrival"): Case(
        "dispatch",
        lambda world: {"zone": str(world.zone.pk), "rows-1-sheets": "5"},
        Arrival,
        refused=[
            ({"zone": ""}, {"zone"}, "Choose one"),
            ({"rows-0-sheets": "11"}, {"rows-0-sheets"}, "11 is more than the 10 on the paper"),
            ({"rows-0-sheets": ""}, {"rows-0-sheets"}, "Nothing is written"),
            ({"rows-0-batch": ""}, {"rows-0-batch"}, "Nothing is written"),
            ({"rows-0-sheets": "0", "rows-1-sheets": "0"}, {"rows-0-batch"}, "at least one batch"),
            (lambda world: {"zone": str(world.annex.pk)}, {"rows-0-room"}, "is not in Annex"),
        ],
        forbidden=("supplier",),
        unseen=("stranger", "rival"),
    ),
    ("jobs", "arrival"): Case(
        "job",
        lambda world: {
            "zone": str(world.zone.pk),
            "rows-0-product": str(world.sheet.pk),
            "rows-0-batch": "N1",
            "rows-0-sheets": "12",
        },
        Arrival,
        then=JOB,
        refused=[
            ({"rows-0-product": ""}, {"rows-0-product"}, "Choose one"),
            (
                lambda world: {"rows-0-product": str(world.glue.pk)},
                {"rows-0-product"},
                "not one of the choices",
            ),
            (
                lambda world: {"rows-0-product": str(world.plain.pk), "rows-0-batch": "A1"},
                {"rows-0-batch"},
                "Batch A1 is Gloss sheet on this job, not Matt sheet",
            ),
            ({"rows-0-batch": "", "rows-0-sheets": ""}, {"rows-0-batch"}, "at least one batch"),
            ({"rows-0-sheets": "2,5"}, {"rows-0-sheets"}, "no whole number"),
        ],
    ),
    ("jobs", "order"): Case(
        "job",
        lambda world: {
            "supplier": str(world.firm.pk),
            "number": "O-78",
            "rows-0-sheets": "9",
            "rows-1-sheets": "",
            "rows-2-sheets": "",
            "rows-3-sheets": "",
        },
        None,
        count=0,
        by="boss",
        then=("scheduling:order", ""),
        refused=[
            ({"number": "O-77"}, {"number"}, "another order with this number"),
            ({"number": ""}, {"number"}, "Nothing is written"),
            ({"supplier": ""}, {"supplier"}, "Choose one"),
            ({"ordered_on": "2026-06-11"}, {"ordered_on"}, "still to come"),
            ({"rows-0-sheets": ""}, {"rows-0-product"}, "Order one product"),
            ({"rows-0-sheets": "0"}, {"rows-0-sheets"}, "no count of sheets"),
            ({"rows-0-product": ""}, {"rows-0-product"}, "Choose one"),
        ],
        forbidden=MANAGER_ONLY,
    ),
    ("rooms", "waive"): Case(
        "room",
        {"hold": "substrate", "reason": "no skim possible over the pipe chase"},
        Waiver,
        by="boss",
        refused=[
            ({"reason": ""}, {"reason"}, "Nothing is written"),
            ({"hold": ""}, {"hold"}, "Choose one"),
            ({"hold": "weather"}, {"hold"}, "not one of the choices"),
            ({"until_at": "2026-06-10T10:00"}, {"until_at"}, "end after it begins"),
        ],
        forbidden=MANAGER_ONLY,
    ),
    ("rooms", "start"): Case(
        "ready",
        {},
        Start,
        then=("scheduling:room", "ready"),
        refused=[({"happened_at": "2026-06-09T10:00"}, set(), "The room may not be started")],
        forbidden=ROOM_ONLY,
    ),
    ("rooms", "began-held"): Case(
        "room",
        {"reason": "the customer opened the ward"},
        BeganHeld,
        refused=[({"reason": ""}, {"reason"}, "Nothing is written")],
        forbidden=ROOM_ONLY,
    ),
    ("rooms", "sheets-set"): Case(
        "begun",
        lambda world: {f"sheets_{world.begun_placed.origin}": "3"},
        SheetsSet,
        then=("scheduling:room", "begun"),
        refused=[
            (
                lambda world: {f"sheets_{world.begun_placed.origin}": "7"},
                {"*"},
                "6 good sheets stand here; 7 cannot",
            ),
            (lambda world: {f"sheets_{world.begun_placed.origin}": "0"}, {"*"}, "at least one sheet"),
            ({"happened_at": "2026-06-10T09:00"}, {"happened_at"}, "had not been begun yet"),
        ],
        forbidden=ROOM_ONLY,
    ),
    ("rooms", "finish"): Case(
        "begun",
        {},
        Finish,
        then=("scheduling:room", "begun"),
        refused=[({"happened_at": "2026-06-10T09:00"}, {"happened_at"}, "had not been begun yet")],
        forbidden=ROOM_ONLY,
    ),
    ("rooms", "turned-away"): Case(
        "room",
        {"refused_by": "night manager", "reason": "ward occupied"},
        TurnedAway,
        refused=[
            ({"reason": ""}, {"reason"}, "Nothing is written"),
            ({"crew": "99"}, {"crew"}, "not one of the choices"),
        ],
    ),
    ("rooms", "day"): Case(
        "room",
        lambda world: {
            "crew": str(world.other_crew.pk),
            "first_on": "2026-06-22",
            "from_time": "08:00",
            "hours": "4",
        },
        DayGiven,
        # The day of the crew that had the room before is taken back.
        count=2,
        by="boss",
        refused=[
            ({"crew": ""}, {"crew"}, "Choose one"),
            ({"first_on": "2026-06-09"}, {"first_on"}, "This day is over"),
            ({"first_on": "2029-06-22"}, {"first_on"}, "look at the year"),
            ({"first_on": "2026-06-20"}, {"first_on"}, "no shift"),
            (
                lambda world: {"crew": str(world.crew.pk), "first_on": "2026-06-17"},
                {"first_on"},
                "Heron is in Room ready then",
            ),
            ({"from_time": "25:00"}, {"from_time"}, "is no time"),
            ({"hours": "0"}, {"hours"}, "0 is not from 0.25"),
        ],
        forbidden=MANAGER_ONLY,
    ),
    ("rooms", "day-back"): Case(
        "room",
        {"reason": "the ward stays open"},
        DayGiven,
        by="boss",
        refused=[({"reason": ""}, {"reason"}, "Nothing is written")],
        forbidden=MANAGER_ONLY,
    ),
    ("jobs", "attach-crew"): Case(
        "job",
        lambda world: {"crew": str(world.crew.pk)},
        None,
        count=0,
        by="boss",
        then=JOB,
        refused=[({"crew": ""}, {"crew"}, "Choose one")],
        forbidden=MANAGER_ONLY,
    ),
}
TABLE = [pytest.param(key, case, id="/".join(key)) for key, case in CASES.items()]


def typed_of(changes, world):
    return changes(world) if callable(changes) else changes


def typed_in(form, *, but):
    """Return what stands in a form's fields, empty ones and those that hold a choice nobody offers left out."""
    skip = {"csrfmiddlewaretoken", *but}
    return {name: value for name, value in form.items() if any(value) and name not in skip}


def path_of(key, case, world):
    return act_path(key[0], world.rows[case.about], key[1])


def page_after(case, world):
    route, name = case.then
    row = world.rows[name] if name else Order.objects.latest("pk")
    return reverse(route, args=[row.pk])


def test_every_act_is_in_the_table():
    assert set(CASES) == {(subject.value, name) for subject, name in ACTS}


@pytest.mark.parametrize(("key", "case"), TABLE)
def test_what_is_typed_is_recorded_once_however_often_it_is_sent(key, case, world):
    client, path = world.client(case.by), path_of(key, case, world)
    before = case.model.objects.count() if case.model else 0
    sent = filled(client, path, typed_of(case.typed, world))

    answers = [client.post(path, sent) for _time in range(3)]

    assert [answer.status_code for answer in answers] == [302, 302, 302], words_of(answers[0])
    assert answers[0]["Location"] == page_after(case, world)
    if case.model is not None:
        assert case.model.objects.count() == before + case.count
        latest = case.model.objects.latest("recorded_at", "pk")
        assert (latest.recorded_by, latest.recorded_at) == (world.rows[case.by], NOW)
        assert Entry.objects.filter(pk=latest.pk).exists()


@pytest.mark.parametrize(("key", "case"), TABLE)
def test_what_cannot_be_is_refused_at_its_field_and_nothing_typed_is_lost(key, case, world):
    client, path = world.client(case.by), path_of(key, case, world)
    right = filled(client, path, typed_of(case.typed, world))
    timed = [*BAD_TIMES] if "happened_at" in right else []
    before = (Entry.objects.count(), Order.objects.count(), JobCrew.objects.count())

    for changes, fields, words in [*case.refused, *timed]:
        sent = right | {
            name: value if isinstance(value, list) else [value]
            for name, value in typed_of(changes, world).items()
        }
        answer = client.post(path, sent)

        assert answer.status_code == 422, (changes, answer.status_code)
        assert words in words_of(answer), (changes, words_of(answer))
        wrong = wrong_in(answer)
        assert wrong == fields or (fields == {"*"} and len(wrong) == 1), (changes, wrong)
        assert typed_in(form_of(answer), but=fields if "choices" in words else set()) == typed_in(
            sent, but=fields if "choices" in words else set()
        ), changes
    assert (Entry.objects.count(), Order.objects.count(), JobCrew.objects.count()) == before


@pytest.mark.parametrize(("key", "case"), TABLE)
def test_each_role_may_do_what_is_its_own(key, case, world):
    path = path_of(key, case, world)

    for name in ("boss", "lead", "helper", "stranger", "supplier", "rival"):
        expected = 404 if name in case.unseen else 403 if name in case.forbidden else 200
        client = world.client(name)
        assert client.get(path).status_code == expected, name
        if expected != 200:
            before = Entry.objects.count()
            assert client.post(path, {}).status_code == expected, name
            assert Entry.objects.count() == before
    out = world.client(None).get(path)
    assert (out.status_code, out["Location"].split("?")[0]) == (302, "/sign-in/")


@pytest.mark.parametrize(("key", "case"), TABLE)
def test_a_closed_job_takes_nothing_more(key, case, world):
    client, path = world.client(case.by), path_of(key, case, world)
    sent = filled(client, path, typed_of(case.typed, world))
    world.job.closed_at = NOW
    world.job.save()

    answer = client.post(path, sent)

    assert answer.status_code == 422
    assert f"Job {world.job.number} is closed" in words_of(answer)


@pytest.mark.parametrize(("key", "case"), TABLE)
def test_htmx_gets_the_form_back_or_is_sent_on(key, case, world):
    client, path = world.client(case.by), path_of(key, case, world)
    sent = filled(client, path, typed_of(case.typed, world))

    refused = client.post(path, {"act": sent["act"], "happened_at": "never"}, headers={"HX-Request": "true"})
    done = client.post(path, sent, headers={"HX-Request": "true"})

    assert refused.status_code == 422
    assert refused.content.lstrip().startswith(b'<form id="act"')
    assert (done.status_code, done["HX-Redirect"]) == (200, page_after(case, world))


def test_no_act_is_found_where_nothing_is(world):
    client = world.client("boss")

    paths = [
        "/rooms/99999999/start/",
        "/rooms/1-2/start/",
        f"/rooms/{'9' * 40}/start/",
        "/placements/12/open/",
    ]
    paths += [f"/rooms/{world.room.pk}/dance/", f"/zones/{world.zone.pk}/start/"]

    assert [client.get(path).status_code for path in paths] == [404] * len(paths)


def test_the_same_id_with_other_values_is_told_and_gets_a_new_one(world):
    client, path = world.client("lead"), act_path("zones", world.zone, "reading")
    sent = filled(client, path, {"temperature": "20", "humidity_pct": "47"})
    assert client.post(path, sent).status_code == 302

    other = client.post(path, sent | {"temperature": ["21"]})

    assert other.status_code == 409
    assert "already recorded with other values" in words_of(other)
    again = form_of(other)
    assert again["act"] != sent["act"]
    assert again["temperature"] == ["21"]
    assert client.post(path, again).status_code == 302
    assert set(Reading.objects.filter(happened_at=NOW).values_list("temperature", flat=True)) >= {20, 21}


def test_a_form_without_an_id_gets_one(world):
    client, path = world.client("lead"), act_path("zones", world.zone, "reading")

    answer = client.post(path, {"act": "none", "temperature": "20", "unit": "c", "humidity_pct": "47"})

    assert answer.status_code == 302


@pytest.mark.parametrize("name", ["said", "now"])
def test_an_act_carries_its_own_time_and_who_said_so(name, world):
    client, path = world.client("lead"), act_path("zones", world.zone, "reading")
    at = {"said": "2026-06-10T06:15", "now": ""}[name]
    sent = filled(
        client,
        path,
        {"temperature": "20", "humidity_pct": "47", "happened_at": at, "said_by": "site agent, by phone"},
    )

    client.post(path, sent)

    fact = Reading.objects.get(pk=sent["act"][0])
    # Paris is two hours ahead of UTC in June: 06:15 is 04:15.
    assert fact.happened_at == (NOW - timedelta(hours=4, minutes=45) if at else NOW)
    assert fact.said_by == "site agent, by phone"


def test_what_was_done_is_said_on_the_next_page(world):
    client, path = world.client("lead"), act_path("zones", world.zone, "reading")
    client.post(path, filled(client, path, {"temperature": "20", "humidity_pct": "47"}))

    page = client.get(act_path("zones", world.zone, "statement"))

    assert "Recorded: 20 °C and 47 % in East wing." in words_of(page)


def test_subjects_are_the_words_of_the_paths():
    assert {subject.value for subject in Subject} == {key[0] for key in CASES}
