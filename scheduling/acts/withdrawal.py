"""Taking a fact back: it stays in the history, struck, and counts for nothing."""

from __future__ import annotations

from typing import Any

from django import forms
from django.utils.translation import gettext_lazy

from jobs.core.words import Say, say
from jobs.facts import Envelope
from jobs.models import Fact
from scheduling.acts.base import ActForm
from scheduling.inputs import WordsInput
from scheduling.services.corrections import take_back


class WithdrawForm(ActForm):
    """Why a fact is taken back."""

    reason = forms.CharField(
        max_length=500,
        label=gettext_lazy("Why it is taken back"),
        help_text=gettext_lazy("The fact stays in the history, struck, with this beside it."),
        widget=WordsInput({"rows": 2}),
    )

    def arrange(self) -> None:
        self.taken: Fact = self.corrects

    def perform(self, envelope: Envelope) -> Fact:
        return take_back(self.taken, envelope)

    def done(self, facts: list[Fact]) -> Say:
        return say("Taken back: {fact}", fact=self.taken.says())

    def _add_common(self) -> None:
        """Ask who said so; the time stays that of the fact."""
        super()._add_common()
        del self.fields["happened_at"]

    @classmethod
    def initial_of(cls, fact: Any) -> dict[str, Any]:
        return {"said_by": ""}
