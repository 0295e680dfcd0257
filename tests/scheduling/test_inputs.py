"""Fields refuse in the words of the trade: what was typed, what is allowed, what may have been meant."""

import pytest
from django import forms
from django.http import QueryDict

from scheduling import inputs
from scheduling.parts import stepped


class Reading(inputs.InWords, forms.Form):
    """One field of each kind that words its own refusals."""

    air = inputs.FigureField(low=-60, high=80)
    humidity = inputs.FigureField(low=0, high=100, required=False)
    sheets = inputs.CountField(most=40)
    kind = forms.ChoiceField(choices=[("a", "A")])


GOOD = {"air": "19.9", "humidity": "46", "sheets": "4", "kind": "a"}


def errors(**typed: str) -> dict[str, list[str]]:
    form = Reading({**GOOD, **typed})
    form.is_valid()
    return {name: [str(one) for one in found] for name, found in form.errors.items()}


def test_what_is_right_is_read():
    form = Reading(GOOD)

    assert form.is_valid()
    assert form.cleaned_data == {
        "air": 19.9,
        "humidity": 46.0,
        "sheets": 4,
        "kind": "a",
    }


@pytest.mark.parametrize(
    ("typed", "value"),
    [("19,9", 19.9), (" 19.9 ", 19.9), ("−3", -3.0), ("+4", 4.0), ("80", 80.0), ("-60", -60.0)],
)
def test_a_figure_is_read_as_people_type_it(typed, value):
    form = Reading({**GOOD, "air": typed})

    assert form.is_valid()
    assert form.cleaned_data["air"] == value


@pytest.mark.parametrize("typed", ["19.9.1", "19o", "nan", "inf", "1e3", "²", "1 000", "--1"])
def test_what_is_no_number_is_refused_as_typed(typed):
    assert errors(air=typed) == {"air": [f"“{typed}” is no number."]}


@pytest.mark.parametrize(
    ("typed", "figure"),
    [("68 °F", "68"), ("68F", "68"), ("20,5 °", "20,5"), ("55 %", "55"), ("-3.5 c", "-3.5")],
)
def test_a_unit_in_the_figure_is_told_where_it_belongs(typed, figure):
    assert errors(air=typed) == {"air": [f"“{typed}”: write {figure} alone; the unit stands beside it."]}


def test_a_figure_outside_says_what_is_allowed_and_what_may_be_meant():
    assert errors(humidity="470") == {"humidity": ["470 is not from 0 to 100. Did you mean 47?"]}
    assert errors(humidity="100.1") == {"humidity": ["100.1 is not from 0 to 100. Did you mean 10.01?"]}
    assert errors(humidity="-1") == {"humidity": ["−1 is not from 0 to 100."]}
    assert errors(air="-200") == {"air": ["−200 is not from −60 to 80."]}


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ("41", "41 is more than 40."),
        ("-1", "−1 is fewer than 0."),
        ("3.5", "“3.5” is no whole number."),
        ("four", "“four” is no whole number."),
        ("١", "“١” is no whole number."),
        ("", "Nothing is written here."),
    ],
)
def test_a_count_says_what_is_wrong_with_it(typed, words):
    assert errors(sheets=typed) == {"sheets": [words]}


def test_an_empty_field_that_may_be_empty_is_none():
    form = Reading({**GOOD, "humidity": ""})

    assert form.is_valid()
    assert form.cleaned_data["humidity"] is None


def test_a_choice_that_was_not_made_says_so():
    assert errors(kind="") == {"kind": ["Choose one."]}


# ---- one more, one fewer, without script


@pytest.mark.parametrize(
    ("posted", "good"),
    [
        ("good=4&more=good", "5"),
        ("good=4&less=good", "3"),
        ("good=0&less=good", "0"),
        ("good=&more=good", "1"),
        ("good=four&more=good", "four"),
        ("good=9999&more=good", "9999"),
    ],
)
def test_a_stepper_changes_its_field_and_nothing_else(posted, good):
    changed = stepped(QueryDict(posted + "&bowed=2"))

    assert changed is not None
    assert (changed["good"], changed["bowed"]) == (good, "2")


def test_without_a_stepper_the_form_itself_was_meant():
    assert stepped(QueryDict("good=4")) is None
    assert stepped(QueryDict("good=4&more=unknown")) is None
