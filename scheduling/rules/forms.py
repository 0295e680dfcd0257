"""Forms of rules: every column typed in its own unit, refused in words at its field, nothing typed lost."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.forms.utils import ErrorDict
from django.http import QueryDict
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from jobs.core.units import LONGEST_NM, Unreadable, parse_length
from jobs.core.words import Say, say
from materials.models import Product
from scheduling.acts.rows import say_in_words
from scheduling.inputs import FigureField, WordsInput
from scheduling.printing import plain
from scheduling.rules.columns import (
    BANDS,
    REST,
    RESTART_WORDS,
    UNITS,
    WHOLE,
    Column,
    Group,
    Kind,
    hours_typed,
    length_typed,
    shown,
)


class HoursField(FigureField):
    """A time typed in hours; gives whole seconds."""

    def clean(self, value: Any) -> int | None:
        """Read the hours."""
        hours = super().clean(value)
        return None if hours is None else round(hours * 3600)

    def prepare_value(self, value: Any) -> Any:
        """Show stored seconds as hours."""
        return hours_typed(value) if isinstance(value, int) else value


class LengthField(forms.CharField):
    """A length with its unit, metric or in feet and inches; gives nanometres."""

    def clean(self, value: Any) -> int | None:
        """Read the length."""
        typed = super().clean(value)
        if not typed:
            return None
        try:
            read = parse_length(typed)
        except Unreadable as error:
            raise ValidationError(plain(error.why, zone="UTC")) from error
        if not 0 < read <= LONGEST_NM:
            raise ValidationError(_("“{typed}” is not above 0 and at most 100 m.").format(typed=typed))
        return read

    def prepare_value(self, value: Any) -> Any:
        """Show stored nanometres in millimetres, exactly."""
        return length_typed(value) if isinstance(value, int) else value


class ShortFigureField(FigureField):
    """A figure shown without the zero behind it."""

    def prepare_value(self, value: Any) -> Any:
        """Show 18.0 as 18."""
        return f"{value:g}" if isinstance(value, int | float) else value


class RuleForm(forms.Form):
    """The columns of one record's rule; `changes` are those that were typed otherwise than they stand.

    Args:
        record: as it stands.
        empty: by column, what an empty field means; a column that is not in it has to be filled in unless it
            may be empty.
        is_draft: shown with what was typed, not judged.
    """

    version = forms.IntegerField(widget=forms.HiddenInput)

    def __init__(
        self,
        data: QueryDict | None = None,
        *,
        record: Any,
        groups: Iterable[Group],
        version: int,
        empty: Mapping[str, Say] | None = None,
        is_draft: bool = False,
    ) -> None:
        self.record, self.groups, self.is_draft = record, tuple(groups), is_draft
        self.empty = empty or {}
        super().__init__(data)
        self.initial = {"version": version}
        for column in self.columns:
            self.fields[column.name] = _field_of(column, self.empty.get(column.name))
            self.initial[column.name] = _typed_again(getattr(record, column.name))
        say_in_words(self.fields)

    @property
    def columns(self) -> tuple[Column, ...]:
        """The columns it asks, in order."""
        return tuple(column for group in self.groups for column in group.columns)

    @property
    def fieldsets(self) -> list[tuple[Say, list[list[forms.BoundField]]]]:
        """The fields under the headings of their groups, the two limits of a band side by side."""
        return [(group.title, list(self._lines(group))) for group in self.groups]

    def _lines(self, group: Group) -> Iterator[list[forms.BoundField]]:
        highs = dict(BANDS)
        for column in group.columns:
            if column.name in highs:
                yield [self[column.name], self[highs[column.name]]]
            elif column.name not in highs.values():
                yield [self[column.name]]

    @property
    def changes(self) -> dict[str, Any]:
        """What was typed otherwise than it stands; the form is valid."""
        found = {}
        for column in self.columns:
            value = self.cleaned_data[column.name]
            if value != _comparable(getattr(self.record, column.name)):
                # A choice that is left as it is, is an empty word in its column.
                found[column.name] = "" if value is None and column.kind is Kind.RESTART_ON else value
        return found

    def full_clean(self) -> None:
        """Judge what was typed; a draft is only shown again."""
        if not self.is_draft:
            super().full_clean()
            return
        self._errors = ErrorDict()
        self.cleaned_data = {}

    def clean(self) -> dict[str, Any]:
        """Refuse bands that end below their beginning or are written in part, and a form that changes nothing."""
        data = self.cleaned_data
        for low, high in BANDS:
            least, most = data.get(low), data.get(high)
            if least is not None and most is not None and least > most:
                words = _("{most} is below {least}, where the band begins.")
                self.add_error(high, words.format(most=f"{most:g}", least=f"{least:g}"))
        for names, why in WHOLE:
            asked = [name for name in names if name in self.fields and name not in self.errors]
            lacking = [name for name in asked if data.get(name) is None]
            if lacking and len(lacking) < len(asked):
                for name in lacking:
                    self.add_error(name, plain(why, zone="UTC"))
        if not self.errors and not self.changes:
            raise ValidationError(_("Nothing is changed: every field says what stands already."))
        return data


class ReasonForm(forms.Form):
    """Why a rule is changed: kept in its history, with who and when."""

    reason = forms.CharField(
        max_length=500,
        label=gettext_lazy("Why it is changed"),
        help_text=gettext_lazy("It stands in the history, with your name: “maker's sheet of March”."),
        widget=WordsInput({"rows": 2}),
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        say_in_words(self.fields)


def meaning_of_empty(products: Iterable[Product], overall: Any = None) -> dict[str, Say]:
    """Return what an override's empty fields mean: as every panel of the job, or as the product says.

    Args:
        products: the one it is for; several or none where it is for every panel.
        overall: the override for every panel of the job, where this one is for one product.
    """
    known = list(products)
    found = {}
    for column in REST:
        said = getattr(overall, column.name, None)
        if said is not None and said != "":
            found[column.name] = say("as every panel of this job: {value}", value=shown(column, said))
        elif len(known) == 1:
            found[column.name] = say(
                "as the product: {value}", value=shown(column, getattr(known[0], column.name))
            )
        else:
            found[column.name] = say("as each product says")
    return found


def _field_of(column: Column, empty: Say | None) -> forms.Field:
    label = plain(_label_of(column), zone="UTC")
    hints = [plain(column.hint, zone="UTC")] if column.hint else []
    required = empty is None and not column.may_be_empty
    if column.kind in (Kind.YES_NO, Kind.RESTART_ON):
        return _choice_of(column, label, " ".join(hints), empty)
    if empty is not None:
        hints.append(_("Empty: {meaning}.").format(meaning=plain(empty, zone="UTC")))
    elif column.name in (names[0] for names, _why in WHOLE):
        hints.append(_("Filled in whole, or not at all."))
    elif column.may_be_empty and column.kind is Kind.HOURS:
        hints.append(_("Empty: the label says nothing of it."))
    options: dict[str, Any] = {"label": label, "help_text": " ".join(hints), "required": required}
    if column.kind is Kind.LENGTH:
        return LengthField(max_length=40, **options)
    kind = HoursField if column.kind is Kind.HOURS else ShortFigureField
    return kind(low=column.least, high=column.most, **options)


def _label_of(column: Column) -> Say:
    unit = UNITS.get(column.kind)
    return say("{name}, {unit}", name=column.label, unit=unit) if unit is not None else column.label


def _choice_of(column: Column, label: str, hint: str, empty: Say | None) -> forms.Field:
    choices = [(key, plain(words, zone="UTC")) for key, words in RESTART_WORDS.items()]
    coerce: Any = str
    if column.kind is Kind.YES_NO:
        choices, coerce = [("yes", _("yes")), ("no", _("no"))], _is_yes
    if empty is not None:
        choices = [("", plain(empty, zone="UTC")), *choices]
    return forms.TypedChoiceField(
        choices=choices,
        coerce=coerce,
        empty_value=None,
        required=empty is None,
        label=label,
        help_text=hint,
        widget=forms.RadioSelect,
    )


def _is_yes(typed: str) -> bool:
    return typed == "yes"


def _comparable(value: Any) -> Any:
    return None if value == "" else value


def _typed_again(value: Any) -> Any:
    """Return a stored value as its field shows it."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return "" if value is None else value
