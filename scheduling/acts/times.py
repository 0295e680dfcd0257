"""Times of the site as an act's form asks for them: the hour that a clock change repeats is asked, never guessed."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from scheduling.inputs import InstantInput
from scheduling.parts import Labelled

#: A form's field for which of two equal times is meant is named after the time it asks about.
AGAIN = "_again"
FIRST, SECOND = "first", "second"
YEARS = range(2000, 2100)

_WALL = re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d)?", re.ASCII)


def wall_of(typed: str) -> datetime:
    """Return the wall time that a browser's field, or a person without one, wrote.

    Raises:
        ValidationError: it is none.
    """
    wall = None
    if _WALL.fullmatch(typed):
        try:
            wall = datetime.fromisoformat(typed)
        except ValueError:
            wall = None
    if wall is None:
        raise ValidationError(_("“{typed}” is no time; write it as 2026-05-14 07:30.").format(typed=typed))
    if wall.year not in YEARS:
        raise ValidationError(_("The year {year} is not meant.").format(year=wall.year))
    return wall


def comes_twice(wall: datetime, zone: tzinfo) -> bool:
    """Return whether the clocks of `zone` show this wall time twice."""
    first, second = wall.replace(tzinfo=zone, fold=0), wall.replace(tzinfo=zone, fold=1)
    return first.utcoffset() != second.utcoffset() and not is_skipped(wall, zone)


def is_skipped(wall: datetime, zone: tzinfo) -> bool:
    """Return whether the clocks of `zone` never show this wall time."""
    local = wall.replace(tzinfo=zone)
    return local.astimezone(UTC).astimezone(zone).replace(tzinfo=None) != wall


class SiteTimeField(forms.Field):
    """A wall time of the site, to the minute, cleaned to an instant; a time that the clocks skip is refused.

    The form sets `zone`, and `fold` from the field that asks which of two equal times is meant.
    """

    widget = InstantInput
    default_error_messages = {"required": gettext_lazy("No day and time are written here.")}

    def __init__(self, **options: Any) -> None:
        super().__init__(**options)
        self.zone: tzinfo = UTC
        self.fold = 0
        #: An instant that the field shows to the minute; left as it is shown, it comes back to the second.
        self.shown: datetime | None = None

    def prepare_value(self, value: Any) -> Any:
        """Return an instant as wall time; what was typed stays as typed."""
        return self._written(value) if isinstance(value, datetime) else value

    def to_python(self, value: Any) -> datetime | None:
        """Return the instant, or None where nothing was typed."""
        if isinstance(value, datetime):
            return value
        typed = str(value or "").strip()
        if not typed:
            return None
        wall = wall_of(typed)
        if is_skipped(wall, self.zone):
            message = _("The clocks skip this time that night; write one before or after the change.")
            raise ValidationError(message)
        at = wall.replace(tzinfo=self.zone, fold=self.fold).astimezone(UTC)
        if (
            self.shown is not None
            and timedelta(0) <= self.shown - at < timedelta(minutes=1)
            and not wall.second
        ):
            return self.shown
        return at

    def twice(self, typed: object) -> datetime | None:
        """Return the wall time that was typed, or of an instant, if the clocks show it twice; else None."""
        if isinstance(typed, datetime):
            typed = self._written(typed)
        try:
            wall = wall_of(str(typed or "").strip())
        except ValidationError:
            return None
        return wall if comes_twice(wall, self.zone) else None

    def _written(self, at: datetime) -> str:
        return at.astimezone(self.zone).strftime("%Y-%m-%dT%H:%M")


def which_field(wall: datetime, field: SiteTimeField) -> forms.ChoiceField:
    """Return the field that asks which of two equal times is meant."""
    options = []
    for key, fold, words in ((FIRST, 0, _("the first, before")), (SECOND, 1, _("the second, after"))):
        offset = wall.replace(tzinfo=field.zone, fold=fold).strftime("%z")
        hint = _("{clock} at UTC{offset}").format(
            clock=wall.strftime("%H:%M"), offset=f"{offset[:3]}:{offset[3:]}"
        )
        options.append((key, Labelled(words, hint=hint)))
    asked = forms.ChoiceField(
        choices=options,
        widget=forms.RadioSelect,
        label=_("Which {clock}?").format(clock=wall.strftime("%H:%M")),
        help_text=_("The clocks went back that night and showed this time twice."),
    )
    asked.error_messages["required"] = _("This time came twice that night; choose the first or the second.")
    asked.error_messages["invalid_choice"] = asked.error_messages["required"]
    return asked
