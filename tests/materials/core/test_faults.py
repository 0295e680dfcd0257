"""What there is to claim of a delivery: worked by hand from what was announced, counted and rejected."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from materials.core.faults import Batch, Fault, Item, Rejected, items_of


def batches(*rows):
    return [Batch(*row) for row in rows]


def claimed(announced, counted, rejected=(), matched=()):
    """Return the items as (fault, product, batch, sheets)."""
    found = items_of(batches(*announced), batches(*counted), rejected, matched=matched)
    return [(item.fault, item.product, item.batch, item.sheets) for item in found]


@pytest.mark.parametrize(
    ("announced", "counted", "items"),
    [
        pytest.param([(1, "A", 40)], [(1, "A", 40)], [], id="as-announced"),
        pytest.param([(1, "A", 40)], [(1, "A", 38)], [(Fault.SHORT, 1, "A", 2)], id="two-short"),
        pytest.param([(1, "A", 40)], [], [(Fault.SHORT, 1, "A", 40)], id="none-came"),
        pytest.param([(1, "A", 40)], [(1, "A", 43)], [], id="over-is-no-claim"),
        pytest.param(
            [(1, "A", 20), (1, "B", 20)],
            [(1, "A", 15), (1, "B", 18)],
            [(Fault.SHORT, 1, None, 7)],
            id="short-in-two-batches-names-neither",
        ),
        pytest.param([(1, "A", 20), (1, "B", 20)], [(1, "A", 25), (1, "B", 15)], [], id="as-many-in-all"),
        pytest.param(
            [(1, "A", 40)],
            [(2, "X", 40)],
            [(Fault.SHORT, 1, "A", 40), (Fault.WRONG_PRODUCT, 2, "X", 40)],
            id="another-product",
        ),
        pytest.param([], [(1, "A", 4)], [(Fault.WRONG_PRODUCT, 1, "A", 4)], id="nobody-announced-it"),
        pytest.param(
            [(1, "A", 20), (2, "X", 9)],
            [(1, "A", 18), (2, "X", 5)],
            [(Fault.SHORT, 1, "A", 2), (Fault.SHORT, 2, "X", 4)],
            id="two-products-short-each-in-its-batch",
        ),
        pytest.param(
            [(1, "A", 10), (1, "A", 10)], [(1, "A", 19)], [(Fault.SHORT, 1, "A", 1)], id="lines-add-up"
        ),
    ],
)
def test_shortages_and_wrong_products_are_claimed(announced, counted, items):
    assert claimed(announced, counted) == items


@pytest.mark.parametrize(
    ("matched", "items"),
    [
        pytest.param((1,), [(Fault.WRONG_BATCH, 1, "B", 20)], id="where-batches-must-match"),
        pytest.param((), [], id="where-they-need-not"),
    ],
)
def test_another_batch_is_a_fault_only_where_batches_must_match(matched, items):
    assert claimed([(1, "A", 20)], [(1, "B", 20)], matched=matched) == items


def test_rejects_are_claimed_by_kind_and_batch():
    rejected = [
        Rejected(1, "A", "chip", 2),
        Rejected(1, "A", "stain", 1),
        Rejected(1, "B", "chip", 3),
        Rejected(1, "A", "chip", 1),
    ]

    found = items_of(batches((1, "A", 40), (1, "B", 40)), batches((1, "A", 40), (1, "B", 40)), rejected)

    assert found == (
        Item("defect/1/A/chip", Fault.DEFECT, 1, "A", 3, "chip"),
        Item("defect/1/A/stain", Fault.DEFECT, 1, "A", 1, "stain"),
        Item("defect/1/B/chip", Fault.DEFECT, 1, "B", 3, "chip"),
    )


def test_a_sheet_that_goes_back_for_its_batch_is_not_claimed_for_a_chip_too():
    rejected = [Rejected(1, "B", "chip", 3)]

    items = claimed([(1, "A", 20)], [(1, "B", 20)], rejected, matched=(1,))

    assert items == [(Fault.WRONG_BATCH, 1, "B", 20)]


def test_a_batch_is_kept_exactly_as_printed():
    # trade-facts section 8: case, spaces and leading zeros are part of it.
    assert claimed([(1, "007 a", 5)], [(1, "007 a", 4)]) == [(Fault.SHORT, 1, "007 a", 1)]


def test_an_item_of_no_sheet_is_refused():
    with pytest.raises(ValueError, match="at least one sheet"):
        Item("i", Fault.SHORT, 1, None, 0)


LINES = st.lists(
    st.builds(Batch, st.integers(1, 2), st.sampled_from(["A", "B", "C"]), st.integers(0, 9)), max_size=5
)


@given(LINES, LINES, st.sets(st.integers(1, 2)), st.data())
def test_no_sheet_is_claimed_twice(announced, counted, matched, data):
    here = {}
    for line in counted:
        here[line.product, line.batch] = here.get((line.product, line.batch), 0) + line.sheets
    rejected = [
        Rejected(product, batch, "chip", data.draw(st.integers(1, sheets)))
        for (product, batch), sheets in here.items()
        if sheets
    ]

    items = items_of(announced, counted, rejected, matched=matched)

    assert len({item.id for item in items}) == len(items)
    for key, sheets in here.items():
        of_these = [
            item for item in items if (item.product, item.batch) == key and item.fault is not Fault.SHORT
        ]
        assert sum(item.sheets for item in of_these) <= sheets


@given(LINES, LINES)
def test_what_is_claimed_as_short_and_what_came_is_what_was_announced(announced, counted):
    items = items_of(announced, counted)

    for product in (1, 2):
        said = sum(line.sheets for line in announced if line.product == product)
        came = sum(line.sheets for line in counted if line.product == product)
        short = sum(item.sheets for item in items if item.product == product and item.fault is Fault.SHORT)
        assert short == max(0, said - came)
