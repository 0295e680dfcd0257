"""How an outlook and its choices are said."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from materials.core.choice_words import as_it_is, choice_words
from materials.core.choices import Choice, Limit, Off, Outlook, Way, WhyNot
from scheduling.printing import plain

HOUR = timedelta(hours=1)
NOW = datetime(2026, 5, 4, 8, tzinfo=UTC)
TUE = NOW + 26 * HOUR
COLD, WARM, DRY, DAMP = (
    Off(Limit.COLD, 2.04),
    Off(Limit.WARM, 1.0),
    Off(Limit.DRY, 12.5),
    Off(Limit.DAMP, 7.0),
)


def said(words):
    return plain(words, zone="UTC", now=NOW, style="near")


@pytest.mark.parametrize(
    ("outlook", "words"),
    [
        (Outlook(TUE), "If the air stays as it is: Tue 10:00."),
        (Outlook(None, WhyNot.OFF, (COLD,)), "If the air stays as it is, never: it is 2 K too cold."),
        (
            Outlook(None, WhyNot.OFF, (WARM, DRY)),
            "If the air stays as it is, never: it is 1 K too warm and 12.5 % too dry.",
        ),
        (Outlook(None, WhyNot.OFF), "If the air stays as it is, never: it is out of band."),
        (Outlook(None, WhyNot.UNREAD), "Not known: nobody has read the air yet."),
        (
            Outlook(None, WhyNot.UNREAD, last_at=NOW - HOUR),
            "Not known: nobody has read the air since 07:00.",
        ),
        (Outlook(None, WhyNot.WRAPPED), "While it is wrapped it does not rest."),
        (
            Outlook(None, WhyNot.WRAPPED, (DAMP,)),
            "While it is wrapped it does not rest, and the air is 7 % too damp.",
        ),
        (Outlook(None, WhyNot.NOT_HERE), "It stands in no zone, so it does not rest."),
        (
            Outlook(None, WhyNot.NO_BAND),
            "Never: the zone's band and the product's limits do not meet.",
        ),
        (Outlook(None, WhyNot.COLD), "Not known: nobody has said how cold the middle of the stack is."),
        (
            Outlook(None, WhyNot.TOO_FEW),
            "Not known: too few sheets are here, and no delivery with a day makes up for them.",
        ),
    ],
)
def test_waiting_is_told_with_its_day_or_why_it_has_none(outlook, words):
    assert said(as_it_is(outlook)) == words


@pytest.mark.parametrize(
    ("choice", "words"),
    [
        (
            Choice(Way.LAY_OUT, TUE),
            "Laid out in flat lots now: Tue 10:00.",
        ),
        (
            Choice(Way.READ, TUE, by=NOW + 6 * HOUR, otherwise=TUE + HOUR),
            "Read again by 14:00: Tue 10:00. Else the time since the last reading is lost: Tue 11:00.",
        ),
        (Choice(Way.READ, TUE), "Read the air now; if it is in band: Tue 10:00."),
        (Choice(Way.READ, NOW - HOUR), "Read the air now; if it is in band: proven at once."),
        (
            Choice(Way.CLEAR, TUE, by=NOW + 6 * HOUR, off=(COLD, DAMP)),
            "With a heater and a dryer, in band and read by 14:00: Tue 10:00.",
        ),
        (
            Choice(Way.CLEAR, TUE, by=NOW + 6 * HOUR, off=(WARM, DRY)),
            "With cooling and a humidifier, in band and read by 14:00: Tue 10:00.",
        ),
        (Choice(Way.CLEAR, TUE, by=NOW + 6 * HOUR), "In band and read by 14:00: Tue 10:00."),
        (
            Choice(
                Way.CLEAR,
                TUE,
                by=NOW + 2 * HOUR,
                keeps=5 * HOUR,
                keeps_until=NOW + 3 * HOUR,
                off=(COLD,),
            ),
            "With a heater, in band and read by 10:00: Tue 10:00."
            " The 5 h proven are kept; later than 11:00 they are lost.",
        ),
        (
            Choice(Way.MOVE, TUE, zone=2, zone_name="Ward B"),
            "In Ward B, which is in band, from zero: Tue 10:00. They stay there until they are set.",
        ),
        (
            Choice(Way.MOVE, TUE, zone=2, zone_name="Ward B", opens=NOW),
            "Unwrapped in Ward B, which is in band: Tue 10:00. They stay there until they are set.",
        ),
        (
            Choice(Way.STATE, TUE, since=NOW - HOUR),
            "If somebody who knows signs that it was in band since 07:00: Tue 10:00. Only what is true.",
        ),
        (Choice(Way.OPEN, TUE, opens=NOW), "Unwrapped now, in air that is read in band: Tue 10:00."),
        (
            Choice(Way.OPEN, TUE, opens=NOW + 3 * HOUR),
            "Unwrapped at 11:00 in air that is read in band: Tue 10:00.",
        ),
    ],
)
def test_a_choice_is_told_with_what_it_needs_and_its_finish(choice, words):
    assert said(choice_words(choice, now=NOW)) == words
