"""Amounts that are kept exactly: typed with a point or a comma, as decimals."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django.core.exceptions import ValidationError
from django.utils.translation import gettext as _

from scheduling.inputs import FigureField


class ExactField(FigureField):
    """A figure from `low` to `high` with at most `places` decimals; gives a Decimal."""

    def __init__(self, *, places: int, **options: Any) -> None:
        super().__init__(**options)
        self.places = places

    def clean(self, value: Any) -> Decimal | None:
        """Read the figure without a detour through binary fractions."""
        if super().clean(value) is None:
            return None
        exact = Decimal(str(value).strip().replace("\N{MINUS SIGN}", "-").replace(",", "."))
        if -int(exact.as_tuple().exponent) > self.places:
            message = _("“{typed}” has more decimals than are kept; {places} are.")
            raise ValidationError(message.format(typed=value, places=self.places))
        return exact

    def prepare_value(self, value: Any) -> Any:
        """Show a stored amount without the zeros behind it."""
        return f"{value.normalize():f}" if isinstance(value, Decimal) else value
