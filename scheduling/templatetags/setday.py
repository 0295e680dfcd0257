"""Tags and filters of the pages: marks and states, words in a zone, fields with their hints and errors.

`zone` and `now` come from the page's context unless a tag is given others; `now` else from the request.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime, timedelta, tzinfo
from functools import cache, lru_cache
from typing import Any, cast

from django import forms, template
from django.core.exceptions import ImproperlyConfigured
from django.forms import BaseForm, BoundField, widgets
from django.template import engines
from django.template.context import Context
from django.utils.functional import Promise
from django.utils.html import conditional_escape, format_html, format_html_join
from django.utils.safestring import SafeString, mark_safe
from django.utils.translation import get_language, gettext_lazy, ngettext
from django.utils.translation import gettext as _

from jobs.core.forecast import Forecast
from jobs.core.words import Value
from scheduling import printing
from scheduling.parts import STATES, STRETCH_WORDS, Entry, Rodlet

register = template.Library()


def _now(context: Context) -> datetime:
    now = context.get("now")
    if now is None and "request" in context:
        now = getattr(context["request"], "now", None)
    if now is None:
        raise ImproperlyConfigured("this page's context carries neither `now` nor a request with one")
    return cast(datetime, now)


def _zone(context: Context, zone: tzinfo | str | None) -> tzinfo:
    found = zone or context.get("zone")
    if not found:
        raise ImproperlyConfigured("this page's context carries no `zone`, and the tag was given none")
    return printing.place(found)


# ---- marks and states ----


@register.simple_tag
@cache
def mark(name: str) -> SafeString:
    """Return the mark from the page's sprite; its word stands beside it."""
    return format_html('<svg class="m m-{0}" aria-hidden="true"><use href="#m-{0}"/></svg>', name)


@register.simple_tag
def state(name: str, word: str | None = None) -> SafeString:
    """Return a state's mark and word; another `word` may say the same state more exactly."""
    shown = STATES[name]
    return _state(shown.mark, str(word or shown.word))


@lru_cache(maxsize=512)
def _state(name: str, word: str) -> SafeString:
    return format_html('<span class="state state-{}">{}{}</span>', name, mark(name), word)


@register.simple_tag
def rodlet(drawn: Rodlet) -> SafeString:
    """Return a room's holds on one line, as its part draws them; few rooms of a list differ."""
    return _rodlet(drawn, get_language())


@lru_cache(maxsize=512)
def _rodlet(drawn: Rodlet, language: str | None) -> SafeString:
    """Return the part rendered; `language` only tells one reader's words from another's."""
    made = engines["django"].get_template("scheduling/parts/_rodlet.html")
    return cast(SafeString, made.render({"rodlet": drawn}))


@register.simple_tag(takes_context=True)
def entry(context: Context, cell: Entry) -> SafeString:
    """Return a cell of a ledger; most are a value alone, which spares hundreds of them their template."""
    if cell.is_plain:
        return says(context, cell.value, style="full")
    made = engines["django"].get_template("scheduling/parts/_entry.html")
    with context.push(entry=cell):
        return cast(SafeString, made.template.render(context))  # type: ignore[attr-defined]  # the backend's own


@register.filter
def stamp(batch: str) -> SafeString:
    """Return a batch or an error's number as it is printed on the thing."""
    return format_html('<span class="stamp">{}</span>', batch)


# ---- words ----


@register.simple_tag(takes_context=True)
def when(
    context: Context, at: datetime | None, zone: tzinfo | str | None = None, style: printing.Style = "full"
) -> SafeString:
    """Return the instant in a `time` element; styles are those of `printing`."""
    return printing.when_html(at, zone=_zone(context, zone), now=_now(context), style=style)


@register.simple_tag(takes_context=True)
def forecast(
    context: Context,
    expected: Forecast | None,
    zone: tzinfo | str | None = None,
    style: printing.Style = "full",
) -> SafeString:
    """Return the instant a forecast means at present, or that it is not known."""
    at = None if expected is None else expected.instant(now=_now(context))
    return when(context, at, zone, style)


@register.simple_tag(takes_context=True)
def says(
    context: Context,
    value: Value | Promise | None,
    zone: tzinfo | str | None = None,
    style: printing.Style = "today",
) -> SafeString:
    """Return a sentence, or any value a sentence may carry, in the page's language and zone."""
    if isinstance(value, Promise | str):
        return conditional_escape(str(value))
    return printing.html(value, zone=_zone(context, zone), now=_now(context), style=style)


@register.simple_tag(takes_context=True)
def says_plain(context: Context, value: Value | None, zone: tzinfo | str | None = None) -> str:
    """Return a sentence as plain text, for an attribute or a title."""
    return printing.plain(value, zone=_zone(context, zone), now=_now(context), style="today")


@register.simple_tag(takes_context=True)
def axis(context: Context, at: datetime, with_day: bool, zone: tzinfo | str | None = None) -> str:
    """Return the label of an hour on a drawn axis."""
    return printing.axis_words(at, zone=_zone(context, zone), with_day=with_day)


@register.simple_tag(takes_context=True)
def day(context: Context, at: datetime | None, zone: tzinfo | str | None = None) -> str:
    """Return the day alone as plain words, for a drawing."""
    return printing.when_words(at, zone=_zone(context, zone), now=_now(context), style="day")


@register.simple_tag(takes_context=True)
def column(context: Context, at: datetime | date | None, with_day: bool = False) -> SafeString:
    """Return an instant for the narrow column of a log."""
    lines = printing.column_words(at, zone=_zone(context, None), now=_now(context), with_day=bool(with_day))
    words = format_html_join(mark_safe("<br>"), '<span class="nw">{}</span>', ((line,) for line in lines))
    return format_html("<time{}>{}</time>", format_html(' datetime="{}"', machine(at)) if at else "", words)


@register.simple_tag(takes_context=True)
def left(context: Context, by: datetime) -> str:
    """Return the time left for an act, or how late it is."""
    return printing.left_words(by - _now(context))


@register.simple_tag(takes_context=True)
def left_short(context: Context, by: datetime) -> str:
    """Return the time left as a bare figure; only a late one says so."""
    length = by - _now(context)
    return printing.left_words(length) if length < timedelta(0) else printing.duration_words(length)


@register.simple_tag(takes_context=True)
def togo(context: Context, until: datetime) -> SafeString:
    """Return the time left until an instant, which the page's script counts down once a minute."""
    left = max(timedelta(0), until - _now(context))
    words = printing.duration_words(left, up=True)
    return format_html('<span class="nw" data-until="{}">{}</span>', printing.stamp_utc(until), words)


@register.filter
def dur(length: timedelta | None) -> str:
    """Return a duration, cut to whole minutes."""
    return printing.duration_words(length)


@register.filter
def dur_up(length: timedelta | None) -> str:
    """Return a duration that is still to go, rounded up to whole minutes."""
    return printing.duration_words(length, up=True)


@register.filter
def late(length: timedelta) -> timedelta:
    """Return how late a negative time left is."""
    return -length


@register.filter
def temp(t_c: float | None) -> str:
    """Return a temperature: `19.9 °C`."""
    return printing.temperature_words(t_c)


@register.filter
def percent(rh_pct: float | None) -> str:
    """Return a humidity or share: `46 %`."""
    return printing.percent_words(rh_pct)


@register.simple_tag
def band_words(low: float, high: float, unit: str) -> str:
    """Return a band: `18–24 °C`."""
    return printing.range_words(low, high, unit)


@register.filter
def number(value: float) -> str:
    """Return a number without trailing zeros, in the reader's decimal sign."""
    return printing.number_words(value)


@register.filter
def machine(value: datetime | date) -> str:
    """Return an instant or a day for a `datetime` or `data-` attribute."""
    return printing.stamp_utc(value) if isinstance(value, datetime) else value.isoformat()


@register.filter
def stretch_word(kind: str) -> str | Promise:
    """Return what a kind of stretch is called in the key of a strip."""
    return STRETCH_WORDS[kind]


@register.filter
def names(parts: Any) -> str:
    """Return names as `a, b and c`, escaped by the template as any text."""
    return printing.join_words([str(part) for part in parts])


@register.simple_tag
def showhide() -> SafeString:
    """Return the words that a foldout's summary carries at its right end."""
    return format_html('data-show="{}" data-hide="{}"', _("show"), _("hide"))


#: Cautions as they stand where the act is.  They defer to makers and to licensed people.
CAUTIONS: Mapping[str, Promise] = {
    "lifting": gettext_lazy("Two people lift a sheet. Wear gloves, the edges are sharp."),
    "cutting": gettext_lazy("Cutting throws glass dust: mask, goggles and extraction, as the maker says."),
    "services": gettext_lazy("Only a licensed person isolates gas, water or electricity."),
    "adhesive": gettext_lazy("Read the adhesive’s own label: air, skin and naked flames."),
    "wet": gettext_lazy("A cold sheet sweats. Leave the wrap on until it has warmed."),
    "skid": gettext_lazy("A skid weighs a tonne: a truck and a trained driver. Cut straps from the side."),
    "ladders": gettext_lazy("Two hands on a sheet need a platform. Never lift one from a ladder."),
    "damp": gettext_lazy("Damp or mould is a fault of the building: do not cover it, report it."),
    "heater": gettext_lazy("A fuel heater gives off water and fumes: ventilate, and never leave it alone."),
    "machines": gettext_lazy(
        "Electricity on a wet site is for licensed people. Read the maker’s sheet of the machine first."
    ),
}


@register.simple_tag
def caution(name: str) -> SafeString:
    """Return one short caution for the act beside it."""
    return format_html('<p class="caution">{}</p>', CAUTIONS[name])


# ---- fields ----


@register.simple_tag
def field(bound: BoundField, hint: str = "") -> SafeString:
    """Return a form's field with label, hint and error; its widget decides the shape."""
    return _rendered(bound, _shape(bound.field.widget), hint=hint)


@register.simple_tag
def count(bound: BoundField, hint: str = "") -> SafeString:
    """Return a whole number's field between a button for one fewer and one for one more."""
    return _rendered(bound, "count", hint=hint)


@register.simple_tag
def enter() -> SafeString:
    """Return the button that Enter presses; first in a form with counts, or Enter would take one away."""
    return format_html('<button class="unseen" tabindex="-1" aria-hidden="true">{}</button>', _("Send"))


@register.inclusion_tag("scheduling/parts/_wrongs.html")
def wrongs(*asked: BaseForm) -> dict[str, object]:
    """Show what is to be put right in the forms, each line linked to its field; else nothing."""
    found = [line for form in asked for line in _wrong_lines(form)]
    title = ngettext("One thing to put right", "{n} things to put right", len(found)).format(n=len(found))
    return {"wrongs": found, "title": title}


def _wrong_lines(form: BaseForm) -> list[dict[str, str]]:
    lines = [{"words": str(words), "target": ""} for words in form.non_field_errors()]
    for bound in form:
        lines += [{"words": f"{bound.label}: {words}", "target": _target(bound)} for words in bound.errors]
    for line in getattr(form, "line_forms", ()):
        lines += _wrong_lines(line)
    return lines


def _target(bound: BoundField) -> str:
    """Return the id to jump to: of a group of choices its first, as the group itself takes no focus."""
    own = bound.auto_id
    return f"{own}_0" if _shape(bound.field.widget) in ("choices", "ticks") else own


def _shape(widget: widgets.Widget) -> str:
    """Return the template part for a widget."""
    if isinstance(widget, forms.HiddenInput):
        return "hidden"
    for kind, shape in (
        (forms.CheckboxSelectMultiple, "ticks"),
        (forms.RadioSelect, "choices"),
        (forms.CheckboxInput, "tick"),
    ):
        if isinstance(widget, kind):
            return shape
    return "field"


def _rendered(bound: BoundField, shape: str, *, hint: str) -> SafeString:
    hint = hint or str(bound.help_text or "")
    parts = [part for part, words in (("hint", hint), ("wrong", bound.errors)) if words]
    described = " ".join(f"{bound.auto_id}-{part}" for part in parts)
    attrs: dict[str, Any] = {"aria-describedby": described} if described else {}
    if shape == "count":
        attrs["inputmode"] = "numeric"
    values = {
        "bound": bound,
        "hint": hint,
        "described": described,
        "widget": _widget(bound, shape, attrs),
        "options": _options(bound, shape),
    }
    made = engines["django"].get_template(f"scheduling/parts/_{shape}.html")
    return cast(SafeString, made.render(values))


def _widget(bound: BoundField, shape: str, attrs: dict[str, Any]) -> SafeString | str:
    return "" if shape in ("choices", "ticks") else bound.as_widget(attrs=attrs)


def _options(bound: BoundField, shape: str) -> list[dict[str, Any]]:
    """Return the choices of a group with their ids, for templates that lay them out themselves."""
    if shape not in ("choices", "ticks"):
        return []
    return [
        {
            "name": option.data["name"],
            "value": option.data["value"],
            "id": option.data["attrs"].get("id", ""),
            "label": option.data["label"],
            "hint": getattr(option.data["label"], "hint", ""),
            "checked": option.data["selected"],
            "required": option.data["attrs"].get("required", False),
        }
        for option in bound.subwidgets
    ]
