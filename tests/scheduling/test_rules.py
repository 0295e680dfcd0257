"""Changing rules: what a change shows before it is saved, what it does, and who is told."""

from __future__ import annotations

import html
import re
from datetime import timedelta

import pytest
from django.core.exceptions import ValidationError
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from config import clock
from jobs.facts import AlreadyDone
from jobs.models import Change, Room
from jobs.services import seen
from materials.models import Product, RestOverride
from materials.rules import asked_of
from materials.services import deliveries, sheets
from materials.services.rules import FactsMoved, RuleEdit, change_rule, facts_mark, version_of
from scheduling import states
from scheduling.core.room_facts import HoldKind
from scheduling.effects import effects_of
from scheduling.gather import gather
from scheduling.models import RoomState
from scheduling.services import crews, handling, work
from tests import make
from tests.conftest import NOW
from tests.scheduling.acts_world import form_of, words_of, wrong_in
from tests.scheduling.rooms import THURSDAY, pass_prep

pytestmark = pytest.mark.django_db
HOUR = timedelta(hours=1)
DAY = 86_400


@pytest.fixture
def boss():
    return make.manager(name="Ada Holm")


@pytest.fixture
def client(boss, monkeypatch):
    monkeypatch.setattr(clock, "read", lambda: NOW)
    browser = Client()
    browser.force_login(boss)
    return browser


def rested_room(boss, *, hours=30, **fields):
    """Return a room fit to send: four sheets opened `hours` ago, the air read every two hours since."""
    room = make.room(**fields)
    product = make.sheet()
    make.requirement(room, product, 4)
    came = [deliveries.PlacedLine(product, f"B{room.pk}", 4, room)]
    at = make.envelope(boss, ago=hours * HOUR)
    deliveries.record_arrival(at, zone=room.zone, lines=came)
    placed = room.placements.get()
    sheets.open_placement(make.envelope(boss, ago=hours * HOUR), placement=placed)
    handling.inspect(make.envelope(boss, ago=HOUR), placement=placed, inspected=4, rejects={}, mark_seen=True)
    for ago in range(hours, -1, -2):
        read(boss, room, ago=ago * HOUR)
    pass_prep(boss, room)
    states.refresh_due(now=NOW)
    return room, product


def read(boss, room, *, ago=timedelta(0), t=21, rh=45, now=NOW):
    seen.record_reading(
        make.envelope(boss, ago=ago, now=now), zone=room.zone, temperature=t, unit="c", humidity_pct=rh
    )


def save(edit, boss, *, seen=None, now=NOW, reason="as agreed"):
    rooms = change_rule(
        edit,
        seen=version_of(edit.record) if seen is None else seen,
        facts=facts_mark(edit.rooms()),
        by=boss,
        now=now,
        reason=reason,
    )
    states.refresh_due(rooms, now=now)


# ---- which rule holds


def test_a_jobs_word_on_one_product_goes_before_its_word_on_all_and_that_before_the_products():
    product, other = make.sheet(), make.sheet()
    job = make.job()
    overall = RestOverride(job=job, rest_required_s=2 * DAY, core_is_binding=True)
    own = RestOverride(job=job, product=product, rest_required_s=3 * DAY)

    both = (own, overall)

    # Worked by hand: the column that the nearer override leaves empty is the farther one's.
    assert [asked_of(product, both).required, asked_of(product, both).core_is_binding] == [72 * HOUR, True]
    assert asked_of(product, both[::-1]) == asked_of(product, both)
    assert [asked_of(other, both).required, asked_of(other, both).max_gap] == [48 * HOUR, 18 * HOUR]
    assert asked_of(product).required == 24 * HOUR


def test_no_rest_asked_by_a_job_is_another_thing_than_nothing_said():
    product = make.sheet()
    job = make.job()

    assert asked_of(product, [RestOverride(job=job, rest_required_s=0)]).required == timedelta(0)
    assert asked_of(product, [RestOverride(job=job, rest_required_s=None)]).required == 24 * HOUR


def test_an_override_rules_the_rooms_of_its_own_job_alone(boss):
    room, product = rested_room(boss)
    elsewhere = make.room()
    make.requirement(elsewhere, product, 4)
    RestOverride.objects.create(job=room.job, product=product, rest_required_s=2 * DAY)

    found = gather([room.pk, elsewhere.pk], now=NOW)

    assert found[room.pk].facts.rest_required == 48 * HOUR
    assert found[elsewhere.pk].facts.rest_required == 24 * HOUR
    (rested,) = found[room.pk].rests
    assert (rested.rule.required, rested.asked.core_is_binding) == (48 * HOUR, False)


# ---- what a change would do


def test_a_longer_rest_shows_which_rooms_are_no_longer_fit_and_stores_nothing(boss):
    room, product = rested_room(boss)
    crew = make.crew(make.crew_lead())
    crews.give_day(make.envelope(boss), room=room, crew=crew, first_on=THURSDAY)
    rested_room(boss)
    states.refresh_due(now=NOW)
    before = list(Room.objects.order_by("pk").values_list("facts_version")), Change.objects.count()

    effects = effects_of(RuleEdit(product, {"rest_required_s": 54 * 3600}), now=NOW)

    (change,) = effects.rooms
    (rest,) = change.rests
    assert (effects.touched, change.room.pk, change.loses_fit, change.loses_day) == (1, room.pk, True, True)
    assert change.after.held == (HoldKind.REST,)
    # Thirty hours are proven; 54 - 30 lack, from the present on, and the day begins on Thursday at 07:00 in Paris.
    assert (rest.before.proven, rest.after.proven, rest.after.required) == (30 * HOUR, 30 * HOUR, 54 * HOUR)
    assert (rest.before.full_at, rest.after.full_at) == (NOW - 6 * HOUR, NOW + 24 * HOUR)
    assert (change.before.fit_at, change.after.fit_at) == (NOW, NOW + 24 * HOUR)
    assert before == (list(Room.objects.order_by("pk").values_list("facts_version")), Change.objects.count())
    assert Product.objects.get(pk=product.pk).rest_required_s == DAY
    assert RoomState.objects.get(room=room).is_fit_to_send


def test_a_shorter_patience_with_bad_air_gains_a_restart_and_a_longer_spares_it(boss):
    room, product = rested_room(boss)
    # Out of band from 20 h ago to 18 h ago: two hours, which four hours of patience only pause.
    room2, _product2 = rested_room(boss, hours=19)
    read(boss, room, ago=timedelta(hours=19, minutes=30), t=12)
    states.refresh_due(now=NOW)

    stricter = effects_of(RuleEdit(product, {"rest_restart_after_s": 600}), now=NOW)

    ((rest,),) = (one.rests for one in stricter.rooms)
    assert (rest.before.restarts, rest.after.restarts) == (0, 1)
    save(RuleEdit(product, {"rest_restart_after_s": 600}), boss)
    back = effects_of(RuleEdit(Product.objects.get(pk=product.pk), {"rest_restart_after_s": 7200}), now=NOW)
    ((rest,),) = (one.rests for one in back.rooms)
    assert (rest.before.restarts, rest.after.restarts) == (1, 0)
    assert room2.pk not in {one.room.pk for one in back.rooms}


def test_a_rest_that_is_done_either_way_is_no_change(boss):
    _room, product = rested_room(boss)

    effects = effects_of(RuleEdit(product, {"rest_required_s": 28 * 3600}), now=NOW)

    assert (effects.rooms, effects.touched) == ((), 1)


def test_a_reading_that_is_only_old_takes_no_day_away(boss):
    room, product = rested_room(boss)
    glue = make.adhesive()
    make.need(room, glue, 1)
    lot = {"job": room.job, "room": room, "product": glue, "quantity": 1, "good_through": None}
    sheets.bring_lot(make.envelope(boss), **lot)
    crews.give_day(make.envelope(boss), room=room, crew=make.crew(), first_on=THURSDAY + timedelta(days=5))
    later = NOW + 30 * HOUR

    (change,) = effects_of(RuleEdit(product, {"rest_required_s": 54 * 3600}), now=later).rooms

    # Held by the rest until the day after, and by a reading that is taken at the door.
    assert change.after.held == (HoldKind.REST, HoldKind.ROOM_CONDITIONS)
    assert (change.loses_fit, change.loses_day, change.after.fit_at) == (True, False, later + 24 * HOUR)


def test_longer_hours_on_a_label_are_shown_for_the_walls_that_cure(boss):
    room, _product = rested_room(boss)
    glue = make.adhesive(cure_s=24 * 3600)
    make.need(room, glue, 1)
    lot = {"job": room.job, "room": room, "product": glue, "quantity": 1, "good_through": None}
    sheets.bring_lot(make.envelope(boss, ago=HOUR), **lot)
    crew = make.crew()
    work.start_room(make.envelope(boss, ago=HOUR), room=room, crew=crew)
    handling.set_sheets(make.envelope(boss), room=room, counts={room.placements.get(): 4})
    work.finish_room(make.envelope(boss), room=room)
    edit = RuleEdit(glue, {"cure_s": 48 * 3600, "no_washing_s": 72 * 3600})

    (change,) = effects_of(edit, now=NOW + 60 * HOUR).rooms
    nothing = effects_of(edit, now=NOW + 80 * HOUR).rooms

    # Set at NOW: held for 24, then for 48 hours; washed down after 72.
    before, after = change.cures
    assert (before.until_at, before.washing_from) == (NOW + 24 * HOUR, None)
    assert (after.until_at, after.washing_from) == (NOW + 48 * HOUR, NOW + 72 * HOUR)
    assert nothing == ()


def edits(room, product):
    return {
        "product": RuleEdit(product, {"rest_required_s": 48 * 3600, "rest_max_gap_s": 3600}),
        "limits": RuleEdit(product, {"t_min": 21.5}),
        "job": RuleEdit(RestOverride(job=room.job), {"rest_required_s": 40 * 3600}),
        "panel": RuleEdit(RestOverride(job=room.job, product=product), {"rest_required_s": 0}),
        "words": RuleEdit(room.job, {"accepts_statements": True}),
        "band": RuleEdit(room.zone, {"t_min": 22.0}),
        "setting": RuleEdit(
            product, {"set_t_min": 25.0, "set_t_max": 30.0, "set_rh_min": 20.0, "set_rh_max": 70.0}
        ),
    }


@pytest.mark.parametrize("which", ["product", "limits", "job", "panel", "words", "band", "setting"])
def test_what_is_shown_is_what_comes_of_it(boss, which):
    room, product = rested_room(boss)
    seen.state_air(make.envelope(boss, ago=20 * HOUR), zone=room.zone, from_at=NOW - 26 * HOUR)
    edit = edits(room, product)[which]
    pretended = states.judge([room.pk], pretended=edit.pretended(), now=NOW)[room.pk]

    save(edit, boss)

    real = states.judge([room.pk], now=NOW)[room.pk]
    assert real.answer == pretended.answer
    assert [one.rest for one in real.gathered.rests] == [one.rest for one in pretended.gathered.rests]
    state = RoomState.objects.get(room=room)
    room.refresh_from_db()
    assert (state.facts_version, state.is_fit_to_send) == (room.facts_version, real.answer.fit_to_send)


def test_a_band_that_meets_no_more_takes_the_rest_away(boss):
    _room, product = rested_room(boss)

    (change,) = effects_of(RuleEdit(product, {"t_min": 30.0, "t_max": 35.0}), now=NOW).rooms

    (rest,) = change.rests
    assert (rest.after.proven, rest.after.full_at, change.after.fit_at) == (timedelta(0), None, None)


# ---- saving


def test_a_saved_change_raises_the_versions_it_touches_and_keeps_who_changed_what_and_why(boss):
    room, product = rested_room(boss)
    other, _product = rested_room(boss)
    versions = dict(Room.objects.values_list("pk", "facts_version"))

    save(RuleEdit(product, {"rest_required_s": 48 * 3600}), boss, reason="maker's sheet of March")

    now_at = dict(Room.objects.values_list("pk", "facts_version"))
    assert (now_at[room.pk], now_at[other.pk]) == (versions[room.pk] + 1, versions[other.pk])
    change = Change.objects.latest("pk")
    assert (change.record, change.by, change.reason) == ("materials.product", boss, "maker's sheet of March")
    assert (change.before, change.after) == ({"rest_required_s": DAY}, {"rest_required_s": 2 * DAY})
    assert not RoomState.objects.get(room=room).is_fit_to_send
    assert RoomState.objects.get(room=other).is_fit_to_send


def test_a_room_that_is_finished_is_left_as_it_is(client, boss):
    room, product = rested_room(boss)
    work.start_room(make.envelope(boss, ago=HOUR), room=room, crew=make.crew())
    handling.set_sheets(make.envelope(boss), room=room, counts={room.placements.get(): 4})
    work.finish_room(make.envelope(boss), room=room)
    states.refresh_due(now=NOW)
    path = reverse("scheduling:product_rule", args=[product.pk])
    version = Room.objects.get(pk=room.pk).facts_version

    preview = post(client, path, client.get(path), rest_required_s="48")
    saved = post(client, path, preview, step="save", reason="as agreed")

    assert "It touches no open room." in shown(preview)
    assert saved.status_code == 302
    assert Room.objects.get(pk=room.pk).facts_version == version


def test_a_hold_that_comes_back_to_a_room_that_has_begun_is_no_change(boss):
    """Nobody has said how cold its stack came: the hold comes back, and keeps nobody any more."""
    room, product = rested_room(boss)
    edit = RuleEdit(product, {"core_is_binding": True})
    assert [one.loses_fit for one in effects_of(edit, now=NOW).rooms] == [True]

    work.start_room(make.envelope(boss, ago=HOUR), room=room, crew=make.crew())

    assert effects_of(edit, now=NOW).rooms == ()


def test_the_second_of_two_editors_is_refused(boss):
    product = make.sheet()
    first_seen = version_of(product)
    save(RuleEdit(product, {"rest_required_s": 2 * DAY}), make.manager(name="Bo Lind"), seen=first_seen)

    with pytest.raises(AlreadyDone, match="Bo Lind changed this in the meantime"):
        save(RuleEdit(product, {"rest_required_s": 3 * DAY}), boss, seen=first_seen)

    assert Product.objects.get(pk=product.pk).rest_required_s == 2 * DAY


def test_two_who_make_the_same_override_make_one(boss):
    job, product = make.job(), make.sheet()
    save(RuleEdit(RestOverride(job=job, product=product), {"rest_required_s": DAY}), boss)

    with pytest.raises(AlreadyDone):
        save(RuleEdit(RestOverride(job=job, product=product), {"rest_required_s": 0}), boss, seen=0)

    assert [one.rest_required_s for one in RestOverride.objects.all()] == [DAY]


def test_a_change_judged_on_other_facts_is_not_stored(boss):
    room, product = rested_room(boss)
    edit = RuleEdit(product, {"rest_required_s": 2 * DAY})
    facts = effects_of(edit, now=NOW).facts
    read(boss, room, now=NOW + HOUR)

    with pytest.raises(FactsMoved):
        change_rule(edit, seen=0, facts=facts, by=boss, now=NOW + HOUR, reason="as agreed")

    assert Product.objects.get(pk=product.pk).rest_required_s == DAY


def test_a_value_that_the_database_refuses_leaves_all_as_it_was(boss):
    room, product = rested_room(boss)
    version = Room.objects.get(pk=room.pk).facts_version

    with pytest.raises(ValidationError):
        save(RuleEdit(product, {"t_min": 40.0}), boss)

    assert Room.objects.get(pk=room.pk).facts_version == version
    assert Change.objects.filter(record="materials.product", record_pk=str(product.pk)).count() == 0


# ---- the pages


def post(client, path, page, step="preview", **typed):
    return client.post(path, form_of(page) | {"step": step} | typed)


def shown(page):
    return re.sub(r"\s+", " ", words_of(page))


def test_a_change_is_shown_then_saved_with_its_reason(client, boss):
    _room, product = rested_room(boss)
    path = reverse("scheduling:product_rule", args=[product.pk])

    preview = post(client, path, client.get(path), rest_required_s="48")

    assert preview.status_code == 200
    text = shown(preview)
    assert "One room changes. One room is no longer fit to send." in text
    assert "Rest 24 h 48 h" in text
    assert Product.objects.get(pk=product.pk).rest_required_s == DAY

    without = post(client, path, preview, step="save")
    assert (without.status_code, wrong_in(without)) == (422, {"reason"})
    saved = post(client, path, preview, step="save", reason="maker's sheet of March")
    assert saved.status_code == 302
    assert Product.objects.get(pk=product.pk).rest_required_s == 2 * DAY
    page = shown(client.get(saved["Location"]))
    assert "The rule is saved" in page
    assert "Rest: 24 h → 48 h. Ada Holm: maker's sheet of March" in html.unescape(page)


def test_what_is_typed_wrong_is_told_at_its_field_and_nothing_is_lost(client):
    product = make.adhesive()
    panel = make.sheet()
    path = reverse("scheduling:product_rule", args=[panel.pk])

    page = post(
        client,
        path,
        client.get(path),
        rest_required_s="",
        rest_max_gap_s="169",
        t_min="30",
        t_max="20",
        thickness_nm="2.3",
        set_t_min="10",
    )

    assert page.status_code == 422
    assert wrong_in(page) == {
        "rest_required_s",
        "rest_max_gap_s",
        "t_max",
        "thickness_nm",
        "set_t_max",
        "set_rh_min",
        "set_rh_max",
    }
    text = shown(page)
    assert "169 is not from 0.01 to 168." in text
    assert "20 is below 30, where the band begins." in text
    assert '"2.3" needs its unit' in text
    assert "The label's band is written whole or not at all." in html.unescape(text)
    assert form_of(page)["rest_max_gap_s"] == ["169"]
    path = reverse("scheduling:product_rule", args=[product.pk])
    assert "rest_required_s" not in form_of(client.get(path))  # an adhesive does not rest


def test_nothing_changed_is_told(client):
    path = reverse("scheduling:product_rule", args=[make.sheet().pk])

    page = post(client, path, client.get(path))

    assert page.status_code == 422
    assert "Nothing is changed" in shown(page)


def test_none_asked_and_nothing_said_are_told_apart_on_a_jobs_form(client, boss):
    room, product = rested_room(boss)
    path = reverse("scheduling:job_product_rule", args=[room.job.pk, product.pk])

    preview = post(client, path, client.get(path), rest_required_s="0")
    assert "Rest as the product none is asked" in shown(preview)
    post(client, path, preview, step="save", reason="prefabricated, rested at the works")
    assert RestOverride.objects.get().rest_required_s == 0

    preview = post(client, path, client.get(path), rest_required_s="")
    post(client, path, preview, step="save", reason="they are not after all")
    assert RestOverride.objects.get().rest_required_s is None
    page = html.unescape(shown(client.get(reverse("scheduling:job_rules", args=[room.job.pk]))))
    assert "Rest: none is asked → as the product. Ada Holm: they are not after all" in page


def test_the_second_of_two_managers_is_told_and_what_was_typed_stays(client, boss):
    product = make.sheet()
    path = reverse("scheduling:product_rule", args=[product.pk])
    form = client.get(path)
    save(RuleEdit(product, {"rest_max_gap_s": 3600}), make.manager(name="Bo Lind"))

    told = post(client, path, form, rest_required_s="48")

    assert told.status_code == 409
    assert "Bo Lind changed this in the meantime" in shown(told)
    assert form_of(told)["rest_required_s"] == ["48"]
    again = post(client, path, told)
    assert again.status_code == 200
    # What is typed would take the other's change back: that is shown, not done in silence.
    assert "Longest gap between readings 1 h 18 h" in shown(again)


def test_facts_that_change_what_it_does_are_told_before_it_is_saved(client, boss):
    room, product = rested_room(boss)
    path = reverse("scheduling:product_rule", args=[product.pk])
    preview = post(client, path, client.get(path), rest_required_s="48")
    assert "Nothing changes in any room" not in shown(preview)
    seen.record_wetting(make.envelope(boss), room=room)

    told = post(client, path, preview, step="save", reason="as agreed")

    assert told.status_code == 409
    assert "Facts came in, and it would do something else now." in shown(told)
    assert Product.objects.get(pk=product.pk).rest_required_s == DAY
    saved = post(client, path, told, step="save", reason="as agreed")
    assert saved.status_code == 302


def test_facts_that_change_nothing_of_what_it_does_are_told_after(client, boss):
    room, product = rested_room(boss)
    path = reverse("scheduling:product_rule", args=[product.pk])
    preview = post(client, path, client.get(path), rest_required_s="48")
    make.milestone(room)
    seen.report_milestone(make.envelope(boss), milestone=room.milestones.get(), is_done=True)

    saved = post(client, path, preview, step="save", reason="as agreed")

    assert saved.status_code == 302
    assert "Facts came in after it was shown" in shown(client.get(saved["Location"]))


def test_one_may_go_back_to_what_was_typed(client):
    path = reverse("scheduling:product_rule", args=[make.sheet().pk])
    preview = post(client, path, client.get(path), rest_required_s="48")

    page = post(client, path, preview, step="edit")

    assert (page.status_code, form_of(page)["rest_required_s"]) == (200, ["48"])
    assert wrong_in(page) == set()


@pytest.mark.parametrize("name", ["job_statements", "job_rule", "zone_band"])
def test_each_rule_of_a_job_is_changed_on_its_own_page(client, boss, name):
    room, _product = rested_room(boss)
    key = room.zone.pk if name == "zone_band" else room.job.pk
    typed = {
        "job_statements": {"accepts_statements": "yes"},
        "job_rule": {"rest_restart_on": "any", "core_is_binding": "yes"},
        "zone_band": {"t_min": "19.5"},
    }[name]
    path = reverse(f"scheduling:{name}", args=[key])

    preview = post(client, path, client.get(path), **typed)
    saved = post(client, path, preview, step="save", reason="as agreed")

    assert (preview.status_code, saved.status_code) == (200, 302)
    page = shown(client.get(saved["Location"]))
    said = {
        "job_statements": "A signed word counts where no instrument stood: no → yes",
        "job_rule": "What starts it again: temperature or humidity out of band",
        "zone_band": "Air from: 18 °C → 19.5 °C",
    }[name]
    assert said in page


def test_the_lists_of_products_and_of_a_jobs_rules_say_what_is_asked(client, boss):
    room, product = rested_room(boss)
    glue = make.adhesive()

    page = shown(client.get(reverse("scheduling:products")))
    own = shown(client.get(reverse("scheduling:product", args=[glue.pk])))
    job = shown(client.get(reverse("scheduling:job_rules", args=[room.job.pk])))

    assert "Rests 24 h. Temperature out of band over 4 h starts it again." in page
    assert "Set in 10–30 °C and 20–70 %." in own
    assert "Every panel rests here as its product says." in job
    assert product.name in job


# ---- how much it costs


def test_a_preview_asks_as_many_queries_however_many_rooms_it_touches(boss):
    room, product = rested_room(boss)
    edit = RuleEdit(product, {"rest_required_s": 48 * 3600})
    with CaptureQueriesContext(connection) as for_one:
        effects_of(edit, now=NOW)
    for _ in range(4):
        other, _product = rested_room(boss, zone=make.zone(job=room.job))
        make.requirement(other, product, 2)

    with CaptureQueriesContext(connection) as for_five:
        effects = effects_of(edit, now=NOW)

    assert (effects.touched, len(for_five)) == (5, len(for_one))


def test_a_preview_stores_no_row_of_any_kind(boss):
    _room, product = rested_room(boss)

    with CaptureQueriesContext(connection) as asked:
        effects_of(RuleEdit(product, {"rest_required_s": 48 * 3600, "rest_max_gap_s": 7200}), now=NOW)

    writing = ("INSERT", "UPDATE", "DELETE")
    assert len(asked) > 5
    assert [query["sql"] for query in asked if query["sql"].startswith(writing)] == []


@pytest.mark.parametrize("name", ["products", "product", "job_rules"])
def test_pages_of_rules_ask_no_more_with_more_history(client, boss, name):
    room, product = rested_room(boss)
    args = {"products": [], "product": [product.pk], "job_rules": [room.job.pk]}[name]
    path = reverse(f"scheduling:{name}", args=args)

    def asked():
        with CaptureQueriesContext(connection) as queries:
            assert client.get(path).status_code == 200
        return len(queries)

    save(RuleEdit(RestOverride(job=room.job), {"rest_required_s": DAY}), boss)
    save(RuleEdit(room.zone, {"t_min": 19.0}), boss)
    asked()
    before = asked()
    for hours in (30, 40):
        save(RuleEdit(RestOverride.objects.get(), {"rest_required_s": hours * 3600}), boss)
        save(RuleEdit(Product.objects.get(pk=product.pk), {"rest_max_gap_s": hours * 60}), boss)
        make.sheet()

    assert asked() == before
