"""Changing a rule: what it touches, how it would be, and the one way in, which tells the second of two editors."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from copy import copy
from dataclasses import dataclass
from datetime import datetime
from hashlib import sha256
from typing import Any

from django.db import transaction
from django.db.models import Q, QuerySet
from django.utils.translation import gettext as _

from jobs import outbox
from jobs.facts import AlreadyDone, raise_versions
from jobs.models import Change, Job, Person, Room, Zone
from jobs.services.records import add_record, edit_record
from materials.models import Product, RestOverride
from materials.rules import Pretended, overrides_of, without

#: The records that say how panels rest, and what the air should be.
Ruled = Product | RestOverride | Job | Zone


class FactsMoved(Exception):
    """Facts of the rooms that a change touches came in since its effects were judged."""


@dataclass(frozen=True, slots=True)
class RuleEdit:
    """A change of one record's rule that is not stored yet.

    Args:
        record: as it is stored; an override of a job that has none yet is unsaved.
        changes: by column, what it will say.
    """

    record: Ruled
    changes: Mapping[str, Any]

    @property
    def as_changed(self) -> Ruled:
        """Return a copy of the record as it would be."""
        changed = copy(self.record)
        for name, value in self.changes.items():
            setattr(changed, name, value)
        return changed

    def pretended(self) -> Pretended:
        """Return the records as they would be; stores nothing."""
        changed = self.as_changed
        match changed:
            case Product():
                return Pretended(products={changed.pk: changed})
            case Job():
                return Pretended(jobs={changed.pk: changed})
            case Zone():
                return Pretended(zones={changed.pk: changed})
            case RestOverride():
                others = overrides_of([changed.job_id]).get(changed.job_id, ())
                return Pretended(overrides={changed.job_id: (*without(others, changed.product), changed)})

    def rooms(self) -> QuerySet[Room]:
        """Return the rooms whose holds the change may touch."""
        match self.record:
            case Product():
                return _rooms_of_product(self.record)
            case Job():
                return Room.objects.filter(job=self.record)
            case Zone():
                return Room.objects.filter(zone=self.record)
            case RestOverride() if self.record.product is None:
                return Room.objects.filter(job=self.record.job_id)
            case RestOverride():
                return _rooms_of_product(self.record.product).filter(job=self.record.job_id)


def _rooms_of_product(product: Product) -> QuerySet[Room]:
    asks = Q(requirements__product=product) | Q(consumable_needs__product=product)
    found = Room.objects.filter(asks | Q(placements__product=product))
    return Room.objects.filter(pk__in=found.values("pk"))


def facts_mark(rooms: QuerySet[Room]) -> str:
    """Return what tells whether a fact of these rooms came in since."""
    versions = rooms.order_by("pk").values_list("pk", "facts_version")
    return sha256(repr(list(versions)).encode()).hexdigest()


def last_change(record: Ruled) -> Change | None:
    """Return the last line of a record's history; None: it has none, or the record is not stored."""
    if record._state.adding:
        return None
    lines = Change.objects.filter(record=record._meta.label_lower, record_pk=str(record.pk))
    return lines.select_related("by").order_by("-pk").first()


def version_of(record: Ruled) -> int:
    """Return what tells whether somebody edited a record since: the key of its last line of history, 0 without."""
    last = last_change(record)
    return last.pk if last else 0


@transaction.atomic
def change_rule(
    edit: RuleEdit,
    *,
    seen: int,
    facts: str,
    among: Collection[int] | None = None,
    by: Person,
    now: datetime,
    reason: str,
) -> QuerySet[Room]:
    """Store a change of a rule with its history, and make every state that it touches be computed anew.

    Args:
        seen: the version of the record that the editor saw.
        facts: the mark of the facts on which the effects were judged, of all rooms that it touches.
        among: those of them whose state may still turn, as finished ones' does not; None: all.

    Returns:
        the rooms whose states are computed anew.

    Raises:
        AlreadyDone: somebody else edited the record since.
        FactsMoved: facts of the rooms came in since.
        ValidationError: a value is not possible.
    """
    record = _locked(edit.record)
    if version_of(record) != seen:
        raise AlreadyDone(edited_meanwhile(record))
    rooms = edit.rooms()
    # Locked before they are compared, so that no fact is recorded between the comparison and the change.
    list(Room.objects.select_for_update(no_key=True).filter(pk__in=rooms.values("pk")).order_by("pk"))
    if facts_mark(rooms) != facts:
        raise FactsMoved
    if record._state.adding:
        record = add_record(edit.as_changed, by=by, now=now, reason=reason)
    else:
        edit_record(record, dict(edit.changes), by=by, now=now, reason=reason)
    if among is not None:
        rooms = rooms.filter(pk__in=among)
    raise_versions(list(rooms.values_list("pk", flat=True)), now=now)
    outbox.owe("facts_changed", key=f"facts_changed/change/{version_of(record)}", now=now)
    return rooms


def edited_meanwhile(record: Ruled) -> str:
    """Return in words that somebody else edited a record while it was looked at."""
    last = last_change(record)
    who = last.by.name if last and last.by else _("Somebody")
    return _(
        "%(who)s changed this in the meantime. What you typed is still here; look at what stands now."
    ) % {"who": who}


def _locked(record: Ruled) -> Ruled:
    """Return the record as it stands, locked; of an override its job is locked too, so that it is made once."""
    if isinstance(record, RestOverride):
        Job.objects.select_for_update(no_key=True).get(pk=record.job_id)
        stands = RestOverride.objects.filter(job=record.job_id, product=record.product_id).first()
        return stands if stands is not None else record
    model = type(record)
    return model._default_manager.select_for_update(no_key=True).get(pk=record.pk)
