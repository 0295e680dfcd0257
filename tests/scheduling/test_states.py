"""The derived state of rooms: never older than the facts, whoever looks, and the same in whatever order they came."""

from __future__ import annotations

import threading
from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal
from threading import Barrier

import pytest
from django.db import connection, transaction
from django.urls import reverse
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from config import clock
from jobs.facts import Envelope
from jobs.services import seen
from materials.models import Placement
from materials.services import deliveries, sheets
from scheduling import answers, feeds, states
from scheduling.core.holds import HoldState
from scheduling.models import CrewFeed, FeedEvent, Message, RoomState, SheetsSet
from scheduling.services import handling, work
from tests import make
from tests.conftest import NOW
from tests.scheduling.rooms import HOUR, done, give, not_done, pass_prep, promised_room, waiting_room
from tests.threads import At, errors, meet, together, with_a_stop

MINUTE = timedelta(minutes=1)
SECOND = timedelta(seconds=1)


@pytest.fixture
def boss(db):
    return make.manager()


def state_of(room):
    return RoomState.objects.get(room=room)


def held(room):
    return [
        hold.kind.value for hold in answers.holds_of(state_of(room).answer) if hold.state is HoldState.HELD
    ]


# ---- several at once


@pytest.mark.django_db(transaction=True)
def test_no_state_is_ever_marked_with_a_version_it_was_not_judged_on():
    """The room is fit at every odd version after its first; whoever looks compares, all the while."""
    boss = make.manager()
    room, ceiling, _day = promised_room(boss, make.crew())
    room.refresh_from_db()
    first, rounds = room.facts_version, 6
    states.refresh_due(now=NOW)
    ended = threading.Event()
    compared = []

    def record():
        try:
            for number in range(rounds):
                report = done(boss, ceiling, now=NOW + 2 * number * SECOND)
                not_done(boss, report, now=NOW + (2 * number + 1) * SECOND)
        finally:
            ended.set()

    def refresh():
        while not ended.is_set():
            states.refresh_due(now=NOW + MINUTE)

    def look():
        while not ended.is_set():
            for version, is_fit in RoomState.objects.values_list("facts_version", "is_fit_to_send"):
                compared.append(is_fit == bool((version - first) % 2))

    assert errors(together(record, refresh, refresh, look)) == []
    end = NOW + MINUTE
    states.refresh_due(now=end)

    state = state_of(room)
    room.refresh_from_db()
    assert compared
    assert all(compared)
    assert state.facts_version == room.facts_version == first + 2 * rounds
    assert not state.is_fit_to_send


@pytest.mark.django_db(transaction=True)
def test_many_who_look_at_once_tell_the_manager_once_and_step_the_event_once():
    boss = make.manager()
    room, ceiling, _day = promised_room(boss, make.crew())
    report = done(boss, ceiling)
    states.refresh_due(now=NOW)
    before = FeedEvent.objects.get()
    not_done(boss, report, now=NOW + MINUTE)

    came = together(*[lambda: states.refresh_due(now=NOW + MINUTE)] * 5)

    assert errors(came) == []
    assert FeedEvent.objects.get().sequence == before.sequence + 1
    assert Message.objects.filter(room=room, person=boss).count() == 1


@pytest.mark.django_db(transaction=True)
def test_whoever_looks_with_a_clock_a_little_behind_undoes_nothing():
    """The waiver ends between the two: the later look sees it ended, the earlier one must not bring it back."""
    boss = make.manager()
    room, _ceiling, _day = promised_room(boss, make.crew())
    until = NOW + MINUTE
    work.waive_hold(make.envelope(boss, reason="for now"), room=room, hold="work_by_others", until_at=until)
    states.refresh_due(now=NOW)

    came = together(
        *[lambda: states.refresh_due(now=until + 2 * SECOND), lambda: states.refresh_due(now=until)] * 3
    )
    states.refresh([room.pk], now=until - SECOND)

    assert errors(came) == []
    assert not state_of(room).is_fit_to_send
    assert FeedEvent.objects.get().sequence == 1
    assert Message.objects.count() == 1


@pytest.mark.django_db(transaction=True)
def test_people_who_record_facts_of_one_room_at_once_do_not_wait_for_each_other_for_ever():
    boss = make.manager()
    room, ceiling, _day = promised_room(boss, make.crew())

    for number in range(4):
        now = NOW + number * SECOND
        came = together(
            lambda now=now: seen.record_wetting(make.envelope(boss, now=now), room=room),
            lambda now=now: work.record_turned_away(
                make.envelope(boss, now=now, reason="no lift"), room=room, crew=crew_of(room), refused_by=""
            ),
            lambda now=now: done(boss, ceiling, now=now),
            lambda now=now: states.refresh_due(now=now),
        )
        assert errors(came) == []


@pytest.mark.django_db(transaction=True)
def test_one_who_revises_events_and_one_who_serves_their_feed_do_not_wait_for_each_other():
    boss, crew = make.manager(), make.crew()
    _room, ceiling, _day = promised_room(boss, crew)
    feeds.renew(crew, now=NOW)
    done(boss, ceiling, now=NOW + MINUTE)
    both_half_way = Barrier(2)

    came = together(
        with_a_stop(
            lambda: states.refresh_due(now=NOW + MINUTE),
            At("INSERT", "scheduling_feedevent", do=meet(both_half_way), after=True),
        ),
        with_a_stop(
            lambda: feeds.served(crew.pk),
            At("UPDATE", "scheduling_feedevent", do=meet(both_half_way)),
        ),
    )

    assert errors(came) == []
    event = FeedEvent.objects.get()
    assert (event.status, event.was_served) == ("CONFIRMED", True)


def test_a_fact_recorded_while_a_room_is_judged_is_judged_too(boss):
    room, ceiling, _day = promised_room(boss, make.crew())
    late = At("SELECT", '"facts_version" FROM "jobs_room"', do=lambda: done(boss, ceiling))

    with connection.execute_wrapper(late):
        states.refresh_due(now=NOW)

    room.refresh_from_db()
    assert late.came
    assert state_of(room).facts_version == room.facts_version
    assert state_of(room).is_fit_to_send


def test_a_state_that_somebody_stored_in_the_meantime_is_not_turned_back(boss):
    room, _ceiling, _day = promised_room(boss, make.crew())
    until = NOW + MINUTE
    work.waive_hold(make.envelope(boss, reason="for now"), room=room, hold="work_by_others", until_at=until)
    quicker = At(
        "SELECT",
        '"facts_version" FROM "jobs_room"',
        do=lambda: states.refresh([room.pk], now=until + SECOND),
    )

    with connection.execute_wrapper(quicker):
        states.refresh([room.pk], now=until - SECOND)

    assert quicker.came
    assert not state_of(room).is_fit_to_send
    assert state_of(room).computed_at == until
    assert FeedEvent.objects.get().sequence == 1


def crew_of(room):
    return room.assignment_facts.get().crew


@pytest.mark.django_db(transaction=True)
def test_a_feed_rendered_while_its_events_change_never_keeps_the_old_ones():
    boss, crew = make.manager(), make.crew()
    room, ceiling, _day = promised_room(boss, crew)
    feeds.renew(crew, now=NOW)

    for number in range(4):
        now = NOW + 2 * number * MINUTE
        report = done(boss, ceiling, now=now)
        came = together(
            lambda now=now: states.refresh_due(now=now),
            lambda now=now: feeds.renew(crew, now=now),
            lambda now=now: feeds.served(crew.pk),
        )
        assert errors(came) == []
        feeds.renew(crew, now=now)
        assert b"STATUS:CONFIRMED" in bytes(CrewFeed.objects.get().body)
        not_done(boss, report, now=now + MINUTE)
        feeds.renew(crew, now=now + MINUTE)
    assert room.pk


# ---- time passing, with worker and beat stopped


def pages(room, crew):
    return {
        "room": reverse("scheduling:room", args=[room.pk]),
        "job": reverse("scheduling:job", args=[room.job_id]),
        "jobs": reverse("scheduling:jobs"),
        "morning": reverse("scheduling:morning"),
        "orders": reverse("scheduling:orders"),
        "today": reverse("scheduling:today"),
        "feed": "/feeds/" + feeds.new_feed_secret(crew, person=None, now=NOW).rsplit("/", 1)[1],
    }


@pytest.mark.parametrize("page", ["room", "job", "jobs", "morning", "orders", "today", "feed"])
def test_every_page_and_feed_renews_what_has_run_out(client, boss, monkeypatch, page):
    type(boss).objects.filter(pk=boss.pk).update(is_crew_lead=True)
    crew = make.crew(boss)
    room, _ceiling, _day = promised_room(boss, crew)
    make.order(room, make.sheet(), 1)
    until = NOW + HOUR
    work.waive_hold(make.envelope(boss, reason="for now"), room=room, hold="work_by_others", until_at=until)
    states.refresh_due(now=NOW)
    assert state_of(room).is_fit_to_send
    assert state_of(room).good_until == until
    client.force_login(boss)
    monkeypatch.setattr(clock, "read", lambda: until + 10 * MINUTE)

    answer = client.get(pages(room, crew)[page])

    assert answer.status_code == 200
    assert not state_of(room).is_fit_to_send
    assert (state_of(room).computed_at, FeedEvent.objects.get().revised_at) == (until, until)


def test_a_room_not_looked_at_for_long_goes_through_every_turn(boss):
    """Waived twice for a while, with a gap between: fit, held, fit, held; nobody looks until the end."""
    room, _ceiling, _day = promised_room(boss, make.crew())
    states.refresh_due(now=NOW)
    for hours in (1, 3):
        work.waive_hold(
            make.envelope(boss, ago=-timedelta(0), reason="for now", now=NOW),
            room=room,
            hold="work_by_others",
            until_at=NOW + hours * HOUR,
        )
    states.refresh_due(now=NOW + 10 * HOUR)

    event = FeedEvent.objects.get()
    # Fit from the first waiver's instant, held again when the longer one ended.
    assert (event.sequence, event.revised_at) == (2, NOW + 3 * HOUR)
    assert Message.objects.filter(person=boss).count() == 1
    assert answers.loss_of(state_of(room).answer).at == NOW + 3 * HOUR


def test_a_page_of_a_second_ago_shows_what_was_judged_since(client, boss, monkeypatch):
    room, product = rested_room(boss)
    states.refresh_due(now=NOW + 5 * SECOND)
    client.force_login(boss)
    monkeypatch.setattr(clock, "read", lambda: NOW)

    assert client.get(reverse("scheduling:room", args=[room.pk])).status_code == 200
    assert product.pk


def test_a_state_of_a_clock_that_ran_ahead_is_not_believed(boss):
    room, ceiling, _day = promised_room(boss, make.crew())
    done(boss, ceiling)
    states.refresh_due(now=NOW)
    RoomState.objects.update(computed_at=NOW + timedelta(days=1), is_fit_to_send=False, is_released=False)

    assert states.refresh_due(now=NOW) == 1

    assert state_of(room).is_fit_to_send
    assert state_of(room).computed_at == NOW


# ---- word to the manager


def test_a_day_lost_is_told_once_and_again_only_when_it_is_lost_again(boss):
    room, ceiling, _day = promised_room(boss, make.crew())
    report = done(boss, ceiling)
    states.refresh_due(now=NOW)
    not_done(boss, report, now=NOW + MINUTE)
    states.refresh_due(now=NOW + MINUTE)
    seen.record_wetting(make.envelope(boss, now=NOW + 2 * MINUTE), room=room)
    states.refresh_due(now=NOW + 2 * MINUTE)
    assert Message.objects.count() == 1
    assert answers.loss_of(state_of(room).answer).holds == ("work_by_others", "substrate")

    pass_prep(boss, room, now=NOW + 3 * MINUTE, ago=timedelta(0))
    report = done(boss, ceiling, now=NOW + 3 * MINUTE)
    states.refresh_due(now=NOW + 3 * MINUTE)
    assert answers.loss_of(state_of(room).answer) is None
    not_done(boss, report, now=NOW + 4 * MINUTE)
    states.refresh_due(now=NOW + 4 * MINUTE)

    assert Message.objects.count() == 2


def test_a_room_without_a_day_or_never_fit_is_no_loss(boss):
    room, ceiling = waiting_room(boss)
    report = done(boss, ceiling)
    states.refresh_due(now=NOW)
    not_done(boss, report, now=NOW + MINUTE)
    states.refresh_due(now=NOW + MINUTE)
    give(boss, room, make.crew(), now=NOW + 2 * MINUTE)
    states.refresh_due(now=NOW + 2 * MINUTE)

    assert Message.objects.count() == 0
    assert answers.loss_of(state_of(room).answer) is None


# ---- one bad room


def test_a_crew_that_never_works_leaves_its_room_without_last_moments_and_all_others_with_theirs(boss):
    idle = make.crew()
    room, _ceiling, _day = promised_room(boss, idle)
    type(idle).objects.filter(pk=idle.pk).update(week={})
    other, _other_ceiling, _other_day = promised_room(boss, make.crew())
    seen.record_wetting(make.envelope(boss), room=room)
    seen.record_wetting(make.envelope(boss), room=other)

    states.refresh_due(now=NOW)

    judged = states.judge([room.pk, other.pk], now=NOW)
    assert judged[room.pk].acts == ()
    assert judged[room.pk].no_acts is not None
    assert judged[other.pk].acts
    assert judged[other.pk].no_acts is None
    assert held(room) == held(other) == ["work_by_others", "substrate"]


def test_counts_that_disagree_leave_nothing_standing_and_spoil_no_other_room(client, boss, monkeypatch):
    room, _product = rested_room(boss)
    other, _ceiling, _day = promised_room(boss, make.crew())
    placement = Placement.objects.get(room=room)
    row = SheetsSet(placement=placement, room=room, sheets=placement.sheets + 3)
    envelope = make.envelope(boss)
    row.id = row.origin = envelope.id
    row.happened_at, row.recorded_at, row.recorded_by = NOW, NOW, boss
    row.save(force_insert=True)

    states.refresh_due(now=NOW)

    (rested,) = states.judge([room.pk], now=NOW)[room.pk].gathered.rests
    assert (rested.standing.sheets, rested.standing.missing, rested.standing.good) == (0, 3, 0)
    assert "work_by_others" in held(other)
    client.force_login(boss)
    monkeypatch.setattr(clock, "read", lambda: NOW)
    for path in (
        reverse("scheduling:room", args=[room.pk]),
        reverse("scheduling:stock", args=[room.job_id]),
    ):
        page = client.get(path)
        assert page.status_code == 200
        assert "counts disagree" in page.content.decode().lower()


def test_a_count_below_what_was_set_or_looked_at_is_refused_in_words(boss):
    room, _product = rested_room(boss)
    placement = Placement.objects.get(room=room)

    with pytest.raises(Exception, match="cannot be fewer"):
        handling.recount(
            make.envelope(boss, ago=40 * HOUR, supersedes=placement, reason="miscounted"),
            placement=placement,
            batch=placement.batch,
            count=1,
        )


# ---- properties over real rows


def rested_room(boss):
    """Return a room with ten sheets opened and inspected 40 hours ago, and the product."""
    room = make.room()
    product = make.sheet()
    make.requirement(room, product, 10)
    arrival = deliveries.record_arrival(
        make.envelope(boss, ago=40 * HOUR),
        zone=room.zone,
        lines=[deliveries.PlacedLine(product, "A1", 10, room)],
    )
    placement = Placement.objects.get(arrival=arrival)
    sheets.open_placement(make.envelope(boss, ago=40 * HOUR), placement=placement)
    handling.inspect(
        make.envelope(boss, ago=39 * HOUR),
        placement=placement,
        inspected=10,
        rejects={"chip": 1},
        mark_seen=True,
    )
    return room, product


class Loose:
    """A room with two placements, and facts of it that may come in any order, each under an id of its own."""

    def __init__(self):
        self.boss = make.manager()
        self.room = make.room()
        self.product = make.sheet(is_batch_matched=True)
        make.requirement(self.room, self.product, 9)
        self.glue = make.adhesive()
        make.need(self.room, self.glue, 5)
        self.ceiling = make.milestone(self.room)
        give(self.boss, self.room, make.crew(), now=NOW)
        arrival = deliveries.record_arrival(
            make.envelope(self.boss, ago=40 * HOUR),
            zone=self.room.zone,
            lines=[
                deliveries.PlacedLine(self.product, "A1", 6, self.room),
                deliveries.PlacedLine(self.product, "A2", 4, self.room),
            ],
        )
        self.first, self.second = Placement.objects.filter(arrival=arrival).order_by("batch")
        for placement in (self.first, self.second):
            sheets.open_placement(make.envelope(self.boss, ago=40 * HOUR), placement=placement)
        self.facts = self._facts()

    def _facts(self):
        """Return functions that record: given an envelope and whether counts come in two parts."""
        air = [(39, 21, 45), (30, 22, 50), (21, 20, 40), (13, 9, 45), (12, 21, 45), (2, 21, 60), (0, 21, 45)]
        found = [(ago, self._reading(t_c, rh_pct)) for ago, t_c, rh_pct in air]
        found += [(50, self._expected), (5, self._done), (20, self._wet), (9, self._waived)]
        found += [(10, self._check(check, True)) for check in seen.needed_checks(self.room)]
        found += [(12, self._check(seen.needed_checks(self.room)[0], False))]
        found += [(38, self._looked(self.first, 6, 1)), (37, self._looked(self.second, 4, 0))]
        found += [(36, self._lot(3)), (35, self._lot(2)), (8, self._mix)]
        return found

    def envelope(self, number, ago):
        ident = make.uuid5(make._NAMESPACE, f"loose {number}")
        return Envelope(id=ident, happened_at=NOW - ago * HOUR, by=self.boss, now=NOW, reason="as it was")

    def record(self, number, *, split=False):
        ago, fact = self.facts[number]
        fact(self.envelope(number, ago), split)

    def _reading(self, t_c, rh_pct):
        return lambda envelope, split: seen.record_reading(
            envelope, zone=self.room.zone, temperature=t_c, unit="c", humidity_pct=rh_pct
        )

    def _expected(self, envelope, split):
        seen.report_milestone(envelope, milestone=self.ceiling, is_done=False, expected_at=NOW + 3 * HOUR)

    def _done(self, envelope, split):
        seen.report_milestone(envelope, milestone=self.ceiling, is_done=True)

    def _wet(self, envelope, split):
        seen.record_wetting(envelope, room=self.room)

    def _waived(self, envelope, split):
        until = NOW + 30 * HOUR
        work.waive_hold(envelope, room=self.room, hold="room_conditions", until_at=until)

    def _check(self, check, passed):
        value = None
        if check.limit is not None:
            inside = check.limit.value - (0 if check.limit.bound == "at_least" else 1)
            outside = check.limit.value + (-1 if check.limit.bound == "at_least" else 1)
            value = inside if passed else outside
        return lambda envelope, split: seen.record_checks(
            envelope, rooms=[self.room], check_code=check.code, passed=passed, value=value
        )

    def _looked(self, placement, inspected, rejected):
        def record(envelope, split):
            parts = [(inspected, rejected)] if not split else [(1, 0), (inspected - 1, rejected)]
            for number, (count, bad) in enumerate(parts):
                ident = envelope.part_id(f"part {number}") if split else envelope.id
                handling.inspect(
                    replace(envelope, id=ident),
                    placement=placement,
                    inspected=count,
                    rejects={"chip": bad} if bad else {},
                    mark_seen=True,
                )

        return record

    def _lot(self, quantity):
        def record(envelope, split):
            parts = [Decimal(quantity)] if not split else [Decimal("0.5"), quantity - Decimal("0.5")]
            for number, amount in enumerate(parts):
                ident = envelope.part_id(f"part {number}") if split else envelope.id
                sheets.bring_lot(
                    replace(envelope, id=ident),
                    job=self.room.job,
                    room=self.room,
                    product=self.glue,
                    quantity=amount,
                    good_through=date(2026, 6, 12),
                )

        return record

    def _mix(self, envelope, split):
        sheets.acknowledge_mix(envelope, room=self.room, product=self.product)

    def judged(self, *, now=NOW):
        return states.judge([self.room.pk], now=now)[self.room.pk]


COUNT = 24


def stands(judged, *, with_evidence=True):
    """Return all that `good_until` speaks of: states, words, evidence and fixed instants, nothing that slides."""
    return (
        judged.answer.released,
        judged.answer.fit_to_send,
        fixed(judged.answer.earliest_start),
        [
            (
                *(hold.kind, hold.state, hold.says, fixed(hold.forecast), hold.act, hold.who, hold.counting),
                *((hold.proof, hold.evidence) if with_evidence else ()),
            )
            for hold in judged.answer.holds
        ],
        [(act.act, act.says, act.latest_at) for act in judged.acts],
        [
            (
                *(one.standing.batch, one.standing.sheets, one.standing.inspected, one.standing.rejected),
                *(one.rest.state, one.rest.proven_at, fixed(one.rest.forecast), one.rest.zero_at),
                *(one.rest.last_reading_at, one.rest.read_again_by),
            )
            for one in judged.gathered.rests
        ],
    )


def fixed(forecast):
    return forecast.at if forecast else None


def examples(count):
    return settings(
        max_examples=count, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
    )


def test_facts_in_any_order_repeated_or_split_give_the_same_holds(db):
    loose = Loose()
    assert len(loose.facts) == COUNT
    with transaction.atomic():
        for number in range(COUNT):
            loose.record(number)
        expected = {flag: stands(loose.judged(), with_evidence=flag) for flag in (True, False)}
        transaction.set_rollback(True)

    @examples(6)
    @given(
        order=st.permutations(range(COUNT)),
        twice=st.sets(st.integers(0, COUNT - 1), max_size=6),
        split=st.booleans(),
    )
    def holds_are_the_same(order, twice, split):
        with transaction.atomic():
            for number in [*order, *twice]:
                loose.record(number, split=split)
            found = stands(loose.judged(), with_evidence=not split)
            transaction.set_rollback(True)
        assert found == expected[not split]

    holds_are_the_same()


def test_good_until_never_lies(db):
    loose = Loose()

    @examples(6)
    @given(
        kept=st.sets(st.integers(0, COUNT - 1), min_size=6),
        later=st.integers(0, 30 * 60),
        share=st.floats(0.05, 0.95),
    )
    def what_stands_lasts(kept, later, share):
        with transaction.atomic():
            for number in sorted(kept):
                loose.record(number)
            now = NOW + later * MINUTE
            for _turn in range(3):
                before = loose.judged(now=now)
                until = before.good_until or now + timedelta(days=9)
                between = now + timedelta(seconds=int((until - now).total_seconds() * share))
                for at in {between, until - SECOND}:
                    assert stands(loose.judged(now=at)) == stands(before), (now, at, until)
                now = until
            transaction.set_rollback(True)

    what_stands_lasts()


def test_the_last_moment_of_a_reading_stands_still_while_the_clock_runs(db):
    """The last reading was at NOW; within the longest gap of 18 h another must come, else the clock stands."""
    loose = Loose()
    for number in (5, 6):
        loose.record(number)

    for later in (0, 1, 9):
        acts = {act.hold.value: act.latest_at for act in loose.judged(now=NOW + later * HOUR).acts}
        assert acts["rest"] == NOW + 18 * HOUR


def test_a_state_stored_at_a_turn_is_the_one_judged_a_moment_before_the_next(db):
    """What is stored is what a recomputation just before it runs out would give."""
    loose = Loose()
    for number in range(COUNT):
        loose.record(number)
    now = NOW
    for _turn in range(5):
        states.refresh_due(now=now)
        stored = state_of(loose.room)
        if stored.good_until is None:
            break
        judged = loose.judged(now=stored.good_until - SECOND)
        assert answers.holds_of(stored.answer) == judged.answer.holds
        assert stored.is_fit_to_send == judged.answer.fit_to_send
        now = stored.good_until
    assert now > NOW
