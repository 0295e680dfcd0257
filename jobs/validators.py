"""Checks of single values as Django's models and forms want them, on top of the core's readers."""

from __future__ import annotations

from django.core.exceptions import ValidationError
from django.utils.translation import gettext

from jobs.core.units import Unreadable
from jobs.core.words import Say
from jobs.core.worktime import site_zone


def in_words(said: Say) -> str:
    """Return a core's refusal in the reader's language; its values are plain words and numbers."""
    return gettext(said.text).format(**said.values)


def valid_zone(name: str) -> None:
    """Refuse a name that is no time zone of a place."""
    try:
        site_zone(name)
    except Unreadable as error:
        raise ValidationError(in_words(error.why)) from error
