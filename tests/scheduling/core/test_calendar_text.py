"""What is stripped from a typed text and how a long one is cut."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduling.core.calendar_text import clean_text, cut, join_lines, one_line


@pytest.mark.parametrize(
    ("typed", "clean"),
    [
        ("Scullery 2.14", "Scullery 2.14"),
        ("a\r\nb", "a\nb"),
        ("a\rb", "a\nb"),
        ("a\tb", "a b"),
        ("a\u2028b\u2029c\x85d", "a\nb\nc\nd"),
        ("ring\a the\x00 bell\x7f", "ring the bell"),
        ("\ufeffroom", "room"),
        ("half \ud83e", "half \ufffd"),
        ("whole 🧱, é, 日", "whole 🧱, é, 日"),
        (r"C:\New; a, b", r"C:\New; a, b"),
        ("", ""),
    ],
)
def test_a_typed_text_keeps_its_words_and_loses_its_controls(typed, clean):
    # Source: RFC 5545 section 3.1 and ABNF CONTROL; the replacements are our own decision.
    assert clean_text(typed) == clean


@given(st.text(alphabet=st.characters()))
def test_a_clean_text_stays_as_it_is_and_can_be_written(typed):
    clean = clean_text(typed)

    assert clean_text(clean) == clean
    assert not re.search("[\x00-\x09\x0b-\x1f\x7f]", clean)
    assert clean.encode().decode() == clean


def test_one_line_has_single_blanks():
    assert one_line("  Gate 2\r\n\r\n ring\t14 ") == "Gate 2 ring 14"


@pytest.mark.parametrize(
    ("text", "limit", "left"),
    [
        ("Scullery", 8, "Scullery"),
        ("Scullery", 7, "Sculle…"),
        ("Scullery, north", 10, "Scullery…"),
        ("Scullery", 1, "…"),
        ("Scullery", 0, ""),
        ("Scullery", -5, ""),
        # One family of three people, joined by two joiners: it stays whole or goes.
        ("ab👨\u200d👩\u200d👧cd", 6, "ab…"),
        ("ab👨\u200d👩\u200d👧cd", 8, "ab👨\u200d👩\u200d👧…"),
        ("abe\u0301cd", 4, "ab…"),
        ("abe\u0301cd", 5, "abe\u0301…"),
        ("ab👍🏽cd", 4, "ab…"),
    ],
)
def test_a_cut_leaves_whole_characters_and_says_that_something_is_lost(text, limit, left):
    assert cut(text, limit) == left


@given(st.text(), st.integers(-2, 40))
def test_a_cut_is_never_too_long(text, limit):
    assert len(cut(text, limit)) <= max(limit, 0)


def test_lines_are_kept_from_the_first_and_the_last_always():
    text = join_lines(["a" * 30, "b" * 30, "c" * 30], last="link", limit=30 + 1 + 30 + 1 + 4)

    assert text == "a" * 30 + "\n" + "b" * 30 + "\nlink"


def test_the_line_that_no_longer_fits_is_cut_unless_nothing_would_be_left_of_it():
    assert join_lines(["a" * 50], last="link", limit=40) == "a" * 34 + "…\nlink"
    assert join_lines(["a" * 10, "b" * 50], last="link", limit=30) == "a" * 10 + "\nlink"


def test_empty_lines_and_an_empty_last_one_leave_no_gap():
    assert join_lines(["", "a", ""], last="", limit=30) == "a"
    assert join_lines([], last="link", limit=30) == "link"
    assert join_lines([], last="", limit=30) == ""


@given(st.lists(st.text(alphabet="ab \n", max_size=50), max_size=6), st.text(alphabet="xy", max_size=10))
def test_joined_lines_are_never_too_long_and_end_with_the_last(lines, last):
    text = join_lines(lines, last=last, limit=60)

    assert len(text) <= 60
    assert text.endswith(last)
