"""What every act form shares: its own id, the time it happened, who said so, and the way from form to fact."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from enum import StrEnum
from typing import Any, ClassVar
from uuid import UUID

from django import forms
from django.core.exceptions import NON_FIELD_ERRORS, ValidationError
from django.utils.functional import Promise
from django.utils.translation import gettext as _


from jobs.access import may_record_room, may_record_site
from jobs.core.worktime import time_zone
from jobs.facts import Envelope
from jobs.ids import uuid7
from jobs.models import Entry, Fact, Job, Person, Room, Zone
from materials.access import may_dispatch
from materials.models import Dispatch, Order, Placement


class Subject(StrEnum):
    """What an act is about; the word stands in its path."""

    ROOM = "rooms"
    ZONE = "zones"
    JOB = "jobs"
    PLACEMENT = "placements"
    ORDER = "orders"
    DISPATCH = "dispatches"


class Allowed(StrEnum):
    """Who may do an act."""

    SITE = "site"  # record what is seen on the site
    ROOM = "room"  # record what is done in a room
    MANAGER = "manager"
    SUPPLIER = "supplier"  # the order's own supplier, or a manager whom it told


@dataclass(frozen=True, slots=True)
class Where:
    """The thing an act is about, with what its form needs around it; what does not apply is None."""

    subject: Subject
    job: Job
    #: The page to go back to.
    url: str
    name: str
    room: Room | None = None
    zone: Zone | None = None
    placement: Placement | None = None
    order: Order | None = None
    dispatch: Dispatch | None = None

    @property
    def time_zone(self) -> tzinfo:
        """The site's clock, on which every time of the form is read."""
        return time_zone(self.job.site.time_zone)


class SiteTimeField(forms.CharField):
    """A wall time of the site as the browser's field for date and time writes it, cleaned to an instant.

    Where a clock change repeats the hour, the form's `<name>_again` field says which of the two is meant;
    a time that the clock skipped is refused.
    """

    widget = forms.DateTimeInput(attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M")

    def __init__(self, *, zone: tzinfo, **options: Any) -> None:
        super().__init__(**options)
        self.zone = zone

    def prepare_value(self, value: Any) -> Any:
        """Return an instant as wall time; what was typed stays as typed."""
        if isinstance(value, datetime):
            return value.astimezone(self.zone).strftime("%Y-%m-%dT%H:%M")
        return value

    def to_python(self, value: Any) -> Any:
        """Return the instant, or None where nothing was typed."""
        if isinstance(value, datetime):
            return value
        text = super().to_python(value)
        if not text:
            return None
        try:
            wall = datetime.fromisoformat(text)
        except ValueError as error:
            message = _("“%(typed)s” is no time; write it as 2026-05-14 07:30.")
            raise ValidationError(message, params={"typed": text}) from error
        if wall.tzinfo is not None:
            return wall.astimezone(UTC).replace(microsecond=0)
        local = wall.replace(tzinfo=self.zone, microsecond=0)
        if local.astimezone(UTC).astimezone(self.zone).replace(tzinfo=None) != local.replace(tzinfo=None):
            raise ValidationError(_("The clocks skip this time that night; write one before or after the change."))
        if local.utcoffset() != local.replace(fold=1).utcoffset():
            first, second = local.strftime("%H:%M%z"), local.replace(fold=1).strftime("%H:%M%z")
            message = _("The clock shows this time twice that night. Write %(first)s or %(second)s after the day.")
            raise ValidationError(message, params={"first": first, "second": second})
        return local.astimezone(UTC)


class ActForm(forms.Form):
    """A form that records one fact.

    Subclasses add their fields, `perform` (call the service, return the fact) and `initial_of` (what a fact
    to be corrected says, by field).  A time left empty means the present.
    """

    #: A correction prefilled from the fact; acts that cannot be corrected by their own form leave it False.
    corrects_by_form: ClassVar[bool] = True
    #: Fields of the services' errors that are shown at another field of the form.
    shown_at: ClassVar[Mapping[str, str]] = {}

    act = forms.UUIDField(widget=forms.HiddenInput)

    def __init__(
        self, data: Any = None, *, where: Where, person: Person, now: datetime, corrects: Fact | None = None, **rest: Any
    ) -> None:
        self.where, self.person, self.now, self.corrects = where, person, now, corrects
        initial = {"act": uuid7(now=now), **rest.pop("initial", {})}
        if corrects is not None:
            initial |= {
                "happened_at": corrects.happened_at,
                "said_by": corrects.said_by,
                **self.initial_of(corrects),
            }
        super().__init__(data, initial=initial, **rest)
        self.fields["happened_at"] = SiteTimeField(
            zone=where.time_zone,
            required=False,
            label=_("When"),
            help_text=_("On the site's clock. Leave it empty for now."),
        )
        self.fields["said_by"] = forms.CharField(
            required=False,
            max_length=120,
            label=_("Said by"),
            help_text=_("Somebody without an account, and how: “site agent, by phone”. Empty: you saw it yourself."),
        )
        if corrects is not None:
            self.fields["reason"] = forms.CharField(
                required=False, max_length=500, label=_("Why it is corrected"), widget=forms.Textarea(attrs={"rows": 2})
            )
        self.order_fields(["act", *self.own_fields(), "reason", "happened_at", "said_by"])

    def own_fields(self) -> Iterable[str]:
        """Return the names of the form's own fields, in the order they are asked."""
        return [name for name in self.fields if name not in {"act", "happened_at", "said_by", "reason"}]

    def envelope(self) -> Envelope:
        """Return the envelope of a valid form."""
        data = self.cleaned_data
        return Envelope(
            id=data["act"],
            happened_at=data.get("happened_at") or self._when_unsaid(data["act"]),
            by=self.person,
            now=self.now,
            said_by=data.get("said_by", ""),
            reason=data.get("reason", ""),
            supersedes=self.corrects,
        )

    def perform(self, envelope: Envelope) -> Fact | Iterable[Fact]:
        """Record the fact of a valid form.

        Raises:
            ValidationError: the service refuses it.
        """
        raise NotImplementedError

    @classmethod
    def initial_of(cls, fact: Any) -> dict[str, Any]:
        """Return what a fact says, by field of this form."""
        return {}

    def take(self, error: ValidationError) -> None:
        """Show a service's refusal at the fields it names."""
        if not hasattr(error, "error_dict"):
            self.add_error(None, error)
            return
        for column, errors in error.error_dict.items():
            name = self.shown_at.get(column, column)
            self.add_error(name if name in self.fields and name != NON_FIELD_ERRORS else None, errors)

    def _when_unsaid(self, act: UUID) -> datetime:
        """Return the present; for a repeat of the same act, what was the present at the first time."""
        first = Entry.objects.filter(pk=act).values_list("happened_at", flat=True).first()
        return first or self.now


@dataclass(frozen=True, slots=True)
class Act:
    """One kind of act: what it is called, whom it is open to, and the form that records it."""

    name: str
    subject: Subject
    title: str | Promise
    #: The button's words: a verb and its object.
    verb: str | Promise
    form: type[ActForm]
    allowed: Allowed
    #: The fact it records, where a correction of that fact is made by this form.
    fact: type[Fact] | None = None
    #: Names of the cautions shown above the button each time; parts/README.md lists them.
    cautions: tuple[str, ...] = ()

    def is_open_to(self, person: Person, where: Where, *, now: datetime) -> bool:
        """Return whether `person` may do this act here."""
        match self.allowed:
            case Allowed.MANAGER:
                return person.is_manager
            case Allowed.SUPPLIER:
                return where.order is not None and may_dispatch(person, where.order)
            case Allowed.ROOM if where.room is not None:
                return may_record_room(person, where.room, now=now)
        return may_record_site(person, where.job, now=now)


