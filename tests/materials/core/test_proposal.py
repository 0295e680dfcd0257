"""What to order: worked by hand, and the sheets conserved whatever is asked for and whatever stands."""

from __future__ import annotations

import random
from datetime import timedelta
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from materials.core.proposal import Cover, Line, Need, Order, Product, Source, Surplus, propose
from tests.conftest import NOW

DAY = timedelta(days=1)
PLAIN, MATCHED = 1, 2
ACME, BAYNE = 7, 8


def day(n):
    return NOW + n * DAY


def need(room, sheets, product=PLAIN, by=5, group=None):
    needed_by = None if by is None else day(by)
    return Need(room, product, sheets, needed_by, one_batch=product == MATCHED, group=group)


def stands(id, sheets, room=None, product=PLAIN, batch="B1"):
    return Source(id, product, batch, room, sheets)


def coming(id, sheets, room=None, product=PLAIN, batch=None):
    return Source(id, product, batch, room, sheets, is_coming=True)


def products(pct=0, lead=None):
    return [Product(PLAIN, ACME, Fraction(pct), lead), Product(MATCHED, ACME, Fraction(pct), lead)]


def proposed(needs, sources=(), pct=0, lead=None):
    return propose(needs, sources, products(pct, lead))


def asked(proposal):
    """Return the lines as (room, sheets), of all orders."""
    return [(line.room, line.sheets) for order in proposal.orders for line in order.lines]


@pytest.mark.parametrize(
    ("sources", "lines"),
    [
        pytest.param([], [(1, 20)], id="nothing-stands"),
        pytest.param([stands("a", 12, room=1)], [(1, 8)], id="less-what-stands-for-the-room"),
        pytest.param([stands("a", 12, room=1), coming("b", 5, room=1)], [(1, 3)], id="less-what-is-coming"),
        pytest.param([stands("a", 20, room=1)], [], id="enough"),
        pytest.param([stands("a", 25, room=1)], [], id="more-than-enough"),
        pytest.param([stands("a", 6)], [(1, 14)], id="less-what-stands-for-nobody"),
        pytest.param([stands("a", 30, room=2)], [(1, 20)], id="another-rooms-sheets-count-for-it-alone"),
        pytest.param([stands("a", 30, product=9)], [(1, 20)], id="another-product-counts-for-nothing"),
    ],
)
def test_a_room_is_proposed_what_it_lacks(sources, lines):
    assert asked(proposed([need(1, 20)], sources)) == lines


def test_what_is_for_nobody_goes_to_the_room_that_needs_it_first():
    needs = [need(1, 10, by=None), need(2, 10, by=3), need(3, 10, by=2)]

    one = proposed(needs, [stands("a", 15)])

    assert one.covers == (Cover("a", PLAIN, 3, 10, to_reserve=True), Cover("a", PLAIN, 2, 5, to_reserve=True))
    assert asked(one) == [(2, 5), (1, 10)]


def test_what_stands_is_used_before_what_is_coming():
    one = proposed([need(1, 10)], [coming("a", 10), stands("b", 10)])

    assert one.covers == (Cover("b", PLAIN, 1, 10, to_reserve=True),)
    assert one.surplus == (Surplus("a", PLAIN, None, 10),)


def test_surplus_says_where_it_is():
    sources = [stands("a", 25, room=1), stands("b", 4, room=6), stands("c", 3)]

    one = proposed([need(1, 20)], sources)

    assert one.surplus == (
        Surplus("a", PLAIN, 1, 5),
        Surplus("b", PLAIN, 6, 4),
        Surplus("c", PLAIN, None, 3),
    )


# ---- spares


# 5 % of 20 and of 21 sheets are 1 and 1.05, rounded up to 1 and 2.
@pytest.mark.parametrize(
    ("sheets", "pct", "spares"), [(20, 5, 1), (21, 5, 2), (20, 0, None), (1, 100, 1), (10_000, 5, 500)]
)
def test_spares_are_rounded_up_once(sheets, pct, spares):
    lines = asked(proposed([need(1, sheets)], pct=pct))

    assert lines == [(1, sheets)] + ([(None, spares)] if spares else [])


def test_spares_are_of_all_rooms_together_and_come_with_the_first():
    # 10 % of 5 + 5 + 5 is 1.5: two spares, not three.
    one = proposed([need(1, 5, by=4), need(2, 5, by=3), need(3, 5, by=9)], pct=10)

    (order,) = one.orders
    assert order.lines[1] == Line(PLAIN, None, 2, day(3))
    assert len(order.lines) == 4


def test_what_a_room_has_too_much_and_what_is_for_nobody_are_its_spares():
    one = proposed([need(1, 20)], [stands("a", 21, room=1), stands("b", 5)], pct=10)

    assert asked(one) == []
    assert one.covers[1:] == (
        Cover("a", PLAIN, None, 1, to_reserve=False),
        Cover("b", PLAIN, None, 1, to_reserve=False),
    )
    assert one.surplus == (Surplus("b", PLAIN, None, 4),)


# ---- batches that must match


def test_a_matched_room_is_filled_up_from_the_batch_that_most_of_it_is_of():
    sources = [stands("a", 12, room=1, product=MATCHED), stands("b", 5, room=1, product=MATCHED, batch="B2")]

    one = proposed([need(1, 20, product=MATCHED)], sources)

    (order,) = one.orders
    assert order.lines == (Line(MATCHED, 1, 8, day(5), group="2/1", of_batch="B1"),)
    assert one.surplus == (Surplus("b", MATCHED, 1, 5),)
    # And if that batch is gone, the whole room in another.
    (whole,) = one.wholes
    assert (whole.group, whole.of_batch) == ("2/1", "B1")
    assert whole.lines == (Line(MATCHED, 1, 20, day(5), group="2/1"),)


def test_a_matched_room_without_sheets_asks_for_any_one_batch():
    one = proposed([need(1, 20, product=MATCHED)])

    assert one.orders[0].lines == (Line(MATCHED, 1, 20, day(5), group="2/1"),)
    assert one.wholes == ()


def test_more_for_an_order_that_was_not_sent_off_must_be_sent_from_the_same_batch():
    one = proposed([need(1, 20, product=MATCHED)], [coming("order/3", 12, room=1, product=MATCHED)])

    assert one.orders[0].lines == (Line(MATCHED, 1, 8, day(5), group="2/1", joins=("order/3",)),)
    assert one.wholes == ()


def test_rooms_of_one_group_are_of_one_batch_together():
    needs = [need(room, 10, product=MATCHED, group="corridor") for room in (1, 2)]
    sources = [
        stands("a", 10, room=1, product=MATCHED, batch="B1"),
        stands("b", 6, room=2, product=MATCHED, batch="B2"),
        stands("c", 3, product=MATCHED, batch="B1"),
    ]

    one = proposed(needs, sources)

    # B1 covers 10 + 3 of the 20, B2 only 6: room 2 is to be of B1 as well.
    assert one.orders[0].lines == (Line(MATCHED, 2, 7, day(5), group="2:corridor", of_batch="B1"),)
    assert one.surplus == (Surplus("b", MATCHED, 2, 6),)


def test_of_two_batches_that_cover_as_much_the_one_that_is_reserved_serves():
    sources = [
        stands("a", 10, product=MATCHED, batch="A"),
        stands("z", 10, room=1, product=MATCHED, batch="Z"),
    ]

    one = proposed([need(1, 10, product=MATCHED)], sources)

    assert one.covers == (Cover("z", MATCHED, 1, 10, to_reserve=False),)


def test_spares_of_a_matched_group_are_of_its_batch():
    sources = [
        stands("a", 20, room=1, product=MATCHED, batch="B1"),
        stands("b", 9, product=MATCHED, batch="B2"),
    ]

    one = proposed([need(1, 20, product=MATCHED)], sources, pct=5)

    assert one.orders[0].lines == (Line(MATCHED, None, 1, day(5), group="2/1", of_batch="B1"),)
    # A spare that cannot be had is no reason to order the room anew.
    assert one.wholes == ()


def test_the_whole_of_a_group_has_its_spares():
    one = proposed([need(1, 20, product=MATCHED)], [stands("a", 2, room=1, product=MATCHED)], pct=5)

    assert [(line.room, line.sheets) for line in one.wholes[0].lines] == [(1, 20), (None, 1)]


def test_with_the_mix_acknowledged_any_batch_counts():
    mixed = Need(1, MATCHED, 20, day(5), one_batch=False)
    sources = [
        stands("a", 12, room=1, product=MATCHED, batch="B1"),
        stands("b", 5, room=1, product=MATCHED, batch="B2"),
    ]

    assert asked(proposed([mixed], sources)) == [(1, 3)]


# ---- orders


def test_each_supplier_has_its_order_and_what_nobody_supplies_comes_last():
    listed = [Product(1, BAYNE, lead=3 * DAY), Product(2, ACME, lead=2 * DAY), Product(3, None)]
    needs = [
        need(1, 4, product=3),
        need(1, 4, product=1, by=9),
        need(2, 4, product=1, by=8),
        need(1, 4, product=2),
    ]

    orders = propose(needs, [], listed).orders

    assert [(order.supplier, order.order_by) for order in orders] == [
        (ACME, day(5 - 2)),
        (BAYNE, day(8 - 3)),
        (None, None),
    ]
    assert [line.room for line in orders[1].lines] == [2, 1]


@pytest.mark.parametrize(
    ("by", "lead", "order_by"), [(5, 2 * DAY, day(3)), (None, 2 * DAY, None), (5, None, None)]
)
def test_an_order_has_a_last_moment_where_need_and_lead_time_are_known(by, lead, order_by):
    (order,) = proposed([need(1, 4, by=by)], lead=lead).orders

    assert order == Order(ACME, (Line(PLAIN, 1, 4, None if by is None else day(by)),), order_by)


# ---- what is refused


def test_what_cannot_be_is_refused():
    with pytest.raises(ValueError, match="at least one sheet"):
        need(1, 0)
    with pytest.raises(ValueError, match="no fewer than no sheets"):
        stands("a", -1)
    with pytest.raises(ValueError, match="0 to 100 %"):
        Product(1, ACME, Fraction(101))
    with pytest.raises(ValueError, match="room 1 needs product 1 twice"):
        proposed([need(1, 4), need(1, 5)])
    with pytest.raises(ValueError, match="given twice"):
        proposed([need(1, 4)], [stands("a", 1), stands("a", 1)])
    with pytest.raises(KeyError):
        proposed([need(1, 4, product=3)])


# ---- what holds for every job


@st.composite
def jobs(draw):
    """Return the needs, sources and products of a small job."""
    rooms = draw(st.lists(st.integers(1, 5), unique=True, max_size=5))
    needs = [
        Need(
            room,
            product,
            draw(st.integers(1, 12)),
            draw(st.one_of(st.none(), st.integers(0, 6).map(day))),
            one_batch=product == MATCHED and draw(st.booleans()),
            group=draw(st.sampled_from([None, "g"])),
        )
        for room in rooms
        for product in (PLAIN, MATCHED)
        if draw(st.booleans())
    ]
    sources = [
        Source(
            f"s{i}",
            draw(st.sampled_from([PLAIN, MATCHED])),
            draw(st.sampled_from(["A", "B", None])),
            draw(st.one_of(st.none(), st.integers(1, 6))),
            draw(st.integers(0, 12)),
            is_coming=draw(st.booleans()),
        )
        for i in range(draw(st.integers(0, 8)))
    ]
    return needs, sources, products(draw(st.sampled_from([0, 5, 50])))


def lines_of(proposal):
    return [line for order in proposal.orders for line in order.lines]


@given(jobs())
def test_every_sheet_and_every_need_is_counted_once(job):
    needs, sources, listed = job

    one = propose(needs, sources, listed)

    for source in sources:
        covered = sum(cover.sheets for cover in one.covers if cover.source == source.id)
        left = sum(surplus.sheets for surplus in one.surplus if surplus.source == source.id)
        assert covered + left == source.sheets
    for asked_for in needs:
        mine = (asked_for.room, asked_for.product)
        covered = sum(cover.sheets for cover in one.covers if (cover.room, cover.product) == mine)
        ordered = sum(line.sheets for line in lines_of(one) if (line.room, line.product) == mine)
        assert covered + ordered == asked_for.sheets
    assert all(line.sheets > 0 for line in lines_of(one))


@given(jobs())
def test_no_room_counts_on_what_is_reserved_for_another(job):
    needs, sources, listed = job
    by_id = {source.id: source for source in sources}

    for cover in propose(needs, sources, listed).covers:
        room = by_id[cover.source].room
        assert cover.room is None or room in (None, cover.room)
        assert cover.to_reserve == (cover.room is not None and room is None)


@given(jobs())
def test_a_group_is_of_one_batch_its_spares_included(job):
    needs, sources, listed = job
    batch_of = {source.id: source.batch for source in sources}

    one = propose(needs, sources, listed)

    groups = {}
    for asked_for in needs:
        if asked_for.one_batch:
            groups.setdefault((asked_for.product, asked_for.group or asked_for.room), set()).add(
                asked_for.room
            )
    for (product, _key), rooms in groups.items():
        used = {
            batch_of[cover.source] for cover in one.covers if cover.product == product and cover.room in rooms
        }
        asked_of = {line.of_batch for line in lines_of(one) if line.product == product and line.room in rooms}
        assert len(used) <= 1
        assert not used or asked_of <= used


@given(jobs())
def test_no_more_is_ordered_than_is_lacking(job):
    needs, sources, _listed = job
    free = [one for one in needs if one.product == PLAIN]

    ordered = sum(
        line.sheets
        for line in lines_of(propose(needs, sources, [Product(PLAIN, ACME), Product(MATCHED, ACME)]))
        if line.product == PLAIN
    )

    plain = [source for source in sources if source.product == PLAIN]
    own = {room: sum(s.sheets for s in plain if s.room == room) for room in (None, *range(1, 7))}
    lack = sum(max(0, one.sheets - own[one.room]) for one in free)
    assert ordered == max(0, lack - own[None])


@given(jobs(), st.randoms(use_true_random=False))
def test_the_order_in_which_things_are_given_changes_nothing(job, chance: random.Random):
    needs, sources, listed = job
    shuffled = [chance.sample(things, len(things)) for things in job]

    assert propose(*shuffled) == propose(needs, sources, listed)


@given(jobs())
def test_once_it_is_ordered_and_reserved_nothing_is_proposed(job):
    needs, sources, listed = job
    first = propose(needs, sources, listed)
    by_id = {source.id: source for source in sources}

    ordered = [
        Source(f"new{i}", line.product, line.of_batch, line.room, line.sheets, is_coming=True)
        for i, line in enumerate(lines_of(first))
    ]
    reserved = [
        Source(
            f"{cover.source}/{i}",
            cover.product,
            by_id[cover.source].batch,
            cover.room,
            cover.sheets,
            by_id[cover.source].is_coming,
        )
        for i, cover in enumerate(first.covers)
        if cover.to_reserve
    ]
    left = []
    for source in sources:
        gone = sum(cover.sheets for cover in first.covers if cover.source == source.id and cover.to_reserve)
        left.append(
            Source(
                source.id, source.product, source.batch, source.room, source.sheets - gone, source.is_coming
            )
        )

    assert propose(needs, [*left, *reserved, *ordered], listed).orders == ()
