"""Inputs as the pages want them, and the renderer that gives every form the look of the sheet."""

from __future__ import annotations

from typing import Any

from django import forms
from django.forms.renderers import DjangoTemplates


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
