"""Every part rendered with invented values: states as word and mark, figures in text, forms, sound HTML."""

import re
from dataclasses import replace
from datetime import timedelta
from html.parser import HTMLParser

import pytest
from django import forms
from django.core.exceptions import ImproperlyConfigured
from django.template import engines
from django.test import override_settings
from django.urls import include, path

from jobs.core.forecast import Forecast
from jobs.core.words import say
from scheduling import parts
from scheduling.core.holds import Act, Hold, HoldState, NextAct, Who
from scheduling.core.room_facts import HoldKind
from scheduling.printing import NBSP
from tests.scheduling import parts_sheet
from tests.scheduling.parts_sheet import NOW, ZONE, hours, site


def answer(request):
    raise AssertionError("only its path is asked for")


urlpatterns = [
    path("", include(([path("sign-in/", answer, name="sign_in")], "jobs"))),
    path(
        "",
        include(
            (
                [
                    path("workbook/", answer, name="workbook"),
                    path("template/", answer, name="workbook_template"),
                    path("sample/", answer, name="workbook_sample"),
                ],
                "scheduling",
            )
        ),
    ),
]


def render(name: str, **context: object) -> str:
    return page(f"scheduling/parts/{name}", **context)


def page(name: str, **context: object) -> str:
    return engines["django"].get_template(name).render({"zone": ZONE, "now": NOW, **context})


def inline(source: str, **context: object) -> str:
    return (
        engines["django"]
        .from_string("{% load setday %}" + source)
        .render({"zone": ZONE, "now": NOW, **context})
    )


def words(html: str) -> str:
    """Return what a person reads: without drawings, in single spaces, blocks apart."""
    while "<svg" in html:
        html = re.sub(r"<svg(?:(?!<svg).)*?</svg>", " ", html, flags=re.S)
    html = re.sub(r"</?(a|b|s|span|time)\b[^>]*>", "", html)
    return " ".join(re.sub(r"<[^>]+>", " ", html).replace(NBSP, " ").split())


class Page(HTMLParser):
    """Collects what must not repeat, what must be found, and what the content policy refuses."""

    VOID = {"meta", "link", "br", "input", "rect", "line", "path", "use", "circle", "ellipse", "polyline"}

    def __init__(self, html: str) -> None:
        super().__init__()
        self.ids: list[str] = []
        self.refs: list[str] = []
        self.refused: list[str] = []
        self.open: list[str] = []
        self.astray: list[str] = []
        self.headings: list[str] = []
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        for name, value in attrs:
            if name == "id":
                self.ids.append(value)
            elif name in ("for", "aria-describedby", "aria-labelledby"):
                self.refs += value.split()
            elif name == "style" or name.startswith(("on", "hx-on")):
                self.refused.append(f"{tag} {name}")
            if name == "href" and tag == "use":
                self.refs.append(value.removeprefix("#"))
            if value and "url(#" in value:
                self.refs += re.findall(r"url\(#([\w-]+)\)", value)
        if tag == "script" and not dict(attrs).get("src"):
            self.refused.append("inline script")
        if tag in ("h1", "h2", "h3"):
            self.headings.append(tag)
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.handle_starttag(tag, attrs)
        if tag not in self.VOID:
            self.open.pop()

    def handle_endtag(self, tag):
        if self.open and self.open[-1] == tag:
            self.open.pop()
        else:
            self.astray.append(tag)


# ---- the whole sheet


@pytest.mark.parametrize("wrong", [False, True], ids=["as-shown", "with-errors"])
def test_a_page_of_every_part_is_sound(wrong):
    page = Page(parts_sheet.page(wrong=wrong))

    assert page.refused == []
    assert page.astray == []
    assert page.open == []
    assert page.headings.count("h1") == 1
    assert sorted(set(page.ids)) == sorted(page.ids)
    # Choices are labelled by wrapping them; everything else that is pointed at must be there.
    assert [ref for ref in page.refs if ref not in page.ids] == []


def test_no_date_on_the_page_can_break_over_a_line():
    html = parts_sheet.page()

    found = re.findall(r"<time[^>]*>([^<]*)</time>", html)

    assert len(found) > 30
    assert [text for text in found if " " in text] == []


def test_a_page_without_zone_or_present_is_told_so():
    template = engines["django"].from_string("{% load setday %}{% when at %}")

    with pytest.raises(ImproperlyConfigured, match="zone"):
        template.render({"at": NOW, "now": NOW})
    with pytest.raises(ImproperlyConfigured, match="now"):
        template.render({"at": NOW, "zone": ZONE})


# ---- states and holds


def test_every_state_is_a_word_beside_its_mark():
    sprite = render("sprite.html")

    for name, shown in parts.STATES.items():
        html = inline("{% state name %}", name=name)
        assert f'href="#m-{shown.mark}"' in html
        assert f'id="m-{shown.mark}"' in sprite
        assert words(html) == str(shown.word)


def test_the_rod_says_all_seven_holds_in_order():
    html = render("_hold_list.html", holds=parts_sheet.holds())

    assert html.count('id="hold-list"') == 1
    assert re.findall(r'<tr role="row" id="hold-([a-z_]+)"', html) == list(parts.HOLD_NAMES)
    assert list(parts.HOLD_NAMES) == [kind.value for kind in HoldKind]
    assert re.findall(r'class="m m-(\w+)"', html) == [
        "none",
        "waived",
        "clear",
        "held",
        "prov",
        "clear",
        "clear",
    ]


def test_a_held_row_says_who_does_what_by_when_and_when_it_clears():
    row = parts_sheet.holds()[3]

    text = words(render("_hold_list.html", holds=[row]))

    assert "Inspection Held" in text
    assert "6 of 16 sheets have not been looked at, front and back." in text
    assert "Inspect 6 sheets Crew Heron, latest by 15:30" in text
    assert text.endswith("not known when it is done")


def test_a_judged_hold_becomes_a_row():
    act = NextAct(Act.LOG_READING, say("Log a reading"), by=site("2026-05-13 07:40"))
    hold = Hold(
        HoldKind.REST,
        HoldState.HELD,
        say("12 h of 24 h proven."),
        forecast=Forecast.sliding(hours(2)),
        act=act,
        who=Who.CREW_LEAD,
        counting=True,
    )

    row = parts.hold_row(hold, act_url="/reading/")
    text = words(render("_hold_list.html", holds=[row]))

    assert row.shown == parts.STATES["counting"]
    assert "Log a reading Crew lead, latest by 07:40" in text
    # NOW is 06:52 on the site's clocks; two hours on is worked by hand.
    assert "Wed 13 May 08:52 if it stays in band" in text


def test_a_hold_that_is_not_held_has_no_act_and_no_link():
    hold = Hold(HoldKind.REST, HoldState.CLEAR, say("Proven in full."))

    row = parts.hold_row(hold, act_url="/reading/")

    assert (row.act, row.act_url, row.clears) == (None, None, None)


@pytest.mark.parametrize(
    ("states", "text"),
    [
        ({"inspection": "held", "rest": "counting", "substrate": "waived"}, "inspection and rest"),
        ({"inspection": "clear", "rest": "not_needed"}, "none stands"),
        ({"inspection": "held", "rest": "held"}, "all stand"),
    ],
)
def test_the_small_rod_names_the_holds_that_stand(states, text):
    assert words(render("_rodlet.html", rodlet=parts.rodlet(states))) == text


def test_a_list_draws_the_same_small_rod_as_its_part():
    drawn = parts.rodlet({"inspection": "held", "rest": "clear"})

    assert inline("{% rodlet drawn %}", drawn=drawn).strip() == render("_rodlet.html", rodlet=drawn).strip()


# ---- rest


def test_only_proven_time_is_added_up_and_provisional_never_stands_alone():
    clock = parts_sheet.clocks()[0]

    text = words(render("_clock.html", clock=clock))

    assert "12 h 40 proven of 24 h, 1 h 12 provisional; full at Wed 13 May 17:00 if it stays in band" in text
    # Worked by hand: 24 h less 12 h 40 and 1 h 12.
    assert clock.to_go == timedelta(hours=10, minutes=8)


def test_what_is_stated_or_bridged_is_said_apart():
    text = words(render("_clock.html", clock=parts_sheet.clocks()[1]))

    assert "9 h stated by a person, not measured; 16 h between readings far apart" in text
    assert "when it is full is not known" in text


def test_a_full_rest_asks_for_nothing_more():
    clock = parts_sheet.clocks()[2]

    assert (clock.full, clock.to_go) == (True, timedelta(0))
    assert "full" in words(render("_clock.html", clock=clock))


def test_what_counted_before_the_last_restart_is_lost():
    rows = (
        parts.StretchRow(NOW, NOW + hours(1), "counted"),
        parts.StretchRow(NOW + hours(1), NOW + hours(2), "out_of_band"),
        parts.StretchRow(NOW + hours(2), NOW + hours(3), "stated", restart=True),
        parts.StretchRow(NOW + hours(3), NOW + hours(4), "counted", restart=True),
        parts.StretchRow(NOW + hours(4), NOW + hours(5), "provisional"),
    )

    kinds = [row.kind for row in parts.with_losses(rows)]

    assert kinds == ["lost", "out_of_band", "lost", "counted", "provisional"]


def test_a_rest_that_never_restarted_has_lost_nothing():
    rows = (parts.StretchRow(NOW, NOW + hours(1), "counted"),)

    assert parts.with_losses(rows) == rows


def test_the_table_accounts_for_every_minute():
    strip = parts_sheet.strip()

    text = words(render("_stretches.html", strip=strip))

    # Worked by hand: 5 h 40 and 7 h since the restart.
    assert strip.proven == timedelta(hours=12, minutes=40)
    assert "7 stretches" in text
    assert "Tue 12 May 06:05 Tue 12 May 11:10 5 h 05 5 h 05 In band; lost" in text
    assert "Back to zero here." in text
    assert text.endswith("Proven 12 h 40 of 24 h")


def test_the_strips_key_names_just_the_kinds_that_are_drawn():
    text = words(render("_strip.html", strip=parts_sheet.strip()))

    assert text == "counted provisional paused counted, then lost back to zero night, 20 to 06"


def test_the_strip_says_where_the_clocks_change():
    text = words(render("_strip.html", strip=parts_sheet.autumn_strip()))

    assert "The site’s clocks go back by 1 h at the double line: that night is longer." in text


def test_a_rest_that_has_not_begun_has_no_strip():
    with pytest.raises(ValueError, match="not begun"):
        parts.rest_strip(
            batch="B", band=parts_sheet.BAND, stretches=(), readings=(), needed=hours(24), zone=ZONE, now=NOW
        )


def test_the_air_says_figures_band_source_and_staleness():
    text = words(render("_air.html", air=parts_sheet.context()["bad_air"]))

    assert "Air 18–24 °C 15.6 °C out of band Humidity 35–55 % 51 %" in text
    assert "by hand, Tue 12 May 15:12; stale since Tue 12 May 17:12" in text


# ---- lists


def test_acts_stand_by_who_acts_earliest_first():
    table = parts_sheet.acts()

    assert [group.who for group in table.groups] == ["Crew leads", "Suppliers"]
    assert [row.by for row in table.groups[0].rows] == [
        site("2026-05-13 06:30"),
        site("2026-05-13 10:15"),
        site("2026-05-13 16:00"),
    ]


def test_an_act_says_what_it_keeps_and_the_time_left():
    text = words(render("_acts.html", acts=parts_sheet.acts()))

    assert "Latest by Act Keeps Time left Crew leads 3 acts 06:30 Log a reading" in text
    assert "Thu 14 May 07:00 Crew Heron, 22 min late" in text
    assert "Batch M31-1170 Wed 13 May 13:00 Crew Plover, 3 h 23 left" in text
    assert "and 12 more acts" in text
    assert "Thu 09:00 Answer claim 118" in text


def test_a_promise_that_moves_names_both_days_or_says_not_known():
    text = words(render("_slips.html", slips=parts_sheet.slips()))

    assert "Promised Thu 14 May 12:00, now expected Mon 18 May 07:00, 2 working days." in text
    assert "now expected not known, day not known." in text


def test_a_fact_that_no_longer_stands_is_struck_and_linked():
    html = render("_log.html", log=parts_sheet.log())

    assert '<s class="wrong">Reading 19.9 °C, 46 %.</s>' in html
    assert 'Corrected</b>: <a href="#fact-3">' in html
    assert 'id="fact-3"' in html
    assert '<s class="wrong">12 good of 12.</s>' in html
    assert "Withdrawn" in words(html)


def test_two_facts_that_disagree_are_both_kept():
    text = words(render("_log.html", log=parts_sheet.log()))

    assert "Disagrees; both are kept: the note says 24" in text


def test_a_log_over_days_says_each_day():
    text = words(render("_log.html", log=parts_sheet.log(), days=True))

    assert text.startswith("Wed 13 May 06:31 Crew Wren")
    assert "no day 8 backed panels, ivory" in text


def test_a_ledger_says_what_is_left_out_and_what_is_unknown():
    html = render("_ledger.html", ledger=parts_sheet.ledger())
    text = words(html)

    assert "388 rows are left out here. Show all" in text
    assert "4 not known Held" in text
    assert text.count("Together 20 9") == 1
    assert 'data-h="Placed"' in html


def test_a_ledgers_row_has_a_cell_a_column():
    ledger = parts_sheet.ledger()
    short = replace(ledger, rows=(parts.LedgerRow((parts.Entry("one"),)),))

    with pytest.raises(ValueError, match="shorter"):
        render("_ledger.html", ledger=short)


def test_the_crews_day_is_stops_and_the_way_between():
    text = words(render("_stops.html", stops=parts_sheet.stops()))

    assert "07:30 Sluice 1.04 Fit to send · set, 4 h" in text
    assert "30 min Walk and lift to level 2" in text
    assert "inspect 6 sheets by 15:30" in text


def test_a_note_that_something_is_wrong_is_an_alert():
    kinds = [
        re.search(r'role="(\w+)"', render("_note.html", note=note)) for note in parts_sheet.context()["notes"]
    ]

    assert [kind and kind.group(1) for kind in kinds] == ["status", "status", "alert"]


def test_an_empty_state_says_why_and_what_fills_it():
    text = words(render("_bare.html", bare=parts_sheet.context()["bare"]))

    assert (
        text == "Dock 2 is empty No sheets stand here. The next skid is due Fri 15 May. Log an early arrival"
    )


def test_a_typed_text_is_never_markup():
    row = parts.LogRow(NOW, "<script>", say("{x}", x="<img src=x>"))

    html = render("_log.html", log=[row])

    assert "<script>" not in html
    assert "<img" not in html
    assert "&lt;script&gt;" in html


# ---- forms


def test_an_error_stands_at_its_field_and_in_the_summary_linked():
    html = parts_sheet.page(wrong=True)

    assert "7 things to put right" in html
    assert (
        '<a href="#id_humidity">Humidity of the room, %: 470 is not from 0 to 100. Did you mean 47?</a>'
        in html
    )
    assert 'aria-describedby="id_humidity-wrong"' in html
    assert 'id="id_humidity-wrong"' in html
    assert '<a href="#id_answer_0">Your answer: Choose one.</a>' in html
    assert "Nothing you typed is lost." in html


def test_what_was_typed_stays():
    html = parts_sheet.page(wrong=True)

    assert re.search(r'name="humidity" value="470"[^>]*aria-invalid="true"', html)
    assert re.search(r'name="sheets" value="41"', html)


def test_a_form_without_errors_has_no_summary():
    assert 'id="wrongs"' not in parts_sheet.page()


def test_hint_and_error_are_both_read_out():
    html = parts_sheet.page(wrong=True)

    assert 'aria-describedby="id_air-hint id_air-wrong"' in html


def test_a_count_has_buttons_that_work_without_script():
    form = parts_sheet.asked(wrong=False)

    html = inline("{% count form.good %}", form=form)

    assert re.search(r'<button name="less" value="good" formnovalidate aria-label="One fewer: Good">', html)
    assert re.search(r'<button name="more" value="good" formnovalidate aria-label="One more: Good">', html)
    assert 'value="4"' in html


def test_a_choices_smaller_line_is_its_hint():
    html = inline("{% field form.answer %}", form=parts_sheet.asked(wrong=False))

    assert "Replace 8 sheets<small>say the batch and the arrival below</small>" in html
    assert html.count("checked") == 1


def test_words_about_the_whole_form_stand_in_the_summary():
    class Whole(forms.Form):
        def clean(self):
            raise forms.ValidationError("More was inspected than was delivered.")

    html = inline("{% wrongs form %}", form=Whole({}))

    assert "One thing to put right" in html
    assert "<li>More was inspected than was delivered.</li>" in html


def test_a_form_rendered_by_itself_looks_the_same():
    with override_settings(FORM_RENDERER="scheduling.inputs.SheetRenderer"):
        html = str(parts_sheet.asked(wrong=True))

    assert 'id="wrongs"' in html
    assert 'class="field field-wrong"' in html


# ---- pages that need no data


def test_sign_in_asks_for_a_link_and_says_when_one_ended():
    class Asked(forms.Form):
        email = forms.EmailField(label="Your mail address")

    with override_settings(ROOT_URLCONF=__name__):
        first = page("sign_in.html", form=Asked())
        sent = page("sign_in.html", sent=True)
        ended = page("sign_in.html", ended=True, form=Asked())

    assert "Send me a link" in first
    assert "a link is on its way" in sent
    assert "<form" not in sent
    assert "This link has ended." in ended


def test_a_mailed_link_signs_in_by_a_button():
    html = page("sign_in_confirm.html", person="Mara <Quill>")

    assert '<form method="post">' in html
    assert "Mara &lt;Quill&gt;" in html


def test_first_steps_lead_to_the_workbook():
    with override_settings(ROOT_URLCONF=__name__):
        html = page("first_steps.html")

    assert [href for href in ("/template/", "/workbook/", "/sample/") if f'href="{href}"' not in html] == []


@pytest.mark.parametrize("name", ["400.html", "403.html", "403_csrf.html", "404.html", "500.html"])
def test_an_error_page_needs_nothing_from_its_request(name):
    html = engines["django"].get_template(name).render({})

    sound = Page(html)
    assert (sound.refused, sound.astray, sound.open) == ([], [], [])
    assert 'href="/"' in html
    assert "<nav" not in html


def test_what_one_may_not_see_answers_like_what_is_not_there():
    assert "There is nothing at this address, or it is not yours to see." in page("404.html")


def test_who_is_signed_in_can_sign_out_by_a_button_at_both_widths():
    html = page("404.html", signed_in=parts.SignedIn("Mara Quill", "Crew Heron", "/sign-out/"))

    assert html.count('<form method="post" action="/sign-out/">') == 2
    assert "Mara Quill" in html
