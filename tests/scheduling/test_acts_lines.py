"""Acts with lines, counters and choices: what works without script, and what the forms offer."""

from __future__ import annotations

from datetime import date

import pytest
from django.contrib.messages import get_messages
from django.db import connection
from django.test.utils import CaptureQueriesContext

from jobs.models import PrepCheck, Right
from jobs.services import seen
from materials.models import Dispatch, DispatchLine, Order, OrderLine, Placement
from materials.services import deliveries
from materials.services.deliveries import BatchLine
from scheduling.models import JobCrew, RoomState, Start, Waiver
from scheduling.services import crews, handling, work
from tests import make
from tests.conftest import NOW
from tests.scheduling.acts_world import HOUR, act_path, filled, form_of, words_of, wrong_in


def pressed(form, button, value):
    return form | {button: [value]}


# ---- dispatch: in under a minute on a phone ----


def test_one_batch_is_sent_by_writing_nothing_but_its_number(world):
    client, path = world.client("supplier"), act_path("orders", world.order, "dispatch")
    form = form_of(client.get(path))
    # 40 ordered, 16 sent: the count is there already.
    assert form["rows-0-sheets"] == ["24"]

    answer = client.post(path, form | {"rows-0-batch": ["K3"]})

    assert answer.status_code == 302
    (line,) = DispatchLine.objects.filter(dispatch=form["act"][0])
    assert (line.batch, line.sheets, line.order_line) == ("K3", 24, world.line)


def test_another_batch_is_a_button_and_loses_nothing(world):
    client, path = world.client("supplier"), act_path("orders", world.order, "dispatch")
    form = filled(client, path, {"rows-0-batch": "K3", "rows-0-sheets": "20", "paper": "P-3"})
    before = Dispatch.objects.count()

    page = client.post(path, pressed(form, "another", str(world.line.pk)))

    assert (page.status_code, Dispatch.objects.count()) == (200, before)
    assert not wrong_in(page)
    more = form_of(page)
    assert (more["rows-0-batch"], more["rows-0-sheets"], more["paper"]) == (["K3"], ["20"], ["P-3"])
    assert (more["act"], more["rows-1-line"]) == (form["act"], [str(world.line.pk)])
    sent = client.post(path, more | {"rows-1-batch": ["K4"], "rows-1-sheets": ["4"]})
    assert sent.status_code == 302
    lines = DispatchLine.objects.filter(dispatch=form["act"][0]).order_by("batch")
    assert list(lines.values_list("batch", "sheets")) == [("K3", 20), ("K4", 4)]


def test_a_line_of_the_order_left_blank_is_not_sent(world):
    second = OrderLine.objects.create(order=world.order, product=world.plain, sheets=9)
    client, path = world.client("supplier"), act_path("orders", world.order, "dispatch")

    answer = client.post(path, filled(client, path, {"rows-1-batch": "M1"}))

    assert answer.status_code == 302
    (line,) = DispatchLine.objects.filter(order_line=second)
    assert (line.batch, line.sheets) == ("M1", 9)
    assert Dispatch.objects.latest("recorded_at", "happened_at").lines.count() == 1


def test_more_than_was_ordered_is_asked_about_once(world):
    client, path = world.client("supplier"), act_path("orders", world.order, "dispatch")
    form = filled(client, path, {"rows-0-batch": "K3", "rows-0-sheets": "30"})
    assert "More was sent" not in words_of(client.get(path))

    asked = client.post(path, form)
    answered = client.post(path, form_of(asked) | {"more": ["on"]})

    assert (asked.status_code, wrong_in(asked)) == (422, {"rows-0-sheets"})
    assert "More was sent than was ordered" in words_of(asked)
    assert answered.status_code == 302


def test_the_same_dispatch_again_is_not_more_than_was_ordered(world):
    client, path = world.client("supplier"), act_path("orders", world.order, "dispatch")
    form = filled(client, path, {"rows-0-batch": "K3"})

    assert [client.post(path, form).status_code for _time in range(2)] == [302, 302]


def test_two_batches_for_one_room_are_pointed_out_to_whoever_sends_them(world):
    client, path = world.client("supplier"), act_path("orders", world.order, "dispatch")
    form = filled(client, path, {"rows-0-batch": "K3", "rows-0-sheets": "20"})
    more = form_of(client.post(path, pressed(form, "another", str(world.line.pk))))

    page = client.post(path, pressed(more | {"rows-1-batch": ["K4"]}, "another", str(world.line.pk)))

    assert "Two batches for one room" in words_of(page)


def test_a_dispatch_names_no_line_of_another_order(world):
    other = make.order(world.elsewhere, world.sheet, 5)
    client, path = world.client("supplier"), act_path("orders", world.order, "dispatch")
    form = filled(client, path, {"rows-0-batch": "K3", "rows-0-line": str(other.lines.get().pk)})

    answer = client.post(path, form)

    assert answer.status_code == 422
    assert not Dispatch.objects.filter(pk=form["act"][0]).exists()


def test_a_dispatch_before_the_day_of_the_order_is_refused(world):
    Order.objects.filter(pk=world.order.pk).update(ordered_on="2026-06-08")
    client, path = world.client("supplier"), act_path("orders", world.order, "dispatch")

    answer = client.post(
        path, filled(client, path, {"rows-0-batch": "K3", "happened_at": "2026-06-07T12:00"})
    )

    assert (answer.status_code, wrong_in(answer)) == (422, {"happened_at"})


def test_more_lines_than_an_act_has_are_refused_in_words(world):
    client, path = world.client("supplier"), act_path("orders", world.order, "dispatch")
    form = filled(client, path, {"rows-0-batch": "K3", "rows-TOTAL_FORMS": "5000"})

    many = client.post(path, form)
    broken = client.post(path, form | {"rows-TOTAL_FORMS": ["many"]})

    assert (many.status_code, "at most 80 lines" in words_of(many)) == (422, True)
    assert (broken.status_code, "did not come through" in words_of(broken)) == (422, True)


# ---- arrival ----


def test_an_arrival_is_counted_against_its_paper_and_a_difference_is_said(world):
    client, path = world.client("lead"), act_path("dispatches", world.dispatch, "arrival")
    form = form_of(client.get(path))
    assert (form["rows-0-batch"], form["rows-0-sheets"]) == (["K1"], ["10"])
    assert (form["zone"], form["rows-0-room"]) == ([str(world.zone.pk)], [str(world.room.pk)])

    answer = client.post(path, form | {"rows-1-sheets": ["0"], "happened_at": ["2026-06-08T12:00"]})

    placements = Placement.objects.filter(arrival=form["act"][0])
    assert list(placements.values_list("batch", "sheets", "room")) == [("K1", 10, world.room.pk)]
    said = [str(message) for message in get_messages(answer.wsgi_request)]
    assert said[1].startswith("10 came of the 16 on the paper.")
    # The supplier wrote 30 hours ago; it came 47 hours ago: it is kept, and pointed out.
    assert "one of the two times is wrong" in said[1]


def test_who_confirms_an_arrival_second_is_told_who_was_first(world):
    mine, theirs = world.client("lead"), world.client("helper")
    path = act_path("dispatches", world.dispatch, "arrival")
    first, second = filled(mine, path, {}), filled(theirs, path, {"rows-0-sheets": "9"})
    assert mine.post(path, first).status_code == 302

    answer = theirs.post(path, second)

    assert answer.status_code == 409
    assert "Rosa Pires has already confirmed this arrival." in words_of(answer)
    assert form_of(answer)["rows-0-sheets"] == ["9"]
    assert "has already confirmed" in words_of(theirs.get(path))
    assert Placement.objects.filter(batch="K1").count() == 1


def test_a_batch_the_paper_gives_to_another_product_is_refused_at_its_line(world):
    second = OrderLine.objects.create(order=world.order, product=world.plain, sheets=9)
    dispatch = deliveries.record_dispatch(
        make.envelope(world.supplier),
        order=world.order,
        lines=[BatchLine(world.line, "S1", 4), BatchLine(second, "M1", 9)],
        expected_at=None,
    )
    client, path = world.client("lead"), act_path("dispatches", dispatch, "arrival")
    form = filled(client, path, {"rows-1-product": str(world.sheet.pk), "rows-0-room": ""})

    answer = client.post(path, form)

    assert (answer.status_code, wrong_in(answer)) == (422, {"rows-1-batch"})
    assert "Batch M1 is Matt sheet on the delivery paper, not Gloss sheet" in words_of(answer)


def test_a_delivery_nobody_announced_takes_another_line_by_button(world):
    client, path = world.client("lead"), act_path("jobs", world.job, "arrival")
    one = {
        "zone": str(world.zone.pk),
        "rows-0-product": str(world.sheet.pk),
        "rows-0-batch": "N1",
        "rows-0-sheets": "2",
    }

    more = form_of(client.post(path, pressed(filled(client, path, one), "another", "")))
    two = {"rows-1-product": [str(world.plain.pk)], "rows-1-batch": ["N2"], "rows-1-sheets": ["3"]}
    answer = client.post(path, more | two)

    assert answer.status_code == 302
    assert Placement.objects.filter(batch__in=["N1", "N2"]).count() == 2


# ---- counters without script ----


def test_a_counter_is_a_button_that_records_nothing_and_loses_nothing(world):
    client, path = world.client("lead"), act_path("placements", world.wrapped, "inspect")
    form = filled(client, path, {"inspected": "4", "mark_seen": "on"})

    page = client.post(path, pressed(form, "more", "reject_chip"))
    twice = client.post(path, pressed(form_of(page), "more", "reject_chip"))
    less = client.post(path, pressed(form_of(twice), "less", "inspected"))

    assert (page.status_code, wrong_in(page)) == (200, set())
    after = form_of(less)
    assert (after["reject_chip"], after["inspected"], after["mark_seen"]) == (["2"], ["3"], ["on"])
    assert handling.standing_of(world.wrapped).inspected == 0


def test_two_people_cannot_look_at_the_same_sheets(world):
    mine, theirs = world.client("lead"), world.client("boss")
    path = act_path("placements", world.wrapped, "inspect")
    first, second = filled(mine, path, {"inspected": "8"}), filled(theirs, path, {"inspected": "8"})
    assert mine.post(path, first).status_code == 302

    answer = theirs.post(path, second)

    assert (answer.status_code, wrong_in(answer)) == (422, {"inspected"})
    assert "0 sheets here have not been looked at; 8 cannot be" in words_of(answer)


def test_two_people_cannot_move_the_same_sheets(world):
    mine, theirs = world.client("lead"), world.client("boss")
    path = act_path("placements", world.wrapped, "move")
    to = {"sheets": "5", "room": str(world.twin.pk)}
    first, second = filled(mine, path, to), filled(theirs, path, to)
    assert mine.post(path, first).status_code == 302

    answer = theirs.post(path, second)

    assert (answer.status_code, wrong_in(answer)) == (422, {"sheets"})
    assert "3 sheets stand here" in words_of(answer)


def test_who_opens_second_is_told_who_was_first(world):
    mine, theirs = world.client("lead"), world.client("helper")
    path = act_path("rooms", world.room, "open")
    first, second = filled(mine, path, {}), filled(theirs, path, {})
    assert mine.post(path, first).status_code == 302

    answer = theirs.post(path, second)

    assert answer.status_code == 409
    assert "Rosa Pires has already recorded that batch A2 was opened." in words_of(answer)
    assert "Nothing here is still wrapped" in words_of(theirs.get(path))


def test_several_placements_are_opened_as_one_act(world):
    deliveries.record_arrival(
        make.envelope(world.lead, ago=HOUR),
        zone=world.zone,
        lines=[deliveries.PlacedLine(world.sheet, "A3", 5, world.room)],
    )
    client, path = world.client("lead"), act_path("rooms", world.room, "open")
    form = form_of(client.get(path))
    assert len(form["placements"]) == 2

    assert [client.post(path, form).status_code for _time in range(2)] == [302, 302]
    opened = [one.opened_at for _placement, one in handling.standing_in(world.room)]
    assert opened[1:] == [NOW, NOW]


# ---- prep ----


def test_one_tick_counts_for_a_row_of_rooms(world):
    client, path = world.client("lead"), act_path("rooms", world.room, "prep")
    form = filled(client, path, {"check_clean": "passed", "rooms": [str(world.twin.pk), str(world.ready.pk)]})

    client.post(path, form)

    ticked = PrepCheck.objects.filter(check_code="clean", happened_at=NOW, passed=True)
    assert set(ticked.values_list("room", flat=True)) == {world.room.pk, world.twin.pk, world.ready.pk}


def test_only_rooms_one_may_record_are_offered_for_the_same_tick(world):
    make.room(zone=world.zone, name="Room unplanned")
    make.room(zone=world.zone, name="Room concrete", substrate="concrete")

    offered = words_of(world.client("lead").get(act_path("rooms", world.room, "prep")))
    to_boss = words_of(world.client("boss").get(act_path("rooms", world.room, "prep")))

    assert ("Room twin" in offered, "Room unplanned" in offered) == (True, False)
    assert ("Room unplanned" in to_boss, "Room concrete" in to_boss) == (True, False)


def test_a_measured_value_decides_by_itself(world):
    client, path = world.client("lead"), act_path("rooms", world.room, "prep")

    # The limit for gypsum board is 1 %: trade facts 5.2, common practice, no source.
    client.post(path, filled(client, path, {"value_gypsum_dry": "1.5", "reason": "low at the door"}))
    client.post(path, filled(client, path, {"value_gypsum_dry": "1"}))

    records = PrepCheck.objects.filter(room=world.room, check_code="gypsum_dry").order_by("value")
    assert list(records.values_list("value", "passed", "reason")) == [
        (1, True, ""),
        (1.5, False, "low at the door"),
    ]


# ---- start ----


def test_a_start_is_refused_with_the_holds_that_stand_and_the_way_round(world):
    client, path = world.client("lead"), act_path("rooms", world.room, "start")
    page = words_of(client.get(path))

    answer = client.post(path, filled(client, path, {}))

    assert "Held by work by others, substrate and inspection" in page
    assert answer.status_code == 422
    words = words_of(answer)
    assert "Still waiting for Ceiling grid" in words
    assert act_path("rooms", world.room, "began-held") in answer.content.decode()
    assert not Start.objects.filter(room=world.room).exists()


def test_cautions_stand_on_every_start(world):
    page = words_of(world.client("lead").get(act_path("rooms", world.ready, "start")))

    for word in (
        "licensed person",
        "label",
        "Two people lift",
        "mask",
        "platform",
        "mould",
        "Makers’ sheets",
    ):
        assert word in page


def test_a_room_is_started_once(world):
    mine, theirs = world.client("lead"), world.client("boss")
    path = act_path("rooms", world.ready, "start")
    first, second = filled(mine, path, {}), filled(theirs, path, {})
    assert mine.post(path, first).status_code == 302

    answer = theirs.post(path, second)

    assert answer.status_code == 409
    assert "This room has been started already." in words_of(answer)


def test_a_fact_that_came_between_look_and_act_is_judged(world):
    client, path = world.client("lead"), act_path("rooms", world.ready, "start")
    form = filled(client, path, {})
    seen.record_wetting(make.envelope(world.helper, reason="leak"), room=world.ready)

    answer = client.post(path, form)

    assert answer.status_code == 422
    assert "Held by substrate" in words_of(answer)


def test_a_waived_start_rests_on_the_waiver(world):
    boss, lead = world.client("boss"), world.client("lead")
    seen.record_wetting(make.envelope(world.lead, reason="leak", ago=HOUR), room=world.ready)
    path = act_path("rooms", world.ready, "waive")
    boss.post(path, filled(boss, path, {"hold": "substrate", "reason": "surface only"}))

    answer = lead.post(
        act_path("rooms", world.ready, "start"), filled(lead, act_path("rooms", world.ready, "start"), {})
    )

    assert answer.status_code == 302
    start = Start.objects.get(room=world.ready)
    assert [waiver.reason for waiver in start.release.waivers.all()] == ["surface only"]


def test_the_hold_in_the_address_is_chosen_already(world):
    client = world.client("boss")

    form = form_of(client.get(act_path("rooms", world.room, "waive") + "?hold=rest"))
    other = form_of(client.get(act_path("rooms", world.room, "waive") + "?hold=weather&reason=because"))

    assert form["hold"] == ["rest"]
    assert ("hold" in other, other["reason"]) == (False, [""])


def test_what_was_begun_is_said_before_sheets_are_counted(world):
    client = world.client("lead")

    words = words_of(client.get(act_path("rooms", world.room, "sheets-set")))
    answer = client.post(
        act_path("rooms", world.room, "finish"), filled(client, act_path("rooms", world.room, "finish"), {})
    )

    assert "This room was not begun" in words, words
    assert answer.status_code == 422


def test_two_people_cannot_set_the_same_sheets(world):
    mine, theirs = world.client("lead"), world.client("boss")
    path, name = act_path("rooms", world.begun, "sheets-set"), f"sheets_{world.begun_placed.origin}"
    first, second = filled(mine, path, {name: "4"}), filled(theirs, path, {name: "4"})
    assert mine.post(path, first).status_code == 302

    answer = theirs.post(path, second)

    assert (answer.status_code, wrong_in(answer)) == (422, {name})
    assert "2 good sheets stand here; 4 cannot be set" in words_of(answer)


def test_a_room_is_finished_once(world):
    mine, theirs = world.client("lead"), world.client("boss")
    path = act_path("rooms", world.begun, "finish")
    first, second = filled(mine, path, {}), filled(theirs, path, {})
    assert mine.post(path, first).status_code == 302

    assert theirs.post(path, second).status_code == 409


def test_what_follows_from_an_act_is_there_without_a_worker(world):
    client, path = world.client("lead"), act_path("rooms", world.ready, "start")

    client.post(path, filled(client, path, {}))

    state = RoomState.objects.get(room=world.ready)
    assert state.stage == RoomState.Stage.STARTED


# ---- days and crews ----


def test_the_page_of_a_day_shows_when_crews_are_busy_off_and_the_site_closed(world):
    world.crew.time_off.create(from_on="2026-06-24", to_on="2026-06-25", reason="course")
    world.site.closures.create(from_on="2026-07-01", to_on="2026-07-03", reason="audit")

    words = words_of(world.client("boss").get(act_path("rooms", world.room, "day")))

    assert "Room twin Tue 16 Jun 07:00" in words
    assert "off from Wed 24 Jun to Thu 25 Jun, course" in words, words
    assert "Quay Clinic is closed" in words


def test_a_closed_site_and_a_crew_that_is_off_are_said_at_the_day(world):
    world.other_crew.time_off.create(from_on="2026-06-24", to_on="2026-06-24", reason="course")
    world.site.closures.create(from_on="2026-07-01", to_on="2026-07-03", reason="audit")
    client, path = world.client("boss"), act_path("rooms", world.room, "day")
    crew = {"crew": str(world.other_crew.pk)}

    off = client.post(path, filled(client, path, {**crew, "first_on": "2026-06-24"}))
    closed = client.post(path, filled(client, path, {**crew, "first_on": "2026-07-01"}))

    assert (wrong_in(off), "Plover is off on Wed 24 Jun: course" in words_of(off)) == ({"first_on"}, True)
    assert (wrong_in(closed), "closed on Wed 1 Jul: audit" in words_of(closed)) == ({"first_on"}, True)


def test_a_day_starts_at_the_time_that_is_written(world):
    client, path = world.client("boss"), act_path("rooms", world.room, "day")
    typed = {"crew": str(world.crew.pk), "first_on": "2026-06-22", "from_time": "10:00", "hours": "2"}

    client.post(path, filled(client, path, typed))

    state = RoomState.objects.get(room=world.room)
    # 10:00 in Paris is 08:00 UTC in June.
    assert f"{state.planned_start:%Y-%m-%d %H:%M}" == "2026-06-22 08:00"


def test_a_day_taken_back_is_gone_and_cannot_be_taken_back_again(world):
    client, path = world.client("boss"), act_path("rooms", world.room, "day-back")

    client.post(path, filled(client, path, {"reason": "ward stays open"}))
    again = client.post(path, filled(client, path, {"reason": "ward stays open"}))

    assert RoomState.objects.get(room=world.room).planned_start is None
    assert (again.status_code, "No day is given out" in words_of(again)) == (422, True)


def test_an_attached_crew_may_record_on_the_site(world):
    client, path = world.client("boss"), act_path("jobs", world.job, "attach-crew")
    crew = make.crew(world.stranger, name="Snipe")
    reading = act_path("zones", world.zone, "reading")
    assert world.client("stranger").get(reading).status_code == 404

    client.post(path, filled(client, path, {"crew": str(crew.pk)}))

    assert JobCrew.objects.filter(job=world.job, crew=crew).exists()
    assert world.client("stranger").get(reading).status_code == 200
    assert not world.stranger.access.filter(right=Right.ROOM).exists()


# ---- orders ----


def test_an_order_offers_what_rooms_still_lack(world):
    client, path = world.client("boss"), act_path("jobs", world.job, "order")
    form = form_of(client.get(path))
    # Of five rooms that take 4 sheets each, one has 40 on order.
    offered = [form[f"rows-{number}-sheets"] for number in range(4)]
    assert (offered, "rows-4-sheets" in form) == ([["4"]] * 4, False)

    answer = client.post(
        path, form | {"number": ["O-90"], "supplier": [str(world.firm.pk)], "rows-3-sheets": [""]}
    )

    assert answer.status_code == 302
    lines = Order.objects.get(number="O-90").lines
    assert (lines.count(), sum(lines.values_list("sheets", flat=True))) == (3, 12)


def test_an_order_names_a_product_once_for_a_room(world):
    client, path = world.client("boss"), act_path("jobs", world.job, "order")
    form = form_of(client.get(path)) | {"number": ["O-90"], "supplier": [str(world.firm.pk)]}

    answer = client.post(path, form | {"rows-1-room": form["rows-0-room"]})

    assert (answer.status_code, wrong_in(answer)) == (422, {"rows-1-product"})
    assert not Order.objects.filter(number="O-90").exists()


def test_a_supplier_reads_of_the_site_and_not_of_the_job(world):
    words = words_of(world.client("supplier").get(act_path("orders", world.order, "dispatch")))

    assert ("Quay Clinic" in words, "Kitchens" in words) == (True, False)


# ---- units ----


def test_a_job_in_feet_reads_in_fahrenheit(world):
    world.job.units = "customary"
    world.job.save()
    client, path = world.client("lead"), act_path("zones", world.zone, "reading")
    page = client.get(path)

    form = form_of(page)
    client.post(path, form | {"temperature": ["68"], "humidity_pct": ["47"]})

    assert form["unit"] == ["f"]
    # 18 °C is 64.4 °F and 24 °C is 75.2 °F: 9/5 and 32, exact.
    assert "band 64.4–75.2 °F" in words_of(page)
    assert world.zone.reading_facts.get(pk=form["act"][0]).t_c == 20


def test_a_waiver_ends_when_it_says(world):
    client, path = world.client("boss"), act_path("rooms", world.room, "waive")

    client.post(
        path, filled(client, path, {"hold": "rest", "reason": "kept warm", "until_at": "2026-06-12T18:00"})
    )

    # 18:00 in Paris is 16:00 UTC, 55 hours after NOW.
    assert Waiver.objects.get().until_at == NOW + 55 * HOUR


def test_services_of_the_walk_are_at_hand(world):
    assert work.begun_at(world.begun) == NOW - HOUR
    assert crews.people_of(world.crew) == [world.lead]


# ---- how much is asked of the database ----


@pytest.mark.parametrize("name", ["prep", "day", "waive", "start", "open", "sheets-set", "mix"])
def test_the_page_of_an_act_asks_no_more_of_twice_the_rows(name, world):
    path = act_path("rooms", world.begun, name)
    client = world.client("boss" if name in ("day", "waive") else "lead")
    client.get(path)
    with CaptureQueriesContext(connection) as once:
        assert client.get(path).status_code == 200

    for number in range(6):
        room = make.room(zone=world.zone, name=f"Room more {number}")
        crews.give_day(
            make.envelope(world.boss, now=NOW - 2 * HOUR),
            room=room,
            crew=make.crew(name=f"Crew more {number}"),
            first_on=date(2026, 7, 1),
        )
        deliveries.record_arrival(
            make.envelope(world.lead, ago=HOUR),
            zone=world.zone,
            lines=[deliveries.PlacedLine(world.sheet, f"M{number}", 5, world.begun)],
        )
    with CaptureQueriesContext(connection) as more:
        assert client.get(path).status_code == 200

    assert len(more) <= len(once), [query["sql"] for query in more]
