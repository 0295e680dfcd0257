from __future__ import annotations

import json
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal

import pytest

from jobs.core.case_fields import Fields, Refused, case_of, parse, written


def case(text):
    return case_of(text.encode("utf-8", "surrogatepass"))


def value(text):
    """A case of one field `x`, written as JSON."""
    return case(f'{{"x": {text}}}')


def refused_at(read):
    with pytest.raises(Refused) as refused:
        read()
    assert refused.value.why
    return refused.value.at


OTHERS = ['"1"', "true", "false", "null", "[]", "{}", "[1]"]
NO_NUMBERS = [
    "NaN",
    "Infinity",
    "-Infinity",
    "1e400",
    "-1e400",
    "1e-400",
    "1e999999999999999999999",
    "9" * 5000,
]


@pytest.mark.parametrize("text", NO_NUMBERS + OTHERS)
@pytest.mark.parametrize("read", [Fields.number, Fields.decimal, Fields.integer, Fields.seconds])
def test_what_is_no_finite_number_is_refused(read, text):
    assert refused_at(lambda: read(value(text), "x")) == "x"


def test_a_number_keeps_its_decimal_text():
    assert value("0.1").decimal("x") + value("0.7").decimal("x") == Decimal("0.8")
    assert value("0e99999999999").number("x") == 0
    assert value("-0").integer("x") == 0


@pytest.mark.parametrize("text", ["1.0", "1e2", "7200.0"])
def test_a_whole_number_has_no_point(text):
    assert refused_at(lambda: value(text).integer("x")) == "x"


@pytest.mark.parametrize(
    ("text", "good"),
    [
        ("-20", True),
        ("60", True),
        ("-20.000001", False),
        ("60.0000000000000000000001", False),
        ("1e300", False),
    ],
)
def test_limits_are_included_and_held_to_the_decimal_text(text, good):
    if good:
        assert value(text).number("x", -20, 60) == float(text)
    else:
        assert refused_at(lambda: value(text).number("x", -20, 60)) == "x"


def test_a_limit_that_is_not_included_is_refused_itself():
    assert value("1e-300").number("x", above=0) > 0
    assert refused_at(lambda: value("0").number("x", above=0)) == "x"
    assert refused_at(lambda: value("0.0").number("x", above=0)) == "x"
    assert refused_at(lambda: value("1e-350").number("x", above=0)) == "x"


def test_seconds_are_a_duration_not_below_zero():
    assert value("90").seconds("x") == timedelta(seconds=90)
    assert refused_at(lambda: value("-1").seconds("x")) == "x"
    assert refused_at(lambda: value("100000000000000000").seconds("x")) == "x"


@pytest.mark.parametrize(
    ("text", "instant"),
    [
        ("2026-03-08T01:30:00-05:00", datetime(2026, 3, 8, 6, 30, tzinfo=UTC)),
        ("2026-03-08T06:30:00Z", datetime(2026, 3, 8, 6, 30, tzinfo=UTC)),
        ("2026-03-08T12:15:00+05:45", datetime(2026, 3, 8, 6, 30, tzinfo=UTC)),
        ("2000-01-01T00:00:00Z", datetime(2000, 1, 1, tzinfo=UTC)),
        ("2099-12-31T23:59:59Z", datetime(2099, 12, 31, 23, 59, 59, tzinfo=UTC)),
    ],
)
def test_an_instant_carries_its_offset(text, instant):
    assert value(f'"{text}"').instant("x") == instant
    assert value(f'"{text}"').instant("x").tzinfo is UTC


@pytest.mark.parametrize(
    "text",
    [
        "2026-03-08T01:30:00",
        "2026-03-08T01:30:00.0Z",
        "2026-03-08T01:30:00.5Z",
        "2026-03-08T01:30:00,0Z",
        "2026-03-08T01:30Z",
        "2026-03-08",
        "2026-03-08 01:30:00Z",
        "20260308T013000Z",
        "2026-02-29T00:00:00Z",
        "2026-13-01T00:00:00Z",
        "2026-03-08T24:00:00Z",
        "2026-03-08T23:60:00Z",
        "2026-03-08T23:59:60Z",
        "2026-03-08T01:30:00+24:00",
        "2026-03-08T01:30:00+01:60",
        "2026-03-08T01:30:00+0100",
        "2026-03-08T01:30:00+01:00:30",
        "1999-12-31T23:59:59Z",
        "2100-01-01T00:00:00Z",
        "２026-03-08T01:30:00Z",
        "2026-03-08T01:30:00Z ",
        "",
        "now",
    ],
)
def test_an_instant_written_otherwise_is_refused(text):
    assert refused_at(lambda: value(json.dumps(text)).instant("x")) == "x"


@pytest.mark.parametrize("text", ["1", "null", "true", '["2026-03-08T01:30:00Z"]'])
def test_an_instant_is_a_string(text):
    assert refused_at(lambda: value(text).instant("x")) == "x"


def test_an_instant_is_written_in_utc():
    assert written(datetime.fromisoformat("2026-03-08T01:30:00-05:00")) == "2026-03-08T06:30:00Z"
    assert written(None) is None


def test_an_id_has_1_to_64_characters():
    assert value('"' + "é" * 64 + '"').text("x") == "é" * 64
    for text in ('""', '"' + "a" * 65 + '"', "1", "null", r'"\ud800"'):
        assert refused_at(lambda text=text: value(text).text("x")) == "x"


def test_a_choice_is_one_of_its_options():
    assert value('"any"').choice("x", "any", "temperature") == "any"
    assert refused_at(lambda: value('"Any"').choice("x", "any", "temperature")) == "x"


def test_a_truth_is_no_number_and_no_word():
    assert value("true").boolean("x") is True
    for text in ("1", "0", '"true"', "null"):
        assert refused_at(lambda text=text: value(text).boolean("x")) == "x"


def test_a_day_is_a_date_that_a_calendar_has():
    assert value('"2026-06-30"').day("x") == date(2026, 6, 30)
    for text in ("2026-02-29", "2026-6-30", "20260630", "2026-W27-2", ""):
        assert refused_at(lambda text=text: value(json.dumps(text)).day("x")) == "x"


def test_a_time_zone_is_one_of_the_database():
    assert value('"Europe/Paris"').time_zone("x").key == "Europe/Paris"
    for text in ('"Mars/Olympus"', '"localtime"', '"../UTC"', '""', "1"):
        assert refused_at(lambda text=text: value(text).time_zone("x")) == "x"


@pytest.mark.parametrize(
    ("text", "nm"),
    [
        ("25400000", 25_400_000),
        ('"1/64 in"', 396_875),
        ('"100 m"', 10**11),
        ("0", 0),
        ("100000000000", 10**11),
    ],
)
def test_a_length_is_nanometres_or_a_text(text, nm):
    assert value(text).length("x") == nm


@pytest.mark.parametrize(
    "text", ["-1", "100000000001", '"100.001 m"', '"1/3 in"', '"tall"', "1.0", "true", "null"]
)
def test_another_length_is_refused(text):
    assert refused_at(lambda: value(text).length("x")) == "x"


# ---- structure ----


def reading(fields):
    return fields.text("id"), fields.number("t_c", -60, 80)


def test_a_wrong_field_is_named_by_its_path():
    readings = '{"readings": [{"id": "a", "t_c": 1}, {"id": "b", "t_c": %s}]}'

    assert case(readings % "2").parts("readings", reading) == (("a", 1), ("b", 2))
    assert refused_at(lambda: case(readings % "81").parts("readings", reading)) == "readings[1].t_c"
    assert refused_at(lambda: case(readings % '2, "x": 1').parts("readings", reading)) == "readings[1].x"
    assert refused_at(lambda: case(readings % '2, "id": "b"').parts("readings", reading)) == "readings[1].id"


def test_a_field_left_unread_is_unknown():
    fields = case('{"t_c": 20, "tc": 21}')
    fields.number("t_c")

    assert refused_at(fields.end) == "tc"


def test_a_field_left_out_is_missing_unless_it_has_a_default():
    fields = case("{}")

    assert refused_at(lambda: fields.number("t_c")) == "t_c"
    assert fields.optional("t_c", 5.0, fields.number) == 5
    assert fields.nullable("t_c", fields.number) is None
    assert refused_at(lambda: fields.require("t_c")) == "t_c"


def test_null_is_not_left_out_where_there_is_a_default():
    assert refused_at(lambda: (x := value("null")).optional("x", 5.0, x.number)) == "x"


def test_null_is_allowed_where_the_contract_says_so():
    fields = value("null")

    fields.require("x")
    assert fields.nullable("x", fields.instant) is None
    fields.end()


@pytest.mark.parametrize("text", ["{}", "null", '"abc"', "1"])
def test_a_list_is_a_list(text):
    assert refused_at(lambda: value(text).each("x", Fields.text)) == "x"


def test_the_items_of_a_list_are_named_by_their_number():
    assert value('["dry", "flat"]').each("x", Fields.text) == ("dry", "flat")
    assert refused_at(lambda: value('["dry", 1]').each("x", Fields.text)) == "x[1]"


@pytest.mark.parametrize("text", ["[]", "null", '"abc"', "1"])
def test_an_object_is_an_object(text):
    assert refused_at(lambda: value(text).part("x", reading)) == "x"
    assert refused_at(lambda: value(f"[{text}]").parts("x", reading)) == "x[0]"


def test_an_object_may_have_names_of_its_own():
    fields = value('{"crew": {"id": "a", "t_c": 1}}')

    assert fields.entries("x", lambda entries, name: entries.part(name, reading)) == {"crew": ("a", 1)}


@pytest.mark.parametrize("name", ["", "a" * 65, "\\ud800"])
def test_names_of_its_own_are_ids(name):
    fields = value(f'{{"{name}": 1}}')

    assert refused_at(lambda: fields.entries("x", lambda entries, key: entries.id_named(key))).startswith(
        "x."
    )


def test_a_name_given_twice_is_refused_at_any_depth():
    assert refused_at(lambda: case('{"a": 1, "a": 1}')) == "a"
    assert refused_at(lambda: value('{"b": 1, "b": 2}').part("x", reading)) == "x.b"


def test_an_id_used_twice_is_refused_at_its_second_use():
    assert refused_at(lambda: case("{}").distinct("acts", ["a", "b", "a"])) == "acts[2].id"
    case("{}").distinct("acts", ["a", "b"])


# ---- texts ----


def test_id_note_and_kind_are_allowed_in_every_case_and_nowhere_else():
    case('{"kind": "dew", "id": "7", "note": "seen by nobody"}').end()

    for name in ("id", "note", "kind"):
        assert refused_at(lambda name=name: case(f'{{"{name}": 5}}')) == name
    assert refused_at(lambda: value('{"note": "here not"}').part("x", lambda part: None)) == "x.note"


def test_an_example_is_read_for_its_case_alone():
    assert case('{"case": {"t_c": 3}, "expect": NaN, "expect": 1}').number("t_c") == 3


@pytest.mark.parametrize(
    "text", ['{"case": 5}', '{"case": null}', '{"case": [{}]}', '{"case": {}, "case": {}}']
)
def test_the_case_of_an_example_is_one_object(text):
    assert refused_at(lambda: case(text)) == "case"


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b" ",
        b"[]",
        b"[{}]",
        b"5",
        b'"text"',
        b"null",
        b"NaN",
        b"{",
        b"{} {}",
        b"{'a': 1}",
        b'{"a": 1,}',
        b'{"a": 01}',
        b'{"a": "\x01"}',
        b"\xff\xfe{}",
        b'{"a": "\xff"}',
        b'{"a":' * 100_000,
        b"[" * 100_000 + b"]" * 100_000,
    ],
)
def test_a_text_that_is_no_object_is_refused_at_the_root(data):
    assert refused_at(lambda: case_of(data)) == "$"


def test_a_byte_order_mark_is_no_mistake():
    assert parse(b'\xef\xbb\xbf{"a": 1}') == {"a": 1}
