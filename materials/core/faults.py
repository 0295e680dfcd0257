"""What there is to claim of a delivery: what was short, what was wrong, and what was rejected."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Container, Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum


class Fault(StrEnum):
    """What is claimed."""

    DEFECT = "defect"
    SHORT = "short"
    WRONG_BATCH = "wrong_batch"
    WRONG_PRODUCT = "wrong_product"


@dataclass(frozen=True, slots=True)
class Item:
    """Sheets claimed for one fault; `kind` is the kind of a defect, `batch` None where there is none to name.

    Raises:
        ValueError: no sheets.
    """

    id: str
    fault: Fault
    product: int
    batch: str | None
    sheets: int
    kind: str = ""

    def __post_init__(self) -> None:
        if self.sheets < 1:
            raise ValueError("a claim's item is of at least one sheet")


@dataclass(frozen=True, slots=True)
class Batch:
    """So many sheets of a batch of a product, as announced or as counted."""

    product: int
    batch: str
    sheets: int


@dataclass(frozen=True, slots=True)
class Rejected:
    """So many sheets of a batch set apart for one kind of defect."""

    product: int
    batch: str
    kind: str
    sheets: int


def items_of(
    announced: Iterable[Batch],
    counted: Iterable[Batch],
    rejected: Iterable[Rejected] = (),
    *,
    matched: Container[int] = (),
) -> tuple[Item, ...]:
    """Return what there is to claim of a delivery: shortages, wrong products and batches, then rejects by kind.

    No sheet is claimed for two faults: one of a wrong product or batch goes back whatever else is wrong with it.
    What is over is no claim.

    Args:
        matched: products that are set from one batch, of which another batch than was announced is a fault.
    """
    said, here = _by_batch(announced), _by_batch(counted)
    wrong = _wrong_items(said, here, matched)
    taken_back = {(item.product, item.batch) for item in wrong}
    defects: dict[tuple[int, str, str], int] = defaultdict(int)
    for one in rejected:
        if (one.product, one.batch) not in taken_back:
            defects[one.product, one.batch, one.kind] += one.sheets
    return (
        *_short_items(said, here),
        *wrong,
        *(
            Item(f"defect/{product}/{batch}/{kind}", Fault.DEFECT, product, batch, sheets, kind)
            for (product, batch, kind), sheets in sorted(defects.items())
        ),
    )


def _short_items(said: Mapping[tuple[int, str], int], here: Mapping[tuple[int, str], int]) -> list[Item]:
    """Return a shortage for each product, with its batch where only one is short."""
    items = []
    for product in sorted({product for product, _batch in said}):
        short = _of_product(said, product) - _of_product(here, product)
        batches = [key[1] for key in said if key[0] == product and here.get(key, 0) < said[key]]
        if short > 0:
            batch = batches[0] if len(batches) == 1 else None
            items.append(Item(f"short/{product}", Fault.SHORT, product, batch, short))
    return items


def _wrong_items(
    said: Mapping[tuple[int, str], int], here: Mapping[tuple[int, str], int], matched: Container[int]
) -> list[Item]:
    """Return the products that were not announced, and the batches that were not where they must match."""
    announced = {product for product, _batch in said}
    items = []
    for (product, batch), sheets in sorted(here.items()):
        if product not in announced:
            fault = Fault.WRONG_PRODUCT
        elif product in matched and (product, batch) not in said:
            fault = Fault.WRONG_BATCH
        else:
            continue
        items.append(Item(f"{fault.value}/{product}/{batch}", fault, product, batch, sheets))
    return items


def _by_batch(lines: Iterable[Batch]) -> dict[tuple[int, str], int]:
    totals: dict[tuple[int, str], int] = defaultdict(int)
    for line in lines:
        totals[line.product, line.batch] += line.sheets
    return {key: sheets for key, sheets in totals.items() if sheets}


def _of_product(totals: Mapping[tuple[int, str], int], product: int) -> int:
    return sum(sheets for (one, _batch), sheets in totals.items() if one == product)
