"""What is asked of panels on a job: the product's own rule, as the overrides of the job change it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any

from jobs.models import Job, Zone
from jobs.prepared import Prepared
from materials.core.air import RestartOn
from materials.models import Product, RestOverride

#: Columns that an override may fill in, each named alike in the product and in `RestOverride`.
OVERRIDABLE = (
    "rest_required_s",
    "rest_max_gap_s",
    "rest_fine_gap_s",
    "rest_restart_after_s",
    "rest_restart_on",
    "rest_needs_opening",
    "core_is_binding",
)


@dataclass(frozen=True, slots=True)
class Asked:
    """What is asked of a product's rest on one job.  `required` may be nothing: no rest is asked.

    `core_is_binding`: the middle of the stack must have come to the room before the rest is done.
    """

    required: timedelta
    max_gap: timedelta
    fine_gap: timedelta
    restart_after: timedelta
    restart_on: RestartOn
    needs_opening: bool
    core_is_binding: bool


@dataclass(frozen=True, slots=True)
class Pretended:
    """Records as they would be after a change, by key, for a question that stores nothing.

    `overrides` are all those of a job.
    """

    products: Mapping[int, Product] = field(default_factory=dict)
    jobs: Mapping[int, Job] = field(default_factory=dict)
    zones: Mapping[int, Zone] = field(default_factory=dict)
    overrides: Mapping[int, tuple[RestOverride, ...]] = field(default_factory=dict)

    def product(self, stored: Product) -> Product:
        """Return a product as it would be."""
        return self.products.get(stored.pk, stored)


NOTHING = Pretended()


@dataclass(frozen=True, slots=True)
class Said:
    """What one column of a rule says on a job, and the override whose word it is (None: the product's)."""

    value: Any
    by: RestOverride | None


def said_of(column: str, product: Product, overrides: Iterable[RestOverride]) -> Said:
    """Return what a column says: of the override for this product, else of the one for every panel, else the product.

    Args:
        overrides: those of the job, in any order.
    """
    found = Said(getattr(product, column), None)
    for one in overrides:
        value = getattr(one, column)
        # A choice that an override leaves as it is, is an empty word there.
        is_silent = value is None or value == ""
        if not is_silent and (one.product_id == product.pk or (one.product_id is None and found.by is None)):
            found = Said(value, one)
    return found


def asked_of(product: Product, overrides: Iterable[RestOverride] = ()) -> Asked:
    """Return what is asked of a product's rest where these overrides hold, column by column."""
    every = list(overrides)
    said = {name: said_of(name, product, every).value for name in OVERRIDABLE}
    return Asked(
        required=timedelta(seconds=said["rest_required_s"]),
        max_gap=timedelta(seconds=said["rest_max_gap_s"]),
        fine_gap=timedelta(seconds=said["rest_fine_gap_s"]),
        restart_after=timedelta(seconds=said["rest_restart_after_s"]),
        restart_on=RestartOn(said["rest_restart_on"]),
        needs_opening=said["rest_needs_opening"],
        core_is_binding=said["core_is_binding"],
    )


def without(overrides: Iterable[RestOverride], product: Product | None) -> tuple[RestOverride, ...]:
    """Return the overrides but the one for this product, or for every panel where it is None."""
    key = product.pk if product is not None else None
    return tuple(one for one in overrides if one.product_id != key)


def overrides_of(jobs: Collection[int]) -> dict[int, tuple[RestOverride, ...]]:
    """Return the overrides of each job that has some."""
    found: dict[int, list[RestOverride]] = defaultdict(list)
    for one in _OVERRIDES(jobs):
        found[one.job_id].append(one)
    return {job: tuple(all_of) for job, all_of in found.items()}


_OVERRIDES = Prepared(lambda jobs: RestOverride.objects.filter(job__in=jobs).order_by("pk"))
