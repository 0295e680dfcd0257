"""Inputs and fields as pages want them: the device's own pickers, and refusals in the words of the trade."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.core.validators import EmailValidator
from django.forms.renderers import DjangoTemplates
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from scheduling.printing import number_words


class SheetRenderer(DjangoTemplates):
    """Renders `{{ form }}` and `{{ form.name.as_field_group }}` with the parts of the sheet."""

    form_template_name = "scheduling/parts/_form.html"
    field_template_name = "scheduling/parts/_field_group.html"


class DayInput(forms.DateInput):
    """A day, by the device's own picker."""

    input_type = "date"

    def __init__(self, attrs: dict[str, Any] | None = None) -> None:
        super().__init__(attrs, format="%Y-%m-%d")


class InstantInput(forms.DateTimeInput):
    """A day and time of the site, by the device's own picker; the form knows the zone."""

    input_type = "datetime-local"

    def __init__(self, attrs: dict[str, Any] | None = None) -> None:
        super().__init__(attrs, format="%Y-%m-%dT%H:%M")


class FigureInput(forms.TextInput):
    """A decimal figure: a phone's number pad, and a comma typed by habit is for the form to answer."""

    def __init__(self, attrs: dict[str, Any] | None = None) -> None:
        super().__init__({"inputmode": "decimal", "size": 6, "autocomplete": "off", **(attrs or {})})


class CountInput(forms.NumberInput):
    """A whole number from 0 on."""

    def __init__(self, attrs: dict[str, Any] | None = None) -> None:
        super().__init__({"inputmode": "numeric", "min": 0, "step": 1, **(attrs or {})})


class WordsInput(forms.Textarea):
    """A few lines of words."""

    def __init__(self, attrs: dict[str, Any] | None = None) -> None:
        super().__init__({"rows": 3, **(attrs or {})})


class StampInput(forms.TextInput):
    """A batch or lot, typed as it is printed."""

    def __init__(self, attrs: dict[str, Any] | None = None) -> None:
        fixed = {"autocapitalize": "characters", "autocomplete": "off", "spellcheck": "false", "size": 12}
        super().__init__({**fixed, **(attrs or {})})


class InWords:
    """A form whose empty fields answer in our words; comes before `forms.Form` or `forms.ModelForm`."""

    fields: dict[str, forms.Field]

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        put_in_words(self.fields)


def put_in_words(fields: Mapping[str, forms.Field]) -> None:
    """Give fields our words for being left empty; a form that adds fields later does so again."""
    for field in fields.values():
        field.error_messages["required"] = _required_words(field)
        if isinstance(field, forms.EmailField):
            field.validators = [EmailValidator(_("This is no mail address."))]


def _required_words(field: forms.Field) -> str:
    if isinstance(field, forms.MultipleChoiceField | forms.ModelMultipleChoiceField):
        return _("Tick at least one.")
    if isinstance(field, forms.BooleanField):
        return _("This has to be ticked.")
    if isinstance(field, forms.ChoiceField | forms.ModelChoiceField):
        return _("Choose one.")
    if isinstance(field, forms.FileField):
        return _("Choose a file.")
    return _("Nothing is written here.")


_NUMBER = re.compile(r"[+-]?\d{1,9}([.,]\d{1,9})?", re.ASCII)
#: A figure with its unit typed behind it.
_WITH_UNIT = re.compile(r"([+-]?\d{1,9}(?:[.,]\d{1,9})?)\s*(?:°\s*[CFcf]?|[CFcfKk]|%|mm|m|kg|h|K)", re.ASCII)
_WHOLE = re.compile(r"[+-]?\d{1,9}", re.ASCII)


class FigureField(forms.Field):
    """A figure from `low` to `high`, both inside, typed with a point or a comma; gives a float."""

    widget = FigureInput
    default_error_messages = {"required": gettext_lazy("Nothing is written here.")}

    def __init__(self, *, low: float, high: float, **kwargs: Any) -> None:
        super().__init__(**kwargs)
        self.low, self.high = low, high

    def to_python(self, value: Any) -> float | None:
        """Read the figure; a half-typed or foreign one is refused as it was typed."""
        typed = str(value or "").strip().replace("\N{MINUS SIGN}", "-")
        if not typed:
            return None
        if not _NUMBER.fullmatch(typed):
            words = _("“{typed}” is no number.").format(typed=typed)
            if figure := _WITH_UNIT.fullmatch(typed):
                words = _("“{typed}”: write {figure} alone; the unit stands beside it.").format(
                    typed=typed, figure=figure[1]
                )
            raise ValidationError(words)
        return float(typed.replace(",", "."))

    def validate(self, value: Any) -> None:
        """Refuse what lies outside, with what was typed, what is allowed, and what may have been meant."""
        super().validate(value)
        if value is None or self.low <= value <= self.high:
            return
        words = _("{typed} is not from {low} to {high}.").format(
            typed=number_words(value), low=number_words(self.low), high=number_words(self.high)
        )
        # A decimal sign that was not typed is the common slip: 470 for 47.0.
        if max(self.low, 0) < value / 10 <= self.high:
            words += " " + _("Did you mean {meant}?").format(meant=number_words(value / 10))
        raise ValidationError(words)


class CountField(forms.Field):
    """A whole number from `least` to `most` (None: as many as there are)."""

    widget = CountInput
    default_error_messages = {"required": gettext_lazy("Nothing is written here.")}

    def __init__(self, *, least: int = 0, most: int | None = None, **kwargs: Any) -> None:
        super().__init__(**kwargs)
        self.least, self.most = least, most
        self.widget.attrs["min"] = least
        if most is not None:
            self.widget.attrs["max"] = most

    def to_python(self, value: Any) -> int | None:
        """Read the count; 3.5 sheets and a word are refused as they were typed."""
        typed = str("" if value is None else value).strip().replace("\N{MINUS SIGN}", "-")
        if not typed:
            return None
        if not _WHOLE.fullmatch(typed):
            raise ValidationError(_("“{typed}” is no whole number.").format(typed=typed))
        return int(typed)

    def validate(self, value: Any) -> None:
        """Refuse what is too few or too many."""
        super().validate(value)
        if value is None:
            return
        if value < self.least:
            words = _("{typed} is fewer than {least}.")
            raise ValidationError(words.format(typed=number_words(value), least=self.least))
        if self.most is not None and value > self.most:
            raise ValidationError(_("{typed} is more than {most}.").format(typed=value, most=self.most))
