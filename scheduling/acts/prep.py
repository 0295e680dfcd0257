"""The acts of the substrate: the tick-list of prep, one check corrected, and a wall that got wet again."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any
from uuid import UUID, uuid5

from django import forms
from django.core.exceptions import ValidationError
from django.db import transaction
from django.forms import BoundField
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from jobs.access import recordable_rooms
from jobs.core.prep import Check, check_named
from jobs.core.words import Say, say
from jobs.facts import Envelope
from jobs.models import Fact, PrepCheck, Room, Wetting
from jobs.services import seen
from scheduling.acts.base import Act, ActForm, Allowed, Shown, Subject
from scheduling.acts.figures import ExactField
from scheduling.inputs import WordsInput

PASSED, FAILED, NOT_TODAY = "passed", "failed", ""
#: What the column of a measured value holds.
MOST = 999_999


@dataclass(frozen=True, slots=True)
class Line:
    """One check of the tick-list as the page shows it."""

    check: Check
    answer: BoundField
    #: None: the check is a look.
    value: BoundField | None
    #: The latest record, or what undid it; None: nobody has looked.
    stands: Say | None

    @property
    def caution(self) -> str:
        """What to look out for; empty where there is nothing."""
        return _(self.check.caution.text) if self.check.caution else ""


class PrepForm(ActForm):
    """Every check that a room's substrate needs, each passed, failed or not today, for one room or a row of them."""

    template = "scheduling/acts/_prep.html"

    def arrange(self) -> None:
        self.checks = seen.needed_checks(self.room)
        for check in self.checks:
            self.fields[f"check_{check.code}"] = _verdict_field(check, required=False)
            if check.unit:
                self.fields[f"value_{check.code}"] = _value_field(check)
        self.others = {str(room.pk): room for room in self._neighbours()}
        if self.others:
            self.fields["rooms"] = forms.MultipleChoiceField(
                required=False,
                choices=[(key, room.name) for key, room in self.others.items()],
                widget=forms.CheckboxSelectMultiple,
                label=_("The same in these rooms"),
                help_text=_("Of the same zone, wall and fixing. Tick only those you looked at."),
            )
        self.fields["reason"] = forms.CharField(
            required=False,
            max_length=500,
            label=_("What was found"),
            help_text=_("Of what failed: where, and how much."),
            widget=WordsInput({"rows": 2}),
        )

    @property
    def answer(self) -> Shown:
        passed = sum(1 for stands in self._stands().values() if stands is not None and stands.passed)
        return say("{passed} of {needed} checks passed.", passed=passed, needed=len(self.checks))

    @property
    def lines(self) -> list[Line]:
        """The checks with what is known of each."""
        stands, wetting = self._stands(), self._wetting()
        return [
            Line(
                check=check,
                answer=self[f"check_{check.code}"],
                value=self[f"value_{check.code}"] if check.unit else None,
                stands=_said(stands[check.code], wetting if check.voided_by_wetting else None),
            )
            for check in self.checks
        ]

    @property
    def further(self) -> list[BoundField]:
        """The other rooms, where there are any."""
        return [self["rooms"]] if "rooms" in self.fields else []

    def judge(self) -> None:
        if not self._answered():
            first = f"check_{self.checks[0].code}"
            self.add_error(first, _("Answer one check at least; “not today” records nothing."))

    @transaction.atomic
    def perform(self, envelope: Envelope) -> Iterable[Fact]:
        chosen = self.cleaned_data.get("rooms", [])
        rooms = [self.room, *(self.others[key] for key in chosen)]
        recorded: list[Fact] = []
        for check in self._answered():
            recorded += self._record(check, rooms, envelope)
        return recorded

    def fact_ids(self, act: UUID) -> Iterable[UUID]:
        for check in self.checks:
            single = uuid5(act, check.code)
            yield single
            for room in [self.room, *self.others.values()]:
                yield uuid5(single, f"{room.pk}/{check.code}")

    def _record(self, check: Check, rooms: list[Room], envelope: Envelope) -> list[PrepCheck]:
        said, value = self._said(check)
        passed = None if said == NOT_TODAY else said == PASSED
        try:
            verdict = seen.verdict_of(check, passed=passed, value=value)
            # What was found is said of what failed; a check that passed says nothing more.
            reason = "" if verdict else envelope.reason
            given = replace(envelope, id=envelope.part_id(check.code), reason=reason)
            return seen.record_checks(given, rooms=rooms, check_code=check.code, passed=verdict, value=value)
        except ValidationError as error:
            raise _at_check(error, check) from error

    def _answered(self) -> list[Check]:
        return [check for check in self.checks if self._said(check) != (NOT_TODAY, None)]

    def _said(self, check: Check) -> tuple[str, Decimal | None]:
        data = self.cleaned_data
        return data.get(f"check_{check.code}", NOT_TODAY), data.get(f"value_{check.code}")

    def _neighbours(self) -> list[Room]:
        """Return the other rooms of the same zone, substrate and fixing that this person may record."""
        alike = Room.objects.filter(
            zone=self.room.zone_id, substrate=self.room.substrate, fixing=self.room.fixing
        )
        mine = recordable_rooms(self.person, now=self.now)
        rooms = alike.exclude(pk=self.room.pk).filter(pk__in=mine)
        return list(rooms.select_related("job", "zone").order_by("name"))

    def _stands(self) -> dict[str, PrepCheck | None]:
        """Return the latest record of each check."""
        latest: dict[str, PrepCheck | None] = dict.fromkeys((check.code for check in self.checks), None)
        rows = PrepCheck.objects.standing().filter(room=self.room, check_code__in=latest)
        for row in rows.order_by("happened_at", "recorded_at", "pk"):
            latest[row.check_code] = row
        return latest

    def _wetting(self) -> Wetting | None:
        found: Wetting | None = (
            Wetting.objects.standing().filter(room=self.room).order_by("-happened_at").first()
        )
        return found


class CheckForm(ActForm):
    """One prep check as it was recorded, to be corrected."""

    def arrange(self) -> None:
        self.check = check_named(self.corrects.check_code)
        self.fields["passed"] = _verdict_field(self.check, required=True)
        if self.check.unit:
            self.fields["value"] = _value_field(self.check)

    def perform(self, envelope: Envelope) -> Iterable[Fact]:
        return seen.record_checks(
            envelope,
            rooms=[self.corrects.room],
            check_code=self.check.code,
            passed=self.cleaned_data["passed"] == PASSED,
            value=self.cleaned_data.get("value"),
        )

    @classmethod
    def initial_of(cls, fact: Any) -> dict[str, Any]:
        return {"passed": PASSED if fact.passed else FAILED, "value": fact.value}


class WettingForm(ActForm):
    """That a wall got wet again, and how."""

    def arrange(self) -> None:
        self.fields["reason"] = forms.CharField(
            max_length=500,
            label=_("How it got wet"),
            help_text=_("“Leak from the floor above, east wall, knee high.”"),
            widget=WordsInput({"rows": 2}),
        )

    def perform(self, envelope: Envelope) -> Wetting:
        return seen.record_wetting(envelope, room=self.room)

    @classmethod
    def initial_of(cls, fact: Any) -> dict[str, Any]:
        return {"reason": fact.reason}


def _verdict_field(check: Check, *, required: bool) -> forms.ChoiceField:
    choices = [(PASSED, _("Passed")), (FAILED, _("Failed"))]
    if not required:
        choices.append((NOT_TODAY, _("Not today")))
    return forms.ChoiceField(
        required=required,
        choices=choices,
        initial=NOT_TODAY,
        widget=forms.RadioSelect,
        label=_(check.name.text),
        help_text=_("{act} Passes: {when}.").format(act=_(check.act.text), when=_(check.passes_when.text)),
    )


def _value_field(check: Check) -> ExactField:
    return ExactField(
        required=False,
        low=-MOST,
        high=MOST,
        places=2,
        label=_("Measured, %(unit)s") % {"unit": check.unit},
    )


def _said(latest: PrepCheck | None, wetting: Wetting | None) -> Say | None:
    if latest is None:
        return None
    if wetting is not None and wetting.happened_at >= latest.happened_at:
        return say("Wet again {at}; it has to be shown anew.", at=wetting.happened_at)
    if latest.passed:
        return say("Passed {at}.", at=latest.happened_at)
    return say("Failed {at}.", at=latest.happened_at)


def _at_check(error: ValidationError, check: Check) -> ValidationError:
    """Return a refusal of one check as an error at that check's fields."""
    if not hasattr(error, "error_dict"):
        return error
    names = {"passed": f"check_{check.code}", "value": f"value_{check.code}"}
    if not check.unit:
        names["value"] = names["passed"]
    return ValidationError({names.get(column, column): words for column, words in error.error_dict.items()})


ACTS = (
    Act(
        name="prep",
        subject=Subject.ROOM,
        title=gettext_lazy("Tick prep"),
        verb=gettext_lazy("Keep the prep"),
        form=PrepForm,
        allowed=Allowed.ROOM,
        cautions=("services",),
    ),
    Act(
        name="wetting",
        subject=Subject.ROOM,
        title=gettext_lazy("The wall got wet"),
        verb=gettext_lazy("Record that it got wet"),
        form=WettingForm,
        allowed=Allowed.SITE,
        says=gettext_lazy("Every check of dryness has to be shown anew after this."),
        fact=Wetting,
        cautions=("services", "damp"),
    ),
)
CORRECTIONS = (
    Act(
        name="check",
        subject=Subject.ROOM,
        title=gettext_lazy("A prep check"),
        verb=gettext_lazy("Keep this check"),
        form=CheckForm,
        allowed=Allowed.ROOM,
        fact=PrepCheck,
    ),
)
