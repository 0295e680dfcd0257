"""What a manager may set a rule of: a product, a job's overrides and its word on statements, a zone's band."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import tzinfo

from django.db.models import Q
from django.urls import reverse

from jobs.core.words import Say, say
from jobs.core.worktime import time_zone
from jobs.models import Job, Person, Zone
from materials.models import Product, RestOverride
from materials.rules import overrides_of
from materials.services.rules import Ruled
from scheduling.rules.columns import LIMITS, REST, STATEMENTS, Group, groups_of
from scheduling.rules.forms import meaning_of_empty


@dataclass(frozen=True, slots=True)
class Subject:
    """One record whose rule is looked at.

    Args:
        url: the page that shows it.
        of: what it belongs to, and that page.
        zone: on whose clock its page tells times.
        empty: by column, what an empty field of its form means.
    """

    record: Ruled
    groups: tuple[Group, ...]
    name: Say
    url: str
    of: str
    of_url: str
    zone: tzinfo
    empty: Mapping[str, Say] = field(default_factory=dict)


def of_product(product: Product, person: Person) -> Subject:
    """Return a product, told on the clock of the person: it is of every site."""
    return Subject(
        product,
        groups_of(product),
        say("{name}", name=product.name),
        reverse("scheduling:product", args=[product.pk]),
        "",
        reverse("scheduling:products"),
        time_zone(person.time_zone),
    )


def of_override(job: Job, product: Product | None) -> Subject:
    """Return what a job asks of one product, or of every panel of it; unsaved where it asks nothing yet."""
    overrides = overrides_of([job.pk]).get(job.pk, ())
    key = product.pk if product is not None else None
    stands = next((one for one in overrides if one.product_id == key), None)
    record = stands if stands is not None else RestOverride(job=job, product=product)
    overall = next((one for one in overrides if one.product_id is None), None)
    if product is None:
        name, empty = say("every panel"), meaning_of_empty([])
    else:
        name, empty = say("{name}", name=product.name), meaning_of_empty([product], overall)
    return _of_job(job, record, (Group(say("The rest"), REST),), name, empty)


def of_statements(job: Job) -> Subject:
    """Return whether a signed word counts on a job."""
    return _of_job(job, job, (Group(say("What proves a rest"), STATEMENTS),), say("signed words"), {})


def of_band(zone: Zone) -> Subject:
    """Return the working band of a zone."""
    group = Group(say("The air that will be normal in the finished rooms"), LIMITS)
    return _of_job(zone.job, zone, (group,), say("air of {zone}", zone=zone.name), {})


def _of_job(
    job: Job, record: Ruled, groups: tuple[Group, ...], name: Say, empty: Mapping[str, Say]
) -> Subject:
    url = reverse("scheduling:job_rules", args=[job.pk])
    return Subject(record, groups, name, url, job.name, url, time_zone(job.site.time_zone), empty)


def panels_of(job: Job) -> list[Product]:
    """Return the panels that a job's rooms ask for, that are ordered for it, or that stand on its site."""
    asked = Q(requirements__room__job=job) | Q(order_lines__order__job=job) | Q(placements__zone__job=job)
    overridden = Q(rest_overrides__job=job)
    found = Product.objects.filter(asked | overridden, kind__in=Product.PANELS)
    return list(Product.objects.filter(pk__in=found.values("pk")).order_by("name"))
