from __future__ import annotations

import csv
from decimal import Decimal
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from jobs.core.units import (
    NM_PER_FT,
    NM_PER_IN,
    NM_PER_MM,
    Unreadable,
    area_mm2,
    celsius,
    fahrenheit,
    feet_inches,
    kelvins,
    millimetres,
    parse_case_length,
    parse_length,
    square_feet,
    square_metres,
)

TABLE = Path(__file__).parents[3] / "fixtures" / "checks" / "length_print.csv"
# 11 ft 7 3/4 in = (11 · 12 + 7.75) · 25.4 mm = 3549.65 mm, worked by hand.
ELEVEN_SEVEN = 3_549_650_000
# 8 ft 3 1/2 in = 99.5 in = 2527.3 mm: trade facts 11.4.
EIGHT_THREE = 2_527_300_000


def rows():
    lines = [line for line in TABLE.read_text().splitlines() if not line.startswith("#")]
    return [(int(row["nm"]), row["text"]) for row in csv.DictReader(lines)]


@pytest.mark.parametrize(("nm", "text"), rows())
def test_a_length_prints_as_the_check_table_says(nm, text):
    assert feet_inches(nm) == text


@pytest.mark.parametrize(
    ("text", "nm"),
    [
        ("11 ft 7 3/4 in", ELEVEN_SEVEN),
        ("11'7-3/4\"", ELEVEN_SEVEN),
        ("11' 7 3/4\"", ELEVEN_SEVEN),
        ("11'-7 3/4\"", ELEVEN_SEVEN),
        ("11\u2032 7\u00be\u2033", ELEVEN_SEVEN),
        ("  11 FT. 7 3/4 IN. ", ELEVEN_SEVEN),
        ("8'3-1/2\"", EIGHT_THREE),
        ("8' 3½\"", EIGHT_THREE),
        ("99.5 in", EIGHT_THREE),
        ("2527.3 mm", EIGHT_THREE),
        ("2.5273 m", EIGHT_THREE),
        ("252.73cm", EIGHT_THREE),
        ("3.54 m", 3_540 * NM_PER_MM),
        ("1 220 mm", 1_220 * NM_PER_MM),
        ("4 ft", 4 * NM_PER_FT),
        ("8.25 ft", 8 * NM_PER_FT + 3 * NM_PER_IN),
        ("11''", 11 * NM_PER_IN),
        ("1/64 in", 396_875),
        ("0.000001 mm", 1),
        ("0 mm", 0),
    ],
)
def test_a_length_is_read_as_people_write_it(text, nm):
    assert parse_length(text) == nm


@pytest.mark.parametrize(
    ("text", "says"),
    [
        pytest.param("1/3 in", "The nearest is 21/64 in.", id="a-third-of-an-inch"),
        pytest.param("20 1/3 in", "The nearest is 1 ft 8 21/64 in.", id="a-third-over-a-foot"),
        pytest.param("1/128 in", "The nearest is 1/64 in.", id="198437.5-nm-is-not-whole"),
        pytest.param("3.5400000001 m", "The nearest is 3540 mm.", id="a-tenth-of-a-nanometre"),
        pytest.param("0.0000016 mm", "The nearest is 0.000002 mm.", id="more-than-half-a-nanometre"),
        pytest.param("12", "needs its unit", id="no-unit"),
        pytest.param("12 1/2", "needs its unit", id="no-unit-after-a-fraction"),
        pytest.param("3,54 m", "with a point", id="decimal-comma"),
        pytest.param("1/0 in", "divides by zero", id="zero-below"),
        pytest.param("11 ft 7", "is no length", id="second-unit-missing"),
        pytest.param("7 in 11 ft", "is no length", id="wrong-way-round"),
        pytest.param("-3 mm", "is no length", id="negative"),
        pytest.param("3 mm 4 mm", "is no length", id="twice"),
        pytest.param("", "is no length", id="empty"),
        pytest.param("٣ mm", "is no length", id="other-digits"),
    ],
)
def test_what_is_no_length_is_refused_in_words(text, says):
    with pytest.raises(Unreadable) as refused:
        parse_length(text)

    assert says in str(refused.value)


@pytest.mark.parametrize(
    ("text", "nm"),
    [
        ("11 ft 7 3/4 in", ELEVEN_SEVEN),
        ("139 3/4 in", ELEVEN_SEVEN),
        ("11 ft", 11 * NM_PER_FT),
        ("11 ft 1/2 in", 11 * NM_PER_FT + NM_PER_IN // 2),
        ("1/8 in", 3_175_000),
        ("3.54 m", 3_540 * NM_PER_MM),
        ("354 cm", 3_540 * NM_PER_MM),
        ("3540.5 mm", 3_540_500_000),
    ],
)
def test_a_case_writes_lengths_in_the_contracts_forms(text, nm):
    assert parse_case_length(text) == nm


@pytest.mark.parametrize(
    "text",
    ["", " 1 in", "1 in ", "1  in", "1in", "11 ft7 in", "11 ft  7 in", "11'", "7 in 1 ft", "1/3 in",
     "1/128 in", "1/0 in", "-1 in", "1 IN", "3,5 mm", "1e3 mm", "3540.0000001 mm"],
)  # fmt: skip
def test_a_case_writes_no_other_forms(text):
    with pytest.raises(Unreadable):
        parse_case_length(text)


@settings(deadline=None)
@given(st.integers(0, 100_000 * NM_PER_MM))
def test_a_printed_length_reads_back_within_a_thirty_second_of_an_inch(nm):
    assert abs(parse_length(feet_inches(nm)) - nm) * 32 <= NM_PER_IN


@settings(deadline=None)
@given(st.integers(0, 1_000), st.integers(0, 11), st.integers(0, 63))
def test_whole_sixty_fourths_are_read_exactly_in_both_grammars(feet, inches, part):
    text = f"{feet} ft {inches} {part}/64 in"

    assert parse_length(text) == feet * NM_PER_FT + inches * NM_PER_IN + part * 396_875
    assert parse_case_length(text) == parse_length(text)


@settings(deadline=None)
@given(st.integers(0, 100_000 * NM_PER_MM))
def test_metres_are_read_to_the_nanometre(nm):
    assert parse_length(f"{Decimal(nm).scaleb(-9):.9f} m") == nm


@pytest.mark.parametrize(
    ("nm", "mm"),
    [
        pytest.param(ELEVEN_SEVEN, 3550, id="3549.65"),
        pytest.param(500_000, 1, id="a-half-goes-up"),
        pytest.param(499_999, 0, id="less-than-a-half-does-not"),
        pytest.param(0, 0, id="nothing"),
    ],
)
def test_drawings_show_whole_millimetres(nm, mm):
    assert millimetres(nm) == mm


def test_a_4_by_8_sheet_is_not_1220_by_2440():
    # Trade facts 3.9 and 11.11: 1219.2 by 2438.4 mm, which is 2972897.28 mm², or 32 sq ft.
    sheet = area_mm2(4 * NM_PER_FT * 8 * NM_PER_FT)

    assert sheet == 2_972_897
    assert sheet != 1_220 * 2_440
    assert square_feet(sheet) == "32.0 sq ft"
    assert square_metres(sheet) == "3.0 m²"


@pytest.mark.parametrize(("nm2", "mm2"), [(10**12 // 2, 1), (10**12 // 2 - 1, 0), ((10**11) ** 2, 10**10)])
def test_an_area_is_rounded_to_square_millimetres_once_half_up(nm2, mm2):
    assert area_mm2(nm2) == mm2


@pytest.mark.parametrize(
    ("f", "c"),
    [
        # Trade facts 11.8: exact.
        (40, Fraction(40, 9)),
        (50, 10),
        (70, Fraction(190, 9)),
        (90, Fraction(290, 9)),
        (-40, -40),
        (64.4, 18),
        (Decimal("64.40"), 18),
        (78.8, 26),
    ],
)
def test_fahrenheit_converts_exactly(f, c):
    assert celsius(f, "f") == float(c)


@settings(deadline=None)
@given(st.integers(-400, 1760))
def test_a_tenth_of_a_degree_fahrenheit_reads_back(tenths):
    # 0.1 °F is 1/18 K, no decimal: the float nearest to it reads back as the same tenth.
    assert round(fahrenheit(celsius(tenths / 10, "f")), 9) == tenths / 10


def test_celsius_stays_as_read():
    assert celsius(19.9, "c") == 19.9
    assert celsius(Decimal("19.9"), "c") == 19.9


def test_a_tolerance_has_no_offset():
    # Trade facts 11.9: ±5 °F is ±2.78 K.
    assert round(kelvins(5, "f"), 2) == 2.78
    assert kelvins(5, "c") == 5


def test_another_unit_of_temperature_is_an_error():
    with pytest.raises(ValueError, match="c or f"):
        celsius(290, "k")
