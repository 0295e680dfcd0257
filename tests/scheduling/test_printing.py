"""How instants, durations, figures and sentences read; the look's own examples are the expected texts."""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from django.utils import translation

from jobs.core.words import say, say_n
from scheduling import printing
from scheduling.printing import NBSP

LONDON = ZoneInfo("Europe/London")
#: Wednesday, 06:52 on the site's clocks.
NOW = datetime(2026, 5, 13, 5, 52, tzinfo=UTC)


def site(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=LONDON).astimezone(UTC)


def spaced(text: str) -> str:
    return text.replace(NBSP, " ")


@pytest.mark.parametrize(
    ("style", "text"),
    [
        ("full", "Thu 14 May 07:00"),
        ("day", "Thu 14 May"),
        ("clock", "07:00"),
        ("today", "Thu 14 May 07:00"),
        ("near", "Thu 07:00"),
        ("long", "Thursday 14 May 2026, 07:00"),
    ],
)
def test_an_instant_reads_as_the_look_writes_it(style, text):
    words = printing.when_words(site("2026-05-14 07:00"), zone=LONDON, now=NOW, style=style)

    assert spaced(words) == text
    assert " " not in words  # a date never breaks over a line


@pytest.mark.parametrize(
    ("at", "today", "near"),
    [
        pytest.param("2026-05-13 23:59", "23:59", "23:59", id="same-day"),
        pytest.param("2026-05-14 00:00", "Thu 14 May 00:00", "Thu 00:00", id="midnight-is-the-next"),
        pytest.param("2026-05-19 07:00", "Tue 19 May 07:00", "Tue 07:00", id="six-days-ahead"),
        pytest.param(
            "2026-05-20 07:00", "Wed 20 May 07:00", "Wed 20 May 07:00", id="a-week-ahead-is-ambiguous"
        ),
        pytest.param(
            "2026-05-12 07:00", "Tue 12 May 07:00", "Tue 12 May 07:00", id="yesterday-is-not-next-tuesday"
        ),
    ],
)
def test_short_forms_never_leave_the_day_open(at, today, near):
    def words(style):
        return spaced(printing.when_words(site(at), zone=LONDON, now=NOW, style=style))

    assert (words("today"), words("near")) == (today, near)


def test_the_same_day_is_the_readers_zone_not_utc():
    # 13 May 23:30 in London is 14 May 07:30 in Tokyo (UTC+9, IANA tz database).
    at, now = site("2026-05-13 23:30"), site("2026-05-13 12:00")

    assert printing.when_words(at, zone="Europe/London", now=now, style="today") == "23:30"
    assert spaced(printing.when_words(at, zone="Asia/Tokyo", now=now, style="today")) == "Thu 14 May 07:30"


def test_a_far_day_carries_its_year():
    assert (
        spaced(printing.when_words(site("2027-05-14 07:00"), zone=LONDON, now=NOW)) == "Fri 14 May 2027 07:00"
    )
    assert spaced(printing.day_words(date(2026, 6, 30), today=date(2026, 5, 13))) == "Tue 30 Jun"
    assert spaced(printing.day_words(date(2025, 6, 30), today=date(2026, 5, 13))) == "Mon 30 Jun 2025"


def test_without_a_present_the_words_do_not_depend_on_one():
    assert (
        spaced(printing.when_words(site("2036-05-14 07:00"), zone=LONDON, style="near")) == "Wed 14 May 07:00"
    )


def test_the_repeated_hour_says_which_it_is():
    # EU directive 2000/84/EC: on 25 October 2026 the clocks in London go back at 01:00 UTC.
    first, second = datetime(2026, 10, 25, 0, 30, tzinfo=UTC), datetime(2026, 10, 25, 1, 30, tzinfo=UTC)

    assert spaced(printing.when_words(first, zone=LONDON)) == "Sun 25 Oct 01:30 (first)"
    assert spaced(printing.when_words(second, zone=LONDON)) == "Sun 25 Oct 01:30 (second)"
    assert spaced(printing.when_words(second, zone=LONDON, style="day")) == "Sun 25 Oct"
    assert spaced(printing.when_words(first - timedelta(hours=1), zone=LONDON, style="clock")) == "00:30"


def test_what_is_unknown_is_a_word():
    assert printing.when_words(None, zone=LONDON) == "not known"
    assert printing.day_words(None) == "no date given"
    assert printing.duration_words(None) == "not known"
    assert printing.temperature_words(None) == "not known"
    assert printing.percent_words(None) == "not known"
    assert printing.html(None, zone=LONDON, now=NOW) == "not known"
    assert printing.plain(None, zone=LONDON) == "not known"


@pytest.mark.parametrize(
    ("length", "cut", "up"),
    [
        (timedelta(hours=12, minutes=40), "12 h 40", "12 h 40"),
        (timedelta(minutes=48), "48 min", "48 min"),
        (timedelta(hours=24), "24 h", "24 h"),
        (timedelta(hours=5, minutes=5), "5 h 05", "5 h 05"),
        (timedelta(seconds=59), "0 min", "1 min"),
        (timedelta(minutes=59, seconds=59), "59 min", "1 h"),
        (timedelta(0), "0 min", "0 min"),
        (timedelta(hours=95, minutes=59), "95 h 59", "95 h 59"),
        (timedelta(hours=96), "4 days", "4 days"),
        (timedelta(days=28, hours=6), "28 days 6 h", "28 days 6 h"),
        (-timedelta(minutes=20), "−20 min", "−20 min"),
    ],
)
def test_a_duration_is_cut_for_what_is_proven_and_rounded_up_for_what_is_to_go(length, cut, up):
    assert spaced(printing.duration_words(length)) == cut
    assert spaced(printing.duration_words(length, up=True)) == up
    assert " " not in printing.duration_words(length)


def test_time_left_and_lateness_are_said():
    assert spaced(printing.left_words(timedelta(minutes=48, seconds=30))) == "48 min left"
    assert spaced(printing.left_words(-timedelta(seconds=30))) == "1 min late"


def test_figures_carry_their_unit_unbroken():
    assert printing.temperature_words(19.94) == f"19.9{NBSP}°C"
    assert printing.temperature_words(-3.0) == f"−3.0{NBSP}°C"
    assert printing.percent_words(46.0) == f"46{NBSP}%"
    assert printing.percent_words(46.56) == f"46.6{NBSP}%"
    assert printing.range_words(18, 24.5, "°C") == f"18–24.5{NBSP}°C"
    assert [printing.number_words(n) for n in (22.0, 2.5, 0.126, 40)] == ["22", "2.5", "0.13", "40"]


@pytest.mark.parametrize(
    ("parts", "text"), [([], "none"), (["a"], "a"), (["a", "b"], "a and b"), (["a", "b", "c"], "a, b and c")]
)
def test_names_are_joined(parts, text):
    assert printing.join_words(parts) == text


def test_a_columns_lines_never_break():
    def column(at, **kw):
        return tuple(spaced(line) for line in printing.column_words(at, zone=LONDON, now=NOW, **kw))

    assert column(site("2026-05-13 05:40")) == ("05:40",)
    assert column(site("2026-05-14 05:00")) == ("Thu", "05:00")
    assert column(site("2026-05-30 05:00")) == ("30 May", "05:00")
    assert column(site("2026-05-13 05:40"), with_day=True) == ("Wed 13 May", "05:40")
    assert column(date(2026, 5, 15)) == ("Fri 15",)
    assert column(date(2026, 8, 3)) == ("3 Aug",)
    assert column(None) == ("no day",)


# ---- sentences


def test_a_sentence_prints_each_value_in_its_own_way():
    said = say(
        "{proven} of {needed} for {rooms}, {qty} kg, by {at} on {day}.",
        proven=timedelta(hours=12, minutes=40),
        needed=timedelta(hours=24),
        rooms=("Sluice 1.04", "Servery 2.14"),
        qty=22.5,
        at=site("2026-05-14 07:00"),
        day=date(2026, 6, 30),
    )

    text = printing.plain(said, zone=LONDON)

    assert (
        text
        == "12 h 40 of 24 h for Sluice 1.04 and Servery 2.14, 22.5 kg, by Thu 14 May 07:00 on Tue 30 Jun."
    )


def test_a_count_chooses_the_wording():
    def text(n):
        return printing.plain(say_n("{n} sheet is short", "{n} sheets are short", n=n), zone=LONDON)

    assert (text(1), text(2), text(0)) == ("1 sheet is short", "2 sheets are short", "0 sheets are short")


def test_a_sentence_may_carry_sentences():
    said = say("Held: {why}.", why=(say("no reading"), say_n("{n} sheet", "{n} sheets", n=2)))

    assert printing.plain(said, zone=LONDON) == "Held: no reading and 2 sheets."


def test_html_escapes_template_and_values_and_marks_instants():
    said = say("<b>{name}</b> & {at}", name="<script>", at=site("2026-05-14 07:00"))

    made = printing.html(said, zone=LONDON, now=NOW)

    time = f'<time datetime="2026-05-14T06:00:00Z">Thu{NBSP}14{NBSP}May{NBSP}07:00</time>'
    assert made == f"&lt;b&gt;&lt;script&gt;&lt;/b&gt; &amp; {time}"


def test_instants_of_today_are_short_on_a_page_and_whole_in_a_mail():
    said = say("by {at}", at=site("2026-05-13 07:40"))

    assert printing.html(said, zone=LONDON, now=NOW).endswith(">07:40</time>")
    assert printing.plain(said, zone=LONDON, now=NOW) == "by Wed 13 May 07:40"


def test_a_mail_has_ordinary_spaces():
    assert NBSP not in printing.plain(say("in {x}", x=timedelta(hours=12, minutes=40)), zone=LONDON)


def test_a_place_without_a_value_is_an_error_not_a_gap():
    with pytest.raises(KeyError):
        printing.plain(say("{good} of {needed}", good=1), zone=LONDON)


def test_a_count_that_is_no_number_is_refused():
    with pytest.raises(TypeError, match="whole number"):
        printing.plain(say_n("{n}", "{n}", n="two"), zone=LONDON)


def test_another_language_writes_its_own_days_and_decimals():
    # Django's own catalogue, django/conf/locale/de: "Do" and "Mai", a decimal comma.
    with translation.override("de"):
        assert spaced(printing.when_words(site("2026-05-14 07:00"), zone=LONDON)).startswith("Do 14 Mai")
        assert printing.temperature_words(19.9) == f"19,9{NBSP}°C"
        assert printing.plain(say("{x} kg", x=2.5), zone=LONDON) == "2,5 kg"


def test_words_kept_from_one_reader_are_not_given_to_the_next():
    at, now = site("2026-05-14 07:00"), site("2026-05-14 06:00")
    said = []
    for language in ("en-gb", "de", "en-gb"):
        with translation.override(language):
            said.append(printing.when_words(at, zone=LONDON, now=now, style="day"))
    elsewhere = printing.when_words(at, zone=ZoneInfo("Asia/Tokyo"), now=now, style="clock")
    tomorrow = printing.when_words(at, zone=LONDON, now=now + timedelta(days=1), style="near")

    # Django's own catalogue for the names; 07:00 in London in summer is 15:00 in Tokyo, worked by hand.
    assert [spaced(words) for words in said] == ["Thu 14 May", "Do 14 Mai", "Thu 14 May"]
    assert elsewhere == "15:00"
    assert spaced(tomorrow) == "Thu 14 May 07:00"
