"""One page with every part of the sheet, filled with invented values: for tests, and for looking at."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from django import forms
from django.template import engines

from jobs.core.conditions import Band
from jobs.core.forecast import Forecast
from jobs.core.words import say, say_n
from scheduling import drawing, inputs, parts

ZONE = ZoneInfo("Europe/London")
NOW = datetime(2026, 5, 13, 5, 52, tzinfo=UTC)
BAND = Band(18, 24, 35, 55)


def site(text: str) -> datetime:
    """Return the instant of `2026-05-13 06:52` on the site's clocks."""
    return datetime.strptime(text, "%Y-%m-%d %H:%M").replace(tzinfo=ZONE).astimezone(UTC)


def hours(count: float) -> timedelta:
    return timedelta(hours=count)


def holds() -> tuple[parts.HoldRow, ...]:
    return (
        parts.HoldRow(
            "work_by_others",
            "not_needed",
            say("This room waits for nobody else."),
            say("Set by the manager, {at}", at=site("2026-05-08 09:12")),
        ),
        parts.HoldRow(
            "substrate",
            "waived",
            "East wall is 4 mm out over 2 m; the limit is 3 mm.",
            say(
                "Straightedge, {seen}. Waived {signed} by the manager: “{reason}”.",
                seen=site("2026-05-11 15:40"),
                signed=site("2026-05-12 15:02"),
                reason="no skim possible over the pipe chase; trowel notch changed",
            ),
            act="Read the waiver",
            act_url="#waiver",
        ),
        parts.HoldRow(
            "panels_on_site",
            "clear",
            say("{good} good sheets stand here, {needed} are needed, all one batch.", good=15, needed=14),
            say("16 placed {at}, 1 rejected and set apart", at=site("2026-05-12 06:05")),
            clear_since=site("2026-05-12 06:05"),
        ),
        parts.HoldRow(
            "inspection",
            "held",
            say("{n} of {all} sheets have not been looked at, front and back.", n=6, all=16),
            say("Count by Crew Heron, {at}", at=site("2026-05-12 16:48")),
            act=say_n("Inspect {n} sheet", "Inspect {n} sheets", n=6),
            act_url="#inspect",
            who="Crew Heron",
            by=site("2026-05-13 15:30"),
            condition="when it is done",
        ),
        parts.HoldRow(
            "rest",
            "held",
            say(
                "{proven} of {needed} proven; {more} more is provisional.",
                proven=hours(12) + timedelta(minutes=40),
                needed=hours(24),
                more=timedelta(hours=1, minutes=12),
            ),
            say(
                "Last reading {last}, in band. The next must come by {by}.",
                last=site("2026-05-13 05:40"),
                by=site("2026-05-13 07:40"),
            ),
            counting=True,
            act="Log a reading",
            act_url="#reading",
            who="Crew Heron",
            by=site("2026-05-13 07:40"),
            clears=Forecast.fixed(site("2026-05-13 17:00")),
            condition="if it stays in band",
        ),
        parts.HoldRow(
            "room_conditions",
            "clear",
            "19.9 °C and 46 %, both inside the band.",
            say("Logger, {at}; stale after {by}", at=site("2026-05-13 05:40"), by=site("2026-05-13 07:40")),
        ),
        parts.HoldRow(
            "consumables",
            "clear",
            say(
                "Adhesive {have} kg of {need} kg, in date to {day}.",
                have=22.0,
                need=19.0,
                day=date(2026, 6, 30),
            ),
            "Delivery 3318, Mon 11 May",
            clear_since=site("2026-05-11 10:20"),
            fresh=True,
        ),
    )


READINGS = tuple(
    parts.ReadingPoint(site(at), t, rh)
    for at, t, rh in (
        ("2026-05-12 06:05", 20.3, 44),
        ("2026-05-12 07:30", 20.9, 45),
        ("2026-05-12 09:00", 21.2, 46),
        ("2026-05-12 10:30", 20, 47),
        ("2026-05-12 11:10", 17.9, 48),
        ("2026-05-12 12:30", 17.2, 50),
        ("2026-05-12 14:00", 16.6, 52),
        ("2026-05-12 15:12", 15.6, 51),
        ("2026-05-12 16:20", 19.2, 49),
        ("2026-05-12 18:00", 20.5, 48),
        ("2026-05-12 20:00", 21.1, 50),
        ("2026-05-12 21:30", 21.3, 53),
        ("2026-05-12 22:00", 21.4, 58),
        ("2026-05-12 22:40", 21.4, 54.8),
        ("2026-05-13 00:30", 21.2, 50),
        ("2026-05-13 02:00", 21.1, 48),
        ("2026-05-13 04:00", 20.7, 47),
        ("2026-05-13 05:40", 19.9, 46),
    )
)
STRETCHES = (
    parts.StretchRow(site("2026-05-12 06:05"), site("2026-05-12 11:10"), "counted"),
    parts.StretchRow(site("2026-05-12 11:10"), site("2026-05-12 15:10"), "out_of_band"),
    parts.StretchRow(site("2026-05-12 15:10"), site("2026-05-12 16:20"), "out_of_band", restart=True),
    parts.StretchRow(site("2026-05-12 16:20"), site("2026-05-12 22:00"), "counted"),
    parts.StretchRow(
        site("2026-05-12 22:00"), site("2026-05-12 22:40"), "out_of_band", why="Humidity 58 %: paused"
    ),
    parts.StretchRow(site("2026-05-12 22:40"), site("2026-05-13 05:40"), "counted"),
    parts.StretchRow(site("2026-05-13 05:40"), site("2026-05-13 06:52"), "provisional"),
)


def strip() -> parts.RestStrip:
    return parts.rest_strip(
        batch="7K2-0418",
        band=BAND,
        stretches=STRETCHES,
        readings=READINGS,
        needed=hours(24),
        zone=ZONE,
        now=NOW,
    )


def autumn_strip() -> parts.RestStrip:
    """Return a rest of every kind of stretch, over the night on which the clocks go back."""
    kinds = ("wrapped", "gap", "stated", "absent", "counted", "bridged", "out_of_band", "provisional")
    start = site("2026-10-24 08:00")
    stretches = [
        parts.StretchRow(start + hours(5 * i), start + hours(5 * i + 5), kind) for i, kind in enumerate(kinds)
    ]
    stretches[4] = parts.StretchRow(start + hours(20), start + hours(25), "counted", restart=True)
    readings = [parts.ReadingPoint(start + hours(h), 21, 45) for h in (3, 20, 22, 25, 27, 30)]
    memory = parts.MemorySpell(start + hours(10), start + hours(18), 15, 22, 38, 61)
    return parts.rest_strip(
        batch="7K2-0502",
        band=BAND,
        stretches=stretches,
        readings=readings,
        memories=[memory],
        break_after=hours(4),
        needed=hours(24),
        zone=ZONE,
        now=start + hours(35),
    )


def clocks() -> tuple[parts.RestClock, ...]:
    return (
        parts.rest_clock(
            needed=hours(24),
            proven=timedelta(hours=12, minutes=40),
            provisional=timedelta(hours=1, minutes=12),
            full_at=Forecast.fixed(site("2026-05-13 17:00")),
            condition="if it stays in band",
        ),
        parts.rest_clock(
            needed=hours(72), proven=hours(50.5), stated=hours(9), bridged=hours(16), full_at=None
        ),
        parts.rest_clock(needed=hours(24), proven=hours(24)),
        parts.rest_clock(needed=hours(48), proven=hours(0), full_at=Forecast.sliding(hours(48))),
    )


def acts() -> parts.ActTable:
    def row(by: str, act: str, detail: str, keeps: str, note: str, batch: str | None = None) -> parts.ActRow:
        return parts.ActRow(site(f"2026-05-{by}"), act, "#act", detail, batch, site(f"2026-05-{keeps}"), note)

    return parts.act_table(
        (
            parts.ActGroup(
                "Suppliers",
                (
                    row(
                        "13 08:30",
                        "Log the dispatch of 26 sheets",
                        "Order 2207, Orrin Street School. No word since Monday.",
                        "15 07:00",
                        "Dunmere depot",
                    ),
                    row(
                        "14 09:00",
                        "Answer claim 118, six chipped sheets",
                        "Pellmouth Ferry Terminal, quay level.",
                        "18 07:00",
                        "Dunmere depot",
                    ),
                ),
            ),
            parts.ActGroup(
                "Crew leads",
                (
                    row(
                        "13 16:00",
                        "Move 18 backed panels in and unwrap",
                        "Filling hall, wet room B, Saltgarth Dairy. Rests 24 h.",
                        "15 06:30",
                        "Crew Kestrel",
                    ),
                    row(
                        "13 06:30",
                        "Log a reading",
                        "Sluice 1.04, Quernfield Hospital.",
                        "14 07:00",
                        "Crew Heron",
                    ),
                    row(
                        "13 10:15",
                        "Inspect 22 of 40 sheets",
                        "Treatment rooms 3 and 4 with their connecting lobby, Tallow Lane Clinic.",
                        "13 13:00",
                        "Crew Plover",
                        "M31-1170",
                    ),
                ),
                left_out=12,
                url="#all",
            ),
            parts.ActGroup("Others on site", ()),
        ),
        limit=hours(2.2),
        zone=ZONE,
        now=NOW,
    )


def slips() -> tuple[parts.SlipRow, ...]:
    return (
        parts.SlipRow(
            "Washrooms, quay level, women and accessible",
            "#room",
            "Pellmouth Ferry Terminal · Crew Tern",
            site("2026-05-14 12:00"),
            site("2026-05-18 07:00"),
            say_n("{n} working day", "{n} working days", n=2),
            "8 sheets short, and no replacement is promised.",
        ),
        parts.SlipRow(
            "Ward pantry 3.02",
            "#room",
            "Quernfield Hospital",
            site("2026-05-20 07:00"),
            None,
            "day not known",
            "Ostrey yard has given no dispatch.",
        ),
    )


def log() -> tuple[parts.LogRow, ...]:
    return (
        parts.LogRow(
            site("2026-05-13 06:31"), "Crew Wren is one short today.", "Time off recorded by the lead."
        ),
        parts.LogRow(
            site("2026-05-13 05:40"),
            "Reading 19.9 °C, 46 %.",
            "by hand, Crew Heron",
            state="corrected",
            link=parts.LogLink("19.4 °C, 46 %, by the same", "#fact-3"),
            key="2",
        ),
        parts.LogRow(
            site("2026-05-13 05:40"), "Reading 19.4 °C, 46 %.", "by hand, Crew Heron", key="3", fresh=True
        ),
        parts.LogRow(
            site("2026-05-12 16:48"),
            "12 good of 12.",
            "Site agent, by phone",
            state="withdrawn",
            key="4",
        ),
        parts.LogRow(
            site("2026-05-12 22:00"),
            "Milk reception lobby, Saltgarth Dairy.",
            "Its day is firm.",
            shows="fit_to_send",
        ),
        parts.LogRow(
            date(2026, 5, 15),
            "26 sheets",
            "Dunmere depot, 07:30.",
            batch="7K2-0502",
            state="disagrees",
            link=parts.LogLink("the note says 24", "#fact-9"),
            acts=(parts.LogLink("Correct it", "#correct"), parts.LogLink("Withdraw it", "#withdraw")),
        ),
        parts.LogRow(None, "8 backed panels, ivory", "Latest by Tue 19 May.", risk=True),
    )


def ledger() -> parts.Ledger:
    heads = tuple(
        parts.Head(words, figures=words in ("Placed", "Good"))
        for words in ("Batch", "Product", "In this room since", "Placed", "Good", "Rest")
    )
    return parts.Ledger(
        name="Placements",
        heads=heads,
        rows=(
            parts.LedgerRow(
                (
                    parts.Entry("7K2-0418", stamp=True),
                    parts.Entry("Sheet, 2.3 mm, embossed white", "1 220 × 2 440"),
                    parts.Entry(site("2026-05-12 06:05"), "opened"),
                    parts.Entry(16),
                    parts.Entry(9),
                    parts.Entry(timedelta(hours=12, minutes=40), url="#rest"),
                ),
                key="1",
            ),
            parts.LedgerRow(
                (
                    parts.Entry("7K2-0502", stamp=True),
                    parts.Entry("Sheet, 2.3 mm, embossed white"),
                    parts.Entry("not here: holding area, dock 2", risk=True),
                    parts.Entry(4),
                    parts.Entry(None),
                    parts.Entry("", state="held"),
                ),
            ),
        ),
        foot=(parts.Entry("Together"), *(parts.Entry(value) for value in ("", "", 20, 9, ""))),
        left_out=388,
        left_out_url="?all=1",
    )


def stops() -> tuple[parts.StopRow | parts.TravelRow, ...]:
    return (
        parts.StopRow(
            site("2026-05-13 07:30"),
            "Sluice 1.04",
            "#room",
            "fit_to_send",
            "· set, 4 h",
            "Quernfield Hospital, block C, level 1. Key from the gate.",
        ),
        parts.TravelRow(timedelta(minutes=30), "Walk and lift to level 2; the goods lift is booked 11:30"),
        parts.StopRow(
            site("2026-05-13 12:00"),
            "Kitchen servery and dishwash return corridor 2.14",
            "#room",
            "held",
            "by inspection and rest",
            todo=say("Do today: inspect 6 sheets by {by}.", by=site("2026-05-13 15:30")),
        ),
    )


class Delivery(inputs.InWords, forms.Form):
    """A form of every shape, with errors when it is bound to nonsense."""

    batch = forms.CharField(label="Batch, as printed", widget=inputs.StampInput)
    sheets = inputs.CountField(label="Sheets", most=26)
    more = forms.BooleanField(
        label="More came than was ordered", required=False, help_text="say how many below"
    )
    humidity = inputs.FigureField(label="Humidity of the room, %", low=0, high=100)
    air = inputs.FigureField(label="Air, °C", low=-60, high=80, help_text="band 18–24")
    arrived = forms.CharField(label="Arrived", widget=inputs.InstantInput, help_text="times of the site")
    packed = forms.ChoiceField(
        label="How the skid is packed", choices=[("w", "Wrapped, on a flat skid"), ("u", "Opened")]
    )
    answer = forms.ChoiceField(
        label="Your answer",
        widget=forms.RadioSelect,
        choices=[
            ("replace", parts.Labelled("Replace 8 sheets", hint="say the batch and the arrival below")),
            ("refuse", parts.Labelled("Refuse", hint="a reason is required and is kept with the claim")),
        ],
    )
    prep = forms.MultipleChoiceField(
        label="Prep",
        widget=forms.CheckboxSelectMultiple,
        choices=[("dry", parts.Labelled("Dry", hint="highest 2.1 %")), ("clean", "Clean"), ("flat", "Flat")],
    )
    words = forms.CharField(label="Words to the contractor", widget=inputs.WordsInput, required=False)
    note = forms.FileField(label="Delivery note", required=False)
    good = inputs.CountField(label="Good")
    bowed = inputs.CountField(label="Bowed", help_text="more than 6 mm over the length", most=3)


def asked(wrong: bool) -> Delivery:
    if not wrong:
        return Delivery(
            initial={
                "batch": "7K2-0502",
                "good": 4,
                "bowed": 0,
                "air": 20.4,
                "arrived": NOW,
                "answer": "replace",
                "prep": ["dry"],
            }
        )
    return Delivery(
        {"batch": "7K2-0502", "sheets": "41", "humidity": "470", "bowed": "9", "packed": "w", "good": "4"}
    )


def context(wrong: bool = False) -> dict[str, object]:
    states = {hold.kind: hold.state for hold in holds()}
    return {
        "zone": ZONE,
        "now": NOW,
        "block": (
            parts.Cell("Morning", say_n("{n} act", "{n} acts", n=9), "#morning", current=True),
            parts.Cell("Jobs", say_n("{n} site", "{n} sites", n=7), "#jobs"),
            parts.Cell("Week", say_n("{n} crew", "{n} crews", n=12), "#week"),
            parts.Cell("Supply", say_n("{n} order", "{n} orders", n=1), "#supply"),
        ),
        "signed_in": parts.SignedIn("Operations manager", "plan 41 in force", "/sign-out/"),
        "holds": holds(),
        "rodlets": (
            parts.rodlet({**states, "rest": "counting"}),
            parts.rodlet(dict.fromkeys(states, "held")),
            parts.rodlet(dict.fromkeys(states, "clear")),
        ),
        "clocks": clocks(),
        "strips": (strip(), autumn_strip()),
        "air": parts.air_now(
            READINGS[-1], band=BAND, source="Logger", stale_at=site("2026-05-13 07:40"), now=NOW
        ),
        "bad_air": parts.air_now(
            READINGS[7], band=BAND, source="by hand", stale_at=site("2026-05-12 17:12"), now=NOW
        ),
        "acts": acts(),
        "slips": slips(),
        "log": log(),
        "history": tuple(replace(row, key="") for row in log()),
        "ledger": ledger(),
        "stops": stops(),
        "form": asked(wrong),
        "states": tuple(parts.STATES),
        "tape": drawing.tape(drawing.site_hours(date(2026, 5, 13), zone=ZONE), zone=ZONE, now=NOW),
        "notes": (
            parts.Note("No signal since 06:20", "Kept on this phone, 3 to send.", "kept", "kept"),
            parts.Note(
                "A waiver in force", "Shown wherever the room is.", mark="waived", url="#w", act="Read it"
            ),
            parts.Note("Two counts disagree", "Both are kept.", "clash", "clash"),
        ),
        "bare": parts.Bare(
            "Dock 2 is empty",
            say("No sheets stand here. The next skid is due {day}.", day=date(2026, 5, 15)),
            "Log an early arrival",
            "#arrival",
        ),
        "until": site("2026-05-13 17:00"),
    }


def page(*, wrong: bool = False) -> str:
    """Return the whole page as HTML."""
    return str(template().render(context(wrong)))


def template():
    """Return the page's template, which stands beside this file."""
    return engines["django"].from_string(Path(__file__).with_suffix(".html").read_text())
