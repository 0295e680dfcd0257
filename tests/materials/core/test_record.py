"""A supplier's figures, worked by hand; quartiles against a published example and the standard library's own."""

from __future__ import annotations

import statistics
from datetime import timedelta
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from materials.core.record import (
    FEW,
    NOT_KNOWN,
    Asked,
    Claimed,
    Delivered,
    Inspected,
    Ordered,
    Promise,
    Record,
    Share,
    Times,
    due_at,
    is_complete,
    is_on_time,
    offered_lead,
    record_of,
    share_words,
    times,
    times_words,
)
from tests.conftest import NOW

HOUR, DAY, SECOND = timedelta(hours=1), timedelta(days=1), timedelta(seconds=1)


def at(days):
    return NOW + days * DAY


def ordered(days, sent=-100):
    return Ordered(at(sent), None if days is None else at(sent) + days * DAY)


def delivered(arrived, *promises, asked=(), announced=(), counted=()):
    """Return a delivery with (said, expected) promises and (said, wanted) asks, all in days from now."""
    return Delivered(
        tuple(Asked(at(said), at(wanted)) for said, wanted in asked),
        tuple(Promise(at(said), None if day is None else at(day)) for said, day in promises),
        None if arrived is None else at(arrived),
        announced,
        counted,
    )


# ---- medians and quartiles


def test_quartiles_are_those_of_a_published_example():
    # The example of many a textbook's page on quartiles: 25.5, 40 and 42.5 with the median in both halves, which
    # is what definition 7 gives for eleven values; from memory.
    values = [6, 7, 15, 36, 39, 40, 41, 42, 43, 47, 49]

    one = times([value * DAY for value in reversed(values)])

    assert one == Times(11, 40 * DAY, 25.5 * DAY, 42.5 * DAY)


@given(st.lists(st.integers(0, 10**7), min_size=FEW, max_size=40))
def test_quartiles_agree_with_the_standard_librarys(seconds):
    one = times([value * SECOND for value in seconds])

    low, median, high = statistics.quantiles([Fraction(value) for value in seconds], n=4, method="inclusive")
    assert (one.low, one.median, one.high) == (int(low) * SECOND, int(median) * SECOND, int(high) * SECOND)


@pytest.mark.parametrize(
    ("days", "expected"),
    [
        pytest.param([], None, id="nothing"),
        pytest.param([9], Times(1, 9 * DAY, None, None), id="one"),
        pytest.param([9, 7], Times(2, 8 * DAY, None, None), id="two"),
        pytest.param([1, 2, 3, 4], Times(4, 2.5 * DAY, None, None), id="one-too-few-for-a-spread"),
        pytest.param([1, 2, 3, 4, 5], Times(5, 3 * DAY, 2 * DAY, 4 * DAY), id="enough-for-a-spread"),
        pytest.param([-1], Times(1, 0 * DAY, None, None), id="an-end-before-its-beginning"),
    ],
)
def test_few_durations_give_a_median_and_no_spread(days, expected):
    one = times([day * DAY for day in days])

    assert one == expected
    assert one is None or one.is_few == (len(days) < 5)


def test_the_lead_time_is_that_of_complete_orders():
    one = record_of(orders=[ordered(9), ordered(None), ordered(11)], now=NOW)

    assert one.lead == Times(2, 10 * DAY, None, None)
    assert one.orders_open == 1


@pytest.mark.parametrize(
    ("days", "lead"),
    [
        pytest.param([], None, id="not-known"),
        pytest.param([8.25], 9 * DAY, id="few-the-median-in-whole-days-up"),
        pytest.param([1, 2, 3, 4, 5], 4 * DAY, id="the-upper-quartile"),
        pytest.param([7], 7 * DAY, id="whole-days-stay"),
    ],
)
def test_the_lead_time_offered_is_on_the_safe_side(days, lead):
    assert offered_lead(record_of(orders=[ordered(day) for day in days], now=NOW)) == lead


# ---- on time


@pytest.mark.parametrize(
    ("one", "due"),
    [
        pytest.param(delivered(None), None, id="nobody-said"),
        pytest.param(delivered(None, asked=[(-9, 1)]), 1, id="what-we-ask"),
        pytest.param(delivered(None, (-8, 2), asked=[(-9, 1)]), 2, id="what-was-promised-for-it"),
        pytest.param(delivered(None, (-8, 2), (-3, 6), asked=[(-9, 1)]), 2, id="a-slip-changes-nothing"),
        pytest.param(delivered(None, (-3, 6), (-8, 2)), 2, id="in-whatever-order"),
        pytest.param(delivered(None, (-8, 2), (-3, None)), 2, id="not-known-any-more"),
        pytest.param(delivered(None, (-8, None), asked=[(-9, 1)]), 1, id="never-a-date"),
        pytest.param(
            delivered(None, (-8, 2), (-4, 5), asked=[(-9, 1), (-5, 4)]),
            5,
            id="promised-anew-after-we-changed",
        ),
        pytest.param(
            delivered(None, (-8, 2), asked=[(-9, 1), (-5, 4)]), 4, id="we-ask-later-and-it-says-nothing"
        ),
        pytest.param(
            delivered(None, (-8, 2), asked=[(-9, 3), (-5, 0)]), 2, id="we-ask-earlier-and-it-says-nothing"
        ),
        pytest.param(delivered(None, (-9, 0), asked=[(-9, 1)]), 0, id="at-the-same-instant"),
    ],
)
def test_a_delivery_is_due_as_first_promised_for_what_we_ask(one, due):
    assert due_at(one) == (None if due is None else at(due))


@pytest.mark.parametrize(
    ("late", "on_time"),
    [(-2 * DAY, True), (0 * DAY, True), (2 * HOUR, True), (2 * HOUR + SECOND, False)],
)
def test_a_delivery_is_on_time_up_to_the_tolerance_and_early_is_not_late(late, on_time):
    one = Delivered((), (Promise(at(-9), at(-3)),), at(-3) + late)

    assert is_on_time(one, 2 * HOUR, now=NOW) is on_time


def test_what_has_not_come_is_late_once_its_tolerance_is_over():
    waiting = Delivered((), (Promise(at(-9), NOW - 2 * HOUR),), None)

    before = record_of(deliveries=[waiting], tolerance=2 * HOUR, now=NOW)
    after = record_of(deliveries=[waiting], tolerance=2 * HOUR, now=NOW + SECOND)

    assert (before.on_time, before.good_until) == (None, NOW + SECOND)
    assert (after.on_time, after.good_until) == (Share(0, 1), None)


def test_a_delivery_without_any_date_is_not_measured():
    assert record_of(deliveries=[delivered(-3)], now=NOW).on_time is None


# ---- complete


@pytest.mark.parametrize(
    ("announced", "counted", "complete"),
    [
        pytest.param([(1, 40)], [(1, 40)], True, id="as-announced"),
        pytest.param([(1, 40)], [(1, 39)], False, id="one-short"),
        pytest.param([(1, 40)], [(1, 41)], True, id="one-over"),
        pytest.param([(1, 20), (1, 20)], [(1, 40)], True, id="two-batches-of-one-product"),
        pytest.param([(1, 20), (2, 5)], [(1, 25)], False, id="another-product-is-no-substitute"),
        pytest.param([(1, 20)], [], False, id="nothing-counted"),
    ],
)
def test_a_delivery_is_complete_if_no_product_is_short(announced, counted, complete):
    one = delivered(-1, announced=tuple(announced), counted=tuple(counted))

    assert is_complete(one) is complete
    assert record_of(deliveries=[one], now=NOW).complete == Share(int(complete), 1)


def test_what_has_not_come_or_was_not_announced_is_no_matter_of_completeness():
    waiting = delivered(None, announced=((1, 40),))
    unannounced = delivered(-1, counted=((1, 40),))

    assert record_of(deliveries=[waiting, unannounced], now=NOW).complete is None


# ---- defects


def test_the_defect_share_is_of_what_was_looked_at_by_product_and_by_batch():
    looked = [
        Inspected(1, "A", 40, 2),
        Inspected(1, "B", 10, 3),
        Inspected(1, "A", 10, 0),
        Inspected(2, "A", 40, 0),
        Inspected(3, "A", 0, 0),
    ]

    one = record_of(inspected=looked, now=NOW)

    assert one.defects == Share(5, 100)
    assert one.by_product == ((1, Share(5, 60)), (2, Share(0, 40)))
    assert one.by_batch == (((1, "B"), Share(3, 10)), ((1, "A"), Share(2, 50)), ((2, "A"), Share(0, 40)))


def test_more_rejected_than_looked_at_is_refused():
    with pytest.raises(ValueError, match="3 of 2 sheets"):
        Inspected(1, "A", 2, 3)


# Half up by common rule; and 199 of 200 is not all of them, 1 of 300 not none.
@pytest.mark.parametrize(
    ("part", "of", "percent"), [(1, 8, 13), (1, 3, 33), (199, 200, 99), (1, 300, 1), (0, 9, 0), (9, 9, 100)]
)
def test_a_share_in_percent_never_hides_that_some_are_missing(part, of, percent):
    assert Share(part, of).percent == percent


# ---- claims


def test_the_answer_time_is_of_answered_claims_and_the_others_are_counted():
    claims = [Claimed(at(-9), at(-7)), Claimed(at(-9), at(-5)), Claimed(at(-9), None)]

    one = record_of(claims=claims, now=NOW)

    assert (one.answer, one.claims_open) == (Times(2, 3 * DAY, None, None), 1)


# ---- nothing known, and words


def test_without_facts_nothing_is_known():
    assert record_of(now=NOW) == Record(None, 0, None, None, None, (), (), None, 0, None)


@pytest.mark.parametrize(
    ("said", "text", "values"),
    [
        (times_words(None), NOT_KNOWN.text, {}),
        (share_words(None), NOT_KNOWN.text, {}),
        (times_words(times([9 * DAY])), "{median}, of only {of}", {"median": 9 * DAY, "of": 1}),
        (
            times_words(times([day * DAY for day in (1, 2, 3, 4, 5)])),
            "{median}, half of them {low} to {high} (of {of})",
            {"median": 3 * DAY, "low": 2 * DAY, "high": 4 * DAY, "of": 5},
        ),
        (share_words(Share(3, 4)), "{part} of only {of}", {"part": 3, "of": 4}),
        (
            share_words(Share(13, 14)),
            "{percent}\N{NO-BREAK SPACE}% ({part} of {of})",
            {"percent": 93, "part": 13, "of": 14},
        ),
    ],
)
def test_a_figure_says_on_how_many_it_rests(said, text, values):
    assert (said.text, dict(said.values)) == (text, values)


# ---- what holds for every record


DAYS = st.integers(-30, 30)
DELIVERIES = st.builds(
    delivered,
    st.one_of(st.none(), st.integers(-30, 0)),
    st.tuples(DAYS, st.one_of(st.none(), DAYS)),
    asked=st.lists(st.tuples(DAYS, DAYS), max_size=2),
    announced=st.lists(st.tuples(st.integers(1, 2), st.integers(1, 9)), max_size=2).map(tuple),
    counted=st.lists(st.tuples(st.integers(1, 2), st.integers(1, 9)), max_size=2).map(tuple),
)


@given(st.lists(DELIVERIES, max_size=6), st.integers(0, 40 * 86_400))
def test_a_record_stays_as_it_is_until_good_until_and_changes_there(deliveries, later):
    one = record_of(deliveries=deliveries, now=NOW)

    then = NOW + later * SECOND
    if one.good_until is None or then < one.good_until:
        assert record_of(deliveries=deliveries, now=then) == one
    if one.good_until is not None:
        assert record_of(deliveries=deliveries, now=one.good_until).on_time != one.on_time


@given(
    st.lists(DELIVERIES, max_size=6),
    st.lists(
        st.builds(Inspected, st.integers(1, 2), st.sampled_from("AB"), st.integers(5, 9), st.integers(0, 5)),
        max_size=5,
    ),
)
def test_the_order_of_the_facts_changes_nothing(deliveries, looked):
    one = record_of(deliveries=deliveries, inspected=looked, now=NOW)

    assert record_of(deliveries=deliveries[::-1], inspected=looked[::-1], now=NOW) == one
