"""Stacks as people handle them: one form on the phone, facts of their own underneath, all of them or none."""

# ruff: noqa: F811  # a fixture that is imported is asked for by its name

from __future__ import annotations

import pytest
from django.core.exceptions import ValidationError

from jobs.facts import AlreadyDone, SaidOtherwise
from jobs.models import Entry, Reading
from materials.models import Inspection, LaidOut, MoistureReading, Opening, Placement, StackReading
from materials.services import deliveries, stacks
from scheduling.services import stacks as handled
from scheduling.services.stacks import AirRead, Handled, LookedAt, Lying
from tests import make
from tests.conftest import NOW
from tests.scheduling.acts_world import HOUR, act_path, filled, words_of
from tests.scheduling.conftest import built_world, world  # noqa: F401  # fixtures

EVERYTHING = Handled(
    Lying("lots", 10), LookedAt(8, {"chip": 1}, True), core=2.5, air=AirRead(20.0, 50.0), unit="c"
)


def counts():
    kinds = (Opening, LaidOut, Inspection, StackReading, Reading, Entry)
    return [kind.objects.count() for kind in kinds]


def test_one_handling_is_five_facts_of_the_same_time(world):
    given = make.envelope(world.lead, ago=HOUR)

    facts = handled.open_and_lay_out(given, placement=world.wrapped, handled=EVERYTHING)

    assert [type(fact) for fact in facts] == [Opening, LaidOut, Inspection, StackReading, Reading]
    assert {fact.happened_at for fact in facts} == {NOW - HOUR}
    assert facts[0].pk == given.id
    assert {fact.pk for fact in facts[1:]} == {given.part_id(name) for name in handled.PARTS}
    assert (facts[1].lies, facts[1].lot_of) == ("lots", 10)
    assert (facts[3].place, facts[3].t_c) == ("core", 2.5)


def test_a_handling_sent_again_changes_nothing(world):
    given = make.envelope(world.lead)
    first = handled.open_and_lay_out(given, placement=world.wrapped, handled=EVERYTHING)
    before = counts()

    again = handled.open_and_lay_out(given, placement=world.wrapped, handled=EVERYTHING)

    assert [fact.pk for fact in again] == [fact.pk for fact in first]
    assert counts() == before


@pytest.mark.parametrize(
    "other",
    [
        pytest.param(Handled(Lying("skid")), id="less"),
        pytest.param(Handled(Lying("apart"), EVERYTHING.looked_at, 2.5, EVERYTHING.air), id="lies-otherwise"),
        pytest.param(Handled(EVERYTHING.lying, EVERYTHING.looked_at, 3.5, EVERYTHING.air), id="warmer"),
    ],
)
def test_a_handling_sent_again_with_other_things_in_it_is_told_and_changes_nothing(world, other):
    given = make.envelope(world.lead)
    handled.open_and_lay_out(given, placement=world.wrapped, handled=EVERYTHING)
    before = counts()

    with pytest.raises(SaidOtherwise):
        handled.open_and_lay_out(given, placement=world.wrapped, handled=other)

    assert counts() == before


def test_of_a_handling_with_one_thing_wrong_nothing_stands(world):
    before = counts()
    too_many = Handled(Lying("lots", 10), LookedAt(9, {}, True), core=2.5)

    with pytest.raises(ValidationError):
        handled.open_and_lay_out(make.envelope(world.lead), placement=world.wrapped, handled=too_many)

    assert counts() == before


def test_what_somebody_opened_before_is_not_opened_again_nor_laid_out(world):
    before = counts()

    with pytest.raises(AlreadyDone):
        handled.open_and_lay_out(make.envelope(world.lead), placement=world.opened, handled=EVERYTHING)

    assert counts() == before


def test_a_handling_of_nothing_but_the_opening_is_one_fact(world):
    facts = handled.open_and_lay_out(make.envelope(world.lead), placement=world.wrapped, handled=Handled())

    assert [type(fact) for fact in facts] == [Opening]


def test_several_placements_opened_together_lie_alike(world):
    more = deliveries.record_arrival(
        make.envelope(world.lead, ago=HOUR),
        zone=world.zone,
        lines=[deliveries.PlacedLine(world.sheet, "A3", 30, world.room)],
    )
    placed = [world.wrapped, Placement.objects.get(arrival=more.pk)]

    facts = handled.open_several(make.envelope(world.lead), placed, lying=Lying("lots", 10))

    assert [type(fact) for fact in facts] == [Opening, Opening, LaidOut, LaidOut]
    assert {fact.placement_id for fact in facts[2:]} == {one.origin for one in placed}


# ---- the phone's form


def test_the_form_offers_no_edge_and_says_why(world):
    page = world.client("lead").get(act_path("placements", world.wrapped, "open"))

    said = words_of(page)
    assert "Never on edge: sheets bow, and they topple." in said
    assert "8 sheets in lots of ten: 1 lot, about 3 m² of floor." in said
    assert 'value="edge"' not in page.content.decode()


def test_the_form_says_what_a_sheet_weighs_and_who_comes_first(world):
    said = words_of(world.client("lead").get(act_path("placements", world.wrapped, "open")))

    # Source: trade facts, 4 × 8 ft × 2.3 mm.
    assert "A sheet weighs about 10.3 kg (9.6 to 11.6): two people" in said
    assert "Makers’ sheets and local rules come first." in said


def test_one_form_records_what_was_done_and_leaves_out_what_was_not(world):
    client, path = world.client("lead"), act_path("placements", world.wrapped, "open")
    sent = filled(client, path, {"core": "3"})

    answers = [client.post(path, sent) for _time in range(2)]

    assert [answer.status_code for answer in answers] == [302, 302]
    assert LaidOut.objects.get().lot_of == 10
    assert StackReading.objects.get().temperature == 3
    assert not Inspection.objects.filter(placement=world.wrapped.origin).exists()


def test_a_helper_opens_but_does_not_inspect_for_another_crew(world):
    client, path = world.client("helper"), act_path("placements", world.wrapped, "open")
    assert "Sheets looked at" not in words_of(client.get(path))
    sent = filled(client, path, {"inspected": "8"})

    answer = client.post(path, sent)

    assert answer.status_code == 422
    assert not LaidOut.objects.exists()


# ---- what services refuse


@pytest.mark.parametrize(
    ("lies", "lot_of", "field"),
    [
        pytest.param("edge", None, "lies", id="on-edge"),
        pytest.param("lots", None, "lot_of", id="lots-of-no-size"),
        pytest.param("lots", 0, "lot_of", id="lots-of-nothing"),
        pytest.param("lots", 501, "lot_of", id="lots-that-are-none"),
    ],
)
def test_no_other_way_of_lying_is_recorded(world, lies, lot_of, field):
    with pytest.raises(ValidationError) as refused:
        stacks.lay_out(make.envelope(world.lead), placement=world.opened, lies=lies, lot_of=lot_of)

    assert set(refused.value.error_dict) == {field}


def test_a_size_of_lots_counts_for_lots_alone(world):
    laid = stacks.lay_out(make.envelope(world.lead), placement=world.opened, lies="bearers", lot_of=10)

    assert laid.lot_of is None


@pytest.mark.parametrize("temperature", [float("nan"), float("inf"), -60.1, 80.1])
def test_no_such_temperature_is_recorded(world, temperature):
    with pytest.raises(ValidationError):
        stacks.measure_stack(
            make.envelope(world.lead),
            placement=world.opened,
            place="core",
            temperature=temperature,
            unit="c",
        )


@pytest.mark.parametrize("moisture", [float("nan"), -0.1, 100.1])
def test_no_such_moisture_is_recorded(world, moisture):
    with pytest.raises(ValidationError):
        stacks.measure_moisture(make.envelope(world.lead), placement=world.boarded, moisture_pct=moisture)


def test_a_sheet_without_wood_has_no_moisture(world):
    with pytest.raises(ValidationError, match="no wood on its back"):
        stacks.measure_moisture(make.envelope(world.lead), placement=world.opened, moisture_pct=10)
    said = words_of(world.client("lead").get(act_path("placements", world.opened, "moisture")))
    assert "There is nothing for pins to read." in said
    assert not MoistureReading.objects.exists()


def test_a_stack_reading_of_the_other_unit_is_the_same_temperature(world):
    read = stacks.measure_stack(
        make.envelope(world.lead), placement=world.opened, place="face", temperature=41, unit="f"
    )

    # 41 °F is 5 °C exactly.
    assert read.t_c == 5


# ---- on arrival


def came(world, **temperatures):
    client, path = world.client("lead"), act_path("jobs", world.job, "arrival")
    lines = {
        "zone": str(world.zone.pk),
        "rows-0-product": str(world.sheet.pk),
        "rows-0-batch": "C1",
        "rows-0-sheets": "80",
        "rows-0-room": str(world.room.pk),
    }
    sent = filled(client, path, lines | temperatures)
    return client, path, sent


def test_an_arrival_keeps_how_cold_it_came_of_every_batch_once(world):
    client, path, sent = came(world, face="2", lorry="-3,5")

    answers = [client.post(path, sent) for _time in range(3)]

    assert [answer.status_code for answer in answers] == [302] * 3
    found = StackReading.objects.filter(placement__batch="C1").order_by("place")
    assert [(one.place, one.temperature) for one in found] == [("face", 2), ("lorry", -3.5)]
    assert {one.happened_at for one in found} == {NOW}


def test_an_arrival_need_not_say_how_cold_it_came(world):
    client, path, sent = came(world)

    assert client.post(path, sent).status_code == 302
    assert Placement.objects.filter(batch="C1").exists()
    assert not StackReading.objects.exists()


def test_a_temperature_that_cannot_be_loses_nothing_of_the_arrival(world):
    client, path, sent = came(world, face="200")

    answer = client.post(path, sent)

    assert answer.status_code == 422
    assert "200 is not from −60 to 80" in words_of(answer)
    assert not Placement.objects.filter(batch="C1").exists()
    assert b'value="80"' in answer.content
