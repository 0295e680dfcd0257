"""Forms of signing in."""

from __future__ import annotations

from django import forms
from django.utils.translation import gettext_lazy as _


class SignInForm(forms.Form):
    """Asks for the address that a link is mailed to."""

    email = forms.EmailField(
        label=_("Your e-mail address"),
        help_text=_("A link comes by mail; there is no password."),
        widget=forms.EmailInput(attrs={"autocomplete": "email"}),
    )
