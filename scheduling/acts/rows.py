"""Lines of an act that has several: a batch and a count each; a line nobody wrote in counts for nothing."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, ClassVar

from django import forms
from django.forms import BaseFormSet
from django.http import QueryDict
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from scheduling.inputs import put_in_words
from scheduling.parts import stepped

if TYPE_CHECKING:
    from scheduling.acts.base import ActForm

PREFIX = "rows"
#: The button that asks for a further line; its value says of what.
ANOTHER = "another"
MOST = 80


class Row(forms.Form):
    """One line.  What it must have is asked only once something in it was written."""

    #: Columns that a written line must have.
    needed: ClassVar[tuple[str, ...]] = ()
    #: Columns in which writing makes the line count.
    written: ClassVar[tuple[str, ...]] = ()

    def __init__(self, *args: Any, act: ActForm, **options: Any) -> None:
        self.act = act
        super().__init__(*args, **options)
        self.arrange()
        say_in_words(self.fields)

    def arrange(self) -> None:
        """Add the choices and hints that depend on the act."""

    def clean(self) -> dict[str, Any]:
        """Ask for what a written line lacks."""
        data = super().clean() or self.cleaned_data
        if self.is_written:
            for name in self.needed:
                if name not in self.errors and data.get(name) in (None, ""):
                    self.add_error(name, self.fields[name].error_messages["required"])
        else:
            for name in list(self.errors):
                del self.errors[name]
        return data

    @property
    def is_written(self) -> bool:
        """Whether somebody wrote in this line."""
        return any(str(self[name].data or "").strip() for name in self.written)


class Rows(BaseFormSet):  # type: ignore[type-arg]
    """The lines of an act."""

    row: ClassVar[type[Row]]
    can_order = False
    can_delete = False
    can_delete_extra = False
    extra = 0
    min_num = 0
    max_num = MOST
    absolute_max = MOST
    validate_min = False
    validate_max = True
    edit_only = False
    renderer = forms.renderers.get_default_renderer()
    default_error_messages = {
        "missing_management_form": gettext_lazy("Part of this form did not come through; send it again."),
        "too_many_forms": gettext_lazy("One act has at most %(num)d lines; record the rest as another."),
    }

    def __init__(
        self, data: QueryDict | None, *, initial: list[dict[str, Any]], act: ActForm, is_draft: bool
    ) -> None:
        self.form = self.row
        self.is_draft = is_draft
        super().__init__(data, prefix=PREFIX, initial=initial, form_kwargs={"act": act})

    def full_clean(self) -> None:
        """Judge what was typed; a draft is only shown again."""
        if not self.is_draft:
            super().full_clean()
            return
        self._errors: list[Any] = []
        self._non_form_errors = self.error_class(error_class="nonform")
        for row in self.forms:
            row._errors = forms.utils.ErrorDict()
            row.cleaned_data = {}

    @property
    def filled(self) -> list[Row]:
        """The lines that somebody wrote in."""
        return [row for row in self.forms if row.is_written]

    @property
    def any_wrong(self) -> bool:
        """Whether a line, or their number, is to be put right."""
        return bool(self.non_form_errors()) or any(row.errors for row in self.forms)


def drafted(data: QueryDict) -> QueryDict | None:
    """Return the typed data as a pressed counter or "another line" leaves it; None: the form was meant."""
    if (changed := stepped(data)) is not None:
        return changed
    if ANOTHER not in data:
        return None
    changed = data.copy()
    total = str(data.get(f"{PREFIX}-TOTAL_FORMS", "0"))
    count = min(int(total), MOST) if total.isascii() and total.isdigit() and len(total) < 4 else 0
    if count < MOST:
        changed[f"{PREFIX}-TOTAL_FORMS"] = str(count + 1)
        changed[f"{PREFIX}-{count}-line"] = data.get(ANOTHER, "")
    return changed


def say_in_words(fields: Mapping[str, forms.Field]) -> None:
    """Give fields our words for being left empty, and for a choice that is offered no more."""
    put_in_words(fields)
    for field in fields.values():
        for code in ("invalid_choice", "invalid_pk_value", "invalid_list"):
            if code in field.error_messages:
                field.error_messages[code] = _("This is not one of the choices any more; choose again.")
