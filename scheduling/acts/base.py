"""What every act form shares: its own id, the time it happened, who said so, and the way from form to fact."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, tzinfo
from enum import StrEnum
from typing import Any, ClassVar
from uuid import UUID

from django import forms
from django.core.exceptions import ValidationError
from django.forms import BoundField
from django.http import QueryDict
from django.utils.functional import Promise
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from jobs.access import may_record_room, may_record_site
from jobs.core.words import Say, say_n
from jobs.core.worktime import time_zone
from jobs.facts import AlreadyDone, Envelope, SaidOtherwise
from jobs.ids import uuid7
from jobs.models import Entry, Fact, Job, Person, Room, Zone
from materials.access import may_dispatch
from materials.models import Dispatch, Order, Placement
from materials.services.deliveries import LineRefused
from scheduling.acts.rows import Rows, say_in_words
from scheduling.acts.times import AGAIN, SECOND, SiteTimeField, which_field
from scheduling.inputs import InWords, WordsInput
from scheduling.parts import Note

Shown = str | Promise | Say

#: Fields that every form may have around its own.
COMMON = ("act", "reason", "happened_at", "said_by")


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
    def place(self) -> str:
        """What the thing belongs to; a supplier reads of the site, not of the job."""
        of_site = self.subject in (Subject.JOB, Subject.ORDER, Subject.DISPATCH)
        return self.job.site.name if of_site else self.job.name

    @property
    def time_zone(self) -> tzinfo:
        """The site's clock, on which every time of the form is read."""
        return time_zone(self.job.site.time_zone)


class ActForm(InWords, forms.Form):
    """A form that records an act.

    Subclasses add their fields, `perform` (call the service, return the fact or facts) and `initial_of` (what
    a fact to be corrected says, by field).  A time left empty means the present; in a correction, the time
    that the fact has.  The form of a pressed counter or of a further line is a draft: shown, not judged.
    """

    #: The part that lays the form's own fields out.
    template: ClassVar[str] = "scheduling/acts/_fields.html"
    #: Whether a fact is recorded, with its time and speaker; else a record is made.
    is_fact: ClassVar[bool] = True
    #: What the time of this act is called.
    when_label: ClassVar[Promise] = gettext_lazy("When")
    #: Fields of the services' errors that are shown at another field of the form.
    shown_at: ClassVar[Mapping[str, str]] = {}
    #: Fields that say what the fact is about, and so stay as they are in a correction.
    subject_fields: ClassVar[tuple[str, ...]] = ()
    #: Fields that the page's address may fill in.
    from_query: ClassVar[tuple[str, ...]] = ()
    #: The lines of an act that has several.
    rows_class: ClassVar[type[Rows] | None] = None

    act = forms.UUIDField(widget=forms.HiddenInput)

    def __init__(
        self,
        data: QueryDict | None = None,
        *,
        where: Where,
        person: Person,
        now: datetime,
        corrects: Any = None,
        query: QueryDict | None = None,
        is_draft: bool = False,
    ) -> None:
        self.where, self.person, self.now, self.corrects = where, person, now, corrects
        self.is_draft = is_draft
        #: Why somebody else's act stands instead of this one.
        self.already: str | None = None
        typed = None if data is None else _with_own_id(data, now=now)
        #: What was typed; empty in a form nobody has sent yet.
        self.typed = QueryDict() if typed is None else typed
        super().__init__(typed)
        # Set here, not handed to the constructor, because subclasses ask `where` for what they offer.
        self.initial = {"act": uuid7(now=now)}
        self.arrange()
        self._add_common()
        self.initial |= self._initial(query)
        self._keep_subject()
        self._set_clocks()
        say_in_words(self.fields)
        self.order_fields([*self._own(), *(name for name in ("reason", "happened_at", "said_by"))])
        self._ask_which_time()
        self.rows: Rows | None = self._rows(typed)

    # ---- what subclasses say ----

    def arrange(self) -> None:
        """Add the fields, choices and hints that depend on where the act is."""

    def perform(self, envelope: Envelope) -> Fact | Iterable[Fact]:
        """Record the act of a valid form.

        Raises:
            ValidationError: the service refuses it.
        """
        raise NotImplementedError

    @classmethod
    def initial_of(cls, fact: Any) -> dict[str, Any]:
        """Return what a fact says, by field of this form."""
        return {}

    def defaults(self) -> dict[str, Any]:
        """Return what a new form already says, by field."""
        return {}

    def offered(self) -> list[dict[str, Any]]:
        """Return what each line of a new form already says, by field of the line."""
        return []

    def lines_of(self, fact: Any) -> list[dict[str, Any]]:
        """Return what each line of a fact to be corrected says, by field of the line."""
        return []

    def judge(self) -> None:
        """Add the errors that only the whole form shows, once every field and line is right."""

    def fact_ids(self, act: UUID) -> Iterable[UUID]:
        """Return the ids that the facts of this act may have."""
        return [act]

    @property
    def answer(self) -> Shown | None:
        """What the page says on top; None: the act's own sentence."""
        return None

    @property
    def can_send(self) -> bool:
        """Whether the button is open; where it is not, the page says why."""
        return True

    @property
    def notes(self) -> tuple[Note, ...]:
        """What must be said before the fields."""
        return ()

    @property
    def weight(self) -> Say | None:
        """How heavy what is handled here is; None: nothing heavy is."""
        return None

    def done(self, facts: list[Fact]) -> Say:
        """Return what was recorded, as one sentence; of several facts the first, and how many more."""
        if len(facts) == 1:
            return facts[0].says()
        return say_n(
            "{first} And {n} more.", "{first} And {n} more.", n=len(facts) - 1, first=facts[0].says()
        )

    def url_after(self, facts: list[Fact]) -> str:
        """Return the page to go to once it is recorded."""
        return self.where.url

    def warning(self, facts: list[Fact]) -> str | None:
        """Return what is odd about what was recorded, though it stands."""
        return None

    # ---- what it is about ----

    @property
    def room(self) -> Room:
        """The room this act is about."""
        assert self.where.room is not None
        return self.where.room

    @property
    def zone(self) -> Zone:
        """The zone this act is about."""
        assert self.where.zone is not None
        return self.where.zone

    @property
    def placement(self) -> Placement:
        """The placement this act is about."""
        assert self.where.placement is not None
        return self.where.placement

    @property
    def order(self) -> Order:
        """The order this act is about."""
        assert self.where.order is not None
        return self.where.order

    @property
    def dispatch(self) -> Dispatch:
        """The dispatch this act is about."""
        assert self.where.dispatch is not None
        return self.where.dispatch

    # ---- from form to fact ----

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

    def full_clean(self) -> None:
        """Judge what was typed; a draft is only shown again."""
        if not self.is_draft:
            super().full_clean()
            return
        self._errors = forms.utils.ErrorDict()
        self.cleaned_data = {}

    def is_valid(self) -> bool:
        """Return whether every field and every line is right, and all of them together."""
        if self.is_draft:
            return False
        valid = super().is_valid()
        if self.rows is not None:
            valid = self.rows.is_valid() and valid
            for words in self.rows.non_form_errors():
                self.add_error(None, words)
        if valid:
            self.judge()
        return not self.errors and (self.rows is None or not self.rows.any_wrong)

    def take(self, error: ValidationError) -> None:
        """Show a service's refusal at the fields and lines it names."""
        if isinstance(error, LineRefused) and self.rows is not None:
            self.rows.filled[error.line].add_error(error.column, error.messages)
        elif isinstance(error, AlreadyDone):
            self._take_already(error)
        elif hasattr(error, "error_dict"):
            for column, errors in error.error_dict.items():
                name = self.shown_at.get(column, column)
                self.add_error(name if name in self.fields else None, errors)
        else:
            self.add_error(None, error)

    @property
    def line_forms(self) -> tuple[forms.Form, ...]:
        """The lines, for the list of what is to be put right."""
        return () if self.rows is None else tuple(self.rows.forms)

    @property
    def own_fields(self) -> list[BoundField]:
        """The form's own fields, in the order they are asked."""
        return [self[name] for name in self._own() if not self[name].is_hidden]

    @property
    def common_fields(self) -> list[BoundField]:
        """The reason, the time and who said so, as far as this form asks them."""
        return [
            self[name]
            for name in ("reason", "happened_at", f"happened_at{AGAIN}", "said_by")
            if name in self.fields
        ]

    # ---- how it is put together ----

    def _own(self) -> list[str]:
        return [name for name in self.fields if name not in COMMON and name != f"happened_at{AGAIN}"]

    def _add_common(self) -> None:
        if not self.is_fact:
            return
        correcting = self.corrects is not None
        self.fields["happened_at"] = SiteTimeField(
            required=False,
            label=self.when_label,
            help_text=_("On the site's clock.")
            if correcting
            else _("On the site's clock. Leave it empty for now."),
        )
        self.fields["said_by"] = forms.CharField(
            required=False,
            max_length=120,
            label=_("Said by"),
            help_text=_(
                "Who told you, if they have no account: “site agent, by phone”. Empty: seen by yourself."
            ),
        )
        if correcting and "reason" not in self.fields:
            self.fields["reason"] = forms.CharField(
                required=False, max_length=500, label=_("Why it is corrected"), widget=WordsInput({"rows": 2})
            )

    def _initial(self, query: QueryDict | None) -> dict[str, Any]:
        if self.corrects is not None:
            said = {"happened_at": self.corrects.happened_at, "said_by": self.corrects.said_by}
            return {**said, **self.initial_of(self.corrects)}
        asked = {name: query[name] for name in self.from_query if query and name in query}
        return {**self.defaults(), **asked}

    def _keep_subject(self) -> None:
        if self.corrects is not None:
            for name in self.subject_fields:
                self.fields[name].disabled = True

    def _set_clocks(self) -> None:
        for name, field in self.fields.items():
            if isinstance(field, SiteTimeField):
                field.zone = self.where.time_zone
                shown = self.initial.get(name)
                field.shown = shown if isinstance(shown, datetime) else None

    def _ask_which_time(self) -> None:
        """Ask, at each time that the clocks show twice, which of the two is meant."""
        for name in list(self.fields):
            field = self.fields[name]
            if not isinstance(field, SiteTimeField):
                continue
            typed = self.data.get(name) if self.is_bound else self.initial.get(name)
            wall = field.twice(typed)
            if wall is None:
                continue
            again = name + AGAIN
            if isinstance(typed, datetime):
                self.initial[again] = SECOND if typed.astimezone(field.zone).fold else "first"
            field.fold = int(self.data.get(again) == SECOND) if self.is_bound else 0
            self._insert_after(name, again, which_field(wall, field))

    def _insert_after(self, name: str, new: str, field: forms.Field) -> None:
        names = list(self.fields)
        self.fields[new] = field
        names.insert(names.index(name) + 1, new)
        self.order_fields(names)

    def _rows(self, data: QueryDict | None) -> Rows | None:
        if self.rows_class is None:
            return None
        offered = self.offered() if self.corrects is None else self.lines_of(self.corrects)
        return self.rows_class(data, initial=offered, act=self, is_draft=self.is_draft)

    def _when_unsaid(self, act: UUID) -> datetime:
        """Return the present; for a repeat of the same act, what was the present at the first time."""
        first = (
            Entry.objects.filter(pk__in=list(self.fact_ids(act)))
            .values_list("happened_at", flat=True)
            .first()
        )
        if first is not None:
            return first
        return self.corrects.happened_at if self.corrects is not None else self.now

    def _take_already(self, error: AlreadyDone) -> None:
        self.already = " ".join(error.messages)
        self.add_error(None, error)
        if isinstance(error, SaidOtherwise):
            # What was typed is another act than the one recorded under this id: sent again, it is a new one.
            self.typed["act"] = str(uuid7(now=self.now))


def _with_own_id(data: QueryDict, *, now: datetime) -> QueryDict:
    """Return what was typed, with an id of its own where the form came without a usable one."""
    typed = data.copy()
    try:
        UUID(typed.get("act", ""))
    except ValueError:
        typed["act"] = str(uuid7(now=now))
    return typed


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
    #: The sentence on top of its page.
    says: str | Promise = ""
    #: The fact it records, where a correction of that fact is made by this form.
    fact: type[Fact] | None = None
    #: Names of the cautions shown above the button each time; parts/README.md lists them.
    cautions: tuple[str, ...] = ()

    def about(self, subject: Subject) -> Act:
        """Return the same act about another thing; corrections are made about the first."""
        return replace(self, subject=subject, fact=None)

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
