from __future__ import annotations

import json
import time
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from jobs.core.logger_file import Answers, Ask, FileError, ReadOut, answers_of, read, size_error
from jobs.core.logger_table import MAX_LINES

LOGGERS = Path(__file__).parents[3] / "fixtures" / "loggers"
PARIS = Answers(time_zone="Europe/Paris")


def fixture_runs():
    """Yield each run that stands beside a file of `fixtures/loggers`: all expectations there are worked by hand."""
    for expectation in sorted(LOGGERS.glob("*.expect.json")):
        name = expectation.name.removesuffix(".expect.json")
        for number, run in enumerate(json.loads(expectation.read_text("utf-8"))["runs"], start=1):
            yield pytest.param(LOGGERS / f"{name}.csv", run, id=f"{name}-{number}")


def told_of(result):
    """Return a result in the form of an expectation."""
    match result:
        case ReadOut(readings):
            return {"readings": [[f"{one.at:%Y-%m-%dT%H:%M:%SZ}", one.t_c, one.rh_pct] for one in readings]}
        case Ask(questions):
            return {"ask": [question.key for question in questions]}
        case FileError(row, column):
            return {"error": {"row": row, "column": column}}


def told(text, answers=PARIS):
    return told_of(read(text.encode(), answers))


@pytest.mark.parametrize(("file", "run"), list(fixture_runs()))
def test_each_odd_file_is_read_right_or_asked_about_or_refused(file, run):
    answers = answers_of(run.pop("answers"))

    assert told_of(read(file.read_bytes(), answers)) == run


def test_each_odd_file_has_its_expectation_and_the_other_way_round():
    files = {file.stem for file in LOGGERS.glob("*.csv")}

    assert files == {file.name.removesuffix(".expect.json") for file in LOGGERS.glob("*.expect.json")}
    assert len(files) >= 30


@pytest.mark.parametrize(
    ("header", "row"),
    [
        pytest.param("Time,T °C,RH %", "2026-05-13 06:05,19.9,46", id="iso"),
        pytest.param("Time,T °C,RH %", "2026-05-13T06:05:00+02:00,19.9,46", id="offset"),
        pytest.param("Time,T °C,RH %", "20260513T040500Z,19.9,46", id="iso-basic"),
        pytest.param("Time,T °C,RH %", "2026-05-13 06:05:00.000,19.9,46", id="fraction-with-a-point"),
        pytest.param("Time;T °C;RH %", "2026-05-13 06:05:00,999;19.9;46", id="fraction-with-a-comma"),
        pytest.param("Time;T °C;RH %", "13.05.2026, 06:05;19,9;46", id="comma-before-the-time"),
        pytest.param("Time;T °C;RH %", "13. 05. 2026 6:05;19,9;46", id="blanks-after-the-points"),
        pytest.param("Time;T °C;RH %", "13.05.2026 06.05.00;19,9;46", id="points-in-the-time"),
        pytest.param("Time;T °C;RH %", "06:05:00 13.05.2026;19,9;46", id="time-first"),
        pytest.param("Time;T °C;RH %", "13/05/2026 6:05 a.m.;19,9;46", id="a-m"),
        pytest.param("Time;T °C;RH %", "5/13/2026 6:05AM;19,9;46", id="month-first"),
        pytest.param("Time;T °C;RH %", "Mi, 13 Mai 2026 06:05;19,9;46", id="german-names"),
        pytest.param("Time,T °C,RH %", '"May 13, 2026 6:05 AM",19.9,46', id="quoted-comma"),
        pytest.param("Time;T °C;RH %", "\u200e13/\u200e05/\u200e2026 06:05;19,9;46", id="unseen-marks"),
        pytest.param("Date,Time,T °C,RH %", "20260513,06:05,19.9,46", id="eight-digits"),
        pytest.param(
            "Date,Time,Elapsed,T °C,RH %", "13/05/2026,06:05,00:10:00,19.9,46", id="time-since-start"
        ),
        pytest.param("Date,Time,UTC offset,T °C,RH %", "13/05/2026,06:05,+02:00,19.9,46", id="offset-column"),
        pytest.param("Time,Time zone,T °C,RH %", "2026-05-13 06:05,Europe/Paris,19.9,46", id="zone-column"),
        pytest.param(
            "Time (UTC),Local,T °C,RH %", "2026-05-13 04:05,2026-05-13 06:05,19.9,46", id="utc-and-local"
        ),
        pytest.param("Time (Europe/Berlin),T °C,RH %", "2026-05-13 06:05,19.9,46", id="place-in-the-header"),
        pytest.param("Time,Temperature in °C,%RH", "2026-05-13 06:05,+19.9,46", id="plus-sign"),
        pytest.param("Time,TempC,RelHumidity", "2026-05-13 06:05,1.99E+01,46.", id="powers-of-ten"),
        pytest.param("Time,temperature_degC,humidity", "2026-05-13 06:05,19.9 C,46 % r.F.", id="units-twice"),
    ],
)
def test_one_reading_is_the_same_however_it_is_written(header, row):
    assert told(f"{header}\n{row}\n") == {"readings": [["2026-05-13T04:05:00Z", 19.9, 46.0]]}


@pytest.mark.parametrize(
    ("header", "row", "column"),
    [
        pytest.param("time,t_c,rh", "2026-05-12 06:05,19.9*,46", "t_c", id="flagged-value"),
        pytest.param("time,t_c,rh", "2026-05-12 06:05,nan,46", "t_c", id="not-a-number"),
        pytest.param("time,t_c,rh", "2026-05-12 06:05,19.9,OL", "rh", id="overload"),
        pytest.param("time,t_c,rh", "2026-05-12 06:05,80.1,46", "t_c", id="one-past-the-hottest"),
        pytest.param(
            "time,temp °F,rh", "2026-05-12 06:05,176.1,46", "temp °F", id="one-past-the-hottest-in-f"
        ),
        pytest.param("time,t_c,rh", "2026-05-12 06:05,-60.1,46", "t_c", id="one-past-the-coldest"),
        pytest.param("time,t_c,rh", "2026-05-12 06:05,19.9,105.1", "rh", id="one-past-the-wettest"),
        pytest.param("time,t_c,rh", "2026-05-12 06:05,19.9,-0.1", "rh", id="below-dry"),
        pytest.param("time;t_c;rh", "2026-05-12 06:05;1.019,9;46", "t_c", id="two-signs"),
        pytest.param("time,t_c,rh", "2026-05-12 06:60,19.9,46", "time", id="no-such-minute"),
        pytest.param("time,t_c,rh", "2026-05-12 25:00,19.9,46", "time", id="no-such-hour"),
        pytest.param("time,t_c,rh", "2026-05-12 13:05 PM,19.9,46", "time", id="thirteen-pm"),
        pytest.param("time,t_c,rh", "2026-05-12 06:00-07:00,19.9,46", "time", id="an-hour-from-to"),
        pytest.param("time,t_c,rh", "0026-05-12 06:05,19.9,46", "time", id="year-of-no-logger"),
        pytest.param("Time,T °C,RH", "2026-05-12 06:05 CEST,19.9", "RH", id="row-breaks-off"),
    ],
)
def test_a_row_that_cannot_be_right_is_left_out_or_refuses_the_file_as_answered(header, row, column):
    good = f"2026-05-11T06:05:00,{68 if '°F' in header else 20},45".replace(",", header[4])
    text = f"{header}\n{good}\n{row}\n"

    asked = read(text.encode(), PARIS)

    assert isinstance(asked, Ask)
    assert [(one.key, one.example.row) for one in asked.questions] == [("leave_out", 3)]
    assert told(text, replace(PARIS, leave_out="yes")) == {"readings": [["2026-05-11T04:05:00Z", 20.0, 45.0]]}
    assert told(text, replace(PARIS, leave_out="no")) == {"error": {"row": 3, "column": column}}


@pytest.mark.parametrize(
    "rows",
    [
        pytest.param("2026-05-12T06:05:00Z,20,45\n2026-05-12T06:15:00,20,45", id="offset-missing"),
        pytest.param("2026-05-12 06:05 AM,20,45\n2026-05-12 06:15,20,45", id="half-missing"),
        pytest.param("2026-05-12 06:05,20 °C,45\n2026-05-12 06:15,20,45", id="unit-missing"),
        pytest.param("2026-05-12 06:05,20,45\n2026-05-12 06:15,20,45,9", id="a-cell-too-many"),
    ],
)
def test_a_row_unlike_the_others_refuses_the_file(rows):
    result = read(f"time,temp,rh\n{rows}\n".encode(), Answers(time_zone="Europe/Paris", unit="c"))

    assert isinstance(result, FileError)
    assert result.row == 3


def test_more_than_two_offsets_are_no_clock():
    rows = "".join(f"2026-05-12T06:05:00+0{hour}:00,20,45\n" for hour in (1, 2, 3))

    assert told("time,t_c,rh\n" + rows) == {"error": {"row": 4, "column": "time"}}


def test_a_zone_that_does_not_exist_is_said_so():
    for name in ("Mars/Olympus", "../../etc/passwd", "", "Europe", "UTC+25:00"):
        assert told("time,t_c,rh\n2026-05-12 06:05,20,45\n", Answers(time_zone=name)) == {
            "error": {"row": None, "column": None}
        }


@pytest.mark.parametrize("number", [0, 4, 9999])
def test_a_column_that_does_not_exist_is_said_so(number):
    answers = Answers(time_zone="UTC", temperature_column=number)

    assert isinstance(read(b"time,t_c,rh\n2026-05-12 06:05,20,45\n", answers), FileError)


def test_one_column_is_not_read_as_two():
    answers = Answers(time_zone="UTC", temperature_column=3)

    assert isinstance(read(b"time,t_c,rh\n2026-05-12 06:05,20,45\n", answers), FileError)


def test_a_date_apart_is_asked_for_when_a_column_of_dates_also_shows_midnight():
    text = "Date,Time,T °C,RH\n2026-05-13 00:00:00,06:05,19.9,46\n"

    assert told(text) == {"ask": ["time_column", "date_column"]}


def test_the_size_is_refused_before_the_file_is_taken_into_memory():
    assert size_error(50_000_000) is None
    assert size_error(50_000_001) == read(bytes(50_000_001))
    assert read(b"123456", max_bytes=5) == size_error(6, max_bytes=5)


def test_lines_without_end_are_refused():
    result = read(b"time,t_c,rh\n2026-05-12T06:05:00Z,20,45\n" + b"\n" * MAX_LINES)

    assert isinstance(result, FileError)
    assert result.row is not None


@pytest.mark.parametrize(
    "head", [b"PK\x03\x04", b"%PDF-1.7", b"\xd0\xcf\x11\xe0", b"\x1f\x8b\x08", b"\x89PNG\r\n"]
)
def test_a_file_of_another_kind_is_refused_in_plain_words(head):
    result = read(head + bytes(range(256)))

    assert isinstance(result, FileError)
    assert result.why.text.startswith("This ")


def test_what_was_read_is_told_in_words():
    text = "Zeit;Temperatur °C;Feuchte %\n13.05.2026 06:05;19,9;100,5\n13.05.2026 06:05;19,9;100,5\n"
    result = read(text.encode(), PARIS)

    assert isinstance(result, ReadOut)
    said = {say.text: say.values for say in result.told}
    first = said["First row: {at}, {temperature} {unit}, {humidity} %."]
    assert first == {
        "at": datetime(2026, 5, 13, 4, 5, tzinfo=UTC),
        "temperature": 19.9,
        "unit": "°C",
        "humidity": 100.5,
    }
    assert said["Times are those of {zone}, as answered."] == {"zone": "Europe/Paris"}
    assert (result.repeated, result.over_100, result.zone) == (1, 1, "Europe/Paris")
    assert (result.delimiter, result.header) == (";", ("Zeit", "Temperatur °C", "Feuchte %"))


def test_the_value_is_kept_as_read_with_its_unit():
    result = read(b"time,temp_f,rh\n2026-05-12T06:05:00Z,64.4,46\n")

    assert isinstance(result, ReadOut)
    (reading,) = result.readings
    # 64.4 F is 18 C exactly: (64.4 - 32) * 5 / 9 = 32.4 * 5 / 9 = 162 / 9.
    assert (reading.value, reading.unit, reading.t_c, reading.row) == (64.4, "f", 18.0, 2)


def test_an_order_that_lets_the_rows_run_on_is_called_likely_and_not_taken():
    result = read(
        b"time;t_c;rh\n04/05/2026 06:05;20;46\n05/05/2026 06:05;20;46\n04/06/2026 06:05;20;46\n", PARIS
    )

    assert isinstance(result, Ask)
    assert result.questions[0].likely == "yes"


@pytest.mark.parametrize(
    "given",
    [
        {"unit": "r"},
        {"day_first": "maybe"},
        {"colour": "red"},
        {"temperature_column": "-1"},
        {"fold": "third"},
    ],
)
def test_an_answer_that_no_question_has_is_refused(given):
    with pytest.raises(ValueError, match="cannot be answered"):
        answers_of(given)


# ---- nights of a clock change ----

#: Zone, the instant at which its clock goes back, and by how much.  Source: the zone database.
AUTUMN = [
    pytest.param("Europe/Paris", datetime(2026, 10, 25, 1, tzinfo=UTC), timedelta(hours=1), id="Paris"),
    pytest.param("America/Chicago", datetime(2026, 11, 1, 7, tzinfo=UTC), timedelta(hours=1), id="Chicago"),
    pytest.param(
        "Australia/Lord_Howe", datetime(2026, 4, 4, 15, tzinfo=UTC), timedelta(minutes=30), id="Lord-Howe"
    ),
]
SPRING = [
    pytest.param("Europe/Paris", datetime(2026, 3, 29, 1, tzinfo=UTC), id="Paris"),
    pytest.param("America/Chicago", datetime(2026, 3, 8, 8, tzinfo=UTC), id="Chicago"),
    pytest.param("Australia/Lord_Howe", datetime(2026, 10, 3, 15, 30, tzinfo=UTC), id="Lord-Howe"),
]


def written(instants, zone, *, newest_first=False):
    """Return a file of these instants by the wall clock of a zone, each row with a humidity of its own."""
    rows = [
        f"{at.astimezone(ZoneInfo(zone)):%Y-%m-%d %H:%M:%S},20.0,{40 + number % 300 / 10:.1f}"
        for number, at in enumerate(instants)
    ]
    return "\n".join(["time,t_c,rh", *(reversed(rows) if newest_first else rows), ""]).encode()


def instants_of(result):
    assert isinstance(result, ReadOut), result
    return [reading.at for reading in result.readings]


def every(step, begin, end):
    return [begin + number * step for number in range((end - begin) // step + 1)]


@pytest.mark.parametrize(("zone", "change", "by"), AUTUMN)
@pytest.mark.parametrize("minutes", [1, 5, 10, 15])
@pytest.mark.parametrize("newest_first", [False, True], ids=["oldest-first", "newest-first"])
def test_a_night_put_back_reads_back_as_it_was(zone, change, by, minutes, newest_first):
    instants = every(timedelta(minutes=minutes), change - timedelta(hours=8), change + timedelta(hours=8))

    result = read(written(instants, zone, newest_first=newest_first), Answers(time_zone=zone))

    assert instants_of(result) == instants


@pytest.mark.parametrize(("zone", "change", "by"), AUTUMN)
@pytest.mark.parametrize("edge", ["begins", "ends"])
def test_a_file_that_begins_or_ends_in_the_repeated_time_is_placed_by_its_interval(zone, change, by, edge):
    ten = timedelta(minutes=10)
    if edge == "begins":
        instants = every(ten, change + ten, change + timedelta(hours=8))
    else:
        instants = every(ten, change - timedelta(hours=8), change - ten)

    result = read(written(instants, zone), Answers(time_zone=zone))

    assert instants_of(result) == instants


@pytest.mark.parametrize(("zone", "change", "by"), AUTUMN)
@pytest.mark.parametrize("fold", ["first", "second"])
def test_one_pass_alone_is_asked_about_and_then_taken_as_answered(zone, change, by, fold):
    ten = timedelta(minutes=10)
    before = every(ten, change - timedelta(hours=8), change - by - ten)
    inside = every(ten, change - by, change - ten)
    if fold == "second":
        inside = [at + by for at in inside]
    instants = [*before, *inside, *every(ten, change + by, change + timedelta(hours=8))]
    data = written(instants, zone)

    assert told_of(read(data, Answers(time_zone=zone))) == {"ask": ["fold"]}
    assert instants_of(read(data, Answers(time_zone=zone, fold=fold))) == instants


@pytest.mark.parametrize(("zone", "change", "by"), AUTUMN)
def test_a_clock_that_nobody_put_back_is_an_answer_to_which_pass_and_leads_to_its_offset(zone, change, by):
    ten = timedelta(minutes=10)
    summer = (change - ten).astimezone(ZoneInfo(zone)).utcoffset()
    instants = every(ten, change - timedelta(hours=8), change + timedelta(hours=8))
    rows = [f"{at + summer:%Y-%m-%d %H:%M:%S},20.0,{40 + at.minute / 10}" for at in instants]
    data = "\n".join(["time,t_c,rh", *rows, ""]).encode()

    assert told_of(read(data, Answers(time_zone=zone))) == {"ask": ["fold"]}
    asked = read(data, Answers(time_zone=zone, fold="no"))
    assert isinstance(asked, Ask)
    assert [one.key for one in asked.questions] == ["time_zone"]
    offset = asked.questions[0].choices[0].value
    assert instants_of(read(data, Answers(time_zone=offset, fold="no"))) == instants


@pytest.mark.parametrize(("zone", "change", "by"), AUTUMN)
def test_rows_out_of_order_in_the_repeated_time_are_asked_about(zone, change, by):
    instants = every(timedelta(minutes=10), change - by, change - timedelta(minutes=10))
    shuffled = [
        instants[1],
        instants[0],
        *instants[2:],
        change - timedelta(hours=3),
        change + timedelta(hours=3),
    ]

    assert told_of(read(written(shuffled, zone), Answers(time_zone=zone))) == {"ask": ["fold"]}


@pytest.mark.parametrize(("zone", "change", "by"), AUTUMN)
def test_a_logger_whose_clock_nobody_put_back_is_asked_about(zone, change, by):
    three = timedelta(hours=3)
    wall = ZoneInfo(zone)
    begin = (change - timedelta(hours=21)).astimezone(wall).replace(tzinfo=None)
    rows = [f"{begin + number * three:%Y-%m-%d %H:%M:%S},20.0,{40 + number}" for number in range(14)]
    data = "\n".join(["time,t_c,rh", *rows, ""]).encode()

    result = read(data, Answers(time_zone=zone))

    assert isinstance(result, Ask)
    assert result.questions[0].key in ("clock_changed", "fold")


@pytest.mark.parametrize(("zone", "change"), SPRING)
def test_a_night_put_forward_reads_back_as_it_was(zone, change):
    instants = every(timedelta(minutes=10), change - timedelta(hours=8), change + timedelta(hours=8))

    assert instants_of(read(written(instants, zone), Answers(time_zone=zone))) == instants


@pytest.mark.parametrize(("zone", "change"), SPRING)
def test_a_time_that_the_clock_skipped_refuses_the_file_there(zone, change):
    wall = ZoneInfo(zone)
    skipped = (change - timedelta(minutes=5)).astimezone(wall).replace(tzinfo=None) + timedelta(minutes=10)
    data = f"time,t_c,rh\n{skipped:%Y-%m-%d %H:%M},20,45\n".encode()

    assert told_of(read(data, Answers(time_zone=zone))) == {"error": {"row": 2, "column": "time"}}


# ---- any readings in any dialect ----

ZONES = ("Europe/Paris", "America/Chicago", "Australia/Lord_Howe", "Asia/Kolkata")
DATES = {
    "iso": "%Y-%m-%d",
    "points": "%d.%m.%Y",
    "slashes-day": "%d/%m/%Y",
    "slashes-month": "%m/%d/%Y",
    "short-day": "%d.%m.%y",
    "short-month": "%m/%d/%y",
    "short-year": "%y-%m-%d",
    "letters": "%d-%b-%Y",
}
CLOCKS = ("%H:%M:%S", "%I:%M:%S %p", "%H.%M.%S")
ENDS = ("\n", "\r\n", "\r")
ENCODINGS = ("utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252")
HEADERS = (
    (("Date", "Time"), "Temperature (°C)", "Humidity (%)"),
    (("Datum", "Uhrzeit"), "Temp. °C", "rel. Feuchte %"),
    (("date", "time"), "t_c", "rh_pct"),
    (("Date", "Time"), "Temp °F", "RH"),
    (("Date", "Time"), "Temp", "RH"),
)


@st.composite
def air(draw):
    """Draw instants with a temperature and a humidity in tenths, most of them around nights of a clock change."""
    begin = draw(
        st.sampled_from(
            [
                datetime(2026, 10, 24, 18, tzinfo=UTC),
                datetime(2026, 10, 31, 23, tzinfo=UTC),
                datetime(2026, 4, 4, 9, tzinfo=UTC),
                datetime(2026, 3, 28, 20, tzinfo=UTC),
                datetime(2026, 6, 9, tzinfo=UTC),
            ]
        )
    )
    step = draw(st.sampled_from([1, 60, 300, 600, 900, 1800, 3600, 10800]))
    steps = draw(st.lists(st.integers(0, 200), min_size=1, max_size=30, unique=True))
    values = draw(
        st.lists(
            st.tuples(st.integers(-300, 799), st.integers(11, 1000)), min_size=len(steps), max_size=len(steps)
        )
    )
    shift = draw(st.integers(0, 3600))
    return {
        begin + timedelta(seconds=shift + step * number): value
        for number, value in zip(steps, values, strict=True)
    }


@st.composite
def dialects(draw):
    delimiter = draw(st.sampled_from([",", ";", "\t", "|"]))
    return {
        "delimiter": delimiter,
        "decimal": draw(st.sampled_from([".", ","])),
        "date": draw(st.sampled_from(sorted(DATES))),
        "clock": draw(st.sampled_from(CLOCKS)),
        "apart": draw(st.booleans()),
        "end": draw(st.sampled_from(ENDS)),
        "encoding": draw(st.sampled_from(ENCODINGS)),
        "header": draw(st.sampled_from(HEADERS)),
        "zone": draw(st.sampled_from(ZONES)),
        "order": draw(st.sampled_from(["oldest-first", "newest-first", "shuffled"])),
        "trailing": draw(st.booleans()),
        "preamble": draw(st.booleans()),
    }


def dialect_of(rows, how, shuffle):
    """Write readings as some logger would; returns the bytes."""
    mark = how["delimiter"]
    (date_name, time_name), temperature, humidity = how["header"]
    apart = how["apart"] and how["clock"] != "%H.%M.%S"
    head = (
        [date_name, time_name, temperature, humidity]
        if apart
        else [f"{date_name} {time_name}", temperature, humidity]
    )
    order = sorted(rows, reverse=how["order"] == "newest-first")
    if how["order"] == "shuffled":
        order = shuffle(order)
    lines = [["Logger", "Hall 3"], ["Made", "by a test"], []] if how["preamble"] else []
    lines.append(head)
    for at in order:
        local = at.astimezone(ZoneInfo(how["zone"]))
        day, clock = local.strftime(DATES[how["date"]]), local.strftime(how["clock"])
        numbers = [f"{tenths / 10:.1f}".replace(".", how["decimal"]) for tenths in rows[at]]
        lines.append([*([day, clock] if apart else [f"{day} {clock}"]), *numbers])
    texts = [
        mark.join(f'"{cell}"' if mark in cell else cell for cell in cells)
        + (mark if how["trailing"] and cells else "")
        for cells in lines
    ]
    return (how["end"].join(texts) + how["end"]).encode(how["encoding"])


@settings(max_examples=400, deadline=None)
@given(rows=air(), how=dialects(), data=st.data())
def test_readings_in_any_dialect_read_back_the_same_or_are_asked_about(rows, how, data):
    text = dialect_of(rows, how, lambda order: data.draw(st.permutations(order)))
    is_fahrenheit = "°F" in how["header"][1]

    result = read(text, Answers(time_zone=how["zone"]))

    match result:
        case ReadOut(readings):
            assert {one.at: (one.value, one.rh_pct) for one in readings} == {
                at: (t / 10, rh / 10) for at, (t, rh) in rows.items()
            }
            assert {one.unit for one in readings} == {"f" if is_fahrenheit else "c"}
            assert how["header"][1] != "Temp"
        case Ask(questions):
            keys = {question.key for question in questions}
            # One row far out of order may be damaged; many are a file in no order.
            in_no_order = {"doubtful"} if how["order"] == "shuffled" else set()
            assert keys <= {"day_first", "unit", "fold", "clock_changed"} | in_no_order
            if "day_first" in keys:
                assert (
                    max(at.astimezone(ZoneInfo(how["zone"])).day for at in rows) <= 12
                    or "short" in how["date"]
                )
            if "unit" in keys:
                # No air stays above 50 °C: that may be °F below a wrong header.
                assert how["header"][1] == "Temp" or min(t for t, _rh in rows.values()) > 500
        case FileError():
            pytest.fail(f"a file without a fault was refused: {result}")


@settings(max_examples=200, deadline=None)
@given(rows=air(), how=dialects())
def test_right_answers_give_the_readings_that_were_written(rows, how):
    assume(how["order"] != "shuffled")
    zone = ZoneInfo(how["zone"])
    passes = {at.astimezone(zone).fold for at in rows if is_repeated(at, zone)}
    right = Answers(
        time_zone=how["zone"],
        day_first={"iso": None, "letters": None}.get(
            how["date"], "yes" if how["date"].endswith(("day", "points")) else "no"
        ),
        unit="c",
        fold=["first", "second"][passes.pop()] if len(passes) == 1 else None,
        clock_changed="yes",
    )
    if how["date"] == "short-year":
        right = answers_of(
            {
                "time_zone": how["zone"],
                "day_first": "year",
                "unit": "c",
                "fold": right.fold or "",
                "clock_changed": "yes",
            }
        )

    result = read(dialect_of(rows, how, list), right)

    if isinstance(result, Ask):
        assert [question.key for question in result.questions] == ["fold"]
        assert len(passes) != 1
    else:
        assert isinstance(result, ReadOut), result
        assert {one.at: one.value for one in result.readings} == {at: t / 10 for at, (t, _rh) in rows.items()}


@st.composite
def damages(draw):
    """Draw a file of readings in a fixed form, and the same with one separator, line end or quote too many or few."""
    mark = draw(st.sampled_from([",", ";", "\t", "|"]))
    extra = draw(st.sampled_from([[], ["dew point °C"], ["dew point °C", "battery V"]]))
    begin = datetime(2026, 5, draw(st.sampled_from([4, 13])), 4, tzinfo=UTC)
    rows = {
        begin + number * timedelta(minutes=10): (200 + number, 451 + 3 * number)
        for number in range(draw(st.integers(4, 30)))
    }
    lines = [mark.join(["time", "Temp °C", "RH %", *extra])]
    for at, (t, rh) in rows.items():
        cells = [f"{at:%Y-%m-%dT%H:%M:%SZ}", f"{t / 10:.1f}", f"{rh / 10:.1f}", *["8.1", "2.9"][: len(extra)]]
        lines.append(mark.join(cells))
    text = "\n".join([*lines, ""])
    first = len(lines[0]) + 1
    at = draw(st.integers(first, len(text) - 1))
    how = draw(
        st.sampled_from(["mark-lost", "line-joined", "mark-more", "line-broken", "quote-more", "cut-off"])
    )
    if how in ("mark-lost", "line-joined"):
        lost = mark if how == "mark-lost" else "\n"
        places = [place for place in range(first, len(text) - 1) if text[place] == lost]
        at = draw(st.sampled_from(places))
        return rows, text[:at] + text[at + 1 :]
    if how == "cut-off":
        return rows, text[:at]
    return rows, text[:at] + {"mark-more": mark, "line-broken": "\n", "quote-more": '"'}[how] + text[at:]


@settings(max_examples=500, deadline=None)
@given(damages())
def test_a_damaged_line_never_makes_a_reading_that_was_not_there(damage):
    rows, text = damage

    result = read(text.encode(), replace(PARIS, leave_out="yes", doubtful="leave", unit="c"))

    if isinstance(result, ReadOut):
        found = {one.at: (one.value, one.rh_pct) for one in result.readings}
        assert found.items() <= {at: (t / 10, rh / 10) for at, (t, rh) in rows.items()}.items()


def is_repeated(at, zone):
    local = at.astimezone(zone)
    return local.replace(fold=0).utcoffset() > local.replace(fold=1).utcoffset()


@settings(max_examples=300, deadline=None)
@given(
    st.binary(max_size=300)
    | st.text(alphabet='0123456789.,;:/- \n"°CF%TRHZ+amp', max_size=200).map(str.encode)
)
def test_whatever_the_bytes_there_is_one_of_the_three_answers(data):
    assert isinstance(read(data, PARIS), ReadOut | Ask | FileError)


def test_a_hundred_thousand_rows_take_less_than_two_seconds_of_the_processor():
    begin = datetime(2024, 6, 1, tzinfo=UTC)
    instants = [begin + number * timedelta(minutes=5) for number in range(100_000)]
    data = written(instants, "Europe/Paris")

    # The goal for the whole import is 8 s; the tests' machine may be busy, so the best of three counts.
    took = []
    for _ in range(3):
        started = time.process_time()
        result = read(data, PARIS)
        took.append(time.process_time() - started)

    assert instants_of(result) == instants
    assert min(took) < 2


# ---- columns ----


@pytest.mark.parametrize(
    ("header", "cells"),
    [
        pytest.param("Zeit;Lufttemperatur °C;rel. Luftfeuchte %", "19,9;46", id="german"),
        pytest.param("Fecha y hora;Temperatura (ºC);Humedad relativa (%)", "19,9;46", id="spanish"),
        pytest.param("Data e ora;Temperatura °C;Umidità %", "19,9;46", id="italian"),
        pytest.param("Tijd;Temperatuur °C;Luchtvochtigheid %", "19,9;46", id="dutch"),
        pytest.param("Tid;Temperatur °C;Luftfuktighet %", "19,9;46", id="swedish"),
        pytest.param("Aika;Lämpötila °C;Kosteus %", "19,9;46", id="finnish"),
        pytest.param("Time;Temp(℃);%RH", "19,9;46", id="one-sign-for-degree-and-letter"),
        pytest.param("Time;°C;%", "19,9;46", id="units-alone"),
        pytest.param("Time;Temp (Â°C);RH (%)", "19,9;46", id="degree-sign-saved-wrong"),
        pytest.param("Time;T (C°);r.F.", "19,9;46", id="degree-sign-behind"),
        pytest.param("Time;CH1 [deg C];CH2 [%RH]", "19,9;46", id="named-by-units"),
        pytest.param("Time;Battery %;T °C;RH %;Dew point °C", "98;19,9;46;8,0", id="with-others"),
        pytest.param("Time;Sensor;T °C;RH %", "hall;19,9;46", id="one-logger-by-name"),
    ],
)
def test_headers_name_temperature_and_humidity_in_many_ways(header, cells):
    row = f"13.05.2026 06:05;{cells}"

    assert told(f"{header}\n{row}\n") == {"readings": [["2026-05-13T04:05:00Z", 19.9, 46.0]]}


@pytest.mark.parametrize(
    ("text", "ask"),
    [
        pytest.param(
            "t;Temp;°C;RH\n13.05.2026 06:05;1;2;46\n", ["temperature_column"], id="name-and-unit-apart"
        ),
        pytest.param("t;Temp °C;Akku %\n13.05.2026 06:05;19,9;98\n", ["humidity_column"], id="battery"),
        pytest.param(
            "t;Temp °C;Level %\n13.05.2026 06:05;19,9;98\n", ["humidity_column"], id="percent-of-something"
        ),
        pytest.param(
            "t;Temp A;Temp C;RH\n13.05.2026 06:05;1;2;46\n", ["temperature_column"], id="channels-a-and-c"
        ),
        pytest.param("t;Surface temp °C;RH\n13.05.2026 06:05;1;46\n", ["temperature_column"], id="surface"),
        pytest.param("t;Temp °C/°F;RH\n13.05.2026 06:05;19,9;46\n", ["unit"], id="both-units"),
        pytest.param(
            "t;x;y\n13.05.2026 06:05;19,9;46\n", ["temperature_column", "humidity_column"], id="no-names"
        ),
        pytest.param(
            "from;to;T °C;RH\n13.05.2026 06:05;13.05.2026 06:15;1;46\n", ["time_column"], id="two-times"
        ),
        pytest.param(
            "Max temp;30 °C;Max RH;60 %\nt;A;B\n13.05.2026 06:05;19,9;46\n",
            ["temperature_column", "humidity_column"],
            id="settings-above",
        ),
    ],
)
def test_headers_that_do_not_tell_are_asked_about(text, ask):
    assert told(text) == {"ask": ask}


def test_names_over_groups_of_columns_belong_to_all_of_a_group():
    text = "Time;Temperature °C;;Humidity %;\n;now;highest;now;highest\n13.05.2026 06:05;19,9;25,0;46;60\n"

    assert told(text) == {"readings": [["2026-05-13T04:05:00Z", 19.9, 46.0]]}


@pytest.mark.parametrize(
    "header",
    [
        "Outside temp °C", "Setpoint °C", "Tsurf °C", "Tdp °C", "Td", "Wet bulb °C", "Globe °C", "T max °C", "TMax °C",
        "Temperature difference °C", "Probe temperature °C", "Core temperature °C", "Pipe temp (°C)", "Return air °C",
        "Taupunkttemperatur °C", "Wandtemperatur °C", "Außentemperatur °C", "Kerntemperatur °C", "Solltemperatur °C",
        "Température de surface °C", "Point de rosée °C", "Temperatura exterior °C", "Buitentemperatuur °C", "露点(°C)",
    ],
)  # fmt: skip
def test_a_temperature_of_something_else_is_never_taken_for_the_airs(header):
    assert told(f"time;{header};RH %\n13.05.2026 06:05;19,9;46\n") == {"ask": ["temperature_column"]}


@pytest.mark.parametrize(
    "header",
    [
        "Outdoor RH %", "Max RH %", "RH_avg %", "RH set %", "Soil humidity %", "Moisture %", "Wood moisture %", "MC %",
        "Battery %", "Holzfeuchte %", "Estrichfeuchte %", "Materialfeuchte %", "Absolute humidity", "Specific humidity",
        "Humidity g/kg", "Humidité absolue", "Humidité du bois %", "Umidità esterna %", "Houtvochtigheid %",
    ],
)  # fmt: skip
def test_a_humidity_of_something_else_is_never_taken_for_the_airs(header):
    assert told(f"time;Temp °C;{header}\n13.05.2026 06:05;19,9;46\n") == {"ask": ["humidity_column"]}


@pytest.mark.parametrize(
    ("answer", "at"),
    [
        pytest.param("vm", "2026-05-13T04:05:00Z", id="before-noon"),
        pytest.param("-", "2026-05-13T16:05:00Z", id="after-noon"),
        pytest.param("=", "2026-05-13T04:05:00Z", id="says-nothing"),
    ],
)
def test_a_single_word_behind_the_hours_is_asked_about(answer, at):
    text = "time;Temp °C;RH %\n13.05.2026 06:05 vm;19,9;46\n"

    assert told(text) == {"ask": ["morning"]}
    assert told(text, replace(PARIS, morning=answer)) == {"readings": [[at, 19.9, 46.0]]}


def test_a_word_behind_hours_that_run_to_24_says_nothing():
    text = "time;Temp °C;RH %\n13.05.2026 06:05 tod;19,9;46\n13.05.2026 18:05 tod;20,0;45\n"

    assert told(text) == {
        "readings": [["2026-05-13T04:05:00Z", 19.9, 46.0], ["2026-05-13T16:05:00Z", 20.0, 45.0]]
    }


@pytest.mark.parametrize(
    "rows",
    [
        pytest.param("13.05.2026 06:05 vm;19,9;46\n13.05.2026 06:15;20;45", id="a-row-without"),
        pytest.param("13.05.2026 06:05 vm;19,9;46\n13.05.2026 13:05 nm;20;45", id="an-hour-past-twelve"),
        pytest.param("13.05.2026 06:05 vm;19,9;46\n13.05.2026 01:05 pm;20;45", id="two-tongues"),
    ],
)
def test_words_behind_the_hours_that_do_not_go_together_are_refused(rows):
    assert told(f"time;Temp °C;RH %\n{rows}\n") == {"error": {"row": 3, "column": "time"}}


def test_no_column_is_an_answer_and_refuses_the_file():
    text = "time,Dew point °C,RH %\n2026-05-13T04:05:00Z,7.9,46\n"

    assert told(text, replace(PARIS, temperature_column=0)) == {"error": {"row": None, "column": None}}


def test_answered_columns_are_read():
    text = b"begin;end;day;a;b\n06:05;06:15;2026-05-13;19,9;46\n"
    asked = {"time_zone": "Europe/Paris", "unit": "c", "temperature_column": "4", "humidity_column": "5"}

    assert told_of(read(text, answers_of(asked))) == {"ask": ["time_column", "date_column"]}
    assert told_of(read(text, answers_of(asked | {"time_column": "2"}))) == {"ask": ["date_column"]}
    assert told_of(read(text, answers_of(asked | {"time_column": "2", "date_column": "3"}))) == {
        "readings": [["2026-05-13T04:15:00Z", 19.9, 46.0]]
    }
    assert told_of(read(text, answers_of(asked | {"time_column": "2", "date_column": "0"}))) == {
        "error": {"row": 2, "column": "end"}
    }


def test_milliseconds_since_1970_count_where_the_header_says_so():
    assert told("epoch_ms,t_c,rh\n1778565900999,19.9,46\n") == {
        "readings": [["2026-05-12T06:05:00Z", 19.9, 46.0]]
    }
    assert told("epoch,t_c,rh\n1778565900999,19.9,46\n") == {"error": {"row": 2, "column": "epoch"}}


def test_a_bad_count_of_seconds_is_no_header():
    asked = read(b"epoch,t_c,rh\nERR,19.9,46\n1778565900,19.9,46\n")

    assert isinstance(asked, Ask)
    assert [(one.key, one.example.row) for one in asked.questions] == [("leave_out", 2)]


def test_a_wrong_unit_cell_is_refused():
    text = "time,temp,unit,rh\n2026-05-12T06:05:00Z,68,F,46\n2026-05-12T06:15:00Z,68,?,46\n"

    assert told(text) == {"error": {"row": 3, "column": "unit"}}


def test_two_columns_of_offsets_are_refused():
    text = "time,UTC offset,tz,t_c,rh\n2026-05-12 06:05,+02:00,+01:00,20,46\n"

    assert told(text) == {"error": {"row": None, "column": None}}


# ---- which zone ----


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        pytest.param(
            "Date (UTC),Time,T °C,RH\n13/05/2026,06:05,20,46\n", "2026-05-13T06:05:00Z", id="over-the-date"
        ),
        pytest.param(
            "Time GMT-0500,T °C,RH\n13/05/2026 06:05,20,46\n", "2026-05-13T11:05:00Z", id="no-colon"
        ),
        pytest.param(
            "Time (+05:30),T °C,RH\n13/05/2026 06:05,20,46\n", "2026-05-13T00:35:00Z", id="bare-offset"
        ),
        pytest.param("utc_time,T °C,RH\n13/05/2026 06:05,20,46\n", "2026-05-13T06:05:00Z", id="utc-first"),
        pytest.param(
            "Time zone,America/Chicago\nTime,T °C,RH\n13/05/2026 06:05,20,46\n",
            "2026-05-13T11:05:00Z",
            id="above",
        ),
        pytest.param("Date/Time,T °C,RH\n13/05/2026 06:05,20,46\n", "2026-05-13T04:05:00Z", id="no-place"),
        pytest.param(
            "Made,13/05/2026 08:00 GMT+02:00\nTime,T °C,RH\n13/05/2026 06:05,20,46\n",
            "2026-05-13T04:05:00Z",
            id="a-line-that-agrees",
        ),
    ],
)
def test_the_file_s_own_zone_comes_before_the_answer(text, expected):
    assert told(text) == {"readings": [[expected, 20.0, 46.0]]}


@pytest.mark.parametrize(
    "text",
    [
        pytest.param("Time (GMT+01:00 daylight saving),T °C,RH\n13/05/2026 06:05,20,46\n", id="words-behind"),
        pytest.param("Made,13/05/2026 08:00 UTC\nTime,T °C,RH\n13/05/2026 06:05,20,46\n", id="a-line-above"),
        pytest.param("Time (EDT),T °C,RH\n13/05/2026 06:05,20,46\n", id="a-clock-of-elsewhere"),
        pytest.param("time_cet,T °C,RH\n13/05/2026 06:05,20,46\n", id="small-letters"),
    ],
)
def test_a_hint_of_another_clock_is_asked_about(text):
    assert told(text) == {"ask": ["clock_changed"]}


def test_a_clock_of_elsewhere_leaves_the_offset_to_be_asked():
    text = b"Time (EDT),T \xc2\xb0C,RH\n13/05/2026 06:05,20,46\n"

    result = read(text, Answers(time_zone="Europe/Paris", clock_changed="no"))

    assert isinstance(result, Ask)
    assert [choice.value for choice in result.questions[0].choices] == ["UTC+02:00", "UTC+01:00"]


@pytest.mark.parametrize(
    ("zones", "answer", "row"),
    [
        pytest.param(("CET", "CEST"), "UTC+01:00", 3, id="two-clocks-and-one-offset"),
        pytest.param(("Europe/Paris", "Europe/Berlin"), None, 3, id="two-places"),
        pytest.param(("BST", "BST"), "Europe/Paris", 2, id="a-clock-of-elsewhere"),
        pytest.param(("CET", "CEST"), "Europe/Paris", 2, id="winter-time-in-summer"),
        pytest.param(("Europe/Paris", "CEST"), "Europe/Paris", 3, id="a-place-and-a-clock"),
    ],
)
def test_rows_that_name_another_clock_are_refused(zones, answer, row):
    rows = "".join(f"2026-05-1{day},06:05,{zone},20,46\n" for day, zone in enumerate(zones))

    result = told(f"Date,Time,Zone,T °C,RH\n{rows}", Answers(time_zone=answer))

    assert result == {"error": {"row": row, "column": "Time"}}


def test_a_row_s_clock_beside_another_in_the_header_is_refused():
    text = "Time (UTC),T °C,RH\n2026-05-13 06:05 CEST,20,46\n"

    assert told(text) == {"error": {"row": 2, "column": "Time (UTC)"}}


def test_a_place_in_each_row_leaves_the_repeated_hour_to_the_order():
    times = ("01:30", "02:00", "02:30", "02:00", "02:30", "03:00")
    rows = "".join(f"2026-10-25 {time},Europe/Paris,20,{40 + at}\n" for at, time in enumerate(times))

    result = read(f"Time,Zone,T °C,RH\n{rows}".encode())

    begin = datetime(2026, 10, 24, 23, 30, tzinfo=UTC)
    assert instants_of(result) == every(timedelta(minutes=30), begin, begin + timedelta(hours=2, minutes=30))


def test_a_year_of_two_digits_beside_a_month_in_letters_stands_last():
    assert told("time;t_c;rh\n25-May-26 06:05;20;46\n") == {
        "readings": [["2026-05-25T04:05:00Z", 20.0, 46.0]]
    }


# ---- the table ----


def test_the_file_may_name_its_own_separator():
    assert told("sep=;\nTime;T °C;RH\n13.05.2026 06:05;20;46\n") == {
        "readings": [["2026-05-13T04:05:00Z", 20.0, 46.0]]
    }


def test_rows_without_a_time_of_day_are_no_readings():
    assert told("Date,T °C,RH\n13/05/2026,20,46\n") == {"error": {"row": None, "column": None}}


@pytest.mark.parametrize(
    "data",
    [
        pytest.param(b"\xff\xfe\x00\x00T\x00\x00\x00", id="utf-32"),
        pytest.param("Time;T °C;RH\n13.05.2026 06:05;20;46\n".encode("utf-16")[:-1], id="utf-16-breaks-off"),
        pytest.param(
            b"\xef\xbb\xbfTime;T \xb0C;RH\n2026-05-13 06:05;20;46\n", id="mark-of-utf-8-and-no-utf-8"
        ),
        pytest.param(b"Time;T \xb0C;RH\n2026-05-13 06:05;20;4\x816\n", id="no-windows-1252-either"),
        pytest.param(b"Time;T;RH\n2026-05-13 06:05;20;4\x086\n", id="control-character"),
        pytest.param(b"Time,T,RH\n" + b"9" * 200_000, id="a-cell-without-end"),
    ],
)
def test_bytes_that_are_no_text_are_refused(data):
    assert isinstance(read(data, PARIS), FileError)


def test_a_damaged_byte_far_in_is_found_at_its_row():
    rows = b"2026-05-12T06:05:00Z,20,46\n" * 90_000

    result = read(b"time,t_c,rh\n" + rows + b"\x81", PARIS)

    assert (result.row, len(rows) > 1 << 20) == (90_002, True)


def test_ctrl_z_ends_an_old_text():
    assert told("time,t_c,rh\n2026-05-12T06:05:00Z,20,46\n\x1a") == {
        "readings": [["2026-05-12T06:05:00Z", 20.0, 46.0]]
    }


def test_a_file_that_two_separators_make_readings_of_is_refused():
    text = "time,t_c,rh,more\n2026-05-12T06:05:00Z,20,45,x\t2026-05-12T06:05:00Z\t21\t46\n"

    assert told(text) == {"error": {"row": 2, "column": None}}


@pytest.mark.parametrize("place", range(4), ids=["first", "second", "third", "last"])
@pytest.mark.parametrize("column", range(3), ids=["time", "t_c", "rh"])
@pytest.mark.parametrize(
    "garbage", ["", "---", "-", "ERR", "#N/A", "n/a", "Sensor fault", "1.2.3", "?", "°C"]
)
@pytest.mark.parametrize(
    "above", [[], ["time,t_c,rh"], ["Logger,Hall 3", "", "time,t_c,rh"], ["time,t,rh", ",°C,%"]]
)
def test_no_row_is_ever_passed_over(place, column, garbage, above):
    cells = [[f"2026-05-12T06:{minute:02d}:00Z", f"19.{minute}", "46"] for minute in (1, 2, 3, 4)]
    cells[place][column] = garbage
    text = "\n".join([*above, *map(",".join, cells), ""])

    answers = Answers(unit="c", temperature_column=2, humidity_column=3)
    result = read(text.encode(), answers)
    row = len(above) + place + 1

    if isinstance(result, Ask):
        (question,) = result.questions
        assert (question.key, question.example.row) == ("leave_out", row)
        others = [f"2026-05-12T06:0{minute}:00Z" for minute in (1, 2, 3, 4) if minute != place + 1]
        left = told_of(read(text.encode(), replace(answers, leave_out="yes")))
        assert [at for at, _t, _rh in left["readings"]] == others
        result = read(text.encode(), replace(answers, leave_out="no"))
    assert isinstance(result, FileError)
    assert result.row == row


@pytest.mark.parametrize(
    "text",
    [
        pytest.param(
            "Date,Time,T °C,RH\n13/05/2026|06:05,20,47\n12/05/2026,06:05,19,46\n", id="a-short-first-row"
        ),
        pytest.param("1778565900,20\nunix time,t_c,rh\n1778565900,20\n", id="a-row-above-its-header"),
    ],
)
def test_a_damaged_beginning_is_refused_or_asked_about(text):
    result = read(text.encode(), PARIS)

    assert isinstance(result, FileError) or "leave_out" in [one.key for one in result.questions]
