"""Each drawing against figures worked by hand: where things stand, and what happens at the edges."""

import re
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from jobs.core.conditions import Band
from scheduling import drawing
from scheduling.parts import MemorySpell, ReadingPoint, StretchRow

PARIS = ZoneInfo("Europe/Paris")
DAY = date(2026, 5, 13)
#: 06:00 to 18:00 in Paris, where summer time is UTC+2.
SHIFT = drawing.Span(datetime(2026, 5, 13, 4, tzinfo=UTC), datetime(2026, 5, 13, 16, tzinfo=UTC))
BAND = Band(18, 24, 35, 55)


def local(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=PARIS).astimezone(UTC)


def hours(count: float) -> timedelta:
    return timedelta(hours=count)


def reading(at: datetime, t_c: float, rh_pct: float = 45) -> ReadingPoint:
    return ReadingPoint(at, t_c, rh_pct)


def strip_of(readings=(), stretches=(), memories=(), break_after=None, zone=PARIS, span=SHIFT):
    return drawing.strip(
        span,
        band=BAND,
        readings=readings,
        stretches=stretches,
        memories=memories,
        break_after=break_after,
        zone=zone,
        now=span.end,
    )


# ---- numbers for attributes


@pytest.mark.parametrize(
    ("value", "text"), [(7.2222, "7.22%"), (50, "50%"), (0, "0%"), (-0.001, "0%"), (100.0, "100%")]
)
def test_an_attribute_has_a_decimal_point_and_no_trailing_zeros(value, text):
    assert drawing.percent(value) == text


def test_a_drawing_of_no_time_is_refused():
    with pytest.raises(ValueError, match="some time"):
        drawing.Span(SHIFT.start, SHIFT.start)


# ---- tape


def test_a_tape_has_a_tick_a_quarter_and_a_figure_an_hour():
    tape = drawing.tape(SHIFT, zone=PARIS, now=SHIFT.start + hours(3))

    # Worked by hand: 12 h × 4 quarters and the last end; the figure of the last end is left out.
    assert len(tape.ticks) == 12 * 4 + 1
    assert [figure.text for figure in tape.figures] == [f"{hour:02d}" for hour in range(6, 18)]
    assert tape.figures[1].x == "8.33%"  # 1/12
    assert [tick.length for tick in tape.ticks[:5]] == ["30", "8.4", "15", "8.4", "30"]
    assert tape.now_x == "25%"  # 3/12


def test_the_present_is_drawn_only_where_it_lies_on_the_tape():
    assert drawing.tape(SHIFT, zone=PARIS, now=SHIFT.end + hours(1)).now_x is None
    assert drawing.tape(SHIFT, zone=PARIS, now=SHIFT.end).now_x == "100%"


def test_a_tape_over_the_clock_change_shows_what_the_clocks_show():
    # EU directive 2000/84/EC: last Sunday of October and of March, 01:00 UTC.
    back = drawing.site_hours(date(2026, 10, 25), zone=PARIS, first=0, last=6)
    forward = drawing.site_hours(date(2026, 3, 29), zone=PARIS, first=0, last=6)

    backwards = drawing.tape(back, zone=PARIS, now=back.start)
    forwards = drawing.tape(forward, zone=PARIS, now=forward.start)

    assert (back.end - back.start, forward.end - forward.start) == (hours(7), hours(5))
    assert [figure.text for figure in backwards.figures] == ["00", "01", "02", "02", "03", "04", "05"]
    assert [figure.text for figure in forwards.figures] == ["00", "01", "03", "04", "05"]


@pytest.mark.parametrize(
    ("now", "start", "end"),
    [
        pytest.param("2026-05-13T06:52", "2026-05-13T06:00", "2026-05-13T18:00", id="in-the-morning"),
        pytest.param("2026-05-13T04:30", "2026-05-13T04:00", "2026-05-13T18:00", id="before-the-site-opens"),
        pytest.param("2026-05-13T15:59", "2026-05-13T06:00", "2026-05-13T18:00", id="one-before-the-turn"),
        pytest.param("2026-05-13T16:00", "2026-05-13T16:00", "2026-05-14T04:00", id="in-the-evening"),
    ],
)
def test_acts_are_measured_against_the_day_that_is_left(now, start, end):
    span = drawing.rest_of_day(zone=PARIS, now=local(now))

    assert span == drawing.Span(local(start), local(end))


# ---- slack


def test_slack_runs_from_the_present_to_the_latest_by():
    now = SHIFT.start + hours(1)

    slack = drawing.slack(SHIFT, by=now + hours(6), limit=hours(2), now=now)

    assert (slack.from_x, slack.to_x, slack.mid_x) == ("8.33%", "58.33%", "33.33%")  # 1/12, 7/12, 4/12
    assert (slack.risk, slack.late, slack.words_at) == (False, False, "middle")


@pytest.mark.parametrize(
    ("left", "risk"),
    [
        pytest.param(timedelta(hours=2), False, id="the-limit-itself-is-enough"),
        pytest.param(timedelta(hours=1, minutes=59, seconds=59), True, id="a-second-less-is-a-risk"),
        pytest.param(timedelta(seconds=-1), True, id="late"),
    ],
)
def test_less_time_than_the_limit_is_a_risk(left, risk):
    now = SHIFT.start + hours(4)

    slack = drawing.slack(SHIFT, by=now + left, limit=hours(2), now=now)

    assert slack.risk is risk
    assert slack.late is (left < timedelta(0))


def test_slack_beyond_the_tape_has_no_end_tick():
    now = SHIFT.start + hours(1)

    slack = drawing.slack(SHIFT, by=SHIFT.end + hours(1), limit=hours(2), now=now)

    assert (slack.to_x, slack.from_tick, slack.to_tick) == ("100%", True, False)


def test_a_short_slack_at_the_end_of_the_tape_has_its_words_before_it():
    now = SHIFT.start + hours(11)

    slack = drawing.slack(SHIFT, by=now + hours(0.5), limit=hours(2), now=now)

    assert slack.words_at == "before"


# ---- rest clock


def test_the_blade_is_pulled_to_what_is_proven():
    clock = drawing.clock(needed=hours(24), proven=hours(12), provisional=hours(6))

    # Worked by hand: the crow's foot stands at 94 %, so 12 of 24 h are 47 % and 6 h are 23.5 %.
    assert (clock.proven_x, clock.ahead_x, clock.ahead_width, clock.full_x) == (
        "47%",
        "70.5%",
        "23.5%",
        "94%",
    )
    assert [figure.text for figure in clock.figures] == ["6", "12"]
    assert len(clock.ticks) == 12
    assert clock.to_go


def test_more_than_needed_is_drawn_as_full():
    clock = drawing.clock(needed=hours(24), proven=hours(47), provisional=hours(1))

    assert (clock.proven_x, clock.ahead_width, clock.to_go) == ("94%", "0%", False)
    assert clock.figures[-1].text == "24"


def test_nothing_proven_has_no_ticks():
    clock = drawing.clock(needed=hours(24), proven=hours(0), provisional=hours(0))

    assert (clock.proven_x, clock.ticks, clock.figures) == ("0%", (), ())


@pytest.mark.parametrize("needed_h", [1, 24, 48, 72, 168, 336, 672, 2000])
def test_no_clock_has_more_ticks_than_a_phone_can_show(needed_h):
    clock = drawing.clock(needed=hours(needed_h), proven=hours(needed_h), provisional=hours(0))

    assert len(clock.ticks) <= 31
    assert len(clock.figures) <= 7


def test_a_rest_that_needs_nothing_has_no_clock():
    with pytest.raises(ValueError, match="no clock"):
        drawing.clock(needed=hours(0), proven=hours(0), provisional=hours(0))


# ---- vial


@pytest.mark.parametrize(
    ("value", "bubble_x", "inside"),
    [
        pytest.param(18, "42", True, id="lower-limit-is-inside"),
        pytest.param(24, "90", True, id="upper-limit-is-inside"),
        pytest.param(21, "66", True, id="middle"),
        pytest.param(17.9, "41.2", False, id="just-below"),
        pytest.param(-20, "14", False, id="far-below-rests-at-the-end"),
        pytest.param(60, "118", False, id="far-above-rests-at-the-end"),
    ],
)
def test_the_bubble_stands_against_the_two_lines(value, bubble_x, inside):
    vial = drawing.vial(value, low=18, high=24)

    # Worked by hand: the band is drawn from 42 to 90, so a degree of six is 8 wide.
    assert (vial.bubble_x, vial.inside) == (bubble_x, inside)


@pytest.mark.parametrize(("value", "bubble_x"), [(20, "66"), (19, "14"), (21, "118")])
def test_a_band_of_one_value_has_its_bubble_in_the_middle_or_at_an_end(value, bubble_x):
    assert drawing.vial(value, low=20, high=20).bubble_x == bubble_x


# ---- rodlet


def test_the_small_rod_has_a_mark_a_hold():
    rodlet = drawing.rodlet(["clear", "held", "prov"])

    assert [mark.mark_x for mark in rodlet.marks] == ["2", "23.5", "45"]
    assert rodlet.width == "62"  # 3 × 21.5 − 2.5


# ---- strip


def points_of(path):
    """Return the absolute points of each line of a path, read as SVG 2 section 9.3 says."""
    lines = []
    for line in path.split("M")[1:]:
        start, _l, steps = line.partition("l")
        x, y = map(float, start.removesuffix("h0").split())
        points = [(x, y)]
        told = [float(one) for one in re.findall(r"-?[0-9]+(?:\.[0-9]+)?", steps)]
        for dx, dy in zip(told[::2], told[1::2], strict=True):
            x, y = x + dx, y + dy
            points.append((round(x, 6), round(y, 6)))
        lines.append(points)
    return lines


def test_a_trace_stands_to_the_scale_of_its_band():
    readings = [reading(SHIFT.start, 18), reading(SHIFT.start + hours(6), 24)]

    air = strip_of(readings).air

    # Worked by hand: 86 px less 20 and 18 for words leave 48 for 6 K; the lower limit lies 20 + 48 down.
    assert points_of(air.trace) == [[(0, 68), (500, 20)]]
    assert (air.high_y, air.low_y, air.band_height) == ("26", "74", "48")  # the chart begins at 6
    assert air.outside == ""


def test_what_is_outside_the_band_is_cut_where_it_crosses():
    readings = [
        reading(SHIFT.start, 22),
        reading(SHIFT.start + hours(6), 14),
        reading(SHIFT.start + hours(12), 22),
    ]

    air = strip_of(readings).air

    # Worked by hand: from 22 to 14 the line crosses 18 half way, at 250, and comes back at 750.  4 K below a
    # band of 6 K scale by min(48/6, (86-20)/10) = 6.6 px a kelvin: 18 lies 20 + 6 × 6.6 down, 14 at 86.
    assert points_of(air.outside) == [[(250, 59.6), (500, 86), (750, 59.6)]]


def test_a_value_on_the_limit_is_inside():
    readings = [
        reading(SHIFT.start, 24),
        reading(SHIFT.start + hours(1), 24),
        reading(SHIFT.start + hours(2), 18),
    ]

    assert strip_of(readings).air.outside == ""


def test_a_trace_breaks_where_readings_lie_too_far_apart():
    readings = [reading(SHIFT.start + hours(h), 20) for h in (0, 2, 4.01)]

    air = strip_of(readings, break_after=hours(2)).air

    assert air.trace.count("M") == 2
    assert air.trace.endswith("h0")  # a reading by itself is a dot


def test_a_reading_alone_outside_the_band_is_a_dot_of_its_own():
    air = strip_of([reading(SHIFT.start, 5)]).air

    assert air.outside.endswith("h0")


def test_a_long_trace_keeps_the_extremes_of_each_column():
    start = SHIFT.start
    readings = [reading(start + timedelta(seconds=4 * i), 20) for i in range(10_000)]
    readings[5_001] = reading(readings[5_001].at, 11)
    readings[5_002] = reading(readings[5_002].at, 29)

    air = strip_of(readings).air

    (points,) = points_of(air.trace)
    assert len(points) <= 4 * drawing.COLUMNS
    lows = {y for _x, y in points}
    highest, lowest = min(lows), max(lows)
    # Worked by hand: 5 K above and 7 K below a band of 6 K fill the chart's 86 px: 18 K, from edge to edge.
    assert (highest, lowest) == (0.0, 86.0)


def test_a_long_level_trace_is_one_line():
    readings = [reading(SHIFT.start + timedelta(seconds=4 * i), 20) for i in range(10_000)]

    (points,) = points_of(strip_of(readings).air.trace)

    assert len(points) == 2


@given(
    st.lists(
        st.tuples(st.integers(0, 700), st.floats(-20, 60)), min_size=2, max_size=60, unique_by=lambda p: p[0]
    )
)
def test_a_trace_told_step_by_step_ends_where_it_should(rows):
    rows.sort()
    readings = [reading(SHIFT.start + timedelta(minutes=minute), value) for minute, value in rows]
    air = strip_of(readings).air

    (points,) = points_of(air.trace)

    # 720 minutes are 1,000 wide; told in tenths.
    assert points[0][0] == pytest.approx(rows[0][0] / 0.72, abs=0.051)
    assert points[-1][0] == pytest.approx(rows[-1][0] / 0.72, abs=0.051)


def test_readings_in_any_order_draw_the_same():
    readings = [reading(SHIFT.start + hours(h), 18 + h) for h in range(6)]

    assert strip_of(readings[::-1]) == strip_of(readings)


def test_a_memory_is_a_box_from_its_least_to_its_most():
    memory = MemorySpell(SHIFT.start + hours(3), SHIFT.start + hours(6), 18, 24, 35, 55)

    (box,) = strip_of(memories=[memory]).air.memories

    assert (box.x, box.width, box.y, box.height) == ("25%", "25%", "26", "48")


def test_stretches_and_restarts_stand_at_their_times():
    stretches = [
        StretchRow(SHIFT.start, SHIFT.start + hours(6), "lost"),
        StretchRow(SHIFT.start + hours(6), SHIFT.start + hours(12), "out_of_band", restart=True),
    ]

    strip = strip_of(stretches=stretches)

    assert [(piece.kind, piece.x, piece.width) for piece in strip.pieces] == [
        ("lost", "0%", "50%"),
        ("out_of_band", "50%", "50%"),
    ]
    assert strip.saws == ("50%",)


def test_the_axis_names_the_day_first_and_at_midnight():
    span = drawing.Span(local("2026-05-12T06:00"), local("2026-05-13T08:00"))

    axis = strip_of(span=span).axis

    assert [(mark.at.astimezone(PARIS).strftime("%d %H"), mark.with_day) for mark in axis] == [
        ("12 06", True),
        ("12 12", False),
        ("12 18", False),
        ("13 00", True),
        ("13 06", False),
    ]
    assert (axis[0].anchor, axis[1].anchor) == ("start", "middle")


@pytest.mark.parametrize("length_h", [1, 5, 26, 48, 100, 24 * 14, 24 * 90, 24 * 400])
def test_no_axis_has_more_labels_than_a_phone_has_room_for(length_h):
    span = drawing.Span(SHIFT.start, SHIFT.start + hours(length_h))

    axis = strip_of(span=span).axis

    assert 1 <= len(axis) <= 7


def test_the_axis_is_honest_where_the_clocks_go_back():
    # EU directive 2000/84/EC: 25 October 2026, 01:00 UTC; the hour from 02 to 03 comes twice.
    span = drawing.Span(local("2026-10-25T00:00"), local("2026-10-25T06:00"))

    strip = strip_of(span=span)

    (change,) = strip.changes
    assert (change.at, change.shift) == (datetime(2026, 10, 25, 1, tzinfo=UTC), hours(-1))
    assert change.x == "42.86%"  # three hours of seven
    labels = {mark.at.astimezone(PARIS).hour: mark.x for mark in strip.axis}
    assert labels[2] == "28.57%"  # the first of the two, two hours of seven
    assert labels[4] == "71.43%"  # five hours of seven


def test_the_axis_is_honest_where_the_clocks_go_forward():
    span = drawing.Span(local("2026-03-29T00:00"), local("2026-03-29T06:00"))

    (change,) = strip_of(span=span).changes

    assert (change.at, change.shift) == (datetime(2026, 3, 29, 1, tzinfo=UTC), hours(1))


def test_nights_run_from_eight_to_six_on_the_sites_clocks():
    span = drawing.Span(local("2026-05-12T18:00"), local("2026-05-13T18:00"))

    (night,) = strip_of(span=span).nights

    assert (night.x, night.width) == ("8.33%", "41.67%")  # 2 h and 10 h of 24


def test_a_strip_begins_on_the_full_local_hour_and_ends_past_the_present():
    # Kathmandu is UTC+5:45 (IANA tz database), so a full local hour is no full hour of UTC.
    zone = ZoneInfo("Asia/Kathmandu")
    start = datetime(2026, 5, 13, 6, 5, tzinfo=zone).astimezone(UTC)

    span = drawing.strip_span(start, start + hours(10), zone=zone)

    assert span.start.astimezone(zone).strftime("%H:%M") == "06:00"
    assert span.end > start + hours(10)
