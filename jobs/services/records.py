"""Records (jobs, rooms, crews, products …): added and edited with their history kept."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any, TypeVar

from django.core import serializers
from django.db import models, transaction

from jobs.models import Change, Person

AnyRecord = TypeVar("AnyRecord", bound=models.Model)

#: Columns that nobody edits: they follow from facts, or from signing in.
_MOVES_BY_ITSELF = frozenset(
    {
        "facts_version",
        "facts_at",
        "last_login",
        "air_version",
        "air_last_at",
        "hours_version",
        "hours_upto",
        "last_used_at",
        "digest",
    }
)


@transaction.atomic
def add_record(record: AnyRecord, *, by: Person | None, now: datetime, reason: str = "") -> AnyRecord:
    """Store a new record and the first line of its history.

    Raises:
        ValidationError: a value is not possible, or another record has what must be its own.
    """
    record.full_clean(exclude={"password", "last_login"} & {field.name for field in record._meta.fields})
    record.save(force_insert=True)
    _remember(record, before={}, by=by, now=now, reason=reason)
    return record


@transaction.atomic
def edit_record(
    record: AnyRecord, changes: dict[str, Any], *, by: Person | None, now: datetime, reason: str = ""
) -> bool:
    """Change columns of a stored record and keep what they were; return whether anything changed.

    Raises:
        ValidationError: a value is not possible.
    """
    before = _said(record)
    for name, value in changes.items():
        setattr(record, name, value)
    record.full_clean(exclude={"password", "last_login"} & {field.name for field in record._meta.fields})
    after = _said(record)
    changed = {name for name in after if after[name] != before[name]}
    if not changed:
        return False
    record.save(update_fields=list(changes))
    _remember(record, before={name: before[name] for name in sorted(changed)}, by=by, now=now, reason=reason)
    return True


@transaction.atomic
def edit_members(
    record: models.Model,
    name: str,
    members: Sequence[models.Model],
    *,
    by: Person | None,
    now: datetime,
    reason: str = "",
) -> None:
    """Set which records a many-to-many column of a stored record holds, and keep which it held."""
    before = sorted(getattr(record, name).values_list("pk", flat=True))
    getattr(record, name).set(members)
    _remember(record, before={name: before}, by=by, now=now, reason=reason)


def _remember(
    record: models.Model, *, before: dict[str, Any], by: Person | None, now: datetime, reason: str
) -> None:
    after = _said(record)
    Change.objects.create(
        record=record._meta.label_lower,
        record_pk=str(record.pk),
        at=now,
        by=by,
        before=before,
        after={name: after[name] for name in before} if before else after,
        reason=reason,
    )


def _said(record: models.Model) -> dict[str, Any]:
    """Return a record's columns as JSON values."""
    fields: dict[str, Any] = serializers.serialize("python", [record])[0]["fields"]
    return {name: _plain(value) for name, value in fields.items() if name not in _MOVES_BY_ITSELF}


def _plain(value: Any) -> Any:
    return value if isinstance(value, str | int | float | bool | None | list | dict) else str(value)
