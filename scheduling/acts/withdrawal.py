"""Taking a fact back: it stays in the history, struck, and counts for nothing."""

from __future__ import annotations

from collections.abc import Iterable

from django import forms
from django.utils.translation import gettext_lazy as _

from jobs.facts import Envelope, withdraw
from jobs.models import Fact
from materials.models import Arrival
from materials.services.deliveries import withdraw_arrival
from scheduling.acts.base import ActForm


class WithdrawForm(ActForm):
    """Why a fact is taken back."""

    def __init__(self, *given: object, **named: object) -> None:
        super().__init__(*given, **named)  # type: ignore[arg-type]
        del self.fields["happened_at"]
        self.fields["reason"] = forms.CharField(
            max_length=500,
            label=_("Why it is taken back"),
            help_text=_("The fact stays in the history, struck, with this beside it."),
            widget=forms.Textarea(attrs={"rows": 2}),
        )
        self.order_fields(["act", "reason", "said_by"])

    def perform(self, envelope: Envelope) -> Fact | Iterable[Fact]:
        assert self.corrects is not None
        if isinstance(self.corrects, Arrival):
            return withdraw_arrival(self.corrects, envelope)
        return withdraw(self.corrects, envelope)
